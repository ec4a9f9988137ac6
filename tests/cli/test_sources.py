"""What an answer rests on is named: the logbook and the rig file, given or found; all else only reads the logbook."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from small_nights import take_run, without_optics, write_run

from focuskit.cli.run import main
from focuskit.cli.sources import default_logbook
from focuskit.core.logged import COLUMNS
from focuskit.logbook import Logbook, read_runs

ROOT = Path(__file__).parents[2]
SEASON = ROOT / "sample_data" / "season"
RIG = ROOT / "sample_data" / "heron.toml"


pytestmark = pytest.mark.usefixtures("analysed_once")


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A user with nothing yet."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_run(tmp_path_factory.mktemp("sources") / "night", take_run())


def ask(capsys, *words):
    """Run a command; return exit status, answer, and what stood on the error stream."""
    status = main([*map(str, words), "--json"])
    out, err = capsys.readouterr()
    return status, json.loads(out) if out else None, err


def fill(path):
    Logbook(path).record(read_runs(SEASON / "runs.csv"))
    return path


READING = {
    "analyse": ("analyse", "NIGHT", "--workers", "1"),
    "diagnose": ("diagnose", "NIGHT", "--workers", "1"),
    "offsets": ("offsets",),
    "interval": ("interval", "--temps", SEASON / "temperatures.csv"),
    "plan": ("plan",),
    "report": ("report", "--to", "page.html"),
    "list": ("logbook", "list"),
    "show": ("logbook", "show", "1"),
    "export": ("logbook", "export", "out.csv"),
}


@pytest.mark.parametrize("name", READING)
def test_the_usual_logbook_is_found_named_and_only_read(name, home, night, capsys):
    book = fill(default_logbook())
    before = book.read_bytes()
    words = [night if word == "NIGHT" else word for word in READING[name]]
    status, answer, err = ask(capsys, *words)
    assert (status, answer["logbook"], answer["rig_file"]) == (0, str(book), None)
    assert err == f"focuskit: using logbook {book}\n"
    assert book.read_bytes() == before
    other = fill(home / "other.sqlite")
    if name != "analyse":  # there it is the one to write to
        assert ask(capsys, *words, "--logbook", other)[1]["logbook"] == str(other)


@pytest.mark.parametrize("name", ["analyse", "diagnose", "offsets", "plan", "report"])
def test_what_is_found_by_itself_can_be_turned_off(name, home, night, capsys):
    fill(default_logbook())
    words = [night if word == "NIGHT" else word for word in READING[name]]
    status, answer, err = ask(capsys, *words, "--no-logbook")
    if name in ("analyse", "diagnose"):
        assert (status, answer["logbook"], err) == (0, None, "")
    else:
        assert (status, answer, len(err.splitlines())) == (1, None, 1)


def test_the_rig_file_is_named(home, night, capsys):
    for words in (("analyse", night, "--workers", "1"), ("offsets", "--runs", SEASON / "runs.csv")):
        status, answer, err = ask(capsys, *words, "--rig", RIG)
        assert (status, answer["rig_file"], answer["logbook"]) == (0, str(RIG), None)
        assert err.splitlines()[-1] == f"focuskit: using rig file {RIG}"


def test_a_night_is_recorded_where_that_is_asked_for_only(home, night, capsys):
    """With --logbook FILE or --record of analyse, with --record of report: into the logbook that is named or usual."""
    words = (night, "--workers", "1")
    ask(capsys, "analyse", *words)
    assert not default_logbook().exists()
    assert ask(capsys, "analyse", *words, "--logbook", "a.sqlite")[1]["logbook"] == "a.sqlite"
    assert len(Logbook("a.sqlite").runs()) == 1
    assert ask(capsys, "analyse", *words, "--record")[1]["logbook"] == str(default_logbook())
    assert len(Logbook(default_logbook()).runs()) == 1
    # A logbook that shows no drift: the page of the night is written all the same.
    assert main(["logbook", "exclude", "1", "--json"]) == 0
    capsys.readouterr()
    status, answer, err = ask(capsys, "report", *words, "--to", "page.html")
    assert (status, answer["offsets"], len(answer["night"]["runs"])) == (0, None, 1)
    assert "the page has no offsets" in err
    season = fill(home / "season.sqlite")
    status, answer, _ = ask(capsys, "report", *words, "--to", "page.html", "--logbook", season)
    assert (status, len(Logbook(season).runs())) == (0, 120)
    status, answer, _ = ask(capsys, "report", *words, "--to", "page.html", "--logbook", season, "--record")
    assert (status, answer["logbook"], len(Logbook(season).runs())) == (0, str(season), 121)
    assert main(["analyse", str(night), "--record", "--no-logbook"]) == 1
    assert "--no-logbook leaves no logbook" in capsys.readouterr().err


def test_a_usual_logbook_in_trouble_costs_a_line_and_not_the_night(home, night, capsys):
    book = default_logbook()
    book.parent.mkdir(parents=True)
    book.write_text("no database, a text of some length\n" * 50)
    status, answer, err = ask(capsys, "analyse", night, "--workers", "1")
    assert (status, answer["logbook"], len(answer["runs"]), len(err.splitlines())) == (0, None, 1, 1)
    assert "what earlier runs show is left out" in err


def test_a_night_analysed_again_with_the_optics_renews_the_logbook(home, capsys):
    """Optics found from the stars leave more open than those of the rig file: the error falls."""
    book, night = home / "book.sqlite", write_run(home / "night", without_optics(take_run()))
    words = ("analyse", night, "--workers", "1", "--logbook", book)
    ask(capsys, *words)
    before = Logbook(book).run(1)
    assert main([*map(str, words), "--rig", str(RIG)]) == 0
    assert "0 new runs recorded; 1 renewed" in capsys.readouterr().out
    after = Logbook(book).run(1)
    assert after.position_err < before.position_err
    said = {name: getattr(before, name) for name in (*COLUMNS, "number")} | {"time": "2031-03-04T20:10:00Z"}
    assert ask(capsys, "logbook", "show", "1", "--logbook", book, "--earlier")[1]["earlier"] == [said]
    # And again without them: what is known stays.
    assert main([*map(str, words)]) == 0
    assert "1 left as they were, because the optics were known then" in capsys.readouterr().out
    assert Logbook(book).run(1) == after
    assert main(["logbook", "show", "1", "--earlier", "--logbook", str(book)]) == 0
    assert f"position_err           {before.position_err:.10g}" in capsys.readouterr().out


def test_names_in_the_logbook_are_changed_by_a_command(home, capsys):
    book = fill(home / "book.sqlite")
    words = ("--logbook", book)
    answer = ask(capsys, "logbook", "rename", "filter", "Ha", "H-alpha", *words)[1]
    in_ha = sum(run.filter == "Ha" for run in read_runs(SEASON / "runs.csv"))
    names = {"kind": "filter", "old": "Ha", "new": "H-alpha"}
    assert answer == {
        "schema": "focuskit.rename/1", **names, "runs": in_ha, "logbook": str(book), "rig_file": None,
    }  # fmt: skip
    assert {run.filter for run in Logbook(book).runs()} >= {"H-alpha", "L"}
    status, answer, err = ask(capsys, "logbook", "rename", "rig", "Stork", "Heron", *words)
    assert (status, answer, err) == (1, None, "focuskit: no run has the rig 'Stork'; there are Heron\n")
    assert ask(capsys, "logbook", "rename", "rig", "Heron", " ", *words)[0] == 1
    with pytest.raises(SystemExit) as stop:
        main(["logbook", "rename", "note", "a", "b"])
    assert stop.value.code == 2


@pytest.mark.parametrize("name", ["offsets", "plan", "list", "show", "export"])
def test_a_logbook_in_trouble_is_one_line(name, home, capsys, monkeypatch):
    """Locked, corrupt, a folder, another program's: each is said in one line, whichever command reads it."""
    monkeypatch.setattr("focuskit.logbook.book.WAIT_S", 0.05)
    book = fill(home / "book.sqlite")
    damaged = home / "damaged.sqlite"
    damaged.write_bytes(book.read_bytes()[:5000] + bytes(9000))
    foreign = home / "foreign.sqlite"
    with closing(sqlite3.connect(foreign)) as raw:
        raw.execute("CREATE TABLE birds (name TEXT)")
    for path in (damaged, foreign, home):
        status, answer, err = ask(capsys, *READING[name], "--logbook", path)
        assert (status, answer, len(err.splitlines())) == (1, None, 1), path
        assert err.startswith(f"focuskit: {path}: ")
    with closing(sqlite3.connect(book, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        status, answer, err = ask(capsys, *READING[name], "--logbook", book)
    assert (status, answer) == (1, None)
    assert err == f"focuskit: {book}: is being written by another process; try again\n"
