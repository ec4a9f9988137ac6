"""Pictures of a drift: focus against temperature, what the model leaves, and the offsets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.picture import WHOLE, Axis, Band, Layer, Line, Panel, Picture, Points, Text, axis_of, series
from focuskit.core.text import number, plain_text, plus_minus, two_digits

if TYPE_CHECKING:
    from focuskit.drift.result import Drift

MOST_MARKS = 1200  # of one picture: more would make a page slow


def drift_picture(drift: Drift) -> Picture:
    """Describe position against temperature, offsets and rebuilds taken out; without temperatures against time."""
    if drift.range_c is None:
        return _by_time_picture(drift)
    celsius = np.array([run.temperature_c for run in drift.used], float)
    height = drift.change_with_temperature(celsius) + drift.residuals_steps
    layers: list[Layer] = [*run_points(drift, celsius, height)]
    if drift.steps_per_c is not None:
        grid = np.linspace(*drift.range_c, 61)
        name = f"learned drift, {number(drift.steps_per_c, drift.decimals + 2)} {drift.unit} per °C"
        layers.insert(0, Line(grid, drift.change_with_temperature(grid), name=name))
    y = axis_of(f"position less that at {number(drift.reference_c, 1)} °C ({drift.unit})", height, 0.08)
    per_c = plus_minus(drift.steps_per_c, drift.steps_per_c_err).replace("-", "−")
    label = f"Best position against temperature, offsets and rebuilds taken out: {per_c} {drift.unit} per °C."
    title = "Focus against temperature, offsets and rebuilds taken out"
    return Picture(title, label, axis_of("temperature (°C)", celsius, 0.04), (Panel(y, tuple(layers), 250.0),))


def _by_time_picture(drift: Drift) -> Picture:
    """Describe position against the time of night, offsets and the base of each night taken out."""
    found = drift.by_time
    if found is None:
        raise FocuskitError("the drift has neither temperatures nor times of night")
    grid = np.linspace(found.hours.min(), found.hours.max(), 61)
    curve = found.steps_per_h * grid + found.bend_steps_per_h2 * grid**2
    name = f"mean of the nights, {number(found.steps_per_h, drift.decimals + 2)} {drift.unit} per hour in the middle"
    y = axis_of(f"position less that in the middle of its night ({drift.unit})", found.moved_steps, 0.08)
    per_h = plus_minus(found.steps_per_h, found.err).replace("-", "−")
    label = f"Best position against the time of night, offsets taken out: {per_h} {drift.unit} per hour in the middle."
    x = axis_of(f"hours from {clock_word(found.middle_h)} UTC", found.hours, 0.04)
    layers: tuple[Layer, ...] = (Line(grid, curve, name=name), *run_points(drift, found.hours, found.moved_steps))
    return Picture("Focus against the time of night, offsets taken out", label, x, (Panel(y, layers, 250.0),))


def clock_word(hour: float) -> str:
    """Return an hour of the day as hh:mm."""
    minutes = round(60.0 * hour) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def run_points(drift: Drift, x: np.ndarray, y: np.ndarray) -> list[Points]:
    """Describe the used runs as points, filter by filter; of too many those that are spread evenly over time."""
    many = len(drift.used) > MOST_MARKS
    shown = np.linspace(0, len(drift.used) - 1, MOST_MARKS).astype(int) if many else np.arange(len(drift.used))
    order = {(one.filter or "").casefold(): i for i, one in enumerate(drift.filters)}
    kinds = np.array([order.get((drift.used[k].filter or "").casefold(), 0) for k in shown], int)
    out = []
    for i, one in enumerate(drift.filters):
        mine = shown[kinds == i]
        if mine.size:
            tips = [_tip(drift, drift.used[k], float(drift.residuals_steps[k])) for k in mine]
            out.append(Points(x[mine], y[mine], size=4.0, name=filter_word(one.filter), tips=tips, **series(i)))
    return out


def filter_word(name: str | None) -> str:
    return plain_text(name or "no filter")


def run_words(run: LoggedRun) -> str:
    """Name a run by its filter and time."""
    return f"{filter_word(run.filter)}, {run.time:%Y-%m-%d %H:%M} UTC"


def _tip(drift: Drift, run: LoggedRun, off: float) -> str:
    position = plus_minus(run.position, run.position_err).removesuffix(" ± ?")
    heat = "" if run.temperature_c is None else f"{run.temperature_c:.1f} °C\n"
    facts = f"{heat}position {position}\n{off:+.{drift.decimals + 1}f} {drift.unit} off the drift".replace("-", "−")
    return f"{run_words(run)}\n{facts}"


def residuals_picture(drift: Drift) -> Picture:
    """Describe what the model leaves over time, with the tolerance, rebuilds, and wild runs at the lower edge."""
    times = np.array([run.time.timestamp() for run in drift.used])
    wild = [one.run.time.timestamp() for one in drift.outliers]
    off = np.asarray(drift.residuals_steps, float)
    reach = 1.15 * max([*np.abs(off), drift.tolerance_steps or 1.0])
    layers: list[Layer] = []
    if drift.tolerance_steps:
        layers.append(Band(WHOLE, -drift.tolerance_steps, drift.tolerance_steps, name="tolerance"))
    layers.append(Line(WHOLE, np.zeros(2)))
    for one in drift.rebuilds:
        layers.append(Line(np.full(2, one.time.timestamp()), WHOLE, "advice", "rebuild", "rebuild"))
    layers += run_points(drift, times, off)
    if wild:
        tips = [f"{run_words(one.run)}\nset aside, {plain_text(str(one.reason))}" for one in drift.outliers]
        edge = np.full(len(wild), -np.inf)
        layers.append(Points(wild, edge, "failed", "x", name="set aside", tips=tips))
    known = "" if drift.scatter_steps is None else f", {two_digits(drift.scatter_steps)} {drift.unit} of scatter"
    label = f"What the learned drift leaves, over time: {len(drift.used)} runs{known}, {len(wild)} wild."
    panel = Panel(Axis(f"off the learned drift ({drift.unit})", -reach, reach), tuple(layers), 175.0)
    x = axis_of("time (UTC)", [*times, *wild], 0.04, 1800.0, "time")
    return Picture("What the learned drift leaves, over time", label, x, (panel,))


def offsets_picture(drift: Drift) -> Picture:
    """Describe the offsets with their errors and the tolerance about each, a row for each filter."""
    names = tuple(filter_word(one.filter) for one in drift.filters)
    tolerance, ends = drift.tolerance_steps or 0.0, [0.0]
    bands: list[Band] = []
    marks: list[Layer] = []
    for i, (name, one) in enumerate(zip(names, drift.filters, strict=True)):
        if one.offset_steps is None:
            marks.append(Text(0.0, i, "not known"))
            continue
        err = one.err or 0.0
        ends += [one.offset_steps + s * max(err, tolerance) for s in (-1.0, 1.0)]
        value = "the others count from it" if i == 0 else f"{plus_minus(one.offset_steps, err, True)} {drift.unit}"
        tip = f"{name}: {value}\n{one.runs} runs".replace("-", "−")
        marks.append(Points([one.offset_steps], [i], size=5.5, x_err=[err], tips=[tip], **series(i)))
        if tolerance:
            bands.append(Band(one.offset_steps + tolerance * np.array([-1, 1]), i + 0.2, i - 0.2, name="tolerance"))
    y = Axis("filter", len(names) - 0.5, -0.5, "names", names)
    panel = Panel(y, (*bands, Line(np.zeros(2), WHOLE, "quiet"), *marks), 34.0 * len(names))
    label = f"Filter offsets from {names[0]}; the table beside it holds the same numbers."
    return Picture("Filter offsets", label, axis_of(f"{drift.unit} from {names[0]}", ends, 0.05), (panel,))
