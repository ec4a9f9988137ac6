"""Answers against nights simulated one exposure at a time, and what is learned against invented seasons."""

import dataclasses
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
from invented_seasons import make_season
from night_by_night import effective_hours
from scipy import stats

from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.drift import fit_drift
from focuskit.drift.models import Weighed
from focuskit.frames import TemperatureLog
from focuskit.refocus import Block, FocusBehaviour, Known, NightPlan, find_interval
from focuskit.refocus.behaviour import Bend, learn_behaviour
from focuskit.refocus.decide import decide_refocus
from focuskit.refocus.random_walk import _deviance, split_scatter
from focuskit.refocus.replay import Case, Policy, replay_policy
from focuskit.refocus.temperature_change import TemperatureChange, best_interval_min, lay_out_nights

HFD, SLOPE = 5.93, 0.114
ONE = NightPlan((Block("L", 600.0, 300.0),))
EXACT = FocusBehaviour(-6.5, HFD, SLOPE, {"L": 95.0}, {"L": 1.5}, move_s=0.0, filter_change_s=0.0)


def cooling(rng, count, hours=9.0):
    """Nights that cool fast at first, one value a minute."""
    minutes = np.arange(0.0, 60.0 * hours + 1.0)
    drop = rng.uniform(2.0, 7.0, count)[:, None] * (1.0 - np.exp(-minutes / 240.0))
    return rng.normal(8.0, 4.0, count)[:, None] - drop


def log_of(celsius, start_s=1.93e9, days=1.0):
    """A log of nights one day apart."""
    count, points = celsius.shape
    time_s = start_s + 86400.0 * days * np.arange(count)[:, None] + 60.0 * np.arange(points)
    return TemperatureLog(time_s.ravel(), celsius.ravel(), tuple((i * points, (i + 1) * points) for i in range(count)))


def simulate(celsius, seed, blocks=(("L", 600.0, 300.0),), **options):
    """Effective hours of each night."""
    rng = np.random.default_rng(seed)
    return np.array([effective_hours(one, blocks, rng, **options) for one in celsius])


def agree(quoted_hours, hours):
    """Whether a mean that is quoted lies within three errors of the simulated mean."""
    return abs(quoted_hours - hours.mean()) < 3.0 * hours.std() / np.sqrt(len(hours))


# A random walk -------------------------------------------------------------------------------


def test_a_random_walk_counts_as_in_nights_simulated_one_by_one():
    celsius = cooling(np.random.default_rng(1), 60)
    case = Case(lay_out_nights(log_of(celsius)), ONE, dataclasses.replace(EXACT, random_walk=8.0))
    followed = replay_policy(case, Policy("follow", follow=True), draws=50).effective_s.mean() / 3600.0
    clocked = replay_policy(case, Policy("clock", 80.0), draws=50).effective_s.mean() / 3600.0
    assert agree(followed, simulate(celsius, 2, walk=8.0, follow=-6.5))
    assert agree(clocked, simulate(celsius, 3, walk=8.0, every_min=80.0))
    # Without it following would seem to gain where it loses.
    assert followed < 0.96 * clocked
    still = dataclasses.replace(case, behaviour=EXACT)
    assert replay_policy(still, Policy("follow", follow=True)).effective_s.mean() / 3600.0 > 1.01 * clocked


def season_that_walks(seed, walk, nights=20, per_night=8):
    """Runs with 1 step of scatter beside their own error, in nights whose focus walks by itself."""
    rng = np.random.default_rng(seed)
    celsius = cooling(rng, nights)
    log, runs = log_of(celsius), []
    for i, one in enumerate(celsius):
        moved = np.cumsum(rng.normal(0.0, walk / np.sqrt(60.0), len(one)))
        for t in np.sort(rng.choice(len(one), per_night, replace=False)):
            err = rng.uniform(0.6, 1.4)
            position = 8000.0 - 6.5 * one[t] + moved[t] + rng.normal(0.0, np.hypot(err, 1.0))
            time = datetime.fromtimestamp(log.time_s[i * len(one) + t], UTC)
            runs.append(LoggedRun(time, position, "L", float(one[t]), err, None, "good", HFD, SLOPE, seconds=95.0))
    return runs, log


def test_a_season_that_walks_is_not_followed():
    runs, log = season_that_walks(4, 8.0)
    found = find_interval(log, fit_drift(runs), ONE)
    assert found.behaviour.random_walk == pytest.approx(8.0, rel=0.15)
    assert "more_than_temperature" in found.answer.flags
    assert found.answer.worth("follow").depth_gained_pct < 0.0
    assert found.answer.recommended != "follow"
    assert found.answer.every_min < 120.0
    assert found.to_json()["random_walk_steps_per_root_h"] == pytest.approx(found.behaviour.random_walk, rel=1e-3)


def with_residuals(runs):
    """What is read of a drift, with the true one taken off."""
    residuals = [run.position - 8000.0 + 6.5 * run.temperature_c for run in runs]
    return SimpleNamespace(used=tuple(runs), residuals_steps=np.array(residuals))


def test_scatter_and_walk_are_told_apart():
    walks, steps = [], []
    for seed in range(8):
        runs, _ = season_that_walks(100 + seed, 4.0, nights=12)
        step, walk = split_scatter(with_residuals(runs))
        steps.append(step)
        walks.append(walk)
    assert np.mean(walks) == pytest.approx(4.0, abs=3.0 * np.std(walks) / np.sqrt(8))
    assert np.std(walks) < 0.6
    assert np.mean(steps) == pytest.approx(1.0, abs=0.5)
    runs, _ = season_that_walks(9, 0.0)
    step, walk = split_scatter(with_residuals(runs))
    assert step == pytest.approx(1.0, abs=0.2)
    assert walk < 0.5  # 1.5 steps in a night, a tenth of the tolerance
    few, _ = season_that_walks(10, 0.0, nights=3, per_night=2)
    assert split_scatter(with_residuals(few)) is None


@pytest.mark.parametrize(("nights", "per_night", "enough"), [(3, 3, True), (6, 2, True), (5, 2, False)])
def test_scatter_is_split_from_five_degrees_of_freedom_on(nights, per_night, enough):
    """Runs beyond one a night, less the drift that was fitted."""
    runs, _ = season_that_walks(10, 0.0, nights=nights, per_night=per_night)
    times = [datetime(2031, 3, 1 + k // per_night, 20 + k % per_night, tzinfo=UTC) for k in range(len(runs))]
    runs = [dataclasses.replace(run, time=time) for run, time in zip(runs, times, strict=True)]
    assert (split_scatter(with_residuals(runs)) is not None) == enough


def test_the_restricted_likelihood_is_that_of_the_whole_matrix():
    rng = np.random.default_rng(5)
    hours = [np.sort(rng.uniform(0.0, 8.0, n)) for n in (4, 6, 3)]
    own = [rng.uniform(0.5, 2.0, len(h)) for h in hours]
    columns = [rng.normal(size=(len(h), 3)) for h in hours]  # two to be fitted, then the residuals
    parts = list(zip([h - h[0] for h in hours], own, columns, strict=True))
    pairs = [(0.3, 2.0), (1.5, 0.0), (0.2, 9.0)]
    got = _deviance(parts, *np.array(pairs).T)
    all_columns = np.vstack(columns)
    night = np.repeat(np.arange(3), [len(h) for h in hours])
    x = np.column_stack([night[:, None] == np.arange(3), all_columns[:, :2]]).astype(float)
    free = np.linalg.svd(x)[0][:, x.shape[1] :]  # contrasts that the levels and columns do not touch
    expected = []
    for steps2, walk2 in pairs:
        cov = np.diag(np.concatenate(own) + steps2)
        for i in range(3):
            at = np.flatnonzero(night == i)
            cov[np.ix_(at, at)] += walk2 * np.minimum.outer(hours[i], hours[i])
        law = stats.multivariate_normal(cov=free.T @ cov @ free)
        expected.append(-2.0 * law.logpdf(free.T @ all_columns[:, 2]))
    assert np.diff(got) == pytest.approx(np.diff(expected), rel=1e-6)


def test_the_interval_of_a_random_walk_is_that_of_its_formula():
    still = TemperatureChange(np.array([0.0, 60.0]), np.zeros(2), 0.0)
    per_h = (SLOPE * 8.0 / HFD) ** 2
    # The loss per hour times τ/2, and t/τ: least at (2t/loss)^(1/2).
    every = 60.0 * np.sqrt(2.0 * (95.0 / 3600.0) / per_h)
    assert best_interval_min(still, 0.0, 95.0, per_h) == pytest.approx(every, rel=1e-4)
    case = Case(lay_out_nights(log_of(np.full((3, 541), 5.0))), ONE, dataclasses.replace(EXACT, random_walk=8.0))
    answer = decide_refocus(case, draws=4)
    assert answer.every_min == pytest.approx(every, rel=1e-4)
    assert (answer.every_c, set(answer.flags)) == (None, {"temperature_flat", "more_than_temperature"})
    # 16.65 steps of tolerance, three hours per root of nine.
    calm = dataclasses.replace(case, behaviour=dataclasses.replace(EXACT, random_walk=5.5))
    assert "more_than_temperature" not in decide_refocus(calm, draws=4).flags


# A drift that is not known -------------------------------------------------------------------


def test_a_trigger_by_temperature_needs_no_known_drift():
    rng = np.random.default_rng(6)
    celsius = cooling(rng, 40)
    focus = dataclasses.replace(EXACT, steps_per_c=1.0, steps_per_c_err=8.0)
    answer = decide_refocus(Case(lay_out_nights(log_of(celsius)), ONE, focus), draws=50)
    assert answer.every_c is not None
    heat, clock = (answer.worth(name).effective_hours for name in ("temperature", "clock"))
    true_k = rng.normal(1.0, 8.0, 40)
    hours = [
        simulate([c], 7 + i, k=k, every_c=answer.every_c) for i, (c, k) in enumerate(zip(celsius, true_k, strict=True))
    ]
    assert agree(heat, np.concatenate(hours))
    assert heat > clock
    assert not answer.worth(answer.recommended).policy.follow


def test_a_drift_of_which_nothing_is_known_is_what_telescopes_do():
    runs, log = season_that_walks(11, 0.0, nights=6)
    drift = fit_drift(runs)
    unknown = dataclasses.replace(drift, steps_per_c=None, steps_per_c_err=None)
    found = find_interval(log, unknown, ONE)
    # Half the tolerance per °C, in whatever unit the positions are: 0.05^… of 5.93/0.114 steps.
    usual = 0.5 * np.sqrt(1.05**2 - 1.0) * HFD / SLOPE
    assert (found.behaviour.steps_per_c, found.behaviour.steps_per_c_err) == (0.0, pytest.approx(usual))
    assert "drift_unproven" in found.answer.flags
    assert found.answer.every_c is not None
    # Vaguer runs than that are weighed with it, others stand by themselves.
    vague = dataclasses.replace(drift, steps_per_c=30.0, steps_per_c_err=3.0 * usual)
    weighed, _ = learn_behaviour(vague, ["L"])
    assert (weighed.steps_per_c, weighed.steps_per_c_err) == pytest.approx((3.0, usual * np.sqrt(0.9)))
    fair = dataclasses.replace(drift, steps_per_c=3.0, steps_per_c_err=0.9 * usual)
    assert learn_behaviour(fair, ["L"])[0].steps_per_c == 3.0


# Where the plan falls ------------------------------------------------------------------------


def test_the_clock_is_not_tuned_to_the_plan_of_one_night():
    blocks = (Block("L", 60.0, 120.0), Block("R", 60.0, 120.0), Block("Ha", 120.0, 300.0), Block("OIII", 90.0, 300.0))
    costs = {"L": 95.0, "R": 95.0, "Ha": 480.0, "OIII": 480.0}
    zero = dict.fromkeys(costs, 0.0)
    focus = dataclasses.replace(
        EXACT, run_cost_s=costs, position_err_steps=dict.fromkeys(costs, 1.5), offset_steps=zero, offset_err_steps=zero
    )
    nights = lay_out_nights(log_of(cooling(np.random.default_rng(8), 12)))
    gave = []
    for turn in range(4):
        answer = decide_refocus(Case(nights, NightPlan(blocks[turn:] + blocks[:turn]), focus), draws=32)
        gave.append((answer.worth("clock").policy.every_min, answer.worth("clock").effective_hours))
    every_min, hours = np.transpose(gave)
    assert np.ptp(every_min) < 1e-9 * every_min[0]
    assert np.ptp(hours) < 0.0025 * hours[0]  # half of what counts as a tie; a plan that is not turned gives 2 %
    # Simulated: every night begins elsewhere in the plan.
    case = Case(nights, NightPlan(blocks), focus)
    celsius, rng = case.nights.temperature_c[:, :541], np.random.default_rng(9)
    truth = [
        effective_hours(one, [(b.filter, b.minutes, b.sub_s) for b in blocks], rng, cost_s=costs,
                        every_min=every_min[0], begin_min=begin)
        for one in celsius for begin in np.arange(11) * 30.0 + 15.0
    ]  # fmt: skip
    assert hours.mean() == pytest.approx(np.mean(truth), rel=0.003)


def test_draws_begin_evenly_over_the_plan():
    plan = NightPlan((Block("L", 30.0, 60.0), Block("Ha", 90.0, 60.0)))
    focus = dataclasses.replace(EXACT, run_cost_s={"L": 100.0, "Ha": 400.0}, position_err_steps={"L": 0.0, "Ha": 0.0})
    case = Case(lay_out_nights(log_of(np.full((1, 61), 5.0))), plan, focus)
    gave = replay_policy(case, Policy("once"), draws=8, turned=True)
    assert gave.focusing_s[0].tolist() == [100.0, 100.0, 400.0, 400.0, 400.0, 400.0, 400.0, 400.0]
    assert replay_policy(case, Policy("once"), draws=8).focusing_s[0].tolist() == [100.0] * 8


# A drift that bends --------------------------------------------------------------------------


def test_a_bend_counts_as_in_nights_simulated_one_by_one():
    celsius = cooling(np.random.default_rng(12), 40)
    bend = Bend(-0.4, 8.0, (-5.0, 18.0))
    case = Case(lay_out_nights(log_of(celsius)), ONE, dataclasses.replace(EXACT, bend=bend))
    bent = celsius + bend.steps(celsius) / -6.5  # as if by the straight drift
    for policy, options in ((Policy("clock", 150.0), {"every_min": 150.0}), (Policy("once"), {})):
        quoted = replay_policy(case, policy, draws=20).effective_s.mean() / 3600.0
        assert quoted == pytest.approx(simulate(bent, 13, **options).mean(), rel=0.002)
    # Followed by the mean drift, what bends is left.
    straight = dataclasses.replace(case, behaviour=EXACT)
    left, none = (replay_policy(c, Policy("f", follow=True)).effective_s.mean() for c in (case, straight))
    assert left < 0.995 * none
    # Its steepest nights ask for the shorter intervals: the mean of (k + 2b(T − T0))² over the nights.
    grid = case.nights.temperature_c
    square = np.mean((-6.5 + np.where((grid > -5.0) & (grid < 18.0), -0.8 * (grid - 8.0), 0.0)) ** 2)
    assert case.loss_per_c2() == pytest.approx((SLOPE / HFD) ** 2 * square)
    rest = np.mean(np.where((grid > -5.0) & (grid < 18.0), -0.8 * (grid - 8.0), 0.0) ** 2)
    assert case.loss_per_c2(followed=True) == pytest.approx((SLOPE / HFD) ** 2 * rest)


def test_a_bend_is_learned_from_the_season():
    season = make_season(np.random.default_rng(14), wild=0.0, jump=0.0, scatter=1.0, bend=0.15)
    runs = [dataclasses.replace(r, hfd_best_px=HFD, hfd_slope_px_per_step=SLOPE, seconds=95.0) for r in season.runs]
    drift = fit_drift(runs)
    focus, _ = learn_behaviour(drift, ["L"])
    warm = np.linspace(*drift.range_c, 9)
    expected = -6.5 * (warm - 5.0) + 0.15 * (warm - 5.0) ** 2
    got = focus.steps_per_c * warm + focus.bend.steps(warm)
    assert got - got[0] == pytest.approx(expected - expected[0], abs=3.0)
    assert np.gradient(focus.bend.steps(warm), warm)[1:-1] == pytest.approx(focus.bend.steps_per_c(warm)[1:-1])
    # Beyond the range of the runs the mean drift goes on.
    assert focus.bend.steps(np.array([99.0])) == pytest.approx(focus.bend.steps(warm[-1:]))
    assert focus.bend.steps_per_c(np.array([99.0])) == 0.0
    assert learn_behaviour(drift, ["L"], Known(steps_per_c=-6.5))[0].bend is None


# The log -------------------------------------------------------------------------------------


def test_a_log_of_the_day_or_of_one_week_is_said():
    celsius = cooling(np.random.default_rng(15), 8)
    known = Known(-6.5, 0.1, HFD, SLOPE, 95.0, 1.5, 0.0)

    def flags(log, drift=None):
        return find_interval(log, drift, ONE, known=known).answer.flags

    assert flags(log_of(celsius, days=2.0)) == ()
    assert flags(log_of(celsius, days=0.9)) == ("few_nights",)
    assert flags(log_of(celsius[:, ::-1], days=2.0)) == ("daytime_log",)
    # The runs were made at the hours of the log, or twelve hours from them.
    runs, _ = season_that_walks(16, 0.0, nights=6)
    drift = fit_drift(runs)
    assert flags(log_of(celsius, days=2.0), drift) == ()
    assert flags(log_of(celsius, 1.93e9 + 43200.0, days=2.0), drift) == ("daytime_log",)


def test_a_lag_of_the_tube_counts_where_it_was_taken():
    runs, log = season_that_walks(17, 0.0, nights=6)
    drift = fit_drift(runs)
    lag = Weighed("lag", -30.0, True, 45.0)
    bend, none = Weighed("bend", -30.0, True, 0.1), dataclasses.replace(lag, value=None)
    cases = [((lag,), 45.0), ((dataclasses.replace(lag, taken=False),), 0.0), ((bend, none), 0.0)]
    for models, lag_min in cases:
        found = find_interval(log, dataclasses.replace(drift, models=models), ONE)
        assert np.array_equal(found.nights.temperature_c, lay_out_nights(log, lag_min=lag_min).temperature_c)


def test_nights_of_more_than_twenty_million_minutes_are_refused():
    time_s = np.array([0.0, 60.0 * 1.1e7])
    long = TemperatureLog(np.r_[time_s, 2e9 + time_s], np.zeros(4), ((0, 2), (2, 4)))
    with pytest.raises(FocuskitError, match="too long to replay"):
        lay_out_nights(long)
