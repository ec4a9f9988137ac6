"""The rig file in a minute: drafted from a folder, checked on a sweep, found by itself from then on."""

import json
import tomllib
from datetime import timedelta
from pathlib import Path

import pytest
from small_nights import START, take_run, without_optics, write_frame, write_run

from focuskit.cli.run import main
from focuskit.cli.sources import rigs_folder
from focuskit.logbook import Logbook


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A user with nothing yet."""
    for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "APPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    (tmp_path / "home").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def run():
    return take_run()


def ask(capsys, *words):
    status = main([*map(str, words), "--json"])
    out, err = capsys.readouterr()
    return status, json.loads(out) if out else None, err


def named(folder, run, name, **facts):
    """Write a run whose position stands in the names only."""
    folder.mkdir(exist_ok=True)
    for number, (image, own) in enumerate(run, 1):
        path = folder / name.format(n=number, p=own["FOCUSPOS"])
        write_frame(path, image, {key: value for key, value in (own | facts).items() if key != "FOCUSPOS"})
    return folder


def test_a_position_in_file_names_is_found_checked_and_used_every_morning(home, run, capsys):
    night = named(home / "my night", run, "L_{n:03d}_pos{p}.fits")
    assert main(["analyse", str(night), "--workers", "1"]) == 1
    capsys.readouterr()
    status, answer, err = ask(capsys, "setup", night, "--workers", "1")
    (rig,) = answer["rigs"]
    assert (status, err, rig["position_pattern"]) == (0, "", "*_pos{position}.f*")
    assert rig["best_position_err"] > 0.0
    assert rig["file"] == str(rigs_folder() / "Heron.toml")
    status, answer, err = ask(capsys, "analyse", night, "--workers", "1")
    assert (status, answer["rig_file"]) == (0, rig["file"])
    assert answer["runs"][0]["best_position"] == pytest.approx(10000.0, abs=20.0)
    assert err == f"focuskit: using rig file {rig['file']}\n"
    # What is found by itself can be turned off, and what is named comes before it.
    assert ask(capsys, "analyse", night, "--workers", "1", "--no-rig")[0] == 1


def test_a_pattern_that_no_sweep_bears_out_is_left_for_the_user(home, run, capsys):
    """The names are shuffled: equal steps, and stars that do not follow them."""
    shuffled = [(run[k][0], run[at][1]) for at, k in enumerate((0, 8, 1, 7, 2, 6, 3, 5, 4))]
    night = named(home / "night", shuffled, "L_pos{p}.fits")
    (rig,) = ask(capsys, "setup", night, "--workers", "1")[1]["rigs"]
    assert (rig["position_pattern"], rig["best_position_err"]) == (None, None)
    text = Path(rig["file"]).read_text(encoding="utf-8")
    assert "Not checked" in text
    assert "position_pattern" not in tomllib.loads(text)


def test_several_rigs_in_a_folder_are_several_files_and_each_frame_takes_its_own(home, run, capsys):
    night = home / "night"
    write_run(night / "a", run)
    other = take_run(seed=4, start=START + timedelta(hours=1))
    write_run(night / "b", [(image, facts | {"TELESCOP": "Egret", "XPIXSZ": 2.4}) for image, facts in other])
    status, answer, _ = ask(capsys, "setup", night, "--workers", "1")
    assert [rig["name"] for rig in answer["rigs"]] == ["Egret", "Heron"]
    egret = Path(answer["rigs"][0]["file"])
    egret.write_text(egret.read_text(encoding="utf-8").replace("# um_per_step", "um_per_step"), encoding="utf-8")
    status, answer, _ = ask(capsys, "setup", night, "--workers", "1")
    assert [rig["is_new"] for rig in answer["rigs"]] == [False, False]
    assert "\num_per_step" in egret.read_text(encoding="utf-8")
    status, answer, _ = ask(capsys, "analyse", night, "--workers", "1", "--record")
    assert (status, len(answer["runs"])) == (0, 2)
    assert answer["rig_file"] == sorted(str(path) for path in rigs_folder().glob("*.toml"))
    book = Logbook(answer["logbook"])
    assert sorted(logged.rig for logged in book.runs()) == ["Egret", "Heron"]


def test_every_word_of_a_draft_for_people(home, run, capsys):
    night = write_run(home / "night", without_optics(run))
    assert main(["setup", str(night), "--to", "rigs", "--workers", "1"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "Heron: 9 frames, camera Simulated camera" in out
    assert "found    pixel_um 3.76" in out
    assert "missing  focal_length_mm, aperture_mm: without it the fit finds it from the stars" in out
    assert "from shapes and sizes of the stars" in out
    # What knowing them is worth is measured on these frames.
    (worth,) = [line for line in out.splitlines() if line.startswith("  worth    ")]
    assert "neither headers nor rig file give the focal length and the aperture" in worth
    assert "the error of the best position" in worth
    assert "focuskit analyse" in out and f"--rig {Path('rigs') / 'Heron.toml'}" in out


def test_a_rig_file_that_is_broken_costs_a_line(home, run, capsys):
    rigs_folder().mkdir(parents=True)
    (rigs_folder() / "a.toml").write_text("name = [")
    status, answer, err = ask(capsys, "analyse", write_run(home / "night", run), "--workers", "1")
    assert (status, answer["rig_file"], len(err.splitlines())) == (0, None, 1)
    assert "this rig file is left out" in err


def test_a_folder_without_frames_is_one_line(home, capsys):
    (home / "night").mkdir()
    for content in (None, b"no FITS"):
        if content:
            (home / "night" / "a.fits").write_bytes(content)
        status, answer, err = ask(capsys, "setup", home / "night")
        assert (status, answer, len(err.splitlines())) == (1, None, 1)
