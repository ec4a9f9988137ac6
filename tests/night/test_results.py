"""Results show themselves, compare, and say what the logbook keeps."""

import xml.etree.ElementTree as ET
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pytest
from small_nights import HERON, START, write_run

from focuskit.frames import RigFile
from focuskit.night import analyse, verdict
from focuskit.night.runs import ShapedRun
from focuskit.scenes import Scene, Sweep, simulate_run


def pictures(shown):
    return [svg for svg in ET.fromstring(f"<div>{shown}</div>").iter("svg") if svg.get("class") == "chart"]


def test_results_print_in_ten_lines_at_most(night):
    lines = repr(night).splitlines()
    assert "Heron: 7 focus runs" in lines[0] and len(lines) == 8
    assert "2031-01-17T" in lines[1] and "good" in lines[1] and " ± " in lines[1]
    many = repr(replace(night, runs=night.runs * 4)).splitlines()
    assert len(many) == 10 and many[-1].strip() == "and 20 more"
    for run in night.runs:
        assert len(repr(run).splitlines()) == 1 and len(repr(run)) < 200


def test_results_are_equal_where_their_json_is(night):
    again = replace(night, runs=tuple(replace(run) for run in night.runs))
    assert again == night and again.runs[0] is not night.runs[0]
    assert len({*again.runs, *night.runs}) == len(night.runs)
    other = replace(night.runs[0], fit=replace(night.runs[0].fit, best_position=0.0))
    assert other != night.runs[0] and night.runs[0] != "a run"
    assert replace(night, runs=(other, *night.runs[1:])) != night


def test_a_run_draws_its_frames_its_curve_and_its_best_position(night):
    run = night.runs[0]
    (svg,) = pictures(run._repr_html_())
    marks = [g for g in svg.iter("g") if g.get("class") == "mark"]
    rows = sorted({int(g.get("data-index")): g.find("circle") for g in reversed(marks)}.items())
    assert [k for k, _ in rows] == list(range(len(run.frames)))
    dots = [(float(c.get("cx")), float(c.get("cy"))) for _, c in rows]
    lines = {path.get("data-line"): path.get("d") for path in svg.iter("path") if path.get("data-line")}
    curve, best = (
        np.array([place.split() for place in lines[name].strip("M").split("L")], float)
        for name in ("curve through the squared sizes", "best position")
    )
    assert best[0, 0] == best[1, 0]
    order = np.argsort(run.positions)
    x = np.interp(run.fit.best_position, np.array(run.positions)[order], np.array(dots)[order, 0])
    assert best[0, 0] == pytest.approx(x, abs=0.2)
    assert curve[np.argmax(curve[:, 1]), 0] == pytest.approx(x, abs=5.0)  # SVG counts downwards: the least size


def test_a_night_draws_the_best_positions_that_it_has(night):
    (svg,) = pictures(night._repr_html_())
    told = [title.text for title in svg.iter("title")]
    known = [run for run in night.runs if run.fit.best_position is not None]
    assert sum("best position" in tip for tip in told) == len(known)
    assert sum(": failed" in tip for tip in told) == len(night.runs) - len(known)
    assert not pictures(replace(night, runs=())._repr_html_())


def test_what_is_logged_is_what_the_json_says(night):
    for run in night.runs:
        logged, answer = run.logged(), run.to_json()
        used = [p for p in answer["points"] if p["used"] and p["hfd_px"]]
        assert (logged.position, logged.filter, logged.verdict) == (run.fit.best_position, run.filter, run.fit.verdict)
        if logged.position is None:
            assert logged.reach_steps is None and logged.star_snr is None
            continue
        assert logged.reach_steps == max(abs(p["position"] - logged.position) for p in used)
        assert logged.star_snr == min(used, key=lambda p: p["hfd_px"])["star_snr"]
        assert logged.seconds == (run.end - run.start).total_seconds() > 0


def stub(x_px, y_px, um_per_step=4.0):
    shares = np.full((1, len(x_px)), 1.0 / len(x_px))
    return SimpleNamespace(
        profile=SimpleNamespace(best_position=5000.0, err=0.3, um_per_step=um_per_step, star_shares=shares),
        frames=[SimpleNamespace(info=SimpleNamespace(shape=(400, 600)))],
        profile_frames=(0,),
        match=SimpleNamespace(places_px=np.stack((x_px, y_px), axis=-1)[None].astype(float)),
    )


def field(**known):
    names = ("tilt_x_um", "tilt_y_um", "curvature_um")
    values = {name: known.get(name, 0.0) for name in names}
    return SimpleNamespace(**values, **{f"{name}_err": known.get(f"{name}_err", 1e-9) for name in names})


@pytest.fixture
def plain_means(monkeypatch):
    """All stars weigh alike, and a height that is seen counts whole."""
    monkeypatch.setattr(verdict, "star_weights", lambda frames, match: np.ones(match.places_px.shape[1]))
    monkeypatch.setattr(verdict, "likely_height", lambda height, err: (height, err))


def move(run, **heights):
    return verdict._to_middle(run, run.profile, [field(**heights)])


def test_the_best_position_is_brought_from_the_stars_to_the_middle(plain_means):
    """A tilt counts from edge to edge, a curvature from the centre to the corner; both in µm of the focal plane."""
    right = stub([599.5], [199.5])  # half the tilt from the middle
    assert move(right, tilt_x_um=80.0, tilt_x_um_err=8.0) == pytest.approx((-40.0 / 4.0, 4.0 / 4.0))
    low = stub([299.5], [399.5])
    assert move(low, tilt_y_um=80.0)[0] == pytest.approx(-10.0)
    corner = stub([-0.5], [-0.5])
    assert move(corner, curvature_um=-20.0, curvature_um_err=2.0) == pytest.approx((20.0 / 4.0, 2.0 / 4.0))
    assert verdict._to_middle(corner, corner.profile, []) == (0.0, 0.0)


def test_stars_at_several_heights_widen_the_error(plain_means):
    both = stub([-0.5, 599.5], [199.5, 199.5])
    assert move(both, tilt_x_um=400.0) == pytest.approx((0.0, verdict._UNEVEN * 200.0 / 4.0), abs=1e-6)


def test_bright_stars_near_the_border_that_wide_frames_leave_out_do_not_move_the_middle(tmp_path):
    """In a tilted field the wide frames, which decide, stack other stars than the sharp ones: off by 2.1 steps once."""
    rng = np.random.default_rng(6)
    y, x = (np.mgrid[0:3, 0:4] * 62.0 + 42.0 + rng.uniform(-3.0, 3.0, (2, 3, 4))).reshape(2, -1)
    near = x < 80.0
    x[near] -= 18.0
    scene = Scene(HERON, (208, 270), x, y, np.where(near, 2e5, 1e5), tilt_x_um=40.0, drift_px=0.0)
    taken = simulate_run(scene, Sweep("L", START, 8.0, 2.0, [10000 + 30 * k for k in range(-4, 5)]), rng)
    frames = [(frame.image, {key: value for key, (value, _) in frame.facts.items()}) for frame in taken]
    (run,) = analyse(write_run(tmp_path / "night", frames), rig_file=RigFile(rig=HERON), workers=1).runs
    stacked = run.profile.star_shares
    assert stacked.sum() == pytest.approx(1.0) and stacked.shape == (9, 12)
    assert abs(run.in_the_middle[0] - 10000.0) < 0.35


def test_position_and_error_in_the_middle_are_those_of_stack_and_move(night):
    for run in night.runs:
        best, err = run.in_the_middle
        assert best == pytest.approx(run.profile.best_position + run.to_middle[0])
        assert err**2 == pytest.approx(run.profile.err**2 + run.to_middle[1] ** 2)
        assert (run.fit.best_position, run.fit.best_position_err) == (best, err)
        told = run.to_json()["fits"]["profile"]
        assert (told["to_middle_steps"], told["to_middle_err_steps"]) == run.to_middle


def test_fields_of_one_camera_are_pooled_at_the_step_that_is_known(night, monkeypatch):
    runs = [ShapedRun(**{f.name: getattr(run, f.name) for f in fields(ShapedRun)}) for run in night.runs]
    runs = [run for run in runs if run.profile and run.fit.fits]
    apart = tuple(replace(frame, info=replace(frame.info, instrument="Guide")) for frame in runs[0].frames)
    runs[0] = replace(runs[0], frames=apart)
    for run, known in ((1, None), (2, 4.5)):
        profile = runs[run].profile
        rig = replace(profile.rig, um_per_step=known)
        runs[run] = replace(runs[run], rig=rig, profile=replace(profile, rig=rig))
    steps, pooled = [], []
    monkeypatch.setattr(verdict, "map_field", lambda *given, **_: steps.append(given[3].um_per_step) or "a map")
    monkeypatch.setattr(verdict, "_to_middle", lambda run, profile, maps: pooled.append(len(maps)) or (1.0, 1.0))
    verdict.judge_runs(runs)
    assert pooled == [1] + [len(runs) - 1] * (len(runs) - 1)
    assert steps[1:3] == [runs[1].profile.um_per_step, 4.5]
