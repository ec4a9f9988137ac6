"""Pictures of drift and offsets: each draws into the axes it is given."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from focuskit.core.text import plain_text, write_picture
from focuskit.drift import Drift
from focuskit.show.palette import GREY, INK, mark_of
from focuskit.show.plots import own_axes


def _scattered(ax: Any, drift: Drift, x: Any, y: np.ndarray) -> None:
    """Draw one point per used run, each filter in its own colour and mark."""
    for i, one in enumerate(drift.filters):
        member = [j for j, run in enumerate(drift.used) if _same(run.filter, one.filter)]
        if member:
            colour, marker = mark_of(i)
            look = {"color": colour, "markersize": 5.0, "markeredgecolor": "white", "markeredgewidth": 0.5}
            ax.plot([x[j] for j in member], y[member], marker, label=_name(one.filter), **look)


def _name(filter_name: str | None) -> str:
    """Return a filter's name as it is drawn: a dollar begins no formula."""
    return plain_text(filter_name or "no filter").replace("$", r"\$")


def _same(one: str | None, other: str | None) -> bool:
    return (one or "").casefold() == (other or "").casefold()


def plot_drift(drift: Drift, ax: Any = None) -> Any:
    """Position against temperature, offsets and rebuilds taken out; returns the axes."""
    ax = own_axes(ax, 4.5)
    temperature_c = np.array([run.temperature_c for run in drift.used], dtype=float)
    line = np.linspace(*drift.range_c, 100)
    on_line = drift.change_with_temperature(temperature_c)
    _scattered(ax, drift, temperature_c, on_line + drift.residuals_steps)
    label = "no drift known" if drift.steps_per_c is None else f"{drift.steps_per_c:+.2f} steps per °C"
    ax.plot(line, drift.change_with_temperature(line), color=INK, linewidth=1.2, zorder=1, label=label)
    ax.set(xlabel="temperature (°C)", ylabel=f"position less that at {drift.reference_c:g} °C (steps)",
           title="Focus against temperature, offsets and rebuilds taken out")  # fmt: skip
    ax.legend(fontsize="small", ncols=2)
    return ax


def plot_residuals(drift: Drift, ax: Any = None) -> Any:
    """Residuals over time, with rebuilds and runs set aside marked; returns the axes."""
    ax = own_axes(ax, 4.5)
    times = [run.time.replace(tzinfo=None) for run in drift.used]
    _scattered(ax, drift, times, drift.residuals_steps)
    ax.axhline(0.0, color=INK, linewidth=0.8)
    if drift.tolerance_steps:
        ax.axhspan(-drift.tolerance_steps, drift.tolerance_steps, color=GREY, alpha=0.15, linewidth=0.0,
                   label="tolerance")  # fmt: skip
    for i, rebuild in enumerate(drift.rebuilds):
        ax.axvline(rebuild.time.replace(tzinfo=None), color=INK, linestyle="--", linewidth=1.2,
                   label="rebuild" if i == 0 else None)  # fmt: skip
    wild = [one.run.time.replace(tzinfo=None) for one in drift.outliers]
    if wild:
        ax.plot(
            wild,
            np.full(len(wild), 0.02),
            "x",
            color=INK,
            transform=ax.get_xaxis_transform(),
            label="set aside",
        )
    ax.set(xlabel="time (UTC)", ylabel="residual (steps)", title="What the model leaves, over time")
    ax.tick_params(axis="x", rotation=25)
    ax.legend(fontsize="small", ncols=3)
    return ax


def plot_offsets(drift: Drift, ax: Any = None) -> Any:
    """Offsets with their errors, the tolerance around each; returns the axes."""
    ax = own_axes(ax, 3.5)
    names = [_name(one.filter) for one in drift.filters]
    for i, one in enumerate(drift.filters):
        if one.offset_steps is None:
            ax.text(i, 0.0, "not known", ha="center", va="bottom", fontsize="small", color=INK)
            continue
        if drift.tolerance_steps:
            low, label = one.offset_steps - drift.tolerance_steps, "tolerance" if i == 0 else None
            ax.bar(i, 2.0 * drift.tolerance_steps, 0.5, low, color=GREY, alpha=0.25, label=label)
            ax.update_datalim([(i, 1.05 * low)])  # the end of a bar would lie on the edge
        colour, marker = mark_of(i)
        ax.errorbar(i, one.offset_steps, yerr=one.err, fmt=marker, color=colour, capsize=4.0, ecolor=INK)
    ax.axhline(0.0, color=INK, linewidth=0.8)
    ax.set_xticks(range(len(names)), names)
    ax.set(ylabel=f"offset from {names[0]} (steps)", title="Filter offsets, one standard deviation")
    if drift.tolerance_steps:
        ax.legend(fontsize="small")
    return ax


def save_drift_plots(drift: Drift, folder: Path) -> list[Path]:
    """Write the three pictures as PNG into ``folder`` and return their paths."""
    paths = []
    for name, draw in (("drift", plot_drift), ("residuals", plot_residuals), ("offsets", plot_offsets)):
        paths.append(write_picture(draw(drift).figure, folder / f"{name}.png", "png", 120))
    return paths
