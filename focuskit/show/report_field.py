"""Layout of the report's map of the best position over the sensor; the template draws it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from focuskit.core.text import round_pair
from focuskit.diagnosis import camera_words
from focuskit.field import FieldMap, pool_maps
from focuskit.night import RunResult

_COLUMNS = 18
_WIDTH, _LEFT, _TOP = 420.0, 70.0, 12.0
_DARKEST = 0.6  # opacity where the best position is farthest from the middle's
_PLACES = (-0.42, 0.0, 0.42)


@dataclass(frozen=True)
class Cell:
    """A piece of the sensor: its colour's class and opacity."""

    x: float
    y: float
    side: str
    opacity: float


@dataclass(frozen=True)
class FieldChart:
    """The map of one camera, in px of the picture, and what stands beside it.

    ``words`` are numbers at places: x, y, text. ``corners`` are name, per cent larger than the middle, and per
    cent at the corner's own best position with its error.
    """

    title: str
    height: float
    frame: tuple[float, float, float, float]
    cell: tuple[float, float]
    cells: tuple[Cell, ...]
    words: tuple[tuple[float, float, str], ...]
    corners: tuple[tuple[str, str, str, str], ...]
    hints: tuple[str, ...]


def draw_fields(runs: Sequence[RunResult]) -> list[FieldChart]:
    """Lay out one map for each camera and each way it was turned, from all its runs."""
    settings: dict[tuple[object, ...], list[RunResult]] = {}
    for run in runs:
        if run.field:
            settings.setdefault(run.camera_setting, []).append(run)
    named = len(settings) > 1
    return [
        _draw(pool_maps([run.field for run in own if run.field]), len(own), camera_words(own[0]) if named else "")
        for own in settings.values()
    ]


def _draw(field: FieldMap, runs: int, setting: str) -> FieldChart:
    height = _WIDTH * field.height_mm / field.width_mm
    rows = max(round(_COLUMNS * height / _WIDTH), 1)
    wide, high = _WIDTH / _COLUMNS, height / rows
    along, across = np.meshgrid(
        (np.arange(rows) + 0.5) / rows - 0.5, (np.arange(_COLUMNS) + 0.5) / _COLUMNS - 0.5, indexing="ij"
    )
    away = field.away_um(across, along)
    # A flat field is shown as flat, not as its noise.
    most = max(float(np.abs(away).max()), 3.0 * field.tilt_um_err, 3.0 * field.curvature_um_err)
    cells = tuple(
        Cell(
            round(_LEFT + column * wide, 2),
            round(_TOP + row * high, 2),
            "above" if away[row, column] > 0 else "below",
            round(_DARKEST * abs(float(away[row, column])) / most, 3),
        )
        for row in range(rows)
        for column in range(_COLUMNS)
    )
    words = tuple(
        (round(_LEFT + (u + 0.5) * _WIDTH, 1), round(_TOP + (v + 0.5) * height + 4.0, 1), _signed(field.away_um(u, v)))
        for v in _PLACES
        for u in _PLACES
    )
    corners = []
    for corner in field.corners:
        larger, own, err = field.larger_pct(corner)
        value, digits = round_pair(own, err)
        corners.append((corner.name, f"{corner.hfd_px:.2f}", _signed(larger), f"{value} ± {digits}"))
    count = f"{runs} runs together" if runs > 1 else "one run"
    return FieldChart(
        title=", ".join(part for part in (setting, count) if part),
        height=_TOP + height + 10.0,
        frame=(_LEFT, _TOP, _WIDTH, height),
        cell=(round(wide, 2), round(high, 2)),
        cells=cells,
        words=words,
        corners=tuple(corners),
        hints=field.hints,
    )


def _signed(value: float | np.ndarray) -> str:
    number = round(float(value))
    return f"{number:+d}".replace("-", "−") if number else "0"
