"""Learn from logged runs how focus drifts with temperature and how far apart the filters are.

    position = base since the last rebuild + offset of the filter + steps per °C · (T − T_ref)

Runs weigh by their own errors and an extra scatter that is estimated (restricted likelihood). Wild
runs are set aside and named. Rebuilds are declared, or found with their evidence. What the data
cannot tell apart is None. One-sigma errors hold 68 % whatever the number of runs (Student's t).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from focuskit.core import flags as flag_registry
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import usual_filter
from focuskit.core.logged import LoggedRun
from focuskit.core.text import two_digits
from focuskit.core.times import NIGHT_GAP_S
from focuskit.drift.advice import advise
from focuskit.drift.checks import flag_season
from focuskit.drift.linear import Array, SoundRuns, find_sound, fit_grouped
from focuskit.drift.models import Season, Shape, Weighed, columns_of, split_scatter, weigh_models
from focuskit.drift.rebuilds import Groups, Stretches, find_rebuilds, jump
from focuskit.drift.result import Drift, FilterOffset, Rebuild, SetAside, with_error
from focuskit.frames import RigFile, TemperatureLog

# A log further away than this tells nothing of the temperature at a run.
NEAR_LOG_S = 1800.0
# What loggers write for a missing value lies beyond these.
FARTHEST_STEPS = 1e9
COLDEST_C, WARMEST_C = -90.0, 60.0


def learn_drift(
    runs: Iterable[LoggedRun],
    rig_file: RigFile | None = None,
    *,
    rig: str | None = None,
    log: TemperatureLog | None = None,
    rebuilds: Sequence[datetime] = (),
    reference_filter: str | None = None,
    search_rebuilds: bool = True,
) -> Drift:
    """Learn the drift of a rig from its logged runs: the one answer behind offsets, interval, plan and report.

    Parameters
    ----------
    runs : iterable of LoggedRun
    rig_file : RigFile, optional
        Its rebuilds are known, and its rig is the one meant.
    rig : str, optional
        Use the runs of this rig instead.
    log : TemperatureLog, optional
        Temperatures of the air. They are used whole: which hours count as night does not matter here.
    rebuilds : sequence of datetime
        Besides those of the rig file.
    reference_filter, search_rebuilds
        See `fit_drift`.

    Raises
    ------
    FocuskitError
        As `fit_drift`.
    """
    rig_file = rig_file or RigFile()
    return fit_drift(
        runs,
        rig=rig or rig_file.rig.name,
        reference_filter=reference_filter,
        rebuilds=[*rig_file.rebuilds, *rebuilds],
        search_rebuilds=search_rebuilds,
        temperatures=None if log is None else (log.time_s, log.temperature_c),
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
) -> Drift:
    """Fit drift, filter offsets and rebuilds to logged runs of one rig.

    Parameters
    ----------
    runs : iterable of LoggedRun
        In any order. Failed and excluded runs, and those without position or temperature, are set aside.
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

    Raises
    ------
    FocuskitError
        If no run can be used, or there is none of the rig or the reference filter asked for.
    """
    chosen, aside, raised = _choose(list(runs), rig, temperatures)
    names = _filter_names(chosen, reference_filter)
    season = _season(chosen, names, temperatures)
    plain_shape = Shape(round(float(np.median(season.temperature_c)), 1))
    columns = columns_of(season, plain_shape)
    marks = np.searchsorted(season.time_s, [_unix(moment) for moment in sorted(rebuilds)])
    declared = np.unique(marks).astype(np.intp)
    cut = find_rebuilds(columns, season.position, season.variance, season.night, declared, search_rebuilds)
    shape, shifts, weighed = weigh_models(season, cut.group, cut.runs, plain_shape)
    columns = columns_of(season, shape)
    found = find_sound(columns, season.position, season.variance, cut.group, cut.runs.sound)
    sound = found.sound
    extra, shift, degrees = _scatter(season, columns, found, cut.group, shifts)
    variance = season.variance[sound] + extra
    scatter_known = bool(np.all(variance > 0.0))
    blocks = np.cumsum(np.r_[0, (np.diff(season.night[sound]) != 0) | (np.diff(cut.group[sound]) != 0)])
    fit = fit_grouped(
        columns[sound],
        season.position[sound],
        variance if scatter_known else np.ones(len(variance)),
        np.unique(cut.group[sound], return_inverse=True)[1],
        blocks,
        shift,
    )
    used = tuple(run for run, good in zip(chosen, sound, strict=True) if good)
    free = float(len(used) - fit.rank)
    wild = np.flatnonzero(~sound)
    aside += [_wild(chosen[i], found.fit.residuals[i], season.variance[i] + extra) for i in wild]
    drift = Drift(
        rig=chosen[0].rig,
        reference_filter=names[0],
        reference_c=shape.reference_c,
        steps_per_c=None,
        steps_per_c_err=None,
        range_c=_range(used),
        filters=tuple(_counted(name, used) for name in names),
        rebuilds=(),
        scatter_steps=math.sqrt(float(np.sum(fit.residuals**2)) / free) if free > 0.0 else None,
        extra_scatter_steps=math.sqrt(extra) if scatter_known else None,
        night_scatter_steps=math.sqrt(shift),
        tolerance_steps=tolerance_steps or _median([r.tolerance_steps for r in used]),
        used=used,
        residuals_steps=fit.residuals,
        set_aside=tuple(sorted(aside, key=lambda one: one.run.time)),
        models=tuple(_settled(model, shape, fit.coefficients, shift) for model in weighed),
        advice=(),
        flags=(),
        degrees=degrees if scatter_known else 0.0,
        shape=shape,
        fit=fit,
    )
    disputed = {name for i, name in enumerate(names) if _outnumbered(season.filter_index == i, sound)}
    drift = _with_values(drift, disputed)
    drift = replace(drift, rebuilds=_rebuilds(drift, season, cut, sound, rebuilds))
    drift = replace(drift, advice=advise(drift))
    raised += flag_season(drift, season, cut.group, found, disputed)
    return replace(drift, flags=flag_registry.check(raised))


def _unix(moment: datetime) -> float:
    """Unix seconds to the millisecond, as times are written."""
    return round(moment.timestamp(), 3)


def _choose(
    runs: list[LoggedRun], rig: str | None, temperatures: tuple[Array, Array] | None
) -> tuple[list[LoggedRun], list[SetAside], list[str]]:
    """Split runs into those of one rig that can be used, in order of time, and the rest; and flags."""
    aside: list[SetAside] = []
    raised: list[str] = []
    counts: dict[str | None, int] = {}
    for run in runs:
        if run.position is not None and not run.excluded:
            counts[run.rig] = counts.get(run.rig, 0) + 1
    if rig is None and counts:
        rig = max(counts, key=lambda name: counts[name])
        if len(counts) > 1:
            raised.append("several_rigs")
    elif rig is not None and rig not in counts:
        known = ", ".join(sorted(str(name) for name in counts)) or "none"
        raise FocuskitError(f"there is no run of the rig '{rig}'; rigs with runs: {known}")
    has_filters = any(run.filter for run in runs if run.rig == rig)
    seen: set[tuple[datetime, str | None, float | None]] = set()
    chosen = []
    for run in sorted(runs, key=lambda one: one.time):
        if run.temperature_c is None and temperatures is not None:
            run = replace(run, temperature_c=_from_log(run, *temperatures))
            if run.temperature_c is not None:
                raised.append("temperature_from_log")
        same = (run.time, run.filter, run.position)
        if run.rig != rig:
            why = f"of another rig: {run.rig}" if run.rig else "its rig is not told"
        elif run.excluded:
            why = "excluded by hand"
        elif run.position is None or run.verdict == "failed":
            why = "no best position"
        elif run.temperature_c is None:
            why = "no temperature"
            raised.append("temperature_missing")
        elif abs(run.position) > FARTHEST_STEPS:
            why = f"no focuser has the position {run.position:.10g}"
        elif not COLDEST_C <= run.temperature_c <= WARMEST_C:
            why = f"{run.temperature_c:g} °C is no temperature of a night"
            raised.append("temperature_missing")
        elif has_filters and not run.filter:
            why = "no filter"
            raised.append("filter_missing")
        elif same in seen:
            why = "the same run as the one before"
        else:
            seen.add(same)
            chosen.append(run)
            continue
        aside.append(SetAside(run, why))
    if not chosen:
        reasons = "; ".join(dict.fromkeys(one.why for one in aside)) or "the table is empty"
        raise FocuskitError(f"no logged run can be used ({reasons}); log good runs with position and temperature")
    return chosen, aside, raised


def _from_log(run: LoggedRun, time_s: Array, temperature_c: Array) -> float | None:
    moment = _unix(run.time)
    nearest = float(np.min(np.abs(time_s - moment)))
    return float(np.interp(moment, time_s, temperature_c)) if nearest <= NEAR_LOG_S else None


def _filter_names(runs: Sequence[LoggedRun], reference: str | None) -> list[str | None]:
    """Names of the filters, each in its first spelling: the reference, then in the customary order."""
    spelled: dict[str, str | None] = {}
    counts: dict[str, int] = {}
    for run in runs:
        key = (run.filter or "").casefold()
        spelled.setdefault(key, run.filter)
        counts[key] = counts.get(key, 0) + 1
    if reference is not None:
        first = reference.casefold()
        if first not in counts:
            known = ", ".join(str(name) for name in spelled.values())
            raise FocuskitError(f"there is no usable run in the reference filter '{reference}'; filters: {known}")
    else:
        luminance = [key for key in counts if usual_filter(key).name == "L" and counts[key] >= 3]
        first = luminance[0] if luminance else max(counts, key=lambda key: counts[key])

    def place(key: str) -> tuple[bool, int, str]:
        return key != first, usual_filter(key).order, key

    return [spelled[key] for key in sorted(counts, key=place)]


def _season(runs: Sequence[LoggedRun], names: Sequence[str | None], log: tuple[Array, Array] | None) -> Season:
    index = {(name or "").casefold(): i for i, name in enumerate(names)}
    time_s = np.array([_unix(run.time) for run in runs])
    variance = np.array([np.nan if run.position_err is None else run.position_err**2 for run in runs])
    told = np.isfinite(variance)
    variance[~told] = float(np.median(variance[told])) if np.any(told) else 0.0
    return Season(
        time_s=time_s,
        temperature_c=np.array([run.temperature_c for run in runs], dtype=float),
        position=np.array([run.position for run in runs], dtype=float),
        variance=variance,
        filter_index=np.array([index[(run.filter or "").casefold()] for run in runs], dtype=np.intp),
        filters=len(names),
        night=np.cumsum(np.r_[0, np.diff(time_s) > NIGHT_GAP_S]),
        log=log,
    )


def _scatter(
    season: Season, columns: Array, runs: SoundRuns, group: Groups, shifts: bool
) -> tuple[float, float, float]:
    """Extra variance of a run, variance of the nights' shifts, and degrees of freedom of the errors."""
    free = float(np.sum(runs.sound) - np.sum(runs.fit.leverage[runs.sound]))
    if free < 0.5:
        return 0.0, 0.0, 0.0
    extra, _, shift = split_scatter(season, columns, runs, group, shifts)
    if shift > 0.0:
        # drift and bases rest on the nights rather than on the runs
        free = max(float(len(np.unique(season.night[runs.sound])) - len(np.unique(group)) - 1), 1.0)
    return max(extra, 1e-12), shift, free


def _settled(model: Weighed, shape: Shape, coefficients: Array, shift: float) -> Weighed:
    """A model that was taken, with its value from the final fit."""
    values = {"bend": float(coefficients[-1]), "lag": shape.lag_min, "night_shifts": math.sqrt(shift)}
    return replace(model, value=values[model.name]) if model.taken and model.name in values else model


def _wild(run: LoggedRun, off: float, variance: float) -> SetAside:
    moved = ("+" if off >= 0.0 else "-") + two_digits(abs(off))
    return SetAside(run, f"wild: {moved} steps off, {abs(off) / math.sqrt(variance):.0f} standard errors")


def _outnumbered(member: NDArray[np.bool_], sound: NDArray[np.bool_]) -> bool:
    """Whether as many runs of a filter were set aside as were used: which of them are right is open."""
    used = int(np.sum(member & sound))
    return int(np.sum(member)) - used >= max(used, 1)


def _range(runs: Sequence[LoggedRun]) -> tuple[float, float]:
    values = [run.temperature_c for run in runs if run.temperature_c is not None]
    return min(values), max(values)


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def _counted(name: str | None, used: Sequence[LoggedRun]) -> FilterOffset:
    own = [run for run in used if (run.filter or "").casefold() == (name or "").casefold()]
    return FilterOffset(name, None, None, len(own), _range(own) if own else None, None)


def _with_values(drift: Drift, disputed: set[str | None]) -> Drift:
    """Fill in drift and offsets with their errors, None where the data do not tell."""
    p, place = len(drift.fit.coefficients), len(drift.filters) - 1

    def tell(direction: Array) -> tuple[float | None, float | None]:
        value, err = with_error(drift.fit.contrast(direction), drift.degrees)
        return value, err if drift.extra_scatter_steps is not None else None

    slope = np.zeros(p)
    slope[place] = 1.0
    steps_per_c, slope_err = tell(slope)
    filters = []
    for i, one in enumerate(drift.filters):
        here = drift.columns_at(one.filter, drift.reference_c)
        warmer = drift.columns_at(one.filter, drift.reference_c + 0.5) - drift.columns_at(
            one.filter, drift.reference_c - 0.5
        )
        own = tell(warmer)[0] if drift.shape.own_coefficients else None
        offset, err = (0.0, 0.0) if i == 0 else tell(here)
        unknown = i > 0 and bool(disputed & {one.filter, drift.reference_filter})
        filters.append(
            replace(one, steps_per_c=own, offset_steps=None if unknown else offset, err=None if unknown else err)
        )
    return replace(drift, steps_per_c=steps_per_c, steps_per_c_err=slope_err, filters=tuple(filters))


def _rebuilds(
    drift: Drift,
    season: Season,
    cut: Stretches,
    sound: NDArray[np.bool_],
    moments: Sequence[datetime],
) -> tuple[Rebuild, ...]:
    group = cut.group[sound]
    rebuilds = []
    for stretch, after in enumerate(np.flatnonzero(np.diff(group)) + 1, 1):
        start = int(np.searchsorted(cut.group, group[after]))
        told = [m for m in sorted(moments) if np.searchsorted(season.time_s, _unix(m)) == start]
        value, err = with_error(jump(drift.fit, stretch), drift.degrees)
        rebuilds.append(
            Rebuild(
                time=told[0] if told else drift.used[after].time,
                last_before=drift.used[after - 1].time,
                jump_steps=value,
                err=err if drift.extra_scatter_steps is not None else None,
                declared=bool(told),
                evidence=None if told else cut.gains.get(start),
            )
        )
    return tuple(rebuilds)
