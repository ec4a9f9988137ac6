"""Drift and offsets from focus runs and light frames together.

The sides of the light frames come first (`focuskit.drift.lights`). Those of a few minutes in one filter at one position
then stand as one run, and all go through the fit of runs. What all distances read wrongly in common, which more frames
do not make smaller, is added to the errors.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.logged_light import LoggedLight
from focuskit.core.times import NIGHT_GAP_S
from focuskit.drift.choose import filter_key
from focuskit.drift.learn import learn_drift
from focuskit.drift.lights import (
    BIAS_UM,
    FADES_UM,
    LIMIT_SIGMA,
    READ,
    LightShare,
    Solution,
    Witnesses,
    is_known,
    side_probability,
    solve,
)
from focuskit.drift.linear import Array, Integers
from focuskit.drift.result import Drift
from focuskit.frames import RigFile, TemperatureLog

# Chosen: fewer frames say nothing that a run does not; frames of one filter and position stand as one run while the
# temperature moves by less than most sensors resolve.
_FEWEST, _TOGETHER, _TOGETHER_C = 10, 10, 0.5
_WILD, _MOST_FIT = 4.0, 0.8  # frames so many standard errors off are left out; the share that has to fit; chosen
_KEY = "light frames "


def learn_with_lights(
    runs: Sequence[LoggedRun],
    lights: Sequence[LoggedLight],
    rig_file: RigFile | None = None,
    *,
    rig: str | None = None,
    log: TemperatureLog | None = None,
    rebuilds: Sequence[datetime] = (),
    reference_filter: str | None = None,
    search_rebuilds: bool = True,
    position_unit: str | None = None,
) -> Drift:
    """Learn the drift of a rig from its focus runs and its light frames; without useful ones as `learn_drift`.

    Raises
    ------
    FocuskitError
        If neither can be used.
    """
    rig_file = rig_file or RigFile()
    name = rig or rig_file.rig.name or _most(runs) or _most(lights)
    whole = [light for light in lights if light.rig == name and light.temperature_c is not None and not light.problem()]
    usable = [light for light in whole if light.um_per_step]
    declared = sorted([*rig_file.rebuilds, *rebuilds])
    own = [run for run in runs if run.rig == name and _is_usable(run)]
    in_um = not usable and not own and len({light.position for light in whole}) == 1
    if in_um:
        # Where the focuser never moved its step does not matter: all is in µm.
        usable = [replace(light, um_per_step=1.0) for light in whole]
    stretches = [
        _stretch([one for one in usable if _since(one.time, declared) == k],
                 [one for one in own if _since(one.time, declared) == k])
        for k in range(len(declared) + 1)
    ]  # fmt: skip
    known = [one for one in stretches if one is not None]
    words: dict[str, Any] = {
        "rig": name, "log": log, "rebuilds": rebuilds, "reference_filter": reference_filter,
        "search_rebuilds": search_rebuilds, "position_unit": position_unit,
    }  # fmt: skip
    if not known:
        return learn_drift(runs, rig_file, **words | {"rig": rig})
    open_alone = not own and not any(one.has_sides for one in known)
    taken = [one for one in known if one.has_sides or open_alone]
    standing = [run for one in taken for run in one.runs]
    drift = learn_drift([*runs, *standing], rig_file, **words)
    return _with_share(drift, known, taken, open_alone, in_um)


def _most(logged: Sequence[LoggedRun] | Sequence[LoggedLight]) -> str | None:
    counts = Counter(one.rig for one in logged)
    return max(counts, key=lambda name: (name is not None, counts[name])) if counts else None


def _is_usable(run: LoggedRun) -> bool:
    usual = run.position is not None and run.temperature_c is not None and run.verdict != "failed"
    return usual and not run.excluded and not run.problem()


def _since(time: datetime, rebuilds: Sequence[datetime]) -> int:
    return sum(moment <= time for moment in rebuilds)


@dataclass(frozen=True)
class _Stretch:
    """The light frames between two declared rebuilds.

    ``runs`` is what stands for them, ``shifts`` by how much each of those moves with one unit of what all
    distances read wrongly, shape (runs, 3). ``has_sides`` is False where another solution is as likely.
    """

    solution: Solution
    runs: list[LoggedRun]
    shifts: Array
    has_sides: bool
    used: int
    open: int
    um_per_step: float
    steps_per_c: float
    steps_per_c_err: float


def _stretch(lights: Sequence[LoggedLight], runs: Sequence[LoggedRun]) -> _Stretch | None:
    """Find the sides of light frames between rebuilds; None where they are too few."""
    if len(lights) < _FEWEST:
        return None
    seen = _witnesses(lights, runs)
    found = solve(seen)
    best, count = found[0], len(lights)
    known = is_known(side_probability(found))[:count] | seen.is_near[:count]
    fitting = np.abs(best.off[:count]) < _WILD * best.err[:count]
    # What most frames contradict, as after a rebuild that nobody declared, shows no side.
    has_sides = bool(known[~seen.is_near[:count]].any()) and float(np.mean(fitting)) > _MOST_FIT
    kept = fitting & known if has_sides else fitting
    standing, shifts = _standing([light for light, good in zip(lights, kept, strict=True) if good],
                                 best, np.flatnonzero(kept), seen)  # fmt: skip
    place = len(best.places)
    err = math.sqrt(max(float(best.parameter_covariance[place, place]), 0.0))
    return _Stretch(
        best, standing, shifts, has_sides, int(kept.sum()), int((~known).sum()), seen.um_per_step, best.steps_per_c, err
    )


def _witnesses(lights: Sequence[LoggedLight], runs: Sequence[LoggedRun]) -> Witnesses:
    """Return light frames and runs as arrays; distances in steps of the light frames' usual size."""
    step = float(np.median([light.um_per_step for light in lights if light.um_per_step]))
    both: list[LoggedLight | LoggedRun] = [*lights, *runs]
    keys = sorted({filter_key(one.filter) for one in both})
    near = np.array([getattr(one, "defocus_limit_um", None) is not None for one in both])
    errs = [_err_um(light) for light in lights]
    time_s = np.array([one.time.timestamp() for one in both])
    order = np.argsort(time_s, kind="stable")
    night = np.empty(len(both), dtype=np.intp)
    night[order] = np.cumsum(np.r_[0, np.diff(time_s[order]) > NIGHT_GAP_S])
    distance = np.array([light.defocus_um / step for light in lights] + [0.0] * len(runs))
    return Witnesses(
        position=np.array([one.position for one in both], dtype=np.float64),
        celsius=np.array([one.temperature_c for one in both], dtype=np.float64),
        filter_index=np.array([keys.index(filter_key(one.filter)) for one in both], dtype=np.intp),
        night=night,
        distance=np.where(near, 0.0, distance),
        err=np.array([max(err, 0.1) / step for err in errs] + [run.position_err or 1.0 for run in runs]),
        is_near=near,
        fades=~near & (distance < FADES_UM / step) & (np.arange(len(both)) < len(lights)),
        is_run=np.array([False] * len(lights) + [True] * len(runs)),
        um_per_step=step,
    )


def _err_um(light: LoggedLight) -> float:
    """Return the error of a distance; that of a limit is of a normal law about focus."""
    if light.defocus_limit_um is not None:
        return light.defocus_limit_um / LIMIT_SIGMA
    return light.defocus_err_um


def _standing(
    lights: Sequence[LoggedLight], found: Solution, places: Integers, seen: Witnesses
) -> tuple[list[LoggedRun], Array]:
    """Return runs that stand for light frames, and how they move with what all distances read wrongly."""
    groups: dict[tuple[Any, ...], list[list[int]]] = {}
    for k in sorted(range(len(lights)), key=lambda k: lights[k].time):
        light, at = lights[k], int(places[k])
        parts = groups.setdefault((int(seen.night[at]), light.filter, light.position), [[]])
        first = lights[parts[-1][0]] if parts[-1] else light
        warmer = abs((light.temperature_c or 0.0) - (first.temperature_c or 0.0))
        if len(parts[-1]) == _TOGETHER or warmer > _TOGETHER_C:
            parts.append([])
        parts[-1].append(k)
    runs, shifts = [], []
    for part in (part for parts in groups.values() for part in parts):
        rows = places[part]
        near, side = seen.is_near[rows], np.sign(found.away[rows])
        # Frames near focus put it at their position, all of them alike, and how the bias fades is the same in all short
        # distances: many say no more than one.
        fades, count = seen.fades[rows], len(part)
        err = np.hypot(found.err[rows], np.where(fades, 0.5 * BIAS_UM / seen.um_per_step, 0.0))
        weight = err**-2.0 / np.where(near | fades, count, 1)
        position_err = float(weight.sum() ** -0.5)
        weight /= weight.sum()
        bias, scale, fade = found.read
        signed = side * (seen.distance[rows] + bias + fade * fades) / (1.0 + scale)
        signed[near] = 0.0
        middle = lights[part[len(part) // 2]]
        runs.append(LoggedRun(
            time=middle.time,
            position=float(weight @ (seen.position[rows] - signed)),
            filter=middle.filter,
            temperature_c=float(weight @ seen.celsius[rows]),
            position_err=position_err,
            rig=middle.rig,
            verdict="usable",
            frames=len(part),
            key=_KEY + middle.key,
        ))  # fmt: skip
        far = np.where(near, 0.0, side)
        shifts.append((-float(weight @ far), float(weight @ signed), -float(weight @ (far * fades))))
    return runs, np.array(shifts).reshape(-1, READ)


def _with_share(drift: Drift, known: list[_Stretch], taken: list[_Stretch], open_alone: bool, in_um: bool) -> Drift:
    """Add to a drift what the light frames did to it, and to its errors what they have in common."""
    first = max(known, key=lambda one: one.used)
    drift = _with_common_errors(drift, taken)
    real = [run for run in drift.used if not _stands(run)]
    counts = Counter(filter_key(run.filter) for run in real)
    frames: Counter[str] = Counter()
    for run in drift.used:
        frames[filter_key(run.filter)] += (run.frames or 0) if _stands(run) else 0
    filters = tuple(
        replace(one, runs=counts[filter_key(one.filter)], lights=frames[filter_key(one.filter)])
        for one in drift.filters
    )
    sides_open = not all(one.has_sides for one in known)
    share = LightShare(
        used=0 if open_alone else sum(frames.values()),
        not_used=sum(one.open for one in known),
        sides_open=sides_open,
        steps_per_c_size=abs(first.steps_per_c) if sides_open and not in_um else None,
        um_per_c_size=abs(first.steps_per_c) * first.um_per_step if sides_open else None,
        um_per_c_size_err=first.steps_per_c_err * first.um_per_step if sides_open else None,
    )
    raised = [*drift.flags, *(["light_sides_open"] if sides_open else [])]
    if open_alone:
        others = tuple(replace(one, offset_steps=None, err=None, steps_per_c=None) for one in filters[1:])
        filters = (filters[0], *others)
        drift = replace(drift, steps_per_c=None, steps_per_c_err=None, rebuilds=(), advice=())
        if in_um:
            drift = replace(drift, scatter_steps=None, extra_scatter_steps=None, night_scatter_steps=None, models=())
    aside = tuple(one for one in drift.set_aside if not _stands(one.run))
    return replace(drift, filters=filters, lights=share, flags=check(raised), set_aside=aside)


def _stands(run: LoggedRun) -> bool:
    """Return whether a run stands for light frames."""
    return (run.key or "").startswith(_KEY)


def _with_common_errors(drift: Drift, taken: list[_Stretch]) -> Drift:
    """Add to the errors what all distances read wrongly leaves open, by a linear fit with a base per night."""
    moved = {
        run.key: one.shifts[k] @ np.linalg.cholesky(one.solution.covariance + 1e-12 * np.eye(READ))
        for one in taken for k, run in enumerate(one.runs)
    }  # fmt: skip
    used, names = drift.used, [filter_key(one.filter) for one in drift.filters]
    time_s = np.array([run.time.timestamp() for run in used])
    night = np.cumsum(np.r_[0, np.diff(time_s) > NIGHT_GAP_S])
    index = np.array([names.index(filter_key(run.filter)) for run in used])
    columns = np.column_stack([
        np.eye(int(night[-1]) + 1)[night],
        np.array([run.temperature_c or 0.0 for run in used]) - drift.reference_c,
        np.eye(len(names))[index][:, 1:],
    ])  # fmt: skip
    weight = np.array([1.0 / (run.position_err or 1.0) for run in used])
    change = np.array([moved.get(run.key, np.zeros(READ)) for run in used])
    effect = np.linalg.lstsq(columns * weight[:, None], change * weight[:, None], rcond=1e-9)[0][int(night[-1]) + 1 :]
    common = np.sqrt(np.sum(effect**2, axis=1))

    def wider(err: float | None, more: float) -> float | None:
        return None if err is None else math.hypot(err, more)

    filters = tuple(
        one if k == 0 else replace(one, err=wider(one.err, float(common[k]))) for k, one in enumerate(drift.filters)
    )
    return replace(drift, filters=filters, steps_per_c_err=wider(drift.steps_per_c_err, float(common[0])))
