"""Files that cannot be analysed as they are: what is said of them names the way out."""

import json

import pytest
from small_nights import analyse, take_run, write_frame, write_run

from focuskit.cli.run import main


@pytest.fixture(scope="module")
def run():
    return take_run()


@pytest.mark.parametrize(
    "name, said",
    [
        ("a.CR2", "is a raw file of a camera, not FITS: write it as FITS"),
        ("b.tiff", "is a picture, not FITS"),
        ("c.png", "is a picture, not FITS"),
        ("d.zip", "is a container, not FITS"),
        ("notes.txt", "no FITS files (.fits"),
    ],
)
def test_other_kinds_of_files_are_named_with_how_to_make_fits_of_them(tmp_path, capsys, name, said):
    (tmp_path / "night").mkdir()
    for folder in ("", "sub"):
        (tmp_path / "night" / folder).mkdir(exist_ok=True)
        (tmp_path / "night" / folder / name).write_bytes(b"II*\0")
    assert main(["analyse", str(tmp_path / "night")]) == 1
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)
    assert said in err
    assert ("(2 such files)" in err) == (name != "notes.txt")


def test_beside_frames_they_are_listed(run, tmp_path, capsys):
    night = write_run(tmp_path / "night", run)
    (night / "a.nef").write_bytes(b"raw")
    (night / "page.html").write_bytes(b"mine")
    _, answer, _ = analyse(capsys, night)
    assert [(row["file"], row["why"][:26]) for row in answer["not_used"]] == [("a.nef", "is a raw file of a camera,")]


def test_frames_without_a_position_are_said_to_need_one_and_what_fits_their_names(run, tmp_path, capsys):
    """The pattern that is named reads these frames."""
    night = tmp_path / "night"
    night.mkdir()
    for number, (image, facts) in enumerate(run):
        position = facts["FOCUSPOS"]
        rest = {key: value for key, value in facts.items() if key != "FOCUSPOS"}
        write_frame(night / f"L_{position}_{number:03d}.fits", image, rest)
    status, answer, err = analyse(capsys, night)
    assert (status, answer["runs"], len(err.splitlines())) == (1, [], 1), err
    assert "--keyword position=NAME" in err
    pattern = err.split("--position-pattern '")[1].split("'")[0]
    assert main(["diagnose", str(night), "--workers", "1"]) == 1
    assert f"--position-pattern '{pattern}'" in capsys.readouterr().err
    status, answer, _ = analyse(capsys, night, "--position-pattern", pattern)
    assert (status, len(answer["runs"][0]["points"])) == (0, 9)
    # The page of the night takes what analyse takes.
    words = ["report", str(night), "--position-pattern", pattern, "--limit", "pixels=100000", "--workers", "1"]
    assert main([*words, "--to", str(tmp_path / "page.html"), "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["night"]["runs"]) == 1


def test_no_pattern_is_named_where_names_only_count(run, tmp_path, capsys):
    night = write_run(tmp_path / "night", [(i, {k: v for k, v in f.items() if k != "FOCUSPOS"}) for i, f in run])
    _, _, err = analyse(capsys, night)
    assert "fit --position-pattern" not in err
