"""Pictures of a night: its best positions over time, and the curve of a run with what it leaves."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from focuskit.core.picture import WHOLE, Axis, Band, Images, Layer, Line, Panel, Picture, Points, Text, axis_of, series
from focuskit.core.text import number, plain_text, round_pair, two_digits
from focuskit.core.times import parse_time

if TYPE_CHECKING:
    from focuskit.night.results import RunResult

# Which curves are drawn, how, and what the key calls them.
_CURVES = (
    ("squared sizes", "main", "curve through the squared sizes"),
    ("hyperbola", "second", "hyperbola"),
    ("parabola", "third", "parabola near focus"),
)
_SWEEPS = (("frames", "o"), ("second sweep", "s"), ("third sweep", "^"))


def run_picture(result: RunResult, points: Sequence[dict[str, Any]], stars: Mapping[int, str]) -> Picture:
    """Describe sizes against position with the fitted curves, the best position and the tolerance; below it by how
    much each size is off the curve. ``points`` are those of the run's JSON; ``stars`` are images by frame, as data
    URIs, and stand between the two.
    """
    fit, x = result.fit, np.array(result.positions)
    places = [*x, *(v for v in (fit.look_near, fit.best_position) if v is not None)]
    if fit.best_position is not None and fit.tolerance_steps is not None:
        places += [fit.best_position - fit.tolerance_steps, fit.best_position + fit.tolerance_steps]
    off, scale = result.residuals_pct(), result.rig.scale_arcsec_per_px
    tips = [_frame_tip(point, scale, None if off is None else float(off[k])) for k, point in enumerate(points)]
    panels = [_size_panel(result, x, tips)]
    if stars:
        tips_of_stars = [f"all stars as one, and one star, at position {x[k]:.10g}" for k in stars]
        strip = Images([x[k] for k in stars], list(stars.values()), tips_of_stars)
        panels.append(Panel(Axis("", 0.0, 1.0), (strip,)))
    panels.append(_residual_panel(result, x, off, tips))
    start = f"{result.start:%Y-%m-%d %H:%M} UTC" if result.start else "no time"
    title = " · ".join([plain_text(result.filter or "no filter"), start, fit.verdict])
    return Picture(title, _summary(result), axis_of(f"focuser position ({result.unit})", places), tuple(panels))


def _size_panel(result: RunResult, x: np.ndarray, tips: Sequence[str]) -> Panel:
    fit, sizes = result.fit, result.sizes
    known = sizes.hfd_px[np.array(fit.used, bool) & np.isfinite(sizes.hfd_px)]
    top, low = (float(known.max()), float(known.min())) if known.size else (10.0, 0.0)
    y = Axis("half-flux diameter (px)", max(0.0, low - 0.28 * (top - low)), top + 0.06 * (top - low) + 0.1)
    layers: list[Layer] = []
    if fit.best_position is not None and fit.best_position_err is not None:
        if fit.tolerance_steps is not None:
            name = f"tolerance ±{two_digits(fit.tolerance_steps)} {result.unit} (5 % in size)"
            ends = fit.best_position + fit.tolerance_steps * np.array([-1.0, 1.0])
            layers.append(Band(ends, -np.inf, np.inf, name=name))
        layers.append(Band(fit.best_position + fit.best_position_err * np.array([-1.0, 1.0]), -np.inf, np.inf, "about"))
        layers.append(Line(np.full(2, fit.best_position), WHOLE, "best", "best position", _pair(result)))
    if fit.look_near is not None:
        words = f"centre the next sweep near {result.look_near}"
        layers.append(Line(np.full(2, fit.look_near), WHOLE, "advice", words, words))
    grid = np.linspace(x.min(), x.max(), 121)
    for name, look, words in _CURVES:
        if name in fit.fits:
            curve = fit.fits[name].size_at(grid)
            layers.append(Line(grid, np.where(curve <= y.high, curve, np.nan), look, words, on_request=look != "main"))
    unseen = np.where(np.isfinite(sizes.hfd_px), sizes.hfd_px, -np.inf)
    return Panel(y, (*layers, *_frames(result, x, unseen, sizes.hfd_err_px, tips)), 234.0)


def _residual_panel(result: RunResult, x: np.ndarray, off: np.ndarray | None, tips: Sequence[str]) -> Panel:
    """Describe by how much sizes are off the curve, in per cent; without a curve the panel says so."""
    name = "off the curve (%)"
    if off is None:
        return Panel(Axis("", -1.0, 1.0), (Text(0.5 * (x.min() + x.max()), 0.0, "no curve: the run failed"),), 40.0)
    grid = np.linspace(x.min(), x.max(), 61)
    band, sizes = result.seeing_scatter_pct(grid), result.sizes
    largest = 1.2 * max(float(np.nanmax(np.abs(off[np.array(result.fit.used, bool)]))), float(band.max()), 1.0)
    err = 100.0 * sizes.hfd_err_px / sizes.hfd_px * (1.0 + off / 100.0)
    layers: tuple[Layer, ...] = (
        Band(grid, -band, band, name="scatter of the seeing"),
        Line([x.min(), x.max()], [0.0, 0.0]),
        *_frames(result, x, off, err, tips, again=True),
    )
    return Panel(Axis(name, -largest, largest), layers, 80.0)


def _frames(
    result: RunResult, x: np.ndarray, y: np.ndarray, err: np.ndarray, tips: Sequence[str], again: bool = False
) -> list[Points]:
    """Describe the frames of each sweep with their errors, lone frames, and those set aside with a word why."""
    why, passes = result.fit.why_not_used, result.sweep.passes
    used = np.array(result.fit.used, bool) & np.isfinite(y)
    out = []

    def add(chosen: np.ndarray, **look: Any) -> None:
        k = np.flatnonzero(chosen)
        if k.size:
            out.append(Points(x[k], y[k], tips=[tips[int(i)] for i in k], index=k.tolist(), again=again, **look))

    groups = [("frames outside a sweep", "D", None), *((name, marker, n) for n, (name, marker) in enumerate(_SWEEPS))]
    for name, marker, sweep in groups:
        mine = used & np.array([(p if p is None else min(p, 2)) == sweep for p in passes])
        add(mine, name=name, marker=marker, err=err[mine])
    aside = ~used & ~np.isnan(y)
    words = [reason.code.replace("_", " ") if reason else "" for reason in (why[int(k)] for k in np.flatnonzero(aside))]
    add(aside, colour="failed", marker="x", name="set aside", words=words)
    return out


def _frame_tip(point: dict[str, Any], scale: float | None, off_pct: float | None) -> str:
    """Return what there is to say of one frame, a fact a line."""
    lines = [plain_text(point["file"]), f"position {point['position']:.10g}"]
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


def _summary(result: RunResult) -> str:
    """Return what the picture of a run shows."""
    fit, name = result.fit, plain_text(result.filter or "no filter")
    if fit.best_position is None:
        near = f" The next sweep should be centred near {result.look_near}." if result.look_near else ""
        return f"Sizes of {len(fit.used)} frames in {name} against focuser position; no best position.{near}"
    least = f"{fit.hfd_best_px:.2f} px" if fit.hfd_best_px is not None else "unknown"
    return (
        f"V-curve of {sum(fit.used)} frames in {name}: the half-flux diameter is least, {least}, "
        f"at position {_pair(result)}."
    )


def _pair(result: RunResult) -> str:
    return " ± ".join(filter(None, round_pair(result.fit.best_position, result.fit.best_position_err)))


# A night -----------------------------------------------------------------------------------------


def night_picture(title: str, runs: Sequence[RunResult], filters: Sequence[str | None]) -> Picture:
    """Describe best positions over time by filter; below them the temperature and the seeing, where they are known.

    The seeing is that of each frame from the profile fit, so what defocus does to the size is taken out. Failed runs
    stand at the lower edge; runs without a time are left out.
    """
    timed = [run for run in runs if run.start is not None]
    starts = np.array([_seconds(run) for run in timed])
    best, err = (np.array([np.nan if v is None else v for v in values], float) for values in (
        [run.fit.best_position for run in timed], [run.fit.best_position_err or 0.0 for run in timed]))  # fmt: skip
    tips, layers = [_run_tip(run) for run in timed], []
    units = " or ".join(dict.fromkeys(run.unit for run in timed))
    for k, name in enumerate([*filters, None]):
        failed = k == len(filters)
        mine = np.isnan(best) if failed else np.isfinite(best) & np.array([run.filter == name for run in timed], bool)
        look = {"colour": "failed", "marker": "x", "words": ["failed"] * len(timed)} if failed else series(k)
        label = "failed" if failed else plain_text(name or "no filter")
        if mine.any():
            y, own_tips = np.nan_to_num(best[mine], nan=-np.inf), [tips[int(i)] for i in np.flatnonzero(mine)]
            bars = None if failed else err[mine]
            layers.append(Points(starts[mine], y, size=5.5, name=label, err=bars, tips=own_tips, **look))
    panels = [Panel(axis_of(f"best position ({units})", [*(best - err), *(best + err)], 0.12), tuple(layers), 184.0)]
    warm = [(_seconds(run), run.temperature_c) for run in timed if run.temperature_c is not None]
    if len(warm) > 1:
        line = Line([t for t, _ in warm], [c for _, c in warm], "quiet")
        panels.append(Panel(axis_of("temperature (°C)", [c for _, c in warm], 0.15, 0.5), (line,), 84.0))
    seen = [p for run in timed for p in run.to_json()["points"] if None not in (p["seeing_arcsec"], p["time"])]
    if len(seen) > 1:
        sizes = [p["seeing_arcsec"] for p in seen]
        tips = [f"{plain_text(p['file'])}\n{p['time'][11:19]} UTC\nseeing {p['seeing_arcsec']:.2f}″" for p in seen]
        dots = Points([parse_time(p["time"]).timestamp() for p in seen], sizes, size=2.6, tips=tips)
        panels.append(Panel(axis_of("seeing, defocus taken out (″)", sizes, 0.12, 0.2), (dots,), 84.0))
    label = "Best position of each run over time; the table above holds the same numbers."
    return Picture(title, label, axis_of("time (UTC)", starts, 0.06, 1800.0, "time"), tuple(panels))


def _seconds(run: RunResult) -> float:
    return run.start.timestamp() if run.start else math.nan


def _run_tip(run: RunResult) -> str:
    words = [f"{plain_text(run.filter or 'no filter')} at {run.start:%H:%M} UTC: {run.fit.verdict}"]
    if run.fit.best_position is not None:
        words.append(f"best position {_pair(run)}")
    if run.temperature_c is not None:
        words.append(f"{number(run.temperature_c, 1)} °C")
    return "\n".join(words)
