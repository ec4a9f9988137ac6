"""Pictures described: axes, lines, bands, points and words, with colours by their role. Nothing is drawn here.

`core.svg` draws a picture for the page and for notebooks, `show.figures` into axes of matplotlib and files. Values that
are not known (NaN) break a line and leave out a point; an infinite one reaches the edge of the panel, and so does a
point that lies beyond it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core.palette import COLOURS, MARKERS

WHOLE = np.array([-np.inf, np.inf])  # from edge to edge
_DAY_S = 86400.0  # by definition
_HOURS_S = [60.0 * minutes for minutes in (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440)]


@dataclass(frozen=True)
class Axis:
    """What is counted along an edge, from ``low`` to ``high``; rows of an image count from above, so low may be more.

    Parameters
    ----------
    name : str
        With its unit, as ``temperature (°C)``; a strip whose height means nothing has an empty one.
    kind : str
        ``linear``, ``log``, ``time`` (Unix seconds, shown in UTC) or ``names`` (the k-th of ``names`` stands at k).
    at : sequence of float
        Where ticks may stand; of itself the axis finds round values, but for logarithms.
    """

    name: str
    low: float
    high: float
    kind: str = "linear"
    names: tuple[str, ...] = ()
    at: Sequence[float] = ()

    def share(self, values: ArrayLike) -> NDArray[np.float64]:
        """Return where values lie, 0 at ``low`` and 1 at ``high``; those beyond lie at the ends."""
        low, high, at = self.low, self.high, np.asarray(values, float)
        if self.kind == "log":
            low, high, at = math.log(low), math.log(high), np.log(at)
        return np.clip((at - low) / (high - low), 0.0, 1.0)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Return places and words of the ticks, ``most`` of them at most, names excepted."""
        low, high = sorted((self.low, self.high))
        if self.kind == "names":
            return [(float(k), name if len(name) <= 12 else f"{name[:11]}…") for k, name in enumerate(self.names)]
        if self.kind == "time":
            return _time_ticks(low, high, most)
        values = [v for v in self.at if low <= v <= high] if self.at else round_values(low, high, most)
        return [(v, f"{v:.10g}".replace("-", "−")) for v in values]


def axis_of(name: str, values: Iterable[float], share: float = 0.05, least: float = 1.0, kind: str = "linear") -> Axis:
    """Return the axis that has room for values: a margin of ``share`` of their reach, ``least`` where all are equal."""
    known = [float(v) for v in values if math.isfinite(v)] or [0.0]
    margin = share * (max(known) - min(known)) or least
    return Axis(name, min(known) - margin, max(known) + margin, kind)


@dataclass(frozen=True, eq=False)
class Line:
    """A line through n points; ``look`` is one of the palette's strokes.

    ``word`` stands above the panel where the line begins. A line ``on_request`` is hidden in a page until its name
    in the key is pressed.
    """

    x: ArrayLike
    y: ArrayLike
    look: str = "main"
    name: str = ""
    word: str = ""
    on_request: bool = False


@dataclass(frozen=True, eq=False)
class Band:
    """An area between two lines of n points, behind all else; ``words`` stand in its middle."""

    x: ArrayLike
    low: ArrayLike
    high: ArrayLike
    colour: str = "band"
    name: str = ""
    words: str = ""


@dataclass(frozen=True, eq=False)
class Points:
    """Points of one kind, n each of what is given.

    Parameters
    ----------
    x, y, err, x_err : array_like, shape (n,)
        Places, and half the lengths of their error bars.
    colour, marker, size : str, str, float
        Role and sign of the palette; radius in px.
    tips : sequence of str
        What there is to say of each, in lines: for the pointer, the keyboard and screen readers.
    words : sequence of str
        A word beside each; may be empty.
    index : sequence of int
        Number of the row that says the same in a table beside the picture.
    again : bool
        Whether another panel has the same things with the same tips.
    with_line : str
        Name of the line on request with which the points are hidden.
    """

    x: ArrayLike
    y: ArrayLike
    colour: str = "accent"
    marker: str = "o"
    size: float = 4.6
    name: str = ""
    err: ArrayLike | None = None
    x_err: ArrayLike | None = None
    tips: Sequence[str] = ()
    words: Sequence[str] = ()
    index: Sequence[int] = ()
    again: bool = False
    with_line: str = ""

    def on(self, panel: Panel, x: Axis) -> list[int]:
        """Return which of the points have a place."""
        places = x.share(self.x) + panel.y.share(self.y)
        return [int(k) for k in np.flatnonzero(np.isfinite(places))]


@dataclass(frozen=True)
class Text:
    """Words at a place of the panel, in lines; ``to`` says which part of them is there: start, middle or end."""

    x: float
    y: float
    words: str
    to: str = "middle"


@dataclass(frozen=True, eq=False)
class Images:
    """Images side by side, twice as high as wide, at the places ``x``; they fill a strip as far as there is room.

    ``sources`` are PNG images as data URIs.
    """

    x: ArrayLike
    sources: Sequence[str]
    tips: Sequence[str]


@dataclass(frozen=True, eq=False)
class Cells:
    """A map of values with a sign, shape (rows, columns), over the whole panel; ``most`` has the full colour."""

    values: NDArray[np.float64]
    most: float


Layer = Line | Band | Points | Text | Images | Cells


@dataclass(frozen=True, eq=False)
class Panel:
    """One of several pictures above each other that share the x axis, its layers in the order in which they are drawn.

    ``height`` is in px of a picture 560 wide; without one both axes have the same scale.
    """

    y: Axis
    layers: tuple[Layer, ...]
    height: float | None = 200.0


@dataclass(frozen=True, eq=False)
class Picture:
    """Panels above each other.

    ``label`` states the result for those who do not see the picture; ``notes`` are sentences that stand below it.
    """

    title: str
    label: str
    x: Axis
    panels: tuple[Panel, ...]
    notes: tuple[str, ...] = ()

    def key(self) -> list[Line | Band | Points]:
        """Return the layers that have a name, each name once."""
        named: dict[str, Line | Band | Points] = {}
        for panel in self.panels:
            for layer in panel.layers:
                if isinstance(layer, Line | Band | Points) and layer.name:
                    named.setdefault(layer.name, layer)
        return list(named.values())


def series(i: int) -> dict[str, Any]:
    """Return colour and marker of the ``i``-th filter or policy of a picture."""
    return {"colour": f"series-{i % len(COLOURS)}", "marker": MARKERS[i % len(MARKERS)]}


def round_values(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers between ``low`` and ``high``, ``most`` of them at most."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    for factor in (1, 2, 5, 10, 20, 50):
        values = _multiples(step * factor, low, high)
        if len(values) <= most:
            return values
    return []


def _multiples(step: float, low: float, high: float) -> list[float]:
    return [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]


def _time_ticks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Return hours within two days, then dates, and then months, which need more room."""
    reach, form = high - low, "%H:%M"
    if reach < 2 * _DAY_S:
        choices = (_multiples(step, low, high) for step in _HOURS_S)
    elif reach < 60 * _DAY_S:
        most, form = max(2, most - 2), "%d %b"
        choices = (_multiples(days * _DAY_S, low, high) for days in (1, 2, 5, 10, 20))
    else:
        most, form = max(2, most - 2), "%b %Y"
        choices = (_months(step, low, high) for step in (1, 2, 3, 6, 12, 24, 60, 120, 600))
    values = next((v for v in choices if len(v) <= most), [])
    return [(v, datetime.fromtimestamp(v, UTC).strftime(form).lstrip("0" * (form == "%d %b"))) for v in values]


def _months(step: int, low: float, high: float) -> list[float]:
    """Return the first days of every ``step``-th month, January among them, in Unix seconds."""
    first, last = (datetime.fromtimestamp(v, UTC) for v in (low, high))
    count = range(12 * first.year, 12 * last.year + 12, step)
    days = [datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC).timestamp() for month in count]
    return [day for day in days if low <= day <= high]
