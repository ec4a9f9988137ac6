"""Find rebuilds: jumps of the base that all later runs share.

With the drift and the offsets taken out, the runs of a season lie on a few level stretches, with wild
runs strewn in. The stretches of least cost are found exactly by dynamic programming over the levels
(after Fearnhead & Rigaill 2019, J. Am. Stat. Assoc. 114, 169): a run costs its squared residual, at
most what a wild run costs; a new stretch costs a penalty. Drift and offsets are then fitted anew, and
so on. In the end every rebuild has to stand up in the joint fit, and no place may be left where one
more would pay.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from focuskit.drift.linear import WILD_SIGMA, Array, GroupedFit, SoundRuns, find_sound, fit_absolute, robust_scale
from focuskit.drift.night_shifts import sum_nights

Groups = NDArray[np.intp]
# One and a half wild runs: no single run, and no three wild runs in a row, are worth a rebuild.
LEAST_PENALTY = 1.5 * WILD_SIGMA**2
# Two runs that agree may both be wild.
LEAST_RUNS = 3
_MOST_LEVELS = 4000
# In a longer book no single stretch or filter hangs on few runs: it need not be tried without, and the
# search for sound runs may start from the runs near their stretch's median.
_SHORT_BOOK = 5000
_MOST_TURNS = 6
# Differences of runs that the first guess of drift and offsets rests on, at most.
_MOST_PAIRS = 20000


@dataclass(frozen=True)
class Stretches:
    """The runs of a season, in order of time, cut where the base was rebuilt.

    Attributes
    ----------
    group : (n,) integers
        Number of the stretch each run lies on.
    runs : SoundRuns
    gains : dict
        First run after each rebuild found: gain in -2 log likelihood by it.
    """

    group: Groups
    runs: SoundRuns
    gains: dict[int, float]

    @property
    def starts(self) -> list[int]:
        """Index of the first run after each rebuild."""
        return [int(i) for i in np.flatnonzero(np.diff(self.group)) + 1]


def penalty(n: int, degrees: float) -> float:
    """Return the squared t a jump must reach: three log n, as strict where the degrees are few."""
    wanted = max(3.0 * math.log(max(n, 2)), LEAST_PENALTY)
    tail = stats.chi2.sf(wanted, 1) / 2.0
    return float(stats.t.isf(tail, max(degrees, 1.0))) ** 2


def find_rebuilds(
    columns: Array, y: Array, known: Array, night: Groups, declared: Groups, search: bool = True
) -> Stretches:
    """Cut a season into stretches between rebuilds.

    Parameters
    ----------
    columns, y, known
        As for `focuskit.linear.find_sound`, in order of time.
    night : (n,) integers
        Number of the night of each run, ascending.
    declared : integers
        Index of the first run after each rebuild that is known.
    search : bool
        Whether to look for more.
    """
    n, p = columns.shape
    declared = declared[(declared > 0) & (declared < n)]
    group = _groups(n, declared)
    if not search or n < p + 6:
        return Stretches(group, find_sound(columns, y, known, group), {})
    coefficients, variance = _start(columns, y, known, night)
    wild_cost = WILD_SIGMA**2
    before = None
    for _ in range(_MOST_TURNS if n <= _SHORT_BOOK else 2):
        if before is not None and np.array_equal(group, before):
            break
        before = group
        level = y - columns @ coefficients
        between = _night_variance(level, variance, night)
        starts = _level_stretches(level, variance + between, penalty(n, n - p), wild_cost, declared)
        group = _groups(n, starts)
        near = None if n <= _SHORT_BOOK else _near_level(level, variance, group)
        runs = find_sound(columns, y, known, group, near)
        group = _place(group, runs, y, columns, known, night, declared)
        coefficients = runs.fit.coefficients
        variance = np.maximum(known + runs.extra_variance, 1e-12)
        wild_cost = _wild_cost(runs)
    return _judge(group, columns, y, known, night, declared, runs.sound)


def _groups(n: int, starts: Groups) -> Groups:
    """Number the stretches that begin at ``starts``."""
    marks = np.zeros(n, dtype=np.intp)
    marks[starts] = 1
    return np.cumsum(marks)


def _blocks(night: Groups, group: Groups) -> Groups:
    """Number the nights, cut where a stretch ends within one."""
    return np.cumsum(np.r_[0, (np.diff(night) != 0) | (np.diff(group) != 0)])


def _start(columns: Array, y: Array, known: Array, night: Groups) -> tuple[Array, Array]:
    """Drift and offsets from the differences of runs up to three apart, in which a base cancels.

    Returns the coefficients and the variance of each run.
    """
    earlier = np.concatenate([np.arange(len(y) - lag) for lag in (1, 2, 3)])
    later = np.concatenate([np.arange(lag, len(y)) for lag in (1, 2, 3)])
    thin = np.linspace(0, len(later) - 1, min(len(later), _MOST_PAIRS)).astype(np.intp)
    earlier, later = earlier[thin], later[thin]
    steps = fit_absolute(columns[later] - columns[earlier], y[later] - y[earlier], np.zeros_like(later))
    within = night[later] == night[earlier]
    of = steps.residuals[within] if np.sum(within) >= 8 else steps.residuals
    scatter = robust_scale(of, steps.rank * len(of) / len(later)) ** 2 / 2.0
    variance = np.maximum(scatter, known + 1e-12)
    return steps.coefficients, variance


def _night_variance(level: Array, variance: Array, night: Groups) -> float:
    """Variance of the shifts from night to night, from the changes between successive nights' medians.

    A rebuild touches one change only, so it hardly counts. Zero where fewer than six nights or no
    two runs a night can tell.
    """
    cuts = np.flatnonzero(np.diff(night)) + 1
    nights = np.split(level, cuts)
    if len(nights) < 6 or len(level) < 2 * len(nights):
        return 0.0
    # the median of m normal values has π/2 of the variance of their mean, for m above two
    own = [float(np.mean(part)) for part in np.split(variance, cuts)]
    expected = np.array(
        [v / len(part) * (math.pi / 2.0 if len(part) > 2 else 1.0) for v, part in zip(own, nights, strict=True)]
    )
    change = np.diff([float(np.median(part)) for part in nights])
    both = expected[1:] + expected[:-1]
    excess = robust_scale(change / np.sqrt(both)) ** 2 - 1.0
    return max(0.0, excess * float(np.median(both)) / 2.0)


def _near_level(level: Array, variance: Array, group: Groups) -> NDArray[np.bool_]:
    cuts = np.flatnonzero(np.diff(group)) + 1
    middle = np.array([float(np.median(part)) for part in np.split(level, cuts)])
    near: NDArray[np.bool_] = (level - middle[group]) ** 2 <= 4.5**2 * variance
    return near


def _wild_cost(runs: SoundRuns) -> float:
    """What a wild run costs: the less, the more of them there are and the closer they lie."""
    wild = int(np.sum(~runs.sound))
    if wild == 0 or runs.extra_variance <= 0.0:
        return WILD_SIGMA**2
    width = 2.0 * float(np.mean(np.abs(runs.fit.residuals[~runs.sound])))
    odds = (len(runs.sound) - wild) / wild
    cost = 2.0 * math.log(max(odds * width / math.sqrt(2.0 * math.pi * runs.extra_variance), 1.0))
    return min(max(cost, WILD_SIGMA**2 / 2.0), WILD_SIGMA**2)


def _level_stretches(level: Array, variance: Array, jump_cost: float, wild_cost: float, declared: Groups) -> Groups:
    """Return where the stretches begin whose total cost is least."""
    n = len(level)
    spacing = 0.5 * math.sqrt(float(np.median(variance)))
    bins, count = np.unique(np.round(level / spacing), return_counts=True)
    if len(bins) > _MOST_LEVELS:
        bins = bins[count > 1]
    levels = bins * spacing
    cost = np.zeros(len(levels))
    from_level = np.zeros(n, dtype=np.intp)
    jumped = np.zeros((n, (len(levels) + 7) // 8), dtype=np.uint8)
    free = np.zeros(n, dtype=bool)
    free[declared] = True
    for i in range(n):
        if i:
            from_level[i] = cost.argmin()
            bar = cost[from_level[i]] + (0.0 if free[i] else jump_cost)
            jumped[i] = np.packbits(cost > bar)
            cost = np.minimum(cost, bar)
        cost = cost + np.minimum((level[i] - levels) ** 2 / variance[i], wild_cost)
    starts = set(declared.tolist())
    at = int(cost.argmin())
    for i in range(n - 1, 0, -1):
        if jumped[i, at // 8] >> (7 - at % 8) & 1:
            starts.add(i)
            at = int(from_level[i])
        elif free[i]:
            at = int(from_level[i])
    return np.array(sorted(starts), dtype=np.intp)


def _place(
    group: Groups, runs: SoundRuns, y: Array, columns: Array, known: Array, night: Groups, declared: Groups
) -> Groups:
    """Move each start to where the runs around it agree best; drop stretches of too few sound runs.

    A wild run between two stretches counts as the last of the earlier. Between two nights a rebuild
    is taken to be e² times as likely as between two runs of one night.
    """
    n = len(y)
    level = y - columns @ runs.fit.coefficients
    variance = np.maximum(known + runs.extra_variance, 1e-12)
    starts = [int(i) for i in np.flatnonzero(np.diff(group)) + 1]
    edges = [0, *starts, n]
    placed = set(declared.tolist())
    for i, start in enumerate(starts):
        if start in placed:
            continue
        low, high = max(edges[i] + 1, start - 10), min(edges[i + 2] - 1, start + 10)
        off = (level[low:high, None] - runs.fit.bases[i : i + 2]) ** 2 / variance[low:high, None]
        earlier, later = np.minimum(off, WILD_SIGMA**2).T
        cost = np.r_[0.0, np.cumsum(earlier)] + np.r_[np.cumsum(later[::-1])[::-1], 0.0]
        cost += 4.0 * (np.diff(night)[low - 1 : high] == 0)
        placed.add(high - int(np.argmin(cost[::-1])))
    kept = sorted(placed)
    while kept:
        count = np.bincount(_groups(n, np.array(kept)), runs.sound)
        short = int(count.argmin())
        sides = [i for i in (short - 1, short) if 0 <= i < len(kept) and kept[i] not in declared]
        if count[short] >= LEAST_RUNS or not sides:
            break
        level_of = [float(np.median(part)) for part in np.split(level, kept)]
        kept.pop(min(sides, key=lambda i: abs(level_of[i + 1] - level_of[i])))
    return _groups(n, np.array(kept, dtype=np.intp))


def jump(fit: GroupedFit, stretch: int) -> tuple[float, float]:
    """Value and variance of the jump of the base before ``stretch``; NaN where not determined."""
    bases = np.zeros(len(fit.bases))
    bases[stretch], bases[stretch - 1] = 1.0, -1.0
    return fit.contrast(np.zeros(len(fit.coefficients)), bases)


def _judge(
    group: Groups,
    columns: Array,
    y: Array,
    known: Array,
    night: Groups,
    declared: Groups,
    near: NDArray[np.bool_],
) -> Stretches:
    """Drop rebuilds that the joint fit does not bear out, add any that it asks for.

    With and without a rebuild, the shifts from night to night are as large as is most likely, so
    that a restless season is not taken for many rebuilds.
    """
    n = len(y)
    seen: set[bytes] = set()
    while True:
        runs = find_sound(columns, y, known, group, None if n <= _SHORT_BOOK else near)
        moved = _place(group, runs, y, columns, known, night, declared)
        if moved.tobytes() not in seen and np.any(moved != group):
            seen.add(moved.tobytes())
            group = moved
            continue
        variance = np.maximum(known + runs.extra_variance, 1e-12)
        limit = penalty(n, runs.degrees)

        starts = np.flatnonzero(np.diff(group)) + 1
        sums = sum_nights(columns, y, variance, runs.sound, night, group)
        between, with_all = sums.best_shift()
        gains = {}
        for i, start in enumerate(starts, 1):
            if start not in declared:
                joined = np.where(sums.group >= i, sums.group - 1, sums.group)
                # in a long book the other nights have settled how far nights shift
                without = sums.deviance(between, joined) if n > _SHORT_BOOK else sums.best_shift(joined)[1]
                gains[int(start)] = without - with_all
        weakest = min(gains, key=lambda start: gains[start], default=None)
        if weakest is not None and gains[weakest] < limit:
            group = _groups(n, starts[starts != weakest])
            continue
        if n <= _SHORT_BOOK:
            ours = _cost(runs, variance) + limit
            others = [_groups(n, starts[starts != start]) for start in gains]
            costs = [_cost(find_sound(columns, y, known, other), variance) for other in others]
            if costs and min(costs) < ours:
                group = others[int(np.argmin(costs))]
                continue
        if group.tobytes() in seen:
            return Stretches(group, runs, gains)
        seen.add(group.tobytes())
        places = {_best_split(runs.fit, columns, variance, runs.sound, group, night, b) for b in {0.0, between}}
        finds = {}
        for place in places - {0}:
            cut = _groups(n, np.append(starts, place))
            sums = sum_nights(columns, y, variance, runs.sound, night, cut)
            joined = np.where(sums.group >= cut[place], sums.group - 1, sums.group)
            finds[place] = sums.best_shift(joined)[1] - sums.best_shift()[1]
        best = max(finds, key=lambda place: finds[place], default=0)
        if not finds or finds[best] < limit:
            return Stretches(group, runs, gains)
        group = _groups(n, np.append(starts, best))


def _cost(runs: SoundRuns, variance: Array) -> float:
    """Sum of squared residuals over their variances, a wild run counting as at most that."""
    return float(np.sum(np.minimum(runs.fit.residuals**2 / variance, WILD_SIGMA**2)))


def _best_split(
    fit: GroupedFit,
    columns: Array,
    variance: Array,
    sound: NDArray[np.bool_],
    group: Groups,
    night: Groups,
    between: float,
) -> int:
    """Return the first run after the one further rebuild that would pay most; 0 if there is no place.

    With shifts from night to night, only the starts of nights are looked at.
    """
    block = _blocks(night, group)
    weight = np.where(sound, 1.0 / variance, 0.0)
    weight = weight / (1.0 + between * np.bincount(block, weight)[block])
    off = columns - fit.centre[group]
    rows = np.column_stack([weight, weight * fit.residuals, sound, weight[:, None] * off])
    total = np.cumsum(rows[::-1], axis=0)[::-1]
    ends = np.append(np.flatnonzero(np.diff(group)) + 1, len(group))
    after = total - np.vstack([total, np.zeros(rows.shape[1])])[ends][group]
    all_weight = np.bincount(group, weight)[group]
    own = after[:, 0] - after[:, 0] ** 2 / all_weight
    spread = own - np.einsum("ij,jk,ik->i", after[:, 3:], fit.covariance, after[:, 3:])
    may = np.r_[False, np.diff(group) == 0] & sound & (spread > 1e-6 * after[:, 0])
    may &= (after[:, 2] >= LEAST_RUNS) & (np.bincount(group, sound)[group] - after[:, 2] >= LEAST_RUNS)
    if between > 0.0:
        may &= np.r_[False, np.diff(block) != 0]
    gain = np.where(may, after[:, 1] ** 2 / np.where(may, spread, 1.0), 0.0)
    return int(gain.argmax()) if np.any(may) else 0
