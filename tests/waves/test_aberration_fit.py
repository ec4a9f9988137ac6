"""Coma, astigmatism and smear of runs: drawn by GalSim, and on noise alone."""

import math
from dataclasses import replace
from functools import cache

import galsim
import numpy as np
import pytest

from focuskit.core import flags
from focuskit.core.optics import GIVEN, Rig
from focuskit.waves import ProfileFit, measure_aberrations, pool_aberrations, profile_model
from focuskit.waves.aberrations import make_amount
from focuskit.waves.annuli import harmonic_bins
from focuskit.waves.fit import solve_profiles
from focuskit.waves.harmonics import harmonic_model
from focuskit.waves.result import FrameFit
from focuskit.waves.stack import ZONES, FrameProfile, StackTask, stack_profile

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
WAVELENGTH_UM, SKY, BEST = 0.55, 50.0, 9003.0
POSITIONS = np.array([8900.0, 8930, 8960, 8990, 9020, 9050, 9080, 9110])
SIDE = 360


def galsim_profiles(seed, *, shake_px2=0.0, cosmic_rays=0, **noll):
    """Nine stars a frame, one in each zone, at random places on the pixels."""
    rng = np.random.default_rng(seed)
    flux = 8e4 * rng.uniform(0.5, 1.5, 9)
    frames = []
    for position in POSITIONS:
        waves = 4.0 * (position - BEST) / (8.0 * 49.0 * WAVELENGTH_UM)
        optics = galsim.OpticalPSF(
            lam_over_diam=WAVELENGTH_UM * 7.0, defocus=waves / math.sqrt(12.0), obscuration=0.36,
            oversampling=1.0, pad_factor=1.5, suppress_warning=True, **noll,
        )  # fmt: skip
        seeing = 17.6 * math.exp(0.1 * rng.standard_normal())
        parts = [optics, galsim.Kolmogorov(fwhm=seeing), galsim.Pixel(RIG.pixel_um)]
        if shake_px2:
            # A blur along the columns alone, but for a thousandth.
            along = galsim.Gaussian(sigma=1.0).transform(0.03 * RIG.pixel_um, 0.0, 0.0, shake_px2**0.5 * RIG.pixel_um)
            parts.append(along)
        star = galsim.Convolve(parts)
        x, y = (np.mgrid[:3, :3].reshape(2, 9) + 0.5) * SIDE / 3 + rng.uniform(-5.0, 5.0, (2, 9))
        image = galsim.Image(np.full((SIDE, SIDE), SKY), scale=RIG.pixel_um, xmin=0, ymin=0)
        for k in range(9):
            stamp = galsim.Image(galsim.BoundsI(*(round(c) + s for c in (x[k], y[k]) for s in (-50, 50))))
            stamp.scale = RIG.pixel_um
            (star * flux[k]).drawImage(
                stamp, method="no_pixel", center=galsim.PositionD(x[k], y[k])
            )  # fmt: skip
            image[stamp.bounds] += stamp
        noisy = image.array + rng.standard_normal(image.array.shape) * np.sqrt(image.array)
        for _ in range(cosmic_rays):
            k = int(rng.integers(9))
            noisy[round(y[k]) + rng.integers(-9, 10), round(x[k]) + rng.integers(-9, 10)] += 8000.0
        radius = max(8.0, 2.0 * abs(4.0 * (position - BEST)) / 7.0 / 3.76 * 0.75 + 10.0)
        frames.append(stack_profile(noisy, StackTask(x, y, flux, SKY, math.sqrt(SKY), radius, position)))
    return frames


@cache
def fitted(seed, **options):
    profiles = galsim_profiles(seed, **options)
    return profiles, solve_profiles(profiles, RIG, WAVELENGTH_UM).report()


def shapes_of(seed, **options):
    return measure_aberrations(*fitted(seed, **options), WAVELENGTH_UM)


@pytest.mark.parametrize(("seed", "z7", "z8"), [(1, 0.03, -0.04), (3, -0.015, 0.005)])
def test_coma_of_galsim_is_found_with_its_direction(seed, z7, z8):
    # GalSim's coma1 and coma2 are Noll's Z7 and Z8, in waves rms.
    found = shapes_of(seed, coma1=z7, coma2=z8)
    assert abs(found.coma.cosine - z8) < 3.0 * found.coma.err
    assert abs(found.coma.sine - z7) < 3.0 * found.coma.err
    assert found.coma.err < 0.1 * math.hypot(z7, z8)
    assert found.coma.angle_deg == pytest.approx(math.degrees(math.atan2(z7, z8)), abs=5.0)
    assert found.coma.seen
    assert not found.astigmatism.seen
    assert not found.smear.seen


@pytest.mark.parametrize(("seed", "z5", "z6"), [(4, 0.03, -0.04), (6, -0.01, 0.005)])
def test_astigmatism_of_galsim_is_found_with_its_axis(seed, z5, z6):
    # GalSim's astig1 and astig2 are Noll's Z5 and Z6.
    found = shapes_of(seed, astig1=z5, astig2=z6)
    assert abs(found.astigmatism.cosine - z6) < 3.0 * found.astigmatism.err
    assert abs(found.astigmatism.sine - z5) < 3.0 * found.astigmatism.err
    assert found.astigmatism.err < 0.1 * math.hypot(z5, z6)
    assert found.astigmatism.seen
    assert not found.coma.seen
    assert not found.smear.seen


def test_smear_of_galsim_is_found_and_is_no_astigmatism():
    found = shapes_of(7, shake_px2=0.5)
    assert found.smear.cosine == pytest.approx(-0.5, abs=3.0 * found.smear.err)
    assert found.smear.err < 0.12
    assert abs(found.smear.sine) < 3.0 * found.smear.err
    assert found.smear.seen
    assert not found.astigmatism.seen
    assert not found.coma.seen
    # The widths at half maximum of GalSim's star in focus, down and across.
    star = galsim.Convolve(galsim.Airy(lam_over_diam=3.85, obscuration=0.36), galsim.Kolmogorov(fwhm=17.6))
    along = galsim.Gaussian(sigma=1.0).transform(0.03 * 3.76, 0.0, 0.0, 0.5**0.5 * 3.76)
    drawn = galsim.Convolve(star, along, galsim.Pixel(3.76)).drawImage(nx=101, ny=101, scale=0.5, method="no_pixel")
    down, across = (
        2.0 * np.interp(-0.5, -cut[50:] / cut[50], np.arange(51)) for cut in (drawn.array[:, 50], drawn.array[50])
    )
    # What the noise adds to the smear is in both.
    assert found.elongation.size / -found.smear.cosine == pytest.approx((down / across - 1.0) / 0.5, rel=0.05)
    assert "along the columns of the image (90°)" in found.hints[2]


def test_clean_stars_claim_nothing_also_under_cosmic_rays():
    for options in ({}, {"cosmic_rays": 6}):
        found = shapes_of(8, **options)
        assert not (found.coma.seen or found.astigmatism.seen or found.smear.seen)
        assert found.coma.limit < 0.004
        assert found.astigmatism.limit < 0.004
        assert found.flags == ()
        assert [hint[:3] for hint in found.hints] == ["no "] * 3


def test_hole_of_the_donut_is_off_the_centre_as_geometry_has_it():
    # GalSim's image far from focus: the middle of the hole against that of the outer edge, along a row.
    defocus_um, width = 4800.0, 4800.0 / 7.0 / 3.76
    optics = galsim.OpticalPSF(
        lam_over_diam=WAVELENGTH_UM * 7.0, defocus=defocus_um / (8.0 * 49.0 * WAVELENGTH_UM) / math.sqrt(12.0),
        obscuration=0.36, coma2=0.06, oversampling=1.0, pad_factor=1.5, suppress_warning=True,
    )  # fmt: skip
    star = galsim.Convolve(optics, galsim.Gaussian(sigma=3.0))
    image = star.drawImage(galsim.Image(301, 301, scale=3.76), method="no_pixel").array
    row, x = image[147:154].mean(axis=0), np.arange(301) - 150
    edges = {}
    for side in (-1, 1):
        away = side * x / (0.5 * width)
        half = 0.5 * np.median(row[(away > 0.5) & (away < 0.85)])
        for name, low, high in (("hole", 0.15, 0.7), ("outside", 0.7, 1.2)):
            (k,) = np.flatnonzero(np.diff(row > half) & (away[1:] > low) & (away[1:] < high))
            edges[name, side] = x[k] + (half - row[k]) / (row[k + 1] - row[k])
    off_px = 0.5 * (edges["hole", 1] + edges["hole", -1] - edges["outside", 1] - edges["outside", -1])
    found = replace(shapes_of(8), coma=make_amount(0.06, 0.0, 0.001, 14))
    # Along the row through the axis it is 9 (1 - ε²) instead of the mean over the ring, 6 (1 - ε²).
    assert 1.5 * found.hole_px == pytest.approx(off_px, rel=0.1)
    assert "off its centre towards the right" in found.hints[0]
    assert "tails of stars in focus point to the left" in found.hints[0]


def test_line_foci_are_as_far_apart_as_the_wavefront_has_them():
    # W = √6 a ρ² cos 2θ is a defocus of dz = 8 N² λ √6 a along one axis, of -dz along the other.
    found = replace(shapes_of(8), astigmatism=make_amount(0.0, 0.05, 0.001, 14))
    assert found.line_foci.size == pytest.approx(2.0 * 8.0 * 49.0 * 0.55 * math.sqrt(6.0) * 0.05)
    assert "the line from top left to bottom right of the image (45°)" in found.hints[1]
    strong = replace(found, astigmatism=make_amount(0.0, 0.2, 0.001, 14), coma=make_amount(0.15, 0.0, 0.001, 14))
    assert strong.flags == ("coma_seen", "astigmatism_seen")
    for name in (*strong.flags, "stars_drawn_out"):
        assert "hint" in flags.describe(name).advice
    json = strong.to_json()
    assert json["astigmatism_axis_deg"] == pytest.approx(45.0)
    assert json["coma_waves"] == pytest.approx(0.15)


# Noise alone -----------------------------------------------------------------------------------


def quiet_run(rng, *, noise=4e-5, gusts_px2=0.0, zones_waves=0.0, frames=9):
    """Profiles whose harmonics are noise, smears from frame to frame, and coma from zone to zone; and their fit."""
    model = profile_model(7.0, 0.36, 3.76, WAVELENGTH_UM, 32.0)
    radius = 24
    bins, pixels = harmonic_bins(radius)
    coma = zones_waves * rng.standard_normal((ZONES**2, 2))
    profiles, fits = [], []
    flat = np.zeros((radius, bins.shape[2]))
    for a in range(radius):
        flat[a, 8 * a : 8 * a + 9] = 1.0 / 9.0
    for dz in np.linspace(-400.0, 400.0, frames):
        harmonics = harmonic_model(model).harmonics(dz, 17.6, 5.0 / 3.0, 0.0)
        reach = bins.shape[2]
        gust = gusts_px2 * rng.standard_normal(2)
        with np.errstate(divide="ignore"):
            values = noise * rng.standard_normal((ZONES**2, 4, radius)) / np.sqrt(np.maximum(pixels, 1e-12))
        values[:, :2] += coma[:, :, None] * (bins[:2] @ harmonics.coma[:reach])
        values[:, 2:] += gust[:, None] * (bins[2:] @ harmonics.smear[:reach])
        star = flat @ harmonics.round[:reach]
        variance = np.full(radius, noise**2)
        profiles.append(FrameProfile(dz, flat, star, variance, 30, values, np.full((ZONES**2, radius), noise**2)))
        fits.append(FrameFit(dz, dz, 0.1, dz, 0.1, 17.6, 2.6, 1.0, radius, True, None))
    fit = ProfileFit(
        best_position=0.0, err=0.1, optics_err=0.0, um_per_step=1.0, um_per_step_err=0.01, slope_factor=1.0,
        spherical_waves=0.0, spherical_err=0.001, seeing_scatter=0.1, seeing_exponent=5.0 / 3.0,
        seeing_exponent_err=0.0, log_seeing=2.87, log_seeing_err=0.03, best_per_log_seeing=0.0,
        chi2_reduced=1.0, matches=True, converged=True,
        rig=RIG, errors=GIVEN, frames=tuple(fits), star_shares=np.ones((1, 1)),
    )  # fmt: skip
    return measure_aberrations(profiles, fit, WAVELENGTH_UM)


@pytest.mark.parametrize("options", [{}, {"gusts_px2": 0.5}, {"zones_waves": 0.02, "noise": 1e-5}, {"frames": 6}])
def test_errors_are_honest_and_nothing_is_claimed(options):
    rng = np.random.default_rng(17)
    runs = [quiet_run(rng, **options) for _ in range(60)]
    for name in ("coma", "astigmatism", "smear"):
        amounts = [getattr(run, name) for run in runs]
        pulls = np.array([(a.cosine / a.err, a.sine / a.err) for a in amounts])
        # 0.68 of a normal law, of 120 values; what the model is off by is allowed for beside the noise.
        assert np.mean(np.abs(pulls) < 1.0) > 0.56
        assert sum(a.seen for a in amounts) <= 1
    if "zones_waves" in options:
        # The mean of nine zones is known to 0.02 / √9, whatever the noise.
        assert np.median([run.coma.err for run in runs]) == pytest.approx(0.02 / 3.0, rel=0.3)


def test_runs_together_are_surer():
    rng = np.random.default_rng(18)
    runs = [quiet_run(rng, noise=2e-4) for _ in range(4)]
    together = pool_aberrations(runs)
    assert together.coma.err < 0.75 * min(run.coma.err for run in runs)
    assert together.frames == sum(run.frames for run in runs)
    # The same wavefront is less of a longer wave.
    red = [replace(run, wavelength_um=0.66, coma=run.coma.times(0.55 / 0.66)) for run in runs]
    assert pool_aberrations([runs[0], *red[1:]]).coma.cosine == pytest.approx(together.coma.cosine, rel=1e-6)


def test_says_nothing_without_enough_frames():
    profiles, fit = fitted(8)
    assert measure_aberrations([replace(p, harmonics=None) for p in profiles], fit, WAVELENGTH_UM) is None
    few = replace(fit, frames=tuple(replace(f, used=k < 4) for k, f in enumerate(fit.frames)))
    assert measure_aberrations(profiles, few, WAVELENGTH_UM) is None
