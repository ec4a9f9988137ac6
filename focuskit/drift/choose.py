"""Which logged runs a drift is fitted to, in which filters; and the season they make."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import usual_filter
from focuskit.core.logged import LoggedRun
from focuskit.core.reasons import Reason
from focuskit.core.times import HOUR_S, NIGHT_GAP_S
from focuskit.drift.linear import Array
from focuskit.drift.result import SetAside
from focuskit.drift.season import Season, near_log

# If a smaller part of the runs has a temperature, it is not used: the drift hardly shows, and most runs would be lost
# (chosen).
_WITH_TEMPERATURE = 1.0 / 3.0
# Luminance is the reference where it has as many: fewer could be outliers together (chosen).
_ENOUGH = 3


def unix_s(moment: datetime) -> float:
    """Unix seconds to the millisecond, as times are written."""
    return round(moment.timestamp(), 3)


def choose_runs(
    runs: Sequence[LoggedRun], rig: str | None, log: tuple[Array, Array] | None
) -> tuple[list[LoggedRun], list[SetAside], list[str]]:
    """Split runs into those of one rig that can be used, in order of time, and the rest; and flags.

    Those without a temperature cannot, unless more than two thirds have none.

    Raises
    ------
    FocuskitError
        If no run can be used, or there is none of the rig asked for.
    """
    counts = Counter(run.rig for run in runs if run.position is not None and not run.excluded)
    raised = ["several_rigs"] if rig is None and len(counts) > 1 else []
    if rig is not None and rig not in counts and counts:
        known = ", ".join(sorted(map(str, counts)))
        raise FocuskitError(f"there is no run of the rig '{rig}'; rigs with runs: {known}")
    if rig is None and counts:
        # Runs that name no rig may be of any: they are never preferred to those of a named one.
        rig = max(counts, key=lambda name: (name is not None, counts[name]))
    if log is not None:
        filled = [
            run if run.temperature_c is not None else replace(run, temperature_c=near_log(unix_s(run.time), *log))
            for run in runs
        ]
        raised += ["temperature_from_log"] if filled != list(runs) else []
        runs = filled
    has_filters = any(run.filter for run in runs if run.rig == rig)
    warm = [run.temperature_c is not None for run in runs if _why_not(run, rig, has_filters, heat=False) is None]
    heat = sum(warm) >= _WITH_TEMPERATURE * len(warm) > 0.0
    chosen: list[LoggedRun] = []
    aside: list[SetAside] = []
    seen: set[tuple[datetime, str | None, float | None]] = set()
    for run in sorted(runs, key=lambda one: one.time):
        reason = _why_not(run, rig, has_filters, heat)
        same = (run.time, run.filter, run.position)
        if reason is None and same in seen:
            reason = Reason("repeated", "the same run as the one before")
        if reason is None:
            seen.add(same)
            chosen.append(run)
        else:
            aside.append(SetAside(run, reason))
    if not chosen:
        reasons = "; ".join(dict.fromkeys(str(one.reason) for one in aside)) or "the table is empty"
        raise FocuskitError(
            f"no logged run can be used ({reasons}); log good runs with their position, and temperature if it is known",
        )
    codes = {one.reason.code for one in aside}
    raised += ["temperature_missing"] if "no_temperature" in codes else []
    raised += ["filter_missing"] if "no_filter" in codes else []
    return chosen, aside, raised


def _why_not(run: LoggedRun, rig: str | None, has_filters: bool, heat: bool) -> Reason | None:
    """Return why a run cannot be used, None where it can; with ``heat`` it needs a temperature."""
    if run.rig != rig:
        return Reason("other_rig", f"of another rig: {run.rig}" if run.rig else "its rig is not told")
    if run.excluded:
        return Reason("excluded", "excluded by hand")
    if run.position is None or run.verdict == "failed":
        return Reason("no_position", "no best position")
    if heat and run.temperature_c is None:
        return Reason("no_temperature", "no temperature")
    if problem := run.problem():
        return Reason("out_of_range", problem)
    if has_filters and not run.filter:
        return Reason("no_filter", "no filter")
    return None


def filter_key(name: str | None) -> str:
    """Return what is the same for all spellings of a filter."""
    return (name or "").casefold()


def filter_names(runs: Sequence[LoggedRun], reference: str | None) -> list[str | None]:
    """Names of the filters, each in its first spelling: the reference, then in the customary order.

    Raises
    ------
    FocuskitError
        If there is no run in the reference filter asked for.
    """
    spelled = {filter_key(run.filter): run.filter for run in reversed(runs)}
    counts = Counter(filter_key(run.filter) for run in runs)
    if reference is not None:
        first = filter_key(reference)
        if first not in counts:
            known = ", ".join(str(spelled[key]) for key in counts)
            raise FocuskitError(f"there is no usable run in the reference filter '{reference}'; filters: {known}")
    else:
        luminance = [key for key in counts if usual_filter(key).name == "L" and counts[key] >= _ENOUGH]
        first = luminance[0] if luminance else max(counts, key=lambda key: counts[key])
    return [spelled[key] for key in sorted(counts, key=lambda key: (key != first, usual_filter(key).order, key))]


def make_season(runs: Sequence[LoggedRun], filters: Sequence[str | None], log: tuple[Array, Array] | None) -> Season:
    """Return the runs as arrays; a run without an error has the median error of the others."""
    index = {filter_key(name): i for i, name in enumerate(filters)}
    time_s = np.array([unix_s(run.time) for run in runs])
    variance = np.array([np.nan if run.position_err is None else run.position_err**2 for run in runs])
    known = np.isfinite(variance)
    variance[~known] = float(np.median(variance[known])) if np.any(known) else 0.0
    return Season(
        time_s=time_s,
        temperature_c=np.array([run.temperature_c for run in runs], dtype=float),
        position=np.array([run.position for run in runs], dtype=float),
        variance=variance,
        filter_index=np.array([index[filter_key(run.filter)] for run in runs], dtype=np.intp),
        filters=len(filters),
        night=np.cumsum(np.r_[0, np.diff(time_s) > NIGHT_GAP_S]),
        stretch=np.zeros(len(runs), dtype=np.intp),
        since=np.column_stack([(time_s - time_s[-1]) / (24.0 * HOUR_S), np.arange(1.0 - len(runs), 1.0)]),
        log=log,
    )
