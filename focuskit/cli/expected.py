"""Where focus is expected when a single frame is taken: by the last logged run, the drift and the offsets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

from focuskit.core.calibration import Expected
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.statistics import median_of

if TYPE_CHECKING:
    from focuskit.drift import Drift
    from focuskit.frames import FrameInfo

# In tolerances, where the runs do not show it: by how much focus moves per °C, from night to night, in the root of an
# hour, and from filter to filter. Chosen to be wide: tubes move by 0.2 to 0.6 per °C, filters by up to 3.
_PER_C, _PER_NIGHT, _PER_ROOT_H, _PER_FILTER = 0.7, 1.5, 0.3, 4.0
_UNKNOWN_C = 5.0  # °C between a run and a frame where a temperature is not known; chosen
_SAME_NIGHT_H = 12.0  # a run and a frame less far apart are of one night; chosen, few nights are longer


def expected_of(info: FrameInfo, runs: Sequence[LoggedRun]) -> Expected | None:
    """Return the best position that the runs of its telescope make likely for a frame; None where they tell none."""
    time = info.time
    found = tuple(run for run in runs if run.position is not None and run.verdict != "failed" and not run.excluded)
    tolerance = median_of(run.tolerance_steps for run in found)
    if not found or not tolerance or time is None:
        return None

    def hours(run: LoggedRun) -> float:
        return abs((time - run.time).total_seconds()) / 3600.0

    alike = [run for run in found if run.filter == info.filter]
    last = min(alike or found, key=hours)
    assert last.position is not None
    drift = _drift(found)
    apart_c = None
    if info.temperature_c is not None and last.temperature_c is not None:
        apart_c = info.temperature_c - last.temperature_c
    per_c, per_c_err = 0.0, _PER_C * tolerance
    if drift and drift.steps_per_c is not None and drift.steps_per_c_err is not None:
        per_c, per_c_err = drift.steps_per_c, drift.steps_per_c_err
    between = _PER_NIGHT * tolerance
    if drift and drift.night_scatter_steps is not None:
        between = math.sqrt(2.0) * drift.night_scatter_steps
    offset, offset_err = _offset(drift, last.filter, info.filter)
    err = math.hypot(
        last.position_err or 0.2 * tolerance,
        per_c_err * (_UNKNOWN_C if apart_c is None else abs(apart_c)),
        0.0 if hours(last) < _SAME_NIGHT_H else between,
        _PER_ROOT_H * tolerance * math.sqrt(min(hours(last), _SAME_NIGHT_H)),
        _PER_FILTER * tolerance if offset_err is None else offset_err,
    )
    return Expected(last.position + per_c * (apart_c or 0.0) + offset, err)


def _offset(drift: Drift | None, before: str | None, now: str | None) -> tuple[float, float | None]:
    """Return by how much focus lies higher in one filter than in another, and the error of that; None: not known."""
    if before == now:
        return 0.0, 0.0
    known = {one.filter: one for one in drift.filters} if drift else {}
    if before not in known or now not in known:
        return 0.0, None
    pair = known[now], known[before]
    if any(one.offset_steps is None or one.err is None for one in pair):
        return 0.0, None
    return (pair[0].offset_steps or 0.0) - (pair[1].offset_steps or 0.0), math.hypot(*(one.err or 0.0 for one in pair))


@lru_cache(maxsize=8)
def _drift(runs: tuple[LoggedRun, ...]) -> Drift | None:
    """Return the drift of the runs; None where they are too few to tell any."""
    from focuskit.drift import fit_drift  # a frame without logged runs need not wait for it

    try:
        return fit_drift(runs, search_rebuilds=False)
    except FocuskitError:
        return None
