"""Plans: which filters a night is for, what focus runs there cost, how the next run is to be made."""

from __future__ import annotations

import csv
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from focuskit.core.errors import FocuskitError, failure
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import decimals_of
from focuskit.drift import Drift
from focuskit.frames import HOUR_S, NIGHT_GAP_H, read_bytes
from focuskit.refocus.replay import Block, FloatArray, FocusBehaviour, NightPlan

OUTER_SIZES = (2.5, 3.0)  # outermost frames over the least size
OUTER_SIZE = 2.75
FRAME_COUNTS = (7, 9, 11, 13, 15)  # odd, so that one frame is at the centre
WANTED_ERR = 1 / 6  # of the tolerance: what a run's error should stay below
WANTED_SNR = 20.0  # of the 20th brightest star in the outermost frames; below it stars drop out
EXPOSURES_S = (1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0)
_USUAL_FRAMES = 9  # of a focus run: common practice, no source
OVERHEAD_S = 8.0  # per frame: move, settle, read out (common practice, no source)
NAMELESS = "-"  # the filter of runs that name none
_MOST_PLAN_BYTES = 1_000_000
_MOST_OF_BLOCK = 1e5  # minutes, or seconds of a sub-exposure
LAST_RUNS = 5  # so many of the last good runs in a filter speak for the next


# The night -----------------------------------------------------------------------------------


def read_night_plan(path: str | Path, filters: FilterTable = USUAL_FILTERS) -> NightPlan:
    """Read the blocks of a night from CSV or TOML, in their order.

    CSV has the columns ``filter,minutes`` and optionally ``sub_s``; TOML has tables ``[[block]]``
    with these keys. Without ``sub_s`` it is what is usual for the filter by ``filters``, the
    table of the rig file: 120 s in broadband, 300 s in narrowband.
    """
    path = Path(path)
    try:
        raw = read_bytes(path, _MOST_PLAN_BYTES, "a CSV or TOML file with the plan of a night").decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise FocuskitError(f"{path}: the plan cannot be read; give a CSV or TOML file") from problem
    entries: Sequence[Mapping[str, Any]]
    if path.suffix.lower() == ".toml":
        try:
            found = tomllib.loads(raw).get("block", [])
        except (tomllib.TOMLDecodeError, RecursionError, ValueError) as problem:
            raise FocuskitError(f"{path}: is not TOML ({failure(problem)})") from problem
        entries = found if isinstance(found, list) else []
        if not all(isinstance(entry, Mapping) for entry in entries):
            entries = []
    else:
        try:
            entries = list(csv.DictReader(raw.splitlines(), skipinitialspace=True))
        except csv.Error as problem:
            raise FocuskitError(f"{path}: is not CSV ({problem})") from problem
    if not entries:
        raise FocuskitError(f"{path}: no block is in the plan; each needs filter and minutes")
    return NightPlan(tuple(_block(path, i, entry, filters) for i, entry in enumerate(entries, 1)))


def _block(path: Path, number: int, entry: Mapping[str, Any], filters: FilterTable) -> Block:
    name = filters.name(str(entry.get("filter") or "").strip())
    if not name:
        raise FocuskitError(f"{path}: block {number} of the plan names no filter")
    values = []
    for key, default, least in (("minutes", None, 0.01), ("sub_s", filters.kind(name).sub_s, 1.0)):
        given = entry.get(key)
        try:
            value = default if given in (None, "") else float(given)
        except (TypeError, ValueError):
            value = None
        if value is None or not least <= value <= _MOST_OF_BLOCK:
            what = f"no {key}" if given in (None, "") else f"{key}={given}"
            raise FocuskitError(
                f"{path}: block {number} ({name}) has {what}: write a number of {least:g} to {_MOST_OF_BLOCK:g}"
            )
        values.append(value)
    return Block(name, *values)


def night_from_runs(runs: Sequence[LoggedRun], filters: FilterTable = USUAL_FILTERS) -> NightPlan | None:
    """Take the plan from the last night with at least four logged runs; None if there is none.

    Each filter is held from its run to the next run in another filter, the last one for as long
    as the blocks before it on average.
    """
    runs = sorted(runs, key=lambda run: run.time)
    moments = np.array([run.time.timestamp() for run in runs])
    names = [run.filter or NAMELESS for run in runs]
    edges = [0, *(np.flatnonzero(np.diff(moments) > NIGHT_GAP_H * HOUR_S) + 1).tolist(), len(moments)]
    for start, stop in reversed(list(pairwise(edges))):
        if stop - start < 4:
            continue
        turns = [i for i in range(start, stop) if i == start or names[i] != names[i - 1]]
        held = [(moments[b] - moments[a]) / 60.0 for a, b in pairwise(turns)]
        held.append(sum(held) / len(held) if held else 60.0)
        blocks = (Block(names[i], m, filters.kind(names[i]).sub_s) for i, m in zip(turns, held, strict=True))
        return NightPlan(tuple(b for b in blocks if b.minutes > 0.0))
    return None


# What runs cost and find ---------------------------------------------------------------------


@dataclass(frozen=True)
class Learned:
    """The behaviour that logged runs tell of, and what had to be assumed."""

    behaviour: FocusBehaviour
    flags: tuple[str, ...]
    notes: tuple[str, ...]


def learn_behaviour(
    drift: Drift,
    filters: Sequence[str],
    *,
    steps_per_c: float | None = None,
    steps_per_c_err: float | None = None,
    best_hfd_px: float | None = None,
    slope_px_per_step: float | None = None,
    run_cost_s: Mapping[str, float] | None = None,
    position_err_steps: Mapping[str, float] | None = None,
    table: FilterTable = USUAL_FILTERS,
) -> Learned:
    """Put together what the runs behind ``drift`` tell of ``filters``; what is given goes first.

    A run costs what the runs of its filter took (median), else frames times exposure and 8 s each,
    else what is customary. Its error is the run's own and the scatter about the model that this
    leaves unexplained. In the mappings the key '' stands for every filter.

    Raises
    ------
    FocuskitError
        If the runs do not tell a value and it is not given.
    """
    flags, notes = [], []
    used = drift.used

    def median_of(values: Sequence[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return float(np.median(known)) if known else None

    def needed(value: float | None, what: str, option: str) -> float:
        if value is None:
            raise FocuskitError(f"the logged runs do not tell {what}: give {option}")
        return value

    def one(given: Mapping[str, float] | None, name: str) -> float | None:
        return None if given is None else given.get(name, given.get(""))

    costs, errors = {}, {}
    overall = median_of([run.position_err for run in used])
    for name in filters:
        there = [run for run in used if (run.filter or NAMELESS) == name]
        took = median_of([run.seconds if run.seconds is not None else _seconds(run) for run in there])
        cost = one(run_cost_s, name) or took
        if cost is None:
            flags.append("run_cost_assumed")
            cost = _USUAL_FRAMES * (table.kind(name).focus_exposure_s + OVERHEAD_S)
        costs[name] = cost
        own = median_of([run.position_err for run in there]) or overall
        if own is not None and drift.extra_scatter_steps is not None:
            own = math.hypot(own, drift.extra_scatter_steps)
        given = one(position_err_steps, name)
        found = given if given is not None else own or drift.scatter_steps
        errors[name] = needed(found, "the error of a run", "--position-err STEPS")
    known = {(f.filter or NAMELESS): f for f in drift.filters if f.offset_steps is not None}
    sure = {name: f for name, f in known.items() if f.err is not None}
    k = needed(steps_per_c if steps_per_c is not None else drift.steps_per_c, "the drift", "--steps-per-c K")
    k_err = steps_per_c_err
    if k_err is None:
        # An error that is not known could be as large as the value.
        k_err = 0.0 if steps_per_c is not None else drift.steps_per_c_err
        k_err = abs(k) if k_err is None else k_err
    told = steps_per_c is None and steps_per_c_err is None and all(name in sure for name in filters)

    def draw(rng: np.random.Generator, draws: int, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        return drift.draw(rng, draws, [known[name].filter for name in names])  # type: ignore[misc]

    hfd_px = best_hfd_px or median_of([run.hfd_best_px for run in used])
    slope = slope_px_per_step or median_of([run.hfd_slope_px_per_step for run in used])
    behaviour = FocusBehaviour(
        k,
        needed(hfd_px, "the least size", "--best-hfd PX"),
        needed(slope, "the slope of the wings", "--slope PX_PER_STEP"),
        costs,
        errors,
        steps_per_c_err=k_err,
        offset_steps={name: f.offset_steps for name, f in sure.items() if f.offset_steps is not None},
        offset_err_steps={name: f.err for name, f in sure.items() if f.err is not None},
        draw_drift=draw if told and drift.steps_per_c_err is not None else None,
    )
    notes.append(f"Drift, costs and errors are learned from {len(used)} logged runs.")
    return Learned(behaviour, check(flags), tuple(notes))


def _seconds(run: LoggedRun) -> float | None:
    if run.frames is None or run.exposure_s is None:
        return None
    return run.frames * (run.exposure_s + OVERHEAD_S)


# The next run --------------------------------------------------------------------------------


@dataclass(frozen=True)
class SeenRuns:
    """What the last good runs in one filter showed, as medians.

    ``star_snr`` is that of the 20th brightest star in the best frame (the middle one of few), None where it
    was not logged;
    ``reach_steps`` the distance of the outermost frame from best focus.
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
    temperature_c: float | None = None


@dataclass(frozen=True)
class SweepPlan:
    """The next focus run in one filter.

    ``positions`` stand in the order of the sweep, from the highest to the lowest. ``position_err``
    is the error to be expected of its best position. Through ``broad_filter`` the same is reached by
    a run there and a move by the offset, with ``broad_err_steps`` and in ``broad_cost_s``; None where
    there is no quicker filter or the offset is not known.
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
    broad_filter: str | None
    broad_cost_s: float | None
    broad_err_steps: float | None
    better: str
    why: str
    flags: tuple[str, ...]


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
        last = there[-LAST_RUNS:]
        if not last:
            continue
        latest = max(last, key=lambda run: run.time)

        def middle(values: Sequence[float | None], default: float) -> float:
            known = [v for v in values if v is not None]
            return float(np.median(known)) if known else default

        size = middle([run.hfd_best_px for run in last], 1.0)
        slope = middle([run.hfd_slope_px_per_step for run in last], 1.0)
        customary_reach = size * math.sqrt(OUTER_SIZE**2 - 1.0) / slope
        exposure = middle([run.exposure_s for run in last], filters.kind(name).focus_exposure_s)
        frames = round(middle([run.frames for run in last], _USUAL_FRAMES))
        took = middle([run.seconds for run in last], frames * (exposure + OVERHEAD_S))
        snr = [run.star_snr for run in last if run.star_snr is not None]
        seen.append(
            SeenRuns(
                name,
                best_position=latest.position or 0.0,
                temperature_c=latest.temperature_c,
                position_err_steps=middle([run.position_err for run in last], size / slope / 20.0),
                best_hfd_px=size,
                slope_px_per_step=slope,
                exposure_s=exposure,
                frames=max(frames, 2),
                reach_steps=middle([run.reach_steps for run in last], customary_reach),
                overhead_s=max(took / max(frames, 1) - exposure, 0.0),
                star_snr=float(np.median(snr)) if snr else None,
            )
        )
    return seen


def plan_sweep(seen: SeenRuns, *, centre: float | None = None, travel: tuple[float, float] | None = None) -> SweepPlan:
    """Plan the next run so that its outermost frames are 2.75 times the least size.

    The step follows from HFD² = h0² + s²·(x − x0)²; the fewest frames of 7 to 15 are taken whose
    expected error is below a sixth of the tolerance. The error is that of the runs seen, scaled as a
    fit of HFD² scales: with one over the root of the sum of squared distances from focus. The
    exposure is the shortest of a ladder that keeps the 20th brightest star of the outermost frames at an
    S/N of 20, sky-limited: S/N goes with the root of time and with one over the size.

    Raises
    ------
    FocuskitError
        If the centre lies outside the focuser's travel, or too near its end for any sweep.
    """
    middle = seen.best_position if centre is None else centre
    tolerance = math.sqrt(1.05**2 - 1.0) * seen.best_hfd_px / seen.slope_px_per_step
    digits = decimals_of(tolerance)
    unit = 10.0**-digits  # what the focuser moves by at the least
    reach = seen.best_hfd_px * math.sqrt(OUTER_SIZE**2 - 1.0) / seen.slope_px_per_step
    flags = []
    if travel is not None:
        room = min(middle - travel[0], travel[1] - middle)
        if room < 3.0 * unit:
            raise FocuskitError(
                f"filter {seen.filter}: the best position {middle:.{digits}f} leaves no room for a sweep in the "
                f"focuser's travel {travel[0]:.10g} to {travel[1]:.10g}"
            )
        if reach > room:
            reach = room
            flags.append("beyond_travel")
    sweeps = []
    for frames in FRAME_COUNTS:
        half = frames // 2
        step = unit * max(1, math.floor(reach / unit / half) if flags else round(reach / unit / half))
        err = seen.position_err_steps * _leverage(seen.frames, seen.reach_steps) / _leverage(frames, half * step)
        outer = math.hypot(1.0, seen.slope_px_per_step * half * step / seen.best_hfd_px)
        if not flags or half * step <= reach:
            sweeps.append((frames, step, err, outer))
    # Whole steps of a coarse focuser may miss the wanted size: those that do not go first.
    able = [sweep for sweep in sweeps if OUTER_SIZES[0] <= sweep[3] <= OUTER_SIZES[1]]
    able = able or [min(sweeps, key=lambda sweep: abs(sweep[3] - OUTER_SIZE))]
    sure = [sweep for sweep in able if sweep[2] <= WANTED_ERR * tolerance]
    frames, step, err, outer = sure[0] if sure else min(able, key=lambda sweep: sweep[2])
    half = frames // 2
    exposure = seen.exposure_s
    if seen.star_snr is not None:
        needed = seen.exposure_s * (WANTED_SNR * outer / seen.star_snr) ** 2
        exposure = next((e for e in EXPOSURES_S if e >= needed), EXPOSURES_S[-1])
    start = unit * round(middle / unit) + half * step
    if travel is not None:
        start = min(start, unit * math.floor(travel[1] / unit))
        start = max(start, unit * math.ceil(travel[0] / unit) + 2 * half * step)
    return SweepPlan(
        filter=seen.filter,
        centre=middle,
        step=_on_grid(step, digits),
        positions=tuple(_on_grid(start - i * step, digits) for i in range(frames)),
        exposure_s=exposure,
        outer_size=outer,
        cost_s=frames * (exposure + seen.overhead_s),
        position_err_steps=err,
        tolerance_steps=tolerance,
        broad_filter=None,
        broad_cost_s=None,
        broad_err_steps=None,
        better="own",
        why="There is no quicker filter with a known offset to compare with.",
        flags=check(flags),
    )


def _on_grid(value: float, digits: int) -> float:
    """Return a position as it is set: a whole number where the focuser counts steps."""
    return round(value, digits) if digits else round(value)


def _leverage(frames: int, reach_steps: float) -> float:
    """Root of the sum of squared distances from focus, for frames spread evenly over ±reach."""
    return reach_steps * math.sqrt(frames * (frames + 1) / (3.0 * (frames - 1)))


def compare_with_offset(
    plan: SweepPlan,
    broad: SweepPlan,
    behaviour: FocusBehaviour,
    *,
    interval_min: float = 120.0,
) -> SweepPlan:
    """Say whether a run in a slow filter is worth its time against one in a quicker filter and a move.

    Each choice loses (s·σ/h0)² of the depth of the ``interval_min`` that follow, σ being the error of
    its position, and the time that it takes. With the offset, σ² is that of the run in the broad
    filter and of both offsets; the time is that of the run and two turns of the wheel.
    """
    if plan.filter == broad.filter or any(f not in behaviour.offset_steps for f in (plan.filter, broad.filter)):
        return plan
    moved = [behaviour.offset_err_steps.get(f, 0.0) for f in (plan.filter, broad.filter)]
    err = math.hypot(broad.position_err_steps, *moved)
    cost = broad.cost_s + 2.0 * behaviour.filter_change_s
    per_step = (behaviour.slope_px_per_step / behaviour.best_hfd_px) ** 2

    def loss_s(sigma: float, spent_s: float) -> float:
        return per_step * sigma**2 * 60.0 * interval_min + spent_s

    gain = loss_s(plan.position_err_steps, plan.cost_s) - loss_s(err, cost)
    better = "offset" if gain > 0.0 else "own"
    if better == "offset":
        why = f"A run in {broad.filter} and the offset to {plan.filter} save {gain:.0f} s a run, blur counted."
    else:
        why = f"A run in {plan.filter} itself is worth {-gain:.0f} s more than the offset from {broad.filter}."
    return replace(plan, broad_filter=broad.filter, broad_cost_s=cost, broad_err_steps=err, better=better, why=why)
