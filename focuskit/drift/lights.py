"""Light frames as witnesses of focus: on which side each was, and the best position that it then shows.

A light frame shows how far it was from focus, not to which side. With the best position of a filter at

    base + offset of the filter + steps per °C · (T − T_ref) + shift of the night

its distance is |position − best position|, less what frames read too little, which is the same for all. The sides
follow from all frames together: one drift lets the distances grow and shrink as they did, and a move of the focuser
changes them by its length on one side, and against it on the other. Every solution is sought, and a frame whose side
differs between those that are likely is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from focuskit.core.calibration import SIDE_KNOWN
from focuskit.core.optics import F_RATIO_ERR
from focuskit.drift.linear import Array, Integers

# What frames read too little or too much, µm, the same for all (30 simulated frames 60 to 139 µm out read 12 ± 6 too
# little); and the scale of all distances: that of the focal ratio, and of the step as rig files give it.
BIAS_UM, SCALE_ERR = 15.0, math.hypot(F_RATIO_ERR, 0.01)
# Nearer than this the bias is another (the same frames), by as much as it is itself.
FADES_UM = 60.0
LIMIT_SIGMA = 1.96  # a 95 % limit on either side of focus
# Steps, all chosen. The search allows for shifts and the bias; it takes frames further off for outliers.
_SEARCH_UM, _MOST_OFF = 20.0, 3.0
_SLOPES, _PLACES, _SLOPES_TRIED, _TRIED = 61, 121, 6, 24
_STEPS = 30
_SHIFT_UM = 20.0  # of the shift of a night: a fifth of a tube's drift in a night
_NU = 4.0  # of Student's t: a few measured distances are outliers
READ = 3  # parameters of `Solution.read`


@dataclass(frozen=True)
class Witnesses:
    """Light frames, and focus runs between them, as arrays of one length.

    Attributes
    ----------
    position, celsius : arrays
    filter_index, night : integers
    distance, err : arrays
        In steps. Of a run the distance is 0.
    is_near, fades, is_run : boolean arrays
        Distances that cannot be told from 0, with ``err`` about 0; other short ones, see `FADES_UM`; focus runs.
    um_per_step : float
    """

    position: Array
    celsius: Array
    filter_index: Integers
    night: Integers
    distance: Array
    err: Array
    is_near: NDArray[np.bool_]
    fades: NDArray[np.bool_]
    is_run: NDArray[np.bool_]
    um_per_step: float


@dataclass(frozen=True)
class Solution:
    """One set of sides that explains the light frames, with the fit that belongs to it.

    Attributes
    ----------
    places : (filters,) array
        Best position of each filter at the mean temperature.
    steps_per_c : float
    read : (3,) array
        What all distances read too little, in steps, the relative error of their scale, and by how much the first
        differs in short ones.
    away : (n,) array
        Position less best position.
    log_evidence : float
    parameter_covariance : array
        Of all parameters, see `_refine`; that of `read` is `covariance`.
    err : (n,) array
        Of the distances, with what they scatter beside their own errors.
    fitted : array
        All parameters, see `_refine`.
    off : (n,) array
        Distances less what they should be.
    scatter : float
        Of distances, beside their own errors.
    """

    places: Array
    steps_per_c: float
    read: Array
    away: Array
    log_evidence: float
    parameter_covariance: Array
    err: Array
    fitted: Array
    off: Array
    scatter: float

    @property
    def covariance(self) -> Array:
        """Of what distances read wrongly in common, shape (3, 3)."""
        own = slice(len(self.places) + 1, len(self.places) + 1 + READ)
        return self.parameter_covariance[own, own]


@dataclass(frozen=True)
class LightShare:
    """What light frames did to a drift.

    Attributes
    ----------
    used, not_used : int
        Frames, and frames whose side of focus is open.
    sides_open : bool
        Whether another solution, with the signs of drift and offsets reversed, is as likely.
    steps_per_c_size, um_per_c_size, um_per_c_size_err : float or None
        Then the drift without its sign.
    """

    used: int
    not_used: int
    sides_open: bool
    steps_per_c_size: float | None
    um_per_c_size: float | None
    um_per_c_size_err: float | None


def solve(seen: Witnesses) -> list[Solution]:
    """Return all likely solutions, the likeliest first."""
    filters, nights = int(seen.filter_index.max()) + 1, int(seen.night.max()) + 1
    still = np.zeros(READ + nights)
    found = [
        _refine(seen, np.concatenate((places, [slope], still)), filters) for slope, places in _starts(seen, filters)
    ]
    found = _unlike(found)
    # All are weighed with the scatter of the likeliest: a poor fit must not excuse itself by a large one.
    scatter = min(one.scatter for one in found)
    starts = [start for one in found for start in (one.fitted, _mirrored(seen, one.fitted, filters))]
    found = _unlike([_refine(seen, start, filters, scatter) for start in starts])
    return sorted(found, key=lambda one: -one.log_evidence)


def _unlike(found: Sequence[Solution]) -> list[Solution]:
    """Return the best solution of each set of sides."""
    best: dict[bytes, Solution] = {}
    for one in sorted(found, key=lambda one: -one.log_evidence):
        best.setdefault((one.away > 0.0).tobytes(), one)
    return list(best.values())


def _mirrored(seen: Witnesses, fitted: Array, filters: int) -> Array:
    """Return parameters that put all frames on the other side: the same distances where the position never changed."""
    mirrored = fitted.copy()
    mirrored[:filters] = 2.0 * float(seen.position.mean()) - fitted[:filters]
    mirrored[filters] *= -1.0
    mirrored[filters + 1 + READ :] *= -1.0
    return mirrored


def side_probability(found: Sequence[Solution]) -> Array:
    """Return the probability that each frame was outside focus, over all solutions."""
    weight = np.exp([one.log_evidence - found[0].log_evidence for one in found])
    outside = np.array([one.away > 0.0 for one in found], dtype=float)
    return np.asarray(weight @ outside / weight.sum())


def is_known(outside: Array) -> NDArray[np.bool_]:
    """Return which frames have a side."""
    return np.asarray(np.maximum(outside, 1.0 - outside) >= SIDE_KNOWN)


def _starts(seen: Witnesses, filters: int) -> list[tuple[float, Array]]:
    """Search slopes and, for each filter by itself, best positions; return the best sets of both."""
    width = math.hypot(_SEARCH_UM / seen.um_per_step, float(np.median(seen.err)))
    warmth = seen.celsius - seen.celsius.mean()
    reach = float(seen.distance.max()) + 2.0 * width
    span = max(float(np.ptp(warmth)), 0.5)
    steepest = 2.0 * (float(seen.distance.max()) + float(np.ptp(seen.position))) / span + width
    tried = []
    for slope in np.linspace(-steepest, steepest, _SLOPES):
        minima = []
        for k in range(filters):
            own = seen.filter_index == k
            zero = seen.position[own] - slope * warmth[own]
            lowest, highest = zero.min() - reach, zero.max() + reach
            places = np.linspace(lowest, highest, max(_PLACES, int(2.0 * (highest - lowest) / width)))
            away = np.abs(zero[:, None] - places)
            off = (away - seen.distance[own][:, None]) / np.hypot(width, seen.err[own])[:, None]
            cost = np.minimum(off**2, _MOST_OFF**2).sum(axis=0)
            minima.append(_minima(places, cost))
        tried.append((slope, minima, sum(own[0][1] for own in minima)))
    tried.sort(key=lambda one: one[2])
    sets = [
        (sum(cost for _, cost in choice), slope, np.array([place for place, _ in choice]))
        for slope, minima, _ in _apart(tried, 2.0 * steepest / _SLOPES)
        for choice in product(*minima)
    ]
    sets.sort(key=lambda one: one[0])
    return [(slope, places) for _, slope, places in sets[:_TRIED]]


def _minima(places: Array, cost: Array) -> list[tuple[float, float]]:
    """Return the two lowest minima of a cost along a grid, lowest first."""
    padded = np.concatenate(([np.inf], cost, [np.inf]))
    low = np.flatnonzero((padded[1:-1] <= padded[:-2]) & (padded[1:-1] < padded[2:]))
    return [(float(places[k]), float(cost[k])) for k in low[np.argsort(cost[low], kind="stable")][:2]]


def _apart(tried: list[tuple[float, list[list[tuple[float, float]]], float]], step: float) -> list[
    tuple[float, list[list[tuple[float, float]]], float]
]:  # fmt: skip
    """Return the best slopes, none a neighbour of a better one, and for each of them the one of other sign."""
    kept: list[tuple[float, list[list[tuple[float, float]]], float]] = []
    for one in tried:
        if all(abs(one[0] - other[0]) > 1.5 * step for other in kept):
            kept.append(one)
        if len(kept) == _SLOPES_TRIED:
            break
    return kept


def _refine(seen: Witnesses, now: Array, filters: int, scatter: float | None = None) -> Solution:
    """Fit everything from a start, by Gauss-Newton steps that stay on the right side of least squares.

    Parameters, in this order: place of each filter, slope, those of `Solution.read`, shift of each night; all but the
    first two with normal priors.
    """
    nights = int(seen.night.max()) + 1
    warmth = seen.celsius - seen.celsius.mean()
    prior = np.concatenate((
        np.full(filters + 1, np.inf),
        [BIAS_UM / seen.um_per_step, SCALE_ERR, BIAS_UM / seen.um_per_step],
        np.full(nights, _SHIFT_UM / seen.um_per_step),
    ))  # fmt: skip
    rows = np.arange(len(warmth))
    # Derivatives of the best position.
    best_by = np.zeros((len(warmth), prior.size))
    best_by[rows, seen.filter_index] = 1.0
    best_by[:, filters] = warmth
    best_by[rows, filters + 1 + READ + seen.night] = 1.0
    err, given = seen.err, scatter
    off, by, away = _residuals(seen, best_by, now, filters)
    for _ in range(_STEPS):
        own = given if given is not None else _scatter(off, seen)
        err = np.where(seen.is_near, seen.err, np.hypot(seen.err, own))
        weight = (_NU + 1.0) / (_NU + (off / err) ** 2) / err**2
        matrix = (by * weight[:, None]).T @ by + np.diag(prior**-2.0)
        move = -np.linalg.lstsq(matrix, (by * weight[:, None]).T @ off + now * prior**-2.0, rcond=1e-12)[0]
        cost, step = _cost(off, err, now, prior), 1.0
        while step > 0.02:
            trial = now + step * move
            off_then, by_then, away_then = _residuals(seen, best_by, trial, filters)
            gained = cost - _cost(off_then, err, trial, prior)
            if gained > 0.0:
                break
            step *= 0.5
        if gained <= 0.0:
            break
        now, off, by, away = trial, off_then, by_then, away_then
        if gained < 1e-3:
            break
    own = given if given is not None else _scatter(off, seen)
    err = np.where(seen.is_near, seen.err, np.hypot(seen.err, own))
    weight = (_NU + 1.0) / (_NU + (off / err) ** 2) / err**2
    matrix = (by * weight[:, None]).T @ by + np.diag(np.maximum(prior**-2.0, 1e-12))
    covariance = np.linalg.pinv(matrix, hermitian=True)
    evidence = -0.5 * _cost(off, err, now, prior) - 0.5 * float(np.linalg.slogdet(matrix)[1])
    return Solution(
        now[:filters], float(now[filters]), now[filters + 1 : filters + 1 + READ], away, evidence,
        covariance, err, now, off, own,
    )  # fmt: skip


def _scatter(off: Array, seen: Witnesses) -> float:
    """Return what distances scatter beside their own errors: half a µm at least."""
    far = ~seen.is_near & ~seen.is_run
    least = 0.5 / seen.um_per_step
    if not far.any():
        return least
    wide = 1.4826 * float(np.median(np.abs(off[far])))
    return max(math.sqrt(max(wide**2 - float(np.median(seen.err[far])) ** 2, 0.0)), least)


def _cost(off: Array, err: Array, now: Array, prior: Array) -> float:
    """Return -2 log likelihood by Student's t, with the priors."""
    t = (_NU + 1.0) * np.log1p((off / err) ** 2 / _NU) + 2.0 * np.log(err)
    return float(t.sum() + np.sum((now / prior) ** 2))


def _residuals(seen: Witnesses, best_by: Array, now: Array, filters: int) -> tuple[Array, Array, Array]:
    """Return what is left of each distance, its derivatives, and the position less the best position."""
    away = seen.position - best_by @ now
    bias, scale, fade = now[filters + 1 : filters + 1 + READ]
    side = np.where(away >= 0.0, 1.0, -1.0)
    off = seen.distance + bias + fade * seen.fades - (1.0 + scale) * np.abs(away)
    by = best_by * ((1.0 + scale) * side)[:, None]
    by[:, filters + 1 : filters + 1 + READ] = np.column_stack([np.ones(side.size), -np.abs(away), seen.fades])
    plain = seen.is_run | seen.is_near
    off = np.where(plain, -away, off)
    by[plain] = best_by[plain]
    return off, by, away
