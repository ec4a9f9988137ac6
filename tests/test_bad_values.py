"""Numbers that cannot be: each costs its row, by name, and nothing is computed from it."""

import csv
import json
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from small_nights import analyse, take_run, write_run

from focuskit.cli import run as cli
from focuskit.core.calibration import Seeing, Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.ranges import RANGES, what_is_wrong
from focuskit.core.times import parse_time
from focuskit.drift import fit_drift
from focuskit.logbook import Logbook, read_runs
from focuskit.refocus import Known

SEASON = Path(__file__).parent.parent / "sample_data" / "season"
BAD = [
    ("hfd_best_px", "0"), ("hfd_best_px", "-1992"), ("hfd_best_px", "1e-300"), ("hfd_best_px", "1e300"),
    ("hfd_slope_px_per_step", "0"), ("hfd_slope_px_per_step", "1e300"), ("hfd_slope_px_per_step", "-0.1"),
    ("position_err", "1e300"), ("position_err", "1e-300"), ("position_err", "-1992"), ("seconds", "-1992"),
    ("seconds", "0"), ("tolerance_steps", "-1"), ("exposure_s", "1e300"), ("frames", "0"), ("temperature_c", "-999"),
    ("position", "1e300"), ("position", "inf"),
]  # fmt: skip


def write_season(path, changes=(), rows=60):
    """Write the first rows of the sample season, some cells changed: (row of the file, column, text)."""
    with (SEASON / "runs.csv").open(encoding="utf-8", newline="") as stream:
        table = list(csv.DictReader(stream))[:rows]
    for line, column, text in changes:
        table[line - 2][column] = text
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, table[0])
        writer.writeheader()
        writer.writerows(table)
    return path


@pytest.mark.parametrize("column, text", BAD)
def test_one_bad_cell_costs_its_row_by_name(tmp_path, column, text):
    sound = read_runs(write_season(tmp_path / "sound.csv"))
    path = write_season(tmp_path / "runs.csv", [(7, column, text)])
    dropped = []
    assert read_runs(path, dropped=dropped) == sound[:5] + sound[6:]
    (row,) = dropped
    assert (row.file, row.line) == ("runs.csv", 7)
    assert row.why.startswith(f"{column} ")
    # Without a list for it, nothing is left out in silence.
    with pytest.raises(FocuskitError, match=f"runs.csv, row 7: {column} "):
        read_runs(path)


@pytest.mark.parametrize("column, text", [(name, text) for name, text in BAD if text != "inf"])
def test_one_bad_number_in_a_logbook_costs_its_run_by_name(tmp_path, column, text):
    path = tmp_path / "book.sqlite"
    Logbook(path).record(read_runs(write_season(tmp_path / "sound.csv", rows=5)))
    sound = Logbook(path).runs()
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute(f"UPDATE runs SET {column} = ? WHERE number = 3", (float(text) if column != "frames" else 0,))
    dropped = []
    assert Logbook(path).runs(dropped=dropped) == sound[:2] + sound[3:]
    (row,) = dropped
    assert (row.file, row.line) == ("book.sqlite", 3)
    assert row.why.startswith(f"{column} ")


def test_commands_name_the_rows_and_answer_as_without_them(tmp_path, capsys):
    """The same drift comes of a table with nonsense in three rows as of the table without them."""
    changes = [(7, "hfd_best_px", "-5"), (12, "position_err", "1e300"), (20, "time", "soon")]
    bad = write_season(tmp_path / "bad.csv", changes)
    lines = bad.read_text(encoding="utf-8").splitlines(keepends=True)
    good = tmp_path / "good.csv"
    good.write_text("".join(line for k, line in enumerate(lines, 1) if k not in (7, 12, 20)), encoding="utf-8")
    answers = []
    for path in (bad, good):
        assert cli.main(["offsets", "--runs", str(path), "--json"]) == 0
        out, err = capsys.readouterr()
        answers.append(json.loads(out))
        if path is bad:
            said = err.splitlines()
    assert [line.split(":")[1].strip() for line in said] == [f"bad.csv, row {k}" for k in (7, 12, 20)]
    named = [row for row in answers[0]["runs_set_aside"] if row["time"] is None]
    assert [row["why"].split()[3] for row in named] == ["hfd_best_px", "position_err", "'soon'"]
    answers[0]["runs_set_aside"] = [row for row in answers[0]["runs_set_aside"] if row["time"]]
    assert answers[0] == answers[1]


def test_a_table_of_nonsense_is_refused(tmp_path):
    path = write_season(tmp_path / "runs.csv", [(k, "seconds", "-1") for k in range(2, 12)], rows=10)
    with pytest.raises(FocuskitError, match="no row can be used, the first, row 2, because seconds -1 is not between"):
        read_runs(path, dropped=[])


def test_temperatures_in_fahrenheit_are_not_taken_for_celsius_where_some_could_be(tmp_path):
    """Of a season from 40 to 80 °F only the warmer half lies beyond what air can have in °C."""
    changes = [(k, "temperature_c", f"{40 + 4 * (k % 11)}") for k in range(2, 62)]
    path = write_season(tmp_path / "runs.csv", changes)
    with pytest.raises(FocuskitError, match=r"no temperature of air in \d+ of 60 rows: give it in °C"):
        read_runs(path, dropped=[])


def test_a_run_out_of_range_is_used_for_nothing_whoever_brings_it():
    start = parse_time("2031-03-04T20:10:00Z")
    runs = read_runs(SEASON / "runs.csv")[:40]
    odd = replace(runs[5], hfd_slope_px_per_step=1e300, key="odd")
    drift = fit_drift([*runs[:5], odd, *runs[6:]])
    (aside,) = (one for one in drift.set_aside if one.run.key == "odd")
    assert str(aside.reason).startswith("hfd_slope_px_per_step 1e+300 is not between")
    sharp = LoggedRun(start, 5000.0, rig="Heron", spherical=Spherical(0.02, 0.0, 0.55), seeing=Seeing(0.5, 0.01))
    assert calibration_of([sharp], "Heron").spherical == ()
    assert LoggedRun(start.replace(year=1800), 5000.0).problem() == "the year 1800 is none of 1900 to 2199"


def test_every_range_is_one():
    for name, known in RANGES.items():
        assert known.lowest < known.highest
        assert known.why
        assert what_is_wrong(name, known.lowest) is what_is_wrong(name, known.highest) is None
        assert what_is_wrong(name, known.highest * 1.01 + 1.0)
        assert what_is_wrong(name, float("nan"))


def test_a_rig_file_beyond_all_need_is_refused_at_once(tmp_path, capsys):
    """800 kB of one dotted key took Python's reader minutes."""
    rig = tmp_path / "rig.toml"
    rig.write_text("a" + ".a" * 400_000 + " = 1\n")
    assert cli.main(["analyse", str(tmp_path), "--rig", str(rig)]) == 1
    assert capsys.readouterr().err == f"focuskit: {rig}: has more than 65536 bytes; give a rig file (TOML)\n"


def test_what_can_be_checked_is_checked_before_frames_are_measured(tmp_path, capsys, monkeypatch):
    def analyse(*_, **__):
        raise AssertionError("frames are measured")

    monkeypatch.setattr("focuskit.cli.analyse.analyse", analyse)
    page = tmp_path / "page.html"
    page.write_text("no logbook")
    words = ["report", str(tmp_path), "--runs", str(SEASON / "runs.csv")]
    assert cli.main([*words, "--temps", str(tmp_path / "none.csv")]) == 1
    assert "none.csv" in capsys.readouterr().err
    assert cli.main(["analyse", str(tmp_path), "--report", str(page), "--logbook", str(page)]) == 1
    assert "is read from" in capsys.readouterr().err
    assert cli.main(["analyse", str(tmp_path), "--logbook", str(page)]) == 1
    assert "not a database" in capsys.readouterr().err


def test_a_logbook_that_is_locked_does_not_cost_the_analysis(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("focuskit.logbook.book.WAIT_S", 0.05)
    night = write_run(tmp_path / "night", take_run())
    path = tmp_path / "book.sqlite"
    Logbook(path).record(read_runs(SEASON / "runs.csv"))
    for lock, lines in (("IMMEDIATE", 2), ("EXCLUSIVE", 2)):
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute(f"BEGIN {lock}")
            status, answer, err = analyse(capsys, night, "--logbook", path, "--report", tmp_path / "night.html")
            other.execute("ROLLBACK")
        assert status == 0
        assert answer["runs"][0]["best_position"] is not None
        assert len(err.splitlines()) == lines
        assert "the runs are not recorded" in err
        assert (tmp_path / "night.html").exists()
        (tmp_path / "night.html").unlink()
    assert len(Logbook(path).runs()) == 120


def test_details_that_are_damaged_cost_only_themselves(tmp_path, capsys):
    path = tmp_path / "book.sqlite"
    Logbook(path).record(read_runs(SEASON / "runs.csv")[:2])
    for details in ("{", '{"a": NaN}', "[" * 100_000, "1" * 5000, '"text"'):
        with closing(sqlite3.connect(path)) as raw, raw:
            raw.execute("UPDATE runs SET details = ? WHERE number = 1", (details,))
        assert cli.main(["logbook", "show", "1", "--json", "--logbook", str(path)]) == 0
        shown = json.loads(capsys.readouterr().out)["details"]
        assert shown == ("text" if details == '"text"' else None)


def test_errors_name_the_argument_and_the_command_adds_its_option(tmp_path, capsys):
    with pytest.raises(FocuskitError, match=r"best_hfd_px: hfd_best_px -1 is not between 0\.1 and 1000 px"):
        Known(best_hfd_px=-1.0)
    with pytest.raises(FocuskitError, match=r"run_cost_s: seconds -1992 is not between"):
        Known(run_cost_s={"L": 95.0, "Ha": -1992.0})
    path = tmp_path / "runs.csv"
    path.write_text("time,temperature_c,glass\n2031-03-04,8,50\n")
    assert cli.main(["offsets", "--runs", str(path)]) == 1
    err = capsys.readouterr().err
    assert "say which of time, temperature_c, glass it is (--columns" in err
    assert len(err.splitlines()) == 1
