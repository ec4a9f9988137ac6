"""The way of a newcomer: the README's commands as written, then each next command that the output suggests."""

import json
import re
import shlex
import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from small_nights import START, take_run, write_run

from focuskit.cli.parser import EXAMPLES
from focuskit.cli.run import main
from focuskit.logbook import read_runs

ROOT = Path(__file__).parents[2]
# These have tests of their own, or stand in the README.
ELSEWHERE = ("analyse", "demo", "self-check", "completion")


@pytest.fixture
def first_day(tmp_path, monkeypatch):
    """A folder of a user without a logbook."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME", "LOCALAPPDATA", "APPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def readme_commands():
    """Return the commands of the README that run focuskit on the sample data."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.findall(r"^(?:\.venv/bin/)?(focuskit .*)$", text, re.MULTILINE)
    return [command for command in found if "sample_data" in command]


def next_commands(said):
    """Return the commands that an output suggests, but for those with a place to fill in, such as LOG.csv."""
    found = re.findall(r"^Next, .*:\n {2}(focuskit .*)$", said, re.MULTILINE)
    return [command for command in found if not re.search(r"\b(LOG\.csv|FOLDER)\b", command)]


def test_every_command_of_the_readme_and_what_follows_it_runs(first_day, measured_night, capsys):
    (first_day / "sample_data").symlink_to(ROOT / "sample_data")
    to_run, done = readme_commands(), []
    assert {shlex.split(command)[1] for command in to_run} >= {"analyse", "offsets", "interval"}
    while to_run:
        command = to_run.pop(0)
        if command in done:
            continue
        done.append(command)
        status = main(shlex.split(command)[1:])
        out, err = capsys.readouterr()
        assert status == 0, command
        assert all(line.startswith("focuskit: using ") for line in err.splitlines()), command
        assert out.strip(), command
        to_run += next_commands(out)
    followed = {shlex.split(command)[1] for command in done}
    assert followed >= {"analyse", "offsets", "interval", "plan"}
    # The page was written, the runs were recorded, and the offsets learned from them.
    assert (first_day / "night.html").is_file()
    assert "focuskit offsets" in done


def test_the_example_of_every_command_runs(first_day, capsys):
    # One run of the night will do: what the whole of it gives is tested elsewhere.
    left_out = shutil.ignore_patterns("frame_00[1-9]*")
    shutil.copytree(ROOT / "sample_data", first_day / "sample_data", ignore=left_out)
    paths = sorted(set(EXAMPLES) - set(ELSEWHERE), key=lambda path: (path != "logbook import", path))
    for path in paths:
        assert main(shlex.split(EXAMPLES[path])[1:]) == 0, path
        assert all(line.startswith("focuskit: using ") for line in capsys.readouterr().err.splitlines())
    for name in ("report.html", "my.sqlite", "season.ecsv"):
        assert (first_day / name).is_file()


def no_temperatures(run, **facts):
    """Return a run as a camera without a thermometer writes it."""
    return [(i, {key: v for key, v in (f | facts).items() if "TEMP" not in key}) for i, f in run]


def test_three_rigs_two_tables_and_no_thermometer(first_day, capsys):
    """Setup, analyse, offsets, interval: every rig gets its file and its runs, every table its answer."""
    later = [START + timedelta(hours=hours) for hours in range(3)]
    egret = {"TELESCOP": "Egret", "FOCALLEN": 700.0, "APTDIA": 100.0}
    night = first_day / "Nacht im März"
    write_run(night / "heron", no_temperatures(take_run()))
    write_run(night / "egret", no_temperatures(take_run(seed=4, start=later[1]), **egret))
    write_run(night / "guide", no_temperatures(take_run(seed=5, start=later[2]), INSTRUME="Guide"))

    def ask(*words):
        status = main([*map(str, words), "--json"])
        out, err = capsys.readouterr()
        assert status == 0, err
        return json.loads(out)

    rigs = ask("setup", night, "--workers", "1")["rigs"]
    assert len({rig["file"] for rig in rigs}) == 3 and all(Path(rig["file"]).is_file() for rig in rigs)
    answer = ask("analyse", night, "--workers", "1", "--record")
    assert [run["verdict"] for run in answer["runs"]] == ["good"] * 3
    assert len({run["rig"] for run in answer["runs"]}) == 3
    assert sorted(answer["rig_file"]) == sorted(rig["file"] for rig in rigs)
    season = read_runs(ROOT / "sample_data" / "season" / "runs.csv")[:64]
    german, us = ["Datum;Uhrzeit;Filter;Fokus"], ["Date,Time,Filter,Focuser Position"]
    for run in season:
        position = f"{run.position:.1f}"
        german.append(f"{run.time:%d.%m.%Y;%H:%M:%S};{run.filter};{position.replace('.', ',')}")
        us.append(f'{run.time:%m/%d/%Y,%I:%M:%S %p},{run.filter},"{run.position:,.1f}"')
    Path("läufe.csv").write_text("\n".join(german), encoding="latin-1")
    Path("us runs.csv").write_bytes("\r\n".join(us).encode("utf-16"))
    answers = [ask("offsets", "--runs", name, "--report", "page.html") for name in ("läufe.csv", "us runs.csv")]
    assert "range °C" not in Path("page.html").read_text(encoding="utf-8")
    truth = json.loads((ROOT / "sample_data" / "season" / "truth.json").read_text())["offset_steps"]
    for answer in answers:
        assert answer["runs_used"] > 55 and "no_thermometer" in answer["flags"]
        assert all(abs(one["offset_steps"] - truth[one["filter"]]) <= 3.5 * one["err"] for one in answer["filters"])
    first, second = ([one["offset_steps"] for one in answer["filters"]] for answer in answers)
    assert first == pytest.approx(second, abs=1e-6)
    answer = ask("interval", "--runs", "läufe.csv", "--best-hfd", "5.9", "--slope", "0.114")
    assert answer["refocus_every_min"] > 0.0 and "no_thermometer" in answer["flags"]
