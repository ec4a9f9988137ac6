"""The policies of refocusing that are compared, each with its best setting for the nights of a log.

The best setting is the one of least long-run loss: mean loss of depth (s·e/h0)² for an error e,
plus the time that runs take. It is a smooth function of the setting, taken over all starting times
in the log.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from focuskit.refocus.behaviour import FocusBehaviour
from focuskit.refocus.replay import Case, Policy, replay_policy
from focuskit.refocus.temperature_change import (
    TemperatureChange,
    best_interval_min,
    is_flat,
    matching_change_c,
)

AS_NOW = Policy("now", every_min=60.0, at_filter_change=True)  # common practice, no source


def loss_per_c2(behaviour: FocusBehaviour, *, followed: bool = False) -> float:
    """(s·k/h0)² with the mean of k² over what is not known of it; only that part where it is followed."""
    square = behaviour.steps_per_c_err**2 + (0.0 if followed else behaviour.steps_per_c**2)
    return behaviour.loss_per_step2() * square


def set_policies(case: Case) -> list[Policy]:
    """Give each policy its best setting for these nights.

    Where an offset is not known, every change of filter needs a run, and no policy makes its runs in
    another filter. With a flat log or no drift the settings are None: no run after the first.
    """
    change = case.change()
    several = len(case.plan.filters) > 1
    by_offset = several and case.offsets_known
    policies = _tuned(case, change, "", None)
    if several:
        policies.append(Policy("filter_change", at_filter_change=True))
    quick = case.quickest_filter() if by_offset else None
    if quick is not None:
        policies += _tuned(case, change, "_quick", quick)
    if case.behaviour.steps_per_c == 0.0:
        return policies
    change_run = several and not by_offset
    policies.append(Policy("follow", at_filter_change=change_run, follow=True))
    unsure = best_interval_min(change, loss_per_c2(case.behaviour, followed=True), case.run_cost_s(quick))
    # One check in mid-night at least: the model cannot know what it has not seen.
    half_night_min = case.median_night_min / 2.0
    check_min = half_night_min if unsure is None else min(unsure, half_night_min)
    policies.append(Policy("follow_and_check", check_min, None, change_run, follow=True, run_filter=quick))
    return policies


def _tuned(case: Case, change: TemperatureChange, suffix: str, run_filter: str | None) -> list[Policy]:
    """Runs by the clock and by temperature, in the filter in use or in ``run_filter``."""
    loss = 0.0 if is_flat(change, case.noise_c) else loss_per_c2(case.behaviour)
    every_min = best_interval_min(change, loss, case.run_cost_s(run_filter))
    every_c = matching_change_c(change, every_min) if every_min is not None and case.drift_proven else None
    several = len(case.plan.filters) > 1
    change_run = several and not case.offsets_known
    clock = Policy("clock" + suffix, every_min, None, change_run, run_filter=run_filter)
    if several and run_filter is None and not change_run:
        clock = _fit_to_plan(case, clock)
    return [clock, Policy("temperature" + suffix, None, every_c, change_run, run_filter=run_filter)]


def _fit_to_plan(case: Case, clock: Policy) -> Policy:
    """Move the setting by up to 35 %, where the loss is flat, to what goes best with the plan's filters.

    Runs by the clock may keep falling into the slow filter of a plan that is the same every night. A factor
    of 1.35 raises the loss by a tenth, 0.3 % of the night where it is 3 % (chosen, as are 13 steps of 5 %).
    """
    if clock.every_min is None:
        return clock
    tried = [replace(clock, every_min=clock.every_min * f) for f in np.exp(np.linspace(-0.3, 0.3, 13))]
    return max(tried, key=lambda policy: float(replay_policy(case, policy, draws=4).effective_s.sum()))


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
