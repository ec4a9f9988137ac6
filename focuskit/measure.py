"""Measure frames, one or many at once, and stack the stars of a run's frames for the profile fit."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    as_completed,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from astropy.table import QTable
from threadpoolctl import threadpool_limits

from focuskit.cutouts import prepare_image
from focuskit.errors import FocuskitError
from focuskit.frames import FoundFile, FrameInfo, read_frame, read_pixels
from focuskit.profile_stack import FrameProfile, stack_profile
from focuskit.registered import Registered, Search, measure_registered
from focuskit.rigfile import RigFile
from focuskit.source import Limits, failure
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
    def star_snr(self) -> float | None:
        """S/N of the 20th brightest good star, or of the middle one where there are fewer than 40.

        A median over all stars would tell nothing of the exposure: longer ones bring in fainter stars.
        """
        snr = np.sort(self.field.measured.snr[self.field.measured.good])[::-1]
        return float(snr[min(snr.size // 2, _ENOUGH_STARS - 1)]) if snr.size else None

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
        with np.errstate(
            over="ignore", invalid="ignore"
        ):  # what single precision cannot hold is a pixel without a value
            field = measure_pixels(
                pixels, bayer=info.bayer, saturation_adu=info.saturation_adu, gain_e_per_adu=info.gain
            )
    except FocuskitError as problem:
        raise FocuskitError(f"{info.name}: {problem}") from problem
    # In one order of bytes, so that a compressed copy has the hash of the plain file.
    rows = np.ascontiguousarray(pixels.raw[::7], dtype=pixels.raw.dtype.newbyteorder("<"))
    digest = hashlib.blake2b(rows.data, digest_size=16).hexdigest()
    return MeasuredFrame(info, field, digest)


def measure_found(found: FoundFile, rig_file: RigFile | None, limits: Limits | None) -> MeasuredFrame | str:
    """Return the measured frame, or why it cannot be one; errors cross process borders as text."""
    root = Path(found.path).parents[found.name.count("/")]  # the name itself may be written otherwise than the path
    try:
        return measure_frame(found.path, root=root, rig_file=rig_file, limits=limits)
    except FocuskitError as problem:
        return str(problem).removeprefix(f"{found.name}: ").removeprefix(f"{found.path}: ")
    except MemoryError:
        return "needs more memory than there is; try again with --workers 1, or without this file"


Task = TypeVar("Task")
Outcome = TypeVar("Outcome")

_ENOUGH_STARS = 20  # for the size of a frame
# What Windows can wait for at once; a machine with more cores elsewhere is used to the full.
_MOST_WORKERS = 61


class Crew:
    """Those who do the work on frames: any executor, processes of this machine, or nobody else.

    Use it as a context; processes that it started end with it, an executor that was handed in stays.
    A process that dies takes no other task with it: what it and its fellows had in hand is done again,
    each task alone in a fresh process, and only one that ends that process too is lost. What an executor
    does not bring to its end, as when a cluster loses a worker, is done again by processes of this machine.
    As long as it lasts, linear algebra keeps to one thread in every process: the matrices here are small, and
    threads that wait for one another took the greater part of the time of many processes.

    Parameters
    ----------
    executor : concurrent.futures.Executor, optional
    workers : int, optional
        Number of processes where no executor is given; 1 works in this process.
    """

    def __init__(self, executor: Executor | None = None, workers: int | None = None) -> None:
        cores = os.cpu_count() or 1
        self._executor = executor
        self._workers = min(workers or cores, max(cores, _MOST_WORKERS))
        self._own: ProcessPoolExecutor | None = None

    def __enter__(self) -> Crew:
        self._single = threadpool_limits(limits=1, user_api="blas")
        return self

    def __exit__(self, *_: object) -> None:
        self._dismiss()
        self._single.restore_original_limits()

    def map(
        self,
        work: Callable[[Task], Outcome],
        tasks: Sequence[Task],
        lost: Callable[[Task], Outcome],
        progress: Callable[[int, int], None] | None = None,
    ) -> list[Outcome]:
        """Return ``work`` of each task, in the order of tasks; ``lost`` of one that ends its process twice.

        Raises
        ------
        FocuskitError
            If no process can be started, or the executor takes no work.
        """
        results: dict[int, Outcome] = {}

        def keep(index: int, outcome: Outcome) -> None:
            results[index] = outcome
            if progress:
                progress(len(results), len(tasks))

        if self._executor is not None:
            _hand_out(self._executor, work, tasks, keep)
        elif self._workers == 1:
            for index, task in enumerate(tasks):
                keep(index, work(task))
        waiting = deque(index for index in range(len(tasks)) if index not in results)
        while waiting:
            for index in self._work_off(work, tasks, waiting, keep):
                keep(index, _do_alone(work, tasks[index], lost))
        return [results[index] for index in range(len(tasks))]

    def _work_off(
        self,
        work: Callable[[Task], Outcome],
        tasks: Sequence[Task],
        waiting: deque[int],
        keep: Callable[[int, Outcome], None],
    ) -> list[int]:
        """Do what waits until nothing does or a process dies; return what was in hand when it died."""
        self._own = self._own or _start_processes(self._workers)
        jobs: dict[Future[Outcome], int] = {}
        try:
            while waiting or jobs:
                # One more than processes, so that none waits for its next task, and few are suspects.
                while waiting and len(jobs) <= self._workers:
                    jobs[self._own.submit(work, tasks[waiting[0]])] = waiting[0]
                    waiting.popleft()
                for job in wait(jobs, return_when=FIRST_COMPLETED).done:
                    outcome = job.result()
                    keep(jobs.pop(job), outcome)
        except BrokenProcessPool:
            self._dismiss()
        return sorted(jobs.values())

    def _dismiss(self) -> None:
        if self._own:
            self._own.shutdown(cancel_futures=True)
        self._own = None


def _hand_out(
    executor: Executor,
    work: Callable[[Task], Outcome],
    tasks: Sequence[Task],
    keep: Callable[[int, Outcome], None],
) -> None:
    """Let an executor do the tasks, as far as it gets; what it has not begun is withdrawn where that is cut short."""
    jobs: dict[Future[Outcome], int] = {}
    try:
        try:
            for index, task in enumerate(tasks):
                jobs[executor.submit(work, task)] = index
        except BrokenExecutor:
            pass  # those that it has may still be done
        except RuntimeError as problem:
            raise FocuskitError(f"the executor takes no work ({failure(problem)}); give one that runs") from problem
        for job in as_completed(list(jobs)):
            index = jobs.pop(job)
            # Not the task's fault, as far as is known: a lost worker, a lost connection, an answer that got lost.
            if not job.cancelled() and job.exception() is None:
                keep(index, job.result())
    finally:
        for job in jobs:
            job.cancel()


def _do_alone(work: Callable[[Task], Outcome], task: Task, lost: Callable[[Task], Outcome]) -> Outcome:
    with _start_processes(1) as pool:
        try:
            return pool.submit(work, task).result()
        except BrokenProcessPool:
            return lost(task)


def _start_processes(workers: int) -> ProcessPoolExecutor:
    """Start processes and see that they live, so that one that dies later died of its task."""
    pool = ProcessPoolExecutor(workers, initializer=_begin_process)
    try:
        # A stop that comes in the middle of a fork would be swallowed: it waits until the processes are there.
        _hold_interrupts(True)
        try:
            first = pool.submit(os.getpid)
        finally:
            _hold_interrupts(False)
        first.result()
    except (BrokenProcessPool, OSError) as problem:
        pool.shutdown(cancel_futures=True)
        raise FocuskitError(f"no process can be started ({failure(problem)}); try again with --workers 1") from problem
    return pool


def _hold_interrupts(hold: bool) -> None:
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK if hold else signal.SIG_UNBLOCK, {signal.SIGINT})


def _begin_process() -> None:
    """Let this process end without a word when the user stops the work, and when its parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    _hold_interrupts(False)
    threadpool_limits(limits=1, user_api="blas")
    parent = multiprocessing.parent_process()

    def follow() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=follow, daemon=True).start()


def lost_frame(_: object) -> str:
    """Return why a frame is not used whose process died twice."""
    return "the process that measured it died, twice; leave this file out"


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
    work = partial(measure_found, rig_file=rig_file, limits=limits)
    outcomes = crew.map(work, files, lost_frame, progress)
    pairs = list(zip(files, outcomes, strict=True))
    measured = [outcome for _, outcome in pairs if isinstance(outcome, MeasuredFrame)]
    return measured, [(found.name, outcome) for found, outcome in pairs if isinstance(outcome, str)]


@dataclass(frozen=True)
class StackTask:
    """What is needed to stack the stars of one frame: its path, and where which stars lie.

    ``known`` are x, y and flux of all stars of the frame that are known, to take their light off their neighbours.
    """

    path: str
    x_px: np.ndarray
    y_px: np.ndarray
    flux: np.ndarray
    sky: np.ndarray
    noise: float
    radius_px: float
    position: float
    gain: float | None
    known: tuple[np.ndarray, np.ndarray, np.ndarray]


def stack_or_nothing(task: StackTask, limits: Limits | None) -> FrameProfile | None:
    """Stack the stars of one frame; None where it cannot be read again or shows no star whole."""
    try:
        pixels = read_pixels(task.path, limits).filled()
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
            (task.known[0], task.known[1], task.known[2] / pixels.scale),
        )
    except (FocuskitError, MemoryError):
        return None


def _search_or_nothing(task: tuple[str, float | None, Search], limits: Limits | None) -> Registered | None:
    path, gain, search = task
    try:
        with np.errstate(over="ignore", invalid="ignore"):
            return measure_registered(prepare_image(read_pixels(path, limits).filled(), None, gain), search)
    except (FocuskitError, MemoryError):
        return None


def register_frames(
    frames: Sequence[MeasuredFrame], searches: Sequence[Search], crew: Crew, limits: Limits | None = None
) -> list[Registered | None]:
    """Measure the stars of frames where they must lie; None where a frame does not show them."""
    tasks = [(frame.info.path, frame.info.gain, search) for frame, search in zip(frames, searches, strict=True)]
    return crew.map(partial(_search_or_nothing, limits=limits), tasks, lambda _: None)


def stack_frames(tasks: Sequence[StackTask], crew: Crew, limits: Limits | None = None) -> list[FrameProfile | None]:
    """Stack the stars of many frames; None where a frame cannot be read again or shows no star whole."""
    return crew.map(partial(stack_or_nothing, limits=limits), tasks, lambda _: None)


def run_key(digests: Iterable[str]) -> str:
    """Return the key by which a run is recognised: a hash over the hashes of its frames."""
    return hashlib.blake2b("".join(sorted(digests)).encode(), digest_size=16).hexdigest()
