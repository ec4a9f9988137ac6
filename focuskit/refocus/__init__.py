"""Refocus: temperatures and drift become an interval, a policy and a plan for the next run.

In: `TemperatureLog`, `Drift`, logged runs, and what the user knows better (`Known`).
Out: `Interval` (when to refocus, what each policy gives, and what there is to draw) and `SweepPlan`.
"""

from focuskit.refocus.answer import Interval, TypicalNight, find_interval
from focuskit.refocus.behaviour import FocusBehaviour, Known
from focuskit.refocus.decide import TIE, HourOfNight, Worth
from focuskit.refocus.next_sweep import SweepPlan, plan_sweeps
from focuskit.refocus.night_plan import Block, NightPlan, read_night_plan
from focuskit.refocus.replay import Policy, Replay

__all__ = [
    "TIE",
    "Block",
    "FocusBehaviour",
    "HourOfNight",
    "Interval",
    "Known",
    "NightPlan",
    "Policy",
    "Replay",
    "SweepPlan",
    "TypicalNight",
    "Worth",
    "find_interval",
    "plan_sweeps",
    "read_night_plan",
]
