"""Pictures of results for figures and files: each draws into the axes it is given, or into a figure of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from focuskit.core.errors import FocuskitError
from focuskit.core.picture import Axis, Panel, Picture, Text
from focuskit.core.text import file_word, plain_text, write_picture
from focuskit.drift import Drift
from focuskit.night import Night, RunResult
from focuskit.refocus import Interval
from focuskit.show.figures import draw_picture

_FORMATS = ("png", "svg")
_DPI = 150


def plot_curve(result: RunResult, ax: Any = None) -> Any:
    """Draw sizes against position with the fitted curves, the best position and the tolerance.

    Frames set aside are crosses. Returns the axes.
    """
    return _draw(result.picture(), ax, 0)


def plot_residuals(result: RunResult, ax: Any = None) -> Any:
    """Draw by how much each frame's size is off the curve, in per cent; returns the axes.

    Without a curve the picture says so.
    """
    picture = result.picture()
    return _draw(replace(picture, title=f"Off the curve · {picture.title}"), ax, 1)


def plot_field(result: RunResult, ax: Any = None) -> Any:
    """Draw the best position over the sensor, from that of its middle, with the sizes in its corners.

    In each corner stands by how much stars are larger than in the middle, and what of it stays at the corner's own
    best position. Below it stands what the map says. Without a map the picture says so. Returns the axes.
    """
    title = f"Best position over the sensor (µm) · {result.picture().title}"
    if result.field:
        return _draw(result.field.picture(title, in_corners=True), ax)
    words = "no map: too few stars or frames"
    nothing = Panel(Axis("", 0.0, 1.0), (Text(0.5, 0.5, words),))
    return _draw(Picture(title, words, Axis("", 0.0, 1.0), (nothing,)), ax)


def plot_night(night: Night, ax: Any = None) -> Any:
    """Draw best positions over time by filter, with temperature and seeing in panels below; returns the upper axes.

    Failed runs stand at the lower edge. Runs without a time are left out.
    """
    return _draw(night.picture(), ax)


def plot_drift(drift: Drift, ax: Any = None) -> Any:
    """Draw position against temperature, offsets and rebuilds taken out; returns the axes."""
    return _draw(drift.picture(), ax)


def plot_drift_residuals(drift: Drift, ax: Any = None) -> Any:
    """Draw residuals over time, with rebuilds and runs set aside marked; returns the axes."""
    return _draw(drift.residuals_picture(), ax)


def plot_offsets(drift: Drift, ax: Any = None) -> Any:
    """Draw offsets with their errors, the tolerance about each; returns the axes."""
    return _draw(drift.offsets_picture(), ax)


def plot_effective_hours(found: Interval, ax: Any = None) -> Any:
    """Draw effective hours per night against the interval by the clock, its best setting marked.

    Where the setting is never, intervals up to four nights are drawn. Returns the axes.
    """
    return _draw(found.picture(), ax)


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


def save_drift_plots(drift: Drift, folder: Path) -> list[Path]:
    """Write the three pictures as PNG into ``folder`` and return their paths."""
    paths = []
    for name, draw in (("drift", plot_drift), ("residuals", plot_drift_residuals), ("offsets", plot_offsets)):
        paths.append(write_picture(draw(drift).figure, folder / f"{name}.png", "png", _DPI))
    return paths


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
    top, low = figure.subplots(2, 1, height_ratios=(2, 1))
    draw_picture(found.night_picture(), top)
    plot_effective_hours(found, low)
    return write_picture(figure, path, kind, _DPI)


def _draw(picture: Picture, ax: Any, panel: int | None = None) -> Any:
    """Draw a picture, or one of its panels alone."""
    if panel is not None:
        picture = replace(picture, panels=(replace(picture.panels[panel], height=234.0 if panel == 0 else 170.0),))
    return draw_picture(picture, ax)
