"""Where focus is by single frames: sides and moves from distances that are drawn with known errors."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from focuskit.cli.expected import expected_of
from focuskit.core.calibration import Calibration, Expected, SeenSide, SeenStep, SeenWings
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.frames import FrameInfo, RigFile
from focuskit.night.known import Known, Left, known_of
from focuskit.night.single import _others
from focuskit.night.where import Single, find_focus
from focuskit.waves.single import Defocus, SideDefocus

STEP_UM = 4.0
HERON = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, STEP_UM)
FOCUS = 5000.0
CALIBRATED = Left(0.0, 0.3, 0.0, 200.0, 700.0, -1.0, 3, common_um=0.0)
KNOWN = Known((0.0, 0.001), (5 / 3, 0.02), (math.log(STEP_UM), 2e-4), CALIBRATED, CALIBRATED)
UNKNOWN = Known((0.0, 0.03), (5 / 3, 0.1), (math.log(STEP_UM), 0.1), Left(), Left())


def frame(away_um, *, known=KNOWN, noise=0.5, spherical=0.3, off=0.0, group=0, **more):
    """Return a frame so far outside of focus whose distance is measured with an error ``off``."""
    side = SideDefocus(abs(away_um) + off, noise, spherical)
    return Single(
        FOCUS + away_um / STEP_UM, Defocus(0.5, (side, side), 1.5, 20.0, 3.0, 1.0, 72.0), known, group, **more
    )


def test_without_a_word_on_the_side_both_places_are_given_and_no_move():
    (answer,) = find_focus([frame(400.0)])
    assert answer.side is answer.best_position is answer.move is answer.side_from is None
    assert [(one.best_position, one.probability) for one in answer.candidates] == [(5000.0, 0.5), (5200.0, 0.5)]
    assert answer.defocus_um == pytest.approx(400.0)


def test_the_given_side_leads_to_focus_with_the_errors_of_all():
    (answer,) = find_focus([frame(-400.0)], "inside")
    assert (answer.side, answer.side_from, answer.best_position) == ("inside", "given", FOCUS)
    assert answer.move == pytest.approx(100.0)
    assert answer.defocus_um == pytest.approx(-400.0)
    # Noise, what is left, spherical aberration, and 2 in 10,000 of 100 steps.
    in_steps = math.hypot(0.5 / STEP_UM, 0.3 / STEP_UM, 0.3 / STEP_UM, 100.0 * 2e-4)
    assert answer.best_position_err == pytest.approx(in_steps, rel=1e-3)
    assert answer.approach == "downwards"


def test_the_side_is_right_where_the_expectation_is_three_sigma_from_focus_else_both_are_given():
    """The expectation errs by its own standard error; 400 draws."""
    rng = np.random.default_rng(41)
    err = 100.0 / 3.0
    wrong = still_open = 0
    for off in err * rng.standard_normal(400):
        for away in (400.0, -400.0):
            (answer,) = find_focus([frame(away, expected=Expected(FOCUS + off, err))])
            assert answer.side_from in ("logbook", None)
            wrong += answer.side not in (None, "outside" if away > 0.0 else "inside")
            still_open += answer.side is None
    assert wrong <= 2
    assert still_open < 0.03 * 800
    (doubtful,) = find_focus([frame(400.0, expected=Expected(FOCUS + 80.0, 60.0))])
    assert doubtful.side is doubtful.move is None
    # What fits neither place decides nothing.
    (off,) = find_focus([frame(400.0, expected=Expected(FOCUS - 2000.0, 20.0))])
    assert off.side is None


def test_a_pair_on_opposite_sides_needs_no_calibration_but_the_spherical_term():
    """A step 10 % off and 5 µm too much on both sides cancel; what is open of the aberration is in the error."""
    far, near = (frame(away, known=UNKNOWN, spherical=17.0, off=5.0 + 0.1 * abs(away)) for away in (420.0, -400.0))
    answers = find_focus([far, near])
    for answer, side in zip(answers, ("outside", "inside"), strict=True):
        assert (answer.side, answer.side_from) == (side, "pair")
        assert answer.best_position == pytest.approx(FOCUS, abs=0.2)
        assert answer.best_position_err == pytest.approx(17.0 / STEP_UM, rel=0.03)
    # What differs from run to run on either side does not cancel.
    left = replace(CALIBRATED, err_um=6.0)
    known = replace(frame(400.0).known, outside=left, inside=left)
    (answer, _) = find_focus([frame(away, known=known) for away in (400.0, -400.0)])
    assert answer.best_position_err == pytest.approx(6.0 / math.sqrt(2.0) / STEP_UM, rel=0.05)
    # Frames of other minutes are no pair.
    assert find_focus([far, replace(near, group=1)])[0].side is None


def test_focus_that_moved_within_a_group_is_no_common_one():
    """The second frame was taken after focus had moved by 10 steps: each says where it was."""
    later = replace(frame(-400.0), position=4910.0)
    first, second = find_focus([frame(400.0), later])
    assert (first.best_position, second.best_position) == (pytest.approx(5000.0), pytest.approx(5010.0))
    assert first.best_position_err < 0.2


def test_frames_on_one_side_tell_it_by_how_their_distances_differ():
    answers = find_focus([frame(300.0, known=UNKNOWN), frame(500.0, known=UNKNOWN)])
    assert [(one.side, one.side_from) for one in answers] == [("outside", "pair")] * 2
    sweep = find_focus([frame(away, known=UNKNOWN) for away in (-500.0, -300.0, 300.0)])
    assert [one.side for one in sweep] == ["inside", "inside", "outside"]
    assert {one.side_from for one in sweep} == {"sweep"}


@pytest.mark.parametrize(("travel", "away", "why"), [((4900.0, 4990.0), 400.0, "travel"), (None, 900.0, "farther")])
def test_no_move_leaves_the_travel_or_what_runs_have_calibrated(travel, away, why):
    (answer,) = find_focus([frame(away, travel=travel)], "outside")
    assert answer.move is answer.candidates[0].move is None
    assert why in answer.why_no_move
    assert answer.best_position == FOCUS


def side_of(mean, err=0.5, wavelength=0.55, **more):
    return SeenSide(mean, err, 3.0, 0.0, 250.0, 600.0, 1.0, wavelength)


def test_runs_calibrate_what_is_left_by_side_and_a_constant_counts_from_half_its_prior_on():
    step, wings = SeenStep(STEP_UM / 3.76 / 7.0, 1e-4, 3.76, 7.0), SeenWings(1.70, 0.005)
    seen = Calibration(step=(step,) * 3, wings=(wings,) * 3, outside=tuple(map(side_of, (2.0, 3.0, 4.0))))
    known = known_of(seen, HERON, 0.55)
    assert known.outside.mean_um == pytest.approx(3.0, abs=0.1)
    # Runs that differ by 1 µm with errors of 0.5: the mean to 1/√3, another run by the excess, all its frames alike.
    assert known.outside.whole_err_um == pytest.approx(math.hypot(1.0 / math.sqrt(3.0), math.sqrt(1.0 - 0.25)), rel=0.1)
    assert known.outside.scatter_um == 0.0
    # Of two runs in one colour nobody knows by how much runs differ; those in other colours show it.
    far = tuple(side_of(mean, wavelength=0.66) for mean in (0.0, 4.0, 8.0))
    two = known_of(replace(seen, outside=(side_of(2.0), side_of(2.1), *far)), HERON, 0.55)
    assert two.outside.whole_err_um > 2.0
    assert known.outside.is_calibrated and not known.inside.is_calibrated
    assert known.exponent == pytest.approx((1.70, 0.02), abs=1e-3)
    assert known.log_step == pytest.approx((math.log(STEP_UM), 1e-4 / math.sqrt(3.0)), rel=1e-3)
    # In another colour it is only a hint.
    other = known_of(seen, HERON, 0.656).outside
    assert known.outside.whole_err_um < other.whole_err_um < known.inside.whole_err_um
    assert not other.is_calibrated


START = datetime(2031, 3, 4, 20, tzinfo=UTC)
INFO = FrameInfo(path="a.fits", name="a.fits", shape=(9, 9), telescope="Heron", filter="L")


def logged(position, hours=0.0, celsius=5.0, name="L"):
    time = START + timedelta(hours=hours)
    return LoggedRun(time, position, name, celsius, 0.2, "Heron", "good", tolerance_steps=18.0, seconds=90.0)


def test_a_frame_is_not_judged_by_its_own_run_nor_by_runs_before_a_rebuild():
    runs = [logged(5000.0), logged(5002.0, 1.0), logged(5002.0, 1.0, name="Ha")]
    info = replace(INFO, time=START + timedelta(hours=1, seconds=30))
    rig_file = RigFile(rig=HERON)
    assert _others(runs, info, rig_file) == [runs[0], runs[2]]
    rebuilt = replace(rig_file, rebuilds=(START + timedelta(minutes=30),))
    assert _others(runs, info, rebuilt) == [runs[2]]


def test_focus_is_expected_where_the_last_run_the_drift_and_the_offset_put_it():
    """A season of 12 nights with -6.5 steps per °C and Ha 62 steps higher, without noise."""
    runs = [
        logged(9000.0 - 6.5 * celsius + (62.0 if name == "Ha" else 0.0), 24.0 * night + hour, celsius, name)
        for night in range(12)
        for hour, celsius in ((0.0, 4.0 + night), (2.0, 1.0 + night))
        for name in ("L", "Ha")
    ]
    info = replace(INFO, time=START + timedelta(hours=24.0 * 11 + 4.0), filter="Ha", temperature_c=10.0)
    expected = expected_of(info, runs)
    assert expected.position == pytest.approx(9000.0 - 65.0 + 62.0, abs=1.0)
    assert 1.0 < expected.err < 20.0
    # From the other filter, with the offset; and of a filter without any run next to nothing is known.
    by_offset = expected_of(info, [run for run in runs if run.filter == "L" or run.time < START + timedelta(days=9)])
    assert by_offset.position == pytest.approx(expected.position, abs=1.0)
    assert expected_of(replace(info, filter="SII"), runs).err > 60.0
    assert expected_of(info, []) is None
