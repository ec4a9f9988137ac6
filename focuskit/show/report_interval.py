"""What the report says of when to refocus."""

from __future__ import annotations

from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.text import plain_text
from focuskit.refocus import HourOfNight, Interval, Worth
from focuskit.show.palette import MARKERS
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
    series_key,
    series_mark,
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
    between = answer.spread_of_nights_min
    told = answer.advice[len(best.what) :].removeprefix(": ")
    return {
        "answer": _true_minus(f"{best.what[0].upper()}{best.what[1:]}."),
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
        "between": [f"{every:.0f}" for every in between] if between and len(answer.by_night_min) > 2 else None,
        "kept": answer.kept_on_other_nights_pct,
        "levers": [
            (one.words, f"{one.low:.3g}".replace("-", "−"), _minutes(one.every_min_low),
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
        "name": policy.words,
        "what": _true_minus(worth.what),
        "mark": series_mark(i),
        "spent": worth.minutes_spent,
        "chosen": policy.name == found.answer.recommended,
    }


def _hour(one: HourOfNight) -> dict[str, Any]:
    return {
        "hour": one.hour,
        "change": f"{number(one.change_c_per_h, 2)} ± {one.spread_c_per_h:.2f}",
        "every": _minutes(one.every_min),
        "value": one.every_min,
    }


# Pictures -------------------------------------------------------------------------------------


def draw_worths(found: Interval) -> Picture:
    """Lay out what each way costs and gives: minutes spent against depth gained."""
    worths = found.answer.worths
    spent = [w.minutes_spent for w in worths]
    gains = [w.depth_gained_pct for w in worths]
    bottom = PANEL_TOP + _PANEL_PX
    x = Scale(0.0, 1.08 * max(*spent, 1.0), PANEL_LEFT, RIGHT)
    y = Scale(*spread([*gains, 0.0], 0.12), bottom, PANEL_TOP)
    marks = []
    for i, w in enumerate(worths):
        at = x(spent[i]), y(gains[i])
        name = w.policy.words
        chosen = w.policy.name == found.answer.recommended
        tip = f"{name}{', recommended' if chosen else ''}\n{spent[i]:.0f} min a night\n{number(gains[i], 1)} % depth"
        look, path = series_mark(i, *at, 8.0 if chosen else 5.5)
        marks.append(Mark(*at, None, None, path, look, tip, "", i))
    key = series_key(w.policy.words for w in worths)
    panel = Panel("depth gained against now (%)", PANEL_TOP, bottom, ticks_of(y), tuple(marks))
    label = f"Minutes spent and depth gained in each way; {found.answer.recommended.replace('_', ' ')} is recommended."
    return Picture(bottom + BELOW_PX, ticks_of(x), "minutes spent on focusing a night", (panel,), tuple(key), label)


def draw_middle_night(found: Interval) -> Picture:
    """Lay out the temperature of the middle night, and the focus error in it now and as recommended."""
    night = found.typical_night
    x = Scale(0.0, float(night.hours[-1]) or 1.0, PANEL_LEFT, RIGHT)
    top, low_top = PANEL_TOP + _LOW_PANEL_PX, PANEL_TOP + _LOW_PANEL_PX + BETWEEN_PX
    y = Scale(*spread(night.temperature_c.tolist(), 0.1, 0.5), top, PANEL_TOP)
    across, up = np.array([x(h) for h in night.hours]), np.array([y(c) for c in night.temperature_c])
    warm = Line("temperature", "warm", line_path(across, up))
    panels = [Panel("temperature (°C)", PANEL_TOP, top, ticks_of(y, 3), lines=(warm,))]
    replays = [one for one in night.replays if one.policy.name in ("now", found.answer.recommended)]
    band = found.behaviour.tolerance_steps
    reach = 1.1 * max([band, *(float(np.nanmax(np.abs(one.trace.line()[1]))) for one in replays)])
    bottom = low_top + _PANEL_PX
    y = Scale(-reach, reach, bottom, low_top)
    lines, marks, key = [], [], []
    for i, one in enumerate(replays):
        name = one.policy.words
        lines.append(Line(name, _LOOKS[i], _broken_path(x, y, *one.trace.line())))
        key.append((name, _LOOKS[i], "M1 8H23", True))
        for k, (hour, error) in enumerate(zip(*one.trace.run_ends(), strict=True)):
            at = x(float(hour)), y(float(error))
            path = mark_path(MARKERS[i], *at, 3.6)
            marks.append(Mark(*at, None, None, path, "used", f"{name}: a focus run\n{hour:.1f} h", "", k))
    tolerance = Band(PANEL_LEFT, y(band), RIGHT - PANEL_LEFT, round(y(-band) - y(band), 2))
    panels.append(Panel("focus error (steps)", low_top, bottom, ticks_of(y), tuple(marks), tuple(lines), (tolerance,)))
    key.append(("tolerance", "band", "M2 2H22V14H2z", True))
    label = "The night of middle change: temperature, and focus error now and in the recommended way."
    return Picture(
        bottom + BELOW_PX, ticks_of(x), "hours since the start of the night", tuple(panels), tuple(key), label
    )


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


def draw_clock(found: Interval) -> Picture:
    """Lay out effective hours against the interval by the clock."""
    every_min, hours = found.hours_by_clock
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
