"""Pictures of an interval: what each way costs and gives, one night under each way, how often by the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from focuskit.core.palette import STROKES
from focuskit.core.picture import WHOLE, Axis, Band, Layer, Line, Panel, Picture, Points, axis_of, series
from focuskit.core.text import number

if TYPE_CHECKING:
    from focuskit.refocus.answer import Interval

_CLOCK_TICKS = (5, 10, 15, 30, 60, 120, 240, 480, 960, 1920)  # min


def ways_picture(found: Interval) -> Picture:
    """Describe minutes spent against depth gained, a point for each way; the recommended one is larger."""
    worths, recommended = found.answer.worths, found.answer.recommended
    points = []
    for i, w in enumerate(worths):
        chosen = w.policy.name == recommended
        tip = (f"{w.policy.words}{', recommended' * chosen}\n{w.minutes_spent:.0f} min a night\n"
               f"{number(w.depth_gained_pct, 1)} % depth")  # fmt: skip
        points.append(Points([w.minutes_spent], [w.depth_gained_pct], size=8.0 if chosen else 5.5,
                             name=w.policy.words, tips=[tip], **series(i)))  # fmt: skip
    y = axis_of("depth gained against now (%)", [0.0, *(w.depth_gained_pct for w in worths)], 0.12)
    x = Axis("minutes spent on focusing a night", 0.0, 1.08 * max(1.0, *(w.minutes_spent for w in worths)))
    label = f"Minutes spent and depth gained in each way; {recommended.replace('_', ' ')} is recommended."
    return Picture("What each way costs and gives", label, x, (Panel(y, tuple(points)),))


def night_picture(found: Interval) -> Picture:
    """Describe the temperature of the middle night, and the focus error in it under each way, on one draw of the drift.

    A gap in a line, with a mark, is a focus run; the band is the tolerance. Without temperatures there is no panel of
    them.
    """
    night, tolerance = found.typical_night, found.behaviour.tolerance_steps
    shown = {found.answer.recommended: "main", "now": "second"}
    others = iter([look for look in list(STROKES)[:8] if look not in shown.values()])
    layers: list[Layer] = [Band(WHOLE, -tolerance, tolerance, name="tolerance"),
                                          Line(WHOLE, np.zeros(2), "quiet")]  # fmt: skip
    reach = tolerance
    for i, one in enumerate(night.replays):
        asked = one.policy.name not in shown
        look, name = shown.get(one.policy.name) or next(others), one.policy.words
        hours, errors = one.trace.run_ends()
        line = one.trace.line()
        reach = max(reach, float(np.nanmax(np.abs(line[1]))))
        tips = [f"{name}: a focus run\n{hour:.1f} h" for hour in hours]
        layers.append(Line(*line, look, name, on_request=asked))
        layers.append(Points(hours, errors, STROKES[look].colour, series(i)["marker"], 3.6, tips=tips, with_line=name))
    errors_of_focus = Panel(Axis(f"focus error ({found.behaviour.unit})", -1.1 * reach, 1.1 * reach), tuple(layers))
    x = Axis("hours since the start of the night", 0.0, float(night.hours[-1]) or 1.0)
    if not found.behaviour.has_temperatures:
        return Picture("One night", "One night: focus error in each way.", x, (errors_of_focus,))
    warm = Panel(axis_of("temperature (°C)", night.temperature_c, 0.1, 0.5),
                 (Line(night.hours, night.temperature_c, "quiet"),), 90.0)  # fmt: skip
    label = "The night of middle change: temperature, and focus error in each way."
    return Picture("One night: the one that changes by the middle amount", label, x, (warm, errors_of_focus))


def clock_picture(found: Interval) -> Picture:
    """Describe effective hours a night against the interval by the clock, its setting marked."""
    every_min, hours = found.hours_by_clock
    setting = found.answer.clock.every_min
    tips = [f"every {e:.0f} min\n{h:.2f} effective hours" for e, h in zip(every_min, hours, strict=True)]
    layers: list[Layer] = [Line(every_min, hours), Points(every_min, hours, size=3.2, tips=tips)]
    best = ""
    if setting is not None:
        layers.insert(1, Line(np.full(2, setting), WHOLE, "advice", word=f"{setting:.0f} min"))
        best = f" The best setting is {setting:.0f} min."
    label = f"Effective hours a night against the interval by the clock.{best}"
    x = Axis("minutes between runs", every_min[0] / 1.1, every_min[-1] * 1.1, "log", at=_CLOCK_TICKS)
    panel = Panel(axis_of("effective hours a night", hours, 0.1, 0.1), tuple(layers))
    return Picture("Runs by the clock: how often", label, x, (panel,))
