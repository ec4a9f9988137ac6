"""Backlash of the focuser, from the frames of one run: how far it lags after every turn.

A focuser with backlash does not move the camera until it is taken up. The frames tell where the
camera truly was: by the square of their distance from focus, or of their stars' size, which is a
parabola in the true position. All paths with some backlash are tried, and that which makes the squares
the best parabola is kept. A sweep in one direction shows only what was left to take up at its start.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core.reasons import Reason
from focuskit.core.statistics import SEEN_SIGMA, as_sigma, f_chance
from focuskit.core.text import two_digits
from focuskit.curves import CurveFit
from focuskit.waves import ProfileFit

Array = NDArray[np.float64]

_LEAST_SPARE = 1  # frames more than unknowns: with none, every path fits and no error is known
# Of the reach of the sweep: more looks like a shifted sweep. Chosen, not tuned; larger backlash is found as this much.
_LARGEST = 0.4
# Each round narrows the grid to an eighth: after six the steps are 4e-7 of the reach, far below any error.
_VALUES, _STARTS, _ROUNDS = 33, 9, 6
# The errors of the frames count for as many frames as this when their scatter is judged: a run of nine frames
# shows its own scatter to a third only. Chosen, not tuned.
_PRIOR_FREEDOM = 4.0
_INSIDE_SIGMA = 2.0  # frames that lag by less may not lag at all (95 %): they stay
# A frame whose defocus is known to this part only is too near to focus to show its distance: the square of a
# normal law is then no normal law. Chosen, not tuned.
_SHARP = 0.05
_USUAL_JITTER = 0.12  # of the seeing, where there is no curve to show it; chosen: that of the rendered nights
_SPOILT = ("cloud", "gust", "no_stars", "few_stars")  # codes of frames that say nothing of the slack


@dataclass(frozen=True)
class Backlash:
    """What one run tells of the focuser's backlash.

    Parameters
    ----------
    steps, err : float
        The backlash; of a sweep in one direction, that part which was left to take up at its start.
    sigma : float
        Significance: the chance of as much without any, told in standard deviations.
    whole : bool
        Whether the run went both ways, so that ``steps`` is the whole backlash.
    direction : int
        +1 or -1: the direction of the sweep, for which best positions hold.
    lag : tuple of float
        By how much each frame lags, in steps against the direction of the sweep: 0 where the backlash is
        taken up, ``steps`` on the way back.
    """

    steps: float
    err: float
    sigma: float
    whole: bool
    direction: int
    lag: tuple[float, ...]

    @property
    def seen(self) -> bool:
        """Whether the backlash stands out of its error."""
        return self.sigma > SEEN_SIGMA

    @property
    def limit(self) -> float:
        """Slack above this would have been seen (two standard deviations above what was found)."""
        return self.steps + 2.0 * self.err

    def why_not_used(self) -> list[Reason | None]:
        """Say of each frame that the backlash puts elsewhere why it is set aside; None of the others."""
        if not self.seen:
            return [None] * len(self.lag)
        least = min(_INSIDE_SIGMA * self.err, 0.5 * self.steps)
        why: list[Reason | None] = []
        back, before = False, self.lag[0]
        for lag in self.lag:
            back, before = lag > before or (back and lag == before), lag
            if lag <= least:
                why.append(None)
            elif back:
                text = f"backlash: taken in the other direction, where slack puts it {_steps(lag)} off"
                why.append(Reason("backlash", text))
            else:
                why.append(Reason("backlash", f"backlash: slack was not taken up yet, {_steps(lag)} were left"))
        return why


def _steps(value: float) -> str:
    return f"{two_digits(value)} steps"


def backlash_of_run(
    positions: ArrayLike,
    directions: Sequence[int],
    hfd_px: ArrayLike,
    hfd_err_px: ArrayLike,
    fit: CurveFit,
    profile: ProfileFit | None = None,
    profile_frames: Sequence[int] = (),
) -> Backlash | None:
    """Find the backlash in one run: from the defocus of its frames where enough of them tell it, else from the sizes.

    Parameters
    ----------
    positions, hfd_px, hfd_err_px : array_like, shape (n,)
        In order of time.
    directions : sequence of int
        Of the run's sweeps.
    fit : CurveFit
        Of these frames; frames that it set aside for clouds or gusts tell nothing.
    profile : ProfileFit, optional
    profile_frames : sequence of int
        The frames that ``profile.frames`` are of.
    """
    x = np.asarray(positions, float)
    spoilt = [why is not None and why.code in _SPOILT for why in fit.why_not_used]
    ways = [_squared_sizes(x, np.asarray(hfd_px, float), np.asarray(hfd_err_px, float), fit)]
    if profile is not None:
        ways.insert(0, _squared_defocus(x.size, profile, profile_frames))
    found = (find_backlash(x, np.where(spoilt, np.nan, squares), errors, directions) for squares, errors in ways)
    return next((backlash for backlash in found if backlash), None)


def _squared_defocus(count: int, profile: ProfileFit, profile_frames: Sequence[int]) -> tuple[Array, Array]:
    squares, errors = np.full(count, np.nan), np.full(count, np.nan)
    for k, frame in zip(profile_frames, profile.frames, strict=True):
        if frame.own_defocus_err_um < _SHARP * abs(frame.own_defocus_um):
            squares[k] = frame.own_defocus_um**2
            errors[k] = 2.0 * abs(frame.own_defocus_um) * frame.own_defocus_err_um
    return squares, errors


def _squared_sizes(x: Array, hfd: Array, err: Array, fit: CurveFit) -> tuple[Array, Array]:
    """Return squares that are a parabola in the position, with errors that hold the seeing's changes."""
    noise = np.nan_to_num(err)
    curve = fit.fits.get("squared sizes")
    if curve is None:
        least = float(np.nanmin(hfd)) if np.isfinite(hfd).any() else 1.0
        return hfd**2, 2.0 * np.hypot(hfd * noise, _USUAL_JITTER * least**2)
    away = curve.slope_per_step * np.abs(x - curve.best_position) / curve.size_best
    excess = curve.shape.at(away)[0] ** 2 - 1.0 - away**2
    seeing = max(curve.seeing_jitter, 0.01) * curve.size_best**2
    return hfd**2 - excess * curve.size_best**2, 2.0 * np.hypot(hfd * noise, seeing)


def find_backlash(
    positions: ArrayLike, squares: ArrayLike, errors: ArrayLike, directions: Sequence[int] = ()
) -> Backlash | None:
    """Find the backlash that makes the frames' squares the best parabola in the true position.

    Parameters
    ----------
    positions : array_like, shape (n,)
        Where the focuser was sent, in steps and in order of time.
    squares, errors : array_like, shape (n,)
        Square of the distance from focus or of the size, in any unit, and its standard deviation; NaN
        for a frame that tells nothing.
    directions : sequence of int
        Directions of the run's sweeps; best positions hold for the first that is not 0, else for the first move's.

    Returns
    -------
    Backlash or None
        None where the frames are too few, or do not tell of backlash.
    """
    x, y, sigma = (np.asarray(values, float) for values in (positions, squares, errors))
    moves = np.diff(x)
    direction = next((int(d) for d in (*directions, *np.sign(moves)) if d), 0)
    told = np.isfinite(y) & np.isfinite(sigma) & (sigma > 0)
    if not direction or not told.any():
        return None
    reach = float(np.ptp(x[told]))
    # A way back that no frame tells of counts only for what comes after it.
    whole = bool((moves[told[1:]] * direction < 0).any())
    unknowns = 4 + int(whole)
    if told.sum() < unknowns + _LEAST_SPARE or np.unique(x[told]).size < 4 or reach <= 0:
        return None
    problem = _Problem(x, (x[told].min() + x[told].max()) / 2.0, reach / 2.0, y[told], sigma[told], told, direction)
    none = problem.misfit(np.zeros(1), np.zeros(1))[0]
    backlash, start = _search(problem, _LARGEST * reach, whole)
    best = problem.misfit(np.array([backlash]), np.array([start]))[0]
    freedom = _PRIOR_FREEDOM + told.sum() - unknowns
    scale = (_PRIOR_FREEDOM + best) / freedom
    chance = f_chance((none - best) / (unknowns - 3) / scale, unknowns - 3, freedom)
    err = problem.error(backlash, start, whole) * math.sqrt(scale)
    if not math.isfinite(err):
        return None  # no frame that was told lies where the backlash shows
    lag = _lags(x, direction, np.array([backlash]), np.array([start]))[0]
    return Backlash(backlash, err, as_sigma(chance), whole, direction, tuple(float(v) for v in lag))


def _lags(x: Array, direction: int, backlash: Array, start: Array) -> Array:
    """Return how far each frame lags, shape (backlashs, frames): moves take up what is left, or build it up."""
    out = np.empty((backlash.size, x.size))
    out[:, 0] = start
    for k, move in enumerate(direction * np.diff(x), 1):
        out[:, k] = np.clip(out[:, k - 1] - move, 0.0, backlash)
    return out


@dataclass(frozen=True)
class _Problem:
    """Frames in the units of the fit; ``y`` and ``sigma`` of those that are ``told``."""

    x: Array
    centre: float
    half: float
    y: Array
    sigma: Array
    told: NDArray[np.bool_]
    direction: int

    def _design(self, backlash: Array, start: Array) -> Array:
        true = self.x + self.direction * _lags(self.x, self.direction, backlash, start)
        place = (true[:, self.told] - self.centre) / self.half
        return np.stack([np.ones_like(place), place, place**2], axis=-1) / self.sigma[:, None]

    def _solve(self, design: Array) -> tuple[Array, Array]:
        normal = np.swapaxes(design, 1, 2) @ design
        normal[:, [0, 1, 2], [0, 1, 2]] *= 1.0 + 1e-12
        target = self.y / self.sigma
        solution = np.linalg.solve(normal, (np.swapaxes(design, 1, 2) @ target)[..., None])
        return np.asarray(solution[..., 0], float), target - (design @ solution)[..., 0]

    def misfit(self, backlash: Array, start: Array) -> Array:
        """Return chi² for each pair of backlash and lag at the start."""
        _, left = self._solve(self._design(backlash, start))
        return np.asarray((left**2).sum(axis=1), float)

    def error(self, backlash: float, start: float, whole: bool) -> float:
        """Return the error of the backlash where the frames' errors are right, all else left free."""
        step = 1e-3 * self.half
        pairs = [(backlash, start)]
        moved = [(backlash + step, start), (backlash, start + step)] if whole else [(backlash + step, start + step)]
        design = self._design(*np.array(pairs + moved).T)
        parabola = self._solve(design[:1])[0][0]
        by_backlash = (design[1:] @ parabola - design[0] @ parabola) / step
        others = np.concatenate([by_backlash[1:].T, design[0]], axis=1)
        alone = by_backlash[0] - others @ np.linalg.lstsq(others, by_backlash[0], rcond=None)[0]
        square = float(alone @ alone)
        return 1.0 / math.sqrt(square) if square > 1e-9 * float(by_backlash[0] @ by_backlash[0]) else math.inf


def _search(problem: _Problem, largest: float, whole: bool) -> tuple[float, float]:
    """Return backlash and lag at the start with the least misfit, on grids that close in."""
    low, high = 0.0, largest
    share_low, share_high = (0.0, 1.0) if whole else (1.0, 1.0)
    best, share = 0.0, 0.0
    for _ in range(_ROUNDS):
        values = np.linspace(low, high, _VALUES)
        shares = np.linspace(share_low, share_high, _STARTS if whole else 1)
        backlash, part = (grid.ravel() for grid in np.meshgrid(values, shares, indexing="ij"))
        misfit = problem.misfit(backlash, part * backlash)
        at = int(np.argmin(misfit))
        best, share = float(backlash[at]), float(part[at])
        width = 2.0 * (high - low) / (_VALUES - 1)
        low, high = max(best - width, 0.0), min(best + width, largest)
        if whole:
            width = 2.0 * (share_high - share_low) / (_STARTS - 1)
            share_low, share_high = max(share - width, 0.0), min(share + width, 1.0)
    return best, share * best
