"""Odd but legal pixels in one frame of a run: they cost that frame at most, and nothing that is no number comes out."""

import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from focuskit.core.errors import FocuskitError
from focuskit.frames import Pixels
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.faint import join_registered, measure_registered, search_plan
from focuskit.stars.image import measure_pixels
from focuskit.stars.match import common_sizes, match_stars
from focuskit.waves.stack import StackTask, stack_profile, stack_radius_px

sys.path.insert(0, str(Path(__file__).parents[2] / "scripts"))
from odd_skies import ODDITIES, draw, spoil, store

SHAPE = (150, 190)
KINDS = ("u2", "i2", "u1", "f4", "f8")


def sky_of(seed, brightest):
    """Return a generator, places (rows, columns) and light of twelve stars that hardly touch."""
    rng = np.random.default_rng(seed)
    place = np.mgrid[0:3, 0:4].reshape(2, -1) * 45.0 + 27.0 + rng.uniform(-8.0, 8.0, (2, 12))
    return rng, place, brightest * 10.0 ** rng.uniform(-0.7, 0.0, 12)


def taken(rng, place, light, width, sky=50.0):
    image = draw(SHAPE, place, light, width) + sky
    return rng.poisson(image) + rng.normal(0.0, 2.0, SHAPE)


@cache
def sound_run(brightest):
    """Return four frames, what is measured in them, and their sizes."""
    rng, place, light = sky_of(6, brightest)
    frames = [store(taken(rng, place, light, width), "f4") for width in (3.0, 2.0, 1.5, 2.2)]
    images = [measure_pixels(Pixels(frame), gain_e_per_adu=1.0) for frame in frames]
    return frames, images, common_sizes(images, match_stars(images))


@pytest.mark.parametrize("name", ODDITIES)
@pytest.mark.parametrize("brightest", [2e4, 800.0])
def test_odd_pixels_cost_their_frame_at_most(name, brightest):
    """Sizes of the others stay those of the run without it, of bright stars and of faint ones, measured as one."""
    frames, images, alone = sound_run(brightest)
    rng, place, light = sky_of(6, brightest)
    odd = store(spoil(taken(rng, place, light, 2.5), name, rng), KINDS[len(name) % len(KINDS)])
    try:
        images = [*images, measure_pixels(Pixels(odd), gain_e_per_adu=1.0)]
    except FocuskitError:
        return
    sizes = common_sizes(images, match_stars(images))
    seen = np.isfinite(alone.hfd_px)
    assert seen.sum() >= 3 and np.all(np.abs(sizes.hfd_px[:4] - alone.hfd_px)[seen] < 3.0 * alone.hfd_err_px[seen])
    plan = search_plan(images)
    assert (plan is None) == (brightest > 1e4)
    if plan is not None:
        prepared = [prepare_image(Pixels(frame).filled(), None, 1.0) for frame in (*frames, odd)]
        found = [measure_registered(image, search) for image, search in zip(prepared, plan[1], strict=True)]
        _, together = join_registered(plan[0], found)
        assert not np.isinf(together.hfd_px).any() and np.isfinite(together.hfd_px[:4]).all()


@pytest.mark.parametrize("name", ODDITIES)
def test_odd_pixels_leave_a_stack_of_numbers_or_a_reason(name):
    """Stars as narrow as a pixel or wide, where they should be or beside, in noise as it is or of none."""
    for seed in range(4):
        rng, place, light = sky_of(100 * len(name) + seed, 10.0 ** (2.5 + seed))
        width = (0.3, 0.6, 1.5, 4.0)[seed]
        image = store(spoil(taken(rng, place, light, width, sky=(0.0, 50.0)[seed % 2]), name, rng), KINDS[seed])
        image = np.where(np.isfinite(image), image, 0).astype(image.dtype)
        x, y = place[1] + 2.0 * (seed == 1), place[0]
        noise = (0.0, 7.0, 1e-12, 7.0)[seed]
        task = StackTask(x, y, light, 50.0, noise, stack_radius_px(2.35 * width), 5000.0, 1.0, np.stack((x, y), axis=1))
        try:
            profile = stack_profile(image, task)
        except FocuskitError as problem:
            assert name == "huge" and "too bright" in str(problem)
            continue
        assert np.isfinite(profile.flux).all() and np.isfinite(profile.variance).all()
        assert (profile.variance > 0.0).all()
        assert np.isfinite(profile.harmonics[np.isfinite(profile.harmonic_variance[:, 0])]).all()
