"""Stack the stars of many frames, each read again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.workers import Crew
from focuskit.frames import Limits, read_pixels
from focuskit.waves.stack import FrameProfile, stack_profile


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


def stack_frames(tasks: Sequence[StackTask], crew: Crew, limits: Limits | None = None) -> list[FrameProfile | None]:
    """Stack the stars of many frames; None where a frame cannot be read again or shows no star whole."""
    return crew.map(partial(stack_or_nothing, limits=limits), tasks, lambda _: None)
