"""Find rebuilds: jumps of the base that all later runs share.

With the drift and the offsets taken out, the runs of a season lie on a few level stretches, with
outliers strewn in. The stretches of least cost are found exactly by dynamic programming over the levels
(after Fearnhead & Rigaill 2019, J. Am. Stat. Assoc. 114, 169): a run costs its squared residual, at
most what an outlier costs; a new stretch costs a penalty. Drift and offsets are then fitted again, and
so on. In the end every rebuild has to stand up in the joint fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from focuskit.core.statistics import chi2_chance, robust_scatter
from focuskit.drift.linear import Array, Integers
from focuskit.drift.outliers import OUTLIER_SIGMA, SoundRuns, find_sound, fit_absolute
from focuskit.drift.scatter import SHIFT_RATIOS, highest, likely_walk, run_variance, try_shifts
from focuskit.drift.season import Season

OUTLIER_COST = OUTLIER_SIGMA**2
# One and a half outliers: no single run, and no three outliers in a row, are worth a rebuild.
SMALLEST_PENALTY = 1.5 * OUTLIER_COST
# Two runs that agree may both be outliers.
FEWEST_RUNS = 3
# Between two nights a rebuild is taken to be e² times as likely as between two runs of one night (chosen:
# the camera is rarely taken off amid a night), which counts twice in -2 log likelihood.
_AMID_NIGHT = 4.0
# A gap is long from this part of the season on (chosen: four nights of one distance have shorter ones).
LONG_GAP = 0.4
# Levels of half a standard deviation; beyond so many only those on which two runs lie: a bound of the cost.
_MOST_LEVELS = 4000
# Prior of a jump: normal with this standard deviation, in scatters of a typical run (chosen: jumps of 45 to 200 steps
# at a scatter of 3 are 15 to 70; fits of twice the width weigh half).
STEP_WIDTH = 30.0
# The middles of fewer nights do not show how far these shift, should one of them follow a rebuild (chosen).
_FEW_NIGHTS = 5
# Fewer pairs within nights do not give drift and scatter (chosen).
_FEWEST_PAIRS = 8
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
    open_gap : int or None
        First run after a long gap in which no rebuild was found: the runs may not show it.
    """

    season: Season
    runs: SoundRuns
    gains: dict[int, float]
    open_gap: int | None = None


def penalty(n: int, degrees: float, is_long: bool = False) -> float:
    """Return the squared t a jump must reach: three log n, as strict where the degrees are few.

    Three log n is the cost of a change in the modified BIC (Zhang & Siegmund 2007, Biometrics 63, 22; from
    memory): a jump has a height, and its place is the best of n. In a gap that takes up much of the season
    a rebuild is taken to be as likely as not: there its height alone costs, log n (Schwarz 1978, Ann. Stat. 6, 461).
    """
    wanted = max(3.0 * math.log(max(n, 2)), SMALLEST_PENALTY)
    if is_long:
        wanted = math.log(n)
    tail = chi2_chance(wanted, 1) / 2.0
    return float(stdtrit(max(degrees, 1.0), tail)) ** 2


def toll_of(season: Season, start: int, degrees: float) -> float:
    """Return what a rebuild before a run must gain."""
    return penalty(len(season.time_s), degrees, _is_long(season, start))


def _is_long(season: Season, start: int) -> bool:
    """Whether the gap before a run takes up a large part of the season."""
    span = max(float(season.time_s[-1] - season.time_s[0]), 1.0)
    return float(season.time_s[start] - season.time_s[start - 1]) >= LONG_GAP * span


def find_rebuilds(
    season: Season, columns: Array, declared: Integers, search: bool = True, rivals: Array | None = None
) -> Stretches:
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
    rivals : (n, q) array, optional
        Columns of what the season may show instead: a rebuild must be needed even with them in the fit.
    """
    n, p = columns.shape
    declared = declared[(declared > 0) & (declared < n)]
    season = season.cut(declared)
    if not search or n < p + 6:
        return Stretches(season, find_sound(season, columns), {})
    toll = penalty(n, n - p) + _AMID_NIGHT * (np.diff(season.night, prepend=-1) == 0)
    toll[declared] = 0.0
    # a rebuild in a long gap is always a question for the joint fit
    gap = int(np.argmax(np.diff(season.time_s))) + 1
    is_long = _is_long(season, gap)
    found = {*declared.tolist(), *([gap] if is_long else [])}
    for within in _pairs(season):
        found |= set(_search(season, columns, toll, *_first_guess(season, columns, within)).tolist())
    wide = columns if rivals is None else np.column_stack([columns, rivals])
    judged = _judge(season.cut(sorted(found)), columns, declared, wide)
    return replace(judged, open_gap=gap if is_long and gap not in judged.season.starts else None)


def _pairs(season: Season) -> tuple[bool, ...]:
    """Whether to start from pairs of runs within nights, of any nights, or from both in turn.

    A rebuild between a warm and a cold part of the season misleads pairs across it. Those within nights are free
    of it, but say little of the drift where nights are steady: there its error over the whole range of temperatures
    may be above three times the scatter of a run (chosen).
    """
    count = np.bincount(season.block)
    mean = np.bincount(season.block, season.temperature_c) / count
    inside = float(np.sum((season.temperature_c - mean[season.block]) ** 2))
    if np.sum(count - 1) < _FEWEST_PAIRS or inside == 0.0:
        return (False,)
    return (True,) if float(np.ptp(season.temperature_c)) ** 2 < 9.0 * inside else (True, False)


def _search(
    season: Season, columns: Array, toll: Array, coefficients: Array, variance: Array, shift: float
) -> Integers:
    """Return where stretches begin, by turns of levels and fit."""
    for _ in range(_MOST_TURNS):
        before = season.stretch
        level = season.position - columns @ coefficients
        season = season.cut(cheapest_starts(level, variance, toll))
        if np.array_equal(season.stretch, before):
            break
        runs = find_sound(season, columns)
        coefficients = runs.fit.coefficients
        variance = season.variance + runs.extra_variance + shift
        variance = np.maximum(variance, 1e-12 * float(variance.max()))
    return np.array(season.starts, dtype=np.intp)


def _first_guess(season: Season, columns: Array, within: bool) -> tuple[Array, Array, float]:
    """Drift and offsets from the differences of runs up to three apart, in which a base cancels.

    Returns the coefficients, the variance of each run, and what of it are shifts from night to night: without
    them each night of a restless season would be a stretch.
    """
    n = len(columns)
    earlier = np.concatenate([np.arange(n - lag) for lag in (1, 2, 3)])
    later = np.concatenate([np.arange(lag, n) for lag in (1, 2, 3)])
    same = season.block[later] == season.block[earlier]
    if within:
        earlier, later, same = earlier[same], later[same], same[same]
    change = season.position[later] - season.position[earlier]
    steps = fit_absolute(columns[later] - columns[earlier], change, np.zeros_like(later))
    residuals = steps.residuals[same] if np.sum(same) >= _FEWEST_PAIRS else steps.residuals
    scatter = robust_scatter(residuals) ** 2 / 2.0 * len(later) / max(len(later) - steps.rank, 1)
    level = season.position - columns @ steps.coefficients
    middle = np.array([np.median(part) for part in np.split(level, np.flatnonzero(np.diff(season.block)) + 1)])
    shift = 0.5 * robust_scatter(np.diff(middle)) ** 2 if len(middle) > _FEW_NIGHTS else 0.0
    return steps.coefficients, np.maximum(scatter, season.variance + 1e-12 * scatter) + shift, shift


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


def _judge(season: Season, columns: Array, declared: Integers, wide: Array) -> Stretches:
    """Drop rebuilds, the weakest first, until the joint fit bears out all that are left."""
    while True:
        runs = find_sound(season, columns)
        found = [start for start in season.starts if start not in declared]
        # with a bend in the fit, the temperatures on both sides of a long gap hardly show a jump in it
        in_gap = [start for start in found if _is_long(season, start)]
        others = gains_of(season, wide, runs, [start for start in found if start not in in_gap])
        gains, odds = (a | b for a, b in zip(others, gains_of(season, columns, runs, in_gap), strict=True))
        excess = {at: min(gain - toll_of(season, at, runs.degrees), odds[at]) for at, gain in gains.items()}
        weakest = min(excess, key=lambda start: excess[start], default=None)
        if weakest is None or excess[weakest] >= 0.0:
            return Stretches(season, runs, gains)
        season = season.cut([start for start in season.starts if start != weakest])


def gains_of(
    season: Season, columns: Array, runs: SoundRuns, starts: list[int]
) -> tuple[dict[int, float], dict[int, float]]:
    """Gain in -2 log likelihood by each rebuild before a run of ``starts``, and twice the log of the odds for it.

    With and without it, the shifts from night to night are as large as is most likely, so that a
    restless season is not taken for many rebuilds; the variance of single runs is that with all. There is no
    gain by a stretch of too few sound runs. The odds are those of the restricted likelihood: with few nights the
    likeliest shifts are too small once there is a rebuild, and the gain is too large. A priori a rebuild has the odds
    of 1 to n² for n runs (as in `penalty`), in a long gap even odds.
    """
    if not starts:
        return {}, {}
    sound, columns = season.only(runs.sound), columns[runs.sound]
    variance = sound.variance + run_variance(sound, columns)
    variance = variance if np.all(variance > 0.0) else np.ones(len(variance))
    count = np.bincount(season.stretch, runs.sound)
    best = highest(sound, columns, variance, walk=likely_walk(sound, columns, variance))
    variance, walk = variance * best.scale, best.walk * best.scale
    shifts = np.median(variance) * SHIFT_RATIOS**2

    def costs(of: Season) -> Array:
        trials = try_shifts(of, columns, variance, shifts, scale=1.0, walk=walk)
        return np.array([min(one.deviance for one in trials), min(one.restricted for one in trials)])

    with_all = costs(sound)
    gains: dict[int, float] = {}
    odds: dict[int, float] = {}
    for start in starts:
        after = season.stretch[start]
        without = season.cut([other for other in season.starts if other != start]).only(runs.sound)
        few = count[[after - 1, after]].min() < FEWEST_RUNS
        gains[start], restricted = (0.0, 0.0) if few else (costs(without) - with_all).tolist()
        prior = 0.0 if _is_long(season, start) else 2.0 * math.log(len(season.time_s))
        odds[start] = restricted - math.log(STEP_WIDTH**2 * float(np.median(variance))) - prior
    return gains, odds
