"""Which logged runs a run that is analysed again takes the place of."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

Row = TypeVar("Row", bound=Any)  # a row of the table of runs, whose columns have names

_SLACK_S = 2.0  # chosen: times in tables are rounded to seconds, and no two runs of a focuser begin that close


@dataclass(frozen=True)
class Renewal:
    """What came of runs that were recorded.

    Parameters
    ----------
    new : int
        Runs that the logbook did not know.
    renewed : int
        Known runs that say something else now.
    kept : int
        Known runs that stay as they were, because more was known when they were analysed.
    lights : int
        Light frames that the logbook did not know.
    """

    new: int
    renewed: int
    kept: int
    lights: int = 0


def earlier_of(row: Mapping[str, Any], logged: Sequence[Row]) -> list[Row]:
    """Return the logged runs that are the same as ``row``, the one that says most alike first.

    A run is the same where its key is. Else where it was taken at the same time by the same camera in the same filter
    and rig, as far as both name them: one focuser makes one run at a time. So a run is known again whose frames were
    grouped otherwise, or that came from a table.
    """
    alike = [old for old in logged if old["key"] == row["key"]]
    return alike + [old for old in logged if old["key"] != row["key"] and _overlap(row, old)]


def _overlap(row: Mapping[str, Any], old: Row) -> bool:
    if any(row[name] is not None and old[name] is not None and row[name] != old[name] for name in ("rig", "filter")):
        return False
    later, sooner = (row, old) if row["time"] >= old["time"] else (old, row)
    if later["time"] > sooner["time"] + (sooner["seconds"] or 0.0) + _SLACK_S:
        return False
    cameras = {_detail(one, "instrument") for one in (row, old)} - {None}
    return len(cameras) < 2


def knows_more(old: Row, row: Mapping[str, Any]) -> bool:
    """Return whether a logged run rests on more knowledge of the telescope's optics than ``row`` does."""
    return _optics_of(old) > _optics_of(row)


def _optics_of(row: Any) -> int:
    """Return 2 where the optics were known, 1 where they were found from the frames, 0 where they played no part."""
    fits = _detail(row, "fits")
    profile = fits.get("profile") if isinstance(fits, dict) else None
    if isinstance(profile, dict) and profile.get("optics_found"):
        return 1
    is_known = _detail(row, "critical_focus_zone_steps") is not None or row["spherical_path_um"] is not None
    return 2 if is_known else 0


def _detail(row: Any, name: str) -> Any:
    """Return a value from the details of a run; None where there is none, or they are damaged."""
    try:
        details = json.loads(row["details"] or "null")
    except (ValueError, RecursionError):
        return None
    return details.get(name) if isinstance(details, dict) else None
