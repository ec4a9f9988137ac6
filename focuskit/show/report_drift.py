"""What the report says of drift and filter offsets."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.logged import LoggedRun
from focuskit.core.text import plain_text, plus_minus, round_pair, two_digits
from focuskit.drift import MODEL_WORDS, Drift
from focuskit.show.report_panels import (
    BELOW_PX,
    PANEL_LEFT,
    PANEL_TOP,
    RIGHT,
    Band,
    Line,
    Mark,
    Panel,
    Picture,
    Scale,
    Tick,
    Upright,
    cross_path,
    date_ticks,
    line_path,
    number,
    series_key,
    series_mark,
    spread,
    ticks_of,
)

MOST_MARKS = 1200  # of one picture: more would make the page slow
_PANEL_PX = 250.0
_ROW_PX = 34.0


def drift_view(drift: Drift) -> dict[str, Any]:
    """Return what the template shows of a drift."""
    return {
        "drift": drift,
        "answer": drift_sentence(drift),
        "more": _more_sentences(drift),
        "per_c": round_pair(drift.steps_per_c, drift.steps_per_c_err),
        "rows": [_row(drift, i) for i in range(len(drift.filters))],
        "offsets_chart": draw_offsets(drift),
        "drift_chart": draw_drift(drift),
        "residual_chart": draw_residuals(drift),
        "positions": _positions(drift),
        "set_aside": [
            (f"{one.run.time:%Y-%m-%d %H:%M}", plain_text(one.run.filter or "–"), plain_text(str(one.reason)))
            for one in drift.set_aside
        ],
        "rebuilds": [
            (f"{one.time:%Y-%m-%d %H:%M}", plus_minus(one.jump_steps, one.err, True).replace("-", "−"),
             "declared" if one.declared else "found in the data")
            for one in drift.rebuilds
        ],
        "models": [(MODEL_WORDS[m.name], m.aicc_change, m.taken) for m in drift.models],
        "advice": [
            f"{a.runs} runs{f' in {plain_text(a.filter)}' if a.filter else ''} at about {round(a.temperature_c)} °C "
            f"({a.settles})".replace("-", "−")
            for a in drift.advice
        ],
        "flags": [flags.describe(name) for name in drift.flags],
        "thinned": len(drift.used) > MOST_MARKS,
    }  # fmt: skip


def drift_sentence(drift: Drift) -> str:
    """Return the answer in one sentence."""
    per_c = plus_minus(drift.steps_per_c, drift.steps_per_c_err).replace("-", "−")
    first = "The runs do not tell a drift with temperature yet"
    if drift.steps_per_c is not None:
        first = f"Best focus moves by {per_c} steps per °C"
    others = drift.filters[1:]
    errors = [one.err for one in others if one.offset_steps is not None and one.err is not None]
    if not others:
        return f"{first}."
    if len(errors) < len(others):
        return f"{first}; {len(errors)} of {len(others)} filter offsets are known."
    name = plain_text(drift.reference_filter or "no filter")
    return f"{first}; the filters are known against {name} to ±{max(errors):.2g} steps or better."


def _more_sentences(drift: Drift) -> list[str]:
    low, high = drift.range_c
    dates = [run.time for run in drift.used]
    out = [f"Learned from {len(drift.used)} runs between {number(low, 1)} and {number(high, 1)} °C, "
           f"{min(dates):%Y-%m-%d} to {max(dates):%Y-%m-%d}; {len(drift.set_aside)} set aside."]  # fmt: skip
    if drift.steps_per_c is not None:
        out.append(drift.cooling_sentence())
    if drift.scatter_steps is not None and drift.tolerance_steps is not None:
        out.append(f"Runs scatter by {two_digits(drift.scatter_steps)} steps about this; a move of "
                   f"{two_digits(drift.tolerance_steps)} steps costs 5 % in star size.")  # fmt: skip
    return out


def _row(drift: Drift, i: int) -> dict[str, Any]:
    one = drift.filters[i]
    value, err = round_pair(one.offset_steps, one.err)
    return {
        "name": plain_text(one.filter or "no filter"),
        "mark": series_mark(i),
        "steps": one.offset_steps,
        "whole": None if one.offset_steps is None else f"{round(one.offset_steps) or 0:+d}".replace("+0", "0"),
        "value": "0" if i == 0 else value,
        "err": None if i == 0 else err,
        "runs": one.runs,
        "range": "–" if one.range_c is None else f"{number(one.range_c[0], 1)} to {number(one.range_c[1], 1)}",
        "own": one.steps_per_c,
    }


def _positions(drift: Drift) -> dict[str, Any] | None:
    """Return best positions by filter over the temperatures of the runs, a dozen columns at most."""
    if drift.steps_per_c is None:
        return None
    low, high = np.ceil(drift.range_c[0]), np.floor(drift.range_c[1])
    if high < low:
        return None
    step = next(s for s in (1, 2, 3, 4, 5, 10, 20) if (high - low) / s <= 10)
    celsius = np.arange(low, high + 0.5, step)
    rows = []
    for one in drift.filters:
        values = [drift.predict(one.filter, float(c))[0] for c in celsius]
        rows.append((plain_text(one.filter or "no filter"), [None if v is None else f"{v:.0f}" for v in values]))
    return {"celsius": [number(float(c)) for c in celsius], "rows": rows}


# Pictures -------------------------------------------------------------------------------------


def draw_drift(drift: Drift) -> Picture:
    """Lay out position against temperature, offsets and rebuilds taken out."""
    runs = _shown(drift)
    celsius = [run.temperature_c or 0.0 for run, _ in runs]
    heights = (drift.change_with_temperature(np.array(celsius)) + [off for _, off in runs]).tolist()
    x = Scale(*spread(celsius, 0.04), PANEL_LEFT, RIGHT)
    y = Scale(*spread(heights, 0.08), PANEL_TOP + _PANEL_PX, PANEL_TOP)
    marks = _marks(drift, runs, [x(c) for c in celsius], [y(h) for h in heights])
    grid = np.linspace(*drift.range_c, 61)
    lines: tuple[Line, ...] = ()
    if drift.steps_per_c is not None:
        heights_of_line = np.array([y(float(h)) for h in drift.change_with_temperature(grid)])
        lines = (Line("model", "curve-main", line_path(np.array([x(c) for c in grid]), heights_of_line)),)
    per_c = plus_minus(drift.steps_per_c, drift.steps_per_c_err).replace("-", "−")
    panel = Panel(f"position less that at {number(drift.reference_c, 1)} °C (steps)", PANEL_TOP,
                  PANEL_TOP + _PANEL_PX, ticks_of(y, 6), marks, lines)  # fmt: skip
    key = (*_key(drift), *((("learned drift", "curve-main", "M1 8H23", True),) if lines else ()))
    label = f"Best position against temperature, offsets and rebuilds taken out: {per_c} steps per °C."
    return Picture(PANEL_TOP + _PANEL_PX + BELOW_PX, ticks_of(x), "temperature (°C)", (panel,), key, label)


def draw_residuals(drift: Drift) -> Picture:
    """Lay out what the model leaves, over time, with rebuilds and wild runs."""
    runs = _shown(drift)
    wild = drift.outliers
    times = [run.time.timestamp() for run, _ in runs] + [one.run.time.timestamp() for one in wild]
    x = Scale(*spread(times, 0.04, 1800.0), PANEL_LEFT, RIGHT)
    reach = 1.15 * max([abs(off) for _, off in runs] + [drift.tolerance_steps or 1.0])
    bottom = PANEL_TOP + 0.7 * _PANEL_PX
    y = Scale(-reach, reach, bottom, PANEL_TOP)
    marks = _marks(drift, runs, [x(run.time.timestamp()) for run, _ in runs], [y(off) for _, off in runs])
    lost = []
    for k, one in enumerate(wild):
        at = x(one.run.time.timestamp()), bottom - 8
        tip = f"{_when(one.run)}\nset aside, {plain_text(str(one.reason))}"
        lost.append(Mark(*at, None, None, cross_path(*at, 4.6), "aside", tip, "", len(marks) + k))
    bands: tuple[Band, ...] = ()
    if drift.tolerance_steps:
        bands = (Band(PANEL_LEFT, y(drift.tolerance_steps), RIGHT - PANEL_LEFT,
                      y(-drift.tolerance_steps) - y(drift.tolerance_steps)),)  # fmt: skip
    uprights = tuple(Upright(x(one.time.timestamp()), "rebuild") for one in drift.rebuilds)
    zero = (Line("zero", "curve-main", f"M{PANEL_LEFT} {y(0.0)}H{RIGHT}"),)
    name = "off the learned drift (steps)"
    panel = Panel(name, PANEL_TOP, bottom, ticks_of(y), (*marks, *lost), zero, bands, uprights)
    key = [*_key(drift)]
    if lost:
        key.append(("set aside", "mark aside", "M3.5 3.5l9 9M3.5 12.5l9-9", False))
    if bands:
        key.append(("tolerance", "band", "M2 2H22V14H2z", True))
    known = "" if drift.scatter_steps is None else f", {two_digits(drift.scatter_steps)} steps of scatter"
    label = f"What the learned drift leaves, over time: {len(drift.used)} runs{known}, {len(wild)} wild."
    return Picture(bottom + BELOW_PX, tuple(date_ticks(x)), "time (UTC)", (panel,), tuple(key), label)


def draw_offsets(drift: Drift) -> Picture | None:
    """Lay out the offsets with their errors, one row a filter; None where there is only one filter."""
    known = [(i, one, one.offset_steps) for i, one in enumerate(drift.filters) if one.offset_steps is not None]
    if len(known) < 2:
        return None
    tolerance = drift.tolerance_steps or 0.0
    ends = [offset + s * max(one.err or 0.0, tolerance) for _, one, offset in known for s in (-1, 1)]
    x = Scale(*spread(ends, 0.05), PANEL_LEFT, RIGHT)
    bottom = PANEL_TOP + _ROW_PX * len(known)
    marks, lines, bands, rows = [], [], [], []
    for k, (i, one, offset) in enumerate(known):
        at, name = PANEL_TOP + _ROW_PX * (k + 0.5), plain_text(one.filter or "none")
        rows.append(Tick(at, name if len(name) <= 6 else f"{name[:5]}…"))
        if tolerance:
            low, high = x(offset - tolerance), x(offset + tolerance)
            bands.append(Band(low, at - 7, round(high - low, 2), 14))
        if one.err:
            low, high = x(offset - one.err), x(offset + one.err)
            caps = f"M{low} {at - 4}V{at + 4}M{high} {at - 4}V{at + 4}"
            lines.append(Line(name, "reach-line", f"{caps}M{low} {at}H{high}"))
        value = "the others count from it" if i == 0 else f"{plus_minus(offset, one.err, True)} steps".replace("-", "−")
        tip = f"{name}: {value}\n{one.runs} runs"
        look, path = series_mark(i, x(offset), at)
        marks.append(Mark(x(offset), at, None, None, path, look, tip, "", k))
    zero = Line("zero", "axis", f"M{x(0.0)} {PANEL_TOP}V{bottom}")
    panel = Panel("filter", PANEL_TOP, bottom, tuple(rows), tuple(marks), (zero, *lines), tuple(bands))
    reference = plain_text(drift.reference_filter or "no filter")
    label = f"Filter offsets from {reference}; the table beside it holds the same numbers."
    key = (("tolerance", "band", "M2 2H22V14H2z", True),) if tolerance else ()
    return Picture(bottom + BELOW_PX, ticks_of(x), f"steps from {reference}", (panel,), key, label)


def _shown(drift: Drift) -> list[tuple[LoggedRun, float]]:
    """Return used runs with what the model leaves of them, spread evenly where they are too many."""
    runs = list(zip(drift.used, map(float, drift.residuals_steps), strict=True))
    if len(runs) <= MOST_MARKS:
        return runs
    return [runs[k] for k in np.linspace(0, len(runs) - 1, MOST_MARKS).astype(int)]


def _marks(
    drift: Drift, runs: Sequence[tuple[LoggedRun, float]], x: Sequence[float], y: Sequence[float]
) -> tuple[Mark, ...]:
    series = {(one.filter or "").casefold(): i for i, one in enumerate(drift.filters)}
    marks = []
    for k, (run, off) in enumerate(runs):
        i = series.get((run.filter or "").casefold(), 0)
        position = plus_minus(run.position, run.position_err).removesuffix(" ± ?")
        facts = f"{run.temperature_c:.1f} °C\nposition {position}\n{off:+.1f} steps off the drift".replace("-", "−")
        tip = f"{_when(run)}\n{facts}"
        look, path = series_mark(i, x[k], y[k], 4.0)
        marks.append(Mark(x[k], y[k], None, None, path, look, tip, "", k))
    return tuple(marks)


def _when(run: LoggedRun) -> str:
    return f"{plain_text(run.filter or 'no filter')}, {run.time:%Y-%m-%d %H:%M} UTC"


def _key(drift: Drift) -> list[tuple[str, str, str, bool]]:
    return series_key(plain_text(one.filter or "no filter") for one in drift.filters)
