"""Parts of the report's pictures: scales, ticks, marks, lines, and panels that share one x axis.

Lengths are px of a picture 560 wide; the template draws what is laid out here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from focuskit.show.palette import MARKERS, mark_of

WIDTH, RIGHT = 560.0, 546.0
PANEL_LEFT = 50.0
PANEL_TOP = 30.0
BELOW_PX = 44.0  # the x axis with its words
BETWEEN_PX = 40.0  # from one panel to the next, for its name


@dataclass(frozen=True)
class Tick:
    """A tick of an axis: where, and what is written there."""

    at: float
    text: str


@dataclass(frozen=True)
class Mark:
    """One frame or one run in a picture.

    ``tip`` is the text for pointer, keyboard and screen reader; ``word`` stands beside the mark;
    ``low`` and ``high`` are the ends of the error bar.
    """

    x: float
    y: float
    low: float | None
    high: float | None
    path: str
    kind: str
    tip: str
    word: str
    index: int


@dataclass(frozen=True)
class Line:
    """A curve: its name, the class that gives its look, and its path."""

    name: str
    look: str
    path: str


@dataclass(frozen=True)
class Band:
    """A rectangle behind everything, such as a tolerance."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Upright:
    """A dashed line from top to bottom, and the word that stands beside it."""

    x: float
    word: str


@dataclass(frozen=True)
class Panel:
    """One of several pictures above each other that share the x axis."""

    name: str
    top: float
    bottom: float
    ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...] = ()
    lines: tuple[Line, ...] = ()
    bands: tuple[Band, ...] = ()
    uprights: tuple[Upright, ...] = ()


@dataclass(frozen=True)
class Picture:
    """Panels above each other.

    ``key`` explains marks and lines: name, class that gives the look, path in a box of 16 px, and whether
    the path is a line. ``label`` states the result for those who do not see the picture.
    """

    height: float
    x_ticks: tuple[Tick, ...]
    x_name: str
    panels: tuple[Panel, ...]
    key: tuple[tuple[str, str, str, bool], ...]
    label: str


@dataclass(frozen=True)
class Scale:
    """A straight way from values to px."""

    low: float
    high: float
    start: float
    stop: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.stop - self.start), 2)


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers between ``low`` and ``high``, ``most`` of them at most."""
    step = 10.0 ** math.floor(math.log10((high - low) / most))
    for factor in (1, 2, 5, 10, 20, 50):
        first = math.ceil(low / (step * factor) - 1e-9)
        last = math.floor(high / (step * factor) + 1e-9)
        if last - first + 1 <= most:
            return [k * step * factor for k in range(first, last + 1)]
    return []


def mark_path(marker: str, x: float, y: float, r: float) -> str:
    """Return the SVG path of a marker of the palette with its middle at (x, y)."""
    if marker == "o":
        return f"M{x - r:.2f} {y:.2f}a{r} {r} 0 1 0 {2 * r} 0a{r} {r} 0 1 0 {-2 * r} 0z"
    corners = {
        "s": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
        "^": [(0, -1.15), (1.1, 0.85), (-1.1, 0.85)],
        "v": [(0, 1.15), (1.1, -0.85), (-1.1, -0.85)],
        "D": [(0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0)],
        "P": _turned([(-0.4, -1.15), (0.4, -1.15), (0.4, -0.4)], 4),
        "X": [((a - b) * 0.75, (a + b) * 0.75) for a, b in _turned([(-0.45, -1.3), (0.45, -1.3), (0.45, -0.45)], 4)],
        "*": _turned([(0, -1.4), (0.35, -0.48)], 5),
    }[marker]
    return "M" + "L".join(f"{x + r * a:.2f} {y + r * b:.2f}" for a, b in corners) + "z"


def series_mark(i: int, x: float = 8.0, y: float = 8.0, r: float = 5.5) -> tuple[str, str]:
    """Return class and path of the mark of the ``i``-th filter or policy; without a place, as a key shows it."""
    return f"series-{i % len(MARKERS)}", mark_path(mark_of(i)[1], x, y, r)


def series_key(names: Iterable[str]) -> list[tuple[str, str, str, bool]]:
    """Return the key of filters or policies in their order."""
    marks = ((name, *series_mark(i)) for i, name in enumerate(names))
    return [(name, f"mark {look}", path, False) for name, look, path in marks]


def _turned(corners: Sequence[tuple[float, float]], times: int) -> list[tuple[float, float]]:
    turns = [2 * math.pi * k / times for k in range(times)]
    return [(a * math.cos(t) - b * math.sin(t), a * math.sin(t) + b * math.cos(t)) for t in turns for a, b in corners]


def cross_path(x: float, y: float, r: float) -> str:
    return f"M{x - r:.2f} {y - r:.2f}l{2 * r} {2 * r}M{x - r:.2f} {y + r:.2f}l{2 * r} {-2 * r}"


def line_path(x: np.ndarray, y: np.ndarray) -> str:
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))


def number(value: float, digits: int = 0) -> str:
    """Write a number with a true minus sign."""
    return f"{value:.{digits}f}".replace("-", "−")


def time_ticks(x: Scale) -> list[Tick]:
    for minutes in (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440):
        step = 60.0 * minutes
        count = math.floor(x.high / step) - math.ceil(x.low / step) + 1
        if count <= 6:
            moments = [k * step for k in range(math.ceil(x.low / step), math.floor(x.high / step) + 1)]
            return [Tick(x(t), datetime.fromtimestamp(t, UTC).strftime("%H:%M")) for t in moments]
    return []


def spread(values: Sequence[float], share: float, least: float = 1.0) -> tuple[float, float]:
    """Return the reach of values with a margin: ``share`` of it, or ``least`` where all are equal."""
    low, high = min(values), max(values)
    margin = share * (high - low) or least
    return low - margin, high + margin


def ticks_of(scale: Scale, most: int = 5) -> tuple[Tick, ...]:
    """Return the ticks of an axis."""
    values = nice_ticks(min(scale.low, scale.high), max(scale.low, scale.high), most)
    return tuple(Tick(scale(v), f"{v:g}".replace("-", "−")) for v in values)


def date_ticks(x: Scale) -> list[Tick]:
    """Return ticks of an axis of Unix seconds: hours within two days, then dates, with the year where it may change."""
    if x.high - x.low < 2 * 86400:
        return time_ticks(x)
    form = "%d %b" if x.high - x.low < 300 * 86400 else "%Y-%m-%d"
    for days in (1, 2, 5, 10, 20, 50, 100, 200, 400, 1000, 4000):
        step = 86400.0 * days
        first, last = math.ceil(x.low / step), math.floor(x.high / step)
        if last - first + 1 <= 4:
            days_shown = [k * step for k in range(first, last + 1)]
            return [Tick(x(t), datetime.fromtimestamp(t, UTC).strftime(form).lstrip("0")) for t in days_shown]
    return []
