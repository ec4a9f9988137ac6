"""A small picture of points with errors and lines, as SVG text: how results show themselves in a notebook."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape

import numpy as np
from numpy.typing import ArrayLike

_WIDTH, _HEIGHT = 480, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 12, 12, 40  # margins, with room for the numbers and names of the axes


def draw_points(
    x: ArrayLike,
    y: ArrayLike,
    err: ArrayLike = 0.0,
    *,
    lines: Sequence[tuple[ArrayLike, ArrayLike]] = (),
    x_label: str = "",
    y_label: str = "",
    x_text: Callable[[float], str] = "{:.6g}".format,
) -> str:
    """Return points, shape (n,), with error bars and lines as one SVG element; empty where no point is finite.

    ``lines`` are pairs of x and y, shape (m,) each; ``x_text`` writes the ends of the x axis.
    """
    points = np.array(np.broadcast_arrays(x, y, np.nan_to_num(np.asarray(err, float))), float)
    points = points[:, np.isfinite(points).all(axis=0)]
    if not points.size:
        return ""
    curves = [np.array(line, float) for line in lines]
    places = np.concatenate([points[0], *[curve[0] for curve in curves]])
    values = np.concatenate([points[1] - points[2], points[1] + points[2], *[curve[1] for curve in curves]])
    ends = [(float(np.nanmin(v)), float(np.nanmax(v))) for v in (places, values)]
    floor = _HEIGHT - _BOTTOM

    def across(v: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (0.05 + 0.9 * _share(v, *ends[0]))

    def up(v: float) -> float:
        return floor - (floor - _TOP) * (0.05 + 0.9 * _share(v, *ends[1]))

    parts = [f'<path d="M{_LEFT},{_TOP}V{floor}H{_WIDTH - _RIGHT}"/>']
    for curve in curves:
        corners = " ".join(f"{across(a):.1f},{up(b):.1f}" for a, b in curve.T if np.isfinite(a + b))
        parts.append(f'<polyline points="{corners}"/>')
    for a, b, e in points.T:
        parts.append(f'<path d="M{across(a):.1f},{up(b - e):.1f}V{up(b + e):.1f}"/>')
        parts.append(f'<circle cx="{across(a):.1f}" cy="{up(b):.1f}" r="3" fill="currentColor"/>')
    texts = [f'<text transform="translate(14,{floor / 2}) rotate(-90)" text-anchor="middle">{escape(y_label)}</text>']
    words: list[tuple[float, float, str, str]] = [((_LEFT + _WIDTH) / 2, _HEIGHT - 8, "middle", x_label)]
    words += [(across(v), floor + 15, "middle", x_text(v)) for v in dict.fromkeys(ends[0])]
    low, high = ends[1]
    decimals = max(0, 2 - math.floor(math.log10(high - low))) if high > low else 2  # three digits of the range
    words += [(_LEFT - 4, up(v) + 4, "end", f"{v:.{decimals}f}") for v in dict.fromkeys(ends[1])]
    texts += [f'<text x="{a:.1f}" y="{b:.1f}" text-anchor="{to}">{escape(word)}</text>' for a, b, to, word in words]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" width="{_WIDTH}" font-size="11">'
        f'<g fill="none" stroke="currentColor">{"".join(parts)}</g><g fill="currentColor">{"".join(texts)}</g></svg>'
    )


def _share(value: float, low: float, high: float) -> float:
    return (value - low) / (high - low) if high > low else 0.5
