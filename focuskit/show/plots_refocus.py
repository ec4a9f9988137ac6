"""Pictures of refocusing: a typical night under each policy, and effective hours against the interval."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from focuskit.core.errors import FocuskitError
from focuskit.core.text import write_picture
from focuskit.refocus import Interval
from focuskit.show.palette import COLOURS, GREY, INK, mark_of
from focuskit.show.plots import own_axes


def plot_temperature(found: Interval, ax: Any = None) -> Any:
    """Draw the temperature of the typical night; returns the axes."""
    ax = own_axes(ax, 4.0)
    ax.plot(found.typical_night.hours, found.typical_night.temperature_c, color=INK)
    ax.set(xlabel="hours since the start of the night", ylabel="temperature (°C)")
    return ax


def plot_focus_error(found: Interval, ax: Any = None) -> Any:
    """Draw the focus error of the typical night under each policy, on one draw of the true drift.

    The band is the tolerance (5 % in HFD); a gap with a mark is a focus run. Returns the axes.
    """
    ax = own_axes(ax, 4.0)
    band = found.behaviour.tolerance_steps
    ax.axhspan(-band, band, color=COLOURS["sand"], alpha=0.35, lw=0)
    for i, one in enumerate(found.typical_night.replays):
        colour, marker = mark_of(i)
        ax.plot(*one.trace.line(), color=colour, lw=1.3, label=one.policy.words)
        ax.plot(*one.trace.run_ends(), marker, ms=5, color=colour)
    ax.axhline(0.0, color=GREY, lw=0.8)
    ax.set(xlabel="hours since the start of the night", ylabel="focus error (steps)")
    ax.legend(ncols=2, fontsize="small", frameon=False)
    return ax


def plot_effective_hours(found: Interval, ax: Any = None) -> Any:
    """Draw effective hours per night against the interval by the clock, its best setting marked.

    Where the setting is never, intervals up to four nights are drawn. Returns the axes.
    """
    ax = own_axes(ax, 4.0)
    every_min, hours = found.hours_by_clock
    setting = found.answer.clock.every_min
    ax.semilogx(every_min, hours, "o-", color=COLOURS["deep blue"], ms=4)
    if setting is not None:
        ax.axvline(setting, color=COLOURS["amber"], lw=2)
        ax.annotate(f"{setting:.0f} min", (setting, hours.min()), (5, 0),
                    textcoords="offset points", color=INK)  # fmt: skip
    ticks = [t for t in (5, 10, 15, 30, 60, 120, 240, 480, 960, 1920) if every_min[0] <= t <= every_min[-1]]
    ax.set_xticks(ticks, [str(t) for t in ticks])
    ax.set_xticks([], minor=True)
    ax.set(xlabel="minutes between runs", ylabel="effective hours per night")
    return ax


def save_interval_plot(found: Interval, path: Path) -> Path:
    """Write one picture: temperature, focus error under each policy, effective hours; return its path.

    The night is the one whose temperature changes by the middle amount.

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
    top, middle, low = figure.subplots(3, 1, height_ratios=(1, 2, 1.4))
    plot_temperature(found, top)
    plot_focus_error(found, middle)
    plot_effective_hours(found, low)
    return write_picture(figure, path, kind, 100)
