"""Run tasks on an executor, on processes of this machine, or in this process."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from queue import SimpleQueue
from typing import TypeVar

from threadpoolctl import threadpool_limits

from focuskit.core.cache import NOTHING, Cache
from focuskit.core.errors import FocuskitError, failure
from focuskit.core.reasons import Reason

Task = TypeVar("Task")
Outcome = TypeVar("Outcome")

# What Windows can wait for at once; a machine with more cores elsewhere is used to the full.
_MOST_WORKERS = 61
NOT_LASTING = ("memory", "lost", "not_read")  # codes of failures that may not happen the next time
NO_MEMORY = Reason("memory", "needs more memory than there is; try again with --workers 1, or without this file")


def process_lost(_: object) -> Reason:
    """Say that the process of a task was stopped from outside, for `Workers.map`."""
    text = "its process was stopped by the system, twice, most often for lack of memory; try --workers 1"
    return Reason("lost", text)


class Workers:
    """What does the work on frames: any executor, processes of this machine, or this process alone.

    Use it as a context; processes that it started end with it, an executor that was handed in stays.
    What an executor does not bring to its end, as when a cluster loses a worker, is done again by processes
    of this machine. A process that dies costs one task at most: what was in hand is done again, each task
    alone in a fresh process, and only one that ends that process too is lost. Linear algebra keeps to one
    thread in every process: the matrices here are small, and threads that wait for one another took the
    greater part of the time of many processes.

    Parameters
    ----------
    executor : concurrent.futures.Executor, optional
    count : int, optional
        Number of processes where no executor is given; 1 works in this process.
    cache : path, optional
        Folder of a `Cache` of earlier outcomes.
    """

    def __init__(
        self, executor: Executor | None = None, count: int | None = None, cache: str | Path | None = None
    ) -> None:
        self.cache = Cache(cache)
        cores = os.cpu_count() or 1
        self._executor = executor
        self._count = min(count or cores, max(cores, _MOST_WORKERS))
        self._own: ProcessPoolExecutor | None = None

    def __enter__(self) -> Workers:
        self._single = threadpool_limits(limits=1, user_api="blas")
        return self

    def __exit__(self, *_: object) -> None:
        self._dismiss()
        self._single.restore_original_limits()
        self.cache.tidy()

    def map(
        self,
        work: Callable[[Task], Outcome],
        tasks: Sequence[Task],
        lost: Callable[[Task], Outcome],
        progress: Callable[[int, int], None] | None = None,
        keys: Sequence[str | None] = (),
    ) -> list[Outcome]:
        """Return ``work`` of each task, in the order of tasks; ``lost`` of one that ends its process twice.

        With a key of the cache for each task, a kept outcome is used, and a new one is kept unless it is a `Reason`.

        Raises
        ------
        FocuskitError
            If no process can be started, or the executor takes no work.
        """
        results: dict[int, Outcome] = {}

        def keep(index: int, outcome: Outcome) -> None:
            results[index] = outcome
            if keys and not isinstance(outcome, Reason):
                self.cache.save(keys[index], outcome)
            if progress:
                progress(len(results), len(tasks))

        kept = {index: found for index, key in enumerate(keys) if (found := self.cache.load(key)) is not NOTHING}
        results |= kept
        if progress and kept:
            progress(len(kept), len(tasks))
        waiting = deque(index for index in range(len(tasks)) if index not in kept)
        if self._executor is not None:
            # Not the tasks' fault, as far as is known: a lost worker, a lost connection, an answer that got lost.
            failed = _hand_out(self._executor, work, tasks, waiting, len(tasks), keep)
            waiting = deque(sorted([*failed, *waiting]))
        elif self._count == 1:
            while waiting:
                keep(waiting[0], work(tasks[waiting[0]]))
                waiting.popleft()
        while waiting:
            self._own = self._own or _start_processes(self._count)
            # One more than processes, so that none waits for its next task, and few are suspects.
            suspects = _hand_out(self._own, work, tasks, waiting, self._count + 1, keep)
            if suspects or waiting:
                self._dismiss()
            for index in suspects:
                keep(index, _do_alone(work, tasks[index], lost))
        return [results[index] for index in range(len(tasks))]

    def _dismiss(self) -> None:
        if self._own:
            self._own.shutdown(cancel_futures=True)
        self._own = None


def _hand_out(
    executor: Executor,
    work: Callable[[Task], Outcome],
    tasks: Sequence[Task],
    waiting: deque[int],
    at_once: int,
    keep: Callable[[int, Outcome], None],
) -> list[int]:
    """Do what waits, so many tasks at once; return those that failed, and leave what the executor no longer takes."""
    jobs: dict[Future[Outcome], int] = {}
    done: SimpleQueue[Future[Outcome]] = SimpleQueue()
    failed: list[int] = []
    try:
        while True:
            try:
                while waiting and len(jobs) < at_once:
                    job = executor.submit(work, tasks[waiting[0]])
                    jobs[job] = waiting.popleft()
                    job.add_done_callback(done.put)
            except BrokenExecutor:
                at_once = 0  # what it has may still be done
            except RuntimeError as problem:
                raise FocuskitError(f"the executor takes no work ({failure(problem)}); give one that runs") from problem
            if not jobs:
                return failed
            job = done.get()
            index = jobs.pop(job)
            if job.cancelled() or job.exception() is not None:
                failed.append(index)
            else:
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
