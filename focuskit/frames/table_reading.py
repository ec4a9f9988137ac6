"""The one reader of people's tables of runs and temperatures: which column is what, in which unit, and why.

Cells become columns of plain text by role: ISO times, numbers with a point, °C. Three lines say how they were read.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.log_times import read_number
from focuskit.core.reasons import Dropped
from focuskit.core.written_times import WrittenTimes, has_zone, is_iso, write_times
from focuskit.frames.csv_table import Cells, CsvTable, read_cells, read_csv
from focuskit.frames.table_roles import Columns, find_columns, find_header
from focuskit.frames.table_values import split_errors, write_numbers
from focuskit.frames.table_words import UNITS_OF, has, is_metric, is_unit_line, unit_in_name, unit_of

# A median in this range may be in °C or °F. Medians below 10 °F (-12 °C) are rare (common knowledge, no source); above
# 60 it is no temperature of air in °C, see RANGES.
_EITHER_UNIT = (10.0, 60.0)
# °F is used in North America. Its nights from May to September are warmer than 35 °F (common knowledge, no source), so
# that a lower median in these months is in °C.
_WARM_MONTHS, _COLDEST_THEN = ("05", "06", "07", "08", "09"), 35.0
_SAMPLE = 1000  # times that are looked at for a zone; chosen: a table names it in all or in none
NAMED = "as its name says"
_SHOWN = 2  # rows in the account: the first may be a special one


@dataclass(frozen=True)
class TableReader:
    """How a table is read, as far as the user says it; the rest is found in the table.

    Parameters
    ----------
    columns : mapping of role to the name of its column
        Of ``time`` several names, joined by ``+``; a number is the place of a column, from 1.
    unit : {'C', 'F', 'K'} or None
        Of temperatures; in a table of runs, where it names none.
    decimal : {'comma', 'point'} or None
        The decimal mark, where the numbers leave it open.
    dates : sequence of {'day-first', 'month-first', 'evening'}
        What comes first in dates, where they leave it open; whether the hours after midnight have the date of the
        evening.
    only : (str, str) or None
        Use only rows whose column (first) has the value (second).
    usual : mapping of role to the name of its column
        As ``columns``, for tables that have such a column.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    unit: str | None = None
    decimal: str | None = None
    dates: Sequence[str] = ()
    only: tuple[str, str] | None = None
    usual: Mapping[str, str] = field(default_factory=dict)

    @staticmethod
    def rows(path: Path, what: str, most: int) -> CsvTable:
        """Read a table whose first row is its header, of at most so many bytes; see `read_csv`."""
        return read_csv(path, what, most=most)

    def read(self, path: Path, what: str, known: Sequence[str], utc: bool = True) -> Reading:
        """Read a table of runs or temperatures.

        Parameters
        ----------
        path : path
            See `read_cells`.
        what : str
            What the file should be, for the errors.
        known : sequence of str
            The columns that a table of this kind can have; ``temperature_c`` or ``temperature`` among them.
        utc : bool
            Times without a zone are taken as UTC, which is then said.

        Raises
        ------
        FocuskitError
            If the table cannot be read, or can be read in two ways between which nothing decides.
        """
        try:
            return _Table(path, read_cells(path, what), known, self).read(utc)
        except FocuskitError as problem:
            if str(problem).startswith(str(path)):
                raise
            raise FocuskitError(f"{path}: {problem}", problem.argument) from problem


@dataclass(frozen=True)
class Reading:
    """A table as it was read.

    Parameters
    ----------
    cells : mapping of role to list of str
        Times in ISO 8601, numbers with a decimal point, temperatures in °C; what cannot be read is as it was.
    lines : list of int
        The line of the file on which each row ends.
    lost : tuple of Dropped
        Rows that cannot be read at all.
    names : mapping of role to str
        What the table calls its columns.
    unit, unit_from : str
        Of the temperatures as they are written, and where that is from; ``unit_from`` is empty where the user said it.
    is_zone_open : bool
        Times without a zone are taken as UTC.
    assumed : tuple of str
        What else was assumed, in a few words each.
    account : tuple of str
        Three lines that say how the table was read; none where it is one that focuskit writes itself.
    position_unit : str or None
        What the table says positions are in: ``step``, ``um`` or ``mm``.
    """

    cells: Mapping[str, list[str]]
    lines: list[int]
    lost: tuple[Dropped, ...]
    names: Mapping[str, str]
    unit: str
    unit_from: str
    is_zone_open: bool
    assumed: tuple[str, ...]
    account: tuple[str, ...]
    position_unit: str | None = None


class _Table:
    """One table on its way from cells to a reading."""

    def __init__(self, path: Path, cells: Cells, known: Sequence[str], said: TableReader) -> None:
        self.path, self.given, self.said = path, cells, said
        self.heat = "temperature_c" if "temperature_c" in known else "temperature"
        header, first = find_header(cells, known)
        self.above = cells.rows[: max(first - 1, 0)]
        self.head_line = cells.lines[first - 1] if first else 0
        self.units_below: list[str] = []
        if first < len(cells.rows) and is_unit_line(cells.rows[first]):
            self.units_below, first = cells.rows[first], first + 1
        self.lost: list[Dropped] = []
        rows, lines = self._of_width(header, cells.rows[first:], cells.lines[first:])
        usual = {role: name for role, name in said.usual.items() if {*name.split("+")} <= {*header}}
        self.mapped = {**usual, **said.columns}
        self.columns: Columns = find_columns(header, rows, known, self.mapped, said.only)
        if self.columns.kept is not None:
            rows, lines = [rows[i] for i in self.columns.kept], [lines[i] for i in self.columns.kept]
        self.header, self.rows, self.lines = header, rows, lines

    def _of_width(
        self, header: list[str], rows: list[list[str]], lines: list[int]
    ) -> tuple[list[list[str]], list[int]]:
        """Return the rows, each as wide as the header; those with more cells are lost.

        Raises
        ------
        FocuskitError
            If most have more.
        """
        width = len(header)
        wide = [len(row) > width and any(map(str.strip, row[width:])) for row in rows]
        if sum(wide) * 2 > len(rows):
            raise FocuskitError(
                f"the rows have more cells than the header: if their numbers have decimal commas, part the columns by "
                f"semicolons; else name every column (row {lines[wide.index(True)]})"
            )
        kept = [i for i, is_wide in enumerate(wide) if not is_wide and rows[i] != header]
        self.lost += [
            Dropped(self.path.name, lines[i], "has more cells than the header")
            for i, is_wide in enumerate(wide)
            if is_wide
        ]
        return [rows[i] + [""] * (width - len(rows[i])) for i in kept], [lines[i] for i in kept]

    def read(self, utc: bool) -> Reading:
        where = self.columns.where
        texts = {role: [row[i].strip() for row in self.rows] for role, i in sorted(where.items(), key=_time_first)}
        numbers = {role: texts[role] for role in texts if role in self.columns.numbers}
        if "position" in numbers and "position_err" not in numbers and (pair := split_errors(numbers["position"])):
            numbers["position"], numbers["position_err"] = pair
        units = {role: unit for role in numbers if (unit := self._unit_named(role))}
        small = [role for role in numbers if units.get(role) == "mm"]
        written = write_numbers(
            numbers, points=self.given.separator in (",", ""), decimal=self.said.decimal, small=small
        )
        units = {**written.units, **units}
        texts |= written.columns
        times = self._times()
        texts["time"] = times.texts
        if units.get("position_err") and units.get("position") not in (None, units["position_err"]):
            texts["position_err"] = _scaled(texts["position_err"], units["position_err"], units["position"])
        unit, unit_from = "C", ""
        if self.heat in texts:
            metric = is_metric(self.header) or "comma" in written.how or times.how == "day first"
            unit, unit_from = self._unit_of_temperature(texts, units.get(self.heat), metric)
            texts[self.heat] = _in_celsius(texts[self.heat], unit)
            units[self.heat] = unit
        assumed = (*self.columns.assumed, *times.assumed)
        if all(len(text) == 10 for text in times.texts if is_iso(text)):
            assumed = (*assumed, "a date without a time of day is its midnight")
        is_open = utc and not all(map(has_zone, filter(is_iso, times.texts[:_SAMPLE])))
        is_open = is_open and not any(has(self.header[i], ("utc", "ut", "gmt")) for i in self.columns.time)
        names = {role: self.header[i] for role, i in where.items()}
        names["time"] = "+".join(self.header[i] for i in self.columns.time)
        said = [*assumed]
        if unit_from not in ("", NAMED):
            said.append(f"temperatures are in °C, {unit_from}")
        if is_open:
            local = [name for i in self.columns.time if has(name := self.header[i], ("local", "lokal", "ortszeit"))]
            what = f", although '{local[0]}' says otherwise" if local else ""
            said.append(f"times are UTC{what} (--zone names another)")
        account = self._account(texts, units, written.how, times.how, said)
        lost, position_unit = tuple(self.lost), units.get("position")
        return Reading(texts, self.lines, lost, names, unit, unit_from, is_open, assumed, account, position_unit)

    def _unit_named(self, role: str) -> str | None:
        """Return the unit by the name of a column, the row below the header, or the lines above it."""
        if role not in self.columns.where:
            return None
        place = self.columns.where[role]
        named = unit_in_name(self.header[place], "temperature" if role == self.heat else role)
        if named is None and place < len(self.units_below):
            named = unit_of(self.units_below[place].strip(" ()[]"))
        if named is None and role == self.heat:
            words = [
                word for row in self.above for cell in row for word in re.split(r"[\s:=,]+", cell) if len(word) > 1
            ]
            found = {unit_of(word) for word in words} & set(UNITS_OF["temperature"])
            named = found.pop() if len(found) == 1 else None
        return named

    def _unit_of_temperature(self, texts: Mapping[str, list[str]], named: str | None, metric: bool) -> tuple[str, str]:
        """Return the unit, and where it is from; nothing where the user said it.

        Raises
        ------
        FocuskitError
            If nothing names it and the values are usual in °C and in °F: 1.8 times the drift hangs on it.
        """
        if self.said.unit and not (named and self.heat == "temperature_c"):
            return self.said.unit, ""
        if named:
            return named, NAMED
        if "temperature_c" in self.mapped:
            return "C", ""
        if metric:
            return "C", "as in the countries of its words, numbers or dates; --unit names another"
        values = np.array([read_number(text) for text in texts[self.heat]])
        middle = float(np.nanmedian(values)) if np.isfinite(values).any() else 0.0
        is_warm = all(text[5:7] in _WARM_MONTHS for text in texts["time"] if is_iso(text))
        if (_COLDEST_THEN if is_warm else _EITHER_UNIT[0]) < middle < _EITHER_UNIT[1]:
            name = self.header[self.columns.where[self.heat]]
            raise FocuskitError(
                f"column '{name}' names no unit, and {middle:.4g} may be °C or °F: the answer hangs on which", "unit"
            )
        return "C", "for lack of a unit; --unit names another"

    def _times(self) -> WrittenTimes:
        parts = [[row[i].strip() for row in self.rows] for i in self.columns.time]
        names = [self.header[i] for i in self.columns.time]
        said = set(self.said.dates)
        if any(has(name, ("night", "nacht", "nuit", "noche", "notte", "evening", "abend")) for name in names):
            said.add("evening")
        if len(parts) > 2:  # year, month, day, hour and perhaps minute
            joined = ["-".join(p[:3]) + " " + ":".join([*p[3:], "00"][:2]) for p in zip(*parts, strict=True)]
            return write_times(joined, said=said)
        modified = any(has(name, ("mjd",)) for name in names)
        return write_times(parts[0], parts[1] if len(parts) == 2 else None, said=said, modified_julian=modified)

    def _account(
        self, texts: Mapping[str, list[str]], units: Mapping[str, str], decimal: str, dates: str, assumed: list[str]
    ) -> tuple[str, ...]:
        """Return three lines that say how the table was read; none for one of the columns that focuskit writes."""
        where, path, header = self.columns.where, self.path.name, self.header
        by_name = {header[i].lower().removesuffix("_c") == role.removesuffix("_c") for role, i in where.items()}
        is_usual = all(units.get(role) in (None, "C", "step") for role in where)
        form = ", ".join(filter(None, (self.given.form, decimal)))
        if (
            by_name == {True}
            and len(self.columns.time) == 1
            and is_usual
            and form == "commas"
            and not dates + "".join(assumed)
        ):
            return ()
        time = "+".join(f"'{header[i]}'" for i in self.columns.time) + (f" ({dates})" if dates else "")
        shown = {"C": " in °C", "F": " in °F", "K": " in K", "um": " in µm", "mm": " in mm"}
        parts = [f"{role.removesuffix('_c')} from '{header[i]}'{shown.get(units.get(role, ''), '')}"
                 for role, i in where.items() if role != "time"]  # fmt: skip
        used = {*where.values(), *self.columns.time}
        unread = ", ".join(f"'{name}'" for i, name in enumerate(header) if i not in used and name)
        rows = [
            " ".join(_shown(texts[role][k], role == self.heat) for role in texts if texts[role][k])
            for k in range(min(_SHOWN, len(self.lines)))
        ]
        below = f"rows below line {self.head_line}" if self.head_line else "rows without a header"
        return (
            f"{path}: {len(self.lines)} {below} ({form}): time from {time}, {', '.join(parts)}"
            + (f"; not read: {unread}" if unread else ""),
            f"{path}: the first rows are {' | '.join(rows)}",
            f"{path}: assumed: {'; '.join(assumed) or 'nothing'}",
        )


def _time_first(item: tuple[str, int]) -> bool:
    return item[0] != "time"


def _shown(text: str, is_heat: bool) -> str:
    if not is_heat:
        return text
    value = read_number(text)
    return text if np.isnan(value) else f"{round(value, 2):g} °C"


def _in_celsius(texts: list[str], unit: str) -> list[str]:
    if unit == "C":
        return texts
    values = [read_number(text) for text in texts]
    return [
        text if value != value else f"{(value - 32.0) / 1.8 if unit == 'F' else value - 273.15:.10g}"
        for text, value in zip(texts, values, strict=True)
    ]


def _scaled(texts: list[str], unit: str, wanted: str) -> list[str]:
    """Return numbers in another unit of length; steps have none."""
    size = {"um": 1.0, "mm": 1000.0}
    if unit not in size or wanted not in size:
        return texts
    values = [read_number(text) for text in texts]
    return [t if v != v else f"{v * size[unit] / size[wanted]:.10g}" for t, v in zip(texts, values, strict=True)]
