"""The third job as one call: from a log of temperatures and a learned drift to when to refocus."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check
from focuskit.core.text import html_table
from focuskit.drift import Drift
from focuskit.frames import TemperatureLog
from focuskit.refocus.planning import learn_behaviour, night_from_runs
from focuskit.refocus.replay import Block, FocusBehaviour, NightPlan, Nights, Policy, lay_out_nights
from focuskit.refocus.settings import AS_NOW, RefocusAnswer, decide_refocus, describe_policy
from focuskit.refocus.temperature_change import log_noise_c

LEVER_WORDS = {
    "steps_per_c": "steps per °C",
    "run_cost_s": "run cost (s)",
    "tolerance_steps": "tolerance (steps)",
}
ONE_FILTER = NightPlan((Block("L", 600.0, 120.0),))
ONE_FILTER_NOTE = "The plan is one filter with exposures of 120 s; --plan FILE tells another."


@dataclass(frozen=True)
class Interval:
    """When to refocus, and all that the answer rests on.

    Attributes
    ----------
    answer : RefocusAnswer
    behaviour : FocusBehaviour
        How focus moves and what runs cost.
    plan : NightPlan
        Which filters a night is for.
    nights : Nights
        The temperatures that were replayed.
    log : TemperatureLog
        The temperatures as read.
    notes : tuple of str
        What was assumed, and what of the log was not used.
    """

    answer: RefocusAnswer
    behaviour: FocusBehaviour
    plan: NightPlan
    nights: Nights
    log: TemperatureLog
    notes: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the object of schema ``focuskit.interval/1``."""
        single = [t for t in self.answer.by_night_min if t is not None]
        return {
            "schema": "focuskit.interval/1",
            "refocus_every_c": rounded(self.answer.every_c),
            "refocus_every_min": rounded(self.answer.every_min),
            "run_cost_s": {f: rounded(t) for f, t in self.behaviour.run_cost_s.items()},
            "policies": [
                {
                    "policy": w.policy.name,
                    "what": describe_policy(w.policy, self.behaviour),
                    "every_min": rounded(w.policy.every_min),
                    "every_c": rounded(w.policy.every_c),
                    "run_filter": w.policy.run_filter,
                    "runs": rounded(w.runs),
                    "minutes_spent": rounded(w.focusing_min + w.moving_min),
                    "focusing_min": rounded(w.focusing_min, 8),
                    "moving_min": rounded(w.moving_min, 8),
                    "imaging_hours": rounded(w.imaging_h, 8),
                    "mean_hfd_growth_pct": rounded(w.mean_hfd_growth_pct),
                    "worst_hfd_growth_pct": rounded(w.worst_hfd_growth_pct),
                    "time_in_tolerance_pct": rounded(w.time_in_tolerance_pct),
                    "effective_hours": rounded(w.effective_hours, 6),
                    "effective_hours_err": rounded(w.effective_hours_err),
                    "minutes_gained": rounded(w.minutes_gained),
                    "depth_gained_pct": rounded(w.depth_gained_pct),
                }
                for w in self.answer.worths
            ],
            "recommended": self.answer.recommended,
            "advice": self.answer.advice,
            "flags": list(self.answer.flags),
            "tolerance_steps": rounded(self.behaviour.tolerance_steps),
            "run_filter": self.answer.run_filter,
            "over_the_night": [
                {
                    "hour": h.hour,
                    "change_c_per_h": rounded(h.change_c_per_h),
                    "spread_c_per_h": rounded(h.spread_c_per_h),
                    "every_min": rounded(h.every_min),
                }
                for h in self.answer.hours
            ],
            "nights": {
                "count": len(self.answer.by_night_min),
                "never": len(self.answer.by_night_min) - len(single),
                "every_min_p10_p50_p90": [rounded(v) for v in np.percentile(single, [10, 50, 90])] if single else None,
                "gain_kept_on_other_nights_pct": rounded(self.answer.kept_on_other_nights_pct),
            },
            "hangs_on": [
                {
                    "what": lever.what,
                    "low": rounded(lever.low),
                    "high": rounded(lever.high),
                    "every_min_low": rounded(lever.every_min_low),
                    "every_min_high": rounded(lever.every_min_high),
                }
                for lever in self.answer.levers
            ],
            "rows_not_used": [{"file": d.file, "line": d.line, "why": d.why} for d in self.log.dropped],
            "steps_per_c": rounded(self.behaviour.steps_per_c),
            "steps_per_c_err": rounded(self.behaviour.steps_per_c_err),
            "plan": [{"filter": b.filter, "minutes": rounded(b.minutes), "sub_s": b.sub_s} for b in self.plan.blocks],
            "notes": list(self.notes),
        }

    def _repr_html_(self) -> str:
        """Show the answer in a notebook."""
        rows = [
            (("→ " if w.policy.name == self.answer.recommended else "") + w.policy.name.replace("_", " "),
             describe_policy(w.policy, self.behaviour), f"{w.runs:.1f}", f"{w.focusing_min + w.moving_min:.0f}",
             f"{w.effective_hours:.2f}", f"{w.depth_gained_pct:+.1f}".replace("-", "−"))
            for w in self.answer.worths
        ]  # fmt: skip
        head = ("way", "what it is", "runs", "minutes spent", "effective hours", "depth gained %")
        return html_table(self.answer.advice, head, rows)


def find_interval(
    log: TemperatureLog,
    drift: Drift,
    plan: NightPlan | None = None,
    *,
    now_every_min: float = 60.0,
    progress: Callable[[int, int], None] | None = None,
    filters: FilterTable = USUAL_FILTERS,
    **known: Any,
) -> Interval:
    """Decide when to refocus, from what logged runs taught.

    Parameters
    ----------
    log : TemperatureLog
        See `read_temperatures`.
    drift : Drift
        See `fit_drift`.
    plan : NightPlan, optional
        By default as in the last night with four logged runs or more.
    now_every_min : float
        What is done at present, besides runs at filter changes; gains are counted against it.
    progress : callable, optional
        Called with the ways replayed so far, and all.
    filters : FilterTable, optional
        The table of the rig file (`RigFile.filters`).
    **known
        What is known better than the runs tell, by the names of `learn_behaviour`.

    Raises
    ------
    FocuskitError
        If the runs do not tell a value and it is not given.
    """
    of_rig = [*drift.used, *(one.run for one in drift.set_aside if one.run.rig == drift.rig)]
    origin = "The plan of the night is as it was given."
    if plan is None:
        plan = night_from_runs(of_rig, filters)
        origin = "The plan of the night is as in the last night with four logged runs or more."
        if plan is None:
            plan = NightPlan((replace(ONE_FILTER.blocks[0], filter=drift.reference_filter or "-"),))
            origin = ONE_FILTER_NOTE
    learned = learn_behaviour(drift, plan.filters, table=filters, **known)
    lags = [m.value for m in drift.models if m.name == "lag" and m.taken and m.value is not None]
    found = interval_by_hand(
        log, learned.behaviour, plan, now_every_min=now_every_min, progress=progress,
        lag_min=lags[0] if lags else 0.0,
    )  # fmt: skip
    answer = replace(found.answer, flags=check([*found.answer.flags, *learned.flags]))
    return replace(found, answer=answer, notes=(*found.notes, *learned.notes, origin))


def interval_by_hand(
    log: TemperatureLog,
    behaviour: FocusBehaviour,
    plan: NightPlan,
    *,
    now_every_min: float = 60.0,
    lag_min: float = 0.0,
    progress: Callable[[int, int], None] | None = None,
) -> Interval:
    """Decide when to refocus where no logged run is needed: the behaviour of focus is told."""
    nights = lay_out_nights(log, lag_min=lag_min)
    now = Policy(AS_NOW.name, now_every_min, at_filter_change=True)
    noise_c = log_noise_c(log.time_s, log.temperature_c)
    answer = decide_refocus(nights, plan, behaviour, now=now, noise_c=noise_c, progress=progress)
    return Interval(answer, behaviour, plan, nights, log, tuple(_notes(log)))


def _notes(log: TemperatureLog) -> list[str]:
    why: dict[str, int] = {}
    for drop in log.dropped:
        why[drop.why] = why.get(drop.why, 0) + 1
    return [
        *log.notes,
        *(f"{n} row{'s' * (n > 1)} of the log not used: {reason}." for reason, n in why.items()),
    ]


def rounded(value: float | None, digits: int = 4) -> float | None:
    """Return four significant digits; None for what is not known."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")
