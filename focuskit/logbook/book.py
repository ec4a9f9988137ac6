"""The logbook: all focus runs ever, in one SQLite file.

A run is known by the hash of its frames, so recording it again changes nothing. Runs are excluded,
never deleted. Every change is one transaction: a process killed in mid-write leaves the book whole,
and two may write at once. Reading changes nothing, so that a book on a disk that is read only can be read.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from focuskit.core.calibration import Seeing, Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import COLUMNS, LoggedRun
from focuskit.core.reasons import Dropped
from focuskit.core.text import harmless_text
from focuskit.logbook.migrations import LEARNED, MIGRATIONS, migrate

WAIT_S = 30.0  # for another process that writes; chosen: it writes for a second at most
_COLUMNS = (*COLUMNS, "details", *LEARNED)
# What the user wrote, which analysing again must not undo.
_OF_USER = ("excluded", "note")
_TEXTS = ("key", "rig", "filter", "verdict", "note", "details")
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

    def record(self, runs: Iterable[LoggedRun], renew: bool = False) -> int:
        """Write runs into the book; return how many it did not know yet.

        Parameters
        ----------
        renew : bool
            Also write what was measured anew of runs that are known; notes and exclusions stay.
        """
        measured = [name for name in _COLUMNS if name not in _OF_USER and name != "key"]
        then = "UPDATE SET " + ", ".join(f"{name} = excluded.{name}" for name in measured) if renew else "NOTHING"
        marks = ", ".join("?" for _ in _COLUMNS)
        command = f"INSERT INTO runs ({', '.join(_COLUMNS)}) VALUES ({marks}) ON CONFLICT (key) DO {then}"
        rows = [_to_row(run.with_key()) for run in runs]
        with self._open(writing=True) as book:
            before = int(book.execute("SELECT COUNT(*) FROM runs").fetchone()[0])
            book.executemany(command, rows)
            return int(book.execute("SELECT COUNT(*) FROM runs").fetchone()[0]) - before

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


def _to_row(run: LoggedRun) -> tuple[object, ...]:
    numbers = run.numbers()
    values = (numbers.get(name, getattr(run, name, None)) for name in _COLUMNS)
    return tuple(value.timestamp() if isinstance(value, datetime) else value for value in values)


def _from_row(row: sqlite3.Row) -> LoggedRun:
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
    own = [values.pop(name) for name in LEARNED if name.startswith("spherical")]
    seeing = [values.pop(name) for name in LEARNED if name.startswith("seeing")]
    run = LoggedRun(
        **values | {"excluded": bool(values["excluded"])},
        spherical=None if None in own else Spherical(*own),
        seeing=None if None in seeing else Seeing(*seeing),
    )
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
