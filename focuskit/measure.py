"""Measure frames, one or many at once, and stack the stars of a run's frames for the profile fit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from astropy.table import QTable

from focuskit.errors import FocuskitError
from focuskit.fitsfile import Limits
from focuskit.frames import FoundFile, FrameInfo, read_frame, read_pixels
from focuskit.profile_stack import FrameProfile, stack_profile
from focuskit.rigfile import RigFile
from focuskit.stars import StarField, measure_pixels


@dataclass(frozen=True)
class MeasuredFrame:
    """A frame's facts and its stars.

    Parameters
    ----------
    info : FrameInfo
    field : StarField
    digest : str
        Hash of the pixels: tells a copy of the frame, whatever it is called.
    """

    info: FrameInfo
    field: StarField
    digest: str

    @property
    def hfd_px(self) -> float | None:
        """Median half-flux diameter of the good stars, in sensor pixels; None without any."""
        return self.field.hfd_px

    @property
    def hfd_err_px(self) -> float | None:
        """Standard deviation of ``hfd_px``."""
        return self.field.hfd_err_px

    @property
    def fwhm_px(self) -> float | None:
        """Median full width at half maximum of the good stars, in sensor pixels."""
        return self.field.fwhm_px

    @property
    def stars(self) -> QTable:
        """The stars as an astropy table with units."""
        return self.field.stars

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the frame, from the registry."""
        return ("few_stars",) if self.field.count < 5 else ()


def measure_frame(
    path: str | Path,
    *,
    root: str | Path | None = None,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
) -> MeasuredFrame:
    """Read one frame and measure its stars.

    Raises
    ------
    FocuskitError
        If the file cannot be read as a frame; the message names it.
    """
    info, pixels = read_frame(path, root, rig_file, limits)
    try:
        field = measure_pixels(pixels, bayer=info.bayer, saturation_adu=info.saturation_adu, gain_e_per_adu=info.gain)
    except FocuskitError as problem:
        raise FocuskitError(f"{info.name}: {problem}") from problem
    digest = hashlib.blake2b(np.ascontiguousarray(pixels.raw[::7]).data, digest_size=16).hexdigest()
    return MeasuredFrame(info, field, digest)


def _measure_or_say(found: FoundFile, rig_file: RigFile | None, limits: Limits | None) -> MeasuredFrame | str:
    """Return the measured frame, or why it cannot be one; errors cross process borders as text."""
    root = Path(found.path).as_posix().removesuffix(found.name) or "."
    try:
        return measure_frame(found.path, root=root, rig_file=rig_file, limits=limits)
    except FocuskitError as problem:
        return str(problem).removeprefix(f"{found.name}: ").removeprefix(f"{found.path}: ")


Task = TypeVar("Task")
Outcome = TypeVar("Outcome")


class Crew:
    """Those who do the work on frames: any executor, processes of this machine, or nobody else.

    Use it as a context; processes that it started end with it, an executor that was handed in stays.

    Parameters
    ----------
    executor : concurrent.futures.Executor, optional
    workers : int, optional
        Number of processes where no executor is given; 1 works in this process.
    """

    def __init__(self, executor: Executor | None = None, workers: int | None = None) -> None:
        self._executor = executor
        self._own = None if executor or workers == 1 else ProcessPoolExecutor(workers)

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        if self._own:
            self._own.shutdown(cancel_futures=True)

    def map(
        self,
        work: Callable[[Task], Outcome],
        tasks: Sequence[Task],
        lost: Callable[[Task], Outcome],
        progress: Callable[[int, int], None] | None = None,
    ) -> list[Outcome]:
        """Return ``work`` of each task, in the order of tasks; ``lost`` where a process died over it."""
        pool = self._executor or self._own
        results: dict[int, Outcome] = {}

        def keep(index: int, outcome: Outcome) -> None:
            results[index] = outcome
            if progress:
                progress(len(results), len(tasks))

        if pool is None:
            for index, task in enumerate(tasks):
                keep(index, work(task))
        else:
            try:
                jobs = {pool.submit(work, task): index for index, task in enumerate(tasks)}
            except BrokenProcessPool:
                return [lost(task) for task in tasks]
            for job in as_completed(jobs):
                try:
                    keep(jobs[job], job.result())
                except BrokenProcessPool:
                    keep(jobs[job], lost(tasks[jobs[job]]))
        return [results[index] for index in range(len(tasks))]


def _lost_frame(_: object) -> str:
    return "the process that measured it died; try again with --workers 1"


def measure_frames(
    files: Sequence[FoundFile],
    crew: Crew,
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[MeasuredFrame], list[tuple[str, str]]]:
    """Measure many frames at once.

    Returns
    -------
    measured : list of MeasuredFrame
        In the order of ``files``, whatever the order of completion.
    not_used : list of (name, why)
    """
    work = partial(_measure_or_say, rig_file=rig_file, limits=limits)
    outcomes = crew.map(work, files, _lost_frame, progress)
    pairs = list(zip(files, outcomes, strict=True))
    measured = [outcome for _, outcome in pairs if isinstance(outcome, MeasuredFrame)]
    return measured, [(found.name, outcome) for found, outcome in pairs if isinstance(outcome, str)]


@dataclass(frozen=True)
class StackTask:
    """What is needed to stack the stars of one frame: its path, and where which stars lie."""

    path: str
    x_px: np.ndarray
    y_px: np.ndarray
    flux: np.ndarray
    sky: np.ndarray
    noise: float
    radius_px: float
    position: float
    gain: float | None


def _stack_or_nothing(task: StackTask, limits: Limits | None) -> FrameProfile | None:
    try:
        pixels = read_pixels(task.path, limits)
        # The stack takes the image as stored; brightness and sky are brought to its numbers.
        return stack_profile(
            pixels.raw,
            task.x_px,
            task.y_px,
            task.flux / pixels.scale,
            (task.sky - pixels.zero) / pixels.scale,
            task.noise / pixels.scale,
            task.radius_px,
            task.position,
            (task.gain or 1.0) * pixels.scale,
        )
    except FocuskitError:
        return None


def stack_frames(tasks: Sequence[StackTask], crew: Crew, limits: Limits | None = None) -> list[FrameProfile | None]:
    """Stack the stars of many frames; None where a frame cannot be read again or shows no star whole."""
    return crew.map(partial(_stack_or_nothing, limits=limits), tasks, lambda _: None)


def run_key(digests: Iterable[str]) -> str:
    """Return the key by which a run is recognised: a hash over the hashes of its frames."""
    return hashlib.blake2b("".join(sorted(digests)).encode(), digest_size=16).hexdigest()
