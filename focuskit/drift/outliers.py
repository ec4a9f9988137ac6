"""Which runs a drift rests on: the scatter comes from the sound runs, and outliers are set aside."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from focuskit.core.statistics import robust_scatter
from focuskit.drift.linear import Array, GroupedFit, Integers, fit_grouped, residuals_of
from focuskit.drift.season import Season

# A run this many standard errors off is an outlier: 1 of 2150 sound runs is by chance, that is one in a
# season of 160 runs in 14 (chosen).
OUTLIER_SIGMA = 3.5
_OUTLIER_TAIL = float(special.ndtr(-OUTLIER_SIGMA))
# What is left of the variance of a normal distribution cut at ±OUTLIER_SIGMA.
_DENSITY = math.exp(-0.5 * OUTLIER_SIGMA**2) / math.sqrt(2.0 * math.pi)
_CUT_VARIANCE = 1.0 - 2.0 * OUTLIER_SIGMA * _DENSITY / (1.0 - 2.0 * _OUTLIER_TAIL)
# Wider than OUTLIER_SIGMA, for the first scatter is rough (chosen: what is kept too much goes in later turns).
_FIRST_SIGMA = 4.5


@dataclass(frozen=True)
class SoundRuns:
    """Which runs a robust fit rests on, and how far the sound ones scatter.

    Attributes
    ----------
    sound : (n,) booleans
        False for the outliers that were set aside.
    extra_variance : float
        Variance to be added to the runs' own, from the sound runs.
    degrees : float
        Degrees of freedom the scatter rests on.
    fit : GroupedFit
        In it outliers weigh next to nothing.
    """

    sound: NDArray[np.bool_]
    extra_variance: float
    degrees: float
    fit: GroupedFit


def fit_absolute(columns: Array, y: Array, group: Integers) -> GroupedFit:
    """Fit by least absolute residuals, which outliers hardly pull (reweighted least squares)."""
    variance = np.ones(len(y))
    residuals = residuals_of(columns, y, variance, group)
    for _ in range(30):
        size = np.abs(residuals)
        floor = 1e-2 * float(np.mean(size)) or 1.0
        before, variance = residuals, np.maximum(size, floor)
        residuals = residuals_of(columns, y, variance, group)
        if float(np.max(np.abs(residuals - before), initial=0.0)) < 0.02 * floor:
            break
    return fit_grouped(columns, y, variance, group)


def extra_variance(residuals: Array, known: Array, degrees: float) -> float:
    """Variance on top of ``known`` that brings chi-squared to ``degrees`` (Mandel & Paule 1970)."""

    def excess(extra: float) -> float:
        return float(np.sum(residuals**2 / (known + extra))) - degrees

    if degrees <= 0.0:
        return 0.0
    top = float(np.sum(residuals**2)) / degrees
    least = 1e-12 * max(top, 1e-300)
    if top == 0.0 or excess(least) <= 0.0:
        return 0.0
    return float(optimize.brentq(excess, least, top * (1.0 + 1e-9), rtol=1e-10))


def find_sound(season: Season, columns: Array, sound: NDArray[np.bool_] | None = None) -> SoundRuns:
    """Set outliers aside: runs more than 3.5 standard errors off the fit to all others.

    They are looked for twice: the second time beside the shifts of their nights, which else hide them.

    Parameters
    ----------
    season : Season
    columns : (n, p) array
        Of the model.
    sound : (n,) booleans, optional
        Where to start; by default from a fit of least absolute residuals.
    """
    first = _find_sound(season, columns, season.position, sound)
    shift = _night_shifts(season, first)
    if not np.any(shift):
        return first
    return _find_sound(season, columns, season.position - shift[season.block], first.sound)


def _night_shifts(season: Season, runs: SoundRuns) -> Array:
    """Shift of each night from the means of its sound residuals, drawn to zero as far as single runs scatter.

    The variances are those of an analysis of variance by nights.
    """
    count = np.bincount(season.block, runs.sound)
    off = np.where(runs.sound, runs.fit.residuals, 0.0)
    middle = np.bincount(season.block, off) / np.maximum(count, 1.0)
    free = runs.degrees - np.sum(count > 0) + 1.0
    between = np.sum(count > 0) - season.stretch[-1] - 1.0
    if free < 2.0 or between < 2.0:
        return np.zeros(len(count))
    single = float(np.sum(off**2) - np.sum(count * middle**2)) / free
    shift = (float(np.sum(count * middle**2)) / between - single) * np.sum(count > 0) / np.sum(count)
    return middle * count * shift / (count * shift + single) if shift > 0.0 else np.zeros(len(count))


def _find_sound(season: Season, columns: Array, y: Array, sound: NDArray[np.bool_] | None) -> SoundRuns:
    known, group = season.variance, season.stretch
    # of rounding, in the unit of the positions whatever it is
    floor = 1e-9 * float(np.ptp(y)) ** 2 or 1.0
    if sound is None:
        start = fit_absolute(columns, y, group)
        extra = max(robust_scatter(start.residuals) ** 2 * len(y) / max(len(y) - start.rank, 1), floor)
        sound = _recentre(start.residuals, extra + known, columns) ** 2 <= _FIRST_SIGMA**2 * (extra + known)
    else:
        extra = floor + float(np.median(known))
    seen: set[bytes] = set()
    while sound.tobytes() not in seen:
        seen.add(sound.tobytes())
        kept = sound
        for _ in range(2):
            own = np.maximum(known + extra, floor)
            # so large that an outlier bears on nothing else
            used = np.where(kept, own, 1e12 * float(np.max(own)))
            fit = fit_grouped(columns, y, used, group)
            degrees = float(np.sum(kept) - np.sum(fit.leverage[kept]))
            extra = extra_variance(fit.residuals[kept], known[kept], _CUT_VARIANCE * degrees)
        own = np.maximum(known + extra, floor)
        predicted = fit.leverage * used
        limit = -float(special.stdtrit(max(degrees, 1.0), _OUTLIER_TAIL))
        sound = fit.residuals**2 <= limit**2 * np.where(kept, own - predicted, own + predicted)
        # the only sound run of a filter fits exactly: nothing speaks against it
        sound |= kept & (fit.leverage > 1.0 - 1e-6)
    return SoundRuns(kept, extra, max(degrees, 0.0), fit)


def _recentre(residuals: Array, variance: Array, columns: Array) -> Array:
    """Shift the residuals of each filter to where most of its runs agree.

    Half a filter's runs may be outliers, and its median with them: the shift of least total cost, each
    run costing at most what an outlier does, is not misled.
    """
    left = residuals.copy()
    for column in columns.T:
        member = np.flatnonzero(column == 1.0)
        if len(member) < 3 or np.any((column != 0.0) & (column != 1.0)):
            continue
        own = left[member]
        shifts = np.append(np.quantile(own, np.linspace(0.0, 1.0, min(len(own), 60)), method="nearest"), 0.0)
        off = (own[:, None] - shifts) ** 2 / variance[member][:, None]
        cost = np.minimum(off, OUTLIER_SIGMA**2).sum(axis=0)
        if cost.min() < cost[-1] - OUTLIER_SIGMA**2:
            left[member] -= shifts[cost.argmin()]
    return left
