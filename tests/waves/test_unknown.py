"""Optics that are not known, found from the stars: runs of a known telescope with numbers of it withheld."""

import math
from dataclasses import replace

import numpy as np
import pytest
from profile_runs import POSITIONS, RIG, WAVELENGTH_UM, ZERO, synthetic_run

from focuskit.core.calibration import FOUND_ERRS, Calibration, SeenOptics, SeenStep, pool_optics
from focuskit.core.optics import GIVEN, OpticsErrors, Rig, with_f_ratio
from focuskit.waves import RunProfiles, fit_night
from focuskit.waves.fit import solve_profiles
from focuskit.waves.start import UM_PER_STEP_ERR
from focuskit.waves.unknown import _Trial, with_optics


def run_of(rig, seed=5, **how):
    frames, _ = synthetic_run(np.random.default_rng(seed), **how)
    return RunProfiles(tuple(frames), tuple(range(len(frames))), rig, WAVELENGTH_UM)


def only(*names):
    return Rig("Heron", **{name: getattr(RIG, name) for name in names})


@pytest.mark.parametrize(
    ("known", "in_um"),
    [
        (("focal_length_mm", "pixel_um", "obstruction"), True),
        (("um_per_step",), True),
        ((), False),
    ],
)
def test_withheld_numbers_are_found_within_their_errors(known, in_um):
    (found,) = with_optics([run_of(only(*known))])
    rig, errors = found.rig, found.errors
    assert errors.in_um is in_um and errors.shows_diffraction
    ratio = rig.f_ratio / rig.pixel_um / (RIG.f_ratio / RIG.pixel_um)
    assert abs(math.log(ratio)) < 2.0 * errors.f_ratio < 0.3
    assert rig.obstruction == pytest.approx(RIG.obstruction, abs=2.0 * errors.obstruction)
    if in_um:
        assert rig.pixel_um == pytest.approx(RIG.pixel_um, rel=2.0 * errors.f_ratio)
        assert rig.f_ratio == pytest.approx(RIG.f_ratio, rel=2.0 * errors.f_ratio)
    for name in known:
        assert getattr(rig, name) == getattr(RIG, name)
    [(fit, _)] = fit_night([found])
    assert (fit.rig, fit.errors) == (rig, errors)
    assert abs(fit.best_position - ZERO) < 3.0 * fit.err < 1.0
    if in_um:
        assert fit.um_per_step == pytest.approx(RIG.um_per_step, abs=2.0 * fit.um_per_step_err)


def test_a_known_step_size_costs_its_squared_distance():
    """The growth of the donuts makes it 4.4 µm at this focal ratio; 4 or 5 µm are given."""
    rig, place = only("pixel_um", "obstruction"), (math.log(7.7 / RIG.pixel_um), RIG.obstruction)
    trials = [_Trial(replace(rig, um_per_step=given), [run_of(rig)]) for given in (None, 4.0, 5.0)]
    um_per_step = trials[0].growth(place) * 7.7 * RIG.pixel_um
    assert um_per_step == pytest.approx(4.4, rel=0.02)
    for trial in trials[1:]:
        off = math.log(um_per_step / trial.rig.um_per_step) / UM_PER_STEP_ERR
        assert trial.cost(place) - trials[0].cost(place) == pytest.approx(off**2, rel=1e-6)


def test_a_rig_that_is_known_is_left_alone():
    run = run_of(RIG)
    assert with_optics([run, None]) == [run, None]
    assert run.errors == GIVEN


def test_runs_of_one_rig_share_what_is_found_and_too_few_frames_learn_it():
    rig = only("pixel_um", "obstruction")
    whole = run_of(rig)
    short = replace(whole, profiles=whole.profiles[:3], frames=(0, 1, 2))
    first, second = with_optics([whole, short])
    assert (first.rig, first.errors) == (second.rig, second.errors)
    # Three frames by themselves show nothing: there is no fit.
    assert with_optics([short]) == [None]
    assert (first.optics is None, second.optics) == (False, None)


HERON_OPTICS = SeenOptics(math.log(RIG.f_ratio / RIG.pixel_um), 0.01, RIG.obstruction, 0.01, -0.6, RIG.pixel_um)


def logged(*optics, steps=()):
    return {"Heron": Calibration(optics=optics, step=tuple(steps))}


def test_too_few_frames_have_the_optics_and_the_step_that_other_nights_found():
    """Three frames of a rig whose f/7, 0.36 and 4 µm per step are in the logbook."""
    whole = run_of(only("pixel_um"), positions=POSITIONS[[0, 4, 7]])
    step = SeenStep(RIG.um_per_step / RIG.f_ratio / RIG.pixel_um, 1e-3, RIG.pixel_um)
    [(fit, shown)] = fit_night([whole], by_rig=logged(HERON_OPTICS, steps=[step]))
    assert fit.errors.found == {"f_ratio", "obstruction"} and not fit.errors.unlike_logged
    assert (fit.rig.f_ratio, fit.rig.obstruction) == (pytest.approx(7.0), pytest.approx(0.36))
    assert 0.05 < fit.errors.f_ratio < 0.052 and 0.048 < fit.errors.obstruction < 0.052
    assert abs(fit.best_position - ZERO) < 3.0 * fit.err < 2.0
    assert (shown.optics, shown.step) == (None, None)  # three frames have nothing to add


def test_logged_optics_help_a_faint_run_and_leave_what_it_shows_by_itself():
    faint = run_of(only("pixel_um"), noise=2e-3, seed=9)
    [alone] = with_optics([faint])
    [helped] = with_optics([faint], logged(HERON_OPTICS))
    assert helped.errors.f_ratio < 0.075 < 1.5 * 0.075 < alone.errors.f_ratio
    assert helped.errors.obstruction < 0.075 < alone.errors.obstruction
    assert abs(math.log(helped.rig.f_ratio / 7.0)) < 0.03
    off = helped.optics.place(None) - alone.optics.place(None)
    assert off @ alone.optics.information @ off < 1.0
    assert helped.optics.log_ratio_err > 3.0 * HERON_OPTICS.log_ratio_err


def test_logged_optics_of_another_telescope_are_left_aside():
    run = run_of(only("pixel_um", "obstruction"))
    other = replace(HERON_OPTICS, log_ratio=math.log(5.0 / RIG.pixel_um))
    [alone], [found] = with_optics([run]), with_optics([run], logged(other))
    assert found == replace(alone, errors=replace(alone.errors, unlike_logged=True))


def test_pooled_optics_weigh_noise_and_widen_where_runs_disagree():
    one = SeenOptics(0.6, 0.03, 0.30, 0.04, 0.0, 3.76)
    place, covariance = pool_optics([one, one], 7.52)  # binned: twice the pixel
    assert place == pytest.approx([0.6 - math.log(2.0), 0.3])
    noise = np.array([0.03, 0.04]) / math.sqrt(2)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(np.hypot(noise, FOUND_ERRS), rel=0.05)
    place, covariance = pool_optics([one, replace(one, log_ratio=0.9)], 3.76)
    assert place == pytest.approx([0.75, 0.3])
    excess = 2 * (0.15 / 0.03) ** 2 / 2
    assert covariance[0, 0] == pytest.approx(excess * 0.03**2 / 2 + FOUND_ERRS[0] ** 2, rel=0.1)


def test_the_error_of_a_found_focal_ratio_is_in_all_that_moves_with_it():
    """A refit with another focal ratio moves the results as far as the error says, to first order."""
    frames, _ = synthetic_run(np.random.default_rng(8), spherical_waves=0.02)
    rig = replace(RIG, um_per_step=None)
    here, there = (solve_profiles(frames, one, WAVELENGTH_UM) for one in (rig, replace(rig, aperture_mm=200.0 / 1.02)))
    exact = here.report(OpticsErrors(f_ratio=0.0, obstruction=0.0))
    unsure = here.report(OpticsErrors(f_ratio=0.02, obstruction=0.0, found=frozenset({"f_ratio"})))
    moved = there.best_position - here.best_position
    assert math.sqrt(unsure.err**2 - exact.err**2) == pytest.approx(abs(moved), rel=0.15)
    way = math.log(there.report().um_per_step / exact.um_per_step)
    added = math.sqrt(unsure.um_per_step_err**2 - exact.um_per_step_err**2) / exact.um_per_step
    assert added == pytest.approx(way, rel=0.1)


def test_a_focal_ratio_gives_the_length_that_is_missing():
    assert with_f_ratio(only("focal_length_mm"), 7.0).aperture_mm == pytest.approx(200.0)
    assert with_f_ratio(only("aperture_mm"), 7.0).focal_length_mm == pytest.approx(1400.0)
    neither = with_f_ratio(Rig(), 7.0)
    assert (neither.f_ratio, neither.focal_length_mm, neither.aperture_mm) == (7.0, None, None)
