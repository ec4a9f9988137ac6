"""The main job on the sample night, whose truth its script wrote down."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from small_nights import take_run, write_run

from focuskit.core import flags
from focuskit.core.workers import Workers
from focuskit.stars import compare_frames, measure_frame

SAMPLE = Path(__file__).parents[2] / "sample_data"


@pytest.fixture(scope="module")
def truth():
    return json.loads((SAMPLE / "night_truth.json").read_text())


def test_best_positions_lie_within_their_errors(night, truth):
    known = {(run["start"], run["filter"]): run["best_position"] for run in truth["runs"]}
    offs = []
    for run in night.to_json()["runs"]:
        if run["verdict"] != "failed":
            offs.append((run["best_position"] - known[run["start"], run["filter"]]) / run["best_position_err"])
    assert len(offs) == 7
    assert np.abs(offs).max() < 3
    assert np.sqrt(np.mean(np.square(offs))) < 1.8


def test_a_run_beside_focus_has_its_best_position_from_the_shapes(night, failed_night, truth):
    """The sizes alone do not give it; they say where to look."""
    (run,) = (run for run in night.runs if "minimum_outside" in run.all_flags)
    (alone,) = (run for run in failed_night.to_json()["runs"] if run["verdict"] == "failed")
    best = next(one["best_position"] for one in truth["runs"] if one["start"] == alone["start"])
    assert run.fit.verdict == "usable" and run.fit.method == "profile"
    assert abs(run.fit.best_position - best) < 3.0 * run.fit.best_position_err < run.fit.tolerance_steps
    assert alone["best_position"] is None and "minimum_outside" in alone["flags"]
    assert abs(alone["look_near"] - best) < 3.0 * alone["look_near_err"]


def test_spoiled_frames_are_named_and_the_run_goes_on(night):
    aside = {p["file"]: p["why_not_used"] for run in night.to_json()["runs"] for p in run["points"]}
    assert "cloud" in aside["frame_0025.fits.fz"]
    # The satellite's trail touches few stars: the frame stays.
    assert aside["frame_0032.fits.fz"] is None
    assert "cut short" in str(dict(night.not_used)["frame_0065.fits.fz"])


def test_json_is_whole_and_flags_are_in_the_registry(night):
    text = json.dumps(night.to_json(), allow_nan=False)
    for run in json.loads(text)["runs"]:
        for name in run["flags"]:
            flags.describe(name)
        times = [point["time"] for point in run["points"]]
        assert times == sorted(times)


def test_frames_are_compared_on_the_stars_they_share():
    frames = [measure_frame(SAMPLE / "night" / f"frame_000{k}.fits.fz") for k in (4, 5, 6)]
    with Workers(count=1) as pool:
        _, shared, _ = compare_frames(frames, pool)
    assert np.all(shared.stars >= 20)
    # The same stars give the same light in every frame, defocused or not.
    assert shared.flux / shared.flux[0] == pytest.approx(np.ones(3), abs=0.03)


def test_command_line_stops_in_one_line_and_records_a_run_once(tmp_path):
    def run(*words):
        return subprocess.run([sys.executable, "-m", "focuskit", *words], capture_output=True, text=True)

    empty = run("analyse", str(tmp_path), "--json")
    assert empty.returncode == 1
    assert empty.stdout == ""
    assert len(empty.stderr.splitlines()) == 1
    assert run("analyse").returncode == 2
    book = tmp_path / "book.sqlite"
    night = write_run(tmp_path / "night", take_run())
    for said in ("1 new run recorded", "0 new runs recorded"):
        done = run("analyse", str(night), "--logbook", str(book))
        assert done.returncode == 0
        assert said in done.stdout, done.stdout
