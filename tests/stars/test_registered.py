"""Runs of few faint stars, drawn with known truth: what single stars cannot tell, all together can."""

import math

import numpy as np
import pytest
from small_nights import HERON, START

from focuskit.frames import Pixels
from focuskit.scenes import Passband, Scene, Sweep, simulate_run
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.faint import join_registered, measure_registered, search_plan
from focuskit.stars.image import measure_pixels
from focuskit.stars.match import common_sizes, match_stars

POSITIONS = [9900 + 25 * k for k in range(9)]


def faint_run(seed, brightest_e=1700.0, shift_px=0.4):
    """Return images of 30 stars whose fluxes fall from the brightest as 1, 1/2, 1/3 … (2.6", dark sky)."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(60.0, 540.0, (2, 30))
    flux = brightest_e / 2.0 / (1.0 + np.arange(30))
    scene = Scene(
        HERON, (600, 600), x, y, flux, passbands={"L": Passband(sky_e_per_s=25.0)}, drift_px=shift_px, seeing_jitter=0.0
    )
    return scene, [f.image for f in simulate_run(scene, Sweep("L", START, 0.0, 2.0, POSITIONS), rng)]


def sizes_of(images):
    fields = [measure_pixels(Pixels(image), gain_e_per_adu=1.0) for image in images]
    match, searches = search_plan(fields)
    found = [
        measure_registered(prepare_image(Pixels(image), None, 1.0), search)
        for image, search in zip(images, searches, strict=True)
    ]
    return fields, *join_registered(match, found)


def test_all_frames_of_a_faint_run_get_a_size_that_is_right_within_its_error():
    _, bright = faint_run(11, brightest_e=1e6)
    truth = [measure_pixels(Pixels(image), gain_e_per_adu=1.0).hfd_px for image in bright]
    fields, _, sizes = sizes_of(faint_run(11)[1])
    alone = common_sizes(fields, match_stars(fields))
    assert np.isfinite(sizes.hfd_px).all()
    # Of fluxes that fall as 1/n all stars hold 1.64 times what the brightest tells.
    assert sizes.told > 1.5 * alone.told
    off = (sizes.hfd_px - truth) / sizes.hfd_err_px
    assert np.all(np.abs(off) < 4.0)
    assert math.sqrt(np.mean(off**2)) < 1.8
    assert np.median(sizes.hfd_err_px / sizes.hfd_px) < 0.15
    assert np.median(np.abs(sizes.flux - 1.0)) < 0.15


def test_frames_are_found_again_after_a_jump():
    _, images = faint_run(13, brightest_e=2500.0)
    moved = [np.roll(image, (7, -5), axis=(0, 1)) if k >= 4 else image for k, image in enumerate(images)]
    _, match, _ = sizes_of(moved)
    step = match.shift_px[4:].mean(axis=0) - match.shift_px[:4].mean(axis=0)
    np.testing.assert_allclose(step, (-5.0, 7.0), atol=1.5)


@pytest.mark.parametrize("flipped", [False, True])
def test_faint_stars_are_found_under_a_sky_that_turns(flipped):
    """Frames turn by half a degree each, or flip; the third shows no star by itself."""
    rng = np.random.default_rng(11)
    x, y = rng.uniform(-220.0, 220.0, (2, 30))
    flux = 1250.0 / (1.0 + np.arange(30))
    images, turns = [], [math.pi * (k > 3) if flipped else math.radians(0.5 * k) for k in range(9)]
    for k, turn in enumerate(turns):
        there = (x + 1j * y) * np.exp(1j * turn) + 300.0 + 300.0j
        light = flux * (0.25 if k == 2 else 1.0)
        scene = Scene(
            HERON, (600, 600), there.real, there.imag, light, passbands={"L": Passband(sky_e_per_s=25.0)}, drift_px=0.0
        )
        (frame,) = simulate_run(scene, Sweep("L", START, 0.0, 2.0, [9950 + 12 * k]), rng)
        images.append(frame.image)
    _, match, sizes = sizes_of(images)
    assert np.isfinite(np.delete(sizes.hfd_px, 2)).all()
    true = np.exp(1j * np.array(turns))
    found = match.turn[:, 0, 0] + 1j * match.turn[:, 1, 0]
    known = np.isfinite(match.shift_px).all(axis=1)
    assert np.abs(found / found[4] - true / true[4])[known].max() < 0.01


def test_empty_sky_is_not_taken_for_stars():
    _, images = faint_run(14, brightest_e=2500.0)
    rng = np.random.default_rng(5)
    images[2] = rng.poisson(50.0, images[2].shape).astype(np.uint16) + 500
    _, _, sizes = sizes_of(images)
    assert np.isnan(sizes.hfd_px[2])
    assert np.isfinite(np.delete(sizes.hfd_px, 2)).all()


def test_nothing_is_made_of_empty_frames():
    rng = np.random.default_rng(6)
    empty = [measure_pixels(Pixels(rng.poisson(100.0, (300, 300)).astype(np.uint16))) for _ in range(5)]
    assert search_plan(empty) is None
