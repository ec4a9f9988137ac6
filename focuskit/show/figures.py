"""Pictures drawn with matplotlib: into axes that are given, or into a figure of their own; no window is opened."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from focuskit.core.palette import SCHEMES, STROKES
from focuskit.core.picture import Axis, Band, Cells, Line, Panel, Picture, Points, Text

_COLOUR = SCHEMES["light"]
_WIDTH_IN, _PX_IN = 8.0, 70.0  # of a figure, and a picture's px to the inch
_AROUND_IN, _LINE_IN = 1.4, 0.35  # the title, the x axis and the key; a note
_LETTERS = 95  # of a line of notes
_EDGE = 0.03  # from the edge, in heights of the panel, stand points that lie beyond it


def draw_picture(picture: Picture, ax: Any = None) -> Any:
    """Draw the panels into the place of ``ax``, or into a figure of their own; return the uppermost axes."""
    heights = [panel.height or _equal_height(panel, picture.x) for panel in picture.panels]
    below = [picture.x.name, *(f"\n{fill(note, _LETTERS)}" for note in picture.notes)]
    if ax is None:
        from matplotlib.figure import Figure

        high = _AROUND_IN + sum(heights) / _PX_IN + _LINE_IN * sum(words.count("\n") for words in below)
        ax = Figure(figsize=(_WIDTH_IN, high), layout="constrained", facecolor="white").add_subplot()
    axes = _stack(ax, heights)
    for panel, own in zip(picture.panels, axes, strict=True):
        _draw_panel(panel, picture.x, own)
        own.tick_params(labelbottom=own is axes[-1])
        if own is not ax:
            own.set_title(panel.y.name, loc="left", fontsize="small", color=_COLOUR["ink"], parse_math=False)
            own.set_ylabel("")
    axes[-1].set_xlabel("\n".join(below), parse_math=False, loc="left" if picture.notes else "center")
    look = {"fontsize": "medium", "fontweight": "bold", "color": _COLOUR["ink"]}
    ax.set_title(picture.title, loc="left", parse_math=False, **look)
    _draw_key(picture, axes)
    return ax


def _equal_height(panel: Panel, x: Axis) -> float:
    return 0.85 * _WIDTH_IN * _PX_IN * abs((panel.y.high - panel.y.low) / (x.high - x.low))


def _stack(ax: Any, heights: Sequence[float]) -> list[Any]:
    """Return axes above each other in the place of the ones that are given, which are the uppermost."""
    if len(heights) == 1:
        return [ax]
    spec, figure = ax.get_subplotspec(), ax.figure
    if spec is None:
        box = ax.get_position()
        grid = figure.add_gridspec(len(heights), 1, left=box.x0, right=box.x1, bottom=box.y0, top=box.y1,
                                   height_ratios=heights)  # fmt: skip
        ax.set_position(grid[0].get_position(figure))
    else:
        grid = spec.subgridspec(len(heights), 1, height_ratios=heights)
        ax.set_subplotspec(grid[0])
    return [ax, *(figure.add_subplot(grid[k], sharex=ax) for k in range(1, len(heights)))]


def _draw_panel(panel: Panel, x: Axis, ax: Any) -> None:
    ax.spines[["top", "right"]].set_visible(panel.height is None)
    ax.spines[["left", "bottom"]].set_color(_COLOUR["quiet"])
    ax.tick_params(color=_COLOUR["quiet"], labelcolor=_COLOUR["ink"])
    if panel.height is not None:
        ax.grid(color=_COLOUR["line"], lw=0.8, alpha=0.7)
    ax.set_axisbelow(True)
    ax.set_ylabel(panel.y.name, color=_COLOUR["ink"], parse_math=False)
    if x.kind == "log":
        ax.set_xscale("log")
    if x.kind == "time":
        ax.xaxis_date()
    for layer in panel.layers:
        if isinstance(layer, Line):
            _draw_line(layer, panel, x, ax)
        elif isinstance(layer, Band):
            across = _places(x, layer.x)
            low, high = (np.broadcast_to(_places(panel.y, edge), across.shape) for edge in (layer.low, layer.high))
            ax.fill_between(across, low, high, color=_COLOUR[layer.colour], lw=0, zorder=0.3, **_label(layer.name, ax))
            _write(ax, 0.5 * (across[0] + across[-1]), 0.5 * (low[0] + high[0]), layer.words, va="center")
        elif isinstance(layer, Points):
            _draw_points(layer, panel, x, ax)
        elif isinstance(layer, Text):
            box = {"facecolor": "white", "alpha": 0.8, "lw": 0, "pad": 2.5}
            to = {"middle": "center", "start": "left", "end": "right"}[layer.to]
            _write(ax, _places(x, layer.x), _places(panel.y, layer.y), layer.words, ha=to, va="center", bbox=box)
        elif isinstance(layer, Cells):
            from matplotlib.colors import LinearSegmentedColormap

            colours = LinearSegmentedColormap.from_list("", (_COLOUR["series-1"], "#ffffff", _COLOUR["series-4"]))
            ax.imshow(layer.values, cmap=colours, vmin=-layer.most, vmax=layer.most, interpolation="bilinear",
                      extent=(x.low, x.high, panel.y.low, panel.y.high))  # fmt: skip
    ax.set(xlim=_places(x, [x.low, x.high]), ylim=(panel.y.low, panel.y.high))
    _set_ticks(ax.xaxis, x, 8)
    _set_ticks(ax.yaxis, panel.y, 6)


def _set_ticks(mpl_axis: Any, axis: Axis, most: int) -> None:
    at, words = zip(*(axis.ticks(most) if axis.name else []), strict=True) if axis.name else ((), ())
    mpl_axis.set_ticks(_places(axis, at), words)
    mpl_axis.set_ticks([], minor=True)
    for label in mpl_axis.get_ticklabels():
        label.set_parse_math(False)


def _places(axis: Axis, values: ArrayLike) -> np.ndarray:
    """Return values as matplotlib wants them; those beyond the axis lie at its ends."""
    from matplotlib.dates import date2num

    low, high = sorted((axis.low, axis.high))
    at = np.asarray(values, float).clip(low, high)
    return at / 86400.0 + float(date2num(np.datetime64(0, "s"))) if axis.kind == "time" else at


def _draw_line(line: Line, panel: Panel, x: Axis, ax: Any) -> None:
    colour, width, dash = STROKES[line.look]
    across, up = np.broadcast_arrays(_places(x, line.x), _places(panel.y, line.y))
    style = (0, [length / width for length in dash]) if dash else "-"
    ax.plot(across, up, color=_COLOUR[colour], lw=width, ls=style, zorder=2, **_label(line.name, ax))
    if line.word and line.word != line.name:
        weight = "bold" if line.look == "best" else "normal"
        _write(ax, across[0], 1.0, line.word, offset=(5, -12), at="axes fraction", fontweight=weight)


def _draw_points(points: Points, panel: Panel, x: Axis, ax: Any) -> None:
    chosen = points.on(panel, x)
    if not chosen:
        return
    colour, cross, series = _COLOUR[points.colour], points.marker == "x", points.colour.startswith("series")
    across = _places(x, points.x)[chosen]
    low, high = sorted((panel.y.low, panel.y.high))
    up, edge = np.asarray(points.y, float)[chosen], _EDGE * (high - low)
    up = np.where(up < low, low + edge, np.where(up > high, high - edge, up))
    edge_colour, width = (colour, 1.8) if cross else (_COLOUR["ink"] if series else "white", 0.7)
    look = {"marker": points.marker, "ms": 1.4 * points.size, "color": colour, "ls": "", "zorder": 3,
            "mec": edge_colour, "mew": width}  # fmt: skip
    if points.err is None and points.x_err is None:
        ax.plot(across, up, **look, **_label(points.name, ax))
    else:
        errors = {name: None if err is None else np.asarray(err, float)[chosen]
                  for name, err in (("yerr", points.err), ("xerr", points.x_err))}  # fmt: skip
        ecolor = _COLOUR["ink"] if series else colour
        ax.errorbar(across, up, **errors, ecolor=ecolor, elinewidth=1, capsize=2.5, **look, **_label(points.name, ax))
    for a, b, k in zip(across, up, chosen, strict=True):
        _write(ax, a, b, points.words[k] if points.words else "", offset=(7, 5), fontsize="x-small")


def _write(
    ax: Any, x: Any, y: Any, words: str, offset: tuple[float, float] = (0, 0), at: str = "data", **look: Any
) -> None:
    if words:
        look = {"fontsize": "small", "color": _COLOUR["ink"], "parse_math": False} | look
        ax.annotate(words, (x, y), offset, xycoords=("data", at), textcoords="offset points", **look)


def _label(name: str, ax: Any) -> dict[str, str]:
    """Return a name for the key, the first time that it is used in these axes."""
    return {"label": name} if name and name not in ax.get_legend_handles_labels()[1] else {}


def _draw_key(picture: Picture, axes: Sequence[Any]) -> None:
    """Write what marks and lines are below the lowest axes."""
    from matplotlib.transforms import offset_copy

    handles = {name: handle for ax in axes for handle, name in zip(*ax.get_legend_handles_labels(), strict=True)}
    names = [layer.name for layer in picture.key() if layer.name in handles]
    if names:
        low = axes[-1]
        place = offset_copy(low.transAxes, fig=low.figure, y=-38, units="points")
        legend = low.legend([handles[name] for name in names], names, fontsize="small", frameon=False, ncols=3,
                            loc="upper left", labelcolor=_COLOUR["ink"], bbox_to_anchor=(0.0, 0.0),
                            bbox_transform=place)  # fmt: skip
        for text in legend.get_texts():
            text.set_parse_math(False)
