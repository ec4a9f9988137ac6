"""Analyse a night: from folders of frames to focus runs with their best positions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import numpy as np

from focuskit import curves
from focuskit.core.filters import USUAL_FILTERS
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.optics import Rig
from focuskit.core.times import format_time
from focuskit.core.workers import Crew
from focuskit.curves import CurveFit
from focuskit.field import FieldMap, likely_height, map_field, pool_values
from focuskit.frames import Limits, RigFile, find_some_frames
from focuskit.night.backlash import Slack, slack_of_run
from focuskit.night.results import Night, RunResult
from focuskit.night.verdict import combine
from focuskit.stars import (
    CommonSizes,
    MeasuredFrame,
    StarMatch,
    compare_frames,
    join_registered,
    match_stars,
    measure_frames,
    register_frames,
    run_key,
    search_plan,
)
from focuskit.sweeps import FocusRun, camera_of, group_runs, lend_positions, main_camera
from focuskit.waves import (
    RunProfiles,
    fit_night,
    measure_aberrations,
    stack_frames,
    stack_tasks,
    stacked_mean,
    star_weights,
)

_SLACK_ROUNDS = 3
# Stars at several heights in one stack look a little like an aberration: the best position of the stack lies off
# their mean height by so much of their scatter (measured on rendered nights, scripts/bench_nights.py, up to 0.035).
_UNEVEN = 0.025


def analyse(
    folders: str | Path | Sequence[str | Path],
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    history: Sequence[LoggedRun] = (),
) -> Night:
    """Measure every frame below the folders, group the frames into focus runs, fit each run.

    Parameters
    ----------
    folders : path or sequence of paths
    rig_file : RigFile, optional
        What the headers do not tell, or tell wrongly.
    executor, workers, progress
        See `focuskit.measure.Crew`; ``progress`` is called with frames done and all frames.
    history : sequence of LoggedRun, optional
        Runs logged before: what they told of the telescope's spherical aberration is used.

    Raises
    ------
    FocuskitError
        If a folder cannot be read, or there is no frame in it.
    """
    files, not_used = find_some_frames(folders)
    with Crew(executor, 1 if len(files) < 4 else workers) as crew:
        measured, unreadable = measure_frames(files, crew, rig_file=rig_file, limits=limits, progress=progress)
        infos = lend_positions([frame.info for frame in measured])
        measured = [replace(frame, info=info) for frame, info in zip(measured, infos, strict=True)]
        by_path = {frame.info.path: frame for frame in measured}
        groups, left = group_runs(infos)
        results = [
            _fit(run, tuple(by_path[info.path] for info in run.frames), rig_file, crew, limits) for run in groups
        ]
        results.sort(key=lambda r: (format_time(r.run.start) or "", r.run.filter or "", r.frames[0].info.name))
        results = _with_profiles(results, crew, limits, history)
    rig = measured[0].info.rig(rig_file) if measured else Rig()
    if results:
        main = main_camera([result.run for result in results])
        rig = next(result.rig for result in results if camera_of(result.run) == main)
    return Night(rig, tuple(results), tuple(sorted([*not_used, *unreadable, *left])))


def _fit(
    run: FocusRun, frames: tuple[MeasuredFrame, ...], rig_file: RigFile | None, crew: Crew, limits: Limits | None
) -> RunResult:
    rig = frames[0].info.rig(rig_file)
    match, sizes = _compare(frames, crew, limits)
    wavelength = (rig_file.filters if rig_file else USUAL_FILTERS).kind(run.filter).wavelength_nm
    key = run_key(frame.digest for frame in frames)
    fit = _fit_curve(run, sizes, rig, wavelength)
    result = RunResult(run, frames, match, sizes, fit, None, (), None, None, rig, wavelength, key)
    # Where the shapes of the stars cannot tell of the slack, their sizes have to.
    return result if _has_shapes(result) else _without_slack(replace(result, slack=_slack(result)))


def _compare(frames: tuple[MeasuredFrame, ...], crew: Crew, limits: Limits | None) -> tuple[StarMatch, CommonSizes]:
    """Bring the stars of a run together; where they are few and faint, measured again all as one."""
    fields = [frame.image for frame in frames]
    match = match_stars(fields)
    sizes = compare_frames(fields, match)
    plan = None if any(frame.info.bayer for frame in frames) else search_plan(fields)
    if plan is not None:
        found = join_registered(plan[0], register_frames(frames, plan[1], crew, limits))
        if found[1].told > sizes.told:
            return found
    return match, sizes


def _fit_curve(
    run: FocusRun, sizes: CommonSizes, rig: Rig, wavelength: float, set_aside: Sequence[str | None] | None = None
) -> CurveFit:
    return curves.fit_run(
        run.positions,
        sizes.hfd_px,
        np.where(np.isfinite(sizes.hfd_err_px), sizes.hfd_err_px, 0.0),
        fluxes=sizes.flux if np.isfinite(sizes.flux).any() else None,
        stars=sizes.stars,
        fwhm=sizes.fwhm_px if np.isfinite(sizes.fwhm_px).any() else None,
        rig=rig,
        wavelength_nm=wavelength,
        set_aside=set_aside,
    )


def _slack(result: RunResult) -> Slack | None:
    run, sizes = result.run, result.sizes
    return slack_of_run(
        run.positions, run.directions, sizes.hfd_px, sizes.hfd_err_px, result.fit, result.profile, result.profile_frames
    )


def _with_slack(result: RunResult) -> RunResult:
    """Add what the shapes of the stars tell of the slack, where they tell more than the sizes did."""
    slack = _slack(result) if result.profile else None
    if slack is None or (result.slack and result.slack.seen and not slack.seen):
        return result
    return replace(result, slack=slack)


def _without_slack(result: RunResult) -> RunResult:
    """Fit the curve again without the frames that slack puts elsewhere."""
    if not (result.slack and result.slack.seen):
        return result
    aside = result.slack.why_not_used()
    return replace(result, fit=_fit_curve(result.run, result.sizes, result.rig, result.wavelength_nm, aside))


def _has_shapes(result: RunResult) -> bool:
    """Tell whether the stars of a run can be fitted by their shapes."""
    return result.fit.best_position is not None and bool(result.rig.f_ratio and result.rig.pixel_um)


def _with_profiles(
    results: list[RunResult], crew: Crew, limits: Limits | None, history: Sequence[LoggedRun]
) -> list[RunResult]:
    """Add the profile fit where the optics are known, map the field, and choose anew what is reported."""
    weights = [star_weights(result.frames, result.match) for result in results]
    plans = [
        stack_tasks(one.frames, one.match, one.sizes.hfd_px, own) if _has_shapes(one) else []
        for one, own in zip(results, weights, strict=True)
    ]
    stacks = iter(stack_frames([task for plan in plans for _, task in plan], crew, limits))
    runs: list[RunProfiles | None] = []
    for result, plan in zip(results, plans, strict=True):
        stacked = [(k, next(stacks)) for k, _ in plan]
        usable = {k: profile for k, profile in stacked if profile is not None}
        found = RunProfiles(tuple(usable.values()), tuple(usable), result.rig, result.wavelength_nm / 1e3)
        runs.append(found if usable else None)
    told = [_with_slack(result) for result in _fit_shapes(results, runs, history)]
    # Frames that lag bend the fit that tells by how much they do: a fit without them tells it right.
    for _ in range(_SLACK_ROUNDS):
        told = [_without_slack(result) if result.profile else result for result in told]
        before, runs = runs, [_steady(*pair) for pair in zip(runs, told, strict=True)]
        if all(a is b or a.aside == b.aside for a, b in zip(before, runs, strict=True) if a and b):
            break
        told = [_with_slack(result) for result in _fit_shapes(told, runs, history)]
    out = [
        _with_field(_with_turns(result, run), own) if result.fit.best_position is not None else result
        for result, run, own in zip(told, runs, weights, strict=True)
    ]
    return [_for_the_middle(result, weights[k], _same_camera(out, result)) for k, result in enumerate(out)]


def _with_turns(result: RunResult, run: RunProfiles | None) -> RunResult:
    """Add what the stacked stars tell beside their size."""
    if run is None or result.profile is None:
        return result
    return replace(result, shapes=measure_aberrations(run.profiles, result.profile, run.rig, run.wavelength_um))


def _steady(run: RunProfiles | None, result: RunResult) -> RunProfiles | None:
    """Set the frames aside that slack puts elsewhere."""
    if run is None or result.profile is None or not (result.slack and result.slack.seen):
        return run
    why = result.slack.why_not_used()
    return replace(run, aside=tuple(why[k] is not None for k in run.frames))


def _fit_shapes(
    results: list[RunResult], runs: Sequence[RunProfiles | None], history: Sequence[LoggedRun]
) -> list[RunResult]:
    """Add the profile fit to the runs of each telescope, which have its spherical aberration in common."""
    out = list(results)
    for telescope in {r.run.telescope for r in results}:
        members = [k for k, r in enumerate(results) if r.run.telescope == telescope]
        logged = calibration_of(history, results[members[0]].rig.name, {r.key for r in results})
        fits = fit_night([runs[k] for k in members], logged)
        for k, (profile, spherical) in zip(members, fits, strict=True):
            if results[k].fit.best_position is not None:
                numbers = getattr(runs[k], "frames", ())
                out[k] = replace(results[k], profile=profile, profile_frames=numbers, spherical=spherical)
    return out


def _same_camera(results: list[RunResult], like: RunResult) -> list[FieldMap]:
    """Return the maps of all runs with the camera of one run, turned alike."""
    return [r.field for r in results if r.field and r.camera_setting == like.camera_setting]


def _with_field(result: RunResult, weights: np.ndarray) -> RunResult:
    """Map the field from the run's star tracks, about the surest best position."""
    profile, rig = result.profile, result.rig
    sizes = result.fit.fits["squared sizes"]
    if profile and rig.um_per_step is None:
        rig = replace(rig, um_per_step=profile.um_per_step)
    field = map_field(
        result.run.positions,
        result.match,
        result.fit.used,
        rig,
        result.frames[0].info.shape,
        best_position=profile.best_position if profile else sizes.best_position,
        best_position_err=profile.err if profile else sizes.best_position_err,
        slope_px_per_step=sizes.slope_per_step,
        wavelength_nm=result.wavelength_nm,
        weights=weights if profile else None,
    )
    return replace(result, field=field)


def _for_the_middle(result: RunResult, weights: np.ndarray, maps: list[FieldMap]) -> RunResult:
    """Choose what is reported, with the profile fit brought to the middle of the sensor.

    A profile fit finds the best position of the stars that it stacked, by their weight; in a tilted
    or curved field that is not the middle's. Tilt and curvature are those of all runs with the camera.
    """
    profile = result.profile
    if profile is None:
        return result
    heights, variance = np.zeros(weights.size), 0.0
    rows, columns = result.frames[0].info.shape
    x = (result.match.x_px + 0.5) / columns - 0.5
    y = (result.match.y_px + 0.5) / rows - 0.5
    square = 4.0 * ((x * columns) ** 2 + (y * rows) ** 2) / (columns**2 + rows**2)
    for place, name in ((x, "tilt_x_um"), (y, "tilt_y_um"), (square, "curvature_um")):
        if maps:
            height, err = likely_height(*pool_values([(getattr(m, name), getattr(m, f"{name}_err")) for m in maps]))
            heights += height * place
            variance += (float(np.average(place, weights=weights)) * err) ** 2
    shift_um, unsure_um = stacked_mean(result.frames, result.match, result.sizes.hfd_px, weights, heights)
    uneven_um = math.sqrt(float(np.average((heights - shift_um) ** 2, weights=weights)))
    variance += unsure_um**2 + (_UNEVEN * uneven_um) ** 2
    middle = profile.best_position - shift_um / profile.um_per_step
    err = math.hypot(profile.err, math.sqrt(variance) / profile.um_per_step)
    return replace(result, fit=combine(result.fit, middle, err))
