"""Focus runs of colour cameras: the best position is that of green, and the other colours are told against it."""

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from colour_frames import HERON, OFFSETS, mosaic, take_planes
from small_nights import write_run

from focuskit.cli import run as cli
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import FilterKind
from focuskit.frames import RigFile
from focuskit.night import analyse, measure_single_frames
from focuskit.night.rigs import rigs_of
from focuskit.waves import stack_files

RIG_FILE = RigFile(rig=HERON)
BEST = 10000.0


@pytest.fixture(scope="module")
def taken():
    return list(take_planes(12, best=BEST, stars=18, shape_px=(360, 480), frames=7, step=45))


@pytest.fixture(scope="module")
def folder(taken, tmp_path_factory):
    run = [(mosaic(planes, "GBRG"), {**facts, "BAYERPAT": "GBRG"}) for planes, facts in taken]
    return write_run(tmp_path_factory.mktemp("matrix"), run)


@pytest.fixture(scope="module")
def run(folder):
    (run,) = analyse(folder, rig_file=RIG_FILE, workers=1).runs
    return run


@pytest.fixture(scope="module")
def cube(taken, tmp_path_factory):
    """The same frames as images of three planes, whose headers still name the pattern of the raw ones."""
    run = [(np.stack([planes[colour] for colour in "RGB"]), {**facts, "BAYERPAT": "RGGB"}) for planes, facts in taken]
    (run,) = analyse(write_run(tmp_path_factory.mktemp("cube"), run), rig_file=RIG_FILE, workers=1).runs
    return run


def check_colours(result):
    """Each offset within 2.5 of its errors, which are below a step."""
    assert [one["colour"] for one in result["colours"]] == ["R", "B"]
    for one in result["colours"]:
        assert 0.0 < one["err"] < 1.0
        assert abs(one["offset_steps"] - OFFSETS[one["colour"]]) < 2.5 * one["err"]


def test_shapes_of_green_stars_place_the_focus_of_green(run):
    """Red focuses 36 µm further out and blue 20 µm further in: green is right within 2.5 errors."""
    result = run.to_json()
    assert result["method"] == "profile" and result["verdict"] == "good"
    assert result["best_position_err"] < 0.8
    assert abs(result["best_position"] - BEST) < 2.5 * result["best_position_err"]
    assert run.profile.matches
    check_colours(result)


def test_images_in_three_planes_say_the_same(run, cube):
    """All pixels show green there: the answer is that of the matrix within both errors, and its own error smaller."""
    result, raw = cube.to_json(), run.to_json()
    assert result["method"] == "profile"
    assert abs(result["best_position"] - BEST) < 2.5 * result["best_position_err"]
    assert result["best_position_err"] < raw["best_position_err"]
    assert result["hfd_best_px"] == pytest.approx(raw["hfd_best_px"], rel=0.03)  # 18 stars of a few thousand electrons
    check_colours(result)


def test_single_frames_of_a_matrix_say_how_far_from_focus_they_were(taken, tmp_path):
    ends = [(mosaic(planes, "BGGR"), {**facts, "BAYERPAT": "BGGR"}) for planes, facts in (taken[0], taken[-1])]
    frames, not_used = measure_single_frames(write_run(tmp_path / "ends", ends), rig_file=RIG_FILE, workers=1)
    assert len(frames) == 2 and not not_used
    for frame in frames:
        truth = 4.0 * abs(frame.info.position - BEST)
        assert frame.defocus.defocus_um == pytest.approx(truth, abs=4.0 * frame.defocus.defocus_err_um + 6.0)


def test_offsets_of_colours_are_said_in_one_line(run, folder, capsys, tmp_path):
    (tmp_path / "rig.toml").write_text('name = "Heron"\nobstruction = 0.36\num_per_step = 4.0\n')
    assert cli.main(["analyse", str(folder), "--rig", str(tmp_path / "rig.toml"), "--workers", "1"]) == 0
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "green" in line]
    red, blue = (one.offset_steps for one in run.colours)
    assert re.search(rf"red \+{int(red)}\..* ± .*, blue -{int(-blue)}\..* ± .* steps", line)


def test_a_frame_lost_while_other_colours_are_stacked_is_said(folder, monkeypatch):
    """Green was stacked from all frames, red and blue from the others: both are given, with a flag."""
    read, times = stack_files.read_pixels, Counter()

    def lose(path, limits, plane):
        times[path] += 1
        if path.endswith("_06.fits") and times[path] > 1:
            raise FocuskitError(f"{path}: is gone")
        return read(path, limits, plane)

    monkeypatch.setattr(stack_files, "read_pixels", lose)
    (result,) = (one.to_json() for one in analyse(folder, rig_file=RIG_FILE, workers=1).runs)
    assert set(times.values()) == {3}
    assert result["flags"] == ["shapes_incomplete"]
    check_colours(result)


def test_a_matrix_by_the_pixels_is_said_in_a_note(run):
    assert rigs_of([run], RIG_FILE)[0].notes == ()
    frames = tuple(replace(one, info=replace(one.info, bayer_said="BGGR")) for one in run.frames)
    (note,) = rigs_of([replace(run, frames=frames)], RIG_FILE)[0].notes
    assert re.search(r"in 7 of 7 frames .* green \(pattern BGGR as stored\) differ.* GBRG was used", note)


def test_colours_have_their_wavelength_only_behind_a_filter_for_all():
    assert FilterKind().seen_by("R") == 640.0 and FilterKind("L").seen_by("B") == 455.0
    assert FilterKind("Ha", 656.3, True).seen_by("G") == 656.3
    assert FilterKind("own", 610.0).seen_by("B") == 610.0
    assert FilterKind().seen_by(None) == 550.0
