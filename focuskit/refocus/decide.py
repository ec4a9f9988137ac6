"""Which policy of refocusing to take: what each gives with its best setting, counted by a replay."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from focuskit.core.flags import check
from focuskit.core.times import HOUR_S
from focuskit.refocus.behaviour import FocusBehaviour
from focuskit.refocus.policies import AS_NOW, describe_policy, set_policies
from focuskit.refocus.replay import Case, Policy, Replay, replay_policy
from focuskit.refocus.temperature_change import TemperatureChange

# Policies whose depth differs by less are equal, and the simpler is taken. Chosen: half a per cent of a
# night of eight hours is 2.4 min, less than settings and nights to come are known to.
TIE = 0.005
_SIMPLEST_FIRST = ("clock", "temperature", "clock_quick", "temperature_quick", "follow_and_check", "follow", "now")
_FEW_NIGHTS = 3  # below it nights to come may well be unlike those of the log
_NIGHTS_TO_SPLIT = 4  # two to choose a setting on, two to try it on
_LEVER_WORDS = {
    "steps_per_c": "{} per °C",
    "run_cost_s": "run cost (s)",
    "tolerance_steps": "tolerance ({})",
}


@dataclass(frozen=True)
class Worth:
    """What a policy gives and costs, as means per night, and its gain over what is done now; ``what`` says it."""

    policy: Policy
    what: str
    runs: float
    focusing_min: float
    moving_min: float
    imaging_hours: float
    mean_hfd_growth_pct: float
    worst_hfd_growth_pct: float
    time_in_tolerance_pct: float
    effective_hours: float
    effective_hours_err: float
    minutes_gained: float
    depth_gained_pct: float

    @property
    def minutes_spent(self) -> float:
        """On runs and moves, per night."""
        return self.focusing_min + self.moving_min


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

    def words(self, unit: str) -> str:
        """Return the input as people read it, positions in that unit."""
        return _LEVER_WORDS[self.what].format(unit)

    @property
    def reach(self) -> float:
        """By how much the setting changes, as a logarithm."""
        if self.every_min_low is None or self.every_min_high is None:
            return math.inf
        return abs(math.log(self.every_min_high / self.every_min_low))


@dataclass(frozen=True)
class RefocusAnswer:
    """The best setting of each policy of refocusing, what each is worth, and which to take.

    ``every_c`` and ``every_min`` are the best settings by temperature and by the clock; None means never, or that there
    are no temperatures, and a flag says why. ``clock`` is the policy that ``every_min`` belongs to, ``by_night_min``
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

    @property
    def spread_of_nights_min(self) -> tuple[float, ...] | None:
        """Best interval of single nights: a tenth below, the middle, a tenth above; None where no night has one."""
        single = [t for t in self.by_night_min if t is not None]
        return tuple(np.percentile(single, [10, 50, 90]).tolist()) if single else None

    def worth(self, name: str) -> Worth:
        """Return the entry of one policy; raises KeyError if it was not replayed."""
        for entry in self.worths:
            if entry.policy.name == name:
                return entry
        raise KeyError(name)


def decide_refocus(
    case: Case, *, draws: int = 50, now: Policy = AS_NOW, progress: Callable[[int, int], None] | None = None
) -> RefocusAnswer:
    """Find the best setting of each policy, replay them all, and recommend one.

    Parameters
    ----------
    case : Case
        What the nights were like, what is to be done in them, and how focus moves.
    draws : int
        Every policy is replayed on the same draws of the true drift, of run errors, and of where in the plan a night
        begins. The mean of 50 is known to a seventh of their spread (chosen).
    now : Policy
        What is done at present; gains are counted against it.
    progress : callable, optional
        Called with the policies replayed so far, and all.
    """
    policies = set_policies(case)
    before = replay_policy(case, now, draws=draws, turned=True)
    worths = {now.name: _weigh(before, before, case.behaviour)}
    for policy in policies:
        worths[policy.name] = _weigh(replay_policy(case, policy, draws=draws, turned=True), before, case.behaviour)
        if progress:
            progress(len(worths), len(policies) + 1)
    # The headline is for runs in the quickest filter where that is worth it.
    quick = worths.get("clock_quick")
    gains = quick is not None and quick.effective_hours > worths["clock"].effective_hours * (1.0 + TIE)
    suffix = "_quick" * gains
    clock = worths["clock" + suffix].policy
    by_heat = worths.get("temperature" + suffix)
    flags = _flags(case, clock)
    best = _choose(worths, model_helps=case.drift_proven and "temperature_flat" not in flags)
    return RefocusAnswer(
        every_c=by_heat.policy.every_c if by_heat else None,
        every_min=clock.every_min,
        worths=tuple(worths.values()),
        recommended=best.policy.name,
        advice=_advise(best, worths[now.name], flags),
        hours=_hours_of_night(case, clock),
        by_night_min=_by_night(case, clock),
        levers=_levers(case, clock),
        kept_on_other_nights_pct=_kept_elsewhere(case, now, best.policy.name, draws),
        run_filter=case.quickest_filter(),
        flags=flags,
        clock=clock,
    )


def _flags(case: Case, clock: Policy) -> tuple[str, ...]:
    behaviour, night_min = case.behaviour, case.median_night_min
    longer = clock.every_min is None or clock.every_min > night_min
    known = behaviour.has_temperatures
    driftless, flat = known and case.driftless, known and case.flat
    walk_steps = behaviour.random_walk * math.sqrt(night_min / 60.0)
    raised = {
        "no_drift": driftless,
        "no_thermometer": not known,
        "drift_unproven": known and not (driftless or case.drift_proven),
        "temperature_flat": flat,
        "run_at_each_change": len(case.plan.filters) > 1 and not case.offsets_known,
        "few_nights": len(case.nights.length_s) < _FEW_NIGHTS,
        "once_is_enough": longer and not (driftless or flat),
        "more_than_temperature": known and walk_steps > behaviour.tolerance_steps,
    }
    return check([flag for flag, yes in raised.items() if yes])


def _weigh(gave: Replay, before: Replay, behaviour: FocusBehaviour) -> Worth:
    effective = gave.effective_s.mean(axis=0) / HOUR_S
    spent = gave.focusing_s + gave.moving_s
    spent_before = before.focusing_s + before.moving_s
    gain = gave.effective_s.sum() / before.effective_s.sum() - 1.0
    return Worth(
        gave.policy,
        what=describe_policy(gave.policy, behaviour),
        runs=float(gave.runs.mean()),
        focusing_min=float(gave.focusing_s.mean()) / 60.0,
        moving_min=float(gave.moving_s.mean()) / 60.0,
        imaging_hours=float(gave.imaging_s.mean()) / HOUR_S,
        mean_hfd_growth_pct=100.0 * float(gave.mean_growth.mean()),
        worst_hfd_growth_pct=100.0 * float(gave.worst_growth.max(axis=0).mean()),
        time_in_tolerance_pct=100.0 * float(gave.in_tolerance_s.sum() / gave.imaging_s.sum()),
        effective_hours=float(effective.mean()),
        effective_hours_err=float(effective.std()),
        minutes_gained=float((spent_before - spent).mean()) / 60.0,
        depth_gained_pct=100.0 * float(gain),
    )


def _choose(worths: dict[str, Worth], *, model_helps: bool) -> Worth:
    """The most effective hours; of equals the simplest."""
    able = [worths[name] for name in _SIMPLEST_FIRST
            if name in worths and (model_helps or not worths[name].policy.follow)]  # fmt: skip
    most = max(w.effective_hours for w in able)
    return next(w for w in able if w.effective_hours >= most * (1.0 - TIE))


def _advise(best: Worth, now: Worth, flags: tuple[str, ...]) -> str:
    saved = best.minutes_gained
    time = f"{saved:.0f} min a night less" if saved >= 0.0 else f"{-saved:.0f} min a night more"
    sentence = (
        f"{best.what[0].upper()}{best.what[1:]}: {time} on focusing and {best.depth_gained_pct:+.1f} % depth "
        f"against now ({now.what})."
    )
    if "no_drift" in flags:
        sentence += " Temperature is no use here: focus does not move with it."
    elif "drift_unproven" in flags:
        sentence += " The drift with temperature is not proven: these are means over what it may be."
    elif "temperature_flat" in flags:
        sentence += " Temperature is no use here: it hardly changes over the nights of the log."
    return sentence


def _hours_of_night(case: Case, clock: Policy) -> tuple[HourOfNight, ...]:
    if not case.behaviour.has_temperatures:
        return ()
    nights, cost = case.nights, case.run_cost_s(clock.run_filter)
    rows = []
    for hour in range(int(nights.length_s.max() // HOUR_S)):
        there = nights.length_s >= (hour + 1) * HOUR_S - 1.0
        a, b = (round(h * HOUR_S / nights.step_s) for h in (hour, hour + 1))
        change = nights.temperature_c[there, b] - nights.temperature_c[there, a]
        rms = float(np.sqrt(np.mean(change**2)))
        ramp = TemperatureChange(np.array([0.0, 60.0]), np.array([0.0, rms]), 1.0)
        every_min = case.best_interval_min(cost, change=ramp)
        rows.append(HourOfNight(hour + 1, float(change.mean()), float(change.std()), every_min))
    return tuple(rows)


def _by_night(case: Case, clock: Policy) -> tuple[float | None, ...]:
    cost = case.run_cost_s(clock.run_filter)
    return tuple(case.part(slice(i, i + 1)).best_interval_min(cost) for i in range(len(case.nights.length_s)))


def _levers(case: Case, clock: Policy) -> tuple[Lever, ...]:
    """Clock setting for steps per °C within two errors (a tenth at least), run cost ± half, HFD ± 30 %.

    So much is what runs of a season leave open, what downloads and retries add, and how seeing changes (chosen).
    """
    if clock.every_min is None:
        return ()
    behaviour, cost = case.behaviour, case.run_cost_s(clock.run_filter)
    k, k_range = behaviour.steps_per_c, max(2.0 * behaviour.steps_per_c_err, 0.1 * abs(behaviour.steps_per_c))
    tolerance = behaviour.tolerance_steps

    def every(steps_per_c: float = k, factor: float = 1.0, hfd: float = 1.0) -> float | None:
        other = replace(behaviour, steps_per_c=steps_per_c, best_hfd_px=behaviour.best_hfd_px * hfd)
        return replace(case, behaviour=other).best_interval_min(cost * factor, change=case.change)

    low_k, high_k = k - k_range, k + k_range
    levers = [
        Lever("steps_per_c", low_k, high_k, every(low_k), every(high_k)),
        Lever("run_cost_s", 0.5 * cost, 1.5 * cost, every(factor=0.5), every(factor=1.5)),
        Lever("tolerance_steps", 0.7 * tolerance, 1.3 * tolerance, every(hfd=0.7), every(hfd=1.3)),
    ]
    known = [lever for lever in levers if behaviour.has_temperatures or lever.what != "steps_per_c"]
    return tuple(sorted(known, key=lambda lever: -lever.reach))


def _kept_elsewhere(case: Case, now: Policy, name: str, draws: int) -> float | None:
    """Gain of the setting chosen on every other night, replayed on the rest, in % of the best there."""
    if len(case.nights.length_s) < _NIGHTS_TO_SPLIT:
        return None
    chosen_on, used_on = case.part(slice(0, None, 2)), case.part(slice(1, None, 2))

    def effective_s(policy: Policy) -> float:
        return float(replay_policy(used_on, policy, draws=draws, turned=True).effective_s.sum())

    before = effective_s(now)
    gains = []
    for part in (chosen_on, used_on):
        policy = next((p for p in set_policies(part) if p.name == name), now)
        gains.append(effective_s(policy) - before)
    return 100.0 * gains[0] / gains[1] if gains[1] > 0.0 else None
