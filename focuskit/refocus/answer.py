"""When to refocus as one call: from a log of temperatures and a learned drift to an interval and a policy."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check
from focuskit.core.optics import Rig
from focuskit.core.picture import Picture
from focuskit.core.svg import draw_svg
from focuskit.core.text import html_table
from focuskit.core.times import HOUR_S, NIGHT_GAP_S
from focuskit.drift import ByTime, Drift
from focuskit.frames import TemperatureLog
from focuskit.refocus.behaviour import NOTHING, FloatArray, FocusBehaviour, Known, learn_behaviour
from focuskit.refocus.decide import RefocusAnswer, Worth, decide_refocus
from focuskit.refocus.night_plan import Block, NightPlan, night_from_runs
from focuskit.refocus.pictures import clock_picture, night_picture, ways_picture
from focuskit.refocus.policies import AS_NOW
from focuskit.refocus.replay import Case, Replay, replay_policy
from focuskit.refocus.temperature_change import Nights, lay_out_nights, log_noise_c

# Intervals that are drawn, over the setting: a factor of four to both sides shows where the loss is flat.
_CLOCK_FACTORS = np.exp(np.linspace(np.log(0.25), np.log(4.0), 25))
_CLOCK_DRAWS = 8  # search: for a curve to look at
_DAY_S = 24.0 * HOUR_S
_MOST_NIGHTS = 300  # of the runs, where there is no log: a year of clear nights (chosen)
_TURNS = 12  # of interval and walk: each at least halves the remaining error (chosen)
_FEW_DAYS = 7.0  # a spell of weather lasts a few days (chosen)
_WARMS_C = 1.0  # from beginning to end: a night that warms by more is rare, half of all nights never do (chosen)
_ASSUMED = "The runs do not show the plan of a night: an hour in each filter is assumed; --blocks FILE gives another."


@dataclass(frozen=True, eq=False)
class TypicalNight:
    """The night whose temperature changes by the middle amount, under every policy.

    Attributes
    ----------
    hours, temperature_c : ndarray, shape (n,)
    replays : tuple of Replay
        In the order of the policies, each on one draw of the true drift, with its trace.
    """

    hours: FloatArray
    temperature_c: FloatArray
    replays: tuple[Replay, ...]


@dataclass(frozen=True, repr=False)
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
    nights: Nights = field(compare=False)
    log: TemperatureLog = field(compare=False)
    notes: tuple[str, ...]

    @cached_property
    def typical_night(self) -> TypicalNight:
        """The middle night of the log, replayed when first asked for."""
        night = self.nights.middle()
        stop = int(night.length_s[0] // night.step_s) + 1
        case = Case(night, self.plan, self.behaviour)
        replays = tuple(replay_policy(case, worth.policy, trace=True) for worth in self.answer.worths)
        hours = np.arange(stop, dtype=np.float64) * night.step_s / HOUR_S
        return TypicalNight(hours, night.temperature_c[0, :stop], replays)

    @cached_property
    def hours_by_clock(self) -> tuple[FloatArray, FloatArray]:
        """Intervals (min) about the setting by the clock, and the effective hours per night of each; shape (n,).

        Where the setting is never, intervals about the length of a night are taken.
        """
        case, clock = Case(self.nights, self.plan, self.behaviour), self.answer.clock
        every_min = (clock.every_min or case.median_night_min) * _CLOCK_FACTORS
        policies = [replace(clock, every_min=float(every)) for every in every_min]
        gave = [replay_policy(case, policy, draws=_CLOCK_DRAWS, turned=True).effective_s for policy in policies]
        return every_min, np.array([effective_s.mean() / HOUR_S for effective_s in gave])

    def to_json(self) -> dict[str, Any]:
        """Return the object of schema ``focuskit.interval/1``."""
        answer, behaviour = self.answer, self.behaviour
        nights = len(answer.by_night_min)
        spread = answer.spread_of_nights_min
        return {
            "schema": "focuskit.interval/1",
            "position_unit": behaviour.position_unit,
            "refocus_every_c": rounded(answer.every_c),
            "refocus_every_min": rounded(answer.every_min),
            "run_cost_s": {f: rounded(t) for f, t in behaviour.run_cost_s.items()},
            "policies": [_policy_as_json(worth) for worth in answer.worths],
            "recommended": answer.recommended,
            "advice": answer.advice,
            "flags": list(answer.flags),
            "tolerance_steps": rounded(behaviour.tolerance_steps),
            "run_filter": answer.run_filter,
            "over_the_night": [rounded_fields(hour) for hour in answer.hours],
            "nights": {
                "count": nights,
                "never": answer.by_night_min.count(None),
                "every_min_p10_p50_p90": [rounded(v) for v in spread] if spread else None,
                "gain_kept_on_other_nights_pct": rounded(answer.kept_on_other_nights_pct),
            },
            "hangs_on": [rounded_fields(lever) for lever in answer.levers],
            "rows_not_used": [{"file": d.file, "line": d.line, "why": d.why} for d in self.log.dropped],
            "steps_per_c": rounded(behaviour.steps_per_c) if behaviour.has_temperatures else None,
            "steps_per_c_err": rounded(behaviour.steps_per_c_err) if behaviour.has_temperatures else None,
            "random_walk_steps_per_root_h": rounded(behaviour.random_walk),
            "plan": [{"filter": b.filter, "minutes": rounded(b.minutes), "sub_s": b.sub_s} for b in self.plan.blocks],
            "notes": list(self.notes),
        }

    def __repr__(self) -> str:
        answer = self.answer
        every_c = "never" if answer.every_c is None else f"{answer.every_c:.2g} °C"
        by_heat = f"by temperature {every_c}, " if self.behaviour.has_temperatures else ""
        every_min = "never" if answer.every_min is None else f"{answer.every_min:.0f} min"
        return (
            f"Interval: {by_heat}by the clock {every_min}; {answer.recommended} is recommended\n"
            f"  {answer.advice}\n"
            f"  {len(answer.by_night_min)} nights, flags: {', '.join(answer.flags) or 'none'}"
        )

    def _repr_html_(self) -> str:
        """Show the answer and the curve of effective hours in a notebook."""
        rows = [
            (("→ " if w.policy.name == self.answer.recommended else "") + w.policy.words, w.what, f"{w.runs:.1f}",
             f"{w.minutes_spent:.0f}", f"{w.effective_hours:.2f}",
             f"{w.depth_gained_pct:+.1f}".replace("-", "−"))
            for w in self.answer.worths
        ]  # fmt: skip
        head = ("way", "what it is", "runs", "minutes spent", "effective hours", "depth gained %")
        return html_table(self.answer.advice, head, rows) + draw_svg(self.picture())

    def picture(self) -> Picture:
        """Describe effective hours against the interval by the clock, up to four nights where the setting is never."""
        return clock_picture(self)

    def ways_picture(self) -> Picture:
        """Describe what each way costs and gives."""
        return ways_picture(self)

    def night_picture(self) -> Picture:
        """Describe the middle night: its temperature, and the focus error under each way."""
        return night_picture(self)


def _policy_as_json(worth: Worth) -> dict[str, Any]:
    policy = worth.policy
    digits = {"focusing_min": 8, "moving_min": 8, "imaging_hours": 8, "effective_hours": 6}
    names = ["minutes_spent", *(f.name for f in fields(worth) if f.name not in ("policy", "what"))]
    return {
        "policy": policy.name,
        "what": worth.what,
        "every_min": rounded(policy.every_min),
        "every_c": rounded(policy.every_c),
        "run_filter": policy.run_filter,
        **{name: rounded(getattr(worth, name), digits.get(name, 4)) for name in names},
    }


def find_interval(
    log: TemperatureLog | None,
    drift: Drift | None = None,
    plan: NightPlan | None = None,
    *,
    known: Known = NOTHING,
    now_every_min: float = 60.0,
    filters: FilterTable = USUAL_FILTERS,
    rig: Rig | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Interval:
    """Decide when to refocus, from what logged runs taught and what is known.

    Parameters
    ----------
    log : TemperatureLog or None
        See `read_temperatures`. Without one, runs without temperatures show how far focus moves over a night.
    drift : Drift, optional
        See `fit_drift`. Without it, ``known`` says all.
    plan : NightPlan, optional
        By default as in the last night with four logged runs or more.
    known : Known, optional
        What is known better than the runs tell.
    now_every_min : float
        What is done at present, besides runs at filter changes; gains are counted against it.
    filters : FilterTable, optional
        The table of the rig file (`RigFile.filters`).
    rig : Rig, optional
        Of the rig file: its optics and a seeing of 3″ stand in where sizes are neither known nor in the runs.
    progress : callable, optional
        Called with the policies replayed so far, and all.

    Raises
    ------
    FocuskitError
        If values are neither known nor in the runs nor follow from the optics; all of them are named. Also if there is
        neither a log nor a drift without temperatures.
    """
    by_time = None
    if log is None:
        if drift is None or drift.by_time is None:
            raise FocuskitError(
                "there is no log of temperatures; it is needed unless the runs have no temperatures either"
            )
        by_time, log = drift.by_time, _log_of_runs(drift)
    plan, origin = _plan_of_night(plan, drift, filters)
    behaviour, assumed = learn_behaviour(drift, plan.filters, known, filters, rig)
    lags = [m.value for m in drift.models if m.name == "lag" and m.taken and m.value is not None] if drift else []
    nights = lay_out_nights(log, lag_min=lags[0] if lags else 0.0)
    if by_time:
        behaviour = _by_time_alone(Case(nights, plan, behaviour), by_time)
        assumed = tuple(flag for flag in assumed if flag != "walk_unknown")
    case = Case(nights, plan, behaviour, log_noise_c(log.time_s, log.temperature_c))
    answer = decide_refocus(case, now=replace(AS_NOW, every_min=now_every_min), progress=progress)
    flags = [*answer.flags, *assumed, *_flags_of_log(log, drift), *(["plan_assumed"] if origin == _ASSUMED else [])]
    answer = replace(answer, flags=check(flags))
    learned = "All values are given by hand; no logged run is used."
    if drift:
        learned = f"Drift, costs and errors are learned from {len(drift.used)} logged runs."
    return Interval(answer, behaviour, plan, nights, log, (*_notes(log), learned, origin))


def _log_of_runs(drift: Drift) -> TemperatureLog:
    """Return the nights of the runs, at a constant temperature; each lasts an hour or more, also with a single run."""
    run_s = np.array([run.time.timestamp() for run in drift.used])
    parts = np.split(run_s, np.flatnonzero(np.diff(run_s) > NIGHT_GAP_S) + 1)[-_MOST_NIGHTS:]
    times = [np.linspace(part[0], max(part[-1], part[0] + HOUR_S), 7) for part in parts]
    ends = 7 * np.arange(len(times) + 1)
    nights = tuple(zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True))
    note = "There is no log of temperatures: the nights are those of the logged runs."
    return TemperatureLog(np.concatenate(times), np.zeros(ends[-1]), nights, notes=(note,))


def _by_time_alone(case: Case, found: ByTime) -> FocusBehaviour:
    """Describe all that moves focus, temperature included, as a random walk.

    An even drift v loses v²τ²/3 over an interval τ, a walk w²τ/2; both ask for the same interval where the derivatives
    agree, that is for w² = (4/3) v²τ more. The loss is then overestimated, the interval is right.
    """
    drift2 = found.steps_per_h**2 + found.err**2 + found.night_spread_steps_per_h**2
    drift2 += float(np.mean((2.0 * found.bend_steps_per_h2 * found.hours) ** 2))
    behaviour = replace(
        case.behaviour, steps_per_c=0.0, steps_per_c_err=0.0, bend=None, draw_drift=None, has_temperatures=False
    )
    every_h = case.median_night_min / 60.0
    for _ in range(_TURNS):
        walk = math.sqrt(found.walk_steps_per_root_h**2 + 4.0 / 3.0 * drift2 * every_h)
        behaviour = replace(behaviour, random_walk=walk)
        every_min = replace(case, behaviour=behaviour).best_interval_min(case.run_cost_s(None))
        every_h = min(every_min or case.median_night_min, case.median_night_min) / 60.0
    return behaviour


def _plan_of_night(plan: NightPlan | None, drift: Drift | None, filters: FilterTable) -> tuple[NightPlan, str]:
    """The plan that is given, else that of the last logged night, else one filter; and where it is from."""
    if plan is not None:
        return plan, "The plan of the night is as it was given."
    if drift:
        runs = [*drift.used, *(one.run for one in drift.set_aside if one.run.rig == drift.rig)]
        plan, seen = night_from_runs(runs, filters)
        return plan, "The plan of the night is as in the last night that shows one." if seen else _ASSUMED
    return NightPlan((Block("L", 600.0, 120.0),)), "The plan is L with exposures of 120 s; --blocks FILE gives another."


def _flags_of_log(log: TemperatureLog, drift: Drift | None) -> list[str]:
    """Say where the log may not be like the nights to come."""
    nights = [log.night(i) for i in range(len(log.nights))]
    flags = []
    if log.time_s[log.nights[-1][1] - 1] - log.time_s[log.nights[0][0]] < _FEW_DAYS * _DAY_S:
        flags.append("few_nights")
    warming = np.array([celsius[-1] - celsius[0] for _, celsius in nights])
    middle = float(np.median(warming))
    at_other_hours = False
    if drift:
        begin, length = np.array([t[0] for t, _ in nights]), np.array([t[-1] - t[0] for t, _ in nights])
        runs_s = np.array([run.time.timestamp() for run in drift.used])
        since = np.mod(runs_s[:, None] - begin, _DAY_S)
        at_other_hours = bool(np.mean(np.median(since - length, axis=1) > 0.0) > 0.5)
    if at_other_hours or middle > _WARMS_C:
        flags.append("daytime_log")
    return flags


def _notes(log: TemperatureLog) -> list[str]:
    why = Counter(str(drop.why) for drop in log.dropped)
    return [*log.notes, *(f"{n} row{'s' * (n > 1)} of the log not used: {reason}." for reason, n in why.items())]


def rounded(value: float | None, digits: int = 4) -> float | None:
    """Return four significant digits; None for what is not known."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")


def rounded_fields(entry: Any) -> dict[str, Any]:
    """Return the fields of a dataclass, its numbers rounded."""
    return {name: rounded(value) if isinstance(value, float) else value for name, value in asdict(entry).items()}
