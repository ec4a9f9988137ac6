"""Learn from logged runs how focus drifts with temperature and how far apart the filters are.

    position = base since the last rebuild + offset of the filter + steps per °C · (T − T_ref)

Runs weigh by their own errors and an extra scatter that is estimated (restricted likelihood). Outliers
are set aside and named. Rebuilds are declared, or found with their evidence. What the data cannot
tell apart is None. One-sigma errors cover 68 % whatever the number of runs (Student's t).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import unit_of_positions
from focuskit.core.statistics import median_of
from focuskit.drift.advice import advise
from focuskit.drift.by_time import fit_by_time
from focuskit.drift.checks import FEWEST_SHIFTS, flag_season, flag_slopes
from focuskit.drift.choose import choose_runs, filter_key, filter_names, make_season, unix_s
from focuskit.drift.linear import Array, Integers
from focuskit.drift.models import MARGIN, Weighed, weigh_models
from focuskit.drift.others import compare_sensors, find_followed
from focuskit.drift.outliers import SoundRuns, find_sound
from focuskit.drift.rebuilds import STEP_WIDTH, Stretches, find_rebuilds, toll_of
from focuskit.drift.result import Drift, FilterOffset, Rebuild, SetAside, likely_tolerance, outlier
from focuskit.drift.scatter import AveragedFit, average_shifts, highest, likely_walk, run_variance
from focuskit.drift.season import Season, Terms, between_nights, columns_of, rounding_c
from focuskit.frames import RigFile, TemperatureLog

# Prior odds that temperatures have errors which draw the slope within nights to zero; the difference is as large as the
# slope itself (chosen: one sensor in ten; errors of 25 plain seasons grow by 0.02 % only).
WITHIN_ODDS = 0.1
# Prior odds of a bend where AICc prefers it without proving it, and how much of the drift it takes away or adds over
# the range of temperatures (chosen: one tube in four; glass and mirror cells bend it by a few tenths).
BEND_ODDS, BEND_SHARE = 0.3, 1.0
# Turns of rebuilds and richer models: what a bend or a creep explains is no rebuild (chosen: two suffice but for
# seasons in which both are open).
_MOST_TURNS = 3


def learn_drift(
    runs: Iterable[LoggedRun],
    rig_file: RigFile | None = None,
    *,
    rig: str | None = None,
    log: TemperatureLog | None = None,
    rebuilds: Sequence[datetime] = (),
    reference_filter: str | None = None,
    search_rebuilds: bool = True,
    position_unit: str | None = None,
) -> Drift:
    """Learn the drift of a rig from its logged runs: the one answer behind offsets, interval, plan and report.

    As `fit_drift`, with a rig file, whose rig is the one meant and whose rebuilds are known, and with a log
    of the air, which is used whole: which of its hours count as night does not matter here. The
    rig file says what positions are in, else ``position_unit``, which a table may name.
    """
    rig_file = rig_file or RigFile()
    return fit_drift(
        runs,
        rig=rig or rig_file.rig.name,
        reference_filter=reference_filter,
        rebuilds=[*rig_file.rebuilds, *rebuilds],
        search_rebuilds=search_rebuilds,
        temperatures=None if log is None else (log.time_s, log.temperature_c),
        position_unit=rig_file.rig.position_unit or position_unit,
    )


def fit_drift(
    runs: Iterable[LoggedRun],
    *,
    rig: str | None = None,
    reference_filter: str | None = None,
    rebuilds: Sequence[datetime] = (),
    search_rebuilds: bool = True,
    temperatures: tuple[Array, Array] | None = None,
    tolerance_steps: float | None = None,
    position_unit: str | None = None,
) -> Drift:
    """Fit drift, filter offsets and rebuilds to logged runs of one rig.

    Parameters
    ----------
    runs : iterable of LoggedRun
        In any order. Failed and excluded runs, and those without position or temperature, are set aside; where more
        than two thirds have no temperature, all are used without it, and offsets come from runs close in time.
    rig : str, optional
        Use the runs of this rig; by default of the one with the most runs.
    reference_filter : str, optional
        By default L, or the filter with the most runs where L has fewer than three.
    rebuilds : sequence of datetime
        When the optical train is known to have been taken apart.
    search_rebuilds : bool
        Whether to look for more.
    temperatures : (unix seconds, °C), optional
        A log of the air; fills in missing temperatures, and the lag of the tube is tried.
    tolerance_steps : float, optional
        By default the median of the runs'.
    position_unit : str, optional
        What positions are in, a key of ``UNIT_WORDS``; by default judged by the tolerance.

    Raises
    ------
    FocuskitError
        If no run can be used, or there is none of the rig or the reference filter asked for.
    """
    chosen, aside, raised = choose_runs(list(runs), rig, temperatures)
    names = filter_names(chosen, reference_filter)
    season = make_season(chosen, names, temperatures)
    marks = np.searchsorted(season.time_s, [unix_s(moment) for moment in rebuilds])
    # The columns are few: threads of linear algebra wait for one another, and took four times the CPU time.
    with threadpool_limits(limits=1, user_api="blas"):
        if any(run.temperature_c is None for run in chosen):
            known = tolerance_steps or median_of(run.tolerance_steps for run in chosen)
            inside = marks[(marks > 0) & (marks < len(chosen))]
            return fit_by_time(chosen, names, season.cut(inside), known, raised, aside, position_unit)
        plain = Terms(round(float(np.median(season.temperature_c)), 1))
        cut, terms, weighed = _rebuilds_and_terms(season, plain, np.unique(marks).astype(np.intp), search_rebuilds)
        solved = _solve(cut.season, terms, cut.runs.sound)
    sound = solved.runs.sound
    used = tuple(run for run, good in zip(chosen, sound, strict=True) if good)
    disputed = {name for i, name in enumerate(names) if _outnumbered(season.filter_index == i, sound)}
    drift = _drift(chosen[0].rig, names, used, solved, terms, disputed)
    tolerance_steps = tolerance_steps or drift.tolerance_steps
    unit = unit_of_positions(position_unit, likely_tolerance(used, tolerance_steps, drift.scatter_steps))
    aside += [solved.outlier(chosen[i], i, unit) for i in np.flatnonzero(~sound).tolist()]
    drift = replace(
        drift,
        rebuilds=_rebuilds(solved, cut, used, rebuilds),
        tolerance_steps=tolerance_steps,
        position_unit=unit,
        set_aside=tuple(sorted(aside, key=lambda one: one.run.time)),
        models=tuple(_settled(model, solved) for model in weighed),
    )
    kept = cut.season.only(sound)
    raised += flag_season(drift, kept, disputed)
    if solved.has_error:
        kept = replace(kept, variance=kept.variance + solved.extra)
        raised += flag_slopes(drift, kept, terms)
        followed, more = find_followed(used, kept, terms)
        sensors = compare_sensors(used, cut.season.only(sound), terms)
        raised += more + ["other_sensor_better"] * any(one.best for one in sensors[1:])
        drift = replace(drift, sensors=sensors, follows=followed)
    return replace(drift, advice=advise(drift), flags=check(raised))


def _drift(
    rig: str | None,
    names: Sequence[str | None],
    used: tuple[LoggedRun, ...],
    solved: _Solved,
    terms: Terms,
    disputed: set[str | None],
) -> Drift:
    """Put together what the final fit says by itself."""
    fit = solved.fit
    free = len(used) - fit.likely.rank
    steps_per_c, steps_per_c_err = solved.tell(fit.contrast(np.arange(len(fit.coefficients)) == len(names) - 1))
    return Drift(
        rig=rig,
        reference_filter=names[0],
        reference_c=terms.reference_c,
        steps_per_c=steps_per_c,
        steps_per_c_err=steps_per_c_err,
        range_c=_range(used),
        filters=_filters(names, used, solved, terms, disputed),
        rebuilds=(),
        scatter_steps=math.sqrt(float(np.sum(fit.residuals**2)) / free) if free > 0 else None,
        extra_scatter_steps=math.sqrt(solved.extra) if solved.has_error else None,
        night_scatter_steps=fit.typical_shift,
        tolerance_steps=median_of(run.tolerance_steps for run in used),
        used=used,
        residuals_steps=fit.residuals,
        set_aside=(),
        models=(),
        advice=(),
        flags=(),
        terms=terms,
        fit=fit,
    )


@dataclass(frozen=True)
class _Solved:
    """The final fit to the sound runs of a season, and what its errors rest on.

    ``has_error`` is False where neither the runs' errors nor their scatter say anything; ``extra`` is the variance
    of single runs beside their own.
    """

    season: Season
    runs: SoundRuns
    fit: AveragedFit
    extra: float
    has_error: bool
    creeps: bool

    def tell(self, contrast: tuple[float | None, float | None]) -> tuple[float | None, float | None]:
        """Value and error of a contrast, None where they are not known."""
        value, err = contrast
        return value, err if self.has_error else None

    def outlier(self, run: LoggedRun, place: int, position_unit: str) -> SetAside:
        """Say how far a run, the one at ``place``, is off the fit."""
        off = float(self.runs.fit.residuals[place])
        return outlier(run, off, self.season.variance[place] + self.extra, position_unit)


def _rebuilds_and_terms(
    season: Season, plain: Terms, declared: Integers, search: bool
) -> tuple[Stretches, Terms, tuple[Weighed, ...]]:
    """Find rebuilds and richer models in turn, until neither changes the other."""
    terms = plain
    for _ in range(_MOST_TURNS):
        cut = find_rebuilds(season, columns_of(season, terms.chosen), declared, search, _rivals(season, terms))
        gap_s = None if cut.open_gap is None else float(season.time_s[cut.open_gap])
        nights = cut.season.block[-1] + 1
        several = nights - 1 - cut.season.stretch[-1] >= FEWEST_SHIFTS and nights < len(season.position)
        plain = replace(plain, gap_s=gap_s, within=bool(several))
        before, (terms, weighed) = terms, _weigh(cut, plain)
        if terms.kinds == before.kinds and before.kinds == plain.kinds:
            terms = _instead(cut, terms, plain)
        if terms.kinds == before.kinds:
            break
    return cut, terms, weighed


def _rivals(season: Season, terms: Terms) -> Array:
    """Columns of a bend and of another slope within nights, which a few rebuilds could imitate."""
    warmth = columns_of(season, terms.chosen)[:, season.filters - 1]
    bend = [] if terms.chosen.bend is not None else [warmth**2]
    return np.column_stack([*bend, warmth - between_nights(season, warmth)])


def _weigh(cut: Stretches, plain: Terms) -> tuple[Terms, tuple[Weighed, ...]]:
    kept = cut.season.only(cut.runs.sound)
    variance, floor, _ = _variance(kept, columns_of(kept, plain))
    return weigh_models(kept, variance, floor, plain)


def _instead(cut: Stretches, terms: Terms, plain: Terms) -> Terms:
    """Return the terms that explain a season better than the rebuilds found, or those it has with them."""
    if not cut.gains:
        return terms
    kept = cut.season.only(cut.runs.sound)
    whole = cut.season.cut([start for start in cut.season.starts if start not in cut.gains]).only(cut.runs.sound)
    variance, floor, _ = _variance(kept, columns_of(kept, terms))
    walk = likely_walk(kept, columns_of(kept, terms), variance, floor)
    with_rebuilds = highest(kept, columns_of(kept, terms), variance, floor, walk=walk).deviance
    limit = with_rebuilds + sum(toll_of(cut.season, start, cut.runs.degrees) for start in cut.gains) - MARGIN
    # where not even all of them together do, none is tried
    bent = columns_of(whole, replace(terms, bend=terms.bend or (0.0, 0.0)))
    if highest(whole, np.column_stack([bent, whole.since]), variance, floor, walk=walk).deviance > limit:
        return terms
    richer, _ = weigh_models(whole, variance, floor, plain)
    without = highest(whole, columns_of(whole, richer), variance, floor, walk=walk).deviance
    return richer if without < limit else terms


def _variance(season: Season, columns: Array) -> tuple[Array, float, bool]:
    """Variance of single runs but for a scale, the least scale, and whether anything is known of it.

    Where the runs' own errors explain their scatter, these are not made smaller.
    """
    extra = run_variance(season, columns)
    variance = season.variance + extra
    if np.all(variance > 0.0):
        return variance, float(extra == 0.0), True
    return np.ones(len(variance)), 1.0, False


def _solve(season: Season, terms: Terms, sound: NDArray[np.bool_]) -> _Solved:
    """Fit a model to the runs that are sound under it."""
    columns = columns_of(season, terms)
    noise_c2 = rounding_c(season.temperature_c) ** 2 / 12.0
    runs = find_sound(season, columns, sound)
    kept = season.only(runs.sound)
    variance, floor, has_error = _variance(kept, columns[runs.sound])
    optional, within = _optional(season, terms, runs, variance), terms.places(season.filters)[1]
    fit = average_shifts(kept, columns[runs.sound], variance, floor, noise_c2, optional, within)
    extra = max(float(fit.weight @ fit.scale * np.median(variance) - np.median(kept.variance)), 0.0)
    return _Solved(season, runs, fit, extra if has_error else 0.0, has_error, terms.creep is not None)


def _optional(season: Season, terms: Terms, runs: SoundRuns, variance: Array) -> dict[int, float]:
    """Return the columns that are weighed, not chosen, and the prior odds per unit of their coefficients.

    The restricted likelihood is an integral over each coefficient, less a factor √(2π). The height of a normal prior is
    divided by the same factor, so what is left are the odds divided by the width of the prior.
    """
    found = {}
    gap, within = terms.places(season.filters)
    if gap is not None:
        found[gap] = 1.0 / (STEP_WIDTH * math.sqrt(float(np.median(variance))))
    slope = abs(float(runs.fit.coefficients[season.filters - 1])) or 1.0
    if within is not None:
        found[within] = WITHIN_ODDS / slope
    if terms.bend_open:
        found[len(runs.fit.coefficients) + terms.bend_from_end] = (
            BEND_ODDS * float(np.ptp(season.temperature_c)) / (BEND_SHARE * slope)
        )
    return found


def _settled(model: Weighed, solved: _Solved) -> Weighed:
    """A model that was taken, with its value from the final fit; shifts from night to night always have it."""
    place = {"bend": -2 if solved.creeps else -1, "creep": -1, "slip": -1}.get(model.name)
    if model.name == "night_shifts" and model.aicc_change is not None:
        return replace(model, value=solved.fit.typical_shift)
    if not model.taken or place is None:
        return model
    return replace(model, value=float(solved.fit.coefficients[place]))


def _outnumbered(member: NDArray[np.bool_], sound: NDArray[np.bool_]) -> bool:
    """Whether as many runs of a filter were set aside as were used: which of them are right is open."""
    used = int(np.sum(member & sound))
    return int(np.sum(member)) - used >= max(used, 1)


def _range(runs: Sequence[LoggedRun]) -> tuple[float, float]:
    values = [run.temperature_c for run in runs if run.temperature_c is not None]
    return min(values), max(values)


def _filters(
    names: Sequence[str | None],
    used: Sequence[LoggedRun],
    solved: _Solved,
    terms: Terms,
    disputed: set[str | None],
) -> tuple[FilterOffset, ...]:
    """Offsets and own drifts with their errors, None where the data do not determine or dispute them."""

    def columns(i: int, warmth: float) -> Array:
        return terms.columns(np.array([i]), np.array([terms.reference_c + warmth]), len(names))[0]

    filters = []
    of_filter: dict[str, list[LoggedRun]] = {filter_key(name): [] for name in names}
    for run in used:
        of_filter[filter_key(run.filter)].append(run)
    for i, name in enumerate(names):
        own = of_filter[filter_key(name)]
        # the bend cancels between two temperatures as far from the reference
        warmer = solved.tell(solved.fit.contrast(columns(i, 0.5) - columns(i, -0.5)))[0]
        offset = (0.0, 0.0) if i == 0 else solved.tell(solved.fit.contrast(columns(i, 0.0) - columns(0, 0.0)))
        if i and disputed & {name, names[0]}:
            offset = None, None
        filters.append(
            FilterOffset(
                name,
                *offset,
                runs=len(own),
                range_c=_range(own) if own else None,
                steps_per_c=warmer if terms.own_drift is not None else None,
            )
        )
    return tuple(filters)


def _rebuilds(
    solved: _Solved, cut: Stretches, used: Sequence[LoggedRun], moments: Sequence[datetime]
) -> tuple[Rebuild, ...]:
    stretch = cut.season.stretch[solved.runs.sound]
    rebuilds = []
    for number, after in enumerate((np.flatnonzero(np.diff(stretch)) + 1).tolist(), 1):
        start = int(np.searchsorted(cut.season.stretch, stretch[after]))
        declared = [m for m in sorted(moments) if np.searchsorted(cut.season.time_s, unix_s(m)) == start]
        jump, err = solved.tell(solved.fit.jump(number))
        rebuilds.append(
            Rebuild(
                time=declared[0] if declared else used[after].time,
                last_before=used[after - 1].time,
                jump_steps=jump,
                err=err,
                declared=bool(declared),
                evidence=None if declared else cut.gains.get(start),
            )
        )
    return tuple(rebuilds)
