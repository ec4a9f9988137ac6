"""The formulas of refocusing against quadrature, numerical minima and values worked out by hand."""

import dataclasses
import math

import numpy as np
import pytest
from night_by_night import best_for_ramp_min
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from focuskit.core.errors import FocuskitError
from focuskit.frames import TemperatureLog
from focuskit.refocus import Block, FocusBehaviour, Known, NightPlan, Policy, find_interval
from focuskit.refocus.decide import TIE, Lever, Worth, _choose, _flags, _hours_of_night, _levers, _weigh
from focuskit.refocus.policies import AS_NOW, set_policies
from focuskit.refocus.replay import Case, Replay, Trace, replay_policy
from focuskit.refocus.temperature_change import (
    Nights,
    TemperatureChange,
    best_interval_min,
    is_flat,
    lay_out_nights,
    log_noise_c,
    matching_change_c,
    measure_change,
)

HFD, SLOPE = 5.93, 0.114
BENT = TemperatureChange(np.array([0.0, 20.0, 50.0, 120.0]), np.array([0.0, 0.5, 0.8, 2.0]), 0.4)
PLAN = NightPlan((Block("L", 60.0, 120.0), Block("R", 60.0, 120.0), Block("Ha", 120.0, 300.0)))
FOCUS = FocusBehaviour(
    -6.5, HFD, SLOPE, {"L": 95.0, "R": 100.0, "Ha": 480.0}, {"L": 1.5, "R": 1.5, "Ha": 2.5}, steps_per_c_err=2.0,
    offset_steps={"L": 0.0, "R": 14.0, "Ha": 61.0}, offset_err_steps={"L": 0.0, "R": 0.7, "Ha": 0.8},
)  # fmt: skip


def on_grid(*nights_c, step_s=60.0):
    """Nights of these temperatures, one value a step."""
    longest = max(map(len, nights_c))
    grid = np.array([[*one, *[one[-1]] * (longest + 1 - len(one))] for one in nights_c], float)
    return Nights(grid, step_s, np.array([(len(one) - 1) * step_s for one in nights_c]))


def ramp(c_per_h, hours, count=1):
    return on_grid(*[10.0 + c_per_h * np.arange(60 * hours + 1) / 60.0] * count)


# The interval --------------------------------------------------------------------------------


@pytest.mark.parametrize("cost_s, hfd, slope, rate", [(95.0, 5.93, 0.114, 6.5), (40.0, 2.5, 0.4, -30.0)])
def test_the_best_interval_is_the_numerical_minimum_of_the_loss(cost_s, hfd, slope, rate):
    def loss(hours):
        blur, _ = quad(lambda t: (slope * rate * t / hfd) ** 2, 0.0, hours)
        return blur / hours + cost_s / 3600.0 / hours

    least = minimize_scalar(loss, bounds=(1e-3, 20.0), method="bounded", options={"xatol": 1e-9}).x
    assert best_for_ramp_min(cost_s, hfd, slope, rate) == pytest.approx(60.0 * least, rel=1e-5)


def change_after(minutes):
    """What BENT says, written as a function: straight between its points, then a power."""
    if minutes <= 120.0:
        return np.interp(minutes, BENT.lag_min, BENT.change_c)
    return 2.0 * (minutes / 120.0) ** 0.4


@pytest.mark.parametrize("tau", [3.0, 20.0, 37.0, 120.0, 121.0, 900.0])
def test_mean_square_change_against_quadrature(tau):
    knots = [k for k in (20.0, 50.0, 120.0) if k < tau] or None
    integral, _ = quad(lambda t: change_after(t) ** 2, 0.0, tau, points=knots, limit=200)
    assert BENT.mean_square(np.array(tau)) == pytest.approx(integral / tau, rel=1e-7)
    assert matching_change_c(BENT, tau) == pytest.approx(math.sqrt(3.0 * integral / tau), rel=1e-7)


@pytest.mark.parametrize("loss, cost_s", [(0.016, 95.0), (0.003, 300.0), (0.2, 20.0)])
def test_the_setting_is_the_numerical_minimum_of_the_loss(loss, cost_s):
    grid = np.linspace(1.0, 3000.0, 59981)
    square = np.array([change_after(t) ** 2 for t in np.r_[0.0, grid]])
    widths = np.diff(np.r_[0.0, grid])
    total = np.cumsum((square[1:] + square[:-1]) / 2.0 * widths)
    least = grid[np.argmin(loss * total / grid + cost_s / 60.0 / grid)]
    assert best_interval_min(BENT, loss, cost_s) == pytest.approx(least, abs=0.3)


def test_no_setting_where_runs_never_pay():
    still = TemperatureChange(BENT.lag_min, np.zeros(4), 0.0)
    assert best_interval_min(still, 0.016, 95.0) is None
    assert best_interval_min(BENT, 0.0, 95.0) is None
    # Where the change stays at 2 °C, more time between runs costs less and less.
    assert best_interval_min(dataclasses.replace(BENT, power=0.0), 1e-5, 95.0) is None


def test_change_of_hand_made_nights():
    # Means of squared differences, the noise of two values off: lag 1 min over nine pairs, lag 2 over seven.
    first, second = [0.0, 3.0, 0.0, 3.0, 6.0, 3.0], [1.0, 1.0, 2.0, 4.0, 4.0]
    square1 = (9 * 5 + 0 + 1 + 4 + 0) / 9
    square2 = (0 + 0 + 36 + 0 + 1 + 9 + 4) / 7
    change = measure_change(on_grid(first, second), noise_c=0.5)
    assert change.lag_min[:3] == pytest.approx([0.0, 1.0, 2.0])
    assert change.change_c[:3] == pytest.approx([0.0, math.sqrt(square1 - 0.5), math.sqrt(square2 - 0.5)])


def test_change_goes_on_with_the_power_of_its_last_three_quarters():
    minutes = np.arange(401.0)
    change = measure_change(on_grid(5.0 - 0.01 * minutes))
    assert change.power == pytest.approx(1.0, abs=1e-6)
    assert change.change_c == pytest.approx(0.01 * change.lag_min, rel=1e-6)
    # A swing that comes back does not go on; two values alone are a ramp.
    assert measure_change(on_grid(np.cos(2.0 * np.pi * minutes / 400.0))).power == 0.0
    assert measure_change(on_grid([5.0, 4.0])).power == 1.0
    # The weights: a fit by hand of ln change on ln lag, by the root of the number of pairs.
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.normal(0.0, 0.1, 101))
    got = measure_change(on_grid(walk))
    lags = np.arange(25, 101)
    y = np.log([np.sqrt(np.mean((walk[k:] - walk[:-k]) ** 2)) for k in lags])
    a = np.stack([np.log(lags / 100.0), np.ones(len(lags))], axis=1)
    w = 101.0 - lags
    slope, level = np.linalg.solve((a.T * w) @ a, (a.T * w) @ y)
    assert got.power == pytest.approx(slope, rel=1e-9)
    assert got.change_c[76:] == pytest.approx(np.exp(level) * (np.arange(76, 101) / 100.0) ** slope, rel=1e-9)
    assert got.change_c[75] == pytest.approx(np.exp(y[50]), rel=1e-9)


def test_noise_of_a_log():
    # 1, −1, 1 … bends by 4 everywhere: 4/√6. White noise of 0.2 gives 0.2 back, a ramp nothing.
    time_s = 60.0 * np.arange(4000)
    assert log_noise_c(time_s, (-1.0) ** np.arange(4000)) == pytest.approx(4.0 / math.sqrt(6.0))
    noise = np.random.default_rng(1).normal(0.0, 0.2, 4000)
    assert log_noise_c(time_s, 3.0 - time_s / 3600.0 + noise) == pytest.approx(0.2, rel=0.05)
    assert log_noise_c(time_s[:2], noise[:2]) == 0.0
    # Bends across a break in the log do not count.
    broken = np.r_[time_s[:10], time_s[10:20] + 9e4]
    assert log_noise_c(broken, np.r_[np.zeros(10), np.full(10, 7.0)]) == 0.0
    # Flat is three times the mean square that noise makes by itself, 2σ².
    assert is_flat(BENT, 2.0 / math.sqrt(6.0) * 1.001)
    assert not is_flat(BENT, 2.0 / math.sqrt(6.0) * 0.999)


# Tolerance and costs -------------------------------------------------------------------------


def test_the_tolerance_costs_five_per_cent_in_size():
    assert math.hypot(HFD, SLOPE * FOCUS.tolerance_steps) == pytest.approx(1.05 * HFD, rel=1e-12)


def test_costs_and_losses_by_hand():
    case = Case(ramp(-1.0, 4), PLAN, FOCUS)
    assert case.run_cost_s(None) == pytest.approx(0.25 * 95.0 + 0.25 * 100.0 + 0.5 * 480.0)
    # Three quarters of the time it is another filter: two turns of 10 s.
    assert case.run_cost_s("L") == pytest.approx(95.0 + 15.0)
    assert case.run_cost_s("Ha") == pytest.approx(480.0 + 10.0)
    assert case.quickest_filter() == "L"
    equal = dataclasses.replace(FOCUS, run_cost_s={"L": 95.0, "R": 95.0, "Ha": 95.0}, offset_err_steps={"L": 0.9})
    # R and Ha have the surer offsets, and R the smaller error of a run.
    assert Case(case.nights, PLAN, equal).quickest_filter() == "R"
    assert case.loss_per_c2() == pytest.approx((0.114 / 5.93) ** 2 * (6.5**2 + 2.0**2))
    assert case.loss_per_c2(followed=True) == pytest.approx((0.114 * 2.0 / 5.93) ** 2)
    assert case.median_night_min == 240.0


def test_settings_of_each_policy():
    case = Case(ramp(-1.0, 4), PLAN, FOCUS)
    policies = {p.name: p for p in set_policies(case)}
    tau = best_for_ramp_min(110.0, HFD, SLOPE, math.hypot(6.5, 2.0))
    assert policies["clock_quick"].every_min == pytest.approx(tau, rel=1e-4)
    assert policies["temperature_quick"].every_c == pytest.approx(tau / 60.0, rel=1e-4)
    # Followed, only the error of the drift is left; half the night is 120 min.
    alone = best_for_ramp_min(110.0, HFD, SLOPE, 2.0)
    assert policies["follow_and_check"].every_min == pytest.approx(min(alone, 120.0), rel=1e-4)
    vague = dataclasses.replace(FOCUS, steps_per_c_err=6.0, steps_per_c=-13.0)
    unsure = {p.name: p for p in set_policies(dataclasses.replace(case, behaviour=vague))}["follow_and_check"]
    assert unsure.every_min == pytest.approx(best_for_ramp_min(110.0, HFD, SLOPE, 6.0), rel=1e-4)
    # Runs in the filter in use: within 35 % of the formula, where they suit the plan.
    fitted = policies["clock"].every_min / best_for_ramp_min(case.run_cost_s(None), HFD, SLOPE, math.hypot(6.5, 2.0))
    assert math.exp(-0.3) <= fitted * 1.0001 and fitted <= math.exp(0.3) * 1.0001
    assert not dataclasses.replace(case, behaviour=dataclasses.replace(FOCUS, steps_per_c_err=3.26)).drift_proven
    assert dataclasses.replace(case, behaviour=dataclasses.replace(FOCUS, steps_per_c_err=3.24)).drift_proven


# Replays -------------------------------------------------------------------------------------

ONE = NightPlan((Block("L", 600.0, 60.0),))
EXACT = FocusBehaviour(-6.5, HFD, SLOPE, {"L": 95.0}, {"L": 0.0}, move_s=3.0, filter_change_s=10.0)


def replay(policy, nights=None, plan=ONE, focus=EXACT):
    return replay_policy(Case(ramp(-1.0, 4) if nights is None else nights, plan, focus), policy, trace=True)


@pytest.mark.parametrize(
    "policy, runs",
    [
        # A run of 95 s and 60 exposures until 0.99 °C have gone, and so on: starts at 0, 3695, 7390, 11085 s.
        (Policy("heat", every_c=0.99), 4),
        # 57.6 min are reached at the middle of an exposure after 57 of them, 3420 + 30 < 3456, so after 58.
        (Policy("clock", every_min=57.6), 4),
        (Policy("clock", every_min=57.4), 5),  # after 57: 3420 + 30 >= 3444, starts at 3515·n
        (Policy("once"), 1),
    ],
)
def test_runs_of_a_ramp_by_hand(policy, runs):
    gave = replay(policy)
    assert gave.runs[0, 0] == runs
    assert gave.focusing_s[0, 0] == 95.0 * runs
    assert gave.moving_s[0, 0] == 0.0
    assert gave.imaging_s[0, 0] == 14400.0 - 95.0 * runs


def test_the_error_of_each_exposure_is_that_of_the_ramp():
    trace = replay(Policy("once")).trace
    assert trace.start_s[:3, 0, 0] == pytest.approx([95.0, 155.0, 215.0])
    # −6.5 steps/°C, cooling by 1 °C/h: best focus goes up by 6.5 steps/h, the focuser stays below it.
    assert trace.error_stop_steps[:, 0, 0] == pytest.approx(-6.5 * (trace.stop_s[:, 0, 0] - 95.0) / 3600.0, abs=1e-9)
    hours, errors = trace.line()
    assert (np.isnan(errors).sum(), len(hours)) == (1, 3 * len(trace.start_s))
    assert hours[-1] == pytest.approx(4.0)
    assert [float(v[0]) for v in trace.run_ends()] == pytest.approx([95.0 / 3600.0, 0.0])


def test_sizes_along_a_ramp_by_quadrature():
    gave = replay(Policy("once"))

    def growth(seconds):
        return math.hypot(1.0, SLOPE * 6.5 * seconds / 3600.0 / HFD) - 1.0

    total = 14400.0 - 95.0
    effective, _ = quad(lambda t: 1.0 / (1.0 + growth(t)) ** 2, 0.0, total)
    mean, _ = quad(growth, 0.0, total)
    assert gave.effective_s[0, 0] == pytest.approx(effective, rel=1e-6)
    assert gave.mean_growth[0, 0] == pytest.approx(mean / total, rel=1e-4)
    assert gave.worst_growth[0, 0] == pytest.approx(growth(total - 12.5), rel=1e-4)  # the last exposure has 25 s
    inside = EXACT.tolerance_steps / 6.5 * 3600.0
    assert gave.in_tolerance_s[0, 0] == pytest.approx(inside, abs=60.0)


def test_moves_that_follow_are_counted():
    # A fifth of the tolerance is 3.331 steps, 0.5125 °C, 1845 s: after 31 exposures of 60 s, with 3 s for a move.
    gave = replay(Policy("follow", follow=True))
    moves = (14400 - 95 - 1) // (31 * 60 + 3)
    assert gave.moving_s[0, 0] == 3.0 * moves
    assert np.abs(gave.trace.error_stop_steps).max() == pytest.approx(6.5 * 31 * 60 / 3600.0, abs=0.01)
    # The same in millimetres, which go in thousandths.
    fine = dataclasses.replace(EXACT, steps_per_c=-0.0065, slope_px_per_step=114.0)
    assert replay(Policy("follow", follow=True), focus=fine).moving_s[0, 0] == 3.0 * moves
    # Where the focuser cannot be moved by less than a step, it is not.
    coarse = dataclasses.replace(EXACT, best_hfd_px=0.6, slope_px_per_step=0.12)  # tolerance 1.6 steps
    after = math.ceil(1.0 / 6.5 * 60.0)
    assert replay(Policy("follow", follow=True), focus=coarse).moving_s[0, 0] == 3.0 * (14304 // (after * 60 + 3))


def test_turns_of_the_wheel_are_counted():
    plan = NightPlan((Block("L", 60.0, 120.0), Block("Ha", 60.0, 120.0)))
    # Four blocks: three turns. A run in L from Ha turns the wheel there and back.
    by_offset = replay(Policy("offset", run_filter="L"), plan=plan, focus=FOCUS)
    assert (by_offset.moving_s[0, 0], by_offset.runs[0, 0]) == (30.0, 1.0)
    often = replay(Policy("often", every_min=40.0, run_filter="L"), plan=plan, focus=FOCUS)
    start, stop = often.trace.start_s[:, 0, 0], often.trace.stop_s[:, 0, 0]
    # Runs amid a block of Ha: the exposures before and after are in Ha.
    amid_ha = often.trace.after_run[1:, 0, 0] & (start[:-1] % 7200.0 >= 3600.0) & (stop[:-1] % 7200.0 >= 3600.0)
    assert amid_ha.sum() >= 1
    assert often.moving_s[0, 0] == 30.0 + 20.0 * amid_ha.sum()
    changes = replay(Policy("change", at_filter_change=True), plan=plan, focus=FOCUS)
    assert (changes.runs[0, 0], changes.moving_s[0, 0]) == (4.0, 30.0)
    assert changes.focusing_s[0, 0] == 2 * 95.0 + 2 * 480.0


def test_no_run_that_leaves_no_time_for_an_exposure():
    # Blocks of 10 min in a night of 21: the third block has 60 s left, too few for a run of 95 s and an exposure.
    plan = NightPlan((Block("L", 10.0, 60.0), Block("R", 10.0, 60.0)))
    gave = replay(Policy("change", at_filter_change=True), ramp(-1.0, 21 / 60), plan, FOCUS)
    assert gave.runs[0, 0] == 2
    assert gave.imaging_s[0, 0] + gave.focusing_s[0, 0] + gave.moving_s[0, 0] == pytest.approx(1260.0)


# What a policy is worth ----------------------------------------------------------------------


def given(**arrays):
    empty = np.zeros((0, 2, 2))
    values = {
        "runs": [[2.0, 2.0], [3.0, 5.0]],
        "imaging_s": [[7200.0, 7200.0], [3600.0, 3600.0]],
        "focusing_s": [[300.0, 300.0], [600.0, 1200.0]],
        "moving_s": [[60.0, 0.0], [0.0, 60.0]],
        "effective_s": [[7000.0, 6800.0], [3500.0, 3100.0]],
        "growth_s": [[72.0, 144.0], [36.0, 108.0]],
        "worst_growth": [[0.1, 0.2], [0.3, 0.1]],
        "in_tolerance_s": [[3600.0, 3600.0], [1800.0, 1800.0]],
    }
    trace = Trace(empty, empty, empty, empty, empty.astype(bool))
    return Replay(Policy("x"), **{k: np.array(v) for k, v in (values | arrays).items()}, trace=trace)


def test_worth_by_hand():
    before = given(effective_s=[[5000.0, 5000.0], [3000.0, 3000.0]], focusing_s=[[600.0, 600.0], [900.0, 1500.0]])
    worth = _weigh(given(), before, FOCUS)
    assert worth.runs == 3.0
    assert worth.focusing_min == pytest.approx(10.0)
    assert worth.moving_min == pytest.approx(0.5)
    assert worth.minutes_spent == pytest.approx(10.5)
    assert worth.imaging_hours == pytest.approx(1.5)
    assert worth.mean_hfd_growth_pct == pytest.approx((1.0 + 2.0 + 1.0 + 3.0) / 4)
    assert worth.worst_hfd_growth_pct == pytest.approx(25.0)  # the worst night of each draw: 0.3 and 0.2
    assert worth.time_in_tolerance_pct == pytest.approx(50.0)
    # draws: 5250 s and 4950 s a night
    assert worth.effective_hours == pytest.approx(5100.0 / 3600.0)
    assert worth.effective_hours_err == pytest.approx(150.0 / 3600.0)
    assert worth.minutes_gained == pytest.approx(5.0)
    assert worth.depth_gained_pct == pytest.approx(100.0 * (20400.0 / 16000.0 - 1.0))


def worths(**hours):
    base = _weigh(given(), given(), FOCUS)
    return {
        name: dataclasses.replace(base, policy=Policy(name, follow=name.startswith("follow")), effective_hours=h)
        for name, h in hours.items()
    }


def test_the_simpler_of_equals_is_taken():
    def chosen(model_helps=True, **hours) -> str:
        found: Worth = _choose(worths(**hours), model_helps=model_helps)
        return found.policy.name

    almost, less = 10.0 * (1.0 - 0.99 * TIE), 10.0 * (1.0 - 1.01 * TIE)
    assert TIE == 0.005
    assert chosen(now=9.0, clock=almost, temperature=10.0) == "clock"
    assert chosen(now=9.0, clock=less, temperature=10.0) == "temperature"
    assert chosen(now=9.0, temperature_quick=almost, clock_quick=almost, follow=10.0) == "clock_quick"
    assert chosen(now=9.0, follow=10.0, follow_and_check=almost, clock=8.0) == "follow_and_check"
    assert chosen(False, now=9.0, follow=10.0, clock=8.0) == "now"
    assert chosen(now=9.0, filter_change=11.0) == "now"  # is not recommended


def test_levers_of_a_ramp_follow_the_formula():
    case = Case(ramp(-1.0, 4), ONE, dataclasses.replace(EXACT, steps_per_c_err=0.2))
    clock = set_policies(case)[0]
    levers = {lever.what: lever for lever in _levers(case, clock)}

    def tau(k=6.5, cost=95.0, hfd=HFD):
        return pytest.approx(best_for_ramp_min(cost, hfd, SLOPE, math.hypot(k, 0.2)), rel=1e-4)

    k = levers["steps_per_c"]
    assert (k.low, k.high) == pytest.approx((-7.15, -5.85))  # a tenth is more than two errors
    assert (k.every_min_low, k.every_min_high) == (tau(7.15), tau(5.85))
    cost = levers["run_cost_s"]
    assert (cost.low, cost.high, cost.every_min_low, cost.every_min_high) == (
        47.5,
        142.5,
        tau(cost=47.5),
        tau(cost=142.5),
    )
    size = levers["tolerance_steps"]
    assert (size.low, size.high) == pytest.approx((0.7 * EXACT.tolerance_steps, 1.3 * EXACT.tolerance_steps))
    assert (size.every_min_low, size.every_min_high) == (tau(hfd=0.7 * HFD), tau(hfd=1.3 * HFD))
    assert [lever.what for lever in _levers(case, clock)] == ["tolerance_steps", "run_cost_s", "steps_per_c"]
    wide = dataclasses.replace(case, behaviour=dataclasses.replace(EXACT, steps_per_c_err=1.0))
    first = {lever.what: lever for lever in _levers(wide, clock)}["steps_per_c"]
    assert (first.low, first.high) == (-8.5, -4.5)
    assert Lever("run_cost_s", 1.0, 2.0, None, 50.0).reach == math.inf
    assert _levers(case, Policy("clock")) == ()


def test_hours_of_the_night_by_hand():
    minutes = np.arange(121.0)
    fast = np.where(minutes < 60.0, -2.0 * minutes / 60.0, -2.0 - (minutes - 60.0) / 60.0)
    case = Case(on_grid(fast, 0.5 * fast, fast[:61]), ONE, dataclasses.replace(EXACT, steps_per_c_err=2.0))
    first, second = _hours_of_night(case, Policy("clock", 60.0))
    assert (first.hour, second.hour) == (1, 2)
    assert (first.change_c_per_h, second.change_c_per_h) == pytest.approx((-5.0 / 3.0, -0.75))
    assert (first.spread_c_per_h, second.spread_c_per_h) == pytest.approx((math.sqrt(2.0 / 9.0), 0.25))
    for hour, mean_square in ((first, 3.0), (second, 0.625)):
        rate = math.hypot(6.5, 2.0) * math.sqrt(mean_square)
        assert hour.every_min == pytest.approx(best_for_ramp_min(95.0, HFD, SLOPE, rate))


def test_flags_at_their_limits():
    def flags(nights, clock_min, **changes):
        return _flags(Case(nights, ONE, dataclasses.replace(EXACT, **changes)), Policy("clock", clock_min))

    assert flags(ramp(-1.0, 4, 3), 239.0) == ()
    assert flags(ramp(-1.0, 4, 3), 241.0) == ("once_is_enough",)
    assert flags(ramp(-1.0, 4, 2), 60.0) == ("few_nights",)
    assert flags(ramp(-1.0, 4, 3), 60.0, steps_per_c_err=3.3) == ("drift_unproven",)
    assert flags(ramp(-1.0, 4, 3), None, steps_per_c=0.0) == ("no_drift",)


# The whole answer ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def found():
    minutes = np.arange(0.0, 241.0, 5.0)
    ranges = tuple((i * len(minutes), (i + 1) * len(minutes)) for i in range(5))
    time_s = np.concatenate([86400.0 * i + 60.0 * minutes for i in range(5)])
    celsius = np.concatenate([8.0 - rate * minutes / 60.0 for rate in (0.5, 1.5, 1.0, 2.0, 0.7)])
    known = Known(-6.5, 0.3, HFD, SLOPE, {"": 95.0}, 1.5)
    return find_interval(TemperatureLog(time_s, celsius, ranges), plan=ONE, known=known)


def test_what_is_drawn_is_what_was_replayed(found):
    night = found.typical_night
    assert night is found.typical_night  # replayed once
    assert (night.hours[-1], night.temperature_c[0], night.temperature_c[-1]) == pytest.approx((4.0, 8.0, 4.0))
    assert [one.policy.name for one in night.replays] == [w.policy.name for w in found.answer.worths]
    every_min, hours = found.hours_by_clock
    middle = len(every_min) // 2
    assert (every_min[0], every_min[middle], every_min[-1]) == pytest.approx(
        np.array([0.25, 1.0, 4.0]) * found.answer.every_min
    )
    gave = replay_policy(Case(found.nights, found.plan, found.behaviour), found.answer.clock, draws=8)
    assert hours[middle] == pytest.approx(gave.effective_s.mean() / 3600.0)


def test_the_gain_on_other_nights_is_that_of_every_second_night(found):
    case = Case(found.nights, found.plan, found.behaviour)
    chosen_on, used_on = case.part(slice(0, None, 2)), case.part(slice(1, None, 2))
    assert (len(chosen_on.nights.length_s), len(used_on.nights.length_s)) == (3, 2)

    def effective_s(policy):
        return replay_policy(used_on, policy, draws=50).effective_s.sum()

    name = found.answer.recommended
    here, there = ({p.name: p for p in set_policies(part)}[name] for part in (chosen_on, used_on))
    now = effective_s(AS_NOW)
    expected = 100.0 * (effective_s(here) - now) / (effective_s(there) - now)
    assert found.answer.kept_on_other_nights_pct == pytest.approx(expected)
    assert expected > 50.0


def test_each_night_has_its_own_interval(found):
    rates = (0.5, 1.5, 1.0, 2.0, 0.7)
    expected = [best_for_ramp_min(95.0, HFD, SLOPE, r * math.hypot(6.5, 0.3)) for r in rates]
    assert found.answer.by_night_min == pytest.approx(expected, rel=1e-4)
    assert found.answer.spread_of_nights_min == pytest.approx(np.percentile(expected, [10, 50, 90]), rel=1e-4)


def test_an_interval_shows_itself_shortly(found):
    assert len(repr(found).splitlines()) <= 10
    assert f"{found.answer.every_min:.0f} min" in repr(found)
    again = dataclasses.replace(found)
    assert found == again
    assert found != dataclasses.replace(found, plan=PLAN)
    page = found._repr_html_()
    assert "<svg" in page
    assert found.answer.advice.split(":")[0] in page


def test_without_runs_all_must_be_known(found):
    with pytest.raises(FocuskitError, match="best_hfd_px"):
        find_interval(found.log, known=Known(-6.5, None, None, SLOPE, 95.0, 1.5))
    with pytest.raises(FocuskitError, match="run_cost_s does not tell of filter L"):
        find_interval(found.log, known=Known(-6.5, None, HFD, SLOPE, {"R": 95.0}, 1.5))


def test_a_night_beyond_its_end_keeps_the_last_value():
    time_s = np.r_[np.arange(0.0, 7201.0, 600.0), 86400.0 + np.arange(0.0, 3601.0, 600.0)]
    nights = lay_out_nights(TemperatureLog(time_s, time_s / 3600.0, ((0, 13), (13, 20))))
    assert nights.length_s == pytest.approx([7200.0, 3600.0])
    assert nights.temperature_c[1, 30] == pytest.approx(24.5)
    assert nights.temperature_c[1, 61:] == pytest.approx(25.0)
    middle = on_grid([0.0, 5.0], [0.0, 1.0], [0.0, 3.0]).middle()
    assert middle.temperature_c[0, 1] == 3.0
