"""Which frames to leave out of a focus curve, and whether what is left can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtrit

from focuskit.core.reasons import Reason
from focuskit.curves.estimate import Estimate, Points
from focuskit.curves.frames import FrameSizes, plausible
from focuskit.curves.shape import CurveShape

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A curve has three parameters: with two frames to spare the 95 % half width is 4.3 times the error, with one it would
# be 12.7 times (Student's t).
LEAST_POSITIONS = 5
# Chosen, not tuned: fewer cannot outvote one star that a neighbour or a hot pixel spoils.
_FEW_STARS = 5
# The shares of light, stars and change of seeing are chosen, not tuned: in a clear sky the light of the same stars
# repeats to a few per cent. Lower shares leave clouds in the curve, higher ones take sound frames from it.
_LIGHT_LOST = 0.6  # of the run's median flux: a cloud
_STARS_LOST = 0.15  # of the run's median number
# No curve: as likely as this to come out of sizes that do not depend on the position. Chosen: one run in 50 of a
# focuser that does not move passes for a curve.
_BY_CHANCE = 0.02
# That chance times this for every frame left out: the best of all sets of frames was left out, which makes the rest
# look more like a curve than it is. With this, sizes that do not depend on the position pass in 0 to 3 % of runs of 6
# to 21 frames, gusts or not (scripts/bench_curves.py).
_EACH_LEFT_OUT = 0.3
# Chosen: below it, the change of seeing of a usual night makes as large a difference of two frames.
_LEAST_GROWTH = 1.15
# On sweeps of nine frames with 12 % jitter as scripts/bench_curves.py draws them, the best position is off by 4.5 µm
# rms where the outermost frames are 2.75 times the least size, 9.9 µm at 1.6 times (and one run in 15 fails), and by
# 7.9 µm where the best position lies at 0.3 of the sweep.
_SHALLOW_GROWTH = 1.6
_LOPSIDED_SHARE = 0.3  # of the sweep, measured as above
_POOR_JITTER = 0.25  # the most that the seeing of short exposures mostly changes (common practice, no source)
_HOPELESS_SCATTER = 0.3  # of ln(size) about the curve: chosen, above any jitter of the seeing that is common
_VAGUE_SHARE = 0.25  # error over half the sweep: chosen, so that the sweep spans four errors to either side


@dataclass(frozen=True)
class Health:
    """Verdict on a curve: ``flags`` in no order, whether it ``failed``, and whether it has told of a minimum at all."""

    failed: bool
    flags: tuple[str, ...]
    told: bool = False


def distinct_positions(positions: Array) -> int:
    """Count positions, those closer than a hundredth of the sweep as one."""
    if positions.size == 0:
        return 0
    gaps = np.diff(np.sort(positions))
    return 1 + int(np.sum(gaps > 0.01 * np.ptp(positions)))


def find_spoilt(frames: FrameSizes, set_aside: Sequence[Reason | None] | None = None) -> list[Reason | None]:
    """Return for each frame why it is to be left out before any curve is fitted, None for the others."""
    why = _find_unmeasured(frames.size, frames.sigma, frames.stars)
    if set_aside is not None:
        why = [given or own for given, own in zip(set_aside, why, strict=True)]
    dimmed = _find_dimmed(frames.flux, frames.x, np.array([reason is None for reason in why], bool))
    return [own or other for own, other in zip(why, dimmed, strict=True)]


def shares_few_stars(frames: FrameSizes) -> bool:
    """Return whether the frames share too few stars to average out what is wrong with one of them."""
    known = frames.stars[np.isfinite(frames.stars)]
    return bool(known.size) and float(np.median(known)) < _FEW_STARS


def _find_unmeasured(sizes: Array, sigma: Array, stars: Array) -> list[Reason | None]:
    """Name the frames without a size, or with hardly any of the stars of the others."""
    unseen = Reason("no_stars", "no star could be measured")
    measured = np.isfinite(sizes) & (sizes > 0)
    why = [None if ok else unseen for ok in measured]
    for i in np.flatnonzero(measured & ~plausible(sizes)):
        why[i] = Reason("nonsense", f"its size, {sizes[i]:.3g}, is out of all proportion to those of the other frames")
    for i in np.flatnonzero(measured & (sigma > sizes)):
        why[i] = why[i] or Reason("nonsense", f"the error of its size, {sigma[i]:.3g}, is larger than the size")
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


def judge_curve(points: Points, shape: CurveShape, estimate: Estimate, left_out: int) -> Health:
    """Decide whether a fitted curve shows a minimum within the sweep, and how good the sweep was."""
    low, high = float(points.x.min()), float(points.x.max())
    growth = shape.at(estimate.slope * np.abs(np.array([low, high]) - estimate.best) / estimate.least)[0]
    residual = np.log(points.size / estimate.fitted)
    scatter = np.sqrt(np.sum(residual**2) / (points.x.size - 3))
    if not is_curve(points, estimate, left_out) or growth.max() < _LEAST_GROWTH:
        return no_curve(points)
    if estimate.best - estimate.err < low or estimate.best + estimate.err > high:
        return Health(True, ("minimum_outside",), told=True)
    if scatter > _HOPELESS_SCATTER:
        return Health(True, ("poor_fit",), told=True)
    if estimate.err > _VAGUE_SHARE:
        return Health(True, no_curve(points).flags, told=True)
    flags = []
    if min(estimate.best - low, high - estimate.best) < _LOPSIDED_SHARE * (high - low):
        flags.append("lopsided")
    if growth.max() < _SHALLOW_GROWTH:
        flags.append("shallow_sweep")
    if estimate.jitter > _POOR_JITTER:
        flags.append("poor_fit")
    return Health(False, tuple(flags), told=True)


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
    return bool(fdtrc(2, spare, max(ratio, 0.0)) < _BY_CHANCE * _EACH_LEFT_OUT**left_out)


def no_curve(points: Points) -> Health:
    """Say what sizes show that are no curve: that they hardly change, or nothing.

    That they hardly change is claimed only where they exclude a curve that grows as in a shallow sweep, wherever in
    the sweep its minimum lies, by 97.5 % (Student's t).
    """
    squares, spare = points.size**2, points.x.size - 2
    for best in np.linspace(-1.0, 1.0, 9):
        distance = (points.x - best) ** 2
        off = distance - distance.mean()
        rise = float(off @ squares / (off @ off))
        left = float(np.sum((squares - squares.mean() - rise * off) ** 2))
        most = max(rise, 0.0) + stdtrit(spare, 0.975) * np.sqrt(left / spare / float(off @ off))
        if 1.0 + most * distance.max() / np.median(squares) > _SHALLOW_GROWTH**2:
            return Health(True, ("no_minimum",))
    return Health(True, ("flat_curve",))


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
