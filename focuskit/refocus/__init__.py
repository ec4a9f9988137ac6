"""Refocus: temperatures and drift become an interval, a policy and a plan for the next run.

In: `TemperatureLog`, `Drift`, logged runs. Out: `Interval` and `SweepPlan`.
"""

from focuskit.refocus.answer import (
    LEVER_WORDS,
    ONE_FILTER,
    ONE_FILTER_NOTE,
    Interval,
    find_interval,
    interval_by_hand,
    rounded,
)
from focuskit.refocus.planning import (
    SweepPlan,
    compare_with_offset,
    learn_behaviour,
    look_at_runs,
    plan_sweep,
    read_night_plan,
)
from focuskit.refocus.replay import FocusBehaviour, NightPlan, Nights, Policy, replay_policy
from focuskit.refocus.settings import TIE, HourOfNight, Worth, describe_policy, effective_hours_by_clock, middle_night

__all__ = [
    "LEVER_WORDS",
    "ONE_FILTER",
    "ONE_FILTER_NOTE",
    "TIE",
    "FocusBehaviour",
    "HourOfNight",
    "Interval",
    "NightPlan",
    "Nights",
    "Policy",
    "SweepPlan",
    "Worth",
    "compare_with_offset",
    "describe_policy",
    "effective_hours_by_clock",
    "find_interval",
    "interval_by_hand",
    "learn_behaviour",
    "look_at_runs",
    "middle_night",
    "plan_sweep",
    "read_night_plan",
    "replay_policy",
    "rounded",
]
