"""What the report says of when to refocus."""

from __future__ import annotations

from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.text import plain_text
from focuskit.frames import HOUR_S
from focuskit.refocus import (
    LEVER_WORDS,
    HourOfNight,
    Interval,
    Policy,
    Worth,
    describe_policy,
    effective_hours_by_clock,
    middle_night,
    replay_policy,
)
from focuskit.show.palette import MARKERS, mark_of
from focuskit.show.report_panels import (
    BELOW_PX,
    BETWEEN_PX,
    PANEL_LEFT,
    PANEL_TOP,
    RIGHT,
    Band,
    Line,
    Mark,
    Panel,
    Picture,
    Scale,
    Tick,
    Upright,
    line_path,
    mark_path,
    number,
    spread,
    ticks_of,
)

_PANEL_PX = 200.0
_LOW_PANEL_PX = 90.0
_LOOKS = ("curve-second", "curve-main", "curve-third")


def interval_view(found: Interval) -> dict[str, Any]:
    """Return what the template shows of an interval."""
    answer, behaviour = found.answer, found.behaviour
    best = answer.worth(answer.recommended)
    what = describe_policy(best.policy, behaviour)
    told = answer.advice[len(what) :].removeprefix(": ")
    return {
        "answer": _true_minus(f"{what[0].upper()}{what[1:]}."),
        "more": _true_minus(f"{told[0].upper()}{told[1:]}" if told else ""),
        "every_c": answer.every_c,
        "every_min": answer.every_min,
        "tolerance": behaviour.tolerance_steps,
        "nights": len(answer.by_night_min),
        "costs": [(plain_text(name), f"{cost:.0f}") for name, cost in behaviour.run_cost_s.items()],
        "rows": [_row(i, worth, found) for i, worth in enumerate(answer.worths)],
        "worth_chart": draw_worths(found),
        "night_chart": draw_middle_night(found),
        "clock_chart": draw_clock(found),
        "hours": [_hour(one) for one in answer.hours],
        "between": _between_nights(answer.by_night_min),
        "kept": answer.kept_on_other_nights_pct,
        "levers": [
            (LEVER_WORDS[one.what], f"{one.low:.3g}".replace("-", "−"), _minutes(one.every_min_low),
             f"{one.high:.3g}".replace("-", "−"), _minutes(one.every_min_high))
            for one in answer.levers
        ],
        "flags": [flags.describe(name) for name in answer.flags],
        "notes": [plain_text(note) for note in found.notes],
    }  # fmt: skip


def _true_minus(text: str) -> str:
    return plain_text(text).replace(" -", " −")


def _minutes(every_min: float | None) -> str:
    return "never" if every_min is None else f"{every_min:.0f} min"


def _row(i: int, worth: Worth, found: Interval) -> dict[str, Any]:
    policy = worth.policy
    return {
        "worth": worth,
        "name": policy.name.replace("_", " "),
        "what": _true_minus(describe_policy(policy, found.behaviour)),
        "mark": (f"series-{i % len(MARKERS)}", mark_path(mark_of(i)[1], 8, 8, 5.5)),
        "spent": worth.focusing_min + worth.moving_min,
        "chosen": policy.name == found.answer.recommended,
    }


def _hour(one: HourOfNight) -> dict[str, Any]:
    return {
        "hour": one.hour,
        "change": f"{number(one.change_c_per_h, 2)} ± {one.spread_c_per_h:.2f}",
        "every": _minutes(one.every_min),
        "value": one.every_min,
    }


def _between_nights(by_night_min: tuple[float | None, ...]) -> tuple[str, str, str] | None:
    single = [every for every in by_night_min if every is not None]
    if len(single) < 3:
        return None
    low, middle, high = np.percentile(single, [10, 50, 90])
    return f"{low:.0f}", f"{middle:.0f}", f"{high:.0f}"


# Pictures -------------------------------------------------------------------------------------


def draw_worths(found: Interval) -> Picture:
    """Lay out what each way costs and gives: minutes spent against depth gained."""
    worths = found.answer.worths
    spent = [w.focusing_min + w.moving_min for w in worths]
    gains = [w.depth_gained_pct for w in worths]
    bottom = PANEL_TOP + _PANEL_PX
    x = Scale(0.0, 1.08 * max(*spent, 1.0), PANEL_LEFT, RIGHT)
    y = Scale(*spread([*gains, 0.0], 0.12), bottom, PANEL_TOP)
    marks = []
    for i, w in enumerate(worths):
        at = x(spent[i]), y(gains[i])
        name = w.policy.name.replace("_", " ")
        chosen = w.policy.name == found.answer.recommended
        tip = f"{name}{', recommended' if chosen else ''}\n{spent[i]:.0f} min a night\n{number(gains[i], 1)} % depth"
        path = mark_path(mark_of(i)[1], *at, 8.0 if chosen else 5.5)
        marks.append(Mark(*at, None, None, path, f"series-{i % len(MARKERS)}", tip, "", i))
    key = [
        (w.policy.name.replace("_", " "), f"mark series-{i % len(MARKERS)}",
         mark_path(mark_of(i)[1], 8, 8, 5.5), False)
        for i, w in enumerate(worths)
    ]  # fmt: skip
    panel = Panel("depth gained against now (%)", PANEL_TOP, bottom, ticks_of(y), tuple(marks))
    label = f"Minutes spent and depth gained in each way; {found.answer.recommended.replace('_', ' ')} is recommended."
    return Picture(bottom + BELOW_PX, ticks_of(x), "minutes spent on focusing a night", (panel,), tuple(key), label)


def draw_middle_night(found: Interval) -> Picture:
    """Lay out the temperature of the middle night, and the focus error in it now and as recommended."""
    nights, night = found.nights, middle_night(found.nights)
    one = nights.part(slice(night, night + 1))
    stop = int(one.length_s[0] // one.step_s) + 1
    hours = np.arange(stop) * one.step_s / HOUR_S
    x = Scale(0.0, float(hours[-1]) or 1.0, PANEL_LEFT, RIGHT)
    celsius = one.temperature_c[0, :stop]
    top, low_top = PANEL_TOP + _LOW_PANEL_PX, PANEL_TOP + _LOW_PANEL_PX + BETWEEN_PX
    y = Scale(*spread(celsius.tolist(), 0.1, 0.5), top, PANEL_TOP)
    warm = Line("temperature", "warm", line_path(np.array([x(h) for h in hours]), np.array([y(c) for c in celsius])))
    panels = [Panel("temperature (°C)", PANEL_TOP, top, ticks_of(y, 3), lines=(warm,))]
    names = list(dict.fromkeys(("now", found.answer.recommended)))
    policies = [found.answer.worth(name).policy for name in names]
    traces = [_trace(one, found, policy) for policy in policies]
    band = found.behaviour.tolerance_steps
    reach = 1.1 * max([band, *(float(np.nanmax(np.abs(errors))) for _, errors, _ in traces if len(errors))])
    bottom = low_top + _PANEL_PX
    y = Scale(-reach, reach, bottom, low_top)
    lines, marks, key = [], [], []
    for i, (policy, (times, errors, runs)) in enumerate(zip(policies, traces, strict=True)):
        name = policy.name.replace("_", " ")
        lines.append(Line(name, _LOOKS[i], _broken_path(x, y, times, errors)))
        key.append((name, _LOOKS[i], "M1 8H23", True))
        for k, (hour, error) in enumerate(runs):
            at = x(hour), y(error)
            path = mark_path(MARKERS[i], *at, 3.6)
            marks.append(Mark(*at, None, None, path, "used", f"{name}: a focus run\n{hour:.1f} h", "", k))
    tolerance = Band(PANEL_LEFT, y(band), RIGHT - PANEL_LEFT, round(y(-band) - y(band), 2))
    panels.append(Panel("focus error (steps)", low_top, bottom, ticks_of(y), tuple(marks), tuple(lines), (tolerance,)))
    key.append(("tolerance", "band", "M2 2H22V14H2z", True))
    label = "The night of middle change: temperature, and focus error now and in the recommended way."
    return Picture(
        bottom + BELOW_PX, ticks_of(x), "hours since the start of the night", tuple(panels), tuple(key), label
    )


def _trace(one: Any, found: Interval, policy: Policy) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """Return hours and focus errors of a night on one draw, NaN at runs, and the runs."""
    rng = np.random.default_rng(0)
    seen = replay_policy(one, found.plan, found.behaviour, policy, rng=rng, draws=1, trace=True).trace
    if seen is None:
        return np.array([]), np.array([]), []
    runs = seen.after_run[:, 0, 0]
    start, stop = seen.start_s[:, 0, 0] / HOUR_S, seen.stop_s[:, 0, 0] / HOUR_S
    first, last = seen.error_start_steps[:, 0, 0], seen.error_stop_steps[:, 0, 0]
    times = np.stack([start, start, stop]).T.ravel()
    errors = np.stack([np.where(runs, np.nan, first), first, last]).T.ravel()
    return times, errors, [(float(h), float(e)) for h, e in zip(start[runs], first[runs], strict=True)]


def _broken_path(x: Scale, y: Scale, times: np.ndarray, values: np.ndarray) -> str:
    """Return a path that is broken where a value is not known."""
    path, pen = [], "M"
    for time, value in zip(times, values, strict=True):
        if np.isfinite(value) and np.isfinite(time):
            path.append(f"{pen}{x(float(time)):.1f} {y(float(value)):.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(path)


def draw_clock(found: Interval) -> Picture | None:
    """Lay out effective hours against the interval by the clock; None where it is flat."""
    every_min, hours = effective_hours_by_clock(found.nights, found.plan, found.behaviour, found.answer.clock)
    x = Scale(float(np.log(every_min[0])), float(np.log(every_min[-1])), PANEL_LEFT, RIGHT)
    bottom = PANEL_TOP + _PANEL_PX
    y = Scale(*spread(hours.tolist(), 0.1, 0.1), bottom, PANEL_TOP)
    ticks = [t for t in (5, 10, 15, 30, 60, 120, 240, 480, 960, 1920) if every_min[0] <= t <= every_min[-1]]
    marks = []
    for k, (every, value) in enumerate(zip(every_min.tolist(), hours.tolist(), strict=True)):
        at = x(float(np.log(every))), y(value)
        tip = f"every {every:.0f} min\n{value:.2f} effective hours"
        marks.append(Mark(*at, None, None, mark_path("o", *at, 3.2), "used", tip, "", k))
    line = Line("hours", "curve-main", line_path(np.array([m.x for m in marks]), np.array([m.y for m in marks])))
    setting = found.answer.clock.every_min
    uprights = (Upright(x(float(np.log(setting))), f"{setting:.0f} min"),) if setting else ()
    panel = Panel("effective hours a night", PANEL_TOP, bottom, ticks_of(y), tuple(marks), (line,), (), uprights)
    best = f" The best setting is {setting:.0f} min." if setting else ""
    label = f"Effective hours a night against the interval by the clock.{best}"
    x_marks = tuple(Tick(x(float(np.log(t))), str(t)) for t in ticks)
    return Picture(bottom + BELOW_PX, x_marks, "minutes between runs", (panel,), (), label)
