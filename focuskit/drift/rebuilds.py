"""Find rebuilds: jumps of the base that all later runs share.

With the drift and the offsets taken out, the runs of a season lie on a few level stretches, with
outliers strewn in. The stretches of least cost are found exactly by dynamic programming over the levels
(after Fearnhead & Rigaill 2019, J. Am. Stat. Assoc. 114, 169): a run costs its squared residual, at
most what an outlier costs; a new stretch costs a penalty. Drift and offsets are then fitted again, and
so on. In the end every rebuild has to stand up in the joint fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from focuskit.core.statistics import robust_scatter
from focuskit.drift.linear import Array, Integers
from focuskit.drift.outliers import OUTLIER_SIGMA, SoundRuns, find_sound, fit_absolute
from focuskit.drift.scatter import likely_shift
from focuskit.drift.season import Season

OUTLIER_COST = OUTLIER_SIGMA**2
# One and a half outliers: no single run, and no three outliers in a row, are worth a rebuild.
SMALLEST_PENALTY = 1.5 * OUTLIER_COST
# Two runs that agree may both be outliers.
FEWEST_RUNS = 3
# Between two nights a rebuild is taken to be e² times as likely as between two runs of one night (chosen:
# the camera is rarely taken off amid a night), which counts twice in -2 log likelihood.
_AMID_NIGHT = 4.0
# Levels of half a standard deviation; beyond so many only those on which two runs lie: a bound of the cost.
_MOST_LEVELS = 4000
# Turns of levels and fit: two or three suffice, the limit only ends a cycle.
_MOST_TURNS = 6


@dataclass(frozen=True)
class Stretches:
    """A season cut where the base was rebuilt.

    Attributes
    ----------
    season : Season
        Its ``stretch`` says on which stretch each run lies.
    runs : SoundRuns
    gains : dict
        First run after each rebuild found: gain in -2 log likelihood by it.
    """

    season: Season
    runs: SoundRuns
    gains: dict[int, float]


def penalty(n: int, degrees: float) -> float:
    """Return the squared t a jump must reach: three log n, as strict where the degrees are few.

    Three log n is the cost of a change in the modified BIC (Zhang & Siegmund 2007, Biometrics 63, 22; from
    memory): a jump has a height, and its place is the best of n.
    """
    wanted = max(3.0 * math.log(max(n, 2)), SMALLEST_PENALTY)
    tail = stats.chi2.sf(wanted, 1) / 2.0
    return float(stats.t.isf(tail, max(degrees, 1.0))) ** 2


def find_rebuilds(season: Season, columns: Array, declared: Integers, search: bool = True) -> Stretches:
    """Cut a season into stretches between rebuilds.

    Parameters
    ----------
    season : Season
    columns : (n, p) array
        Of the plain model, see `columns_of`.
    declared : integers
        Index of the first run after each rebuild that is known.
    search : bool
        Whether to look for more.
    """
    n, p = columns.shape
    declared = declared[(declared > 0) & (declared < n)]
    season = season.cut(declared)
    if not search or n < p + 6:
        return Stretches(season, find_sound(season, columns), {})
    toll = penalty(n, n - p) + _AMID_NIGHT * (np.diff(season.night, prepend=-1) == 0)
    toll[declared] = 0.0
    coefficients, variance = _first_guess(season, columns)
    for _ in range(_MOST_TURNS):
        before = season.stretch
        level = season.position - columns @ coefficients
        season = season.cut(cheapest_starts(level, variance, toll))
        runs = find_sound(season, columns)
        if np.array_equal(season.stretch, before):
            break
        coefficients = runs.fit.coefficients
        variance = np.maximum(season.variance + runs.extra_variance, 1e-12)
    return _judge(season, columns, declared)


def _first_guess(season: Season, columns: Array) -> tuple[Array, Array]:
    """Drift and offsets from the differences of runs up to three apart, in which a base cancels.

    Returns the coefficients and the variance of each run.
    """
    n = len(columns)
    earlier = np.concatenate([np.arange(n - lag) for lag in (1, 2, 3)])
    later = np.concatenate([np.arange(lag, n) for lag in (1, 2, 3)])
    change = season.position[later] - season.position[earlier]
    steps = fit_absolute(columns[later] - columns[earlier], change, np.zeros_like(later))
    within = season.night[later] == season.night[earlier]
    residuals = steps.residuals[within] if np.sum(within) >= 8 else steps.residuals
    scatter = robust_scatter(residuals) ** 2 / 2.0 * len(later) / max(len(later) - steps.rank, 1)
    return steps.coefficients, np.maximum(scatter, season.variance + 1e-12)


def cheapest_starts(level: Array, variance: Array, toll: Array) -> list[int]:
    """Return where the level stretches begin whose total cost is least.

    Parameters
    ----------
    level, variance : (n,) arrays
    toll : (n,) array
        What it costs to begin a stretch with each run. Where that is nothing, one begins.
    """
    n = len(level)
    spacing = 0.5 * math.sqrt(float(np.median(variance)))
    bins, count = np.unique(np.round(level / spacing), return_counts=True)
    levels = (bins[count > 1] if len(bins) > _MOST_LEVELS else bins) * spacing
    cost = np.minimum((level[0] - levels) ** 2 / variance[0], OUTLIER_COST)
    cheapest = np.zeros(n, dtype=np.intp)
    jumped = np.zeros((n, len(levels)), dtype=bool)
    for i in range(1, n):
        cheapest[i] = cost.argmin()
        bar = cost[cheapest[i]] + toll[i]
        # at a draw an outlier between two stretches counts as the last of the earlier
        jumped[i] = cost >= bar - 1e-9
        cost = np.minimum(cost, bar) + np.minimum((level[i] - levels) ** 2 / variance[i], OUTLIER_COST)
    starts = []
    at = int(cost.argmin())
    for i in range(n - 1, 0, -1):
        if jumped[i, at]:
            starts.append(i)
            at = int(cheapest[i])
    return starts[::-1]


def _judge(season: Season, columns: Array, declared: Integers) -> Stretches:
    """Drop rebuilds, the weakest first, until the joint fit bears out all that are left."""
    while True:
        runs = find_sound(season, columns)
        gains = {start: _gain(season, columns, runs, start) for start in season.starts if start not in declared}
        weakest = min(gains, key=lambda start: gains[start], default=None)
        if weakest is None or gains[weakest] >= penalty(len(columns), runs.degrees):
            return Stretches(season, runs, gains)
        season = season.cut([start for start in season.starts if start != weakest])


def _gain(season: Season, columns: Array, runs: SoundRuns, start: int) -> float:
    """Gain in -2 log likelihood by the rebuild before the run ``start``.

    With and without it, the shifts from night to night are as large as is most likely, so that a
    restless season is not taken for many rebuilds. There is no gain by a stretch of too few sound runs.
    """
    after = season.stretch[start]
    if np.bincount(season.stretch, runs.sound)[[after - 1, after]].min() < FEWEST_RUNS:
        return 0.0
    sound, columns, extra = season.only(runs.sound), columns[runs.sound], runs.extra_variance
    without = season.cut([other for other in season.starts if other != start]).only(runs.sound)
    return likely_shift(without, columns, extra).deviance - likely_shift(sound, columns, extra).deviance
