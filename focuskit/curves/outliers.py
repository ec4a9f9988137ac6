"""Which frames of a run do not belong to its curve: all small sets of frames are tried, and weighed against each other.

Two bad frames hide each other from any search that takes one frame at a time: without either of them, the other
still bends the curve. So the run is fitted without every set of so many frames, as least trimmed squares does
(Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871). The best set of each number of frames then has its probability: the
restricted likelihood of the frames that stay, times that of so large a departure of each frame that goes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from focuskit.core.reasons import Reason
from focuskit.curves.checks import LEAST_POSITIONS, distinct_positions
from focuskit.curves.estimate import Estimate, Points, departures, estimate_curve, first_look, square_weights
from focuskit.curves.shape import CurveShape

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# One frame in so many: where more do not belong, the frames cannot tell which ones do (chosen). Two of seven are the
# exception: with two of them spoilt, 55 to 79 % of runs have a position instead of 15 %, none beyond 3 errors, and runs
# of a focuser that does not move pass no more often (jitter 6 and 12 %, 100 runs; tests/curves).
_MOST_SHARE, _PAIR = 4, 2
# So many sets go on to the next number of frames. All pairs of up to 60 frames are tried; of 21 frames with five bad
# ones the sets with three of them lie among the first 60 (tests/curves).
_SETS = 60
_FLOOR = 0.1  # of the usual variance: frames agree better than with a third of the usual jitter only by chance
# What is not common: a frame whose seeing is worse by a gust, better for no reason, or worse with dimmed stars. With
# these, 0.1 to 0.8 % of sound frames are set aside (scripts/bench_curves.py).
_PRIOR_LARGE, _PRIOR_SMALL, _PRIOR_DIMMED = 0.05, 0.003, 0.3
_LIGHT_DIMMED = 0.85  # of the run's median flux; chosen: in a clear sky it repeats to a few per cent
# Departures of ln(seeing), all as likely: from what the seeing of most nights changes anyway to tenfold sizes.
_DEPARTURES = (0.1, 2.5)


def fit_without_odd(
    points: Points, shape: CurveShape, fluxes: Array
) -> tuple[Estimate, Mask, list[Reason | None]] | None:
    """Fit the curve without the frames that do not belong to it; None where no curve opens upwards.

    Returns
    -------
    estimate : Estimate
    kept : ndarray of bool, shape (n,)
    why : list of (Reason or None)
    """
    known = fluxes[np.isfinite(fluxes)]
    dimmed = fluxes < _LIGHT_DIMMED * np.median(known) if known.size else np.zeros(points.x.size, bool)
    begin = first_look(points.only(_sets(points, points.size**2)[-1]))
    if begin is None:
        return None
    best, least, slope = begin
    away = slope * np.abs(points.x - best) / least
    # The squares less what the curve has above the hyperbola are a parabola.
    squares = points.size**2 - least**2 * (shape.at(away)[0] ** 2 - 1.0 - away**2)
    found: list[tuple[float, Estimate, Mask, Array]] = []
    for kept in _sets(points, squares):
        start = first_look(points.only(kept))
        if start is None:
            continue
        estimate = estimate_curve(points.only(kept), shape, start, squared=True)
        departure, rate = departures(estimate, points.only(~kept), shape)
        prior = np.where(departure > 0.0, np.where(dimmed[~kept], _PRIOR_DIMMED, _PRIOR_LARGE), _PRIOR_SMALL)
        chance = prior / (_DEPARTURES[1] - _DEPARTURES[0]) * rate
        chance[np.abs(departure) < _DEPARTURES[0]] = 0.0
        if np.all(chance > 0.0):
            found.append((estimate.log_evidence + float(np.log(chance).sum()), estimate, kept, departure))
    if not found:
        return None
    _, estimate, kept, departure = max(found, key=lambda one: one[0])
    why: list[Reason | None] = [None] * points.x.size
    for i, change in zip(np.flatnonzero(~kept), departure, strict=True):
        why[i] = _say_odd(float(change), bool(dimmed[i]))
    return estimate, kept, why


def _sets(points: Points, squares: Array) -> list[Mask]:
    """Return for 0, 1, 2 ... frames left out the frames that are kept where the rest is the best parabola."""
    count, distinct = points.x.size, distinct_positions(points.x)
    weight, design = square_weights(points), np.vander(points.x, 3)
    sets = np.ones((1, count), bool)
    out = [sets[0]]
    for left_out in range(1, max(count // _MOST_SHARE, min(_PAIR, count - LEAST_POSITIONS)) + 1):
        grown = (sets[:, None, :] & ~np.eye(count, dtype=bool)).reshape(-1, count)
        grown = np.unique(grown[grown.sum(axis=1) == count - left_out], axis=0)
        if distinct - left_out < LEAST_POSITIONS:
            grown = grown[[distinct_positions(points.x[kept]) >= LEAST_POSITIONS for kept in grown]]
        if not len(grown):
            break
        share = grown * weight
        normal = np.einsum("sn,ni,nj->sij", share, design, design)
        target = np.einsum("sn,ni->si", share * squares, design)
        solution = np.linalg.solve(normal, target[..., None])[..., 0]
        left = np.sum(share * (squares - solution @ design.T) ** 2, axis=1)
        spare = count - left_out - 3
        score = spare * np.log(left + spare * _FLOOR) + np.linalg.slogdet(normal)[1]
        sets = grown[np.argsort(score, kind="stable")[:_SETS]]
        out.append(sets[0])
    return out


def _say_odd(departure: float, dimmed: bool) -> Reason:
    change = 100.0 * np.expm1(min(abs(departure), 5.0))
    if dimmed:
        return Reason("cloud", "cloud: the stars are dimmed and their size does not fit the curve of the other frames")
    if departure > 0:
        return Reason("gust", f"gust or jump in seeing: seeing {change:.0f} % worse than in the other frames")
    text = "stars far smaller than on the curve of the other frames: wrong stars, or a wrong position"
    return Reason("odd_size", text)
