"""Runs whose sizes give no best position: the shapes of the stars may, and else nothing is invented."""

import json
from dataclasses import replace

import pytest
from small_nights import HERON, take_run, without_optics, write_run

from focuskit.core.cache import Cache
from focuskit.core.optics import wing_slope
from focuskit.diagnosis import diagnose
from focuskit.frames import RigFile
from focuskit.night import analyse, verdict
from focuskit.show.report_night import night_view

POSITIONS = {
    "minimum_outside": [10030 + 25 * k for k in range(8)],
    "too_few_points": [9940, 9975, 10065],
    "flat_curve": [9975 + 6 * k for k in range(9)],
}


@pytest.fixture(scope="module", params=POSITIONS)
def alone(request, tmp_path_factory):
    """A run on one side of focus, of three positions, or so short that the seeing hides the curve; and its flag."""
    folder = tmp_path_factory.mktemp(request.param)
    run = take_run(positions=POSITIONS[request.param], seed=17, seeing_jitter=0.08)
    return request.param, analyse(write_run(folder, run), rig_file=RigFile(rig=HERON), workers=1)


def test_shapes_give_a_best_position_where_sizes_give_none(alone):
    what, night = alone
    (run,) = night.runs
    fit = run.fit
    assert fit.verdict == "usable" and fit.method == "profile" and fit.look_near is None
    assert what in fit.flags
    assert fit.best_position_err < fit.tolerance_steps
    assert abs(fit.best_position - 10000.0) < 3.0 * fit.best_position_err


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    run = take_run(seed=17, seeing_jitter=0.08)
    night = analyse(write_run(tmp_path_factory.mktemp("whole"), run), rig_file=RigFile(rig=HERON), workers=1)
    return night.runs[0].fit


def test_least_size_and_tolerance_are_those_of_a_whole_run(alone, whole):
    """The median of three frames, in seeing of 8 % from frame to frame, and nine know it to 6 %."""
    fit = alone[1].runs[0].fit
    assert fit.hfd_best_px == pytest.approx(whole.hfd_best_px, rel=0.12)
    assert fit.tolerance_steps == pytest.approx(whole.tolerance_steps, rel=0.15)
    assert fit.hfd_slope_px_per_step == pytest.approx(wing_slope(7.0, 0.36) * 4.0 / 3.76, rel=0.01)


def test_a_telescope_without_an_obstruction_has_the_slope_of_one(alone):
    (run,) = alone[1].runs
    profile = replace(run.profile, rig=replace(run.profile.rig, obstruction=0.0))
    fit = verdict._by_shapes_alone(run, profile, *run.in_the_middle)
    assert fit.hfd_slope_px_per_step == pytest.approx(wing_slope(7.0, 0.0) * profile.um_per_step / 3.76)


def test_all_views_show_a_run_without_a_curve(alone):
    night = alone[1]
    assert json.dumps(night.to_json(), allow_nan=False)
    assert night.runs[0]._repr_html_() and night._repr_html_() and repr(night)
    assert night.runs[0].logged().position == night.runs[0].fit.best_position
    assert diagnose(night).summary
    (view,) = night_view(night, Cache(None))["runs"]
    (reported,) = [one for one in view["estimates"] if one["reported"]]
    assert reported["value"] == view["value"]


def test_a_focuser_that_does_not_move_has_no_best_position(tmp_path):
    run = take_run(seed=18, moved_to=[10010.0] * 9, seeing_jitter=0.08)
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert found.fit.verdict == "failed" and found.fit.flags == ("flat_curve",)
    assert found.fit.best_position is None and found.fit.look_near is None and found.profile is None


@pytest.mark.parametrize("positions", [POSITIONS["minimum_outside"], [9940, 9975, 10030, 10065]])
def test_shapes_need_no_step_size(positions, tmp_path):
    """The rings of frames on one side grow by the step size, from where the best position is; four are enough."""
    run = take_run(positions=positions, seed=17, seeing_jitter=0.08)
    rig = replace(HERON, um_per_step=None)
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=rig), workers=1).runs
    assert found.fit.verdict == "usable"
    assert found.profile.um_per_step == pytest.approx(4.0, abs=3.0 * found.profile.um_per_step_err)
    assert abs(found.fit.best_position - 10000.0) < 3.0 * found.fit.best_position_err < 3.0


def test_a_focuser_that_stands_still_in_a_short_sweep_has_no_best_position(tmp_path):
    """The sweep is too short for sizes to grow, but shapes of the step size that is known would change."""
    run = take_run(seed=20, positions=POSITIONS["flat_curve"], moved_to=[10010.0] * 9, seeing_jitter=0.08)
    (found,) = analyse(write_run(tmp_path, run), rig_file=RigFile(rig=HERON), workers=1).runs
    assert found.profile.um_per_step < 3.0
    assert found.fit.verdict == "failed" and found.fit.best_position is None


def test_without_the_optics_the_shapes_of_a_missed_run_still_say_where_focus_is(tmp_path):
    run = take_run(positions=[10050 + 25 * k for k in range(8)], seed=19, seeing_jitter=0.08)
    (found,) = analyse(write_run(tmp_path, without_optics(run)), workers=1).runs
    assert "minimum_outside" in found.fit.flags
    assert abs(found.fit.best_position - 10000.0) < 3.0 * found.fit.best_position_err < 6.0
