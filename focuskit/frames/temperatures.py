"""Logs of air temperature as weather stations, sensors and people write them, split into nights.

A log is one or more CSV files of any cadence with any column names. What is dropped is listed with
its reason, and every assumption (unit, clock, which hours are night) stands in ``notes``.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.log_times import as_zone, read_moments, read_number, utc_offset_s, zone_name
from focuskit.core.ranges import MOST_OUT_OF_RANGE, RANGES
from focuskit.core.reasons import Dropped
from focuskit.core.times import HOUR_S, NIGHT_GAP_S
from focuskit.frames.table_reading import Reading, TableReader

FloatArray = NDArray[np.float64]

DAY_S = 86400.0  # by definition
# The longest night at 60° of latitude lasts 18.1 h: a longer stretch holds daytime too.
LONGEST_NIGHT_H = 18.0
SHORTEST_NIGHT_H = 0.5  # chosen: in less, nothing changes that a policy could follow
# Of a log round the clock where no hours are given. Chosen: the mean over a year of the time with the sun 12°
# below the horizon is 9 to 10 h at middle latitudes.
NIGHT_LENGTH_H = 10.0
# Chosen: of two stations in turn half of the rows are disputed, of one station whose hour repeats in autumn few.
_MOST_DISPUTED = 0.3


@dataclass(frozen=True)
class TemperatureLog:
    """Temperatures in order of time, and which of them belong to one night.

    Parameters
    ----------
    time_s : ndarray of float, shape (n,)
        Unix seconds (UTC), strictly rising.
    temperature_c : ndarray of float, shape (n,)
    nights : tuple of (int, int)
        Index ranges: night ``i`` is ``slice(*nights[i])``. Daytime is in none.
    dropped : tuple of Dropped
    notes : tuple of str
        Every assumption made in reading, one sentence each.
    readings : tuple of Reading
        How each file was read.
    """

    time_s: FloatArray
    temperature_c: FloatArray
    nights: tuple[tuple[int, int], ...]
    dropped: tuple[Dropped, ...] = ()
    notes: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = field(default=(), compare=False, repr=False)

    def night(self, index: int) -> tuple[FloatArray, FloatArray]:
        """Return ``(time_s, temperature_c)`` of one night."""
        part = slice(*self.nights[index])
        return self.time_s[part], self.temperature_c[part]


def read_temperatures(
    paths: str | Path | Sequence[str | Path],
    *,
    columns: Mapping[str, str] | None = None,
    unit: str | None = None,
    zone: str | tzinfo | None = None,
    only: tuple[str, str] | None = None,
    night: str | None = None,
    reader: TableReader | None = None,
) -> TemperatureLog:
    """Read one or more temperature logs and split them into nights.

    Parameters
    ----------
    paths : path or sequence of paths
        Tables as people and loggers write them: separators, decimal marks, encodings, dates and units are
        found out, and ``readings`` of the log say how each was read. Spreadsheets (``.xlsx``) need openpyxl.
    columns : mapping, optional
        Names of the columns ``time`` and ``temperature`` in the file, where they are not clear, or their places
        from 1. ``time`` may name several, joined by ``+``: ``date+time``, or ``year+month+day+hour``.
    unit : {'C', 'F', 'K'}, optional
        Unit of the temperatures; else the one that the table names; else °C, which is noted, or refused where
        the numbers are usual in °F, too.
    zone : str or tzinfo, optional
        Zone of times without offset, such as ``Europe/Oslo``; else UTC, which is noted.
        The hour that comes twice in autumn is told apart by the order of the rows.
    only : (str, str), optional
        Use only rows whose column (first) holds the value (second): one station of several.
    night : str, optional
        Hours of the night by the clock of ``zone``, such as ``'19:00-05:00'``, or ``'all'`` to
        keep every stretch between gaps whole. Without it, a stretch of at most 18 h is a night;
        of a longer one the ten hours are taken that end at the coldest hour of the mean day.
    reader : TableReader, optional
        What else is said about the tables: decimal mark, dates, usual columns.

    Raises
    ------
    FocuskitError
        If a file cannot be read, a column or the unit is not clear, or no night is left.
    """
    clock = as_zone(zone)
    files = [Path(p) for p in ([paths] if isinstance(paths, str | Path) else paths)]
    reader = replace(reader or TableReader(), columns=columns or {}, unit=_unit(unit), only=only)
    tables = [reader.read(path, "a CSV log of temperatures", ("time", "temperature"), clock is UTC) for path in files]
    if not tables:
        raise FocuskitError("no temperature log is given: name at least one CSV file")
    notes: list[str] = []
    dropped: list[Dropped] = []
    parts = [_numbers_of(path, table, clock, notes, dropped) for path, table in zip(files, tables, strict=True)]
    time_s, celsius = _join(files, parts, dropped)
    nights, rule = split_nights(time_s, celsius, night, clock)
    notes.append(rule)
    if not nights:
        raise FocuskitError(f"{files[0]}: no night of at least {SHORTEST_NIGHT_H:g} h is in the log ({rule})")
    unique_notes = tuple(dict.fromkeys(notes))
    dropped.sort(key=lambda d: (d.file, d.line))
    return TemperatureLog(time_s, celsius, nights, tuple(dropped), unique_notes, tuple(tables))


def _join(
    files: Sequence[Path],
    parts: Sequence[tuple[FloatArray, FloatArray, NDArray[np.int64]]],
    dropped: list[Dropped],
) -> tuple[FloatArray, FloatArray]:
    """Return times and temperatures of all files in order of time, without repeats and outliers."""
    time_s = np.concatenate([p[0] for p in parts])
    celsius = np.concatenate([p[1] for p in parts])
    line = np.concatenate([p[2] for p in parts])
    source = np.concatenate([np.full(len(p[0]), i) for i, p in enumerate(parts)])

    order = np.argsort(time_s, kind="stable")
    time_s, celsius, line, source = time_s[order], celsius[order], line[order], source[order]

    def drop(bad: NDArray[np.bool_], why: str) -> None:
        nonlocal time_s, celsius, line, source
        dropped.extend(Dropped(files[s].name, int(n), why) for s, n in zip(source[bad], line[bad], strict=True))
        time_s, celsius, line, source = time_s[~bad], celsius[~bad], line[~bad], source[~bad]

    repeated = np.concatenate([[False], np.diff(time_s) <= 0]) if len(time_s) else np.zeros(0, bool)
    # Logs that overlap repeat rows as they are, to the rounding of a tenth of a degree; two stations disagree.
    disputed = int(np.sum(repeated & np.concatenate([[False], np.abs(np.diff(celsius)) > 0.05])))
    if disputed > _MOST_DISPUTED * len(repeated):
        raise FocuskitError(
            f"{files[0]}: {disputed} of {len(repeated)} rows repeat a time with another temperature: if several "
            "stations or sensors share the file, choose one with only = (column, value)",
            "only",
        )
    drop(repeated, "same time as the row before")
    drop(find_outliers(time_s, celsius), "jumps away from its neighbours and back")
    if len(time_s) < 2:
        raise FocuskitError(f"{files[0]}: fewer than two usable temperatures are left")
    return time_s, celsius


def find_outliers(time_s: FloatArray, temperature_c: FloatArray) -> NDArray[np.bool_]:
    """Mark values that jump away from the two rows on each side and back.

    A value is marked if it departs from the other four of the five rows around it by more than 2 °C
    and 4 °C more for each hour between rows (a shower cools the air by as much and is over within
    the hour), by more than ten times the usual bend of the log, and by more than three times the
    spread of the closest three of those, so that a real front stays. Rows further than three hours
    away, or four cadences of the log, do not count as neighbours.
    """
    n = len(temperature_c)
    marked = np.zeros(n, bool)
    if n < 5:
        return marked
    first = np.clip(np.arange(n) - 2, 0, n - 5)
    around = first[:, None] + np.arange(5)[None, :]
    departure = np.abs(temperature_c - np.median(temperature_c[around], axis=1))
    cadence_h = float(np.median(np.diff(time_s))) / HOUR_S
    bend = np.abs(temperature_c[1:-1] - (temperature_c[:-2] + temperature_c[2:]) / 2.0)
    least = max(2.0 + 4.0 * min(cadence_h, 2.0), 10.0 * 1.4826 * float(np.median(bend)))
    reach_s = HOUR_S * max(3.0, 4.0 * cadence_h)
    for i in np.flatnonzero(departure > least):
        near = around[i][(np.abs(time_s[around[i]] - time_s[i]) <= reach_s) & (around[i] != i)]
        if len(near) < 2:
            continue
        others = temperature_c[near]
        # There may be a second outlier among them: the one furthest from the rest does not count.
        others = others[np.argsort(np.abs(others - np.median(others)))][:3]
        away = abs(temperature_c[i] - float(np.median(others)))
        marked[i] = away > least and away > 3.0 * float(np.ptp(others))
    return marked


def split_nights(
    time_s: FloatArray, temperature_c: FloatArray, night: str | None = None, zone: tzinfo = UTC
) -> tuple[tuple[tuple[int, int], ...], str]:
    """Return the index ranges of the nights in a log, and the rule they follow in one sentence.

    See `read_temperatures` for ``night``. Times are unix seconds, strictly rising.
    """
    gap_s = max(NIGHT_GAP_S, 3.0 * float(np.median(np.diff(time_s))))
    cuts = np.flatnonzero(np.diff(time_s) > gap_s) + 1
    stretches = list(itertools.pairwise([0, *cuts.tolist(), len(time_s)]))
    longest_h = max(time_s[b - 1] - time_s[a] for a, b in stretches) / HOUR_S
    if night == "all" or (night is None and longest_h <= LONGEST_NIGHT_H):
        rule = f"A night is a stretch without a gap over {gap_s / HOUR_S:g} h."
        return _long_enough(time_s, stretches), rule

    if night is not None:
        begin_s, end_s = _hours(night)
        day_s = np.mod(time_s + utc_offset_s(time_s, zone), DAY_S)
        rule = f"A night is {night} by the clock of {zone_name(zone)}."
    else:
        end_s = _coldest_hour_s(time_s, temperature_c)
        begin_s = (end_s - NIGHT_LENGTH_H * HOUR_S) % DAY_S
        day_s = np.mod(time_s, DAY_S)
        rule = (
            f"The log runs round the clock: a night is the ten hours {_clock(begin_s)}-{_clock(end_s)} UTC "
            "that end at the coldest hour of the mean day; --night gives the hours outright."
        )
    length_s = (end_s - begin_s) % DAY_S
    inside = np.mod(day_s - begin_s, DAY_S) <= length_s
    nights = []
    for a, b in stretches:
        # Rows further apart than a night is long are of two nights, though both lie inside the hours.
        new = np.concatenate([[True], (np.diff(inside[a:b]) != 0) | (np.diff(time_s[a:b]) > length_s)])
        edges = [*np.flatnonzero(new).tolist(), b - a]
        nights += [(a + i, a + j) for i, j in itertools.pairwise(edges) if inside[a + i]]
    return _long_enough(time_s, nights), rule


def _long_enough(time_s: FloatArray, ranges: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    return tuple((a, b) for a, b in ranges if b - a >= 2 and time_s[b - 1] - time_s[a] >= SHORTEST_NIGHT_H * HOUR_S)


def _coldest_hour_s(time_s: FloatArray, temperature_c: FloatArray) -> float:
    """Second of the UTC day at the end of the coldest hour of the mean day."""
    hour = (np.mod(time_s, DAY_S) // HOUR_S).astype(int)
    count = np.bincount(hour, minlength=24)
    total = np.bincount(hour, weights=temperature_c, minlength=24)
    mean = np.interp(np.arange(24), np.flatnonzero(count), (total / np.maximum(count, 1))[count > 0], period=24)
    return float((np.argmin(mean) + 1) % 24) * HOUR_S


def _hours(night: str) -> tuple[float, float]:
    match = re.fullmatch(r"(\d{1,2}):(\d{2})\s*[-–]\s*(\d{1,2}):(\d{2})", night.strip())
    if match:
        h1, m1, h2, m2 = (int(g) for g in match.groups())
        if max(h1, h2) < 24 and max(m1, m2) < 60 and (h1, m1) != (h2, m2):
            return h1 * HOUR_S + m1 * 60.0, h2 * HOUR_S + m2 * 60.0
    raise FocuskitError(f"'{night}' are not the hours of a night: write them like 19:00-05:00, or all")


def _clock(second_of_day: float) -> str:
    return f"{int(second_of_day // HOUR_S):02d}:{int(second_of_day % HOUR_S // 60):02d}"


def _unit(given: str | None) -> str | None:
    unit = given.strip().lstrip("°").upper()[:1] if given else None
    if given is not None and unit not in ("C", "F", "K"):
        raise FocuskitError(f"'{given}' is not a unit of temperature: write C, F or K")
    return unit


def _numbers_of(
    path: Path, table: Reading, zone: tzinfo, notes: list[str], dropped: list[Dropped]
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Times, temperatures and line numbers of one file, in the order of its rows."""
    name = table.names["temperature"]
    if not table.lines:
        raise FocuskitError(f"{path}: there is no row below the header")
    dropped += table.lost
    if table.unit_from:
        shown = "K" if table.unit == "K" else f"°{table.unit}"
        notes.append(f"{path.name}: column '{name}' is read as {shown}, {table.unit_from}.")
    if table.is_zone_open:
        notes.append(f"{path.name}: times without a zone are taken as UTC; --zone names another.")
    notes += [f"{path.name}: {text}." for text in table.assumed]
    celsius = np.array([read_number(text) for text in table.cells["temperature"]])
    time_s, _ = read_moments(table.cells["time"], zone)
    air = RANGES["temperature_c"]
    out_of_range = np.isfinite(celsius) & ((celsius < air.lowest) | (celsius > air.highest))
    if out_of_range.sum() > MOST_OUT_OF_RANGE * len(celsius):
        raise FocuskitError(
            f"{path}: column '{name}' would be {float(np.median(celsius[out_of_range])):.4g} °C in "
            f"{out_of_range.sum()} of {len(celsius)} rows, which is no air: give the unit, F or K, or "
            "name another column",
            "unit",
        )
    reasons = (
        (~np.isfinite(time_s), "no time that can be read"),
        (~np.isfinite(celsius), "no temperature"),
        (out_of_range, f"outside {air.lowest:g} to {air.highest:g} °C"),
    )
    good = np.ones(len(celsius), bool)
    for bad, why in reasons:
        dropped.extend(Dropped(path.name, table.lines[i], why) for i in np.flatnonzero(bad & good))
        good &= ~bad
    if not np.isfinite(time_s).any():
        raise FocuskitError(
            f"{path}: '{table.cells['time'][0]}' is not a time: write times like 2031-03-04T20:10:00Z, or name the "
            "column",
            "columns",
        )
    if not good.any():
        raise FocuskitError(f"{path}: no row has a time and a temperature that can be read")
    return time_s[good], celsius[good], np.array(table.lines, dtype=np.int64)[good]
