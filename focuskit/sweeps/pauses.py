"""The pauses between frames: which are long enough to end a focus run."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from focuskit.frames import FrameInfo

# A pause is long beyond the larger of so many seconds and so many times the usual way from one
# frame to the next. A short pause ends what has no pattern, a long one ends every run. Chosen, not tuned.
_SHORT_PAUSE = (60.0, 3.0)
_LONG_PAUSE = (900.0, 10.0)


class Pauses:
    """The pauses between the frames of a group, against their usual pace."""

    def __init__(self, frames: Sequence[FrameInfo]) -> None:
        ways = sorted(self.way(a, b) for a, b in pairwise(frames))
        self._pace = ways[len(ways) // 4] if ways else 0.0

    @staticmethod
    def way(before: FrameInfo, after: FrameInfo) -> float:
        """Seconds from one start to the next."""
        if before.time is None or after.time is None:
            return 0.0
        return (after.time - before.time).total_seconds()

    def _beyond(self, before: FrameInfo, after: FrameInfo, least: tuple[float, float]) -> bool:
        dead = self.way(before, after) - (before.exposure_s or 0.0)
        return dead > max(least[0], least[1] * self._pace)

    def is_short(self, before: FrameInfo, after: FrameInfo) -> bool:
        """Tell whether there is a pause at all between two frames."""
        return self._beyond(before, after, _SHORT_PAUSE)

    def blocks(self, frames: Sequence[FrameInfo]) -> list[tuple[list[FrameInfo], str]]:
        """Cut at long pauses; return each block with the reason for its start."""
        blocks: list[tuple[list[FrameInfo], str]] = []
        for i, frame in enumerate(frames):
            if i == 0:
                blocks.append(([frame], "first frames of their kind"))
            elif self._beyond(frames[i - 1], frame, _LONG_PAUSE):
                blocks.append(([frame], f"after a pause of {_words(self.way(frames[i - 1], frame))}"))
            else:
                blocks[-1][0].append(frame)
        return blocks


def _words(seconds: float) -> str:
    if seconds < 7200.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.0f} h" if seconds < 172800.0 else f"{seconds / 86400.0:.0f} days"
