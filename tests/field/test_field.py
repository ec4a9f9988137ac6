"""Tilt, curvature and sizes over the sensor: runs with known truth, GalSim, and the handbook."""

import math
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import galsim
import numpy as np
import pytest
from photutils.aperture import CircularAperture
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from focuskit.core import flags
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig, wing_slope
from focuskit.field import likely_height, map_field
from focuskit.frames import Pixels
from focuskit.scenes import Scene, Sweep, simulate_run, strew_stars
from focuskit.stars import StarMatch
from focuskit.stars.image import measure_pixels
from focuskit.stars.match import match_stars

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0, (0.0, 20000.0))
SHAPE = (4176, 6248)
BEST = 9003.3
POSITIONS = BEST + np.linspace(-130.0, 130.0, 9) + 2.0
SLOPE = wing_slope(7.0, 0.36) * 4.0 / 3.76


@cache
def galsim_hfd_px():
    """Half-flux diameter against defocus in µm, by GalSim's wave optics in seeing of 2.6″."""
    scale, fine, size = 206264.806 * 3.76e-3 / 1400.0, 4, 320
    defocus = np.linspace(0.0, 1200.0, 25)
    sizes = []
    for dz in defocus:
        # W = dz/(8 N²) ρ² is Noll's Z4 with dz/(16 √3 N²) of rms.
        waves = dz / (16.0 * math.sqrt(3.0) * 49.0 * 0.55)
        optics = galsim.OpticalPSF(
            lam=550.0, diam=0.2, obscuration=0.36, defocus=waves, pad_factor=1.0, oversampling=1.0
        )  # fmt: skip
        star = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=2.6), galsim.Pixel(scale))
        image = star.drawImage(nx=size, ny=size, scale=scale / fine, dtype=float, method="no_pixel").array
        sizes.append(2.0 * half_flux_radius(image) / fine)
    return CubicSpline(defocus, sizes, bc_type=((1, 0.0), "not-a-knot"))


def half_flux_radius(image):
    """Radius about the middle that holds half of a flux of 1, with exact apertures."""
    middle = (len(image) - 1) / 2.0

    def excess(radius):
        return CircularAperture((middle, middle), radius).do_photometry(image)[0][0] - 0.5

    return brentq(excess, 2.0, middle - 1.0, xtol=1e-3)


def draw_places(count, rng):
    return rng.uniform(0, SHAPE[1] - 1, count), rng.uniform(0, SHAPE[0] - 1, count)


def local_um(x, y, tilt_x=0.0, tilt_y=0.0, curvature=0.0):
    u, v = x / (SHAPE[1] - 1) - 0.5, y / (SHAPE[0] - 1) - 0.5
    r2 = (
        ((x - (SHAPE[1] - 1) / 2) ** 2 + (y - (SHAPE[0] - 1) / 2) ** 2)
        * 4
        / ((SHAPE[1] - 1) ** 2 + (SHAPE[0] - 1) ** 2)
    )
    return tilt_x * u + tilt_y * v + curvature * r2


def draw_match(rng, x, y, focus_um, *, noise=0.005, own=0.0, positions=POSITIONS, jitter=0.12):
    """A run's stars, with GalSim's sizes, in seeing that changes from frame to frame."""
    seeing = np.exp(jitter * rng.standard_normal(len(positions)))[:, None]
    away = np.abs((positions[:, None] - BEST) * 4.0 - focus_um)
    true = np.sqrt((seeing * galsim_hfd_px()(away / seeing)) ** 2 + own)
    hfd = true * (1.0 + noise * rng.standard_normal(true.shape))
    return StarMatch(
        hfd, noise * true, np.ones_like(hfd), x, y, np.zeros((len(positions), 2)), np.ones(len(positions)),
        np.ones(x.size), np.ones(x.size, bool),
    )  # fmt: skip


def map_match(match, positions=POSITIONS, rig=RIG, **extras):
    """The map of a run whose typical star, the median one, has its best position at BEST."""
    options = {
        "best_position": BEST,
        "best_position_err": 1.0,
        "slope_px_per_step": SLOPE,
        "aperture_px": np.full(len(positions), np.inf),
    } | extras
    return map_field(positions, match, np.ones(len(positions), bool), rig, SHAPE, **options)


def typical_um(x, y, **truth):
    """Focus of the star in the middle of those used, which the run's best position belongs to."""
    u, v = x / (SHAPE[1] - 1) - 0.5, y / (SHAPE[0] - 1) - 0.5
    r2 = local_um(x, y, curvature=1.0)
    return sum(
        value * np.median(shares)
        for value, shares in (
            (truth.get("tilt_x", 0.0), u), (truth.get("tilt_y", 0.0), v), (truth.get("curvature", 0.0), r2),
        )
    )  # fmt: skip


def pulls(found, tilt_x=0.0, tilt_y=0.0, curvature=0.0):
    return np.array([
        (found.tilt_x_um - tilt_x) / found.tilt_x_um_err,
        (found.tilt_y_um - tilt_y) / found.tilt_y_um_err,
        (found.curvature_um - curvature) / found.curvature_um_err,
    ])  # fmt: skip


CASES = [
    {"tilt_x": 150.0},
    {"tilt_y": -60.0, "curvature": 100.0},
    {"tilt_x": -120.0, "tilt_y": 150.0, "curvature": -40.0},
    {"tilt_x": 20.0, "curvature": 10.0},
    {},
]


@pytest.mark.parametrize("truth", CASES)
@pytest.mark.parametrize("rig", [RIG, replace(RIG, um_per_step=None)], ids=["rig", "no_um_per_step"])
def test_tilt_and_curvature_of_known_runs(truth, rig):
    for seed in range(4):
        rng = np.random.default_rng(seed)
        x, y = draw_places(150, rng)
        found = map_match(draw_match(rng, x, y, local_um(x, y, **truth) - typical_um(x, y, **truth)), rig=rig)
        assert np.all(np.abs(pulls(found, **truth)) < 3.0)
        assert found.tilt_x_um_err < 2.0 + 0.08 * abs(truth.get("tilt_x", 0.0))  # else 3 of it say little
        if rig is RIG:
            for name, value in truth.items():
                assert getattr(found, f"{name}_um") == pytest.approx(value, rel=0.03, abs=1.5)


def test_flat_nights_claim_no_tilt_and_errors_are_honest():
    scores, claims = [], 0
    for seed in range(50):
        rng = np.random.default_rng(1000 + seed)
        x, y = draw_places(20 + 20 * (seed % 4), rng)
        noise = (0.01, 0.03)[seed % 2] * rng.lognormal(0.0, 0.5, x.size)  # stars bright and faint
        found = map_match(draw_match(rng, x, y, np.zeros(x.size), noise=noise))
        claims += found.tilt_seen
        scores.append(pulls(found))
    assert claims <= 3
    inside = np.mean(np.abs(scores) < 1.0)
    assert 0.60 < inside < 0.80  # 0.68 ± 0.04, and a little of the allowance for the model
    assert np.max(np.abs(scores)) < 4.0


@pytest.mark.parametrize("degrees", [0.4 * np.arange(9), 180.0 * (np.arange(9) > 4)], ids=["turning", "flipped"])
def test_tilt_is_that_of_the_sensor_however_the_sky_turns(degrees):
    truth = {"tilt_x": 150.0, "tilt_y": -60.0, "curvature": 40.0}
    rng = np.random.default_rng(6)
    x, y = draw_places(150, rng)
    middle = np.array([SHAPE[1] - 1, SHAPE[0] - 1]) / 2.0
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]).transpose(2, 0, 1)
    shift = middle - turn @ middle
    there = turn @ np.stack([x, y]) + shift[:, :, None]
    focus = local_um(there[:, 0], there[:, 1], **truth)
    match = replace(draw_match(rng, x, y, focus), shift_px=shift, turn=turn)
    found = map_match(match, weights=np.ones(x.size), best_position=BEST + focus.mean() / 4.0)
    assert np.all(np.abs(pulls(found, **truth)) < 3.0)
    for name, value in truth.items():
        assert getattr(found, f"{name}_um") == pytest.approx(value, rel=0.03, abs=1.5)
    assert found.best_position_middle == pytest.approx(BEST, abs=1.0)


def test_frames_seeing_cancels():
    x, y = draw_places(150, np.random.default_rng(3))
    quiet, wild = (
        map_match(draw_match(np.random.default_rng(4), x, y, local_um(x, y, tilt_x=80.0), jitter=jitter))
        for jitter in (0.0, 0.25)
    )
    assert wild.tilt_x_um == pytest.approx(quiet.tilt_x_um, rel=0.03)


def test_stars_that_are_wrong_do_not_pull():
    rng = np.random.default_rng(5)
    x, y = draw_places(120, rng)
    match = draw_match(rng, x, y, local_um(x, y, tilt_x=60.0))
    hfd = match.hfd_px.copy()
    bad = np.argsort(x)[-8:]  # eight of those on the right
    hfd[:, bad] *= rng.uniform(0.6, 1.8, (9, 8))
    hfd[2, :] = np.where(rng.uniform(size=120) < 0.3, np.nan, hfd[2, :])
    found = map_match(replace(match, hfd_px=hfd))
    assert abs(pulls(found, tilt_x=60.0)[0]) < 3.0
    assert found.tilt_x_um == pytest.approx(60.0, rel=0.05)


def test_blur_of_the_corners_is_no_curvature():
    rng = np.random.default_rng(6)
    x, y = draw_places(200, rng)
    own = local_um(x, y, curvature=12.0)  # px² at the corners, at all positions
    # All frames but two on one side: what blurs a corner must not be taken for its defocus.
    positions = BEST + np.linspace(-40.0, 150.0, 9)
    found = map_match(draw_match(rng, x, y, np.zeros(200), own=own, positions=positions), positions)
    assert np.all(np.abs(pulls(found)) < 3.0)
    assert found.flags == ("corners_blurred",)
    least = float(galsim_hfd_px()(0.0))
    assert found.corners[0].hfd_own_best_px / found.hfd_middle_px == pytest.approx(
        math.sqrt(least**2 + 12.0) / least, rel=0.03
    )
    assert "focus cannot mend" in found.hints[-1]


def test_best_position_of_the_whole_field_is_where_the_mean_square_is_least():
    truth = {"tilt_x": 100.0, "tilt_y": -70.0, "curvature": 90.0}
    rng = np.random.default_rng(7)
    x, y = draw_places(300, rng)
    focus = local_um(x, y, **truth) - typical_um(x, y, **truth)
    found = map_match(draw_match(rng, x, y, focus, noise=0.002))
    grid_x, grid_y = (
        g.ravel() for g in np.meshgrid(np.linspace(0, SHAPE[1] - 1, 80), np.linspace(0, SHAPE[0] - 1, 60))
    )
    field = local_um(grid_x, grid_y, **truth) - typical_um(x, y, **truth)
    tried = np.arange(-10.0, 40.0, 0.05)
    mean = [np.mean(galsim_hfd_px()(np.abs(4.0 * step - field)) ** 2) for step in tried]
    assert found.best_position_whole_field == pytest.approx(BEST + tried[int(np.argmin(mean))], abs=0.5)
    # In the middle a third of the curvature is missing: the mean of (r / corner)² over a rectangle.
    assert found.best_position_whole_field - found.best_position_middle == pytest.approx(90.0 / 3.0 / 4.0, abs=0.5)


def test_best_position_of_some_stars_is_brought_to_the_middle():
    rng = np.random.default_rng(16)
    x, y = draw_places(200, rng)
    bright = np.where(x > 0.8 * SHAPE[1], 1.0, 0.0)
    focus = local_um(x, y, tilt_x=120.0)
    match = draw_match(rng, x, y, focus)
    mean_um = np.average(focus, weights=bright)
    found = map_match(match, weights=bright, best_position=BEST + mean_um / 4.0)
    assert mean_um > 40.0  # else nothing would have to be brought anywhere
    assert found.best_position_middle == pytest.approx(BEST, abs=1.0)


def test_sizes_in_the_corners():
    truth = {"tilt_x": 150.0, "curvature": 60.0}
    rng = np.random.default_rng(8)
    x, y = draw_places(300, rng)
    match = draw_match(rng, x, y, local_um(x, y, **truth) - typical_um(x, y, **truth), jitter=0.0)
    found = map_match(match)
    assert [c.name for c in found.corners] == ["top left", "top right", "bottom left", "bottom right"]
    for corner, u in zip(found.corners, (-0.5, 0.5, -0.5, 0.5), strict=True):
        best = 150.0 * u + 60.0
        assert (corner.best_position - found.best_position_middle) * 4.0 == pytest.approx(best, rel=0.03, abs=2.0)
        off = 4.0 * (found.best_position_whole_field - found.best_position_middle) - best
        assert corner.hfd_px == pytest.approx(float(galsim_hfd_px()(abs(off))), rel=0.02)
        assert corner.hfd_own_best_px == pytest.approx(float(galsim_hfd_px()(0.0)), rel=0.02)


def test_mirrored_shuffled_and_shifted_runs():
    rng = np.random.default_rng(9)
    x, y = draw_places(100, rng)
    match = draw_match(rng, x, y, local_um(x, y, tilt_x=40.0, tilt_y=90.0, curvature=30.0))
    found = map_match(match)
    mirrored = map_match(replace(match, x_px=SHAPE[1] - 1 - x))
    assert mirrored.tilt_x_um == pytest.approx(-found.tilt_x_um, rel=1e-6)
    assert mirrored.curvature_um == pytest.approx(found.curvature_um, rel=1e-6)
    order = rng.permutation(9)
    shuffled = replace(match, hfd_px=match.hfd_px[order], hfd_err_px=match.hfd_err_px[order])
    again = map_match(shuffled, POSITIONS[order] + 5000.0, best_position=BEST + 5000.0)
    assert again.tilt_y_um == pytest.approx(found.tilt_y_um, rel=1e-6)
    assert again.best_position_whole_field == pytest.approx(found.best_position_whole_field + 5000.0)


def test_sizes_flattened_by_the_measurement_are_mended():
    # Rendered frames, measured as they are in the night: all stars with their frame's aperture.
    rng = np.random.default_rng(12)
    shape = (1000, 1500)
    x, y, flux = strew_stars(50, shape, rng, faintest_e_per_s=3e4, brightest_e_per_s=8e5, margin_px=20.0)
    scene = Scene(
        RIG, shape, x, y, flux, best_position=BEST, seeing_jitter=0.12, tilt_x_um=150.0, tilt_y_um=-80.0,
        curvature_um=60.0, gain_e_per_adu=4.0,
    )  # fmt: skip
    sweep = Sweep("L", datetime(2031, 1, 17, tzinfo=UTC), 0.0, 2.0, [int(p) for p in POSITIONS])
    fields = [measure_pixels(Pixels(frame.image), gain_e_per_adu=4.0) for frame in simulate_run(scene, sweep, rng)]
    found = map_field(
        np.array(sweep.positions), match_stars(fields), np.ones(9, bool), RIG, shape,
        best_position=BEST + 5.0, best_position_err=3.0, slope_px_per_step=SLOPE,
    )  # fmt: skip
    assert found.tilt_x_um == pytest.approx(150.0, rel=0.08)
    assert found.tilt_y_um == pytest.approx(-80.0, rel=0.08)
    assert found.curvature_um == pytest.approx(60.0, rel=0.1)
    assert np.all(np.abs(pulls(found, 150.0, -80.0, 60.0)) < 3.0)
    assert found.flags == ("tilt_seen",)


# Handbook --------------------------------------------------------------------------------------


def test_radius_of_curvature_and_angle_of_tilt():
    rng = np.random.default_rng(10)
    x, y = draw_places(150, rng)
    found = map_match(draw_match(rng, x, y, local_um(x, y, tilt_x=50.0, curvature=100.0)))
    # A sphere of radius R sags R - √(R² - r²) at r.
    radius, r = found.curvature_radius_mm, found.half_diagonal_mm
    assert r == pytest.approx(0.5 * math.hypot(4176, 6248) * 3.76e-3)
    assert radius - math.sqrt(radius**2 - r**2) == pytest.approx(found.curvature_um * 1e-3, rel=1e-6)
    along = replace(found, tilt_y_um=0.0)
    assert math.tan(math.radians(found.tilt_angle_arcmin / 60.0)) * 6247 * 3.76 == pytest.approx(
        along.tilt_um, rel=0.01
    )
    assert found.tilt_direction_deg == pytest.approx(0.0, abs=8.0)


def test_words_say_what_was_found():
    rng = np.random.default_rng(11)
    x, y = draw_places(150, rng)
    flat = map_match(draw_match(rng, x, y, np.zeros(150)))
    assert flat.flags == ()
    assert flat.hints[0] == f"no tilt seen, below {flat.tilt_limit_um:.1f} µm from edge to edge"
    assert flat.hints[1].startswith("no field curvature seen, below ")
    assert flat.tilt_limit_um < 5.0
    tilted = map_match(draw_match(rng, x, y, local_um(x, y, tilt_x=-200.0, curvature=5.0)))
    assert tilted.flags == ("tilt_seen",)
    assert "towards the left of the image" in tilted.hints[0]
    assert "does no harm" in tilted.hints[1]
    curved = map_match(draw_match(rng, x, y, local_um(x, y, curvature=-150.0) - typical_um(x, y, curvature=-150.0)))
    assert curved.flags == ("curvature_seen",)
    assert "which focus at smaller positions" in curved.hints[1]
    for name in ("tilt_seen", "curvature_seen", "corners_blurred"):
        assert flags.describe(name).advice
    written = tilted.to_json()
    assert written["tilt_x_um"] == tilted.tilt_x_um
    assert len(written["corners"]) == 4


# What cannot be told ---------------------------------------------------------------------------


def test_says_nothing_where_nothing_can_be_told():
    rng = np.random.default_rng(13)
    x, y = draw_places(60, rng)
    match = draw_match(rng, x, y, np.zeros(60))
    assert map_match(match) is not None
    assert map_match(match, rig=replace(RIG, pixel_um=None)) is None
    assert map_match(match, rig=replace(RIG, focal_length_mm=None, um_per_step=None)) is None
    assert map_match(replace(match, sound=np.arange(60) < 11)) is None
    assert map_match(replace(match, y_px=np.full(60, 100.0))) is None
    few = np.arange(9) < 4
    assert (
        map_field(POSITIONS, match, few, RIG, SHAPE, best_position=BEST, best_position_err=1.0, slope_px_per_step=SLOPE)
        is None
    )


def test_f_ratio_from_the_slope_where_the_way_per_step_is_known():
    rng = np.random.default_rng(14)
    x, y = draw_places(100, rng)
    match = draw_match(rng, x, y, local_um(x, y, tilt_x=100.0))
    found = map_match(match, rig=replace(RIG, focal_length_mm=None))
    assert found.tilt_x_um == pytest.approx(map_match(match).tilt_x_um, rel=0.03)


def test_says_what_does_not_match():
    rng = np.random.default_rng(15)
    x, y = draw_places(60, rng)
    match = draw_match(rng, x, y, np.zeros(60))
    with pytest.raises(FocuskitError, match="as many: 8, 8, 9"):
        map_field(
            POSITIONS[:8],
            match,
            np.ones(8, bool),
            RIG,
            SHAPE,
            best_position=BEST,
            best_position_err=1.0,
            slope_px_per_step=SLOPE,
        )


def test_a_height_that_hardly_shows_moves_nothing_and_one_that_shows_all():
    vague, vague_err = likely_height(20.0, 30.0)
    assert abs(vague) < 2.0 and 7.0 < vague_err < 12.0
    clear, clear_err = likely_height(20.0, 2.0)
    assert clear == pytest.approx(20.0, abs=0.4) and clear_err == pytest.approx(2.0, rel=0.02)
    # No field is flat beyond all measuring: what is measured as 0 ± 0.5 µm is nearly as unsure as that.
    assert likely_height(0.0, 0.5) == pytest.approx((0.0, 0.45), abs=0.02)
    assert likely_height(1e4, 1e-3) == pytest.approx((1e4, 1e-3), rel=1e-2)


def test_errors_of_likely_heights_hold_the_truth():
    rng = np.random.default_rng(11)
    true = rng.choice([1.0, 3.0, 10.0, 30.0, 100.0], 4000, p=[0.5, 0.15, 0.15, 0.1, 0.1]) * rng.standard_normal(4000)
    err = rng.choice([1.0, 5.0, 25.0, 60.0], 4000)
    told = np.array([likely_height(t + e * z, e) for t, e, z in zip(true, err, rng.standard_normal(4000), strict=True)])
    off = told[:, 0] - true
    assert np.mean(off**2) == pytest.approx(np.mean(told[:, 1] ** 2), rel=0.15)
    # Never worse than to take what is measured, for any of the errors.
    for one in np.unique(err):
        assert np.sqrt(np.mean(off[err == one] ** 2)) < one
