"""What to say of a season whose runs do not tell all: each doubt is a flag."""

from __future__ import annotations

import math

import numpy as np

from focuskit.drift.linear import Array, SoundRuns
from focuskit.drift.models import Groups, Season
from focuskit.drift.result import Drift

# An offset whose error is this many times what its runs alone would give hangs on the drift.
TIED = 2.0
MANY_WILD = 0.25
LEAST_SHARE = 0.15
# Fewer runs tell nothing of two groups; more are thinned out.
LEAST_RUNS, MOST_RUNS = 20, 1500
_TAKEN = {"own_coefficients": "filters_drift_apart", "bend": "drift_bends", "lag": "tube_lags",
          "night_shifts": "nights_shift"}  # fmt: skip


def flag_season(drift: Drift, season: Season, group: Groups, runs: SoundRuns, disputed: set[str | None]) -> list[str]:
    """Return the flags that a fitted season deserves."""
    raised = [_TAKEN[model.name] for model in drift.models if model.taken]
    wild = int(np.sum(~runs.sound))
    if wild:
        raised.append("wild_runs")
    if any(not rebuild.declared for rebuild in drift.rebuilds):
        raised.append("rebuild_found")
    if any(rebuild.jump_steps is None for rebuild in drift.rebuilds):
        raised.append("jump_unknown")
    if len(drift.used) <= drift.fit.rank:
        raised.append("too_few_runs")
    if drift.steps_per_c is None:
        raised.append("one_temperature")
    elif drift.steps_per_c_err is None or abs(drift.steps_per_c) < 2.0 * drift.steps_per_c_err:
        raised.append("drift_unproven")
    if any(one.runs == 1 for one in drift.filters) and len(drift.filters) > 1:
        raised.append("one_run_filter")
    if disputed:
        raised.append("filter_disputed")
    others = [one for one in drift.filters[1:] if one.filter not in disputed]
    if any(one.offset_steps is None for one in others):
        raised.append("offset_unknown")
    if drift.scatter_steps and any(_is_tied(drift, one.err, one.runs) for one in others):
        raised.append("offset_tied")
    if drift.tolerance_steps and drift.scatter_steps and drift.scatter_steps > drift.tolerance_steps:
        raised.append("scatter_over_tolerance")
    nights = int(season.night[-1]) + 1
    found = sum(not rebuild.declared for rebuild in drift.rebuilds)
    many = wild > MANY_WILD * len(runs.sound) or found > max(3, nights / 4)
    if len(drift.used) >= LEAST_RUNS and (many or _looks_mixed(drift, season, runs, group)):
        raised.append("mixed_runs")
    return raised


def _looks_mixed(drift: Drift, season: Season, runs: SoundRuns, group: Groups) -> bool:
    index = np.flatnonzero(runs.sound)
    index = index[np.linspace(0, len(index) - 1, min(len(index), MOST_RUNS)).astype(np.intp)]
    stretch = np.unique(group[index], return_inverse=True)[1]
    others = np.hstack([np.eye(stretch.max() + 1)[stretch], np.eye(season.filters)[season.filter_index[index]][:, 1:]])
    return is_two_groups(others, season.temperature_c[index] - drift.reference_c, season.position[index])


def _is_tied(drift: Drift, err: float | None, runs: int) -> bool:
    if err is None or drift.scatter_steps is None or runs == 0:
        return False
    reference = max(drift.filters[0].runs, 1)
    return err > TIED * drift.scatter_steps * math.sqrt(1.0 / runs + 1.0 / reference)


def is_two_groups(others: Array, warmth: Array, position: Array) -> bool:
    """Whether runs lie on two parallel lines rather than on one, as with two rigs or two sensors.

    A mixture of two fits a constant step apart is found by expectation and maximisation, started from
    several slopes, for a mixture hides the true one. It must beat the single fit by more than 20 in
    BIC, hold 15 % of the runs on each line, and have them two widths apart.

    Parameters
    ----------
    others : (n, p) array
        Columns besides the slope: bases and filters.
    warmth, position : (n,) arrays
    """
    n = len(position)
    columns = np.column_stack([others, warmth])
    solve, solve_others = np.linalg.pinv(columns), np.linalg.pinv(others)
    alone = float(np.mean((position - columns @ (solve @ position)) ** 2))
    left, turn = (values - others @ (solve_others @ values) for values in (position, warmth))
    if alone <= 1e-12 * float(np.var(position)) or float(np.std(turn)) <= 1e-9:
        return False
    reach = 3.0 * float(np.std(left) / np.std(turn))
    best, found = 0.0, False
    for slope in np.linspace(-reach, reach, 13):
        off = left - slope * turn
        member = (off > float(np.median(off))).astype(float)
        step, likelihood = 0.0, -math.inf
        for _ in range(80):
            for _ in range(3):
                shifted = position - member * step
                rest = position - columns @ (solve @ shifted)
                step = float(member @ rest) / max(float(member.sum()), 1e-9)
            share = min(max(float(member.mean()), 1e-6), 1.0 - 1e-6)
            width2 = float(np.sum((1.0 - member) * rest**2 + member * (rest - step) ** 2)) / n
            width2 = max(width2, 1e-12 * alone)
            near = (1.0 - share) * np.exp(-0.5 * rest**2 / width2)
            far = share * np.exp(-0.5 * (rest - step) ** 2 / width2)
            member = far / (near + far + 1e-300)
            before = likelihood
            likelihood = float(np.sum(np.log((near + far + 1e-300) / math.sqrt(width2))))
            if abs(likelihood - before) < 1e-6 * n:
                break
        gain = 2.0 * likelihood + n * (math.log(alone) + 1.0) - 2.0 * math.log(n)
        if gain > best:
            best = gain
            apart = abs(step) > 2.0 * math.sqrt(width2) and min(share, 1.0 - share) > LEAST_SHARE
            found = gain > 20.0 and apart
    return found
