"""The logbook: recorded once, never lost, never mixed."""

import json
import math
import multiprocessing
import os
import signal
import sqlite3
import time
from contextlib import closing
from dataclasses import astuple, replace
from datetime import UTC, datetime, timedelta

import pytest

from focuskit.core.calibration import Calibration, Seeing, SeenOptics, SeenStep, Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.logged_light import LoggedLight
from focuskit.logbook import Logbook, Renewal, migrations, read_runs, write_csv
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
            spherical=Spherical(0.02, 0.01, 0.55),
            seeing=Seeing(0.9, 0.01 + i),
            optics=SeenOptics(0.62, 0.02, 0.36, 0.01, -0.5),
            step=SeenStep(0.15, 1e-3, 3.76, 7.0),
            star_snr=55.0,
            other_temperature_c=7.5 - i,
            altitude_deg=61.5,
            pier_side="west",
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
    assert [replace(run, number=None) for run in runs] == make_runs(5)


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
    better = [replace(make_runs(1)[0], position=5009.0)]
    assert book.record(better) == 0
    assert book.run(1).position == 5000.0
    assert book.renew(better) == Renewal(new=0, renewed=1, kept=0)
    run = book.run(1)
    assert (run.position, run.note, run.excluded) == (5009.0, "wind", True)
    book.include(1)
    assert not book.run(1).excluded
    assert len(book.runs()) == 2


def poor(run, **changes):
    """Return a run as an analysis without the optics logs it: a large error, nothing learned of the telescope."""
    return replace(run, position=run.position + 9.0, position_err=17.0, spherical=None, seeing=None, **changes)


def test_what_a_run_said_before_is_kept(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    good = make_runs(1)[0]
    assert book.renew([poor(good)]) == Renewal(1, 0, 0)
    assert book.renew([good]) == Renewal(0, 1, 0)
    assert (book.run(1).position_err, [run.position_err for run in book.earlier(1)]) == (1.1, [17.0])
    assert book.renew([good]) == Renewal(0, 0, 0)  # nothing new, nothing kept twice
    assert len(book.earlier(1)) == 1
    assert book.earlier(1)[0] == replace(poor(good), number=1)


def test_an_analysis_without_the_optics_does_not_take_the_place_of_one_with_them(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    good = make_runs(1)[0]
    book.renew([good])
    assert book.renew([poor(good)]) == Renewal(0, 0, 1)
    assert book.run(1) == replace(good, number=1)
    assert book.earlier(1) == []


def test_a_run_whose_frames_are_grouped_otherwise_is_known_by_its_time(tmp_path):
    """Other frames, another key; the same time, filter, rig and camera as far as they are named: the same run."""
    book = Logbook(tmp_path / "book.sqlite")
    camera = '{"instrument": "Main camera"}'
    first = replace(make_runs(1)[0], seconds=60.0, details=camera)
    book.renew([first, replace(first, key="twin", filter="R", time=START + timedelta(minutes=2))])
    again = replace(first, key="other", time=START + timedelta(seconds=30), rig=None)
    assert book.renew([again]) == Renewal(0, 1, 0)
    assert (book.run(1).key, book.run(1).rig) == ("other", "Heron")
    apart = [
        replace(again, key="filter", filter="R"),
        replace(again, key="rig", rig="Egret"),
        replace(again, key="camera", details='{"instrument": "Guide camera"}'),
        replace(again, key="later", time=START + timedelta(seconds=95)),
    ]
    assert book.renew(apart) == Renewal(4, 0, 0)
    # Two that were logged as one each are one now, and both are kept.
    assert book.renew([replace(first, key="long", seconds=200.0, filter="R")]) == Renewal(0, 1, 0)
    assert len(book.runs()) == 5
    assert sorted(run.key for run in book.earlier(2)) == ["filter", "twin"]


def test_a_name_that_the_user_gave_stays(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record(make_runs(2))
    assert book.rename("rig", "Heron", "Big Heron") == 2
    assert book.rename("filter", "L", "Lum") == 2
    assert book.rename("rig", "Big Heron", "Crane") == 2
    assert book.renew([replace(run, position_err=0.5) for run in make_runs(3)]) == Renewal(1, 2, 0)
    assert {(run.rig, run.filter) for run in book.runs()} == {("Crane", "Lum")}
    assert book.rename("rig", "Crane", "Heron") == 3  # and back
    book.renew(make_runs(4))
    assert {run.rig for run in book.runs()} == {"Heron"}
    book.record([replace(make_runs(1)[0], rig=None, key="nameless")])
    assert book.rename("rig", None, "Egret") == 1
    with pytest.raises(FocuskitError, match="cannot be renamed"):
        book.rename("verdict; DROP TABLE runs", "good", "bad")


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


def test_only_what_counts_for_a_rig_is_its_calibration():
    runs = [*make_runs(3), *make_runs(1, "Egret"), replace(make_runs(1)[0], key="x", spherical=None)]
    runs[1] = replace(runs[1], excluded=True)
    assert calibration_of(runs, "Heron").seeing == (Seeing(0.9, 0.01), Seeing(0.9, 2.01))
    assert len(calibration_of(runs, "Egret").spherical) == 1
    assert calibration_of(runs, None) == Calibration()


def test_what_a_run_said_to_an_earlier_version_is_read(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record(make_runs(1))
    book.renew([replace(make_runs(1)[0], position_err=0.9)])
    with closing(sqlite3.connect(book.path)) as raw, raw:
        (text,) = raw.execute("SELECT said FROM earlier").fetchone()
        fewer = {key: value for key, value in json.loads(text).items() if not key.startswith(("optics", "step"))}
        raw.execute("UPDATE earlier SET said = ?", (json.dumps(fewer),))
    assert book.earlier(1) == [replace(make_runs(1)[0], number=1, optics=None, step=None)]


def test_unknown_numbers_and_files_are_said(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    for change in (book.run, book.exclude, book.include):
        with pytest.raises(FocuskitError, match="there is no run 7"):
            change(7)
    (tmp_path / "text.txt").write_text("this is no database, it is a text of some length\n" * 50)
    with pytest.raises(FocuskitError, match="cannot be used"):
        Logbook(tmp_path / "text.txt")
    with pytest.raises(FocuskitError, match="cannot be made"):
        Logbook(tmp_path / "text.txt" / "book.sqlite").record([])
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


# The table as the first version made it, which kept what runs show of the telescope in the text of the details only.
FIRST_VERSION = """
CREATE TABLE runs (
        number INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        rig TEXT, time REAL NOT NULL, filter TEXT, temperature_c REAL,
        position REAL, position_err REAL, verdict TEXT,
        hfd_best_px REAL, hfd_slope_px_per_step REAL, tolerance_steps REAL,
        exposure_s REAL, frames INTEGER, seconds REAL,
        excluded INTEGER NOT NULL DEFAULT 0, note TEXT, details TEXT
    );
CREATE INDEX runs_of_rig ON runs (rig, time);
PRAGMA user_version = 2;
"""


def first_version(path, rows):
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.executescript(FIRST_VERSION)
        names = "key, rig, time, filter, position, excluded, note, details"
        raw.executemany(f"INSERT INTO runs ({names}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)


def test_a_book_of_the_first_version_keeps_its_runs_and_their_calibration(tmp_path, night):
    path = tmp_path / "book.sqlite"
    logged = [run.logged() for run in night.runs]
    first_version(
        path,
        [
            (run.key, run.rig, run.time.timestamp(), run.filter, run.position, 0, "wind", json.dumps(result.to_json()))
            for run, result in zip(logged, night.runs, strict=True)
        ],
    )
    runs = Logbook(path).runs()
    assert [(r.key, r.time, r.position, r.note) for r in runs] == [(r.key, r.time, r.position, "wind") for r in logged]
    assert [json.loads(run.details) for run in runs] == [run.to_json() for run in night.runs]
    assert all(run.spherical is not None for run in runs)  # that of the run beside focus too
    assert [run.spherical for run in runs] == [run.spherical for run in logged]
    assert [(run.reach_steps, run.star_snr) for run in runs] == [(run.reach_steps, run.star_snr) for run in logged]
    for old, new in zip(runs, logged, strict=True):
        if new.seeing:
            assert astuple(old.seeing) == pytest.approx(astuple(new.seeing), rel=1e-12)
    assert calibration_of(runs, "Heron").spherical == calibration_of(logged, "Heron").spherical
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("PRAGMA user_version").fetchone()[0] == 2  # reading changes nothing
        assert not list(tmp_path.glob("*version*"))
        assert Logbook(path).record([]) == 0
        assert raw.execute("PRAGMA user_version").fetchone()[0] == len(module.MIGRATIONS)
    assert Logbook(path).runs() == runs
    # The book as it was lies beside it, and is a logbook itself.
    copy = tmp_path / "book.version2.sqlite"
    assert Logbook(copy).runs() == runs
    with closing(sqlite3.connect(copy)) as raw:
        assert raw.execute("PRAGMA user_version").fetchone()[0] == 2
    Logbook(path).record([])
    assert sorted(one.name for one in tmp_path.iterdir()) == ["book.sqlite", "book.version2.sqlite"]


FIT = {"own_spherical": {"path_um": 0.02, "err_um": 0.01, "wavelength_um": 0.5}, "params": {"seeing_scatter": 0.1}}
POINTS = [
    {"position": 4900, "hfd_px": 9.0, "used": True, "star_snr": 20.0, "seeing_arcsec": 2.0},
    {"position": 5030, "hfd_px": 4.0, "used": True, "star_snr": 80.0, "seeing_arcsec": 8.0},
    {"position": 5500, "hfd_px": 3.0, "used": False, "star_snr": 99.0, "seeing_arcsec": None},
]


def test_what_the_details_of_the_first_version_said_is_read_once(tmp_path):
    """Values from the definitions: mean logarithm, variance of a mean, the -1/5 power of Kolmogorov turbulence."""
    path = tmp_path / "book.sqlite"
    broken = {"own_spherical": {"path_um": 0.02, "err_um": 0.0, "wavelength_um": 0.5}}
    texts = [
        json.dumps({"fits": {"profile": FIT}, "points": POINTS}),
        json.dumps({"fits": {"profile": None}, "points": POINTS}),
        json.dumps({"fits": {"profile": broken}, "points": POINTS[2:]}),
        "[]",
        json.dumps({"fits": {"profile": FIT}, "points": "text"}),
        json.dumps({"fits": {"profile": FIT}, "points": ["text"]}),
        json.dumps({"fits": {"profile": FIT}, "points": [POINTS[0] | {"seeing_arcsec": -2.0, "star_snr": "bright"}]}),
        json.dumps({"fits": {"profile": FIT}, "points": [POINTS[0] | {"seeing_arcsec": 10**400, "position": 1e300}]}),
        None,
    ]
    first_version(path, [(f"k{k}", "Heron", 1e9 + k, "L", 5000.0, 0, None, text) for k, text in enumerate(texts)])
    full, sizes, *bare = Logbook(path).runs()
    assert full.spherical == Spherical(0.02, 0.01, 0.5)
    at_one_um = 4.0 * 0.5**0.2  # the geometric mean of 2 and 8 arcsec
    assert math.exp(full.seeing.log_arcsec) == pytest.approx(at_one_um, rel=1e-12)
    assert full.seeing.variance == pytest.approx(0.1**2 / 2, rel=1e-12)
    assert (full.reach_steps, full.star_snr) == (sizes.reach_steps, sizes.star_snr) == (100.0, 80.0)
    assert sizes.spherical is None and sizes.seeing is None
    assert all(run.spherical is run.seeing is run.reach_steps is run.star_snr is None for run in bare)


def test_a_migration_that_fails_changes_nothing(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite"
    Logbook(path).record(make_runs(3))
    with monkeypatch.context() as later:
        steps = (*module.MIGRATIONS, "ALTER TABLE runs ADD COLUMN x", "no such command")
        later.setattr(module, "MIGRATIONS", steps)
        later.setattr(migrations, "MIGRATIONS", steps)
        with pytest.raises(FocuskitError, match="cannot be used"):
            Logbook(path)
    assert len(Logbook(path).runs()) == 3


def test_a_later_book_is_refused(tmp_path):
    path = tmp_path / "book.sqlite"
    Logbook(path).record([])
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
    with book._open(writing=True) as raw:
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


def make_lights(n):
    return [
        LoggedLight(
            f"frame-{i}", START + timedelta(minutes=i), 5000.0, 120.0 + i, 2.5, None, "outside", 4.0, "Heron", "L"
        )
        for i in range(n)
    ]


def test_a_light_frame_is_logged_once_and_keeps_what_is_said_last(tmp_path):
    """By its key; under the names that rigs and filters have now."""
    book = Logbook(tmp_path / "book.sqlite")
    assert book.record_lights(make_lights(3)) == 3
    near = [replace(light, defocus_limit_um=80.0, side=None) for light in make_lights(4)]
    assert book.record_lights(near) == 1
    assert book.lights([]) == near
    book.rename("filter", "L", "Lum")
    book.record_lights(make_lights(5))
    assert {light.filter for light in book.lights([])} == {"Lum"} and len(book.lights([])) == 5


def test_a_damaged_light_frame_is_left_out_and_named(tmp_path):
    book = Logbook(tmp_path / "book.sqlite")
    book.record_lights(make_lights(3))
    with closing(sqlite3.connect(book.path)) as raw, raw:
        raw.execute("UPDATE lights SET defocus_um = 'far' WHERE key = 'frame-1'")
        raw.execute("UPDATE lights SET temperature_c = 999 WHERE key = 'frame-2'")
    dropped = []
    assert book.lights(dropped) == make_lights(1)
    assert [one.why.split(":")[0] for one in dropped] == ["a light frame"] * 2


def test_a_logbook_without_light_frames_takes_them(tmp_path):
    """A book of the version before keeps its runs."""
    path = tmp_path / "book.sqlite"
    steps = [step if isinstance(step, str) else "" for step in migrations.MIGRATIONS]
    before = next(k for k, step in enumerate(steps) if "TABLE lights" in step)
    later = [step.split()[5] for step in steps[before + 1 :]]
    Logbook(path).record(make_runs(2))
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("DROP TABLE lights")
        for column in later:
            raw.execute(f"ALTER TABLE runs DROP COLUMN {column}")
        raw.execute(f"PRAGMA user_version = {before}")
    book = Logbook(path)
    assert book.lights([]) == []
    assert book.record_lights(make_lights(2)) == 2 and len(book.runs()) == 2
