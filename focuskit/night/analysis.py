"""Analyse a night: from folders of frames to focus runs with their best positions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.core.times import format_time
from focuskit.core.workers import Workers
from focuskit.frames import Limits, RigFile, find_some_frames
from focuskit.night.results import Night, RunResult
from focuskit.night.runs import MeasuredRun
from focuskit.night.shapes import shape_runs
from focuskit.night.sizes import measure_run, size_run
from focuskit.night.verdict import judge_runs
from focuskit.stars import MeasuredFrame, measure_frames
from focuskit.sweeps import camera_of, fill_positions, group_runs, main_camera


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
        See `focuskit.core.workers.Workers`; ``progress`` is called with frames done and all frames.
    history : sequence of LoggedRun, optional
        Runs logged before: what they show of the telescope's spherical aberration and of the seeing is used.

    Raises
    ------
    FocuskitError
        If a folder cannot be read, or there is no frame in it.
    """
    files, not_used = find_some_frames(folders)
    with Workers(executor, 1 if len(files) < 4 else workers) as pool:
        frames: list[MeasuredFrame]
        frames, unreadable = measure_frames(files, pool, rig_file=rig_file, limits=limits, progress=progress)
        infos = fill_positions([frame.info for frame in frames])
        by_path = {info.path: replace(frame, info=info) for frame, info in zip(frames, infos, strict=True)}
        sweeps, left = group_runs(infos)
        measured = [
            measure_run(sweep, tuple(by_path[info.path] for info in sweep.frames), rig_file, pool, limits)
            for sweep in sweeps
        ]
        sized = [size_run(run) for run in sorted(measured, key=_in_order)]
        shaped = shape_runs(sized, pool, limits, history)
    runs = judge_runs(shaped)
    return Night(_main_rig(runs, frames, rig_file), tuple(runs), tuple(sorted([*not_used, *unreadable, *left])))


def _in_order(run: MeasuredRun) -> tuple[str, str, str]:
    return format_time(run.start) or "", run.filter or "", run.frames[0].info.name


def _main_rig(runs: Sequence[RunResult], frames: Sequence[MeasuredFrame], rig_file: RigFile | None) -> Rig:
    """Return the rig of the main camera; that of the first frame where there is no run."""
    if not runs:
        return frames[0].info.rig(rig_file) if frames else Rig()
    main = main_camera([run.sweep for run in runs])
    return next(run.rig for run in runs if camera_of(run.sweep) == main)
