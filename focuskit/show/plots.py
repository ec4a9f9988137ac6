"""Pictures of a night: the curve of each run, what it leaves, and best positions over time.

Each draws into the axes it is given, or into a figure of its own; no window is opened.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from textwrap import fill
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.reasons import Reason
from focuskit.core.text import file_word, plain_text, round_pair, two_digits, write_picture
from focuskit.night import Night, RunResult
from focuskit.show.palette import BELOW_AND_ABOVE, COLOURS, GREY, INK, mark_of

# Which curves are drawn, how, and what the legend calls them.
_CURVES = (
    ("squared sizes", COLOURS["deep blue"], "-", 1.8, "curve through the squared sizes"),
    ("hyperbola", COLOURS["amber"], "--", 1.2, "hyperbola"),
    ("parabola", COLOURS["teal"], ":", 1.5, "parabola near focus"),
)
_FORMATS = ("png", "svg")
_DPI = 150


def plot_curve(result: RunResult, ax: Any = None) -> Any:
    """Draw sizes against position with the fitted curves, the best position and the tolerance.

    Frames set aside are open crosses. Returns the axes.
    """
    ax = _axes(ax, 4.8)
    fit, x, sizes = result.fit, np.array(result.positions), result.sizes
    used = np.array(fit.used, bool)
    if fit.best_position is not None:
        _draw_best(ax, result)
    reach = np.linspace(x.min(), x.max(), 300)
    top = float(np.nanmax(sizes.hfd_px[used])) * 1.08 if used.any() else None
    for name, colour, style, width, label in _CURVES:
        if name in fit.fits:
            y = fit.fits[name].size_at(reach)
            near = y <= (top or np.inf)
            ax.plot(reach[near], y[near], style, color=colour, lw=width, label=label, zorder=2)
    _draw_frames(ax, x, sizes.hfd_px, sizes.hfd_err_px, used, fit.why_not_used)
    if fit.look_near is not None:
        ax.axvline(fit.look_near, color=COLOURS["brick"], lw=1.2, ls=(0, (6, 3)),
                   label=f"centre the next sweep near {result.look_near}")  # fmt: skip
    if top is not None:
        low = float(np.nanmin(sizes.hfd_px[used]))
        ax.set_ylim(max(0.0, low - 0.3 * (top - low)), top + 0.04 * (top - low))
    ax.set(xlabel="focuser position (steps)", ylabel="half-flux diameter (px)")
    _title(ax, _run_title(result))
    _legend(ax)
    return ax


def plot_residuals(result: RunResult, ax: Any = None) -> Any:
    """Draw by how much each frame's size is off the curve, in per cent; returns the axes.

    Without a curve the picture says so.
    """
    ax = _axes(ax, 3.4)
    fit, x, sizes = result.fit, np.array(result.positions), result.sizes
    _title(ax, f"Off the curve · {_run_title(result)}")
    ax.set(xlabel="focuser position (steps)", ylabel="off the curve (%)")
    off = result.residuals_pct()
    if off is None:
        ax.text(0.5, 0.5, "no curve: the run failed", transform=ax.transAxes, ha="center", color=INK)
        return ax
    used = np.array(fit.used, bool)
    reach_x = np.linspace(x.min(), x.max(), 200)
    band = result.seeing_scatter_pct(reach_x)
    ax.fill_between(reach_x, -band, band, color=COLOURS["sand"], alpha=0.35, lw=0, label="scatter of the seeing")
    ax.axhline(0.0, color=COLOURS["deep blue"], lw=1.4)
    reach = 1.25 * max(float(np.nanmax(np.abs(off[used]))), 2.0)
    # What lies beyond is drawn at the edge.
    shown = np.clip(off, -0.95 * reach, 0.95 * reach)
    _draw_frames(ax, x, shown, 100 * sizes.hfd_err_px / (sizes.hfd_px / (1 + off / 100)), used, fit.why_not_used)
    ax.set_ylim(-reach, reach)
    _legend(ax)
    return ax


def plot_field(result: RunResult, ax: Any = None) -> Any:
    """Draw the best position over the sensor, from that of its middle, with the sizes in its corners.

    In each corner stands by how much stars are larger than in the middle, and what of it stays at the corner's own
    best position. Below it stands what the map says. Without a map the picture says so. Returns the axes.
    """
    from matplotlib.colors import LinearSegmentedColormap

    ax = _axes(ax, 6.2)
    ax.grid(False)
    _title(ax, f"Best position over the sensor · {_run_title(result)}")
    field = result.field
    if field is None:
        ax.text(0.5, 0.5, "no map: too few stars or frames", transform=ax.transAxes, ha="center", color=INK)
        return ax
    v, u = np.meshgrid(np.linspace(-0.5, 0.5, 61), np.linspace(-0.5, 0.5, 61), indexing="ij")
    away = field.away_um(u, v)
    x, y = (u + 0.5) * field.width_mm, (v + 0.5) * field.height_mm
    # A flat field is shown as flat, not as its noise.
    most = max(float(np.abs(away).max()), 3.0 * field.tilt_um_err, 3.0 * field.curvature_um_err)
    colours = LinearSegmentedColormap.from_list("below and above", BELOW_AND_ABOVE)
    ax.pcolormesh(x, y, away, cmap=colours, vmin=-most, vmax=most, shading="gouraud", rasterized=True)
    if field.tilt_seen or field.curvature_seen:
        lines = ax.contour(x, y, away, levels=7, colors=INK, linewidths=0.8)
        ax.clabel(lines, fmt=lambda um: f"{round(um)} µm".replace("-", "−"), fontsize="small")
    places = ((0.02, 0.97), (0.98, 0.97), (0.02, 0.03), (0.98, 0.03))
    for (at_x, at_y), corner in zip(places, field.corners, strict=True):
        larger, own, err = field.larger_pct(corner)
        text = f"HFD {round(larger)} % larger\n{' ± '.join(filter(None, round_pair(own, err)))} % at its own best"
        ax.text(
            at_x, at_y, text.replace("-", "−"), transform=ax.transAxes, fontsize="small", color=INK,
            ha="left" if at_x < 0.5 else "right", va="top" if at_y > 0.5 else "bottom",
            bbox={"facecolor": "white", "alpha": 0.8, "lw": 0, "pad": 2.5},
        )  # fmt: skip
    words = ["along the rows of the image (mm)", "", *(fill(hint, 105) for hint in field.hints)]
    ax.set(ylabel="down its columns (mm)", aspect="equal", xlim=(0, field.width_mm), ylim=(field.height_mm, 0))
    ax.set_xlabel("\n".join(words), loc="left", fontsize="small", parse_math=False)
    return ax


def plot_night(night: Night, ax: Any = None) -> Any:
    """Draw best positions over time by filter, with the temperature; returns the axes.

    Failed runs stand at the lower edge. Runs without a time are left out.
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, DateFormatter

    ax = _axes(ax, 4.8)
    timed = [run for run in night.runs if run.start is not None]
    for i, name in enumerate(filter_names(night)):
        mine = [r for r in timed if r.filter == name and r.fit.best_position is not None]
        if mine:
            colour, marker = mark_of(i)
            ax.errorbar([_naive(r.start) for r in mine], [r.fit.best_position for r in mine],
                        yerr=[r.fit.best_position_err for r in mine], fmt=marker, color=colour, ms=7.5, mec=INK,
                        mew=0.7, ecolor=INK, elinewidth=0.9, capsize=3, zorder=3,
                        label=f"filter {plain_text(name)}" if name else "no filter")  # fmt: skip
    failed = [_naive(r.start) for r in timed if r.fit.best_position is None]
    if failed:
        ax.plot(failed, [0.04] * len(failed), "x", color=COLOURS["brick"], mew=2, ms=7, label="failed",
                transform=ax.get_xaxis_transform())  # fmt: skip
    known = [(_naive(r.start), r.temperature_c) for r in timed if r.temperature_c is not None]
    handles, labels = ax.get_legend_handles_labels()
    if known:
        right = ax.twinx()
        (line,) = right.plot(*zip(*known, strict=True), color=GREY, lw=1.2, ls="--", label="temperature", zorder=1)
        right.set_ylabel("temperature (°C), dashed", color=INK)
        right.spines["top"].set_visible(False)
        right.margins(y=0.15)
        handles, labels = [*handles, line], [*labels, "temperature"]
        ax.set_zorder(right.get_zorder() + 1)
        ax.patch.set_visible(False)
    if timed:
        locator = AutoDateLocator(minticks=3, maxticks=8)
        ax.xaxis.set_major_locator(locator)
        one_night = _naive(timed[-1].start) - _naive(timed[0].start) < timedelta(days=1)
        ax.xaxis.set_major_formatter(DateFormatter("%H:%M") if one_night else ConciseDateFormatter(locator))
    ax.margins(x=0.06, y=0.2)
    ax.set(xlabel="time (UTC)", ylabel="best position (steps)")
    words = ["Best positions over the night", plain_text(night.rig.name or "unnamed rig")]
    if timed:
        words.append(f"{timed[0].start:%Y-%m-%d}")
    _title(ax, " · ".join(words))
    _legend(ax, handles, labels)
    return ax


def save_night_plots(night: Night, folder: str | Path, formats: Sequence[str] = _FORMATS) -> list[Path]:
    """Write the pictures of a night into ``folder`` and return their paths.

    ``night`` for all runs; ``run_01_L_curve`` and ``run_01_L_residuals`` for each run, and ``run_01_L_field``
    where the field could be mapped.

    Raises
    ------
    FocuskitError
        If a format is not png, svg or pdf, or a file cannot be written.
    """
    for name in formats:
        if name not in (*_FORMATS, "pdf"):
            raise FocuskitError(f"format {plain_text(name)}: plots are written as png, svg or pdf")
    pictures = [("night", plot_night(night))]
    for number, result in enumerate(night.runs, 1):
        stem = f"run_{number:02d}_{file_word(result.filter, 'nofilter')}"
        pictures += [(f"{stem}_curve", plot_curve(result)), (f"{stem}_residuals", plot_residuals(result))]
        pictures += [(f"{stem}_field", plot_field(result))] if result.field else []
    paths = []
    for stem, ax in pictures:
        for kind in formats:
            paths.append(write_picture(ax.figure, Path(folder) / f"{stem}.{kind}", kind, _DPI))
    return paths


def short_reason(why: Reason) -> str:
    """Return in a word or two why a frame was set aside."""
    return why.code.replace("_", " ")


def filter_names(night: Night) -> list[str | None]:
    """Return the filters of a night in the order in which they were first used."""
    return list(dict.fromkeys(run.filter for run in night.runs))


def own_axes(ax: Any, height: float) -> Any:
    """Return the axes that are given, or else those of a figure of their own, 8 inches wide."""
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    return Figure(figsize=(8.0, height), layout="constrained", facecolor="white").add_subplot()


def _axes(ax: Any, height: float) -> Any:
    ax = own_axes(ax, height)
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(GREY)
    ax.tick_params(color=GREY, labelcolor=INK)
    ax.grid(color=GREY, alpha=0.18, lw=0.8)
    ax.set_axisbelow(True)
    return ax


def _naive(moment: Any) -> Any:
    """Return a time in UTC as matplotlib wants it."""
    return moment.replace(tzinfo=None)


def _title(ax: Any, text: str) -> None:
    ax.set_title(text, loc="left", color=INK, fontsize="medium", fontweight="bold", parse_math=False)


def _legend(ax: Any, handles: Any = None, labels: Any = None) -> None:
    if handles is None:
        handles, labels = ax.get_legend_handles_labels()
    if handles:
        legend = ax.legend(handles, labels, fontsize="small", frameon=False, labelcolor=INK, ncols=3,
                           loc="upper left", bbox_to_anchor=(0.0, -0.14 * 4.8 / ax.figure.get_figheight()))  # fmt: skip
        for text in legend.get_texts():
            text.set_parse_math(False)


def _run_title(result: RunResult) -> str:
    start = result.start
    words = [plain_text(result.filter or "no filter"), f"{start:%Y-%m-%d %H:%M} UTC" if start else "no time"]
    return " · ".join([*words, result.fit.verdict])


def _draw_best(ax: Any, result: RunResult) -> None:
    fit = result.fit
    best, err = fit.best_position, fit.best_position_err
    assert best is not None and err is not None
    if fit.tolerance_steps:
        ax.axvspan(best - fit.tolerance_steps, best + fit.tolerance_steps, color=COLOURS["sand"], alpha=0.35, lw=0,
                   label=f"tolerance ±{two_digits(fit.tolerance_steps)} steps (5 % in size)")  # fmt: skip
    ax.axvspan(best - err, best + err, color=COLOURS["plum"], alpha=0.3, lw=0)
    value, error = round_pair(best, err)
    ax.axvline(best, color=COLOURS["plum"], lw=1.2, label=f"best position {value} ± {error}")


def _draw_frames(
    ax: Any, x: np.ndarray, y: np.ndarray, err: np.ndarray, used: np.ndarray, why: Sequence[Reason | None]
) -> None:
    aside = ~used & np.isfinite(y)
    ax.errorbar(x[used], y[used], yerr=err[used], fmt="o", color=COLOURS["deep blue"], ms=5.5, mec="white", mew=0.7,
                ecolor=COLOURS["deep blue"], elinewidth=1, capsize=2.5, zorder=3, label="frames")  # fmt: skip
    if aside.any():
        ax.plot(x[aside], y[aside], "x", color=COLOURS["brick"], ms=8, mew=1.8, zorder=3, label="set aside")
        for *place, reason in zip(x, y, why, strict=True):
            if reason and np.isfinite(place[1]):
                ax.annotate(short_reason(reason), place, (7, 5), textcoords="offset points", fontsize="x-small",
                            color=INK, parse_math=False)  # fmt: skip
    unseen = ~used & ~np.isfinite(y)
    if unseen.any():
        ax.plot(x[unseen], [0.03] * int(unseen.sum()), "|", color=COLOURS["brick"], ms=11, mew=1.8,
                transform=ax.get_xaxis_transform(), label="no stars")  # fmt: skip
