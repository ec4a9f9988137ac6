"""Focus runs under a sky that moves over the sensor: it turns, flips, jumps, or is another one."""

import math
from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import convolve1d
from small_nights import HERON, START, take_run, write_run

from focuskit.frames import Pixels, RigFile
from focuskit.night import analyse
from focuskit.night.runs import MeasuredRun
from focuskit.scenes import Passband, Scene, Sweep, simulate_run
from focuskit.stars.image import measure_pixels

SHAPE = (320, 420)
MIDDLE = complex(0.5 * (SHAPE[1] - 1), 0.5 * (SHAPE[0] - 1))
POSITIONS = [9910 + 30 * k for k in range(7)]


def take_sky(seed, motion, density=16, positions=POSITIONS, **scene_facts):
    """Return frames of a sky whose places ``motion`` brings to the frame's number, as complex numbers."""
    rng = np.random.default_rng(seed)
    wide = np.array(SHAPE[::-1]) * 2
    # A loose grid: donuts that hardly touch, and no two fields alike.
    across = math.sqrt(SHAPE[0] * SHAPE[1] / density)
    x, y = np.meshgrid(np.arange(-wide[0], wide[0] * 1.5, across), np.arange(-wide[1], wide[1] * 1.5, across))
    sky = (x + 1j * y).ravel()
    sky += rng.uniform(-0.3, 0.3, sky.size) * across + 1j * rng.uniform(-0.3, 0.3, sky.size) * across
    flux = rng.uniform(3e4, 2e5, sky.size)
    scene = Scene(HERON, SHAPE, sky.real, sky.imag, flux, passbands={"L": Passband()}, drift_px=0.0, **scene_facts)
    run = []
    for k, position in enumerate(positions):
        there = motion(k, sky - MIDDLE) + MIDDLE
        near = (np.abs(there.real - MIDDLE.real) < SHAPE[1]) & (np.abs(there.imag - MIDDLE.imag) < SHAPE[0])
        seen = replace(scene, x_px=there.real[near], y_px=there.imag[near], flux_e_per_s=flux[near])
        (frame,) = simulate_run(seen, Sweep("L", START + timedelta(seconds=8 * k), 8.0, 2.0, [position]), rng)
        run.append((frame.image, {key: value for key, (value, _) in frame.facts.items()}))
    return run


def turned(degrees):
    return np.exp(1j * math.radians(degrees))


MOTIONS = {
    "0.4 degrees a frame": lambda k, sky: sky * turned(0.4 * k),
    "half a turn": lambda k, sky: sky * (1.0 if k < 4 else -1.0) + 5.0 * k,
    "jumps of a third of the field": lambda k, sky: sky + (k % 3 - 1) * 70.0 + (k % 2) * 100.0j,
}


@pytest.mark.parametrize("motion", MOTIONS)
def test_the_shapes_of_a_moving_sky_give_the_best_position(motion, tmp_path):
    """In steps of 4 µm; the same stars standing still give 0.1 ± 0.1."""
    run = take_sky(11, MOTIONS[motion])
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert found.fit.method == "profile" and found.fit.verdict == "good"
    assert abs(found.fit.best_position - 10000.0) < 3.0 * found.fit.best_position_err < 1.0
    assert np.isfinite(found.match.hfd_px).sum(axis=1).min() >= 4
    assert found.profile.chi2_reduced < 1.6


def test_a_frame_of_another_field_is_set_aside_by_name(tmp_path):
    run = take_sky(13, lambda k, sky: sky + (700.0 if k == 2 else 0.0))
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert [k for k, why in enumerate(found.fit.why_not_used) if why and why.code == "other_field"] == [2]
    assert found.to_json()["points"][2]["why_not_used"] == "its stars are not those of the other frames"
    assert found.fit.best_position == pytest.approx(10000.0, abs=3.0 * found.fit.best_position_err)
    assert "fields_differ" not in found.all_flags


def test_trails_are_seen_without_a_fit_of_the_shapes():
    """Exposures during which the sky moves by 12 px, twice as long as the sharpest stars are wide."""
    smear = np.repeat(1.0 / 12.0, 12)
    sound = [image for image, _ in take_run(seed=5, frames=5, step=50, seeing_jitter=0.1)]
    trailed = [np.rint(convolve1d(image.astype(float), smear, axis=1)) for image in sound]
    seen = []
    for images in (sound, trailed, [*trailed[:3], *(image.T for image in trailed[3:])]):
        frames = [SimpleNamespace(image=measure_pixels(Pixels(image))) for image in images]
        seen.append(MeasuredRun.is_trailed.fget(SimpleNamespace(frames=frames)))
    assert seen == [False, True, False]  # the last along two lines


def test_frames_that_all_show_other_stars_say_so(tmp_path):
    run = take_sky(14, lambda k, sky: sky + (k % 3 - 1) * 500.0 + (k // 3 - 1) * 400.0j)
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert "fields_differ" in found.all_flags
    assert not any(why and why.code == "other_field" for why in found.fit.why_not_used)
