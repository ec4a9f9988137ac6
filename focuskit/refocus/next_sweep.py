"""The next focus run in each filter: its positions, its exposure, and whether another filter would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import TOLERATED_GROWTH, Rig, decimals_of
from focuskit.core.picture import Panel, Picture, Points, axis_of
from focuskit.core.statistics import median_of
from focuskit.core.svg import draw_svg
from focuskit.core.text import html_table
from focuskit.drift import Drift
from focuskit.refocus.answer import rounded, rounded_fields
from focuskit.refocus.behaviour import (
    NOTHING,
    OVERHEAD_S,
    USUAL_FRAMES,
    FocusBehaviour,
    Known,
    learn_behaviour,
    tolerance_steps,
)
from focuskit.refocus.night_plan import NAMELESS

# Outermost frames over the least size: far enough that the wings fix the curve, near enough that faint stars
# are still found (chosen; common practice is two to three).
OUTER_SIZES = (2.5, 3.0)
OUTER_SIZE = 2.75  # their middle
FRAME_COUNTS = (7, 9, 11, 13, 15)  # odd, so that one frame is at the centre
WANTED_ERR = 1 / 6  # of the tolerance: a run's error then costs (5 %)/36, nothing beside the seeing (chosen)
WANTED_SNR = 20.0  # of the 20th brightest star in the outermost frames; below it stars drop out (chosen)
EXPOSURES_S = (1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0)
LAST_RUNS = 5  # so many of the last good runs in a filter speak for the next: a night or two (chosen)
_VAGUE_ERR = 1 / 20  # of h0/s: a run's error where none was logged, a sixth of the tolerance
_ROOM_STEPS = 3.0  # smallest moves on each side of the centre, for seven frames


@dataclass(frozen=True)
class SeenRuns:
    """What the last good runs in one filter showed, as medians.

    ``star_snr`` is that of the 20th brightest star in the best frame (the middle one of few), None where it
    was not logged; ``reach_steps`` is the distance of the outermost frame from best focus.
    """

    filter: str
    best_position: float
    position_err_steps: float
    best_hfd_px: float
    slope_px_per_step: float
    exposure_s: float
    frames: int
    reach_steps: float
    overhead_s: float = OVERHEAD_S
    star_snr: float | None = None

    @property
    def tolerance_steps(self) -> float:
        """Move from best focus that costs 5 % in half-flux diameter."""
        return tolerance_steps(self.best_hfd_px, self.slope_px_per_step)

    def size_at(self, steps: float) -> float:
        """Half-flux diameter so far from best focus, over the least one: HFD² = h0² + s²·x²."""
        return math.hypot(1.0, self.slope_px_per_step * steps / self.best_hfd_px)


@dataclass(frozen=True)
class ByOffset:
    """The same focus by a run in a quicker filter and a move by the offset: what it takes and what error it has."""

    filter: str
    cost_s: float
    position_err: float


@dataclass(frozen=True, repr=False)
class SweepPlan:
    """The next focus run in one filter.

    ``positions`` stand in the order of the sweep, from the highest to the lowest. ``position_err_steps``
    is the error to be expected of its best position. ``by_offset`` is None where there is no quicker filter
    or the offset is not known; ``better`` is ``own`` or ``offset``.
    """

    filter: str
    centre: float
    step: float
    positions: tuple[float, ...]
    exposure_s: float
    outer_size: float
    cost_s: float
    position_err_steps: float
    tolerance_steps: float
    flags: tuple[str, ...]
    by_offset: ByOffset | None = None
    better: str = "own"
    why: str = "There is no quicker filter with a known offset to compare with."

    def to_json(self) -> dict[str, Any]:
        """Return an entry of ``sweeps`` in schema ``focuskit.plan/1``."""
        return {
            "filter": self.filter,
            "centre": rounded(self.centre, 12),
            "step": self.step,
            "frames": len(self.positions),
            "positions": list(self.positions),
            "exposure_s": self.exposure_s,
            "outer_size": rounded(self.outer_size),
            "cost_s": rounded(self.cost_s),
            "position_err": rounded(self.position_err_steps),
            "tolerance_steps": rounded(self.tolerance_steps),
            "by_offset": rounded_fields(self.by_offset) if self.by_offset else None,
            "better": self.better,
            "why": self.why,
            "flags": list(self.flags),
        }

    def __repr__(self) -> str:
        return (
            f"SweepPlan in {self.filter}: {len(self.positions)} frames of {self.exposure_s:g} s from "
            f"{self.positions[0]} to {self.positions[-1]} by {self.step}, {self.cost_s:.0f} s in all"
        )

    def _repr_html_(self) -> str:
        """Show the positions on the curve of sizes in a notebook."""
        bend = math.sqrt(TOLERATED_GROWTH**2 - 1.0) / self.tolerance_steps
        size = [math.hypot(1.0, bend * (x - self.centre)) for x in self.positions]
        panel = Panel(axis_of("size over the least size", size, 0.1, 0.1), (Points(self.positions, size),))
        picture = Picture("", repr(self), axis_of("focuser position", self.positions), (panel,))
        return html_table(repr(self), ("positions",), [(" ".join(map(str, self.positions)),)]) + draw_svg(picture)


def plan_sweeps(
    drift: Drift,
    *,
    travel: tuple[float, float] | None = None,
    temperature_c: float | None = None,
    interval_min: float = 120.0,
    filters: FilterTable = USUAL_FILTERS,
    rig: Rig | None = None,
    known: Known = NOTHING,
) -> list[SweepPlan]:
    """Plan the next run in each filter, and compare it with one in the quickest filter and a move.

    Parameters
    ----------
    drift : Drift
        See `fit_drift`; the runs that it used are those that the plans follow.
    travel : (float, float), optional
        Lowest and highest position the focuser may be sent to.
    temperature_c : float, optional
        Centre the sweeps where focus lies then; by default on the last best position.
    interval_min : float
        What follows a run until the next one, for the comparison.
    filters : FilterTable, optional
        The table of the rig file (`RigFile.filters`).
    rig : Rig, optional
        Of the rig file: its optics and a seeing of 3″ stand in where the runs tell no sizes.
    known : Known, optional
        Size at best focus and slope of the wings, where better known than from the runs; the rest is not used.

    Raises
    ------
    FocuskitError
        If focus at that temperature is not known, or the travel leaves no room for a sweep.
    """
    plans = []
    runs = [_with_sizes(run, known) for run in drift.used]
    seen_runs = look_at_runs(runs, filters)
    optics = None if seen_runs else Known.by_optics(rig)
    if optics:
        runs = [_with_sizes(_with_sizes(run, optics), known) for run in runs]
        seen_runs = look_at_runs(runs, filters)
    for seen in seen_runs:
        centre = None
        if temperature_c is not None:
            centre = drift.predict(None if seen.filter == NAMELESS else seen.filter, temperature_c)[0]
            if centre is None:
                raise FocuskitError(
                    f"filter {seen.filter}: the logged runs do not tell its focus at {temperature_c} °C"
                )
        plan = plan_sweep(seen, centre=centre, travel=travel)
        plans.append(replace(plan, flags=check([*plan.flags, *["sizes_from_optics"] * bool(optics)])))
    if not plans:
        return []
    # The comparison rests on offsets and sizes: runs too few to tell a drift or its errors do for it.
    known = replace(
        known,
        steps_per_c=drift.steps_per_c or 0.0,
        position_err_steps={p.filter: p.position_err_steps for p in plans},
    )
    behaviour, _ = learn_behaviour(drift, [p.filter for p in plans], known, filters, rig)
    quickest = min(plans, key=lambda p: p.cost_s)
    return [compare_with_offset(p, quickest, behaviour, interval_min=interval_min) for p in plans]


def _with_sizes(run: LoggedRun, known: Known) -> LoggedRun:
    """Return a run whose own sizes are replaced by those that are known."""
    size, slope = known.best_hfd_px, known.slope_px_per_step
    return replace(
        run,
        hfd_best_px=run.hfd_best_px if size is None else size,
        hfd_slope_px_per_step=run.hfd_slope_px_per_step if slope is None else slope,
        tolerance_steps=run.tolerance_steps if size is None and slope is None else None,
    )


def look_at_runs(runs: Sequence[LoggedRun], filters: FilterTable = USUAL_FILTERS) -> list[SeenRuns]:
    """Sum up the last good runs of each filter, in the order of the filters' first use.

    Where no run of a filter is good, usable ones stand in. Filters whose runs tell neither size nor
    slope are left out.
    """
    seen = []
    able = [run for run in runs if run.position is not None and not run.excluded and run.verdict != "failed"]
    for name in dict.fromkeys(run.filter or NAMELESS for run in sorted(able, key=lambda run: run.time)):
        there = [run for run in able if (run.filter or NAMELESS) == name and run.hfd_best_px
                 and run.hfd_slope_px_per_step]  # fmt: skip
        there.sort(key=lambda run: (run.verdict in (None, "good"), run.time))
        if there:
            seen.append(_sum_up(name, there[-LAST_RUNS:], filters))
    return seen


def _sum_up(name: str, runs: Sequence[LoggedRun], filters: FilterTable) -> SeenRuns:
    def middle(values: Sequence[float | None], default: float) -> float:
        found = median_of(values)
        return default if found is None else found

    size = middle([run.hfd_best_px for run in runs], 1.0)
    slope = middle([run.hfd_slope_px_per_step for run in runs], 1.0)
    exposure = middle([run.exposure_s for run in runs], filters.kind(name).focus_exposure_s)
    frames = round(middle([run.frames for run in runs], USUAL_FRAMES))
    took = middle([run.seconds for run in runs], frames * (exposure + OVERHEAD_S))
    return SeenRuns(
        name,
        best_position=max(runs, key=lambda run: run.time).position or 0.0,
        position_err_steps=middle([run.position_err for run in runs], _VAGUE_ERR * size / slope),
        best_hfd_px=size,
        slope_px_per_step=slope,
        exposure_s=exposure,
        frames=max(frames, 2),
        reach_steps=middle([run.reach_steps for run in runs], _wanted_reach(size, slope)),
        overhead_s=max(took / max(frames, 1) - exposure, 0.0),
        star_snr=median_of([run.star_snr for run in runs]),
    )


def _wanted_reach(best_hfd_px: float, slope_px_per_step: float) -> float:
    """Distance from best focus where frames have the wanted outermost size."""
    return best_hfd_px * math.sqrt(OUTER_SIZE**2 - 1.0) / slope_px_per_step


def plan_sweep(seen: SeenRuns, *, centre: float | None = None, travel: tuple[float, float] | None = None) -> SweepPlan:
    """Plan the next run so that its outermost frames are 2.75 times the least size.

    The fewest frames of 7 to 15 are taken whose expected error is below a sixth of the tolerance.

    Raises
    ------
    FocuskitError
        If the centre lies outside the focuser's travel, or too near its end for any sweep.
    """
    middle = seen.best_position if centre is None else centre
    digits = decimals_of(seen.tolerance_steps)
    unit = 10.0**-digits  # what the focuser moves by at the least
    wanted = _wanted_reach(seen.best_hfd_px, seen.slope_px_per_step)
    low, high = travel or (-math.inf, math.inf)
    room = min(middle - low, high - middle)
    if room < _ROOM_STEPS * unit:
        raise FocuskitError(
            f"filter {seen.filter}: the best position {middle:.{digits}f} leaves no room for a sweep in the "
            f"focuser's travel {low:.10g} to {high:.10g}"
        )
    frames, step, err = _spacing(seen, unit, wanted, room)
    half = frames // 2
    outer = seen.size_at(half * step)
    exposure = _exposure(seen, outer)
    start = unit * round(middle / unit) + half * step
    if travel is not None:
        start = min(start, unit * math.floor(high / unit))
        start = max(start, unit * math.ceil(low / unit) + 2 * half * step)
    return SweepPlan(
        filter=seen.filter,
        centre=middle,
        step=_on_grid(step, digits),
        positions=tuple(_on_grid(start - i * step, digits) for i in range(frames)),
        exposure_s=exposure,
        outer_size=outer,
        cost_s=frames * (exposure + seen.overhead_s),
        position_err_steps=err,
        tolerance_steps=seen.tolerance_steps,
        flags=check(["beyond_travel"] if wanted > room else []),
    )


def _spacing(seen: SeenRuns, unit: float, wanted: float, room: float) -> tuple[int, float, float]:
    """Return the number of frames, their step and the expected error, for a wanted reach within the room.

    The error is that of the runs seen, scaled as a fit of HFD² = h0² + s²·(x − x0)² scales: with one over
    the root of the sum of squared distances from focus.
    """
    reach = min(wanted, room)
    sweeps = []
    for frames in FRAME_COUNTS:
        half = frames // 2
        step = unit * max(1, (math.floor if wanted > room else round)(reach / unit / half))
        if wanted <= room or half * step <= reach:
            err = seen.position_err_steps * _leverage(seen.frames, seen.reach_steps) / _leverage(frames, half * step)
            sweeps.append((frames, step, err))

    def outer(sweep: tuple[int, float, float]) -> float:
        return seen.size_at(sweep[0] // 2 * sweep[1])

    # Whole steps of a coarse focuser may miss the wanted size: those that do not go first.
    able = [sweep for sweep in sweeps if OUTER_SIZES[0] <= outer(sweep) <= OUTER_SIZES[1]]
    able = able or [min(sweeps, key=lambda sweep: abs(outer(sweep) - OUTER_SIZE))]
    fine = [sweep for sweep in able if sweep[2] <= WANTED_ERR * seen.tolerance_steps]
    return fine[0] if fine else min(able, key=lambda sweep: sweep[2])


def _exposure(seen: SeenRuns, outer_size: float) -> float:
    """The shortest of a ladder that keeps the 20th brightest star of the outermost frames at an S/N of 20.

    Sky-limited: S/N goes with the root of time and with one over the size.
    """
    if seen.star_snr is None:
        return seen.exposure_s
    needed = seen.exposure_s * (WANTED_SNR * outer_size / seen.star_snr) ** 2
    return next((e for e in EXPOSURES_S if e >= needed), EXPOSURES_S[-1])


def _on_grid(value: float, digits: int) -> float:
    """Return a position as it is set: a whole number where the focuser counts steps."""
    return round(value, digits) if digits else round(value)


def _leverage(frames: int, reach_steps: float) -> float:
    """Root of the sum of squared distances from focus, for frames spread evenly over ±reach."""
    return reach_steps * math.sqrt(frames * (frames + 1) / (3.0 * (frames - 1)))


def compare_with_offset(
    plan: SweepPlan, quick: SweepPlan, behaviour: FocusBehaviour, *, interval_min: float = 120.0
) -> SweepPlan:
    """Say whether a run in a slow filter is worth its time against one in a quicker filter and a move.

    Each choice loses (s·σ/h0)² of the depth of the ``interval_min`` that follow, σ being the error of
    its position, and the time that it takes. With the offset, σ² is that of the run in the quick
    filter and of both offsets; the time is that of the run and two turns of the wheel.
    """
    pair = (plan.filter, quick.filter)
    if plan.filter == quick.filter or any(f not in behaviour.offset_steps for f in pair):
        return plan
    err = math.hypot(quick.position_err_steps, *(behaviour.offset_err_steps.get(f, 0.0) for f in pair))
    cost = quick.cost_s + 2.0 * behaviour.filter_change_s

    def loss_s(sigma: float, spent_s: float) -> float:
        return behaviour.loss_per_step2() * sigma**2 * 60.0 * interval_min + spent_s

    gain = loss_s(plan.position_err_steps, plan.cost_s) - loss_s(err, cost)
    why = f"A run in {plan.filter} itself is worth {-gain:.0f} s more than the offset from {quick.filter}."
    if gain > 0.0:
        why = f"A run in {quick.filter} and the offset to {plan.filter} save {gain:.0f} s a run, blur counted."
    return replace(plan, by_offset=ByOffset(quick.filter, cost, err), better="offset" if gain > 0.0 else "own", why=why)
