"""The way of a newcomer: the README's commands as written, then each next command that the output suggests."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from focuskit.cli.parser import EXAMPLES
from focuskit.cli.run import main

ROOT = Path(__file__).parents[2]
# These have tests of their own, or stand in the README.
ELSEWHERE = ("analyse", "demo", "self-check", "completion")


@pytest.fixture
def first_day(tmp_path, monkeypatch):
    """A folder of a user without a logbook."""
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
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
