"""Which column of a table is what: by what the user says, then by names and values together."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import usual_filter
from focuskit.core.log_times import NO_VALUE
from focuskit.core.written_times import EPOCHS, kind_of_time
from focuskit.frames.csv_table import Cells
from focuskit.frames.table_values import is_number
from focuskit.frames.table_words import AIR, NOT_AIR, UNITS_OF, has, is_other, rank, unit_in_name

_TEXTS = ("time", "filter", "rig", "verdict", "note", "key", "excluded", "pier_side")
_GUESSED = ("time", "filter", "position", "position_err", "rig")
_LOOKED_AT = 60  # rows in which the header is looked for
_SAMPLE = 300  # rows that show what a column holds: chosen, more say the same
_ALIKE_C = 1.0  # two sensors that differ by less show one air: chosen, the error of cheap ones
_MOST_SENSORS = 50  # chosen: a column of more is a remark or a number of the row
_FIRST_NAMES = ("temperature_c", "temperature", "temp_c", "temp")
_BEST = ("best", "new", "neu", "final", "beste", "opt", "meil", "mejor", "miglior", "nouv", "nuev", "nuov")
_PARTS = ("year", "month", "day", "hour", "minute")
_VALUE = re.compile(r"[+\-−–~]?\s*[.,]?\d")


@dataclass
class Columns:
    """Where the columns of a table are.

    Attributes
    ----------
    where : mapping of role to place
    time : list of int
        The places of what makes up the time: one column, date and clock, or year, month, day, hour and minute.
    numbers : set of str
        The roles that are numbers.
    kept : list of int or None
        The rows of the one sensor that is used, None for all.
    assumed : list of str
    """

    where: dict[str, int] = field(default_factory=dict)
    time: list[int] = field(default_factory=list)
    numbers: set[str] = field(default_factory=set)
    kept: list[int] | None = None
    assumed: list[str] = field(default_factory=list)


def find_header(cells: Cells, known: Sequence[str]) -> tuple[list[str], int]:
    """Return the names of the columns, and the index of the first row below them.

    Without a header the names are ``1``, ``2`` and so on.
    """
    rows = cells.rows[:_LOOKED_AT]
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows]
    usual = Counter(n for n in filled if n).most_common(1)[0][0]
    has_values = [any(_VALUE.match(cell.strip()) for cell in row) for row in rows]
    for i, row in enumerate(rows):
        if filled[i] >= usual / 2 and not has_values[i] and any(has_values[i + 1 : i + 4]) and _names(row, known) > 1:
            return [cell.strip() for cell in row], i + 1
    if len(cells.comment) == usual and _names(cells.comment, known) > 1:
        return [cell.strip() for cell in cells.comment], 0
    for i, row in enumerate(rows):
        if filled[i] >= usual and not has_values[i] and (i + 1 == len(rows) or filled[i + 1] <= filled[i]):
            return [cell.strip() for cell in row], i + 1
        if filled[i] >= usual and has_values[i] and sum(bool(_VALUE.match(c.strip())) for c in row) * 2 >= filled[i]:
            return [str(k) for k in range(1, max(map(len, rows[i:])) + 1)], i
    return [cell.strip() for cell in rows[0]], 1


def _names(row: Sequence[str], known: Sequence[str]) -> int:
    """Return how many cells of a row are names of columns."""
    roles = (*_GUESSED, "temperature", "sensor", "value")
    return sum(
        cell.strip().lower() in known or (0 < len(cell) < 50 and any(rank(cell, role) for role in roles))
        for cell in row
    )


def find_columns(
    header: list[str],
    rows: list[list[str]],
    known: Sequence[str],
    mapped: Mapping[str, str],
    only: tuple[str, str] | None,
) -> Columns:
    """Find the columns of a table.

    Parameters
    ----------
    header, rows
        All of one width.
    known : sequence of str
        The columns that a table of this kind can have.
    mapped : mapping of role to name
    only : (str, str) or None
        Use only the rows whose column (first) holds the value (second).

    Raises
    ------
    FocuskitError
        If a name is not there, or nothing decides between several columns.
    """
    found = Columns()
    if only:
        place = place_of(header, only[0])
        found.kept = [i for i, row in enumerate(rows) if row[place].strip() == only[1]]
        if not found.kept:
            raise FocuskitError(f"no row has {only[0]}={only[1]}")
        rows = [rows[i] for i in found.kept]
    lower = [name.lower() for name in header]
    where = found.where
    heat = "temperature" if "temperature" in known else "temperature_c"
    for role, names in mapped.items():
        role = heat if role.startswith("temperature") else role
        if role == "time":
            found.time = [place_of(header, name) for name in names.split("+")]
        else:
            where[role] = place_of(header, names)
    look = _Look(header, rows)
    for role in known:
        if role in lower and role not in where and role != "time":
            where[role] = lower.index(role)
    found.time = found.time or _find_time(look, set(where.values()))
    where["time"] = found.time[0]
    if "temperature" in known:
        _find_heat(look, found, "temperature", only is not None)
    else:
        for role in _GUESSED[1:]:
            guess = None if role in where else _find_role(look, role, found)
            if guess is not None:
                where[role] = guess
        if "temperature_c" not in where:
            _find_heat(look, found, "temperature_c", True)
        if "position" not in where:
            raise FocuskitError(f"there is no column 'position'; say which of {', '.join(header)} it is", "columns")
    found.numbers = {role for role in where if role not in _TEXTS}
    return found


def place_of(header: list[str], name: str) -> int:
    """Return the place of a column by its name, or by its number where no name is that number."""
    name = name.strip()
    if name in header:
        return header.index(name)
    lower = [one.casefold() for one in header]
    if lower.count(name.casefold()) == 1:
        return lower.index(name.casefold())
    if name.isdecimal() and 0 < int(name) <= len(header):
        return int(name) - 1
    raise FocuskitError(f"there is no column '{name}'; the columns are {', '.join(header)}")


class _Look:
    """What the columns of a table hold, by a sample of its rows."""

    def __init__(self, header: list[str], rows: list[list[str]]) -> None:
        self.header, self.rows = header, rows
        step = max(1, len(rows) // _SAMPLE)
        sample = [row[i].strip() for row in rows[::step] for i in range(len(header))]
        width = len(header)
        self.cells = [[c for c in sample[i::width] if c.lower() not in NO_VALUE] for i in range(width)]
        self.kinds = [_most(cells, kind_of_time) for cells in self.cells]
        self.is_number = [bool(cells) and sum(map(is_number, cells)) * 2 > len(cells) for cells in self.cells]

    def middle(self, place: int) -> float:
        """Return the median of a column of numbers, roughly: marks of thousands are not known yet."""
        values = [float(m[0].replace(",", ".")) for c in self.cells[place] if (m := re.search(r"-?\d+(?:[.,]\d+)?", c))]
        return float(np.median(values)) if values else float("nan")

    def fitting(self, role: str, used: set[int]) -> list[int]:
        """Return the columns that fit a role best by their names."""
        ranks = {i: rank(name, role) for i, name in enumerate(self.header) if i not in used}
        most = max(ranks.values(), default=0)
        return [i for i, r in ranks.items() if r == most and r]

    def listed(self, places: Sequence[int]) -> str:
        return ", ".join(f"'{self.header[i]}'" for i in places)


def _most(cells: list[str], kind: Callable[[str], str]) -> str:
    counted = Counter(map(kind, cells)).most_common(1)
    return counted[0][0] if counted else ""


def _find_time(look: _Look, used: set[int]) -> list[int]:
    """Return the places of what makes up the time."""
    header, kinds = look.header, look.kinds
    named = [i for i, name in enumerate(header) if i not in used and (rank(name, "time") or header[0] == "1")]
    others = [i for i, name in enumerate(header) if i not in used and i not in named and not is_other(name)]
    exact = [i for i in named if header[i].lower() == "time"]

    def best(places: list[int]) -> int:
        utc = [i for i in places if has(header[i], ("utc", "ut", "gmt"))]
        return max(utc or places, key=lambda i: (i in exact, rank(header[i], "time")))

    def of_kind(kind: str) -> list[int]:
        return [i for i in named if kinds[i] == kind] or [i for i in others if kinds[i] == kind]

    if moments := of_kind("moment"):
        return [best(moments)]
    numbers = [i for i in named if look.is_number[i]]
    dates, clocks = of_kind("date"), of_kind("clock")
    days = [i for i in numbers if any(low < look.middle(i) < high for low, high in EPOCHS)]
    # Spreadsheets may have left parts of a day, or hours and minutes without a mark.
    loose = [i for i in numbers if i not in [*dates, *days] and rank(header[i], "time")]
    loose = [i for i in loose if not any(rank(header[i], part) for part in _PARTS[:3])]
    dates = dates or (days if clocks or loose else [])
    if dates:
        return [best(dates), best(clocks or loose)] if clocks or loose else [best(dates)]
    if days:
        return [best(days)]
    parts = {
        part: [i for i, name in enumerate(header) if rank(name, part) == 3 and look.is_number[i]] for part in _PARTS
    }
    if all(parts[part] for part in _PARTS[:4]):
        return [parts[part][0] for part in _PARTS if parts[part]]
    if clocks:
        raise FocuskitError(f"column '{header[clocks[0]]}' has times of day, and no column has the date", "columns")
    if exact or len(named) == 1:
        return [(exact or named)[0]]
    raise FocuskitError(f"which of {', '.join(header)} is the time? Name the column", "columns")


def _find_role(look: _Look, role: str, found: Columns) -> int | None:
    """Return the place of a column of runs; None where the table has none."""
    used = {*found.where.values(), *found.time}
    numeric = role in UNITS_OF
    places = [i for i in look.fitting(role, used) if look.cells[i] and (look.is_number[i] or not numeric)]
    if role == "position_err":
        places = [i for i in places if not has(look.header[i], ("temp", "time", "zeit"))]
    if len(places) > 1 and role == "position":
        places = [i for i in places if has(look.header[i], _BEST)] or places
    if len(places) > 1 and role in ("position", "filter"):
        raise FocuskitError(f"which of {look.listed(places)} is the {role}? Name the column", "columns")
    if places:
        return places[0]
    free = [i for i, name in enumerate(look.header) if i not in used and look.cells[i] and not is_other(name)
            and not any(rank(name, r) for r in (*_GUESSED, "temperature", "sensor") if r != role)]  # fmt: skip
    if role == "filter":
        free = [i for i in free if not look.is_number[i]]
        free = [i for i in free if np.mean([usual_filter(c).name is not None for c in set(look.cells[i])]) > 0.5]
    elif role == "position":
        # A hundred steps or more: no temperature, size or error has as many.
        free = [i for i in free if look.is_number[i] and abs(look.middle(i)) > 100.0]
    else:
        return None
    if len(free) != 1:
        return None
    found.assumed.append(f"column '{look.header[free[0]]}' is the {role}, by its values")
    return free[0]


def _find_heat(look: _Look, found: Columns, role: str, all_rows: bool) -> None:
    """Find the temperature of the air, of several sensors that of one; a table of runs may have none."""
    if role in found.where:
        return
    header, used = look.header, {*found.where.values(), *found.time}
    if not all_rows:
        look = _of_one_sensor(look, found, used)
    warm = [i for i, name in enumerate(header) if i not in used and look.is_number[i] and rank(name, "temperature")]
    first = [i for name in _FIRST_NAMES for i in (warm or range(len(header))) if header[i].lower() == name]
    air = [i for i in warm if not has(header[i], NOT_AIR)]
    outside = [i for i in air if has(header[i], AIR)]
    places = first[:1] or outside or air or warm
    if not places and role == "temperature":
        places = look.fitting("value", used)
    if not places:
        free = [i for i, name in enumerate(header) if i not in used and look.is_number[i] and not is_other(name)
                and not any(rank(name, other) for other in _GUESSED)]  # fmt: skip
        by_place = header[0] == "1"
        if role == "temperature":
            places = free[:1] if by_place else []
        elif len(free) == 1 and abs(look.middle(free[0])) < 100.0:
            places = free
        if places:
            found.assumed.append(f"column '{header[places[0]]}' is the temperature, by its values")
    if len(places) > 1:
        places = _one_of(look, places)
        others = [i for i in outside or air or warm if i != places[0]]
        found.assumed.append(f"the temperature is that of '{header[places[0]]}', not of {look.listed(others)}")
    if places:
        found.where[role] = places[0]
    elif role == "temperature":
        raise FocuskitError(f"which of {', '.join(header)} is the air temperature? Name the column", "columns")
    else:
        found.assumed.append("the table has no temperatures")


def _one_of(look: _Look, places: list[int]) -> list[int]:
    """Return the column to take of several temperatures: the one in °C of a pair, or the first of those that agree."""
    units = {i: unit_in_name(look.header[i], "temperature") for i in places}
    in_c = [i for i in places if units[i] == "C"]
    if len(in_c) == 1 and all(units.values()):
        return in_c
    values = [[_number(row[i]) for i in places] for row in look.rows]
    table = np.array(values)
    apart = np.abs(table[:, 1:] - table[:, :1])
    if np.isfinite(apart).any() and float(np.nanmedian(apart)) <= _ALIKE_C:
        return places[:1]
    raise FocuskitError(f"which of {look.listed(places)} is the air temperature? Name the column", "columns")


def _number(text: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return float("nan")


def _of_one_sensor(look: _Look, found: Columns, used: set[int]) -> _Look:
    """Return the rows of one sensor of a long table: that of the air, by its name."""
    places = [i for i in look.fitting("sensor", used) if look.cells[i] and look.kinds[i] == ""]
    if len(places) != 1:
        return look
    place = places[0]
    names = Counter(row[place].strip() for row in look.rows)
    if len(names) == 1 or len(names) > _MOST_SENSORS:
        return look
    heats = [n for n in names if rank(n, "temperature")] or list(names)
    air = [n for n in heats if has(n, AIR) and not has(n, NOT_AIR)] or [n for n in heats if not has(n, NOT_AIR)]
    if len(air) != 1:
        shown = ", ".join(list(names)[:5])
        raise FocuskitError(f"column '{look.header[place]}' has several sensors ({shown}): choose one", "only")
    found.kept = [i for i, row in enumerate(look.rows) if row[place].strip() == air[0]]
    found.assumed.append(f"of the sensors {', '.join(names)} the rows of '{air[0]}' are taken")
    return _Look(look.header, [look.rows[i] for i in found.kept])
