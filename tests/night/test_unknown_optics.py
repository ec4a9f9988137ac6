"""Frames whose headers leave out the optics: as good a best position, what is found said to be, the rest null."""

import math
import re

import pytest
from small_nights import HERON, analyse, take_run, write_run

from focuskit.core.calibration import pool_steps
from focuskit.core.optics import Rig
from focuskit.logbook import Logbook

SEED = 31


def without(run, *keywords):
    return [(image, {k: v for k, v in facts.items() if k not in keywords}) for image, facts in run]


@pytest.fixture(scope="module")
def taken():
    return without(take_run(seed=SEED), "APTAREA")


def test_without_aperture_the_focal_ratio_is_fitted_and_the_best_position_as_good(taken, tmp_path, capsys):
    folder, book = write_run(tmp_path / "night", without(taken, "APTDIA")), tmp_path / "book.sqlite"
    status, answer, _ = analyse(capsys, folder, "--logbook", book)
    (run,), (rig,) = answer["runs"], answer["rigs"]
    assert (status, run["method"], run["rig"]) == (0, "profile", "Heron")
    assert abs(run["best_position"] - 10000.0) < 3.0 * run["best_position_err"] < 1.0
    source = rig["known_from"]
    assert (source["focal_length_mm"], source["pixel_um"]) == ("header", "header")
    assert {source[name] for name in ("aperture_mm", "obstruction", "um_per_step", "f_ratio")} == {"fitted"}
    assert rig["f_ratio"] == pytest.approx(7.0, abs=2.0 * rig["f_ratio_err"])
    assert rig["aperture_mm"] == pytest.approx(1400.0 / rig["f_ratio"])
    assert rig["um_per_step"] == pytest.approx(4.0, abs=2.0 * rig["um_per_step_err"])
    assert answer["rig"] == {name: rig[name] for name in answer["rig"]}
    assert run["critical_focus_zone_steps"] == pytest.approx(53.9 / 4.0, rel=0.15)
    assert all(point["defocus_um"] is not None for point in run["points"])
    (note,) = answer["notes"]
    assert "the aperture" in note and "aperture_mm" in note
    assert re.search(r"known to 2.5 % instead of (5|6)\.\d %", note)
    assert re.search(r"the error of the best position, 0\.\d+ steps, hardly changes", note)
    # The logbook keeps what the run shows, which bears on other runs only.
    [logged] = Logbook(book).runs()
    assert math.exp(logged.optics.log_ratio) == pytest.approx(7.0 / 3.76, rel=3.0 * logged.optics.log_ratio_err + 0.02)
    assert (logged.optics.pixel_um, logged.step.pixel_um, logged.step.f_ratio) == (3.76, 3.76, None)
    assert math.exp(pool_steps([logged.step], Rig(focal_ratio=7.0))[0]) == pytest.approx(4.0, rel=0.03)
    again = analyse(capsys, folder, "--logbook", book)[1]
    assert {**again, "logbook": None} == {**answer, "logbook": None}


def test_without_a_pixel_size_results_are_in_steps_and_lengths_null(taken, tmp_path, capsys):
    frames = without(taken, "APTDIA", "FOCALLEN", "XPIXSZ", "YPIXSZ")
    _, answer, _ = analyse(capsys, write_run(tmp_path, frames))
    (run,), (rig,) = answer["runs"], answer["rigs"]
    assert run["method"] == "profile"
    assert abs(run["best_position"] - 10000.0) < 3.0 * run["best_position_err"] < 1.0
    assert {rig[name] for name in ("f_ratio", "pixel_um", "um_per_step", "aperture_mm")} == {None}
    assert {rig["known_from"][name] for name in ("f_ratio", "pixel_um", "um_per_step")} == {None}
    assert run["um_per_step"] is None and run["field"] is None
    assert run["fits"]["profile"]["params"]["um_per_step"] is None
    assert all(point["defocus_um"] is None and point["seeing_arcsec"] is None for point in run["points"])
    # A zone in steps needs no unit of length: diffraction gives it in pixels, the donut the pixels a step.
    assert run["critical_focus_zone_steps"] == pytest.approx(53.9 / 4.0, rel=0.15)
    assert "results are in steps" in answer["notes"][0]


def test_a_rig_file_is_named_as_the_source(taken, tmp_path, capsys):
    path = tmp_path / "rig.toml"
    path.write_text(f"name = 'Heron'\naperture_mm = {HERON.aperture_mm}\nobstruction = {HERON.obstruction}\n")
    _, answer, _ = analyse(capsys, write_run(tmp_path / "night", taken[::2]), "--rig", path)
    source = answer["rigs"][0]["known_from"]
    assert (source["aperture_mm"], source["obstruction"]) == ("rig file", "rig file")
    assert (source["focal_length_mm"], source["f_ratio"]) == ("header", "rig file")
    assert answer["notes"] == []
