"""What the runs of a night say about the optical train, from nights whose faults are known."""

import dataclasses
import json
import math
from datetime import timedelta

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import norm
from small_nights import HERON, START, take_run, write_run

from focuskit.cli import run as cli
from focuskit.cli.analyse import night_as_text
from focuskit.diagnosis import diagnose
from focuskit.diagnosis.cameras import camera_findings
from focuskit.diagnosis.exposure import exposure_findings
from focuskit.diagnosis.focuser import _between_runs, _of_many, _off_even_steps, focuser_findings
from focuskit.diagnosis.tilt import tilt_findings
from focuskit.field import FieldMap
from focuskit.frames import read_rig_file
from focuskit.night import analyse
from focuskit.night.backlash import Backlash
from focuskit.show.report import render_report

MAIN = {"INSTRUME": "Main"}
GUIDE = {"INSTRUME": "Guide", "FILTER": ""}
OFFSET = 60  # steps from the main camera's best position to the guide camera's


def change(run, **facts):
    """Change header values; None takes the keyword out."""
    return [(image, {k: v for k, v in {**own, **facts}.items() if v is not None}) for image, own in run]


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A run both ways with 30 steps of slack and 3.6 µm a step where 4.0 are given; a guide camera beside it."""
    folder = tmp_path_factory.mktemp("diagnose")
    sent = [10100 - 25 * i for i in range(9)]
    sent += sent[::-1]
    path = np.array([10130.0 - 25 * i for i in range(9)])
    # The way back: the screw turns 30 steps before the camera follows.
    moved = [*path, *np.maximum(path[-1], sent[9:])]
    main = take_run(positions=sent, moved_to=moved, um_per_step=3.6, best_position=10030, seed=1)
    guide = take_run(positions=sent, moved_to=moved, um_per_step=3.6, best_position=10030 + OFFSET, seed=2)
    # The guide camera's software does not know the focuser; its exposures lie within the main camera's.
    write_run(folder / "main", change(main, INSTRUME="Main"))
    guide = [(image[:, :215], facts) for image, facts in guide]
    write_run(folder / "guide", change(guide, INSTRUME="Guide", FILTER=None, FOCUSPOS=None, EXPTIME=1.9))
    rig = folder / "rig.toml"
    rig.write_text(f'name = "Heron"\ncamera = "Main"\nobstruction = {HERON.obstruction}\num_per_step = 4.0\n')
    return folder, analyse(folder, rig_file=read_rig_file(rig), workers=1)


def found(findings, name):
    (one,) = [finding for finding in findings if finding.name == name]
    return one


def test_backlash_and_way_per_step(night):
    findings = diagnose(night[1]).findings
    backlash = found(findings, "backlash")
    assert backlash.seen
    assert abs(backlash.value - 30.0) < 3.0 * backlash.err
    assert backlash.err < 1.0
    assert "45 steps past" in backlash.advice
    step = found(findings, "um_per_step")
    assert step.value == pytest.approx(3.6, rel=0.03)
    assert step.seen  # 10 % off what is given, where f-ratio and obstruction are known to 1 %
    assert "11 % more" in step.text  # 4.0 / 3.6
    assert not found(findings, "uneven_steps").seen


def test_a_guide_camera_has_its_own_best_position(night):
    main, guide = sorted(night[1].runs, key=lambda run: run.instrument, reverse=True)
    assert [p.position for p in guide.sweep.frames] == [p.position for p in main.sweep.frames]
    apart = found(diagnose(night[1]).findings, "camera_apart")
    assert abs(apart.value - OFFSET) < 3.0 * apart.err
    assert apart.seen
    # 60 steps of 4.0 µm, as the rig file says
    assert "0.240" in apart.text and "0.24 mm away from the telescope" in apart.advice
    assert "Guide beside the main camera in L" in apart.text


def test_the_command_says_it_to_people_and_to_scripts(night, analysed_once, capsys):
    folder, _ = night
    words = ["diagnose", str(folder), "--rig", str(folder / "rig.toml"), "--workers", "1"]
    assert cli.main([*words, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["schema"] == "focuskit.diagnosis/1"
    assert {f["name"] for f in answer["findings"]} >= {"backlash", "um_per_step", "camera_apart", "seeing_jitter"}
    keys = {"part", "name", "value", "err", "unit", "significance", "seen", "text", "advice"}
    assert all(set(f) == keys for f in answer["findings"])
    assert answer["runs"][0]["slack_is_whole"] is True
    assert cli.main(words) == 0
    said = capsys.readouterr().out
    assert "! backlash of 30" in said
    assert max(len(line) for line in said.splitlines() if "focuskit " not in line) <= 110


def test_analyse_and_the_page_say_what_is_wrong(night):
    said = night_as_text(night[1])
    assert "Wrong in the optical train" in said
    assert "  backlash of 30" in said
    page = render_report(night[1])
    assert "What the runs say about the optical train" in page
    assert "backlash of 30" in page and "45 steps past" in page


def test_no_word_without_frames(tmp_path, capsys):
    assert cli.main(["diagnose", str(tmp_path)]) == 1
    assert "no FITS files" in capsys.readouterr().err


# Parts on their own: one real run, of which copies are made ----------------------------------


@pytest.fixture(scope="module")
def run(night):
    return next(r for r in night[1].runs if r.instrument == "Main")


def as_if(run, minutes=0, filter_name="L", position=None, err=1.0, direction=0, slack=None, **info):
    """Return the run as if taken at another time, found elsewhere, in one direction."""
    frames = tuple(
        dataclasses.replace(f, time=f.time + timedelta(minutes=minutes), filter=filter_name, **info)
        for f in run.sweep.frames
    )
    sweep = dataclasses.replace(run.sweep, frames=frames, directions=(direction,) if direction else run.directions)
    measured = tuple(dataclasses.replace(m, info=i) for m, i in zip(run.frames, frames, strict=True))
    fit = dataclasses.replace(run.fit, best_position=position or run.fit.best_position, best_position_err=err)
    return dataclasses.replace(run, sweep=sweep, frames=measured, fit=fit, backlash=slack)


def test_backlash_from_runs_in_opposite_directions(run):
    rng = np.random.default_rng(3)
    for slack, seen in ((25.0, True), (0.0, False)):
        runs = []
        for k in range(12):
            warmth, direction, name = 8.0 - 0.3 * k, (1, -1)[k % 2], "LR"[k // 6]
            place = 10000.0 + 40.0 * (name == "R") - 6.5 * (warmth - 8.0) + 0.5 * slack * direction
            runs.append(as_if(run, 30 * k, name, place + rng.normal(), 1.0, direction, temperature_c=warmth))
        backlash = found(focuser_findings(runs), "backlash")
        assert backlash.seen is seen
        assert abs(backlash.value - slack) < 3.0 * backlash.err
        # The error of a difference of means of six runs each is √(2/6).
        assert 0.4 < backlash.err < 1.5


def test_backlash_between_runs_is_that_of_least_squares(run):
    """Error and significance as statsmodels has them: residual scatter, Student's t with the right freedom."""
    rng = np.random.default_rng(12)
    direction = np.array([1, -1, 1, -1, -1, 1, 1])
    place = 10000.0 + 4.0 * direction + 3.0 * rng.normal(size=7)
    runs = [as_if(run, 0, "L", p, 1.0, int(d), temperature_c=5.0) for p, d in zip(place, direction, strict=True)]
    steps, err, sigma = _between_runs(runs)
    fitted = sm.OLS(place, np.column_stack([0.5 * direction, np.ones(7)])).fit()
    assert fitted.scale > 1.0  # else the runs' own errors, 1 step each, would count
    assert (steps, err) == pytest.approx((fitted.params[0], fitted.bse[0]))
    assert 2.0 * norm.sf(sigma) == pytest.approx(fitted.pvalues[0], rel=1e-6)


def test_the_best_of_many_chances_is_less_of_a_surprise():
    """The chance that one of four reaches 3.5σ is 1 - (1 - p)⁴."""
    slack = Backlash(10.0, 1.0, 3.5, True, 1, (0.0,))
    quiet = dataclasses.replace(slack, sigma=1.0)
    chance = 1.0 - (1.0 - 2.0 * norm.sf(3.5)) ** 4
    assert 2.0 * norm.sf(_of_many([quiet, slack, quiet, quiet])) == pytest.approx(chance, rel=1e-6)


def test_even_steps_scatter_as_their_errors_say(run):
    """chi² of places about a line, and what a scatter² of 1 adds to it: the trace of the residual maker's weights."""
    squares, adds, freedom = _off_even_steps(run)
    shown = [
        (frame.position, frame.own_defocus_um, frame.own_defocus_err_um)
        for k, frame in zip(run.profile_frames, run.profile.frames, strict=True)
        if run.fit.used[k] and frame.used and frame.own_defocus_err_um < 0.05 * abs(frame.own_defocus_um)
    ]
    x, away, err = np.array(shown).T
    place = np.copysign(away, x - run.profile.best_position) / run.profile.um_per_step
    weight = (run.profile.um_per_step / err) ** 2
    fitted = sm.WLS(place, sm.add_constant(x), weights=weight).fit()
    assert squares == pytest.approx(fitted.ssr, rel=1e-6)
    assert freedom == fitted.df_resid == len(x) - 2
    root = np.sqrt(weight)
    design = root[:, None] * sm.add_constant(x - x.mean())
    maker = np.eye(len(x)) - design @ np.linalg.pinv(design)
    assert adds == pytest.approx(np.trace(maker @ np.diag(weight)), rel=1e-6)


def field_map(tilt_x_um, tilt_y_um, err):
    values = dict.fromkeys((f.name for f in dataclasses.fields(FieldMap)), 0.0)
    tilts = {"tilt_x_um": tilt_x_um, "tilt_x_um_err": err, "tilt_y_um": tilt_y_um, "tilt_y_um_err": err}
    return FieldMap(**{**values, **tilts, "corners": (), "stars": 100})


def turned_runs(run, settings, camera, tube, side, sense, rng, err=1.0):
    """Runs at rotator angles and sides of the pier; tilts in µm over the width of the image."""
    rows, columns = run.frames[0].info.shape
    out = []
    for k, (angle, pier) in enumerate(settings):
        a = math.radians(sense * angle)
        # The camera, turned by the angle, sees the tube turned back by it (rotation of axes).
        seen = camera + np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]) @ tube
        seen = seen + side * {"east": 0.5, "west": -0.5, None: 0.0}[pier]
        tilts = seen * np.array([1.0, rows / columns]) + rng.normal(0.0, err, 2)
        one = as_if(run, 30 * k, rotator_deg=float(angle), pier_side=pier)
        out.append(dataclasses.replace(one, field=field_map(*tilts, err)))
    return out


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_what_turns_with_the_camera_is_told_from_what_does_not(run, sense):
    rng = np.random.default_rng(8)
    camera, tube, side = np.array([40.0, 10.0]), np.array([-12.0, 25.0]), np.array([0.0, 16.0])
    settings = [(a, pier) for a in (0, 90, 180, 270) for pier in ("east", "west")]
    findings = tilt_findings(turned_runs(run, settings, camera, tube, side, sense, rng))
    for name, truth in (("tilt_of_camera", camera), ("tilt_of_tube", tube), ("tilt_by_side", side)):
        one = found(findings, name)
        assert one.seen
        assert abs(one.value - np.hypot(*truth)) < 3.0 * one.err
        assert one.err < 2.0
    assert "towards the right" in found(findings, "tilt_of_camera").text


def test_half_a_turn_is_enough_and_a_quarter_is_not(run):
    rng = np.random.default_rng(9)
    camera, tube, none = np.array([40.0, 0.0]), np.array([0.0, 20.0]), np.zeros(2)
    half = tilt_findings(turned_runs(run, [(10, None), (190, None)], camera, tube, none, 1.0, rng))
    assert abs(found(half, "tilt_of_tube").value - 20.0) < 3.0 * found(half, "tilt_of_tube").err
    quarter = tilt_findings(turned_runs(run, [(0, None), (90, None)], camera, tube, none, 1.0, rng))
    (one,) = quarter
    assert not one.seen
    assert "half a turn" in one.advice


def test_a_tilt_that_only_the_camera_has_is_not_claimed_of_the_tube(run):
    rng = np.random.default_rng(10)
    wrong = 0
    for _ in range(40):
        runs = turned_runs(run, [(0, None), (180, None)] * 2, np.array([30.0, 0.0]), np.zeros(2), np.zeros(2), 1.0, rng)
        wrong += found(tilt_findings(runs), "tilt_of_tube").seen
    assert wrong <= 1
    assert tilt_findings(turned_runs(run, [(0, None)] * 3, np.ones(2), np.ones(2), np.zeros(2), 1.0, rng)) == []


def test_rotator_and_pier_changed_together_cannot_be_told_apart(run):
    rng = np.random.default_rng(11)
    runs = turned_runs(run, [(0, "east"), (180, "west")], np.ones(2), np.ones(2), np.ones(2), 1.0, rng)
    (one,) = tilt_findings(runs)
    assert one.value is None
    assert "only one of them" in one.advice


def test_cameras_that_were_not_used_together_are_not_compared(run):
    beside = as_if(run, 0, None, 10050.0)
    assert camera_findings([as_if(run, 300)], {"Guide": [beside]}) == []
    (one,) = camera_findings([as_if(run, 2, position=10000.0)], {"Guide": [beside]})
    assert one.value == pytest.approx(50.0)
    assert one.err == pytest.approx(math.sqrt(2.0))


def test_exposure_says_what_more_light_would_give(run):
    (stars, seeing) = exposure_findings([run])
    assert stars.value == pytest.approx(max(frame.star_snr for frame in run.frames), rel=0.2)
    assert "nothing that matters" in seeing.text
    faint = dataclasses.replace(run, fit=dataclasses.replace(run.fit, best_position_err=8.0, method="squared sizes"))
    seeing = exposure_findings([faint])[1]
    assert "twice the frames make it ±5.7" in seeing.text  # 8 / √2
    assert seeing.advice.startswith("Take more frames")


def test_a_run_that_did_not_move_is_named(tmp_path, run):
    sent = [10100 - 25 * i for i in range(9)]
    stuck = take_run(positions=sent, moved_to=[10040.0] * 9, seed=5, start=START + timedelta(minutes=20))
    (result,) = analyse(write_run(tmp_path, change(stuck, INSTRUME="Main")), workers=1).runs
    assert result.fit.verdict == "failed"
    still = found(focuser_findings([run, result]), "did_not_move")
    assert still.seen
    assert "20:30" in still.text


def test_uneven_steps_are_seen(tmp_path):
    sent = [10100 - 25 * i for i in range(9)]
    uneven = [x + e for x, e in zip(sent, np.random.default_rng(4).normal(0.0, 2.0, 9), strict=True)]
    rig = tmp_path / "rig.toml"
    rig.write_text("obstruction = 0.36\num_per_step = 4.0\n")
    taken = take_run(positions=sent, moved_to=uneven, seed=6)
    (result,) = analyse(write_run(tmp_path / "n", taken), rig_file=read_rig_file(rig), workers=1).runs
    one = found(focuser_findings([result]), "uneven_steps")
    assert one.seen
    assert 1.0 < one.value < 4.0
