"""Which frames to leave out of a focus curve, and whether what is left can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from focuskit.core.reasons import Reason
from focuskit.curves.estimate import Estimate, Points, compare_point, estimate_curve, first_look
from focuskit.curves.frames import FrameSizes
from focuskit.curves.shape import CurveShape

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A curve has three parameters: with two frames to spare the 95 % half width is 4.3 times the error, with one it would
# be 12.7 times (Student's t).
LEAST_POSITIONS = 5
# Chosen, not tuned: fewer cannot outvote one star that a neighbour or a hot pixel spoils.
_FEW_STARS = 5
# The four shares of light, stars and change of seeing are chosen, not tuned: in a clear sky the light of the same stars
# repeats to a few per cent. Lower shares leave clouds in the curve, higher ones take sound frames from it.
_LIGHT_LOST = 0.6  # of the run's median flux: a cloud
_LIGHT_DIMMED = 0.85  # with an odd size as well
_STARS_LOST = 0.15  # of the run's median number
_LEAST_DEPARTURE = 0.1  # of ln(seeing): as much as the seeing of most nights changes anyway
# Probability of so large a departure from the curve of the other frames; 9 frames have 9 chances. With these,
# 0 to 0.9 % of sound frames are set aside, and 77 to 100 % of frames whose seeing a gust makes 1.5 to 2 times worse,
# but for the outermost (scripts/bench_curves.py).
_UNLIKELY_LARGE = 0.02  # what gusts do
_UNLIKELY_SMALL = 0.003  # nothing makes the seeing of one frame far better: there it is mostly chance
_UNLIKELY_DIMMED = 0.05  # the lost light speaks against the frame already
_SUSPECTS = 3  # as many curves are fitted for each frame left out: what limits the time
_STANDS_OUT = 3.0  # over the median residual, 0.67 standard deviations of a normal law: about two standard deviations
# No curve: as likely as this to come out of sizes that do not depend on the position. Chosen: one run in 50 of a
# focuser that does not move passes for a curve.
_BY_CHANCE = 0.02
_LEAST_GROWTH = (
    1.15  # chosen: below it, the change of seeing of a usual night makes as large a difference of two frames
)
# On sweeps of nine frames with 12 % jitter as scripts/bench_curves.py draws them, the best position is off by 4.5 µm
# rms where the outermost frames are 2.75 times the least size, 9.9 µm at 1.6 times (and one run in 15 fails), and by
# 7.9 µm where the best position lies at 0.3 of the sweep.
_SHALLOW_GROWTH = 1.6
_LOPSIDED_SHARE = 0.3
_POOR_JITTER = 0.25  # the most that the seeing of short exposures mostly changes (common practice, no source)
_HOPELESS_SCATTER = 0.3  # of ln(size) about the curve: chosen, above any jitter of the seeing that is common
_VAGUE_SHARE = 0.25  # error over half the sweep: chosen, so that the sweep spans four errors to either side


@dataclass(frozen=True)
class Health:
    """Verdict on a curve: ``flags`` in no order, and whether it ``failed``."""

    failed: bool
    flags: tuple[str, ...]


def distinct_positions(positions: Array) -> int:
    """Count positions, those closer than a hundredth of the sweep as one."""
    if positions.size == 0:
        return 0
    gaps = np.diff(np.sort(positions))
    return 1 + int(np.sum(gaps > 0.01 * np.ptp(positions)))


def find_spoilt(frames: FrameSizes, set_aside: Sequence[Reason | None] | None = None) -> list[Reason | None]:
    """Return for each frame why it is to be left out before any curve is fitted, None for the others."""
    why = _find_unmeasured(frames.size, frames.stars)
    if set_aside is not None:
        why = [given or own for given, own in zip(set_aside, why, strict=True)]
    dimmed = _find_dimmed(frames.flux, frames.x, np.array([reason is None for reason in why], bool))
    return [own or other for own, other in zip(why, dimmed, strict=True)]


def shares_few_stars(frames: FrameSizes) -> bool:
    """Return whether the frames share too few stars to average out what is wrong with one of them."""
    known = frames.stars[np.isfinite(frames.stars)]
    return bool(known.size) and float(np.median(known)) < _FEW_STARS


def _find_unmeasured(sizes: Array, stars: Array) -> list[Reason | None]:
    """Name the frames without a size, or with hardly any of the stars of the others."""
    unseen = Reason("no_stars", "no star could be measured")
    why = [None if ok else unseen for ok in np.isfinite(sizes) & (sizes > 0)]
    if not np.isfinite(stars).any():
        return why
    usual = float(np.nanmedian(stars))
    for i in np.flatnonzero((stars < _STARS_LOST * usual) & (stars < _FEW_STARS)):
        text = f"only {stars[i]:.0f} stars where the other frames have {usual:.0f}"
        why[i] = why[i] or Reason("few_stars", text)
    return why


def _find_dimmed(fluxes: Array, positions: Array, used: Mask) -> list[Reason | None]:
    """Name the frames in which the stars lost light, worst first as far as the run can spare them.

    Passing clouds over more than a third of the frames are no reason to leave any out.
    """
    why: list[Reason | None] = [None] * fluxes.size
    known = used & np.isfinite(fluxes)
    if known.sum() < LEAST_POSITIONS:
        return why
    share = fluxes / np.median(fluxes[known])
    lost = np.flatnonzero(known & (share < _LIGHT_LOST))
    if lost.size > known.sum() // 3:
        return why
    left = used.copy()
    for i in lost[np.argsort(share[lost])]:
        left[i] = False
        if distinct_positions(positions[left]) < LEAST_POSITIONS:
            break
        why[i] = Reason("cloud", f"cloud: the stars lost {100 * (1 - share[i]):.0f} % of their light")
    return why


def fit_without_gusts(
    points: Points, shape: CurveShape, start: tuple[float, float, float], fluxes: Array
) -> tuple[Estimate, Mask, list[Reason | None]]:
    """Fit the curve; leave out, one by one, frames that the others show to be odd.

    Returns
    -------
    estimate : Estimate
    kept : ndarray of bool, shape (n,)
    why : list of (Reason or None)
    """
    kept = np.ones(points.x.size, bool)
    why: list[Reason | None] = [None] * points.x.size
    estimate = estimate_curve(points, shape, start, squared=True)
    known = fluxes[np.isfinite(fluxes)]
    dimmed = fluxes < _LIGHT_DIMMED * np.median(known) if known.size else np.zeros(points.x.size, bool)
    for _ in range(points.x.size // 4):
        found = _find_odd(points, shape, kept, dimmed)
        if found is None:
            break
        worst, departure, estimate = found
        kept[worst] = False
        why[worst] = _say_odd(departure, bool(dimmed[worst]))
    return estimate, kept, why


def _find_odd(points: Points, shape: CurveShape, kept: Mask, dimmed: Mask) -> tuple[int, float, Estimate] | None:
    """Return an odd frame, how far it is off, and the others' curve.

    A gust bends the curve, so that sound frames look odd beside it: of all odd frames the culprit is
    the one without which the others agree best.
    """
    found: tuple[int, float, Estimate] | None = None
    for i in _suspects(points, kept):
        rest = kept.copy()
        rest[i] = False
        others = points.only(rest)
        start = first_look(others)
        if start is None or distinct_positions(others.x) < LEAST_POSITIONS:
            continue
        estimate = estimate_curve(others, shape, start, squared=True)
        alone = points.only(np.arange(points.x.size) == i)
        surprise, departure = compare_point(estimate, alone, shape)
        if abs(departure) < _LEAST_DEPARTURE:
            continue
        limit = _UNLIKELY_DIMMED if dimmed[i] else _UNLIKELY_LARGE if departure > 0 else _UNLIKELY_SMALL
        if surprise < limit and (found is None or estimate.jitter < found[2].jitter):
            found = (i, departure, estimate)
    return found


def _suspects(points: Points, kept: Mask) -> list[int]:
    """Return frames that may stand out from a robust curve; none if no frame does."""
    start = first_look(points.only(kept))
    if start is None:
        return []
    best, least, slope = start
    residual = np.abs(points.size**2 - least**2 - (slope * (points.x - best)) ** 2)
    residual[~kept] = 0.0
    order = np.argsort(-residual, kind="stable")[:_SUSPECTS]
    if residual[order[0]] < _STANDS_OUT * np.median(residual[kept]):
        return []
    # A gust at the end of the sweep bends the curve to itself: the largest size is always suspect.
    largest = np.argmax(np.where(kept, points.size, 0.0))
    return list(dict.fromkeys([int(largest), *(int(i) for i in order if kept[i])]))


def judge_curve(points: Points, shape: CurveShape, estimate: Estimate, left_out: int) -> Health:
    """Decide whether a fitted curve shows a minimum within the sweep, and how good the sweep was."""
    low, high = float(points.x.min()), float(points.x.max())
    growth = shape.at(estimate.slope * np.abs(np.array([low, high]) - estimate.best) / estimate.least)[0]
    residual = np.log(points.size / estimate.fitted)
    scatter = np.sqrt(np.sum(residual**2) / (points.x.size - 3))
    if not is_curve(points, estimate, left_out) or growth.max() < _LEAST_GROWTH:
        return Health(True, ("flat_curve",))
    if estimate.best - estimate.err < low or estimate.best + estimate.err > high:
        return Health(True, ("minimum_outside",))
    if scatter > _HOPELESS_SCATTER:
        return Health(True, ("poor_fit",))
    if estimate.err > _VAGUE_SHARE:
        return Health(True, ("flat_curve",))
    flags = []
    if min(estimate.best - low, high - estimate.best) < _LOPSIDED_SHARE * (high - low):
        flags.append("lopsided")
    if growth.max() < _SHALLOW_GROWTH:
        flags.append("shallow_sweep")
    if estimate.jitter > _POOR_JITTER:
        flags.append("poor_fit")
    return Health(False, tuple(flags))


def is_curve(points: Points, estimate: Estimate, left_out: int) -> bool:
    """Tell a curve from sizes that do not depend on the position, by the F test of the squares.

    Each frame left out has made the rest look more like a curve than it is.
    """
    squares = points.size**2
    spare = points.x.size - 3
    left = float(np.sum((squares - estimate.fitted**2) ** 2))
    whole = float(np.sum((squares - squares.mean()) ** 2))
    # Frames never agree better than a fraction of a per cent.
    ratio = 0.5 * (whole - left) / (left / spare + 1e-6)
    return bool(fdtrc(2, spare, max(ratio, 0.0)) < _BY_CHANCE * 0.1**left_out)


def is_upside_down(points: Points) -> bool:
    """Tell sizes that are largest in the middle."""
    design = np.vander(points.x, 3)
    solution = np.linalg.lstsq(design, points.size, rcond=None)[0]
    bend = float(solution[0])
    if bend >= 0.0 or abs(float(solution[1])) > 2.0 * abs(bend):
        return False
    left = float(np.sum((points.size - design @ solution) ** 2))
    flat = np.polyval(np.polyfit(points.x, points.size, 1), points.x)
    whole = float(np.sum((points.size - flat) ** 2))
    spare = points.x.size - 3
    return bool(fdtrc(1, spare, (whole - left) / (left / spare + 1e-6)) < _BY_CHANCE)


def _say_odd(departure: float, dimmed: bool) -> Reason:
    change = 100.0 * np.expm1(min(abs(departure), 5.0))
    if dimmed:
        return Reason("cloud", "cloud: the stars are dimmed and their size does not fit the curve of the other frames")
    if departure > 0:
        return Reason("gust", f"gust or jump in seeing: seeing {change:.0f} % worse than in the other frames")
    text = "stars far smaller than on the curve of the other frames: wrong stars, or a wrong position"
    return Reason("odd_size", text)
