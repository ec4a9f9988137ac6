"""Analyse a night: from folders of frames to focus runs with their best positions."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from focuskit.core.cache import NOTHING, digest
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.core.reasons import Reason
from focuskit.core.times import format_time
from focuskit.core.workers import NOT_LASTING, Workers
from focuskit.frames import FoundFile, Limits, RigFile, find_some_frames
from focuskit.night.lights import measure_lights, pick_lights, without_lights
from focuskit.night.results import Night, RunResult
from focuskit.night.rigs import rigs_of
from focuskit.night.runs import MeasuredRun
from focuskit.night.shapes import shape_runs
from focuskit.night.sizes import measure_run, size_run
from focuskit.night.verdict import judge_runs
from focuskit.stars import MeasuredFrame, measure_frames
from focuskit.sweeps import camera_of, fill_positions, group_runs, main_camera

_SAME_FOCAL_LENGTH = 0.1  # chosen: as for rig files


def analyse(
    folders: str | Path | Sequence[str | Path],
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    history: Sequence[LoggedRun] = (),
    cache: str | Path | None = None,
) -> Night:
    """Measure every frame below the folders, group the frames into focus runs, fit each run.

    Parameters
    ----------
    folders : path or sequence of paths
    rig_file : RigFile, optional
        What the headers do not tell, or tell wrongly.
    executor, workers, progress
        See `focuskit.core.workers.Workers`; ``progress`` is called with frames done and all frames.
    history : sequence of LoggedRun, optional
        Runs logged before: what they show of the telescope (optics that are not given, the size of a step, spherical
        aberration) and of the seeing is used.
    cache : path, optional
        Folder that keeps what was measured, stacked and fitted, for the next time: see `focuskit.core.cache.Cache`.
        The answer is the same with it, bit for bit.

    Raises
    ------
    FocuskitError
        If a folder cannot be read, or there is no frame in it.
    """
    files, not_used = find_some_frames(folders)
    with Workers(executor, 1 if len(files) < 4 else workers, cache) as pool:
        key = pool.cache.key("night", [file.path for file in files], files, not_used, rig_file, limits)
        kept = pool.cache.load(key)
        if kept is not NOTHING and kept[0] == digest(_others(history, kept[1].runs)):
            return kept[1]
        night, lasts = _analyse(files, not_used, rig_file, limits, pool, progress, history)
        if lasts:
            pool.cache.save(key, (digest(_others(history, night.runs)), night))
    return night


def _analyse(
    files: Sequence[FoundFile],
    not_used: Sequence[tuple[str, Reason]],
    rig_file: RigFile | None,
    limits: Limits | None,
    pool: Workers,
    progress: Callable[[int, int], None] | None,
    history: Sequence[LoggedRun],
) -> tuple[Night, bool]:
    """Analyse the files found, see `analyse`; return also whether the answer would be the same the next time."""
    if rig_file and not rig_file.rigs:
        rig_file = rig_file.among(filter(None, (file.optics(rig_file, limits) for file in files)))
    frames, unreadable = measure_frames(files, pool, rig_file=rig_file, limits=limits, progress=progress)
    infos = fill_positions([frame.info for frame in frames])
    by_path = {info.path: replace(frame, info=info) for frame, info in zip(frames, infos, strict=True)}
    sweeps, left = group_runs(infos)
    measured = name_rigs_apart(
        measure_run(sweep, tuple(by_path[info.path] for info in sweep.frames), rig_file, pool, limits)
        for sweep in sweeps
    )
    sized = [size_run(run) for run in sorted(measured, key=_in_order)]
    others = _others(history, sized)
    shaped = shape_runs(sized, pool, limits, others)
    runs = judge_runs(shaped)
    rigs = rigs_of(runs, rig_file)
    picked = pick_lights(by_path.values(), runs, left)
    lights, blank = measure_lights(picked, runs, rigs, rig_file, pool, limits, others)
    aside = tuple(sorted([*not_used, *unreadable, *without_lights(left, picked), *blank]))
    lasts = not any(run.lost_stacks or any(run.unread) for run in runs)
    lasts &= not any(why.code in NOT_LASTING for _, why in unreadable)
    return Night(_main_rig(runs, frames, rig_file), tuple(runs), aside, rigs, tuple(lights)), lasts


def _others(history: Sequence[LoggedRun], runs: Sequence[MeasuredRun]) -> list[LoggedRun]:
    """Return the logged runs other than these: a run adds nothing to its own analysis."""
    own = {run.key for run in runs}
    return [run for run in history if run.key not in own]


def name_rigs_apart(runs: Iterable[MeasuredRun]) -> list[MeasuredRun]:
    """Return the runs, those of other cameras and optics than the main one of their rig under a name of their own.

    Their best positions are others, and must not be logged as those of the main camera.
    """
    named = list(runs)
    for name in {run.rig.name for run in named}:
        alike = [run for run in named if run.rig.name == name]
        main_one = main_camera([run.sweep for run in alike])
        main = next(run for run in alike if camera_of(run.sweep) == main_one)
        for run in alike:
            words = [] if run.instrument in (None, main.instrument) else [run.instrument]
            own, usual = run.rig.focal_length_mm, main.rig.focal_length_mm
            words += [f"{own:.0f} mm"] if own and usual and abs(own / usual - 1.0) > _SAME_FOCAL_LENGTH else []
            if words:
                rig = replace(run.rig, name=", ".join([*filter(None, [name]), *words]))
                named[named.index(run)] = replace(run, rig=rig)
    return named


def _in_order(run: MeasuredRun) -> tuple[str, str, str]:
    return format_time(run.start) or "", run.filter or "", run.frames[0].info.name


def _main_rig(runs: Sequence[RunResult], frames: Sequence[MeasuredFrame], rig_file: RigFile | None) -> Rig:
    """Return the rig of the main camera; that of the first frame where there is no run."""
    if not runs:
        return frames[0].info.rig(rig_file) if frames else Rig()
    main = main_camera([run.sweep for run in runs])
    return next(run.rig for run in runs if camera_of(run.sweep) == main)
