"""A focus run, and the order of its frames."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import median

from focuskit.frames import FrameInfo


@dataclass(frozen=True)
class FocusRun:
    """The frames of one focus run.

    Parameters
    ----------
    frames : tuple of FrameInfo
        In order of time (of name where the frames do not tell their time).
    passes : tuple of int or None
        For each frame the sweep it belongs to, from 0; None for a frame taken apart from the sweeps,
        such as a check at the best position.
    directions : tuple of int
        For each pass +1 towards larger positions, -1 towards smaller, 0 in no order.
    why : str
        Where the run was cut from its neighbours, and why.
    """

    frames: tuple[FrameInfo, ...]
    passes: tuple[int | None, ...]
    directions: tuple[int, ...]
    why: str

    @property
    def positions(self) -> tuple[float, ...]:
        """Position of each frame, in steps."""
        return tuple(position_of(frame) for frame in self.frames)

    @property
    def filter(self) -> str | None:
        """The filter, as all frames have it."""
        return self.frames[0].filter

    @property
    def instrument(self) -> str | None:
        """The camera, as all frames have it."""
        return self.frames[0].instrument

    @property
    def telescope(self) -> str | None:
        """The telescope, as all frames have it."""
        return self.frames[0].telescope

    @property
    def binning(self) -> tuple[int, int] | None:
        """The binning, as all frames have it."""
        return self.frames[0].binning

    @property
    def exposure_s(self) -> float | None:
        """Median exposure of the frames."""
        return self.middle("exposure_s")

    @property
    def temperature_c(self) -> float | None:
        """Median temperature of the frames that tell it."""
        return self.middle("temperature_c")

    def middle(self, fact: str) -> float | None:
        """Median of a number of the frames' facts, over those that tell it."""
        known = [value for frame in self.frames if (value := getattr(frame, fact)) is not None]
        return median(known) if known else None

    @property
    def pier_side(self) -> str | None:
        """Side of the pier, where all frames that tell it have the same."""
        sides = {frame.pier_side for frame in self.frames} - {None}
        return sides.pop() if len(sides) == 1 else None

    @property
    def start(self) -> datetime | None:
        """Start of the first exposure."""
        return self.frames[0].time

    @property
    def end(self) -> datetime | None:
        """End of the last exposure."""
        last = self.frames[-1]
        return None if last.time is None else last.time + timedelta(seconds=last.exposure_s or 0.0)


def position_of(frame: FrameInfo) -> float:
    """Return the position of a frame that has one."""
    assert frame.position is not None  # such frames are put aside first
    return frame.position


def in_order(info: FrameInfo) -> tuple[bool, datetime, list[tuple[int, int, str]], str]:
    """Return what to sort frames by: time, without one the name, with the numbers in it as numbers."""
    pieces = re.split(r"([0-9]+)", info.name)
    natural = [(0, int(p), "") if p.isascii() and p.isdigit() else (1, 0, p) for p in pieces if p]
    return info.time is None, info.time or datetime.min.replace(tzinfo=UTC), natural, info.path
