"""Stars that differ from the others of their stack by more than noise, as unseen companions make them."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from profile_runs import POSITIONS, RIG, WAVELENGTH_UM, ZERO, synthetic_frame

from focuskit.waves.fit import solve_profiles

STARS, ODD = 16, 5


@cache
def frame_and_slope(position):
    """Return a profile without noise, and by how much it changes for each µm that a star focuses farther out."""
    defocus = 4.0 * (position - ZERO)
    usual, moved = (synthetic_frame(position, defocus - height, 17.6, None, noise=1e-4) for height in (0.0, 15.0))
    return usual, (moved.flux - usual.flux) / 15.0


def run_of_stars(rng, heights_um):
    """Return the profiles of a run whose stars focus at several heights, and have noise of their own."""
    places = rng.uniform(0.0, 500.0, (STARS, 2))
    frames = []
    for position in POSITIONS:
        usual, slope = frame_and_slope(position)
        own = rng.standard_normal((STARS, slope.size)) * np.sqrt(usual.variance / STARS)
        own += np.outer(heights_um, slope) / STARS
        shares = np.full(STARS, 1.0 / STARS)
        differ = own - own.mean(axis=0)
        frames.append(replace(usual, flux=usual.flux + own.sum(axis=0), shares=shares, own=differ, places=places))
    return frames


def test_a_star_with_an_unseen_companion_is_left_out():
    """One star of sixteen that focuses 60 µm elsewhere would move the best position by 0.9 steps."""
    heights = np.where(np.arange(STARS) == ODD, 60.0, 0.0)
    fit = solve_profiles(run_of_stars(np.random.default_rng(71), heights), RIG, WAVELENGTH_UM, (0.0, 1e-3)).report()
    assert not fit.star_shares[:, ODD].any()
    assert np.count_nonzero(fit.star_shares.any(axis=0)) == STARS - 1
    assert fit.best_position == pytest.approx(ZERO, abs=3.0 * fit.err)
    assert fit.err < 0.3


def test_stars_that_scatter_widen_the_error():
    """Heights of 15 µm rms, in no order over the field: the errors cover what they do to ten runs."""
    rng = np.random.default_rng(72)
    runs = [run_of_stars(rng, 15.0 * rng.standard_normal(STARS)) for _ in range(10)]
    fits = [solve_profiles(run, RIG, WAVELENGTH_UM, (0.0, 1e-3)).report() for run in runs]
    pulls = np.array([(fit.best_position - ZERO) / fit.err for fit in fits])
    even = solve_profiles(run_of_stars(rng, np.zeros(STARS)), RIG, WAVELENGTH_UM, (0.0, 1e-3)).report()
    assert 2.0 * even.err < np.mean([fit.err for fit in fits])
    assert 0.6 < np.sqrt(np.mean(pulls**2)) < 1.5
    assert even.star_shares.any(axis=0).all()
