"""The logbook's table of light frames: how far from focus each was, one row a frame."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable
from dataclasses import asdict, fields
from datetime import UTC, datetime
from typing import Any

from focuskit.core.logged_light import LoggedLight
from focuskit.core.reasons import Dropped
from focuskit.core.text import harmless_text

_COLUMNS = tuple(f.name for f in fields(LoggedLight))
_TEXTS = ("key", "side", "rig", "filter")
_NEEDED = ("key", "time", "position", "defocus_um", "defocus_err_um")


def save_lights(book: sqlite3.Connection, lights: Iterable[LoggedLight]) -> int:
    """Write light frames, those that are known in place of what they said; return how many were not known.

    Rigs and filters get the names that the user has given them.
    """
    names = {(kind, old): new for kind, old, new in book.execute("SELECT kind, old, new FROM renamed")}
    before = book.execute("SELECT COUNT(*) FROM lights").fetchone()[0]
    marks = ", ".join(f":{name}" for name in _COLUMNS)
    for light in lights:
        row = asdict(light) | {"time": light.time.timestamp()}
        row |= {kind: names.get((kind, row[kind]), row[kind]) for kind in ("rig", "filter")}
        book.execute(f"INSERT OR REPLACE INTO lights ({', '.join(_COLUMNS)}) VALUES ({marks})", row)
    return int(book.execute("SELECT COUNT(*) FROM lights").fetchone()[0] - before)


def load_lights(book: sqlite3.Connection, file: str, dropped: list[Dropped]) -> list[LoggedLight]:
    """Return all light frames in order of time; a damaged one is left out and listed under its row."""
    rows = book.execute(f"SELECT rowid, {', '.join(_COLUMNS)} FROM lights ORDER BY time, key").fetchall()
    found = []
    for row in rows:
        try:
            found.append(_from_row({name: row[name] for name in _COLUMNS}))
        except (ValueError, OverflowError, OSError) as problem:
            dropped.append(Dropped(file, row["rowid"], f"a light frame: {problem}"))
    return found


def _from_row(row: dict[str, Any]) -> LoggedLight:
    """Return the light frame of a row; raise ValueError where a value is not what its column holds."""
    for name, value in row.items():
        if value is None and name not in _NEEDED:
            continue
        if name in _TEXTS and isinstance(value, str):
            row[name] = harmless_text(value)
        elif name in _TEXTS or not isinstance(value, int | float) or not math.isfinite(value):
            raise ValueError(f"{name} is damaged")
    if row["side"] not in (None, "outside", "inside"):
        raise ValueError("side is damaged")
    light = LoggedLight(**row | {"time": datetime.fromtimestamp(row["time"], UTC)})
    if problem := light.problem():
        raise ValueError(problem)
    return light
