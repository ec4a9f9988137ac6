"""Tables of logged focus runs: what a run is, reading it from CSV, writing CSV and ECSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any

from focuskit.core.errors import FocuskitError
from focuskit.core.log_times import NO_VALUE
from focuskit.core.logged import COLUMNS, LoggedRun
from focuskit.core.ranges import MOST_OUT_OF_RANGE
from focuskit.core.reasons import Dropped
from focuskit.core.text import harmless_text, write_whole
from focuskit.core.times import format_time, parse_time
from focuskit.frames import Reading, TableReader

UNITS = {
    "temperature_c": "deg_C", "hfd_best_px": "pix", "exposure_s": "s", "seconds": "s",
    "other_temperature_c": "deg_C", "altitude_deg": "deg",
}  # fmt: skip
_TEXTS = ("filter", "rig", "verdict", "note", "key", "pier_side")
_NUMBERS = (
    "temperature_c", "position", "position_err", "hfd_best_px", "hfd_slope_px_per_step", "tolerance_steps",
    "exposure_s", "frames", "seconds", "other_temperature_c", "altitude_deg",
)  # fmt: skip
_TRUTH = {"": False, "0": False, "no": False, "false": False, "1": True, "yes": True, "true": True}
# A spreadsheet takes a cell that begins so for a formula.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def read_runs(
    path: str | Path,
    columns: Mapping[str, str] | None = None,
    zone: tzinfo | None = None,
    dropped: list[Dropped] | None = None,
    *,
    reader: TableReader | None = None,
    readings: list[Reading] | None = None,
) -> list[LoggedRun]:
    """Read logged runs from a table: one that focuskit wrote, or one kept by hand.

    Parameters
    ----------
    path : path
        Text with commas, semicolons, tabs, blanks or ``|`` between the columns, or a spreadsheet (``.xlsx``,
        needs openpyxl). Blank rows are skipped; an empty cell is an unknown value.
    columns : mapping, optional
        focuskit's column to the name it has in the file, or its place from 1, where names and values do not
        show it. ``time`` may name several, joined by ``+``: ``date+time``. Needed are time and position.
    zone : tzinfo, optional
        Zone of times without offset; UTC by default.
    dropped : list of Dropped, optional
        Where rows are listed that are left out because of a cell that cannot be read or is out of its range.
    reader : TableReader, optional
        More about the table: unit of temperatures, decimal mark, dates, usual columns; its ``columns`` are not used.
    readings : list of Reading, optional
        Where is added how the table was read: its ``account`` has three lines, none for a table that focuskit wrote.

    Raises
    ------
    FocuskitError
        If the file cannot be read or a column is missing, and for a row that is left out where no list takes it.
        Also if no row is left, or so many temperatures are out of range that their unit must be another.
    """
    path = Path(path)
    for name in columns or {}:
        if name not in (*COLUMNS, "temperature"):
            raise FocuskitError(f"no column of a run is called '{name}'; known are {', '.join(COLUMNS)}")
    reader = replace(reader or TableReader(), columns=columns or {})
    table = reader.read(path, "a CSV table of logged runs", COLUMNS, zone is None)
    if readings is not None:
        readings.append(table)
    lost = list(table.lost)
    if lost and dropped is None:
        raise FocuskitError(str(lost[0]))
    runs = _runs_of(path, table, zone, None if dropped is None else lost)
    warm = sum(row.why.startswith("temperature_c") for row in lost)
    if lost and not runs:
        raise FocuskitError(f"{path}: no row can be used, the first, row {lost[0].line}, because {lost[0].why}")
    if warm > max(1.0, MOST_OUT_OF_RANGE * len(table.lines)):
        raise FocuskitError(
            f"{path}: temperature_c is no temperature of air in {warm} of {len(table.lines)} rows: give it in °C, "
            "or its unit, or name another column"
        )
    if dropped is not None:
        dropped += lost
    return runs


def _runs_of(path: Path, table: Reading, zone: tzinfo | None, lost: list[Dropped] | None) -> list[LoggedRun]:
    """Return the runs of the rows; those that cannot be used are added to ``lost``, or raise where it is None."""
    runs = []
    names = list(table.cells)
    for line, *row in zip(table.lines, *table.cells.values(), strict=True):
        try:
            run = _run_of(dict(zip(names, row, strict=True)), zone)
            if problem := run.problem():
                raise FocuskitError(problem)
            runs.append(run)
        except FocuskitError as problem:
            if lost is None:
                raise FocuskitError(f"{path}, row {line}: {problem}") from problem
            lost.append(Dropped(path.name, line, str(problem)))
    return runs


def _run_of(cells: Mapping[str, str], zone: tzinfo | None) -> LoggedRun:
    cells = {name: "" if text.lower() in NO_VALUE else text for name, text in cells.items()}
    if not cells["time"]:
        raise FocuskitError("the time is missing; fill it in or delete the row")
    values: dict[str, Any] = {name: _plain(cells.get(name, "")) for name in _TEXTS}
    values |= {name: _number(name, cells.get(name, "")) for name in _NUMBERS}
    if values["position_err"] in (0.0, -1.0):
        values["position_err"] = None  # what is written where the error is not known: no run is exact
    frames = values["frames"]
    if frames is not None:
        if not frames.is_integer():
            raise FocuskitError(f"frames '{cells['frames']}' is not a number of frames")
        values["frames"] = int(frames)
    excluded = _TRUTH.get(cells.get("excluded", "").lower())
    if excluded is None:
        raise FocuskitError(f"excluded is '{cells['excluded']}'; write yes or no")
    return LoggedRun(time=parse_time(cells["time"], zone), excluded=excluded, **values)


def _number(name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise FocuskitError(f"{name} '{text}' is not a number") from None
    if not math.isfinite(value):
        raise FocuskitError(f"{name} '{text}' is not a finite number")
    return value


def write_csv(path: str | Path, runs: Iterable[LoggedRun]) -> None:
    """Write runs as CSV that `read_runs` reads back.

    Text that a spreadsheet would take for a formula (it begins with = + - @, a tab or a carriage
    return), or that begins with an apostrophe, is written with an apostrophe before it, which
    `read_runs` takes off again.
    """
    content = io.StringIO()
    writer = csv.writer(content)
    writer.writerow(COLUMNS)
    writer.writerows([_cell(getattr(run, name)) for name in COLUMNS] for run in runs)
    _write(Path(path), content.getvalue())


def _write(path: Path, content: str) -> None:
    if not path.parent.is_dir():
        raise FocuskitError(f"{path}: cannot be written (there is no folder {path.parent})")
    write_whole(path, content.encode("utf-8"))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return format_time(value) or ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return formula_free(value)
    return repr(value)


def formula_free(text: str) -> str:
    """Return the text of a cell with an apostrophe before what a spreadsheet would take for a formula."""
    return "'" + text if text.startswith((*_FORMULA_STARTS, "'")) else text


def _plain(text: str) -> str | None:
    marked = text.startswith("'") and text[1:].startswith((*_FORMULA_STARTS, "'"))
    return harmless_text(text[1:] if marked else text) or None


def write_ecsv(path: str | Path, runs: Sequence[LoggedRun]) -> None:
    """Write runs as ECSV (an astropy table with units); unknown values are masked, formulas marked as in CSV."""
    from astropy.table import MaskedColumn, Table

    table = Table(meta={"time": "UTC", "position": "in the unit of the focuser"})
    for name in COLUMNS:
        values = [getattr(run, name) for run in runs]
        if name == "time":
            values = [format_time(v) for v in values]
        kind = bool if name == "excluded" else int if name == "frames" else float if name in _NUMBERS else str
        filler = kind()
        filled = [filler if v is None else _cell(v) if kind is str else v for v in values]
        table[name] = MaskedColumn(filled, mask=[v is None for v in values], dtype=kind, unit=UNITS.get(name))
    content = io.StringIO()
    table.write(content, format="ascii.ecsv")
    _write(Path(path), content.getvalue())
