"""The logbook: all focus runs ever, in one SQLite file.

A run is known by the hash of its frames, or by rig, filter and time: analysed again it says what is known now, and
what it said before is kept. Runs are excluded, never deleted. Every change is one transaction: a process killed in
mid-write leaves the book whole, and two may write at once. Reading changes nothing, so that a book on a disk that is
read only can be read; a book of an earlier version is brought up to date by the first change, with a copy beside it.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from functools import cache
from itertools import chain
from pathlib import Path
from typing import Any

from focuskit.core.calibration import PARTS
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import COLUMNS, LoggedRun
from focuskit.core.logged_light import LoggedLight
from focuskit.core.reasons import Dropped
from focuskit.core.text import harmless_text
from focuskit.logbook.lights import load_lights, save_lights
from focuskit.logbook.migrations import MIGRATIONS, migrate
from focuskit.logbook.renewal import Renewal, earlier_of, knows_more

WAIT_S = 30.0  # for another process that writes; chosen: it writes for a second at most
# Columns of what a run shows to the analysis of others, by the parts they make up: all fields, and those needed.
_FIELDS = {name: [f"{name}_{field.name}" for field in fields(part)] for name, part in PARTS.items()}
_NEEDED = {
    name: [f"{name}_{field.name}" for field in fields(part) if field.default is MISSING] for name, part in PARTS.items()
}
_COLUMNS = (*COLUMNS, "details", *chain(*_FIELDS.values()), "reach_steps", "star_snr")
# What the user wrote, which analysing again must not undo.
_OF_USER = ("excluded", "note")
_TEXTS = ("key", "rig", "filter", "verdict", "note", "details", "pier_side")
_WHOLE = ("number", "frames", "excluded")
_NEVER_NULL = ("number", "key", "time", "excluded")


class Logbook:
    """A logbook in one file, made by the first run that is recorded.

    Parameters
    ----------
    path : path
        Of the SQLite file; missing folders are made when it is.

    Raises
    ------
    FocuskitError
        If the file is no logbook, comes from a later version, or cannot be opened.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if self.path.parts[:1] == ("~",):
            raise FocuskitError(f"{self.path}: there is no home folder to keep the logbook in; name another file")
        with self._open():
            pass

    @contextmanager
    def _open(self, writing: bool = False) -> Iterator[sqlite3.Connection]:
        """Open the book for one transaction; it is rolled back if anything fails.

        To be read, a book of an earlier version is brought up to date in memory, and one that is not there is empty.
        """
        book: sqlite3.Connection | None = None
        try:
            if writing:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            if writing or self.path.exists():
                # Not `ro`: what a killed process left half written is undone by whoever reads next, where it can.
                place = self.path.absolute().as_uri() + ("" if writing else "?mode=rw")
                book = sqlite3.connect(place, uri=True, timeout=WAIT_S, isolation_level=None)
            else:
                book = sqlite3.connect(":memory:", isolation_level=None)
            book.execute("PRAGMA trusted_schema = OFF")
            if writing:
                book.execute("BEGIN IMMEDIATE")
            version = self._version(book)
            if writing and 0 < version < len(MIGRATIONS):
                self._copy_beside(version)
            if version < len(MIGRATIONS) and not writing:
                with closing(book) as old:
                    book = sqlite3.connect(":memory:", isolation_level=None)
                    old.backup(book)
            migrate(book, version)
            if _objects_of_runs(book) != _objects_expected():
                raise FocuskitError(
                    f"{self.path}: its table of runs was changed by another program; use a copy that is whole"
                )
            book.row_factory = sqlite3.Row
            yield book
            if book.in_transaction:
                book.execute("COMMIT")
        except sqlite3.OperationalError as problem:
            raise FocuskitError(f"{self.path}: {_words_of(problem)}") from problem
        except (sqlite3.Error, OverflowError, ValueError) as problem:
            raise FocuskitError(f"{self.path}: the logbook cannot be used ({problem})") from problem
        except OSError as problem:
            raise FocuskitError(f"{self.path.parent}: cannot be made ({problem.strerror})") from problem
        finally:
            if book is not None:
                book.close()

    def _version(self, book: sqlite3.Connection) -> int:
        version = int(book.execute("PRAGMA user_version").fetchone()[0])
        if version > len(MIGRATIONS):
            raise FocuskitError(f"{self.path}: was written by a later version of focuskit; update this one")
        if version <= 0 and book.execute("SELECT 1 FROM sqlite_master").fetchone():
            raise FocuskitError(f"{self.path}: is another program's database; name another file")
        return version

    def _copy_beside(self, version: int) -> None:
        """Keep a book of an earlier version as it is, in a file beside it."""
        copy = self.path.with_name(f"{self.path.stem}.version{version}{self.path.suffix}")
        if copy.exists():
            return
        unfinished = copy.with_name(f"{copy.name}.part")
        try:
            source = sqlite3.connect(self.path.absolute().as_uri() + "?mode=ro", uri=True)
            with closing(source), closing(sqlite3.connect(unfinished)) as target:
                source.backup(target)
            unfinished.replace(copy)
        except (OSError, sqlite3.OperationalError) as problem:
            raise FocuskitError(
                f"{self.path}: its folder is read-only or full, so the copy that is kept of an earlier version's book "
                f"cannot be written; make room, or copy the book to another folder and name that copy"
            ) from problem

    def record(self, runs: Iterable[LoggedRun]) -> int:
        """Write runs into the book, and leave those that it knows as they are; return how many it did not know."""
        with self._open(writing=True) as book:
            return sum(_insert(book, row) for row in _rows(book, runs))

    def renew(self, runs: Iterable[LoggedRun]) -> Renewal:
        """Write runs into the book; those that it knows say from now on what they say here.

        A run is known by its key, or by time, filter, rig and camera, see `earlier_of`. Its number, the user's note and
        exclusion stay; what it said before is kept for `earlier`. A run that was analysed without the optics does not
        take the place of one that was analysed with them, and a name of the rig is not lost.
        """
        counts = {"new": 0, "renewed": 0, "kept": 0}
        with self._open(writing=True) as book:
            before = book.execute("SELECT * FROM runs ORDER BY number").fetchall()
            for row in _rows(book, runs):
                known = earlier_of(row, before)
                if not known:
                    counts["new"] += _insert(book, row)
                elif any(knows_more(old, row) for old in known):
                    counts["kept"] += 1
                else:
                    counts["renewed"] += _replace(book, known, row)
                before = [old for old in before if old not in known]
        return Renewal(**counts)

    def earlier(self, number: int) -> list[LoggedRun]:
        """Return what a run said before it was analysed again, oldest first; what is damaged is left out."""
        self.run(number)
        with self._open() as book:
            texts = book.execute("SELECT said FROM earlier WHERE number = ? ORDER BY id", (number,)).fetchall()
        found = []
        for (text,) in texts:
            with suppress(ValueError, KeyError, TypeError, RecursionError):
                # What an earlier version said has not all columns.
                found.append(_from_row(dict.fromkeys(_COLUMNS) | json.loads(text)))
        return found

    def rename(self, kind: str, old: str | None, new: str) -> int:
        """Give another name to a rig or a filter, in all runs and for good; return how many runs had the old one.

        Parameters
        ----------
        kind : str
            ``rig`` or ``filter``.
        old : str or None
            None: runs that have no name; then only those that are in the book get the new one.
        """
        if kind not in ("rig", "filter"):
            raise FocuskitError(f"'{kind}' cannot be renamed: a rig or a filter can", "kind")
        with self._open(writing=True) as book:
            count = book.execute(f"UPDATE runs SET {kind} = ? WHERE {kind} IS ?", (new, old)).rowcount
            book.execute(f"UPDATE lights SET {kind} = ? WHERE {kind} IS ?", (new, old))
            if old is not None:
                book.execute("DELETE FROM renamed WHERE kind = ? AND old = ?", (kind, new))
                book.execute("UPDATE renamed SET new = ? WHERE kind = ? AND new = ?", (new, kind, old))
                book.execute("INSERT OR REPLACE INTO renamed VALUES (?, ?, ?)", (kind, old, new))
        return count

    def runs(self, rig: str | None = None, dropped: list[Dropped] | None = None) -> list[LoggedRun]:
        """Return all runs in order of time, excluded ones too; of one rig if it is named.

        Parameters
        ----------
        dropped : list of Dropped, optional
            Where runs are listed that are left out because a value of theirs is damaged or out of its range.

        Raises
        ------
        FocuskitError
            If there is such a run, and no list for it.
        """
        only = "" if rig is None else "WHERE rig = ?"
        with self._open() as book:
            rows = book.execute(
                f"SELECT * FROM runs {only} ORDER BY time, number", () if rig is None else (rig,)
            ).fetchall()
        found = []
        for row in rows:
            try:
                found.append(_from_row(row))
            except ValueError as problem:
                if dropped is None:
                    raise FocuskitError(f"{self.path}: run {row['number']} cannot be read: {problem}") from problem
                dropped.append(Dropped(self.path.name, row["number"], str(problem)))
        return found

    def run(self, number: int) -> LoggedRun:
        """Return one run by its number.

        Raises
        ------
        FocuskitError
            If there is no such run, or it is damaged.
        """
        with self._open() as book:
            # SQLite counts to 2^63 - 1, and has no words for more.
            row = None
            if abs(number) < 2**63:
                row = book.execute("SELECT * FROM runs WHERE number = ?", (number,)).fetchone()
        if row is None:
            raise FocuskitError(f"{self.path}: there is no run {number}; the list shows the numbers")
        try:
            return _from_row(row)
        except ValueError as problem:
            raise FocuskitError(f"{self.path}: run {number} cannot be read: {problem}") from problem

    def record_lights(self, lights: Iterable[LoggedLight]) -> int:
        """Write light frames; one that is known says from now on what it says here. Return how many were not known."""
        with self._open(writing=True) as book:
            return save_lights(book, lights)

    def lights(self, dropped: list[Dropped]) -> list[LoggedLight]:
        """Return all light frames in order of time; ``dropped`` gets those that are damaged."""
        with self._open() as book:
            return load_lights(book, self.path.name, dropped)

    def write_note(self, number: int, text: str) -> None:
        """Write a note on a run, in place of the one before."""
        self._change(number, "note", text)

    def exclude(self, number: int) -> None:
        """Set a run aside: it stays in the book and bears on nothing."""
        self._change(number, "excluded", 1)

    def include(self, number: int) -> None:
        """Bring an excluded run back."""
        self._change(number, "excluded", 0)

    def _change(self, number: int, column: str, value: str | int) -> None:
        self.run(number)
        with self._open(writing=True) as book:
            book.execute(f"UPDATE runs SET {column} = ? WHERE number = ?", (value, number))


def _words_of(problem: sqlite3.OperationalError) -> str:
    """Say what keeps SQLite from working with a file."""
    if problem.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return "is being written by another process; try again"
    if problem.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
        return "is read-only: nothing can be written into it; name another file, or make it writable"
    return f"the logbook cannot be used ({problem})"


def _rows(book: sqlite3.Connection, runs: Iterable[LoggedRun]) -> list[dict[str, Any]]:
    """Return runs as rows of the book, under the names that the user wants."""
    names = {(kind, old): new for kind, old, new in book.execute("SELECT kind, old, new FROM renamed")}
    rows = [_to_row(run.with_key()) for run in runs]
    for row in rows:
        row |= {kind: names.get((kind, row[kind]), row[kind]) for kind in ("rig", "filter")}
    return rows


def _insert(book: sqlite3.Connection, row: Mapping[str, Any]) -> int:
    """Write a row unless its key is there; return how many were written."""
    marks = ", ".join(f":{name}" for name in _COLUMNS)
    return book.execute(f"INSERT OR IGNORE INTO runs ({', '.join(_COLUMNS)}) VALUES ({marks})", row).rowcount


def _replace(book: sqlite3.Connection, known: list[sqlite3.Row], row: Mapping[str, Any]) -> int:
    """Let a run say what ``row`` says, and keep what it said; return 1 if that differs, else 0."""
    first, *others = known
    renewed = dict(row) | {name: first[name] for name in _OF_USER} | {"number": first["number"]}
    renewed["rig"] = row["rig"] or first["rig"]
    shown = [name for name in _COLUMNS if name != "details"]
    changed = bool(others) or any(renewed[name] != first[name] for name in shown)
    if changed:
        said = [(first["number"], json.dumps(dict(old), ensure_ascii=False)) for old in (*others, first)]
        book.executemany("INSERT INTO earlier (number, said) VALUES (?, ?)", said)
        book.executemany("DELETE FROM runs WHERE number = ?", [(old["number"],) for old in others])
    book.execute(
        f"UPDATE runs SET {', '.join(f'{name} = :{name}' for name in _COLUMNS)} WHERE number = :number", renewed
    )
    return int(changed)


def _to_row(run: LoggedRun) -> dict[str, Any]:
    numbers = run.numbers()
    values = {name: numbers.get(name, getattr(run, name, None)) for name in _COLUMNS}
    return {name: value.timestamp() if isinstance(value, datetime) else value for name, value in values.items()}


def _from_row(row: Mapping[str, Any] | sqlite3.Row) -> LoggedRun:
    """Return the run of a row.

    Raises
    ------
    ValueError
        If a value is not what its column holds: SQLite itself does not see to it.
    """
    values: dict[str, Any] = {name: _checked(name, row[name]) for name in (*_COLUMNS, "number")}
    try:
        values["time"] = datetime.fromtimestamp(values["time"], UTC)
    except (ValueError, OverflowError, OSError):
        raise ValueError("its time is damaged") from None
    for part, names in _FIELDS.items():
        found = {name: values.pop(name) for name in names}
        whole = None not in [found[name] for name in _NEEDED[part]]
        values[part] = PARTS[part](*found.values()) if whole else None
    run = LoggedRun(**values | {"excluded": bool(values["excluded"])})
    if problem := run.problem():
        raise ValueError(problem)
    return run


def _checked(name: str, value: Any) -> Any:
    """Return a value where it is one that its column may hold."""
    if value is None and name not in _NEVER_NULL:
        return None
    if name in _TEXTS and isinstance(value, str):
        return value if name == "details" else harmless_text(value)
    if name in _WHOLE and isinstance(value, int):
        return value
    if name not in (*_TEXTS, *_WHOLE) and isinstance(value, int | float) and math.isfinite(value):
        return float(value)
    raise ValueError(f"{name} is damaged")


@cache
def _objects_expected() -> list[tuple[str, ...]]:
    with closing(sqlite3.connect(":memory:")) as model:
        migrate(model)
        return _objects_of_runs(model)


def _objects_of_runs(book: sqlite3.Connection) -> list[tuple[str, ...]]:
    """Return what makes up the table of runs: itself, its indexes, and triggers if somebody added any."""
    found = book.execute("SELECT type, name, sql FROM sqlite_master WHERE lower(tbl_name) = 'runs'")
    return sorted(tuple(str(value) for value in row) for row in found)
