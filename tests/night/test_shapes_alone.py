"""Runs whose sizes give no best position: the shapes of the stars may, and else nothing is invented."""

import json

import pytest
from small_nights import HERON, take_run, without_optics, write_run

from focuskit.core.optics import wing_slope
from focuskit.diagnosis import diagnose
from focuskit.frames import RigFile
from focuskit.night import analyse
from focuskit.show.report_night import night_view


@pytest.fixture(scope="module", params=["outside", "few"])
def alone(request, tmp_path_factory):
    """A run on one side of focus, or of four positions; and where it was best."""
    positions = {"outside": [10030 + 25 * k for k in range(8)], "few": [9940, 9975, 10030, 10065]}[request.param]
    folder = tmp_path_factory.mktemp(request.param)
    run = take_run(positions=positions, seed=17, seeing_jitter=0.08)
    return request.param, analyse(write_run(folder, run), rig_file=RigFile(rig=HERON), workers=1)


def test_shapes_give_a_best_position_where_sizes_give_none(alone):
    what, night = alone
    (run,) = night.runs
    fit = run.fit
    assert fit.verdict == "usable" and fit.method == "profile" and fit.look_near is None
    assert {"outside": "minimum_outside", "few": "too_few_points"}[what] in fit.flags
    assert fit.best_position_err < fit.tolerance_steps
    assert abs(fit.best_position - 10000.0) < 3.0 * fit.best_position_err


def test_least_size_and_tolerance_are_those_of_a_whole_run(alone, tmp_path):
    """The median of three frames, in seeing of 8 % from frame to frame, and nine know it to 6 %."""
    whole = analyse(write_run(tmp_path, without_optics(take_run(seed=17, seeing_jitter=0.08))), workers=1).runs[0].fit
    fit = alone[1].runs[0].fit
    assert fit.hfd_best_px == pytest.approx(whole.hfd_best_px, rel=0.12)
    assert fit.tolerance_steps == pytest.approx(whole.tolerance_steps, rel=0.15)
    assert fit.hfd_slope_px_per_step == pytest.approx(wing_slope(7.0, 0.36) * 4.0 / 3.76, rel=0.01)


def test_all_views_show_a_run_without_a_curve(alone):
    night = alone[1]
    assert json.dumps(night.to_json(), allow_nan=False)
    assert night.runs[0]._repr_html_() and night._repr_html_() and repr(night)
    assert night.runs[0].logged().position == night.runs[0].fit.best_position
    assert diagnose(night).summary
    (view,) = night_view(night)["runs"]
    (reported,) = [one for one in view["estimates"] if one["reported"]]
    assert reported["value"] == view["value"]


def test_a_focuser_that_does_not_move_has_no_best_position(tmp_path):
    run = take_run(seed=18, moved_to=[10010.0] * 9, seeing_jitter=0.08)
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert found.fit.verdict == "failed" and found.fit.flags == ("flat_curve",)
    assert found.fit.best_position is None and found.fit.look_near is None and found.profile is None


def test_without_the_optics_the_sizes_say_where_to_look(tmp_path):
    run = take_run(positions=[10050 + 25 * k for k in range(8)], seed=19, seeing_jitter=0.08)
    (found,) = analyse(write_run(tmp_path, without_optics(run)), workers=1).runs
    assert found.fit.verdict == "failed" and "minimum_outside" in found.fit.flags
    assert abs(found.fit.look_near - 10000.0) < 3.0 * found.fit.look_near_err
    assert found.to_json()["look_near_err"] == found.fit.look_near_err
