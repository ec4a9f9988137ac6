"""What to say of a season whose runs do not tell all: each doubt is a flag."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from focuskit.core.statistics import SEEN_SIGMA, as_sigma, chi2_chance
from focuskit.drift.linear import Array
from focuskit.drift.rebuilds import LONG_GAP
from focuskit.drift.result import Drift
from focuskit.drift.scatter import average_shifts, highest
from focuskit.drift.season import Season, Terms, between_nights, by_stretch, columns_of, rounding_c

# An offset whose error is this many times what its runs alone would give hangs on the drift (chosen).
TIED = 2.0
# Of the runs; by chance it is 1 in 2150, and the simulated seasons have 15 % at most (chosen beyond that).
MANY_OUTLIERS = 0.25
# A smaller group than this share of the runs is a matter of outliers (chosen).
SMALLEST_SHARE = 0.15
# In BIC, whose 10 is very strong evidence (Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773; from memory): twice that.
TWO_GROUPS_GAIN = 20.0
# Fewer runs do not show two groups, more cost time: of them every second, third … is looked at.
FEWEST_RUNS, MOST_RUNS = 20, 1500
# Fewer free nights, less one a stretch, do not tell how far nights shift: the prior is in the errors (chosen; with
# four the coverage of two errors no longer hangs on it by more than 3 %).
FEWEST_SHIFTS = 4
# Posterior probability of a walk; chosen: the usual bound of 95 %.
WALK_IS_SHOWN = 0.95
# A long gap carries the drift where a jump in it would leave the drift known to this many times its error (chosen).
GAP_CARRIES = 3.0
# The squares of residuals have longer tails than the law assumes: of 300 plain seasons (20 nights of 8 runs, seeds 0 to
# 299) 17 reach 2, two reach 3, one reaches this, with 4.02, where the law has 14, 1 and none (chosen).
FAN_SIGMA = 4.0
_TAKEN = {"own_coefficients": "filters_drift_apart", "bend": "drift_bends", "lag": "tube_lags",
          "creep": "focus_creeps", "slip": "focus_creeps",
          "night_shifts": "nights_shift"}  # fmt: skip


def flag_slopes(drift: Drift, season: Season, terms: Terms) -> list[str]:
    """Return the flags of a drift that is not one: it changed at a rebuild, or within nights it is another.

    Errors of the temperatures and a tube that lags draw the slope within nights to zero, not that between them
    (a test for random effects: Hausman 1978, Econometrica 46, 1251; Mundlak 1978, Econometrica 46, 69).

    Parameters
    ----------
    season : Season
        Of the sound runs; its variances are those of single runs, scatter included.
    terms : Terms
        Of the model.
    """
    columns = columns_of(season, terms.chosen)
    place = season.filters - 1
    warmth, stretches, nights = columns[:, place], season.stretch[-1] + 1, season.block[-1] + 1
    if drift.steps_per_c_err is None or len(columns) <= columns.shape[1] + stretches + 1:
        return []
    p, noise_c2 = columns.shape[1], rounding_c(season.temperature_c) ** 2 / 12.0

    def significances(more: Array) -> list[float]:
        fit = average_shifts(season, np.column_stack([columns, more]), season.variance, noise_c2=noise_c2)
        each = np.eye(len(fit.likely.coefficients))[p:]
        return [fit.significance(one) for one in each]

    enough = nights - stretches >= FEWEST_SHIFTS
    differ = max(significances(between_nights(season, warmth))) if enough else 0.0
    changes = significances(by_stretch(season, warmth)) if stretches > 1 else []
    # the largest of several is larger by chance: a threshold of SEEN_SIGMA for all together
    needed = as_sigma(2.0 * float(ndtr(-SEEN_SIGMA)) / max(len(changes), 1))
    raised = {
        "slopes_differ": differ > SEEN_SIGMA,
        "drift_changed": max(changes, default=0.0) > needed,
        "drift_across_gap": _hangs_on_gap(season, columns),
        "mixed_runs": _fans_out(drift.residuals_steps, season, warmth),
    }
    return [name for name, is_so in raised.items() if is_so]


def _fans_out(residuals: Array, season: Season, warmth: Array) -> bool:
    """Whether the scatter within nights changes with the temperature, as of two rigs with drifts of their own.

    The score test of Breusch & Pagan 1979, Econometrica 47, 1287, as Koenker 1981, J. Econometrics 17, 107, has it
    (both from memory): n R² of the squares on temperature and its square is chi-squared with two degrees.
    """
    if len(residuals) < FEWEST_RUNS:
        return False
    squares = (residuals - between_nights(season, residuals)) ** 2
    design = np.column_stack([np.ones(len(warmth)), warmth, warmth**2])
    left = squares - design @ np.linalg.lstsq(design, squares, rcond=None)[0]
    explained = 1.0 - float(np.sum(left**2)) / max(float(np.sum((squares - squares.mean()) ** 2)), 1e-300)
    return as_sigma(chi2_chance(len(warmth) * explained, 2)) > FAN_SIGMA


def _hangs_on_gap(season: Season, columns: Array) -> bool:
    """Whether the drift rests on there being no rebuild in the longest gap of the season."""
    gaps = np.where(np.diff(season.stretch) == 0, np.diff(season.time_s), 0.0)
    at = int(np.argmax(gaps))
    if gaps[at] < LONG_GAP * (season.time_s[-1] - season.time_s[0]) or season.night[at] == season.night[at + 1]:
        return False
    step = (np.arange(len(columns)) > at).astype(float)
    each = [average_shifts(season, c, season.variance) for c in (columns, np.column_stack([columns, step]))]
    err, alone = (fit.contrast(np.arange(len(fit.coefficients)) == season.filters - 1)[1] for fit in each)
    return alone is None or alone > GAP_CARRIES * (err or math.inf)


def is_apart(season: Season) -> bool:
    """Whether a filter shares no night with the reference, nor with a filter that does, and so on."""
    together = np.zeros((season.filters, season.block[-1] + 1), dtype=bool)
    together[season.filter_index, season.block] = True
    linked = np.arange(season.filters) == 0
    for _ in range(season.filters):
        linked |= together[:, together[linked].any(axis=0)].any(axis=1)
    return bool(np.any(~linked & together.any(axis=1)))


def flag_season(drift: Drift, season: Season, disputed: set[str | None]) -> list[str]:
    """Return the flags that a fit deserves to the runs of a season, outliers taken out."""
    others = [one for one in drift.filters[1:] if one.filter not in disputed]
    found = sum(not rebuild.declared for rebuild in drift.rebuilds)
    unproven = drift.steps_per_c is not None and (
        drift.steps_per_c_err is None or abs(drift.steps_per_c) < 2.0 * drift.steps_per_c_err
    )
    scatter, tolerance = drift.scatter_steps, drift.tolerance_steps
    raised = {
        "wild_runs": bool(drift.outliers),
        "rebuild_found": found > 0,
        "jump_unknown": any(rebuild.jump_steps is None for rebuild in drift.rebuilds),
        "too_few_runs": len(drift.used) <= drift.fit.likely.rank,
        "one_temperature": drift.steps_per_c is None,
        "drift_unproven": unproven,
        "one_run_filter": any(one.runs == 1 for one in drift.filters) and len(drift.filters) > 1,
        "filter_disputed": bool(disputed),
        "offset_unknown": any(one.offset_steps is None for one in others),
        "offset_tied": any(_is_tied(drift, one.err, one.runs) for one in others),
        "scatter_over_tolerance": bool(scatter and tolerance and scatter > tolerance),
        "shifts_assumed": len(drift.used) > 1 and season.block[-1] - season.stretch[-1] < FEWEST_SHIFTS,
        "focus_wanders": drift.fit.walk_shown > WALK_IS_SHOWN,
        "no_shared_night": is_apart(season),
        "mixed_runs": len(drift.used) >= FEWEST_RUNS and _looks_mixed(drift, season, found),
    }
    return [_TAKEN[model.name] for model in drift.models if model.taken] + [
        name for name, is_so in raised.items() if is_so
    ]


def _looks_mixed(drift: Drift, season: Season, rebuilds: int) -> bool:
    """Whether runs of two rigs or sensors seem mixed: many outliers or rebuilds, or two lines."""
    runs, nights = len(season.position), len(np.unique(season.night))
    if rebuilds > max(3, nights / 4) or len(drift.outliers) > MANY_OUTLIERS * (runs + len(drift.outliers)):
        return True
    few = season.only(np.arange(runs) % (runs // MOST_RUNS + 1) == 0)
    bases, place = np.eye(few.stretch[-1] + 1)[few.stretch], few.filters - 1
    # a creep could stand in for one of the groups, a bend is not to be taken for two
    columns = columns_of(few, Terms(drift.reference_c, bend=drift.terms.bend))
    others = np.delete(columns, place, axis=1)
    # nights that shift fall into clumps, too
    shifted = highest(few, columns, np.ones(len(few.position))).deviance
    return is_two_groups(np.column_stack([bases, others, columns[:, place]]), few.position, shifted)


def _is_tied(drift: Drift, err: float | None, runs: int) -> bool:
    if err is None or not drift.scatter_steps or runs == 0:
        return False
    reference = max(drift.filters[0].runs, 1)
    return err > TIED * drift.scatter_steps * math.sqrt(1.0 / runs + 1.0 / reference)


def is_two_groups(columns: Array, position: Array, shifted: float = math.inf) -> bool:
    """Whether runs lie on two parallel lines rather than on one, as with two rigs or two sensors.

    A mixture of two fits a constant step apart is found by expectation and maximisation, started from
    several slopes, for a mixture hides the true one. It must beat the single fit, and that with shifts of the
    nights, by more than `TWO_GROUPS_GAIN` in BIC, with `SMALLEST_SHARE` of the runs on each line, and have them
    two widths apart.

    Parameters
    ----------
    columns : (n, p) array
        Bases and filters, the temperature last.
    position : (n,) array
    shifted : float
        -2 log likelihood, less n log 2π, of one line with shifts of the nights.
    """
    n = len(position)
    solve, solve_others = np.linalg.pinv(columns), np.linalg.pinv(columns[:, :-1])
    alone = float(np.mean((position - columns @ (solve @ position)) ** 2))
    left, turn = (values - columns[:, :-1] @ (solve_others @ values) for values in (position, columns[:, -1]))
    if alone <= 1e-12 * float(np.var(position)) or float(np.std(turn)) <= 1e-9:
        return False
    reach = 3.0 * float(np.std(left) / np.std(turn))
    tilted = left[:, None] - np.linspace(-reach, reach, 13) * turn[:, None]
    member = (tilted > np.median(tilted, axis=0)).astype(float)
    off, step, likelihood = position - columns @ (solve @ position), np.zeros(13), np.full(13, -math.inf)
    for _ in range(200):
        share = np.clip(member.mean(axis=0), 1e-6, 1.0 - 1e-6)
        for _ in range(3):
            rest = off[:, None] + columns @ (solve @ (member * step))
            step = np.sum(member * rest, axis=0) / (n * share)
        off2 = rest**2, (rest - step) ** 2
        variance = np.maximum(np.mean((1.0 - member) * off2[0] + member * off2[1], axis=0), 1e-12 * alone)
        near = [
            of * np.exp(-0.5 * each / variance) + 1e-300 for of, each in zip((1.0 - share, share), off2, strict=True)
        ]
        total = near[0] + near[1]
        member = near[1] / total
        before, likelihood = likelihood, np.sum(np.log(total), axis=0) - 0.5 * n * np.log(variance)
        if np.all(np.abs(likelihood - before) < 1e-6 * n):
            break
    at = int(np.argmax(likelihood))
    # two parameters more, the step and the share; one more than with shifts, whose size is one
    one_group = min(n * (math.log(alone) + 1.0), shifted + math.log(n))
    gain = 2.0 * likelihood[at] + one_group - 2.0 * math.log(n)
    apart = abs(step[at]) > 2.0 * math.sqrt(variance[at]) and min(share[at], 1.0 - share[at]) > SMALLEST_SHARE
    return bool(gain > TWO_GROUPS_GAIN and apart)
