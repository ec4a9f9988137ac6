"""The command line as a whole: help, first words, stops, and small promises that every command keeps."""

import argparse
import json
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from small_nights import analyse, take_run, write_run

from focuskit.cli import sources as cli_sources
from focuskit.cli import welcome as cli_welcome
from focuskit.cli.parser import EXAMPLES, build_parser
from focuskit.cli.progress import command_line, program, time_left
from focuskit.cli.run import main
from focuskit.drift import fit_drift
from focuskit.logbook import Logbook, read_runs

ROOT = Path(__file__).parents[2]
COSTLY = ("numpy", "scipy", "astropy", "photutils", "matplotlib", "jinja2", "sqlite3")


def commands(parser, path=()):
    """Yield the path and the parser of every command."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, child in action.choices.items():
                yield (*path, name), child
                yield from commands(child, (*path, name))


def test_help_imports_no_library_that_costs():
    code = (
        "import sys\nfrom focuskit.cli.run import main\n"
        "try: main(sys.argv[1:])\nexcept SystemExit: pass\n"
        f"print([name for name in {COSTLY} if name in sys.modules], file=sys.stderr)"
    )
    for words in (["--help"], ["analyse", "--help"], ["interval", "--help"], ["--version"], ["logbook", "list", "-h"]):
        done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
        assert done.stderr.strip() == "[]", words
        assert done.stdout


def test_every_command_has_an_example_options_have_help_and_no_short_cuts():
    found = dict(commands(build_parser()))
    assert {" ".join(path) for path in found} == set(EXAMPLES)
    for path, parser in found.items():
        assert not parser.allow_abbrev
        assert EXAMPLES[" ".join(path)] in parser.format_help()
        for action in parser._actions:
            assert action.help or isinstance(action, argparse._SubParsersAction), (path, action)


def test_both_spellings_of_analyse_work(capsys):
    said = []
    for word in ("analyse", "analyze"):
        with pytest.raises(SystemExit):
            main([word, "--help"])
        said.append(capsys.readouterr().out)
    assert said[0] == said[1] != ""


def test_an_option_cut_short_is_refused(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["analyse", "x", "--rep", "x.html"])
    assert stop.value.code == 2
    assert "unrecognized arguments: --rep" in capsys.readouterr().err


@pytest.fixture
def nobody(tmp_path, monkeypatch):
    """A user without a logbook, in a folder of nothing."""
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    monkeypatch.setattr(cli_welcome, "default_logbook", lambda: tmp_path / "book.sqlite")
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    return here


def test_first_words_name_three_jobs_and_what_to_try_next(nobody, capsys):
    def said():
        assert main([]) == 0
        return capsys.readouterr().out

    text = said()
    for job in ("focuskit analyse FOLDER", "focuskit offsets", "focuskit interval --temps LOG"):
        assert job in text
    assert text.split("Next, ")[1].splitlines()[1] == "  focuskit demo"
    (nobody / "sample_data").symlink_to(ROOT / "sample_data")
    assert f"  {EXAMPLES['analyse']}\n" in said()
    Logbook(nobody.parent / "book.sqlite").record(read_runs(ROOT / "sample_data" / "season" / "runs.csv"))
    assert "with the 120 runs of your logbook:\n  focuskit offsets\n" in said()
    (nobody / "old night").mkdir()
    (nobody / "old night" / "a.FITS").write_bytes(b"")
    assert "  focuskit analyse 'old night' --record\n" in said()


def test_versions_and_self_check(capsys, monkeypatch):
    monkeypatch.setattr(sys, "argv", ["focuskit"])
    with pytest.raises(SystemExit) as stop:
        runpy.run_module("focuskit", run_name="__main__")
    assert stop.value.code == 0
    text = capsys.readouterr().out
    assert all(name in text for name in ("focuskit", "Python", "numpy", "astropy"))
    assert "passed: best position found" in text
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.startswith("focuskit 0")


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_stop_while_starting_is_one_line():
    code = "import os, signal, sys, builtins\nreal = builtins.__import__\n"
    code += (
        "def imports(name, *rest):\n"
        "    if name == sys.argv[1]: os.kill(os.getpid(), signal.SIGINT)\n"
        "    return real(name, *rest)\n"
        "builtins.__import__ = imports\n"
        "from focuskit.cli.run import main\nsys.exit(main(['offsets', '--runs', 'none.csv']))"
    )
    for module in ("argparse", "numpy", "scipy"):
        done = subprocess.run([sys.executable, "-c", code, module], capture_output=True, text=True)
        assert (done.returncode, done.stdout, done.stderr) == (130, "", "focuskit: stopped\n"), module


def test_progress_tells_the_time_left():
    assert time_left(0.0, 0, 9) == ""
    assert time_left(10.0, 5, 10) == ", 10 s left"
    assert time_left(60.0, 1, 3) == ", 2 min 0 s left"
    assert time_left(3600.0, 1, 4) == ", 3 h 0 min left"


@pytest.mark.skipif(os.name == "nt", reason="words as a POSIX shell takes them")
def test_commands_to_type_are_quoted():
    assert command_line("focuskit", "analyse", "my night", "it's") == "focuskit analyse 'my night' 'it'\"'\"'s'"


def test_an_empty_file_is_an_empty_logbook(tmp_path, capsys):
    # What is left where the first recording was killed before its first write: refusing it would ask for repair.
    book = tmp_path / "book.sqlite"
    book.touch()
    assert main(["logbook", "list", "--logbook", str(book)]) == 0
    assert capsys.readouterr().out == f"no runs in {book}\n"
    assert main(["offsets", "--logbook", str(book)]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert main(["logbook", "import", str(ROOT / "sample_data/season/runs.csv"), "--logbook", str(book)]) == 0
    assert len(Logbook(book).runs()) == 120


def test_a_run_without_rig_is_not_called_of_the_rig_none():
    runs = read_runs(ROOT / "sample_data" / "season" / "runs.csv")
    drift = fit_drift([replace(runs[0], rig=None), *runs[1:]], rig="Heron")
    reasons = [str(one.reason) for one in drift.set_aside]
    assert "its rig is not told" in reasons
    assert not any("None" in why for why in reasons)


def test_an_output_that_fails_costs_the_status_and_not_the_answer(tmp_path, capsys):
    night = write_run(tmp_path / "night", take_run())
    (tmp_path / "file").write_text("mine")
    status, answer, err = analyse(capsys, night, "--report", tmp_path / "file" / "x.html")
    assert (status, len(answer["runs"]), len(err.splitlines())) == (1, 1, 1)
    runs = str(ROOT / "sample_data" / "season" / "runs.csv")
    assert main(["offsets", "--runs", runs, "--json", "--plots", str(tmp_path / "file" / "x")]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["runs_used"] == 118
    assert len(err.splitlines()) == 1


def test_a_night_without_a_best_position_ends_with_1_and_its_answer(tmp_path, analysed_once, capsys):
    """Three frames far on one side of focus, at optics that nobody gives, leave no best position."""
    far = take_run(frames=3, positions=[10400, 10450, 10500])
    night = write_run(tmp_path / "far", far)
    status, answer, err = analyse(capsys, night)
    assert [run["best_position"] for run in answer["runs"]] == [None]
    assert (status, len(err.splitlines())) == (1, 1)
    assert err.startswith("focuskit: no best position in 1 focus run; most often: ")
    assert main(["report", str(night), "--to", str(tmp_path / "page.html"), "--json", "--workers", "1"]) == 1
    assert json.loads(capsys.readouterr().out)["night"]["runs"]
    # One good run beside it: the work was done.
    write_run(night / "good", [(image, facts | {"FILTER": "R"}) for image, facts in take_run()])
    assert analyse(capsys, night)[0] == 0


def test_a_night_without_a_run_ends_with_1_and_its_answer(tmp_path, capsys):
    nameless = [(image, {k: v for k, v in facts.items() if k != "FOCUSPOS"}) for image, facts in take_run(frames=3)]
    night = write_run(tmp_path / "night", nameless)
    status, answer, err = analyse(capsys, night)
    assert (status, answer["runs"], len(answer["not_used"])) == (1, [], 3)
    assert err.startswith("focuskit: no focus run among 3 files; most often: has no focuser position")
    assert len(err.splitlines()) == 1
    assert main(["analyse", str(night), "--workers", "1"]) == 1
    assert "frame_01.fits: has no focuser position" in capsys.readouterr().out


def test_quiet_is_the_bare_answer_and_verbose_tells_more(tmp_path, analysed_once, capsys):
    night = str(write_run(tmp_path / "night", take_run()))
    season = ROOT / "sample_data" / "season"
    for words, answer in (
        (["analyse", night, "--workers", "1"], "best position"),
        (["offsets", "--runs", str(season / "runs.csv")], "steps per °C"),
        (["plan", "--runs", str(season / "runs.csv")], "by offset"),
    ):
        texts = []
        for how in (["--quiet"], [], ["--verbose"]):
            assert main([*words, *how]) == 0
            texts.append(capsys.readouterr().out)
            assert answer in texts[-1]
        quiet, usual, verbose = texts
        assert len(quiet) < len(usual) < len(verbose)
        assert "Next" not in quiet
    with pytest.raises(SystemExit) as stop:
        main(["analyse", night, "--quiet", "--verbose"])
    assert stop.value.code == 2


def test_the_demo_does_the_three_jobs_and_finds_the_truth(tmp_path, capsys):
    folder = tmp_path / "a demo"
    assert main(["demo", str(folder), "--seed", "3"]) == 0
    said = capsys.readouterr().out
    for job in ("logbook import", "analyse", "offsets", "interval", "report"):
        assert f"  focuskit {job} " in said
    assert (folder / "night.html").is_file()
    # The last command of the walk can be run as it is written: what it does is tested with the reports.
    last = build_parser().parse_args(shlex.split(said.rstrip().splitlines()[-1])[1:])
    assert last.command == "report"
    assert all(Path(name).exists() for name in (*last.folders, last.rig, last.logbook, *last.temps))
    truth = [float(value) for value in re.search(r"best positions (.*?);", said)[1].replace(",", "").split()[1::2]]
    runs = Logbook(folder / "logbook.sqlite").runs()[-4:]
    for run, true in zip(runs, truth, strict=True):
        assert abs(run.position - true) < 5.0 * run.position_err
    # What is there is never written over.
    assert main(["demo", str(folder)]) == 1
    assert "is there already" in capsys.readouterr().err


COMPLETIONS = (
    ("focuskit ", {"analyse", "offsets", "interval", "report"}),
    ("focuskit ana", {"analyse"}),
    ("focuskit analyse --re", {"--report", "--record"}),
    ("focuskit logbook ", {"list", "exclude", "import"}),
    ("focuskit logbook exclude --l", {"--logbook"}),
    ("focuskit interval --unit ", {"C", "F", "K"}),
    ("focuskit completion p", {"powershell"}),
    ("focuskit analyse nig", {"night/"}),
    ("focuskit analyse night --rig her", {"heron.toml"}),
)


@pytest.mark.parametrize("shell", ["bash", "fish"])
def test_shells_complete(shell, capsys, tmp_path):
    if shutil.which(shell) is None:
        pytest.skip(f"no {shell} on this machine")
    assert main(["completion", shell]) == 0
    (tmp_path / "script").write_text(capsys.readouterr().out)
    (tmp_path / "heron.toml").touch()
    (tmp_path / "night").mkdir()
    for line, some in COMPLETIONS:
        words = line.split(" ")
        listed = " ".join(f"'{word}'" for word in words)
        ask = {
            "bash": f"source ./script; COMP_WORDS=({listed}); COMP_CWORD={len(words) - 1}; _shtab_focuskit; "
            "printf '%s\n' ${COMPREPLY[@]}",
            "fish": f"source ./script; complete -C '{line}'",
        }
        env = {**os.environ, "HOME": str(tmp_path)}
        done = subprocess.run(
            [shell, "-c", ask[shell]], capture_output=True, text=True, check=True, cwd=tmp_path, env=env
        )
        offered = {offer.partition("\t")[0] for offer in done.stdout.splitlines()}
        assert {word.rstrip("/") for word in some} <= {word.rstrip("/") for word in offered}, line
        assert all(word.startswith(words[-1]) for word in offered), line
        assert done.stderr == ""


@pytest.mark.parametrize("shell, check", [("zsh", ["-n"]), ("fish", ["--no-execute"]), ("powershell", None)])
def test_other_shells_get_every_command_and_a_script_they_can_read(shell, check, tmp_path, capsys):
    assert main(["completion", shell]) == 0
    script = capsys.readouterr().out
    for path in EXAMPLES:
        assert path.split()[-1] in script
    if check is not None and shutil.which(shell):
        (tmp_path / "script").write_text(script)
        subprocess.run([shell, *check, str(tmp_path / "script")], check=True)


def test_what_to_type_next_works_where_no_search_path_holds_focuskit(monkeypatch, tmp_path):
    assert program() == "focuskit"
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "executable", str(tmp_path / ".venv" / "bin" / "python"))
    assert Path(program()) == tmp_path / ".venv" / "bin" / "focuskit"
    monkeypatch.chdir(tmp_path)
    assert Path(program()) == Path(".venv", "bin", "focuskit")
