"""The logbook: recorded once, never lost, never mixed."""

import multiprocessing
import os
import signal
import sqlite3
import time
from datetime import UTC, datetime, timedelta

import pytest

from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.logbook import Logbook, read_runs, write_csv
from focuskit.logbook import book as module

START = datetime(2031, 3, 4, 20, 10, 0, 123000, tzinfo=UTC)


def make_runs(n, rig="Heron"):
    return [
        LoggedRun(
            START + timedelta(hours=i),
            5000.0 + i,
            "L",
            8.0 - i,
            1.1,
            rig,
            key=f"{rig}-{i}",
            details='{"a": 1}',
        )
        for i in range(n)
    ]


def test_a_run_is_recorded_once(tmp_path):
    book = Logbook(tmp_path / "deep" / "book.sqlite")
    assert book.record(make_runs(3)) == 3
    assert book.record(make_runs(5)) == 2
    runs = book.runs()
    assert [run.number for run in runs] == [1, 2, 3, 4, 5]
    assert runs[0].time == START
    assert runs[0] == LoggedRun(START, 5000.0, "L", 8.0, 1.1, "Heron", key="Heron-0", number=1, details='{"a": 1}')


def test_runs_without_key_are_known_by_what_they_say(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    run = LoggedRun(START, 5000.0, "L")
    assert book.record([run, run]) == 1
    assert book.record([run, LoggedRun(START, 5000.0, "R"), LoggedRun(START, 5000.0, "L", rig="Egret")]) == 2


def test_notes_and_exclusions_outlive_a_new_analysis(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record(make_runs(2))
    book.write_note(1, "wind")
    book.exclude(1)
    better = [LoggedRun(START, 5009.0, "L", 8.0, rig="Heron", key="Heron-0")]
    assert book.record(better) == 0
    assert book.run(1).position == 5000.0
    assert book.record(better, renew=True) == 0
    run = book.run(1)
    assert (run.position, run.note, run.excluded) == (5009.0, "wind", True)
    book.include(1)
    assert not book.run(1).excluded
    assert len(book.runs()) == 2


def test_rigs_are_kept_apart(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record([*make_runs(2), *make_runs(3, "Egret")])
    assert {run.rig for run in book.runs("Egret")} == {"Egret"}
    assert len(book.runs("Egret")) == 3
    assert book.runs("Stork") == []


def test_a_book_survives_export_and_import(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record(make_runs(4))
    book.exclude(2)
    write_csv(tmp_path / "out.csv", book.runs())
    other = Logbook(tmp_path / "other.sqlite")
    assert other.record(read_runs(tmp_path / "out.csv")) == 4
    assert [(r.time, r.position, r.excluded) for r in other.runs()] == [
        (r.time, r.position, r.excluded) for r in book.runs()
    ]


def test_unknown_numbers_and_files_are_said(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    for change in (book.run, book.exclude, book.include):
        with pytest.raises(FocuskitError, match="there is no run 7"):
            change(7)
    (tmp_path / "text.txt").write_text("this is no database, it is a text of some length\n" * 50)
    with pytest.raises(FocuskitError, match="cannot be used"):
        Logbook(tmp_path / "text.txt")
    with pytest.raises(FocuskitError, match="cannot be made"):
        Logbook(tmp_path / "text.txt" / "book.sqlite")
    with pytest.raises(FocuskitError, match="cannot be used"):
        Logbook(tmp_path)


def test_a_foreign_database_is_left_alone(tmp_path):
    path = tmp_path / "foreign.sqlite"
    with sqlite3.connect(path) as foreign:
        foreign.execute("CREATE TABLE birds (name TEXT)")
    foreign.close()
    with pytest.raises(FocuskitError, match="another program's database"):
        Logbook(path)
    with sqlite3.connect(path) as foreign:
        assert [row[0] for row in foreign.execute("SELECT name FROM sqlite_master")] == ["birds"]
    foreign.close()


def test_an_older_book_is_brought_up_to_date(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite"
    with monkeypatch.context() as older:
        older.setattr(module, "MIGRATIONS", module.MIGRATIONS[:1])
        Logbook(path).record(make_runs(3))
    book = Logbook(path)
    assert len(book.runs()) == 3
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA user_version").fetchone()[0] == len(module.MIGRATIONS)
    raw.close()


def test_a_migration_that_fails_changes_nothing(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite"
    Logbook(path).record(make_runs(3))
    with monkeypatch.context() as later:
        later.setattr(module, "MIGRATIONS", (*module.MIGRATIONS, "ALTER TABLE runs ADD COLUMN x", "no such command"))
        with pytest.raises(FocuskitError, match="cannot be used"):
            Logbook(path)
    assert len(Logbook(path).runs()) == 3


def test_a_later_book_is_refused(tmp_path):
    path = tmp_path / "book.sqlite"
    Logbook(path)
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(FocuskitError, match="later version"):
        Logbook(path)


def _write_many(path, rig):
    for run in make_runs(25, rig):
        Logbook(path).record([run])


def _write_and_hang(path, written):
    book = Logbook(path)
    book.record(make_runs(2))
    with book._open() as raw:
        raw.execute("BEGIN IMMEDIATE")
        raw.execute("UPDATE runs SET position = -1.0")
        raw.execute("DELETE FROM runs WHERE number = 2")
        written.set()
        time.sleep(60.0)


def test_two_processes_write_at_once(tmp_path):
    path = tmp_path / "book.sqlite"
    spawn = multiprocessing.get_context("spawn")
    writers = [spawn.Process(target=_write_many, args=(path, rig)) for rig in ("Heron", "Egret")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0]
    assert len(Logbook(path).runs()) == 50


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
def test_a_writer_killed_in_mid_write_leaves_the_book_whole(tmp_path):
    path = tmp_path / "book.sqlite"
    spawn = multiprocessing.get_context("spawn")
    written = spawn.Event()
    writer = spawn.Process(target=_write_and_hang, args=(path, written))
    writer.start()
    assert written.wait(30.0)
    os.kill(writer.pid, signal.SIGKILL)
    writer.join()
    assert [run.position for run in Logbook(path).runs()] == [5000.0, 5001.0]
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    raw.close()
