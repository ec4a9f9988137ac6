"""The joint profile fit on runs whose best position, seeing and spherical term are known.

Stars are drawn by GalSim (wave optics ⊗ Kolmogorov ⊗ pixel), which shares no code with the model.
"""

import math
from dataclasses import replace

import galsim
import numpy as np
import pytest
from position_bound import position_bound
from profile_runs import POSITIONS, RIG, SEEING_UM, WAVELENGTH_UM, ZERO, synthetic_frame, synthetic_run

from focuskit.core.errors import FocuskitError
from focuskit.waves import measure_defocus, profile_model
from focuskit.waves.fit import solve_profiles
from focuskit.waves.model import BINS_PER_PX
from focuskit.waves.stack import StackTask, stack_profile

SKY = 50.0


def galsim_stars(defocus_um, seeing_um, rng, spherical_waves=0.0, stars=40, flux_e=2.6e4, radius=None):
    """Return a FrameProfile-ready image of stars at random sub-pixel places, with centres and fluxes."""
    waves = defocus_um / (8.0 * RIG.f_ratio**2 * WAVELENGTH_UM)
    optics = galsim.OpticalPSF(
        lam_over_diam=WAVELENGTH_UM * RIG.f_ratio, defocus=waves / math.sqrt(12.0), spher=spherical_waves,
        obscuration=RIG.obstruction, oversampling=2.0, pad_factor=2.0, suppress_warning=True,
    )  # fmt: skip
    star = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=seeing_um), galsim.Pixel(RIG.pixel_um))
    size = 2 * (radius + 3) + 1
    templates = []
    for _ in range(8):
        dx, dy = rng.uniform(-0.5, 0.5, 2)
        drawn = galsim.Image(size, size, scale=RIG.pixel_um)
        star.shift(dx * RIG.pixel_um, dy * RIG.pixel_um).drawImage(drawn, method="no_pixel")
        templates.append((dx, dy, drawn.array))
    flux = flux_e * rng.uniform(0.5, 1.5, stars)
    chosen = [templates[k] for k in rng.integers(0, 8, stars)]
    image = np.hstack([f * t[2] for f, t in zip(flux, chosen, strict=True)]) + SKY
    image += rng.standard_normal(image.shape) * np.sqrt(np.maximum(image, 1.0))
    x = np.arange(stars) * size + size // 2 + np.array([t[0] for t in chosen])
    y = size // 2 + np.array([t[1] for t in chosen])
    return image, x, y, flux


def galsim_frame(position, defocus_um, seeing_um, rng, **kwargs):
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 45.0)
    radius = max(8, math.ceil(2.0 * model.hfd_um(defocus_um / model.um_per_wave, seeing_um) / RIG.pixel_um))
    image, x, y, flux = galsim_stars(defocus_um, seeing_um, rng, radius=radius, **kwargs)
    return stack_profile(image, StackTask(x, y, flux, SKY, math.sqrt(SKY), radius, position))


@pytest.fixture(scope="module")
def galsim_run():
    rng = np.random.default_rng(11)
    seeing = SEEING_UM * np.exp(0.12 * rng.standard_normal(POSITIONS.size))
    frames = [galsim_frame(x, 4.0 * (x - ZERO), s, rng) for x, s in zip(POSITIONS, seeing, strict=True)]
    return frames, seeing


def test_run_drawn_by_galsim(galsim_run):
    frames, seeing = galsim_run
    fit = solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-4)).report()
    assert fit.converged
    assert 4.0 * fit.err < 0.5
    assert abs(fit.best_position - ZERO) < 4.0 * fit.err
    assert fit.slope_factor == pytest.approx(1.0, abs=0.004)
    assert fit.chi2_reduced < 1.6
    found = np.array([frame.seeing_um for frame in fit.frames])
    np.testing.assert_allclose(found, seeing, rtol=0.01)
    defocus = np.array([frame.defocus_um for frame in fit.frames])
    np.testing.assert_allclose(defocus, 4.0 * (POSITIONS - ZERO), atol=2.0)
    arcsec = fit.frames[0].seeing_um * 1e-3 / 1400.0 * 206264.8
    assert fit.frames[0].seeing_arcsec == pytest.approx(arcsec, rel=1e-4)


def test_spherical_term_drawn_by_galsim_is_found_and_moves_the_best_position():
    rng = np.random.default_rng(12)
    frames = [galsim_frame(x, 4.0 * (x - ZERO), SEEING_UM, rng, spherical_waves=0.03) for x in POSITIONS]
    fit = solve_profiles(frames, RIG, WAVELENGTH_UM).report()
    assert fit.spherical_waves == pytest.approx(0.03, abs=max(4.0 * fit.spherical_err, 0.001))
    # 553 µm per wave at this seeing: 16.6 µm, 4.15 steps inwards. Without the term 2 to 3 steps are missed.
    assert fit.best_position == pytest.approx(ZERO - 4.15, abs=4.0 * fit.err + 0.05)
    ignored = solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-5)).report()
    assert not ignored.matches
    assert abs(ignored.best_position - (ZERO - 4.15)) > 1.0


def test_stack_is_the_mean_over_its_pixels():
    rng = np.random.default_rng(2)
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 45.0)
    image, x, y, flux = galsim_stars(200.0, SEEING_UM, rng, stars=60, radius=22)
    frame = stack_profile(image, StackTask(x, y, flux, SKY, math.sqrt(SKY), 22, 0.0))
    np.testing.assert_allclose(frame.bins.sum(axis=1), 1.0)
    expected = frame.bins @ model.profile(200.0, SEEING_UM)[: frame.bins.shape[1]]
    pull = (frame.flux - expected) / np.sqrt(frame.variance)
    assert np.sum(pull**2) < 22 + 4.0 * math.sqrt(44.0)
    assert np.sum(pull**2) > 22 - 4.0 * math.sqrt(44.0)


def test_light_of_known_neighbours_is_taken_off():
    rng = np.random.default_rng(4)
    image, x, y, flux = galsim_stars(250.0, SEEING_UM, rng, stars=30, radius=28)
    clean = stack_profile(image, StackTask(x, y, flux, SKY, math.sqrt(SKY), 28, 0.0))
    # Each star gets a fainter one beside it, at another distance and to another side.
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 60.0)
    profile = model.profile(250.0, SEEING_UM)
    away, angle, faint = (
        rng.uniform(12.0, 30.0, 30),
        rng.uniform(0.0, 2.0 * np.pi, 30),
        flux * rng.uniform(0.05, 0.2, 30),
    )
    beside_x, beside_y = x + away * np.cos(angle), y + away * np.sin(angle)
    rows, columns = np.indices(image.shape)
    crowded = image.copy()
    for x0, y0, light in zip(beside_x, beside_y, faint, strict=True):
        distance = np.hypot(columns - x0, rows - y0)
        crowded += light * np.interp(distance * BINS_PER_PX, np.arange(profile.size), profile, right=0.0)
    known = np.concatenate((np.stack((x, y), axis=1), np.stack((beside_x, beside_y), axis=1)))
    left, mended = (
        (stack_profile(crowded, StackTask(x, y, flux, SKY, math.sqrt(SKY), 28, 0.0, known=one)).flux - clean.flux)
        / np.sqrt(clean.variance)
        for one in (None, known)
    )
    assert np.ptp(left) > 8.0  # a constant is no harm: the sky is free
    assert np.ptp(mended) < 1.0


def test_stack_replaces_spoilt_pixels_and_leaves_out_stars_at_the_border():
    rng = np.random.default_rng(3)
    image, x, y, flux = galsim_stars(0.0, SEEING_UM, rng, stars=30, radius=14)
    clean = stack_profile(image, StackTask(x, y, flux, SKY, math.sqrt(SKY), 14, 0.0))
    hit = image.copy()
    hit[6, 8::170] += 5e4
    assert np.count_nonzero(hit != image) > 3
    spoilt = stack_profile(hit, StackTask(x, y, flux, SKY, math.sqrt(SKY), 14, 0.0))
    assert np.all(np.abs(spoilt.flux - clean.flux) < 4.0 * np.sqrt(clean.variance))
    fewer = stack_profile(image, StackTask(x - 10.0, y, flux, SKY, math.sqrt(SKY), 14, 0.0))
    assert clean.stars == 30
    assert fewer.stars == 29
    with pytest.raises(FocuskitError, match="position 7: no star"):
        stack_profile(image, StackTask(x[:1], y[:1] - 12.0, flux[:1], SKY, math.sqrt(SKY), 14, 7.0))


@pytest.mark.parametrize("noise", [2e-5, 4e-4])
def test_error_is_honest_and_near_the_bound(noise):
    rng = np.random.default_rng(4)
    off, err, bound, chi2 = [], [], [], []
    for _ in range(50):
        zero = ZERO + rng.uniform(-10.0, 10.0)
        frames, seeing = synthetic_run(rng, zero=zero, noise=noise)
        fit = solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-4)).report()
        off.append(fit.best_position - zero)
        err.append(fit.err)
        chi2.append(fit.chi2_reduced)
        bound.append(position_bound(frames, RIG, WAVELENGTH_UM, best_position=zero, seeing_um=seeing,
                                    seeing_scatter=0.12))  # fmt: skip
    off, err = np.abs(off), np.array(err)
    rms_bound = math.sqrt(np.mean(np.square(bound)))
    assert math.sqrt(np.mean(off**2)) < 1.3 * rms_bound
    # Three standard deviations of a count of 50; the algebra is tested exactly in test_solve.py.
    assert 0.68 - 0.20 < np.mean(off < err) < 0.68 + 0.20
    assert np.mean(off < 2.0 * err) > 0.95 - 0.09
    # 50 values with 239 degrees of freedom each: 0.013.
    assert np.mean(chi2) == pytest.approx(1.0, abs=0.04)


def test_order_and_shift_of_positions_do_not_matter():
    frames, _ = synthetic_run(np.random.default_rng(5))
    fit = solve_profiles(frames, RIG, WAVELENGTH_UM).report()
    backwards = solve_profiles(frames[::-1], RIG, WAVELENGTH_UM).report()
    assert backwards.best_position == pytest.approx(fit.best_position, abs=0.02 * fit.err)
    moved = solve_profiles([replace(f, position=f.position + 3000.0) for f in frames], RIG, WAVELENGTH_UM).report()
    assert moved.best_position - 3000.0 == pytest.approx(fit.best_position, abs=0.02 * fit.err)
    scaled = [replace(f, flux=7.0 * f.flux + 3.0, variance=49.0 * f.variance) for f in frames]
    assert solve_profiles(scaled, RIG, WAVELENGTH_UM).report().best_position == pytest.approx(
        fit.best_position, abs=0.02 * fit.err
    )


def test_way_per_step_is_found_without_a_start():
    frames, _ = synthetic_run(np.random.default_rng(6))
    fit = solve_profiles(frames, replace(RIG, um_per_step=None), WAVELENGTH_UM).report()
    assert fit.um_per_step == pytest.approx(4.0, abs=4.0 * fit.um_per_step_err)
    assert fit.slope_factor is None
    assert fit.best_position == pytest.approx(ZERO, abs=4.0 * fit.err)


@pytest.mark.parametrize("place", [0, 3, 8])
def test_displaced_frame_is_set_aside_and_named(place):
    frames, _ = synthetic_run(np.random.default_rng(7))
    frames[place] = replace(frames[place], position=frames[place].position - 5.0)
    fit = solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-3)).report()
    assert [i for i, frame in enumerate(fit.frames) if not frame.used] == [place]
    assert fit.frames[place].why_not_used.code == "displaced"
    assert fit.frames[place].seeing_um is None
    assert fit.best_position == pytest.approx(ZERO, abs=4.0 * fit.err)
    clean = solve_profiles([f for i, f in enumerate(frames) if i != place], RIG, WAVELENGTH_UM, (0.0, 1e-3)).report()
    assert fit.best_position == pytest.approx(clean.best_position, abs=0.05 * fit.err)


def test_frame_with_strange_stars_costs_only_itself():
    frames, _ = synthetic_run(np.random.default_rng(8))
    trail = 0.2 * frames[6].flux.max() * np.exp(-0.5 * ((np.arange(30) - 9.0) / 1.5) ** 2)
    frames[6] = replace(frames[6], flux=frames[6].flux + trail)
    fit = solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-3)).report()
    assert [i for i, frame in enumerate(fit.frames) if not frame.used] == [6]
    assert fit.matches
    assert fit.best_position == pytest.approx(ZERO, abs=4.0 * fit.err)


def test_error_grows_when_the_model_does_not_match():
    """Jitter of the focuser's own positions is in no frame's noise: only the scatter tells."""
    rng = np.random.default_rng(9)
    pulls, bare = [], []
    for number in range(30):
        frames, _ = synthetic_run(rng)
        shaken = [replace(f, position=f.position + 0.5 * rng.standard_normal()) for f in frames]
        fit = solve_profiles(shaken, RIG, WAVELENGTH_UM, (0.0, 1e-4)).report()
        pulls.append(abs(fit.best_position - ZERO) / fit.err)
        if number < 8:
            bare.append(solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 1e-4)).report().err / fit.err)
    assert np.median(bare) < 0.7
    assert np.mean(np.array(pulls) < 1.0) > 0.4
    assert np.mean(np.array(pulls) < 3.0) > 0.9


@pytest.mark.parametrize(("defocus_um", "noise"), [(300.0, 2e-5), (-120.0, 2e-5), (200.0, 4e-4)])
def test_defocus_of_a_single_frame(defocus_um, noise):
    rng = np.random.default_rng(10)
    pulls = []
    for _ in range(10):
        frame = synthetic_frame(0.0, defocus_um, SEEING_UM, rng, noise=noise)
        found = measure_defocus(frame, RIG, WAVELENGTH_UM, (0.0, 1e-4))
        pulls.append((found.defocus_um - abs(defocus_um)) / found.defocus_err_um)
        assert found.seeing_um == pytest.approx(SEEING_UM, rel=0.25)
    assert np.mean(np.abs(pulls) < 3.0) >= 0.9


def test_single_frame_in_focus_says_so():
    rng = np.random.default_rng(13)
    for _ in range(5):
        found = measure_defocus(synthetic_frame(0.0, 0.0, SEEING_UM, rng, noise=4e-4), RIG, WAVELENGTH_UM)
        assert 10.0 < found.defocus_err_um < 108.0  # twice the critical focus zone, 2 λ N²
        # No distance but a limit, which reaches beyond the tolerance where stars are so faint, and no side.
        assert found.tolerance_um < found.limit_um() < 3.0 * found.tolerance_um
        assert 0.025 < found.outside < 0.975


def test_what_cannot_be_fitted_is_refused():
    frames, _ = synthetic_run(np.random.default_rng(1))
    with pytest.raises(FocuskitError, match="2 positions"):
        solve_profiles(frames[:2], RIG, WAVELENGTH_UM).report()
    with pytest.raises(FocuskitError, match="3 positions"):
        solve_profiles(frames[:3], replace(RIG, um_per_step=None), WAVELENGTH_UM).report()
    with pytest.raises(FocuskitError, match="obstruction"):
        solve_profiles(frames, replace(RIG, obstruction=None), WAVELENGTH_UM).report()
    with pytest.raises(FocuskitError, match="um_per_step"):
        position_bound(
            frames,
            replace(RIG, um_per_step=None),
            WAVELENGTH_UM,
            best_position=ZERO,
            seeing_um=np.full(9, 17.6),
        )


def test_stars_on_pixel_centres_are_stacked():
    y, x = np.mgrid[-40:41, -40:41]
    image = 1000.0 * np.exp(-(x**2 + y**2) / 18.0) + 100.0 + np.random.default_rng(1).normal(0, 1, x.shape)
    centre = np.array([40.0])
    done = stack_profile(image, StackTask(centre, centre, np.array([1.0]), 100.0, 1.0, 15.0, 0.0))
    assert done.stars == 1
    assert np.isfinite(done.flux).all()
