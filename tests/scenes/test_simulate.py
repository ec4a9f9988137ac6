"""The simulator: frames, runs and nights hold what their truth says."""

import json
import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from photutils.aperture import CircularAperture
from scipy.optimize import brentq
from star_images import star_image

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.scenes import Passband, Scene, Sweep, simulate_run, strew_stars, write_frame, write_night
from focuskit.scenes.psf import StarShape, star_hfd_um
from focuskit.scenes.render import render_frame
from focuskit.scenes.scene import field_focus_um, least_hfd_defocus_um

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0, (0.0, 20000.0))
STAR = StarShape(3.76, 7.0, 0.36, seeing_fwhm_um=17.6)
START = datetime(2031, 1, 17, 18, 4, tzinfo=UTC)
SAMPLE = Path(__file__).parents[2] / "sample_data"


def rng(seed=1):
    return np.random.default_rng(seed)


def grid(count, spacing_px, generator):
    """Positions of count × count stars far apart, each at its own place within a pixel."""
    y, x = (np.indices((count, count)).reshape(2, -1) + 0.5) * spacing_px
    return x + generator.uniform(-0.5, 0.5, x.size), y + generator.uniform(-0.5, 0.5, x.size)


def hfd_px(image, x, y, total):
    """Half-flux diameter about (x, y) of an image without sky, with exact apertures."""
    return 2 * brentq(lambda r: CircularAperture((x, y), r).do_photometry(image)[0][0] - total / 2, 1, 30)


@pytest.mark.parametrize("defocus_um", [3.0, 251.0])
def test_mixed_templates_keep_the_hfd(defocus_um):
    generator = rng()
    x, y = grid(5, 150, generator)
    flux = np.full(x.size, 2e6)
    frame = render_frame(
        (750, 750), x, y, flux, STAR, generator,
        defocus_um=np.full(x.size, defocus_um), sky_e=10.0, read_noise_e=1.0, gain_e_per_adu=0.9,
    )  # fmt: skip
    assert frame.max() < 65535
    image = (frame - 500.0) * 0.9 - 10.0
    ratios = []
    for place in zip(x, y, strict=True):
        dx, dy = (value - round(value) for value in place)
        exact = star_image(121, 3.76, 7.0, 0.36, defocus_um, 17.6, dx=dx, dy=dy)
        ratios.append(hfd_px(image, *place, 2e6) / hfd_px(exact, 60 + dx, 60 + dy, 1.0))
    error = np.std(ratios) / math.sqrt(x.size)
    assert error < 3e-4  # photon noise alone: else the test could not see 0.1 %
    assert np.mean(ratios) == pytest.approx(1.0, abs=1e-3)


def test_sky_and_noise_are_as_asked():
    frame = render_frame(
        (600, 600),
        [],
        [],
        [],
        STAR,
        rng(),
        sky_e=30.0,
        read_noise_e=4.0,
        gain_e_per_adu=0.5,
        offset_adu=200.0,
    )
    variance = (30.0 + 16.0) / 0.25 + 1 / 12
    assert frame.dtype == np.uint16
    assert frame.mean() == pytest.approx(200.0 + 60.0, abs=5 * math.sqrt(variance / frame.size))
    assert frame.var() == pytest.approx(variance, rel=5 * math.sqrt(2 / frame.size))


def test_flux_is_kept():
    frame = render_frame(
        (301, 301), [150.2], [149.7], [1e6], STAR, rng(), sky_e=0.0, read_noise_e=0.0, gain_e_per_adu=1.0
    )
    # all but the wings beyond 12 FWHM of seeing
    assert (frame - 500.0).sum() == pytest.approx(1e6, rel=0.01)


def test_frames_repeat_with_their_seed_only():
    args = ((64, 64), [30.0], [31.0], [1e4], STAR)
    extras = {"hot_pixels": 5, "cosmic_rays": 3, "trail_e": 100.0}
    assert np.array_equal(render_frame(*args, rng(3), **extras), render_frame(*args, rng(3), **extras))
    assert not np.array_equal(render_frame(*args, rng(3), **extras), render_frame(*args, rng(4), **extras))


def test_bright_stars_saturate_and_stars_over_the_edge_are_cut():
    frame = render_frame((80, 120), [60.0, -3.0, 400.0], [40.0, 81.0, 20.0], [1e9, 1e5, 1e5], STAR, rng())
    assert frame[40, 60] == 65535
    frame = render_frame((80, 120), [-2.0], [40.0], [1e6], STAR, rng())
    assert frame[38:43, 0].mean() > 3 * frame[:, 100:].mean()


def test_hot_pixels_cosmic_rays_and_trails_are_there():
    quiet = render_frame((200, 200), [], [], [], STAR, rng())
    hot = render_frame((200, 200), [], [], [], STAR, rng(), hot_pixels=40)
    assert 20 < (hot > quiet.max()).sum() <= 40
    struck = render_frame((200, 200), [], [], [], STAR, rng(), cosmic_rays=20)
    assert (struck > quiet.max()).sum() > 20
    trail = render_frame((200, 200), [], [], [], STAR, rng(), trail_e=2000.0)
    bright = trail > quiet.max()
    assert bright.any(axis=0).all()  # it crosses all columns
    assert bright.mean() < 0.15


def test_says_which_gain_is_wrong():
    with pytest.raises(FocuskitError, match="gain_e_per_adu = 0"):
        render_frame((8, 8), [], [], [], STAR, rng(), gain_e_per_adu=0)


@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz", "a.fits.fz"])
def test_files_hold_the_frame_bit_for_bit(tmp_path, name):
    image = rng().integers(0, 65536, (50, 70)).astype(np.uint16)
    write_frame(tmp_path / name, image, {"FOCUSPOS": (9044, "[steps]"), "FILTER": "L"})
    with fits.open(tmp_path / name) as hdus:
        stored = next(hdu for hdu in hdus if hdu.header["NAXIS"] == 2 and hdu.data is not None)
        assert np.array_equal(stored.data, image)
        assert stored.header["FOCUSPOS"] == 9044
        assert stored.header["FILTER"] == "L"
        assert hdus[0].header["SIMPLE"]
    raw = fits.getheader(tmp_path / "a.fits") if name == "a.fits" else None
    if raw is not None:  # FITS Standard 3.0, table 4.9: unsigned 16 bit
        assert (raw["BITPIX"], raw["BZERO"]) == (16, 32768)


# Runs and nights ---------------------------------------------------------------------------


def small_scene(**changes):
    x, y = grid(3, 100, rng(8))
    plain = Scene(
        RIG,
        (300, 300),
        x,
        y,
        np.full(x.size, 2e5),
        passbands={"L": Passband(), "Ha": Passband(60.0, 0.02, 0.01)},
        best_position=9000.0,
        steps_per_c=-6.5,
        seeing_jitter=0.0,
        drift_px=0.0,
        gain_e_per_adu=1.0,
    )
    return replace(plain, **changes)


def run_sizes(scene, sweep, seed=2):
    """HFD of every star in every frame, shape (frames, stars)."""
    sky = scene.offset_adu + scene.passbands[sweep.filter].sky_e_per_s * sweep.exposure_s
    total = scene.flux_e_per_s * scene.passbands[sweep.filter].transmission * sweep.exposure_s
    return np.array([
        [hfd_px(frame.image - sky, *star) for star in zip(scene.x_px, scene.y_px, total, strict=True)]
        for frame in simulate_run(scene, sweep, rng(seed))
    ])  # fmt: skip


@pytest.mark.parametrize("filter_name, exposure_s", [("L", 2.0), ("Ha", 100.0)])
def test_stars_are_as_large_as_truth_says(filter_name, exposure_s):
    scene = small_scene()
    best = 9000.0 + (60.0 if filter_name == "Ha" else 0.0) - 6.5 * 4.0
    assert scene.true_position(filter_name, 4.0) == best
    positions = [round(best) - 90, round(best), round(best) + 90]
    sizes = run_sizes(scene, Sweep(filter_name, START, 4.0, exposure_s, positions)).mean(axis=1)
    star = scene.star_shape(filter_name)
    for size, position in zip(sizes, positions, strict=True):
        true = star_hfd_um(replace(star, defocus_um=(position - best) * 4.0)) / 3.76
        assert size == pytest.approx(true, rel=0.01)
    assert sizes[0] == pytest.approx(sizes[2], rel=0.01)


def test_best_position_is_where_the_hfd_is_least():
    scene = small_scene(spherical_waves=0.1, drift_px=0.0)
    star = scene.star_shape("L")
    least_um = least_hfd_defocus_um(star)
    assert least_um < -40.0
    for side in (-10.0, 10.0):
        assert star_hfd_um(replace(star, defocus_um=least_um + side)) > star_hfd_um(replace(star, defocus_um=least_um))
    frame = next(simulate_run(scene, Sweep("L", START, 0.0, 2.0, [9000]), rng()))
    assert frame.truth["defocus_um"] == pytest.approx(least_um)


def test_tilt_and_curvature_shift_the_focus_over_the_field():
    scene = small_scene(tilt_x_um=100.0, tilt_y_um=-60.0, curvature_um=40.0)
    corners_x, corners_y = np.array([0.0, 299.0, 149.5]), np.array([0.0, 0.0, 149.5])
    assert field_focus_um(scene, corners_x, corners_y) == pytest.approx([20.0, 120.0, 0.0])
    # outside focus by 100 steps, stars whose focus lies further out are smaller
    tilted = small_scene(tilt_x_um=300.0)
    sizes = run_sizes(tilted, Sweep("L", START, 0.0, 2.0, [9100]))[0]
    for x, size in zip(tilted.x_px, sizes, strict=True):
        local_um = 400.0 - 300.0 * (x / 299.0 - 0.5)
        true = star_hfd_um(replace(tilted.star_shape("L"), defocus_um=local_um)) / 3.76
        assert size == pytest.approx(true, rel=0.02)


def test_seeing_jitters_lognormally_about_its_median():
    scene = small_scene(
        shape_px=(8, 8), x_px=np.array([]), y_px=np.array([]), flux_e_per_s=np.array([]), seeing_jitter=0.12
    )
    frames = simulate_run(scene, Sweep("L", START, 0.0, 2.0, [9000] * 800), rng())
    logs = np.log([frame.truth["seeing_arcsec"] / 2.6 for frame in frames])
    assert logs.mean() == pytest.approx(0.0, abs=4 * 0.12 / math.sqrt(800))
    assert logs.std() == pytest.approx(0.12, rel=4 / math.sqrt(1600))


def test_what_spoils_a_frame_shows_in_it():
    scene = small_scene()
    sweep = Sweep("L", START, 0.0, 2.0, [9000] * 4, {1: "cloud", 2: "gust", 3: "trail"})
    plain, cloud, gust, trail = (f.image - 501.0 for f in simulate_run(scene, sweep, rng()))
    assert cloud.sum() == pytest.approx(plain.sum() / 7.0, rel=0.05)
    sizes = run_sizes(scene, Sweep("L", START, 0.0, 2.0, [9000] * 2, {1: "gust"}))
    assert sizes[1].min() > 1.5 * sizes[0].max()
    assert gust.sum() == pytest.approx(plain.sum(), rel=0.05)
    assert trail.sum() > plain.sum() + 5e5


def test_says_what_cannot_spoil_a_frame():
    with pytest.raises(FocuskitError, match="'moth' cannot spoil"):
        Sweep("L", START, 0.0, 2.0, [9000], {0: "moth"})


def test_says_which_filter_is_unknown():
    with pytest.raises(FocuskitError, match=r"filter 'OIII' is not in the scene: choose one of L, Ha"):
        next(simulate_run(small_scene(), Sweep("OIII", START, 0.0, 2.0, [9000]), rng()))


def test_says_which_file_cannot_be_written(tmp_path):
    with pytest.raises(FocuskitError, match=r"no_such_folder.*cannot be written"):
        write_frame(tmp_path / "no_such_folder" / "a.fits", np.zeros((4, 4), np.uint16), {})


def test_says_which_length_of_the_rig_is_missing():
    with pytest.raises(FocuskitError, match="um_per_step"):
        small_scene(rig=replace(RIG, um_per_step=None))


def test_stars_follow_their_power_law():
    x, y, flux = strew_stars(
        4000, (500, 800), rng(), faintest_e_per_s=100.0, brightest_e_per_s=1e4, slope=1.0, margin_px=0.0
    )
    assert flux.min() >= 100.0
    assert flux.max() <= 1e4
    # N(>F) ∝ 1/F between the limits
    share = (1 / 1000 - 1 / 1e4) / (1 / 100 - 1 / 1e4)
    assert (flux > 1000.0).mean() == pytest.approx(share, abs=4 * math.sqrt(share / 4000))
    assert (x.max() <= 799.0) and (y.max() <= 499.0)


def test_a_night_on_disk_agrees_with_its_truth(tmp_path):
    scene = small_scene(curvature_um=24.0)
    sweeps = [
        Sweep("L", START, 2.0, 2.0, [8950, 9000], {1: "truncated"}),
        Sweep("Ha", START.replace(hour=20), -2.0, 40.0, [9100]),
    ]
    truth = write_night(tmp_path / "night", scene, sweeps, rng(), suffix=".fits")
    assert json.loads(json.dumps(truth)) == truth
    assert [run["best_position"] for run in truth["runs"]] == [8987.0, 9073.0]
    # (r/corner)² is a third on average, and 8 µm are 2 steps
    assert truth["runs"][0]["best_position_whole_field"] == pytest.approx(8989.0)
    files = sorted((tmp_path / "night").iterdir())
    assert [path.name for path in files] == [f["file"] for run in truth["runs"] for f in run["frames"]]
    assert files[1].stat().st_size == files[0].stat().st_size * 3 // 5
    header = fits.getheader(files[2])
    facts = {key: header[key] for key in ("FOCUSPOS", "FOCTEMP", "FILTER", "EXPTIME", "DATE-OBS", "XPIXSZ")}
    assert facts == {
        "FOCUSPOS": 9100, "FOCTEMP": -2.0, "FILTER": "Ha", "EXPTIME": 40.0,
        "DATE-OBS": "2031-01-17T20:04:00", "XPIXSZ": 3.76,
    }  # fmt: skip


def test_the_sample_night_is_whole_and_small():
    truth = json.loads((SAMPLE / "night_truth.json").read_text())
    files = sorted((SAMPLE / "night").iterdir())
    assert [path.name for path in files] == [f["file"] for run in truth["runs"] for f in run["frames"]]
    assert sum(path.stat().st_size for path in files) < 10e6
    runs = [run for run in truth["runs"] if run["image_type"] == "FOCUS"]
    assert {run["filter"] for run in runs} == {"L", "R", "Ha"}
    inside = [
        min(f["position"] for f in run["frames"]) < run["best_position"] < max(f["position"] for f in run["frames"])
        for run in runs
    ]
    assert len(runs) >= 5
    assert inside.count(False) == 1
    for run in runs:
        first = run["frames"][0]
        header = fits.getheader(SAMPLE / "night" / first["file"], 1)
        assert (header["FOCUSPOS"], header["FILTER"]) == (first["position"], run["filter"])
        drift = truth["steps_per_c"] * run["temperature_c"] + truth["filter_offsets_steps"][run["filter"]]
        assert run["best_position"] == pytest.approx(9062.0 + drift, abs=1e-3)
