"""Plans of the night, what logged runs tell of their cost, and the next focus run."""

import dataclasses
import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import FilterTable, OwnFilter
from focuskit.core.logged import LoggedRun
from focuskit.drift import fit_drift
from focuskit.refocus import Block, FocusBehaviour, Known, NightPlan, plan_sweeps, read_night_plan
from focuskit.refocus.behaviour import learn_behaviour
from focuskit.refocus.next_sweep import SeenRuns, _leverage, compare_with_offset, look_at_runs, plan_sweep
from focuskit.refocus.night_plan import night_from_runs
from focuskit.refocus.random_walk import split_scatter

SEEN = SeenRuns("L", 5012.0, 1.2, 5.93, 0.114, 2.0, 9, 133.0, overhead_s=8.0)


def logged(count=40, seed=3, **changes):
    """Runs of ten nights in L and Ha with k -6.5, offset 61 and errors of 1.5 and 3 steps."""
    rng = np.random.default_rng(seed)
    runs = []
    for i in range(count):
        name, err = (("L", 1.5), ("Ha", 3.0))[i % 2]
        celsius = float(10.0 - i / 4.0 + rng.normal(0.0, 2.0))
        position = 8000.0 - 6.5 * celsius + 61.0 * (name == "Ha") + rng.normal(0.0, err)
        run = LoggedRun(
            time=datetime(2031, 3, 1, 20, tzinfo=UTC) + timedelta(days=i // 4, hours=i % 4 * 1.5),
            position=float(position), filter=name, temperature_c=celsius, position_err=err,
            hfd_best_px=5.9, hfd_slope_px_per_step=0.114, exposure_s=2.0 if name == "L" else 40.0,
            frames=9, seconds=95.0 if name == "L" else None, verdict="good",
        )  # fmt: skip
        runs.append(dataclasses.replace(run, **changes))
    return runs


# The night -----------------------------------------------------------------------------------


def test_reads_a_plan_from_csv_and_toml(tmp_path):
    csv = tmp_path / "night.csv"
    csv.write_text("filter,minutes,sub_s\nL,60,120\nHa,90,\n")
    toml = tmp_path / "night.toml"
    toml.write_text('[[block]]\nfilter = "L"\nminutes = 60\nsub_s = 120\n[[block]]\nfilter = "Ha"\nminutes = 90\n')
    expected = (Block("L", 60.0, 120.0), Block("Ha", 90.0, 300.0))
    assert read_night_plan(csv).blocks == read_night_plan(toml).blocks == expected
    csv.write_text("filter,minutes\nH-alpha 7nm,90\nslot 5,20\n")
    table = FilterTable({"Duo": OwnFilter(narrowband=True, also=("slot 5",))})
    assert read_night_plan(csv, table).blocks == (Block("H-alpha 7nm", 90.0, 300.0), Block("Duo", 20.0, 300.0))
    assert read_night_plan(toml).shares() == {"L": 0.4, "Ha": 0.6}


@pytest.mark.parametrize(
    "name, text, words",
    [
        ("p.csv", "", "is empty"),
        ("p.csv", "filter,minutes\n", "no block"),
        ("p.csv", "filter,minutes\n,60\n", "names no filter"),
        ("p.csv", "filter,minutes\nL,soon\n", "minutes=soon"),
        ("p.csv", "filter,minutes\nL,-5\n", "minutes=-5"),
        ("p.csv", "filter,minutes,sub_s\nL,5,nan\n", "sub_s=nan"),
        ("p.toml", "block = 3\n", "no block"),
        ("p.toml", "[[block]\n", "not valid TOML"),
    ],
)
def test_says_what_is_wrong_with_a_plan(tmp_path, name, text, words):
    path = tmp_path / name
    path.write_text(text)
    with pytest.raises(FocuskitError, match=words) as problem:
        read_night_plan(path)
    assert "\n" not in str(problem.value)
    with pytest.raises(FocuskitError, match="cannot be read"):
        read_night_plan(tmp_path / "none.csv")


def test_the_plan_is_that_of_the_last_full_night():
    first = datetime(2031, 3, 4, 20, tzinfo=UTC)
    minutes = ((0, "L"), (30, "R"), (60, "R"), (100, "Ha"), (220, "L"))
    runs = [LoggedRun(first + timedelta(minutes=m), 1.0, f) for m, f in minutes]
    later = [LoggedRun(first + timedelta(days=1, minutes=m), 1.0, "L") for m in (0, 60)]
    plan, seen = night_from_runs([*later, *runs])
    assert seen
    assert [(b.filter, round(b.minutes)) for b in plan.blocks] == [("L", 30), ("R", 70), ("Ha", 120), ("L", 73)]
    assert [b.sub_s for b in plan.blocks] == [120.0, 120.0, 300.0, 120.0]
    # Two runs show no night: an hour in each filter of theirs is assumed.
    assert night_from_runs(later) == (NightPlan((Block("L", 60.0, 120.0),)), False)


def test_runs_one_after_another_are_no_plan():
    first = datetime(2031, 3, 4, 20, tzinfo=UTC)

    def runs(*minutes, day=0):
        return [LoggedRun(first + timedelta(days=day, minutes=m), 1.0, f) for m, f in minutes]

    row = runs((0, "L"), (6, "R"), (12, "G"), (18, "B"), (24, "Ha"), day=1)
    plan, seen = night_from_runs(row)
    assert not seen
    assert [(b.filter, b.minutes) for b in plan.blocks] == [(f, 60.0) for f in ("L", "R", "G", "B", "Ha")]
    # The night before shows one.
    before = runs((0, "L"), (90, "Ha"), (210, "L"), (240, "L"))
    assert night_from_runs([*before, *row]) == night_from_runs(before)
    # Of three runs in a row the last begins a block; a quarter of an hour is one.
    some = runs((0, "R"), (6, "G"), (14.9, "L"), (100, "Ha"), (115, "OIII"), (200, "L"))
    plan, seen = night_from_runs(some)
    assert seen
    assert [b.filter for b in plan.blocks] == ["L", "Ha", "OIII", "L"]
    assert [b.minutes for b in plan.blocks[:3]] == pytest.approx([85.1, 15.0, 85.0])


# What runs cost and find ---------------------------------------------------------------------


def test_learns_drift_cost_and_error_from_runs():
    drift = fit_drift(logged())
    focus, _ = learn_behaviour(drift, ["L", "Ha"])
    assert focus.steps_per_c == pytest.approx(-6.5, abs=4.0 * focus.steps_per_c_err)
    # 95 s were logged in L; in Ha nine frames of 40 s and 8 s each
    assert focus.run_cost_s == {"L": 95.0, "Ha": 432.0}
    assert focus.position_err_steps["L"] >= 1.5
    assert focus.position_err_steps["Ha"] > focus.position_err_steps["L"]
    assert (focus.best_hfd_px, focus.slope_px_per_step) == (5.9, 0.114)
    # tolerance: √(1.05² − 1)·5.9/0.114 = 0.32016·51.754 (by hand)
    assert focus.tolerance_steps == pytest.approx(16.57, abs=0.01)
    steps_per_c, offsets = focus.draw(np.random.default_rng(0), 4000, ["L", "Ha"])
    assert steps_per_c.mean() == pytest.approx(focus.steps_per_c, abs=0.02)
    assert steps_per_c.std() == pytest.approx(focus.steps_per_c_err, rel=0.1)
    assert np.all(offsets[0] == 0.0)
    assert offsets[1].std() == pytest.approx(focus.offset_err_steps["Ha"], rel=0.1)


def test_what_is_given_goes_first():
    drift = fit_drift(logged())
    focus, _ = learn_behaviour(
        drift, ["L", "Ha"], Known(steps_per_c=-5.0, best_hfd_px=4.0, slope_px_per_step=0.2,
        run_cost_s={"": 50.0, "Ha": 200.0}, position_err_steps=2.0),
    )  # fmt: skip
    assert (focus.steps_per_c, focus.steps_per_c_err) == (-5.0, 0.0)
    assert focus.run_cost_s == {"L": 50.0, "Ha": 200.0}
    assert focus.position_err_steps == {"L": 2.0, "Ha": 2.0}
    assert focus.tolerance_steps == pytest.approx(0.32016 * 20.0, rel=1e-4)


def test_what_nobody_knows_is_assumed_with_a_flag_or_asked_for():
    drift = fit_drift(logged(seconds=None, frames=None, exposure_s=None))
    focus, assumed = learn_behaviour(drift, ["L", "Ha"])
    assert assumed == ("run_cost_assumed",)
    # nine frames of 2 s or 40 s, 8 s each: common practice, no source
    assert focus.run_cost_s == {"L": 90.0, "Ha": 432.0}
    # the same under other names of the filter, and by the rig file's word
    table = FilterTable({"L": OwnFilter(narrowband=True)})
    for name in ("Ha 7nm", "Halpha 3nm", "Hα"):
        assert learn_behaviour(drift, [name], table=table)[0].run_cost_s == {name: 432.0}
    assert learn_behaviour(drift, ["L"], table=table)[0].run_cost_s == {"L": 432.0}
    with pytest.raises(FocuskitError, match="best_hfd_px"):
        learn_behaviour(fit_drift(logged(hfd_best_px=None)), ["L"])
    with pytest.raises(FocuskitError, match="slope_px_per_step"):
        learn_behaviour(fit_drift(logged(hfd_slope_px_per_step=None)), ["L"])


def test_a_filter_that_was_never_logged_has_no_offset():
    focus, _ = learn_behaviour(fit_drift(logged()), ["L", "OIII"])
    assert "OIII" not in focus.offset_steps
    assert focus.run_cost_s["OIII"] == 432.0
    assert focus.draw(np.random.default_rng(0), 3, ["L", "OIII"])[1].shape == (2, 3)


# The next run --------------------------------------------------------------------------------


@pytest.mark.parametrize("hfd, slope", [(5.93, 0.114), (2.5, 0.4), (12.0, 0.01), (4.0, 1.0), (3.0, 0.9)])
def test_outermost_frames_are_2_5_to_3_times_the_least_size(hfd, slope):
    plan = plan_sweep(dataclasses.replace(SEEN, best_hfd_px=hfd, slope_px_per_step=slope))
    assert 2.5 <= plan.outer_size <= 3.0
    reach = (plan.positions[0] - plan.positions[-1]) / 2.0
    # the curve itself, HFD² = h0² + s²·(x − x0)²
    assert plan.outer_size == pytest.approx(math.sqrt(hfd**2 + (slope * reach) ** 2) / hfd, rel=1e-9)
    assert np.all(np.diff(plan.positions) == -plan.step)
    assert abs(np.mean(plan.positions) - SEEN.best_position) <= 0.5
    assert len(plan.positions) % 2 == 1


def test_more_frames_are_taken_where_the_error_asks_for_it():
    counts = [len(plan_sweep(dataclasses.replace(SEEN, position_err_steps=e)).positions) for e in (0.5, 3.0, 9.0)]
    assert counts[0] == 7
    assert counts[0] < counts[1] <= counts[2] == 15


def test_the_expected_error_is_that_of_a_fit():
    # Least squares of HFD² = a + s²·(x − x0)² with equal noise, worked out from the normal equations.
    rng = np.random.default_rng(5)
    noise, slope, hfd = 1.5, SEEN.slope_px_per_step, SEEN.best_hfd_px

    def error(x):
        found = []
        for _ in range(3000):
            y = hfd**2 + (slope * x) ** 2 + rng.normal(0.0, noise, len(x))
            c2, c1, _ = np.polyfit(x, y, 2)
            found.append(-c1 / (2.0 * c2))
        return np.std(found)

    old = np.linspace(-133.0, 133.0, 9)
    seen = dataclasses.replace(SEEN, position_err_steps=float(error(old)))
    plan = plan_sweep(seen)
    new = np.array(plan.positions) - np.mean(plan.positions)
    assert plan.position_err_steps == pytest.approx(error(new), rel=0.06)


def test_exposure_follows_the_stars():
    # S/N 60 in focus is 60/2.75 = 21.8 in the outermost frames: 2 s are enough (needed: 1.7 s).
    assert plan_sweep(dataclasses.replace(SEEN, star_snr=60.0)).exposure_s == 2.0
    # a quarter of it needs 16 times that, 27 s: 30 s on the ladder
    assert plan_sweep(dataclasses.replace(SEEN, star_snr=15.0)).exposure_s == 30.0
    assert plan_sweep(dataclasses.replace(SEEN, star_snr=600.0)).exposure_s == 1.0
    assert plan_sweep(dataclasses.replace(SEEN, star_snr=1.0)).exposure_s == 60.0
    assert plan_sweep(SEEN).exposure_s == 2.0


@pytest.mark.parametrize("centre", [40.0, 100.0, 19950.0, 10000.0])
def test_never_beyond_the_travel(centre):
    plan = plan_sweep(SEEN, centre=centre, travel=(0.0, 20000.0))
    assert 0 <= min(plan.positions) <= max(plan.positions) <= 20000
    assert ("beyond_travel" in plan.flags) == (centre != 10000.0)
    assert min(plan.positions) < centre < max(plan.positions)


def test_a_coarse_focuser_near_its_end_stays_inside():
    coarse = dataclasses.replace(SEEN, best_hfd_px=3.0, slope_px_per_step=1.0, position_err_steps=2.0)
    for centre in np.arange(3.0, 12.0, 0.25):
        plan = plan_sweep(coarse, centre=centre, travel=(0.0, 500.0))
        assert 0 <= min(plan.positions) <= centre <= max(plan.positions)


@pytest.mark.parametrize("centre", [-5.0, 1.0, 20000.0])
def test_no_sweep_where_there_is_no_room(centre):
    with pytest.raises(FocuskitError, match="leaves no room"):
        plan_sweep(SEEN, centre=centre, travel=(0.0, 20000.0))


def test_slow_filter_against_offset():
    slow = plan_sweep(dataclasses.replace(SEEN, filter="Ha", exposure_s=40.0, position_err_steps=2.5))
    quick = plan_sweep(SEEN)

    def focus(err):
        return FocusBehaviour(
            -6.5, 5.93, 0.114, {}, {}, offset_steps={"L": 0.0, "Ha": 61.0}, offset_err_steps={"L": 0.0, "Ha": err}
        )

    sure = compare_with_offset(slow, quick, focus(0.8))
    assert (sure.better, sure.by_offset.filter) == ("offset", "L")
    assert sure.by_offset.position_err == pytest.approx(math.hypot(quick.position_err_steps, 0.8))
    assert sure.by_offset.cost_s == quick.cost_s + 20.0
    assert compare_with_offset(slow, quick, focus(40.0)).better == "own"
    # Just where both lose the same: (s/h0)²·(σ_offset² − σ_own²)·interval = time saved.
    saved = slow.cost_s - quick.cost_s - 20.0
    limit = saved / (7200.0 * (0.114 / 5.93) ** 2) + slow.position_err_steps**2 - quick.position_err_steps**2
    assert compare_with_offset(slow, quick, focus(0.99 * math.sqrt(limit))).better == "offset"
    assert compare_with_offset(slow, quick, focus(1.01 * math.sqrt(limit))).better == "own"
    assert compare_with_offset(quick, quick, focus(1.0)) == quick


def test_the_last_good_runs_speak():
    runs = logged(24)
    seen = {"reach_steps": 152.0, "star_snr": 86.0}
    runs[-2] = dataclasses.replace(runs[-2], position=8052.0, hfd_best_px=6.5, **seen)
    runs.append(dataclasses.replace(runs[-2], verdict="failed", position=None, reach_steps=None, star_snr=None))
    runs.append(dataclasses.replace(runs[-3], position=9999.0, excluded=True))
    quick, slow = look_at_runs(runs)
    assert (quick.filter, slow.filter) == ("L", "Ha")
    assert quick.best_position == 8052.0
    assert quick.reach_steps == pytest.approx(152.0)
    assert quick.star_snr == 86.0
    assert quick.overhead_s == pytest.approx(95.0 / 9.0 - 2.0)
    assert slow.overhead_s == 8.0
    assert look_at_runs(logged(4, hfd_best_px=None)) == []


def test_the_leverage_is_a_sum_of_squares():
    for frames, reach in ((7, 90.0), (9, 133.0), (15, 40.0)):
        places = np.linspace(-reach, reach, frames)
        assert _leverage(frames, reach) == pytest.approx(math.sqrt(np.sum(places**2)), rel=1e-12)


def test_a_plan_by_hand():
    # h0 6, s 0.12: 2.75 times h0 at 50·√(2.75² − 1) = 128.09 steps, in thirds 42.7; tolerance 16.0 steps
    seen = SeenRuns("L", 5012.3, 1.0, 6.0, 0.12, 2.0, 9, 128.0, overhead_s=8.0)
    plan = plan_sweep(seen)
    assert plan.positions == (5141, 5098, 5055, 5012, 4969, 4926, 4883)
    assert plan.outer_size == pytest.approx(math.hypot(1.0, 0.12 * 129.0 / 6.0))
    assert plan.cost_s == 70.0
    # with one over the root of the sum of squares: nine frames to 128, seven to 129
    old, new = (np.sqrt(np.sum(np.linspace(-r, r, n) ** 2)) for n, r in ((9, 128.0), (7, 129.0)))
    assert plan.position_err_steps == pytest.approx(old / new)
    assert plan.position_err_steps < plan.tolerance_steps / 6.0 == pytest.approx(0.320156 * 50.0 / 6.0, rel=1e-5)
    # just above a sixth of the tolerance nine frames are taken
    assert len(plan_sweep(dataclasses.replace(seen, position_err_steps=2.6)).positions) == 9
    assert len(plan_sweep(dataclasses.replace(seen, position_err_steps=2.2)).positions) == 7


def test_all_filters_are_planned_and_compared():
    drift = fit_drift(logged())
    quick, slow = plan_sweeps(drift)
    assert (quick.filter, slow.filter) == ("L", "Ha")
    assert quick.by_offset is None
    assert slow.by_offset.filter == "L"
    assert slow.by_offset.cost_s == quick.cost_s + 20.0
    offset_err = next(f.err for f in drift.filters if f.filter == "Ha")
    assert slow.by_offset.position_err == pytest.approx(math.hypot(quick.position_err_steps, offset_err))
    (warm, _), (cold, _) = (plan_sweeps(drift, temperature_c=c) for c in (10.0, 0.0))
    assert warm.centre - cold.centre == pytest.approx(drift.predict("L", 10.0)[0] - drift.predict("L", 0.0)[0])
    # A bend that is hardly likely counts a little.
    assert warm.centre - cold.centre == pytest.approx(10.0 * drift.steps_per_c, abs=drift.steps_per_c_err)
    # what follows a run decides: hours make errors dear, minutes make time dear
    assert [p.better for p in plan_sweeps(drift, interval_min=1.0)] == ["own", "offset"]
    assert repr(slow).count("\n") < 10
    assert "<svg" in slow._repr_html_()
    assert slow == plan_sweeps(drift)[1]


def test_the_error_of_a_run_has_what_the_model_leaves():
    drift = fit_drift(logged())
    focus, _ = learn_behaviour(drift, ["L", "Ha"])
    scatter, walk = split_scatter(drift)
    assert focus.random_walk == walk
    for name, own in (("L", 1.5), ("Ha", 3.0)):
        assert focus.position_err_steps[name] == pytest.approx(math.hypot(own, scatter))
    given, _ = learn_behaviour(drift, ["L"], Known(random_walk=3.0))
    assert given.random_walk == 3.0
    # a filter without errors of its own has the median of all
    bare = dataclasses.replace(
        drift, used=tuple(dataclasses.replace(r, position_err=None) if r.filter == "Ha" else r for r in drift.used)
    )
    left = split_scatter(bare)[0]
    assert learn_behaviour(bare, ["Ha"])[0].position_err_steps["Ha"] == pytest.approx(math.hypot(1.5, left))
    # One run a night shows nothing between runs: all that is unexplained is the scatter of single runs.
    days = [dataclasses.replace(r, time=r.time + timedelta(days=i)) for i, r in enumerate(drift.used)]
    apart = dataclasses.replace(drift, used=tuple(days))
    lonely, flags = learn_behaviour(apart, ["L"])
    assert (lonely.random_walk, "walk_unknown" in flags) == (0.0, True)
    assert lonely.position_err_steps["L"] == pytest.approx(math.hypot(1.5, drift.extra_scatter_steps))
    assert "walk_unknown" not in learn_behaviour(apart, ["L"], Known(random_walk=0.0))[1]
    unknown = dataclasses.replace(drift, steps_per_c_err=None)
    assert learn_behaviour(unknown, ["L"])[0].steps_per_c_err == abs(drift.steps_per_c)


def test_the_last_five_runs_speak_and_what_was_not_logged_is_usual():
    runs = [dataclasses.replace(run, filter="L") for run in logged(7)]
    runs = [dataclasses.replace(r, hfd_best_px=4.0 + i, position_err=None) for i, r in enumerate(runs)]
    (seen,) = look_at_runs(runs)
    assert seen.best_hfd_px == 8.0  # the middle of 6 to 10
    assert seen.position_err_steps == pytest.approx(8.0 / 0.114 / 20.0)
    assert seen.reach_steps == pytest.approx(8.0 / 0.114 * math.sqrt(2.75**2 - 1.0))
    assert seen.best_position == runs[-1].position


def test_three_steps_to_the_end_are_room_for_a_sweep():
    for centre, enough in ((2.9, False), (3.1, True), (19997.1, False), (19996.9, True)):
        if enough:
            plan = plan_sweep(SEEN, centre=centre, travel=(0.0, 20000.0))
            assert len(plan.positions) == 7
        else:
            with pytest.raises(FocuskitError, match="leaves no room"):
                plan_sweep(SEEN, centre=centre, travel=(0.0, 20000.0))


def test_a_night_needs_four_runs_and_may_have_one_filter():
    first = datetime(2031, 3, 4, 20, tzinfo=UTC)
    runs = [LoggedRun(first + timedelta(minutes=20 * i), 1.0, "L") for i in range(4)]
    assert not night_from_runs(runs[:3])[1]
    assert night_from_runs(runs) == (NightPlan((Block("L", 60.0, 120.0),)), True)


def test_a_coarse_focuser_takes_the_number_of_frames_that_fits():
    # 3·√(2.75² − 1) = 7.7 steps: three whole steps of 3 are 3.2 times the least size, four of 2 are 2.85 times.
    coarse = dataclasses.replace(SEEN, best_hfd_px=3.0, slope_px_per_step=1.0, position_err_steps=0.001)
    plan = plan_sweep(coarse)
    assert (len(plan.positions), plan.step) == (9, 2)
    assert plan.outer_size == pytest.approx(math.hypot(1.0, 8.0 / 3.0))
    # Where the travel leaves 5.3 steps none fits, and the farthest goes nearest to it: single steps to 5.
    plan = plan_sweep(coarse, centre=5.3, travel=(0.0, 5000.0))
    assert (len(plan.positions), plan.step, plan.flags) == (11, 1, ("beyond_travel",))


@pytest.mark.parametrize("exposure", [1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0])
def test_exposures_are_those_that_people_set(exposure):
    # S/N 20 is wanted at the outermost size: so many times less light asks for the square of it in time.
    plan = plan_sweep(SEEN)
    snr = 20.0 * plan.outer_size * math.sqrt(SEEN.exposure_s / (0.99 * exposure))
    assert plan_sweep(dataclasses.replace(SEEN, star_snr=snr)).exposure_s == exposure


def test_a_day_apart_are_two_nights_and_four_hours_one():
    first = datetime(2031, 3, 4, 18, tzinfo=UTC)

    def runs(hours):
        return [LoggedRun(first + timedelta(hours=h), 1.0, f) for h, f in zip(hours, ("L", "R", "L", "R"), strict=True)]

    assert night_from_runs(runs((0.0, 4.0, 8.0, 12.0)))[1]
    assert not night_from_runs(runs((0.0, 1.0, 7.0, 8.0)))[1]  # six hours by day
