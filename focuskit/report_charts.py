"""Geometry of the report's pictures: where marks, lines and ticks lie. The template draws them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import numpy as np

from focuskit.night import RunResult
from focuskit.output import plain_text, round_pair
from focuskit.palette import MARKERS, mark_of
from focuskit.plots import residuals_pct, seeing_scatter_pct, short_reason

WIDTH, LEFT, RIGHT = 560.0, 42.0, 546.0
CURVE_TOP, CURVE_BOTTOM = 42.0, 276.0
OFF_TOP, OFF_BOTTOM = 326.0, 406.0
STRIP_PX = 58.0  # the row of star images between the two, where there are any
NIGHT_TOP, NIGHT_BOTTOM = 30.0, 214.0

_CURVES = (("squared sizes", "curve-main"), ("hyperbola", "curve-second"), ("parabola", "curve-third"))


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
class Star:
    """The stacked star of one position, as a PNG in a data URI."""

    x: float
    size: float
    image: str
    label: str


@dataclass(frozen=True)
class CurveChart:
    """The V-curve of a run, what it leaves, and what lies on both; lengths in px of the picture."""

    height: float
    off_top: float
    off_bottom: float
    x_ticks: tuple[Tick, ...]
    size_ticks: tuple[Tick, ...]
    off_ticks: tuple[Tick, ...]
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...]
    off_marks: tuple[Mark, ...]
    scatter: str | None
    zero: float | None
    best: tuple[float, float, float] | None
    best_word: str | None
    tolerance: tuple[float, float] | None
    look_near: float | None
    stars: tuple[Star, ...]


@dataclass(frozen=True)
class NightChart:
    """Best positions over time, and the temperature below them."""

    height: float
    x_ticks: tuple[Tick, ...]
    position_ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    names: tuple[tuple[str, int, str], ...]
    temperature: str | None
    temperature_ticks: tuple[Tick, ...]


@dataclass(frozen=True)
class _Scale:
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


def _turned(corners: Sequence[tuple[float, float]], times: int) -> list[tuple[float, float]]:
    turns = [2 * math.pi * k / times for k in range(times)]
    return [(a * math.cos(t) - b * math.sin(t), a * math.sin(t) + b * math.cos(t)) for t in turns for a, b in corners]


def _cross(x: float, y: float, r: float) -> str:
    return f"M{x - r:.2f} {y - r:.2f}l{2 * r} {2 * r}M{x - r:.2f} {y + r:.2f}l{2 * r} {-2 * r}"


def _path(x: np.ndarray, y: np.ndarray) -> str:
    return "M" + "L".join(f"{a:.1f} {b:.1f}" for a, b in zip(x, y, strict=True))


def number(value: float, digits: int = 0) -> str:
    """Write a number with a true minus sign."""
    return f"{value:.{digits}f}".replace("-", "−")


def frame_tip(point: dict[str, Any], scale: float | None, off_pct: float | None) -> str:
    """Return what there is to say of one frame, a fact a line."""
    lines = [plain_text(point["file"]), f"position {number(point['position'])}"]
    if point["hfd_px"] is None:
        lines.append("no star measured")
    else:
        value, err = round_pair(point["hfd_px"], point["hfd_err_px"])
        arcsec = f" = {point['hfd_px'] * scale:.2f}″" if scale else ""
        lines.append(f"HFD {value}{f' ± {err}' if err else ''} px{arcsec}")
    if off_pct is not None and math.isfinite(off_pct):
        lines.append(f"{number(off_pct, 1)} % off the curve")
    lines.append(f"{point['stars']} stars")
    if point["seeing_arcsec"] is not None:
        lines.append(f"seeing {point['seeing_arcsec']:.2f}″")
    if not point["used"]:
        lines.append(f"set aside: {plain_text(point['why_not_used'] or 'not in the curve')}")
    return "\n".join(lines)


def draw_curve(result: RunResult, points: Sequence[dict[str, Any]], strip: dict[int, str]) -> CurveChart:
    """Lay out the pictures of one run.

    Parameters
    ----------
    points : sequence of dict
        The points of the run's JSON.
    strip : dict of int to str
        Star images as data URIs, by frame.
    """
    fit = result.fit
    positions = np.array(result.run.positions)
    reach = [positions.min(), positions.max()]
    reach += [v for v in (fit.look_near, fit.best_position) if v is not None]
    margin = 0.05 * (max(reach) - min(reach)) or 1.0
    x = _Scale(min(reach) - margin, max(reach) + margin, LEFT, RIGHT)
    in_curve = [p["hfd_px"] for p in points if p["used"] and p["hfd_px"] is not None]
    top, low = (max(in_curve), min(in_curve)) if in_curve else (10.0, 0.0)
    y = _Scale(max(0.0, low - 0.28 * (top - low)), top + 0.06 * (top - low) + 0.1, CURVE_BOTTOM, CURVE_TOP)
    off = residuals_pct(result)
    scale = result.rig.scale_arcsec_per_px
    tips = [frame_tip(p, scale, None if off is None else float(off[k])) for k, p in enumerate(points)]
    shapes = [MARKERS[min(p, 2)] if p is not None else MARKERS[3] for p in result.run.passes]
    marks = []
    for k, p in enumerate(points):
        size, err = p["hfd_px"], p["hfd_err_px"] or 0.0
        if size is None:
            marks.append(_mark(k, x(p["position"]), CURVE_BOTTOM - 6, None, p, shapes[k], tips[k]))
        else:
            ends = (y(size - err), y(size + err)) if p["used"] else None
            at = min(max(y(size), CURVE_TOP + 5), CURVE_BOTTOM - 6)
            marks.append(_mark(k, x(p["position"]), at, ends, p, shapes[k], tips[k]))
    grid = np.linspace(positions.min(), positions.max(), 121)
    lines = []
    for name, look in _CURVES:
        if name in fit.fits:
            curve = fit.fits[name].size_at(grid)
            shown = curve <= y.high
            heights = np.array([y(v) for v in curve[shown]])
            lines.append(Line(name, look, _path(np.array([x(v) for v in grid[shown]]), heights)))
    stars = _strip(points, strip, x)
    strip_px = stars[0].size + 10 if stars else 0.0
    off_part = _draw_off(result, points, off, x, tips, shapes, strip_px)
    best = err_word = tolerance = None
    if fit.best_position is not None and fit.best_position_err is not None:
        ends = x(fit.best_position - fit.best_position_err), x(fit.best_position + fit.best_position_err)
        best = (x(fit.best_position), min(ends[0], x(fit.best_position) - 0.75), max(ends[1] - ends[0], 1.5))
        value, err = round_pair(fit.best_position, fit.best_position_err)
        err_word = f"{value} ± {err}"
        if fit.tolerance_steps is not None:
            left = max(x(fit.best_position - fit.tolerance_steps), LEFT)
            tolerance = (left, min(x(fit.best_position + fit.tolerance_steps), RIGHT) - left)
    return CurveChart(
        x_ticks=tuple(Tick(x(v), number(v)) for v in nice_ticks(x.low, x.high)),
        size_ticks=tuple(Tick(y(v), f"{v:g}") for v in nice_ticks(y.low, y.high)),
        lines=tuple(lines),
        marks=tuple(marks),
        best=best,
        best_word=err_word,
        tolerance=tolerance,
        look_near=None if fit.look_near is None else x(fit.look_near),
        stars=stars,
        **off_part,
    )


def _mark(
    k: int, x: float, y: float, ends: tuple[float, float] | None, p: dict[str, Any], shape: str, tip: str
) -> Mark:
    path = mark_path(shape, x, y, 4.6) if p["used"] else _cross(x, y, 4.6)
    word = "" if p["used"] else short_reason(p["why_not_used"])
    low, high = ends or (None, None)
    return Mark(x, y, low, high, path, "used" if p["used"] else "aside", tip, word, k)


def _draw_off(
    result: RunResult,
    points: Sequence[dict[str, Any]],
    off: np.ndarray | None,
    x: _Scale,
    tips: Sequence[str],
    shapes: Sequence[str],
    strip_px: float,
) -> dict[str, Any]:
    """Lay out the picture of what the curve leaves."""
    top, bottom = OFF_TOP + strip_px, OFF_BOTTOM + strip_px
    if off is None:
        at = CURVE_BOTTOM + strip_px
        return {"height": at + 44, "off_top": at, "off_bottom": at, "off_ticks": (), "off_marks": (),
                "scatter": None, "zero": None}  # fmt: skip
    used = np.array([p["used"] for p in points], bool)
    grid = np.linspace(min(result.run.positions), max(result.run.positions), 61)
    band = seeing_scatter_pct(result, grid)
    largest = 1.2 * max(float(np.nanmax(np.abs(off[used]))), float(band.max()), 1.0)
    y = _Scale(-largest, largest, bottom, top)
    marks = []
    for k, p in enumerate(points):
        if math.isfinite(off[k]):
            at = min(max(y(off[k]), top + 4), bottom - 4)
            err = 100.0 * (p["hfd_err_px"] or 0.0) / p["hfd_px"] * (1 + off[k] / 100)
            ends = (y(off[k] - err), y(off[k] + err)) if p["used"] else None
            marks.append(_mark(k, x(p["position"]), at, ends, p, shapes[k], tips[k]))
    across = [x(v) for v in grid]
    outline = _path(np.array(across + across[::-1]), np.array([y(v) for v in band] + [y(-v) for v in band[::-1]]))
    return {
        "height": bottom + 44,
        "off_top": top,
        "off_bottom": bottom,
        "off_ticks": tuple(Tick(y(v), f"{v:g}".replace("-", "−")) for v in nice_ticks(-largest, largest, 3)),
        "off_marks": tuple(marks),
        "scatter": outline + "z",
        "zero": y(0.0),
    }


def _strip(points: Sequence[dict[str, Any]], strip: dict[int, str], x: _Scale) -> tuple[Star, ...]:
    """Place star images below the curve, each at its position, as many as do not overlap."""
    stars: list[Star] = []
    places = {round(x(points[k]["position"]), 1): k for k in sorted(strip, reverse=True)}
    if not places:
        return ()
    ordered = sorted(places)
    gaps = [b - a for a, b in pairwise(ordered)]
    size = min(STRIP_PX, max(min(gaps, default=STRIP_PX) - 2.0, 30.0))
    for at in ordered:
        if not stars or at - stars[-1].x >= size:
            k = places[at]
            stars.append(Star(at, size, strip[k], f"star at position {number(points[k]['position'])}"))
    return tuple(stars)


def draw_night(results: Sequence[RunResult], names: Sequence[str | None]) -> NightChart | None:
    """Lay out best positions over time; None where fewer than two runs tell their time and position."""
    timed = [(k, r, r.run.start.timestamp()) for k, r in enumerate(results) if r.run.start is not None]
    ends = [
        r.fit.best_position + s * (r.fit.best_position_err or 0.0)
        for _, r, _ in timed if r.fit.best_position is not None for s in (-1, 1)
    ]  # fmt: skip
    if len(ends) < 4:
        return None
    times = [t for *_, t in timed]
    margin = 0.06 * (max(times) - min(times)) or 1800.0
    x = _Scale(min(times) - margin, max(times) + margin, LEFT + 8, RIGHT)
    spare = 0.12 * (max(ends) - min(ends)) or 1.0
    y = _Scale(min(ends) - spare, max(ends) + spare, NIGHT_BOTTOM, NIGHT_TOP)
    marks = []
    for k, r, t in timed:
        series = list(names).index(r.run.filter)
        best, err = r.fit.best_position, r.fit.best_position_err or 0.0
        words = [f"{plain_text(r.run.filter or 'no filter')} at {r.run.start:%H:%M} UTC: {r.fit.verdict}"]
        if best is None:
            at, look, low, high = NIGHT_BOTTOM - 8, "aside", None, None
            path = _cross(x(t), at, 5)
        else:
            value, error = round_pair(best, err)
            words.append(f"best position {value} ± {error}")
            at, look, low, high = y(best), f"series-{series % len(MARKERS)}", y(best - err), y(best + err)
            path = mark_path(mark_of(series)[1], x(t), at, 5.5)
        if r.temperature_c is not None:
            words.append(f"{number(r.temperature_c, 1)} °C")
        word = "failed" if best is None else ""
        marks.append(Mark(x(t), at, low, high, path, look, "\n".join(words), word, k))
    warm = [(t, r.temperature_c) for _, r, t in timed if r.temperature_c is not None]
    temperature, degrees = None, []
    height = NIGHT_BOTTOM + 44
    if len(warm) > 1:
        height += 124
        low, high = min(c for _, c in warm), max(c for _, c in warm)
        spare = 0.15 * (high - low) or 0.5
        scale = _Scale(low - spare, high + spare, height - 42, NIGHT_BOTTOM + 40)
        temperature = _path(np.array([x(t) for t, _ in warm]), np.array([scale(c) for _, c in warm]))
        degrees = [Tick(scale(v), f"{v:g}".replace("-", "−")) for v in nice_ticks(scale.low, scale.high, 4)]
    return NightChart(
        height=height,
        x_ticks=tuple(_time_ticks(x)),
        position_ticks=tuple(Tick(y(v), number(v)) for v in nice_ticks(y.low, y.high, 6)),
        marks=tuple(marks),
        names=tuple((plain_text(n or "no filter"), i % len(MARKERS), mark_path(mark_of(i)[1], 8, 8, 5.5))
                    for i, n in enumerate(names)),
        temperature=temperature,
        temperature_ticks=tuple(degrees),
    )  # fmt: skip


def _time_ticks(x: _Scale) -> list[Tick]:
    for minutes in (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440):
        step = 60.0 * minutes
        count = math.floor(x.high / step) - math.ceil(x.low / step) + 1
        if count <= 6:
            moments = [k * step for k in range(math.ceil(x.low / step), math.floor(x.high / step) + 1)]
            return [Tick(x(t), datetime.fromtimestamp(t, UTC).strftime("%H:%M")) for t in moments]
    return []
