"""A picture drawn as SVG text, for the page and for a notebook.

Colours are variables of the page, so that one drawing serves every scheme; where there are none, as in a notebook,
those that can be seen on light and dark ground count. Letters may be half as large again as here (on narrow screens
they are): there is room for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from focuskit.core.palette import SCHEMES, STROKES
from focuskit.core.picture import Axis, Band, Cells, Images, Line, Panel, Picture, Points, Text

_WIDTH, _RIGHT = 560.0, 14.0
_DIGIT_PX = 12.0  # of large letters
_LEAST_LEFT = 42.0  # chosen: panels with short numbers begin at the same place
_NAME_PX, _WORD_PX, _BARE_PX, _BELOW_PX = 30.0, 24.0, 8.0, 50.0  # names and words above a panel, the x axis below all
_BETWEEN_PX = 8.0  # more than its name above each panel but the first
_PX_OF_TICK = 38.0, 90.0  # of height and of width for each tick
_DARKEST = 0.6  # opacity of the cells of a map that have the most
_LARGEST_IMAGE, _SMALLEST_IMAGE = 58.0, 30.0
_UPRIGHT = ("best", "advice")  # strokes of lines from bottom to top
_LEGEND = (
    "list-style:none;display:flex;flex-wrap:wrap;gap:2px 18px;margin:6px 0 0;padding:0;max-width:640px;font-size:.88rem"
)


class _Place(NamedTuple):
    """Where a panel lies: the edges of its area, in px."""

    panel: Panel
    left: float
    right: float
    top: float
    bottom: float

    def across(self, axis: Axis, values: ArrayLike) -> np.ndarray:
        return self.left + axis.share(values) * (self.right - self.left)

    def up(self, values: ArrayLike) -> np.ndarray:
        return self.bottom - self.panel.y.share(values) * (self.bottom - self.top)

    def ticks(self) -> list[tuple[float, str]]:
        """Return the ticks of the upright axis, in px."""
        most = min(6, max(4, round((self.bottom - self.top) / _PX_OF_TICK[0]) + 1))
        return [(float(self.up(v)), word) for v, word in self.panel.y.ticks(most)] if self.panel.y.name else []


def draw_svg(picture: Picture) -> str:
    """Return the picture as an ``svg`` element, with its key and its notes as lists of HTML below."""
    places = _lay_out(picture)
    low = places[-1].bottom
    x_ticks = [(float(places[0].across(picture.x, v)), w) for v, w in picture.x.ticks(int(_WIDTH / _PX_OF_TICK[1]))]
    parts = ['<g class="axes" aria-hidden="true">']
    for place in places:
        parts += _ground(place, picture.x, [at for at, _ in x_ticks])
    parts += [_text(at, low + 20, "middle", word) for at, word in x_ticks]
    parts += [_text(_WIDTH - _RIGHT, low + 42, "end", picture.x.name, "name"), "</g>"]
    first = True
    for place in places:
        for layer in place.panel.layers:
            if isinstance(layer, Points):
                parts += _draw_points(layer, place, picture.x, first)
                first = first and not (layer.tips and layer.on(place.panel, picture.x))
    return (
        f'<svg class="chart" viewBox="0 0 {_WIDTH:g} {low + _BELOW_PX:g}" width="{_WIDTH:g}" role="group" '
        f'aria-label="{escape(picture.label)}" style="max-width:100%;height:auto" font-size="12.5" '
        f'font-family="system-ui,sans-serif" fill="{_paint("quiet")}">\n' + "\n".join(parts) + "\n</svg>\n"
        f"{_key(picture)}{_notes(picture)}"
    )


def draw_mark(colour: str, marker: str) -> str:
    """Return the mark of a series as a small ``svg`` element, for a table or a key."""
    path = f'<path d="{_mark_path(marker, 8.0, 8.0, 5.5)}" {_mark_look(colour, marker)}/>'
    return f'<svg viewBox="0 0 16 16" height="16" aria-hidden="true" class="key">{path}</svg>'


def _lay_out(picture: Picture) -> list[_Place]:
    """Return the places of the panels, under each other; the widest word of an upright axis says where they begin."""
    high = [panel.y.ticks(6) for panel in picture.panels if panel.y.name]
    letters = max((len(word) for ticks in high for _, word in ticks), default=0)
    left, right = max(_LEAST_LEFT, 10.0 + _DIGIT_PX * letters), _WIDTH - _RIGHT
    places: list[_Place] = []
    low = 0.0
    for panel in picture.panels:
        top = low + (_NAME_PX + _BETWEEN_PX * bool(places) if panel.y.name else _BARE_PX)
        top += _WORD_PX * _has_words(panel)
        height = panel.height
        if height is None:
            height = (right - left) * abs((panel.y.high - panel.y.low) / (picture.x.high - picture.x.low))
        for layer in panel.layers:
            if isinstance(layer, Images):
                height = 2.0 * _image_size(left + picture.x.share(layer.x) * (right - left))
        low = top + height
        places.append(_Place(panel, left, right, top, low))
    return places


def _ground(place: _Place, x: Axis, x_ticks: Sequence[float]) -> Iterator[str]:
    """Yield what lies under the points of a panel."""
    left, right, top, bottom = place[1:]
    for layer in place.panel.layers:
        if isinstance(layer, Band):
            yield _draw_band(layer, place, x)
        elif isinstance(layer, Cells):
            yield from _draw_cells(layer, place)
    if place.panel.y.name:
        ticks = place.ticks()
        ways = [f"M{left:g} {at:.1f}H{right:g}" for at, _ in ticks] if place.panel.height else []
        ways += [f"M{at:.1f} {top:g}V{bottom:.1f}" for at in x_ticks] if place.panel.height else []
        yield f'<path d="{"".join(ways)}" fill="none" stroke="{_paint("line")}" stroke-width=".8" opacity=".7"/>'
        box = "" if place.panel.height else f"V{top:g}z"
        yield f'<path d="M{left:g} {top:g}V{bottom:.1f}H{right:g}{box}" fill="none" stroke="{_paint("quiet")}"/>'
        yield from (_text(left - 6, at + 4, "end", word) for at, word in ticks)
        yield _text(4, top - 12 - _WORD_PX * _has_words(place.panel), "start", place.panel.y.name, "name")
    yield from _words_above(place, x)
    for layer in place.panel.layers:
        if isinstance(layer, Line):
            yield _draw_line(layer, place, x)
        elif isinstance(layer, Text):
            at, up = float(place.across(x, layer.x)), float(place.up(layer.y))
            lines = layer.words.split("\n")
            for k, line in enumerate(lines):
                yield _text(at, up + 4 + 17 * (k - 0.5 * (len(lines) - 1)), layer.to, line, "note")
        elif isinstance(layer, Images):
            yield from _draw_images(layer, place, x)


def _has_words(panel: Panel) -> bool:
    return any(isinstance(layer, Line) and layer.word != "" for layer in panel.layers)


def _words_above(place: _Place, x: Axis) -> Iterator[str]:
    """Yield the words of upright lines; one that would run into the word before it is left out."""
    end = 0.0
    lines = [layer for layer in place.panel.layers if isinstance(layer, Line) and layer.word]
    for line in sorted(lines, key=lambda line: float(np.ravel(line.x)[0])):
        at, half = float(place.across(x, np.ravel(line.x)[0])), 0.4 * _DIGIT_PX * len(line.word)
        to = "start" if at - half < 0.0 else "end" if at + half > place.right + _RIGHT else "middle"
        begins = at - {"start": 0.0, "middle": half, "end": 2.0 * half}[to]
        if begins >= end:
            end = begins + 2.0 * half
            look = "best-word" if line.look == "best" else "word"
            colour = "ink" if line.look == "best" else STROKES[line.look].colour
            yield _text(at, place.top - 9, to, line.word, look, colour)


def _draw_line(line: Line, place: _Place, x: Axis) -> str:
    shape = np.broadcast(line.x, line.y).shape
    path: list[str] = []
    pen = "M"
    for a, b in zip(place.across(x, np.broadcast_to(line.x, shape)).flat,
                    place.up(np.broadcast_to(line.y, shape)).flat, strict=True):  # fmt: skip
        step = f"{pen}{a:.1f} {b:.1f}" if math.isfinite(a + b) else ""
        path += [step] * (step not in path[-1:])
        pen = "L" if step else "M"
    name = f' data-line="{escape(line.name)}"' if line.name else ""
    return f'<path{name} d="{"".join(path)}" {_stroke(line.look)}/>'


def _draw_band(band: Band, place: _Place, x: Axis) -> str:
    across = place.across(x, band.x)
    low, high = (place.up(np.broadcast_to(edge, across.shape)) for edge in (band.low, band.high))
    corners = [*zip(across, low, strict=True), *zip(across[::-1], high[::-1], strict=True)]
    path = "L".join(f"{a:.1f} {b:.1f}" for a, b in corners if math.isfinite(a + b))
    words = _text(0.5 * (across[0] + across[-1]), 0.5 * (low[0] + high[0]) + 4, "middle", band.words) * bool(band.words)
    return f'<path d="M{path}z" fill="{_paint(band.colour)}"/>{words}'


def _draw_cells(cells: Cells, place: _Place) -> Iterator[str]:
    # Neighbours share their edges to the last digit, else they would lie over each other by a pixel here and there.
    x = np.linspace(place.left, place.right, cells.values.shape[1] + 1).round(1)
    y = np.linspace(place.top, place.bottom, cells.values.shape[0] + 1).round(1)
    for role, sign in (("second", -1.0), ("accent", 1.0)):
        yield f'<g fill="{_paint(role)}" shape-rendering="crispEdges">'
        for (row, column), value in np.ndenumerate(cells.values):
            if sign * value > 0.0:
                yield (
                    f'<rect x="{x[column]:.1f}" y="{y[row]:.1f}" width="{x[column + 1] - x[column]:.1f}" '
                    f'height="{y[row + 1] - y[row]:.1f}" opacity="{min(abs(value) / cells.most, 1.0) * _DARKEST:.2f}"/>'
                )
        yield "</g>"


def _image_size(places: np.ndarray) -> float:
    """Return the width of images at places in px: as wide as the narrowest gap, within limits."""
    gaps = [float(b - a) for a, b in pairwise(np.unique(np.round(places, 1)))]
    return min(_LARGEST_IMAGE, max(min(gaps, default=_LARGEST_IMAGE) - 2.0, _SMALLEST_IMAGE))


def _draw_images(images: Images, place: _Place, x: Axis) -> Iterator[str]:
    """Yield images from left to right; one that would lie over the one before it is left out."""
    across = place.across(x, images.x)
    size, free_from = _image_size(across), -math.inf
    for k in np.argsort(across, kind="stable"):
        if across[k] - 0.5 * size >= free_from:
            free_from = across[k] + 0.5 * size
            yield (
                f'<image class="star" x="{across[k] - 0.5 * size:.1f}" y="{place.top:g}" width="{size:.1f}" '
                f'height="{2.0 * size:.1f}" href="{images.sources[k]}"><title>{escape(images.tips[k])}</title></image>'
            )


def _draw_points(points: Points, place: _Place, x: Axis, first: bool) -> Iterator[str]:
    """Yield a group of marks; ``first`` is whether its first is where the Tab key stops at the picture."""
    across, up = place.across(x, points.x), np.clip(place.up(points.y), place.top + 5, place.bottom - 6)
    bars = _bars(points, place, x)
    line = f' data-line="{escape(points.with_line)}"' if points.with_line else ""
    yield f"<g{line} {_mark_look(points.colour, points.marker)}>"
    for k in points.on(place.panel, x):
        a, b = float(across[k]), float(up[k])
        shape = f'<path class="shape" d="{_mark_path(points.marker, a, b, points.size)}"/>'
        if not points.tips:
            yield bars[k] + shape
            continue
        index = f' data-index="{points.index[k]}"' if points.index else ""
        role = ' aria-hidden="true"'
        if not points.again:
            said = escape(", ".join(points.tips[k].split("\n")))
            role = f' tabindex="{0 if first else -1}" role="img" aria-label="{said}"'
            first = False
        word = ""
        if points.words and points.words[k]:
            beside, to = (9, "start") if a < 0.78 * _WIDTH else (-9, "end")
            word = _text(a + beside, b - 7, to, points.words[k], "word", "failed")
        yield (
            f'<g class="mark"{index}{role}><title>{escape(points.tips[k])}</title>'
            f'<circle class="reach" cx="{a:.1f}" cy="{b:.1f}" r="14" fill="none" stroke="none" pointer-events="all"/>'
            f"{bars[k]}{shape}{word}</g>"
        )
    yield "</g>"


def _bars(points: Points, place: _Place, x: Axis) -> list[str]:
    """Return the error bars of each point."""
    colour = "ink" if points.colour.startswith("series") else points.colour
    at, up = np.asarray(points.x, float), np.asarray(points.y, float)
    ways = [""] * len(at)
    if points.err is not None:
        ends = place.up(up - points.err), place.up(up + points.err)
        ways = [f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in zip(place.across(x, at), *ends, strict=True)]
    if points.x_err is not None:
        ends = place.across(x, at - points.x_err), place.across(x, at + points.x_err)
        ways = [f"{w}M{b:.1f} {a:.1f}H{c:.1f}" for w, a, b, c in zip(ways, place.up(up), *ends, strict=True)]
    look = f'fill="none" stroke="{_paint(colour)}" stroke-width="1.3"'
    return [f'<path class="bar" d="{way}" {look}/>' if way and "nan" not in way else "" for way in ways]


def _key(picture: Picture) -> str:
    rows = []
    for layer in picture.key():
        if isinstance(layer, Points):
            icon = draw_mark(layer.colour, layer.marker)
        else:
            look = f'fill="{_paint(layer.colour)}"' if isinstance(layer, Band) else _stroke(layer.look)
            path = "M2 2H22V14H2z" if isinstance(layer, Band) else "M12 1V15" if layer.look in _UPRIGHT else "M1 8H23"
            icon = f'<svg viewBox="0 0 24 16" height="16" aria-hidden="true"><path d="{path}" {look}/></svg>'
        on_request = isinstance(layer, Line) and layer.on_request
        switch = f' class="switch" data-line="{escape(layer.name)}"' * on_request
        rows.append(f"<li{switch}>{icon} {escape(layer.name)}</li>")
    return f'<ul class="legend" style="{_LEGEND}">\n' + "\n".join(rows) + "\n</ul>\n" if rows else ""


def _notes(picture: Picture) -> str:
    rows = "".join(f"<li>{escape(note)}</li>\n" for note in picture.notes)
    return f'<ul class="hints">\n{rows}</ul>\n' if rows else ""


def _text(x: float, y: float, to: str, words: str, look: str = "", colour: str = "") -> str:
    """Return words at a place; in ink where they are a name or a note, which has a rim of paper."""
    rim = f'stroke="{_paint("paper")}" stroke-width="3.5" paint-order="stroke"' if look == "note" else 'stroke="none"'
    name = f' class="{look}"' if look else ""
    fill = f' fill="{_paint(colour or "ink")}" {rim}' if look else ""
    return f'<text{name} x="{x:.1f}" y="{y:.1f}" text-anchor="{to}"{fill}>{escape(words)}</text>'


def _paint(role: str) -> str:
    return f"var(--{role},{SCHEMES['any'][role]})"


def _stroke(look: str) -> str:
    colour, width, dash = STROKES[look]
    dashes = f' stroke-dasharray="{" ".join(f"{v:g}" for v in dash)}"' if dash else ""
    return f'fill="none" stroke="{_paint(colour)}" stroke-width="{width:g}"{dashes}'


def _mark_look(colour: str, marker: str) -> str:
    if marker == "x":
        return f'fill="none" stroke="{_paint(colour)}" stroke-width="2.2" stroke-linecap="round"'
    edge, width = ("ink", 1.2) if colour.startswith("series") else ("panel", 1.0)
    return f'fill="{_paint(colour)}" stroke="{_paint(edge)}" stroke-width="{width:g}"'


def _mark_path(marker: str, x: float, y: float, r: float) -> str:
    """Return the path of a marker with its middle at (x, y)."""
    if marker == "x":
        return f"M{x - r:.1f} {y - r:.1f}l{2 * r:g} {2 * r:g}M{x - r:.1f} {y + r:.1f}l{2 * r:g} {-2 * r:g}"
    if marker == "o":
        return f"M{x - r:.1f} {y:.1f}a{r:g} {r:g} 0 1 0 {2 * r:g} 0a{r:g} {r:g} 0 1 0 {-2 * r:g} 0z"
    corners = {
        "s": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
        "^": [(0, -1.15), (1.1, 0.85), (-1.1, 0.85)],
        "v": [(0, 1.15), (1.1, -0.85), (-1.1, -0.85)],
        "D": [(0, -1.25), (1.25, 0), (0, 1.25), (-1.25, 0)],
        "P": _turned([(-0.4, -1.15), (0.4, -1.15), (0.4, -0.4)], 4),
        "X": [((a - b) * 0.75, (a + b) * 0.75) for a, b in _turned([(-0.45, -1.3), (0.45, -1.3), (0.45, -0.45)], 4)],
        "*": _turned([(0, -1.4), (0.35, -0.48)], 5),
    }[marker]
    return "M" + "L".join(f"{x + r * a:.1f} {y + r * b:.1f}" for a, b in corners) + "z"


def _turned(corners: Sequence[tuple[float, float]], times: int) -> list[tuple[float, float]]:
    turns = [2 * math.pi * k / times for k in range(times)]
    return [(a * math.cos(t) - b * math.sin(t), a * math.sin(t) + b * math.cos(t)) for t in turns for a, b in corners]
