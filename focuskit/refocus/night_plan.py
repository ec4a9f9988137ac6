"""The plan of a night: which filters it is for, read from a file or taken from logged runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.logged import LoggedRun
from focuskit.core.ranges import RANGES, is_in_range
from focuskit.core.times import NIGHT_GAP_S
from focuskit.frames import TableReader, read_toml

NAMELESS = "-"  # the filter of runs that name none
_MOST_PLAN_BYTES = 1_000_000  # search: a plan has a few lines: more is another file
_WANTED = "a CSV or TOML file with the plan of a night"
_RUNS_OF_A_NIGHT = 4  # so many logged runs show the filters of a night (chosen; fewer may be a test of focus)
_SHORTEST_BLOCK_MIN = 15.0  # a run in narrowband and one exposure: sooner, one run follows another
_BLOCK_MIN = 60.0  # where the runs do not tell how long a filter is used (chosen; usual, no source)


@dataclass(frozen=True)
class Block:
    """A stretch of the night in one filter."""

    filter: str
    minutes: float
    sub_s: float


@dataclass(frozen=True)
class NightPlan:
    """Blocks in their order; they begin again where the night is longer than all of them."""

    blocks: tuple[Block, ...]

    @property
    def filters(self) -> tuple[str, ...]:
        """The filters in the order of their first use."""
        return tuple(dict.fromkeys(b.filter for b in self.blocks))

    def shares(self) -> dict[str, float]:
        """Part of the time spent in each filter; the parts add up to one."""
        total = sum(b.minutes for b in self.blocks)
        return {f: sum(b.minutes for b in self.blocks if b.filter == f) / total for f in self.filters}


def read_night_plan(path: str | Path, filters: FilterTable = USUAL_FILTERS) -> NightPlan:
    """Read the blocks of a night from CSV or TOML, in their order.

    CSV has the columns ``filter,minutes`` and optionally ``sub_s``; TOML has tables ``[[block]]``
    with these keys. Without ``sub_s`` it is what is usual for the filter by ``filters``, the
    table of the rig file: 120 s in broadband, 300 s in narrowband.

    Raises
    ------
    FocuskitError
        If the file cannot be read, or a block lacks its filter or minutes.
    """
    path = Path(path)
    entries = _entries_of_toml(path) if path.suffix.lower() == ".toml" else _entries_of_csv(path)
    if not entries:
        raise FocuskitError(f"{path}: no block is in the plan; each needs filter and minutes")
    return NightPlan(tuple(_block(path, i, entry, filters) for i, entry in enumerate(entries, 1)))


def _entries_of_toml(path: Path) -> Sequence[Mapping[str, Any]]:
    found = read_toml(path, _WANTED).get("block", [])
    return found if isinstance(found, list) and all(isinstance(entry, Mapping) for entry in found) else []


def _entries_of_csv(path: Path) -> Sequence[Mapping[str, Any]]:
    table = TableReader.rows(path, _WANTED, _MOST_PLAN_BYTES)
    entries = [dict(zip(table.header, row, strict=False)) for row in table.rows]
    if table.decimal_comma:
        entries = [{k: v if k == "filter" else v.replace(",", ".") for k, v in entry.items()} for entry in entries]
    return entries


def _block(path: Path, number: int, entry: Mapping[str, Any], filters: FilterTable) -> Block:
    name = filters.name(str(entry.get("filter") or "").strip())
    if not name:
        raise FocuskitError(f"{path}: block {number} of the plan names no filter")
    values = []
    for key, default in (("minutes", None), ("sub_s", filters.kind(name).sub_s)):
        given = entry.get(key)
        try:
            value = default if given in (None, "") else float(given)
        except (TypeError, ValueError):
            value = None
        if value is None or not is_in_range(key, value):
            what = f"no {key}" if given in (None, "") else f"{key}={given}"
            known = RANGES[key]
            raise FocuskitError(
                f"{path}: block {number} ({name}) has {what}: write a number of {known.lowest:g} to {known.highest:g}"
            )
        values.append(value)
    return Block(name, *values)


def night_from_runs(runs: Sequence[LoggedRun], filters: FilterTable = USUAL_FILTERS) -> tuple[NightPlan, bool]:
    """Take the plan from the last night with at least four logged runs, and say whether there is one.

    Each filter lasts from its run to the next run in another filter, the last one for as long
    as the blocks before it on average. Of runs one after another in several filters only the last
    begins a block. A night that is mostly such runs shows no plan; where all are, an hour in each
    filter is assumed.
    """
    runs = sorted(runs, key=lambda run: run.time)
    moments = np.array([run.time.timestamp() / 60.0 for run in runs])
    names = [run.filter or NAMELESS for run in runs]
    edges = [0, *(np.flatnonzero(np.diff(moments) > NIGHT_GAP_S / 60.0) + 1).tolist(), len(moments)]
    for start, stop in reversed(list(pairwise(edges))):
        turns = [i for i in range(start, stop) if i == start or names[i] != names[i - 1]]
        kept = [i for i, j in pairwise(turns) if moments[j] - moments[i] >= _SHORTEST_BLOCK_MIN] + turns[-1:]
        if stop - start < _RUNS_OF_A_NIGHT or len(kept) < len(turns) / 2:
            continue
        lasting = np.diff(moments[kept]).tolist()
        lasting.append(sum(lasting) / len(lasting) if lasting else _BLOCK_MIN)
        blocks = zip([names[i] for i in kept], lasting, strict=True)
        return NightPlan(tuple(Block(name, minutes, filters.kind(name).sub_s) for name, minutes in blocks)), True
    used = dict.fromkeys(names)
    return NightPlan(tuple(Block(name, _BLOCK_MIN, filters.kind(name).sub_s) for name in used)), False
