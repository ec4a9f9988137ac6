"""Stack the stars of frames whose pixels are read again from their files, many frames at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from focuskit.core.errors import FocuskitError
from focuskit.core.reasons import Reason
from focuskit.core.workers import NO_MEMORY, Workers, process_lost
from focuskit.frames import Limits, Pixels, read_pixels
from focuskit.waves.stack import FrameProfile, StackTask, stack_profile


def _as_stored(pixels: Pixels, task: StackTask) -> StackTask:
    """Return the task with brightness, sky and noise in the numbers stored."""
    return replace(
        task,
        flux=task.flux / pixels.scale,
        sky=(task.sky - pixels.zero) / pixels.scale,
        noise=task.noise / pixels.scale,
        gain=(task.gain or 1.0) * pixels.scale,
    )


def stack_or_say(
    task: StackTask, limits: Limits | None, as_stored: Callable[[Pixels, StackTask], StackTask] = _as_stored
) -> FrameProfile | Reason | None:
    """Stack the stars of one frame; None where no star is whole in it, and the reason where it could not be read.

    The stack takes the image as stored; ``as_stored`` converts the task to its numbers.
    """
    try:
        try:
            pixels = replace(read_pixels(task.path, limits, task.plane), sites=task.sites).filled()
        except FocuskitError as problem:
            return Reason("unreadable", str(problem).removeprefix(f"{task.path}: "))
        return stack_profile(pixels.raw, as_stored(pixels, task))
    except FocuskitError:
        return None
    except MemoryError:
        return NO_MEMORY


def stack_frames(
    tasks: Sequence[StackTask],
    pool: Workers,
    limits: Limits | None = None,
    as_stored: Callable[[Pixels, StackTask], StackTask] = _as_stored,
) -> list[FrameProfile | Reason | None]:
    """Stack the stars of many frames, see `stack_or_say`; there is a reason too where a process was stopped."""
    keys = [pool.cache.key("stack", [task.path], task, limits, as_stored) for task in tasks]
    return pool.map(partial(stack_or_say, limits=limits, as_stored=as_stored), tasks, process_lost, keys=keys)
