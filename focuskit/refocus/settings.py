"""When to refocus: the best setting of each way of doing it, what each is worth, and which to take.

The setting of a way is the one of least long-run loss: mean loss of depth (s·e/h0)² for an error e,
plus the time that runs take. It is a smooth function of the setting, taken over all starting times
in the log. What each way gives, with its setting, is then counted by `focuskit.replay`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from focuskit.core.flags import check
from focuskit.frames import HOUR_S
from focuskit.refocus.replay import FloatArray, FocusBehaviour, NightPlan, Nights, Policy, Replay, replay_policy
from focuskit.refocus.temperature_change import (
    LONGEST_MIN,
    Wander,
    best_interval_min,
    is_flat,
    matching_change_c,
    measure_wander,
    optimal_interval_min,
)

UNPROVEN = 2.0  # a drift below so many of its errors could be none
_CLOCK_FACTORS = np.exp(np.linspace(np.log(0.25), np.log(4.0), 25))
TIE = 0.005  # ways whose depth differs by less are equal; the simpler is taken
AS_NOW = Policy("now", every_min=60.0, at_filter_change=True)  # common practice, no source


@dataclass(frozen=True)
class Worth:
    """What a policy gives and costs, as means per night, and its gain over the present way."""

    policy: Policy
    runs: float
    focusing_min: float
    moving_min: float
    imaging_h: float
    mean_hfd_growth_pct: float
    worst_hfd_growth_pct: float
    time_in_tolerance_pct: float
    effective_hours: float
    effective_hours_err: float
    minutes_gained: float
    depth_gained_pct: float


@dataclass(frozen=True)
class HourOfNight:
    """How fast it cools in one hour of the night, and what interval that asks for."""

    hour: int
    change_c_per_h: float
    spread_c_per_h: float
    every_min: float | None


@dataclass(frozen=True)
class Lever:
    """The clock setting if one input were different: what the answer hangs on."""

    what: str
    low: float
    high: float
    every_min_low: float | None
    every_min_high: float | None


@dataclass(frozen=True)
class RefocusAnswer:
    """The best setting of each way of refocusing, what each is worth, and which to take.

    ``every_c`` and ``every_min`` are the best settings by temperature and by the clock; None means
    never, and a flag says why. ``clock`` is the policy that ``every_min`` belongs to, ``by_night_min``
    holds the best interval of each single night.
    """

    every_c: float | None
    every_min: float | None
    worths: tuple[Worth, ...]
    recommended: str
    advice: str
    hours: tuple[HourOfNight, ...]
    by_night_min: tuple[float | None, ...]
    levers: tuple[Lever, ...]
    kept_on_other_nights_pct: float | None
    run_filter: str
    flags: tuple[str, ...]
    clock: Policy

    def worth(self, name: str) -> Worth:
        """Return the entry of one policy; raises KeyError if it was not replayed."""
        for entry in self.worths:
            if entry.policy.name == name:
                return entry
        raise KeyError(name)


def decide_refocus(
    nights: Nights,
    plan: NightPlan,
    behaviour: FocusBehaviour,
    *,
    seed: int = 0,
    draws: int = 50,
    now: Policy = AS_NOW,
    noise_c: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> RefocusAnswer:
    """Find the best setting of each policy, replay them all, and recommend one.

    Parameters
    ----------
    nights, plan, behaviour
        What the nights were like, what is to be done in them, and how focus moves.
    seed, draws : int
        Every policy is replayed on the same ``draws`` draws of the true drift and of run errors.
    now : Policy
        What is done at present; gains are counted against it.
    noise_c : float
        Scatter of single temperatures in the log, see `log_noise_c`.
    progress : callable, optional
        Called with the policies replayed so far, and all.
    """
    flags = []
    unproven = abs(behaviour.steps_per_c) < UNPROVEN * behaviour.steps_per_c_err
    wander = measure_wander(nights, noise_c)
    flat = is_flat(wander, noise_c)
    if behaviour.steps_per_c == behaviour.steps_per_c_err == 0.0:
        flags.append("no_drift")
    elif unproven:
        flags.append("drift_unproven")
    if flat:
        flags.append("temperature_flat")
    if any(f not in behaviour.offset_steps for f in plan.filters) and len(plan.filters) > 1:
        flags.append("run_at_each_change")
    if len(nights.length_s) < 3:
        flags.append("few_nights")

    def walk(policy: Policy, part: Nights = nights) -> Replay:
        rng = np.random.default_rng(seed)
        return replay_policy(part, plan, behaviour, policy, rng=rng, draws=draws)

    before = walk(now)
    policies = set_policies(nights, plan, behaviour, noise_c=noise_c)
    worths = {now.name: _weigh(before, before)}
    for policy in policies:
        worths[policy.name] = _weigh(walk(policy), before)
        if progress:
            progress(len(worths), len(policies) + 1)
    # The headline is for runs in the quickest filter where that is worth it.
    quick = worths.get("clock_quick")
    gains = quick is not None and quick.effective_hours > worths["clock"].effective_hours * (1.0 + TIE)
    clock, heat = (worths[name + "_quick" * gains].policy for name in ("clock", "temperature"))
    longer = clock.every_min is None or clock.every_min > float(np.median(nights.length_s)) / 60.0
    if longer and not {"no_drift", "temperature_flat"} & set(flags):
        flags.append("once_is_enough")
    best = _choose(list(worths.values()), unproven or flat)
    return RefocusAnswer(
        every_c=heat.every_c,
        every_min=clock.every_min,
        worths=tuple(worths.values()),
        recommended=best.policy.name,
        advice=_advise(best, now, behaviour, flags),
        hours=_hours_of_night(nights, plan, behaviour, clock),
        by_night_min=_by_night(nights, plan, behaviour, clock),
        levers=_levers(wander, plan, behaviour, clock),
        kept_on_other_nights_pct=_kept_elsewhere(nights, plan, behaviour, walk, now, best.policy.name, noise_c),
        run_filter=quickest_filter(plan, behaviour),
        flags=check(flags),
        clock=clock,
    )


def quickest_filter(plan: NightPlan, behaviour: FocusBehaviour) -> str:
    """The filter of the plan whose run costs least; of equals the one with the surer offset."""
    cost, err = behaviour.run_cost_s, behaviour.position_err_steps
    return min(plan.filters, key=lambda f: (cost[f], behaviour.offset_err_steps.get(f, 0.0), err[f], f))


def _run_cost_s(plan: NightPlan, behaviour: FocusBehaviour, run_filter: str | None) -> float:
    """Mean cost of a run that may fall anywhere in the plan, turns of the wheel included."""
    shares = plan.shares()
    if run_filter is None:
        return sum(share * behaviour.run_cost_s[f] for f, share in shares.items())
    turns = 2.0 * behaviour.filter_change_s * (1.0 - shares[run_filter])
    return behaviour.run_cost_s[run_filter] + turns


def _loss_per_c2(behaviour: FocusBehaviour, *, followed: bool = False) -> float:
    """(s·k/h0)² with the mean of k² over what is not known of it; only that part where it is followed."""
    square = behaviour.steps_per_c_err**2 + (0.0 if followed else behaviour.steps_per_c**2)
    return (behaviour.slope_px_per_step / behaviour.best_hfd_px) ** 2 * square


def set_policies(nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, *, noise_c: float = 0.0) -> list[Policy]:
    """Give each way of refocusing its best setting for these nights.

    Where an offset is not known, every change of filter needs a run, and no policy makes its runs in
    another filter. With a flat log or no drift the settings are None: no run after the first.
    """
    wander = measure_wander(nights, noise_c)
    several = len(plan.filters) > 1
    offsets_known = all(f in behaviour.offset_steps for f in plan.filters)
    loss = 0.0 if is_flat(wander, noise_c) else _loss_per_c2(behaviour)
    proven = abs(behaviour.steps_per_c) >= UNPROVEN * behaviour.steps_per_c_err
    change_run = several and not offsets_known

    def tuned(suffix: str, run_filter: str | None) -> list[Policy]:
        cost = _run_cost_s(plan, behaviour, run_filter)
        every_min = best_interval_min(wander, loss, cost)
        every_c = matching_change_c(wander, every_min) if every_min is not None and proven else None
        clock = Policy("clock" + suffix, every_min, None, change_run, run_filter=run_filter)
        return [
            _fit_to_plan(nights, plan, behaviour, clock)
            if several and run_filter is None and not change_run
            else clock,
            Policy("temperature" + suffix, None, every_c, change_run, run_filter=run_filter),
        ]

    policies = tuned("", None)
    quick = quickest_filter(plan, behaviour)
    if several:
        policies.append(Policy("filter_change", at_filter_change=True))
    if several and offsets_known:
        policies += tuned("_quick", quick)
    if behaviour.steps_per_c == 0.0:
        return policies
    policies.append(Policy("follow", at_filter_change=change_run, follow=True))
    run_filter = quick if several and offsets_known else None
    unsure = best_interval_min(wander, _loss_per_c2(behaviour, followed=True), _run_cost_s(plan, behaviour, run_filter))
    # One check in mid-night at least: the model cannot know what it has not seen.
    half_night_min = float(np.median(nights.length_s)) / 120.0
    check_min = half_night_min if unsure is None else min(unsure, half_night_min)
    policies.append(Policy("follow_and_check", check_min, None, change_run, follow=True, run_filter=run_filter))
    return policies


def _fit_to_plan(nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy) -> Policy:
    """Move the setting by up to 35 %, where the loss is flat, to what goes best with the plan's filters.

    Runs by the clock may keep falling into the slow filter of a plan that is the same every night.
    """
    if clock.every_min is None:
        return clock
    tried = [replace(clock, every_min=clock.every_min * f) for f in np.exp(np.linspace(-0.3, 0.3, 13))]

    def effective_s(policy: Policy) -> float:
        rng = np.random.default_rng(0)
        return float(replay_policy(nights, plan, behaviour, policy, rng=rng, draws=4).effective_s.sum())

    return max(tried, key=effective_s)


def _weigh(gave: Replay, before: Replay) -> Worth:
    effective = gave.effective_s.mean(axis=0) / HOUR_S
    spent = gave.focusing_s + gave.moving_s
    spent_before = before.focusing_s + before.moving_s
    gain = gave.effective_s.sum() / before.effective_s.sum() - 1.0
    return Worth(
        gave.policy,
        runs=float(gave.runs.mean()),
        focusing_min=float(gave.focusing_s.mean()) / 60.0,
        moving_min=float(gave.moving_s.mean()) / 60.0,
        imaging_h=float(gave.imaging_s.mean()) / HOUR_S,
        mean_hfd_growth_pct=100.0 * float(gave.mean_growth.mean()),
        worst_hfd_growth_pct=100.0 * float(gave.worst_growth.max(axis=0).mean()),
        time_in_tolerance_pct=100.0 * float(gave.in_tolerance_s.sum() / gave.imaging_s.sum()),
        effective_hours=float(effective.mean()),
        effective_hours_err=float(effective.std()),
        minutes_gained=float((spent_before - spent).mean()) / 60.0,
        depth_gained_pct=100.0 * float(gain),
    )


def _choose(worths: list[Worth], no_model: bool) -> Worth:
    """The most effective hours; of equals the first in order of simplicity."""
    order = ("clock", "temperature", "clock_quick", "temperature_quick", "follow_and_check", "follow", "now")
    able = {w.policy.name: w for w in worths if w.policy.name in order}
    if no_model:
        able = {name: w for name, w in able.items() if not w.policy.follow}
    most = max(w.effective_hours for w in able.values())
    return next(able[n] for n in order if n in able and able[n].effective_hours >= most * (1.0 - TIE))


def describe_policy(policy: Policy, behaviour: FocusBehaviour) -> str:
    """Say a policy in words, without a full stop."""
    where = f" in {policy.run_filter}" if policy.run_filter else ""
    when = []
    if policy.every_min is not None:
        when.append(f"every {policy.every_min / 60:.1f} h" if policy.every_min > 180 else
                    f"every {policy.every_min:.0f} min")  # fmt: skip
    if policy.every_c is not None:
        when.append(f"whenever the temperature has changed by {policy.every_c:.2g} °C")
    if policy.at_filter_change:
        when.append("at every filter change")
    words = f"a run{where} " + (" and ".join(when) or "at the start of the night only")
    if policy.follow:
        words = f"follow the learned {behaviour.steps_per_c:+.3g} steps/°C, with {words}"
    if policy.run_filter:
        words += ", moving to the other filters by their offsets"
    return words


def _advise(best: Worth, now: Policy, behaviour: FocusBehaviour, flags: list[str]) -> str:
    what = describe_policy(best.policy, behaviour)
    sentence = what[0].upper() + what[1:]
    saved = best.minutes_gained
    time = f"{saved:.0f} min a night less" if saved >= 0.0 else f"{-saved:.0f} min a night more"
    sentence += (
        f": {time} on focusing and {best.depth_gained_pct:+.1f} % depth against now "
        f"({describe_policy(now, behaviour)})."
    )
    if "no_drift" in flags or "drift_unproven" in flags:
        sentence += " Temperature is no use here: no drift with it is proven."
    elif "temperature_flat" in flags:
        sentence += " Temperature is no use here: it hardly changes over the nights of the log."
    return sentence


def _hours_of_night(
    nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy
) -> tuple[HourOfNight, ...]:
    per_hour = HOUR_S / nights.step_s
    cost = _run_cost_s(plan, behaviour, clock.run_filter)
    rows = []
    for hour in range(int(nights.length_s.max() // HOUR_S)):
        there = nights.length_s >= (hour + 1) * HOUR_S - 1.0
        a, b = (round(h * per_hour) for h in (hour, hour + 1))
        change = nights.temperature_c[there, b] - nights.temperature_c[there, a]
        rms = float(np.sqrt(np.mean(change**2)))
        wide = math.sqrt(behaviour.steps_per_c**2 + behaviour.steps_per_c_err**2)
        every = optimal_interval_min(cost, behaviour.best_hfd_px, behaviour.slope_px_per_step, wide * rms)
        rows.append(
            HourOfNight(hour + 1, float(change.mean()), float(change.std()), every if every < LONGEST_MIN else None)
        )
    return tuple(rows)


def _by_night(nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy) -> tuple[float | None, ...]:
    cost = _run_cost_s(plan, behaviour, clock.run_filter)
    loss = _loss_per_c2(behaviour)
    singles = (nights.part(slice(i, i + 1)) for i in range(len(nights.length_s)))
    return tuple(best_interval_min(measure_wander(one), loss, cost) for one in singles)


def _levers(wander: Wander, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy) -> tuple[Lever, ...]:
    """Clock setting for steps per °C within two errors (a tenth at least), run cost ± half, HFD ± 30 %."""
    cost = _run_cost_s(plan, behaviour, clock.run_filter)
    if clock.every_min is None:
        return ()
    k, k_range = behaviour.steps_per_c, max(2.0 * behaviour.steps_per_c_err, 0.1 * abs(behaviour.steps_per_c))
    tolerance = behaviour.tolerance_steps

    def every(steps_per_c: float = k, factor: float = 1.0, hfd: float = 1.0) -> float | None:
        other = replace(behaviour, steps_per_c=steps_per_c, best_hfd_px=behaviour.best_hfd_px * hfd)
        return best_interval_min(wander, _loss_per_c2(other), cost * factor)

    low_k, high_k = k - k_range, k + k_range
    levers = [
        Lever("steps_per_c", low_k, high_k, every(low_k), every(high_k)),
        Lever("run_cost_s", 0.5 * cost, 1.5 * cost, every(factor=0.5), every(factor=1.5)),
        Lever("tolerance_steps", 0.7 * tolerance, 1.3 * tolerance, every(hfd=0.7), every(hfd=1.3)),
    ]
    return tuple(sorted(levers, key=lambda x: -_reach(x)))


def _reach(lever: Lever) -> float:
    if lever.every_min_low is None or lever.every_min_high is None:
        return math.inf
    return abs(math.log(lever.every_min_high / lever.every_min_low))


def _kept_elsewhere(
    nights: Nights,
    plan: NightPlan,
    behaviour: FocusBehaviour,
    walk: Callable[[Policy, Nights], Replay],
    now: Policy,
    name: str,
    noise_c: float,
) -> float | None:
    """Gain of the setting chosen on every other night, replayed on the rest, in % of the best there."""
    if len(nights.length_s) < 4:
        return None
    chosen_on, used_on = nights.part(slice(0, None, 2)), nights.part(slice(1, None, 2))
    before = walk(now, used_on).effective_s.sum()
    gains = []
    for part in (chosen_on, used_on):
        policy = next((p for p in set_policies(part, plan, behaviour, noise_c=noise_c) if p.name == name), now)
        gains.append(float(walk(policy, used_on).effective_s.sum() - before))
    return 100.0 * gains[0] / gains[1] if gains[1] > 0.0 else None


def effective_hours_by_clock(
    nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy
) -> tuple[FloatArray, FloatArray]:
    """Return intervals (min) about the setting of a clock policy, and the effective hours per night of each.

    Where the setting is never, intervals about the length of a night are taken.
    """
    middle = clock.every_min or float(np.median(nights.length_s)) / 60.0
    every_min = middle * _CLOCK_FACTORS
    hours = []
    for every in every_min:
        policy = replace(clock, every_min=float(every))
        gave = replay_policy(nights, plan, behaviour, policy, rng=np.random.default_rng(0), draws=8)
        hours.append(gave.effective_s.mean() / HOUR_S)
    return every_min, np.array(hours)


def middle_night(nights: Nights) -> int:
    """Return the night whose temperature changes by the middle amount."""
    reach = np.ptp(nights.temperature_c, axis=1)
    return int(np.argsort(reach, kind="stable")[len(reach) // 2])
