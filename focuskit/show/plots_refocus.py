"""Pictures of refocusing: the night under each policy, and effective hours against the interval."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.text import write_picture
from focuskit.frames import HOUR_S
from focuskit.refocus import (
    FocusBehaviour,
    Interval,
    NightPlan,
    Nights,
    Policy,
    effective_hours_by_clock,
    middle_night,
    replay_policy,
)
from focuskit.show.palette import COLOURS, GREY, INK, mark_of


def _axes(ax: Any, width: float = 8.0, height: float = 4.0) -> Any:
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained").add_subplot()


def plot_temperature(nights: Nights, night: int = 0, ax: Any = None) -> Any:
    """Draw the temperature of one night; returns the axes."""
    ax = _axes(ax)
    stop = int(nights.length_s[night] // nights.step_s) + 1
    hours = np.arange(stop) * nights.step_s / HOUR_S
    ax.plot(hours, nights.temperature_c[night, :stop], color=INK)
    ax.set(xlabel="hours since the start of the night", ylabel="temperature (°C)")
    return ax


def plot_focus_error(
    nights: Nights,
    plan: NightPlan,
    behaviour: FocusBehaviour,
    policies: list[Policy],
    night: int = 0,
    ax: Any = None,
) -> Any:
    """Draw the focus error of one night under each policy, on one draw of the true drift.

    The band is the tolerance (5 % in HFD); a gap with a mark is a focus run. Returns the axes.
    """
    ax = _axes(ax)
    band = behaviour.tolerance_steps
    ax.axhspan(-band, band, color=COLOURS["sand"], alpha=0.35, lw=0)
    one = nights.part(slice(night, night + 1))
    for i, policy in enumerate(policies):
        seen = replay_policy(one, plan, behaviour, policy, rng=np.random.default_rng(0), draws=1, trace=True).trace
        if seen is None:
            continue
        gap = np.where(seen.after_run[:, 0, 0], np.nan, seen.error_start_steps[:, 0, 0])
        times = np.stack([seen.start_s, seen.start_s, seen.stop_s])[:, :, 0, 0].T.ravel() / HOUR_S
        errors = np.stack([gap, seen.error_start_steps[:, 0, 0], seen.error_stop_steps[:, 0, 0]]).T.ravel()
        colour, marker = mark_of(i)
        ax.plot(times, errors, color=colour, lw=1.3, label=policy.name.replace("_", " "))
        runs = seen.after_run[:, 0, 0]
        ax.plot(seen.start_s[runs, 0, 0] / HOUR_S, seen.error_start_steps[runs, 0, 0], marker, ms=5,
                color=colour)  # fmt: skip
    ax.axhline(0.0, color=GREY, lw=0.8)
    ax.set(xlabel="hours since the start of the night", ylabel="focus error (steps)")
    ax.legend(ncols=2, fontsize="small", frameon=False)
    return ax


def plot_effective_hours(
    nights: Nights, plan: NightPlan, behaviour: FocusBehaviour, clock: Policy, ax: Any = None
) -> Any:
    """Draw effective hours per night against the interval of a clock policy, its setting marked.

    Where the setting is never, intervals up to four nights are drawn. Returns the axes.
    """
    ax = _axes(ax)
    every_min, hours = effective_hours_by_clock(nights, plan, behaviour, clock)
    ax.semilogx(every_min, hours, "o-", color=COLOURS["deep blue"], ms=4)
    if clock.every_min is not None:
        ax.axvline(clock.every_min, color=COLOURS["amber"], lw=2)
        ax.annotate(f"{clock.every_min:.0f} min", (clock.every_min, hours.min()), (5, 0),
                    textcoords="offset points", color=INK)  # fmt: skip
    ticks = [t for t in (5, 10, 15, 30, 60, 120, 240, 480, 960, 1920) if every_min[0] <= t <= every_min[-1]]
    ax.set_xticks(ticks, [str(t) for t in ticks])
    ax.set_xticks([], minor=True)
    ax.set(xlabel="minutes between runs", ylabel="effective hours per night")
    return ax


def save_interval_plot(found: Interval, path: Path) -> Path:
    """Write one picture: temperature, focus error under each policy, effective hours; return its path.

    The night drawn is the one whose temperature changes by the middle amount.

    Raises
    ------
    FocuskitError
        If the name has no ending of a picture, or the file cannot be written.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 10.0), layout="constrained")
    kind = path.suffix.lower().removeprefix(".")
    if kind not in figure.canvas.get_supported_filetypes():
        raise FocuskitError(f"{path}: give a name that ends in .png, .svg or .pdf")
    nights, plan, behaviour, night = found.nights, found.plan, found.behaviour, middle_night(found.nights)
    top, middle, low = figure.subplots(3, 1, height_ratios=(1, 2, 1.4))
    plot_temperature(nights, night, top)
    policies = [w.policy for w in found.answer.worths]
    plot_focus_error(nights, plan, behaviour, policies, night, middle)
    plot_effective_hours(nights, plan, behaviour, found.answer.clock, low)
    return write_picture(figure, path, kind, 100)
