"""Geometry of the report's pictures: where marks, lines and ticks lie. The template draws them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np

from focuskit.core.reasons import Reason
from focuskit.core.text import plain_text, round_pair
from focuskit.night import RunResult
from focuskit.show.palette import MARKERS
from focuskit.show.plots import short_reason
from focuskit.show.report_panels import (
    BELOW_PX,
    BETWEEN_PX,
    PANEL_LEFT,
    PANEL_TOP,
    RIGHT,
    Line,
    Mark,
    Panel,
    Picture,
    Scale,
    Tick,
    cross_path,
    line_path,
    mark_path,
    nice_ticks,
    number,
    series_key,
    series_mark,
    spread,
    ticks_of,
    time_ticks,
)

LEFT = 42.0
CURVE_TOP, CURVE_BOTTOM = 42.0, 276.0
OFF_TOP, OFF_BOTTOM = 326.0, 406.0
STRIP_PX = 58.0  # the row of star images between the two, where there are any
NIGHT_PX, BELOW_NIGHT_PX = 184.0, 84.0

_CURVES = (("squared sizes", "curve-main"), ("hyperbola", "curve-second"), ("parabola", "curve-third"))


@dataclass(frozen=True)
class Star:
    """The stars of one position, all as one above one alone, as a PNG twice as high as wide in a data URI."""

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
        lines.append(f"set aside: {plain_text(point['why_not_used'])}")
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
    positions = np.array(result.positions)
    reach = [positions.min(), positions.max()]
    reach += [v for v in (fit.look_near, fit.best_position) if v is not None]
    margin = 0.05 * (max(reach) - min(reach)) or 1.0
    x = Scale(min(reach) - margin, max(reach) + margin, LEFT, RIGHT)
    in_curve = [p["hfd_px"] for p in points if p["used"] and p["hfd_px"] is not None]
    top, low = (max(in_curve), min(in_curve)) if in_curve else (10.0, 0.0)
    y = Scale(max(0.0, low - 0.28 * (top - low)), top + 0.06 * (top - low) + 0.1, CURVE_BOTTOM, CURVE_TOP)
    off = result.residuals_pct()
    scale = result.rig.scale_arcsec_per_px
    tips = [frame_tip(p, scale, None if off is None else float(off[k])) for k, p in enumerate(points)]
    shapes = [MARKERS[min(p, 2)] if p is not None else MARKERS[3] for p in result.sweep.passes]
    marks = []
    for k, p in enumerate(points):
        size, err = p["hfd_px"], p["hfd_err_px"] or 0.0
        if size is None:
            marks.append(_mark(k, x(p["position"]), CURVE_BOTTOM - 6, None, fit.why_not_used[k], shapes[k], tips[k]))
        else:
            ends = (y(size - err), y(size + err)) if p["used"] else None
            at = min(max(y(size), CURVE_TOP + 5), CURVE_BOTTOM - 6)
            marks.append(_mark(k, x(p["position"]), at, ends, fit.why_not_used[k], shapes[k], tips[k]))
    grid = np.linspace(positions.min(), positions.max(), 121)
    lines = []
    for name, look in _CURVES:
        if name in fit.fits:
            curve = fit.fits[name].size_at(grid)
            shown = curve <= y.high
            heights = np.array([y(v) for v in curve[shown]])
            lines.append(Line(name, look, line_path(np.array([x(v) for v in grid[shown]]), heights)))
    stars = _strip(points, strip, x)
    strip_px = 2.0 * stars[0].size + 10 if stars else 0.0
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
    k: int, x: float, y: float, ends: tuple[float, float] | None, why: Reason | None, shape: str, tip: str
) -> Mark:
    low, high = ends or (None, None)
    if why is None:
        return Mark(x, y, low, high, mark_path(shape, x, y, 4.6), "used", tip, "", k)
    return Mark(x, y, low, high, cross_path(x, y, 4.6), "aside", tip, short_reason(why), k)


def _draw_off(
    result: RunResult,
    points: Sequence[dict[str, Any]],
    off: np.ndarray | None,
    x: Scale,
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
    grid = np.linspace(min(result.positions), max(result.positions), 61)
    band = result.seeing_scatter_pct(grid)
    largest = 1.2 * max(float(np.nanmax(np.abs(off[used]))), float(band.max()), 1.0)
    y = Scale(-largest, largest, bottom, top)
    marks = []
    for k, p in enumerate(points):
        if math.isfinite(off[k]):
            at = min(max(y(off[k]), top + 4), bottom - 4)
            err = 100.0 * (p["hfd_err_px"] or 0.0) / p["hfd_px"] * (1 + off[k] / 100)
            ends = (y(off[k] - err), y(off[k] + err)) if p["used"] else None
            why = result.fit.why_not_used[k]
            marks.append(_mark(k, x(p["position"]), at, ends, why, shapes[k], tips[k]))
    across = [x(v) for v in grid]
    outline = line_path(np.array(across + across[::-1]), np.array([y(v) for v in band] + [y(-v) for v in band[::-1]]))
    return {
        "height": bottom + 44,
        "off_top": top,
        "off_bottom": bottom,
        "off_ticks": tuple(Tick(y(v), f"{v:g}".replace("-", "−")) for v in nice_ticks(-largest, largest, 3)),
        "off_marks": tuple(marks),
        "scatter": outline + "z",
        "zero": y(0.0),
    }


def _strip(points: Sequence[dict[str, Any]], strip: dict[int, str], x: Scale) -> tuple[Star, ...]:
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
            stars.append(
                Star(at, size, strip[k], f"all stars as one, and one star, at position {number(points[k]['position'])}")
            )
    return tuple(stars)


def draw_night(results: Sequence[RunResult], names: Sequence[str | None]) -> Picture | None:
    """Lay out best positions over time, with temperature and seeing below; None for fewer than two positions.

    The seeing is that of each frame from the profile fit, so what defocus does to the size is taken out.
    """
    timed = [(k, r, r.start.timestamp()) for k, r in enumerate(results) if r.start is not None]
    ends = [
        r.fit.best_position + s * (r.fit.best_position_err or 0.0)
        for _, r, _ in timed if r.fit.best_position is not None for s in (-1, 1)
    ]  # fmt: skip
    if len(ends) < 4:
        return None
    x = Scale(*spread([t for *_, t in timed], 0.06, 1800.0), PANEL_LEFT, RIGHT)
    bottom = PANEL_TOP + NIGHT_PX
    y = Scale(*spread(ends, 0.12), bottom, PANEL_TOP)
    marks = tuple(_run_mark(k, r, x(t), y, list(names).index(r.filter)) for k, r, t in timed)
    panels = [Panel("best position (steps)", PANEL_TOP, bottom, ticks_of(y, 6), marks)]
    warm = [(t, r.temperature_c) for _, r, t in timed if r.temperature_c is not None]
    if len(warm) > 1:
        top, bottom = bottom + BETWEEN_PX, bottom + BETWEEN_PX + BELOW_NIGHT_PX
        y = Scale(*spread([c for _, c in warm], 0.15, 0.5), bottom, top)
        path = line_path(np.array([x(t) for t, _ in warm]), np.array([y(c) for _, c in warm]))
        line = Line("temperature", "warm", path)
        panels.append(Panel("temperature (°C)", top, bottom, ticks_of(y, 4), lines=(line,)))
    points = [point for _, r, _ in timed for point in r.to_json()["points"]]
    seen = [p for p in points if p["seeing_arcsec"] is not None and p["time"] is not None]
    if len(seen) > 1:
        top, bottom = bottom + BETWEEN_PX, bottom + BETWEEN_PX + BELOW_NIGHT_PX
        y = Scale(*spread([p["seeing_arcsec"] for p in seen], 0.12, 0.2), bottom, top)
        panels.append(Panel("seeing, defocus taken out (″)", top, bottom, ticks_of(y, 4), _seeing_marks(seen, x, y)))
    key = series_key(plain_text(name or "no filter") for name in names)
    label = "Best position of each run over time; the table above holds the same numbers."
    return Picture(bottom + BELOW_PX, tuple(time_ticks(x)), "time (UTC)", tuple(panels), tuple(key), label)


def _run_mark(k: int, result: RunResult, x: float, y: Scale, series: int) -> Mark:
    best, err = result.fit.best_position, result.fit.best_position_err or 0.0
    start = f"{result.start:%H:%M} UTC" if result.start else "no time"
    words = [f"{plain_text(result.filter or 'no filter')} at {start}: {result.fit.verdict}"]
    low = high = None
    if best is None:
        at, look = y.start - 8, "aside"
        path = cross_path(x, at, 5)
    else:
        value, error = round_pair(best, err)
        words.append(f"best position {value} ± {error}")
        at, low, high = y(best), y(best - err), y(best + err)
        look, path = series_mark(series, x, at)
    if result.temperature_c is not None:
        words.append(f"{number(result.temperature_c, 1)} °C")
    return Mark(x, at, low, high, path, look, "\n".join(words), "failed" if best is None else "", k)


def _seeing_marks(points: Sequence[dict[str, Any]], x: Scale, y: Scale) -> tuple[Mark, ...]:
    marks = []
    for k, point in enumerate(points):
        at = x(datetime.fromisoformat(point["time"]).timestamp()), y(point["seeing_arcsec"])
        tip = f"{plain_text(point['file'])}\n{point['time'][11:19]} UTC\nseeing {point['seeing_arcsec']:.2f}″"
        marks.append(Mark(*at, None, None, mark_path("o", *at, 2.6), "used", tip, "", k))
    return tuple(marks)
