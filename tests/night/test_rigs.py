"""Several rigs in one folder are told apart, also under one rig file that contradicts the headers of some."""

from datetime import timedelta

import pytest
from small_nights import AREA_MM2, START, analyse, take_run, write_run

from focuskit.cli.run import main
from focuskit.core.optics import Rig
from focuskit.drift import fit_drift
from focuskit.frames.rig_file import Optics, RigFile
from focuskit.logbook import Logbook, read_runs

HERON, EGRET, STORK = (
    Optics("Heron", "Main", 1400.0), Optics("Egret", "Main", 700.0), Optics("Stork", "Main", None),
)  # fmt: skip
REDUCED, NAMELESS, GUIDE = Optics("Heron", "Main", 980.0), Optics(None, "Main", None), Optics("Heron", "Guide", 1400.0)
ALL = {HERON, EGRET, STORK, REDUCED, NAMELESS, GUIDE}

# What the rig file says, the frames there are, those of other rigs.
CASES = {
    "by its telescope": ({"telescope": "heron"}, {HERON, EGRET, STORK}, {EGRET, STORK}),
    "by the rig's name": ({"name": "Heron"}, {HERON, EGRET, STORK}, {EGRET, STORK}),
    "by focal length": ({"name": "My rig", "focal_length_mm": 1400.0}, {HERON, EGRET, STORK, GUIDE}, {EGRET, STORK}),
    "by name and focal length": ({"name": "Heron", "focal_length_mm": 1390.0}, ALL, {EGRET, STORK, REDUCED}),
    "one telescope, another focal length: the header is wrong": ({"focal_length_mm": 1000.0}, {HERON, GUIDE}, set()),
    "one telescope, two focal lengths": ({"focal_length_mm": 1000.0}, {HERON, REDUCED}, {HERON}),
    "none of several": ({"name": "Crane", "focal_length_mm": 300.0}, {HERON, EGRET, STORK}, {HERON, EGRET, STORK}),
    "a telescope that is not there": ({"telescope": "Crane"}, {HERON, EGRET, NAMELESS}, {HERON, EGRET}),
    "a nameless one": ({"name": "Crane"}, {NAMELESS, HERON}, set()),
}


@pytest.mark.parametrize("case", CASES)
def test_a_rig_file_is_about_its_own_telescope(case):
    says, there, strangers = CASES[case]
    table = dict(says)
    telescope = table.pop("telescope", None)
    file = RigFile(Rig(**table, aperture_mm=200.0), telescope=telescope, position_pattern="*_{position}.fits").among(
        there
    )
    assert file.strangers == strangers
    for optics in there:
        assert (file.of(optics).rig == Rig()) == (optics in strangers)
        assert file.of(optics).position_pattern  # how frames are read is one for all


@pytest.fixture(scope="module")
def three_rigs(tmp_path_factory):
    """Frames of Heron, of Egret at half the focal length, and of a guide camera at Heron."""
    folder = tmp_path_factory.mktemp("rigs") / "night"
    write_run(folder / "heron", take_run())
    later = START + timedelta(hours=1)
    egret = {"TELESCOP": "Egret", "FOCALLEN": 700.0, "APTDIA": 100.0, "APTAREA": AREA_MM2 / 4.0}
    write_run(folder / "egret", [(i, f | egret) for i, f in take_run(seed=4, start=later)])
    guide = take_run(seed=5, shape_px=(208, 269), best_position=10090, start=START + timedelta(hours=2))
    write_run(folder / "guide", [(i, f | {"INSTRUME": "Guide"}) for i, f in guide])
    return folder


def test_runs_of_other_rigs_are_not_recorded_under_the_name_of_the_rig_file(three_rigs, tmp_path, capsys):
    rig = tmp_path / "rig.toml"
    rig.write_text(
        'name = "My Heron"\nposition_unit = "um"\nfocal_length_mm = 1400\naperture_mm = 200\nobstruction = 0.36\n'
    )
    book = tmp_path / "book.sqlite"
    status, answer, err = analyse(capsys, three_rigs, "--rig", rig, "--logbook", book)
    names = ["My Heron", "Egret", "My Heron, Guide"]
    assert (status, [run["rig"] for run in answer["runs"]]) == (0, names)
    assert [rig["name"] for rig in answer["rigs"]] == names
    assert answer["rig"] is None
    assert [rig["focal_length_mm"] for rig in answer["rigs"]] == [1400, 700, 1400]
    known = [rig["known_from"] for rig in answer["rigs"]]
    assert [one["aperture_mm"] for one in known] == ["rig file", "header", "rig file"]
    assert [one["pixel_um"] for one in known] == ["header"] * 3
    assert [rig["position_unit"] for rig in answer["rigs"]] == ["um", "step", "um"]
    assert [run.rig for run in Logbook(book).runs()] == names
    assert "named apart: Egret, My Heron, Guide" in err


def test_positions_in_millimetres_are_called_so(tmp_path, capsys):
    """As the rig file says, or where a tolerance of less than half a step shows that they are no steps."""
    run = [(i, f | {"FOCUSPOS": f["FOCUSPOS"] / 1000.0}) for i, f in take_run()]
    night = write_run(tmp_path / "night", run)
    assert analyse(capsys, night)[1]["rigs"][0]["position_unit"] == "mm"
    assert main(["analyse", str(night), "--workers", "1"]) == 0
    assert "Positions are in mm with" in capsys.readouterr().out
    rig = tmp_path / "rig.toml"
    rig.write_text('position_unit = "inch"\n')
    assert main(["analyse", str(night), "--rig", str(rig)]) == 1
    assert "position_unit must be one of step, um, mm" in capsys.readouterr().err


def test_runs_without_a_rig_are_never_preferred_to_those_of_a_named_one(tmp_path):
    rows = ["time,filter,temperature_c,position,rig"]
    for k in range(30):
        rows.append(
            f"2031-03-{1 + k % 28:02d}T2{k // 28}:00:00Z,L,{k % 10},{5000 - 6 * (k % 10)},{'Heron' if k < 8 else ''}"
        )
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n")
    drift = fit_drift(read_runs(tmp_path / "runs.csv"))
    assert (drift.rig, len(drift.used)) == ("Heron", 8)
