"""The walk of the focuser: where it stopped, and its strokes in one direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from focuskit.frames import FrameInfo
from focuskit.sweeps.run import position_of

# In units of the neighbouring step: further on in the same direction is a hole in the sweep, more is a jump; against
# the direction it is a jump sooner.
HOLE_STEPS = 4.5  # chosen: three frames in a row may be lost, and steps may grow as much outwards
TURN_STEPS = 1.9  # chosen: a little less than two steps, which are a jump
_SAME_PLACE = 0.1  # of a step: a position that is read back may jitter by it (chosen)


@dataclass
class Stop:
    """Frames taken one after the other at one position."""

    position: float
    frames: list[FrameInfo]


@dataclass
class Stroke:
    """Stops in one direction."""

    stops: list[Stop]
    is_turn: bool  # its first stop is the last of the stroke before

    @property
    def xs(self) -> list[float]:
        return [stop.position for stop in self.stops]

    @property
    def direction(self) -> int:
        return (self.xs[-1] > self.xs[0]) - (self.xs[-1] < self.xs[0])

    @property
    def step(self) -> float:
        return median(abs(b - a) for a, b in pairwise(self.xs))


def stops_of(frames: Sequence[FrameInfo]) -> list[Stop]:
    """Put together what was taken one after the other at the same place.

    A read-back position jitters. A small part of the step is taken as the same place; the step is
    the one within which a quarter of the whole way was gone, which repeats and jumps do not spoil.
    """
    moves = sorted(abs(position_of(b) - position_of(a)) for a, b in pairwise(frames))
    gone, step = 0.0, 0.0
    for step in moves:
        gone += step
        if gone >= sum(moves) / 4.0:
            break
    stops: list[Stop] = []
    for frame in frames:
        if stops and abs(position_of(frame) - stops[-1].position) <= _SAME_PLACE * step:
            stops[-1].frames.append(frame)
        else:
            stops.append(Stop(position_of(frame), [frame]))
    return stops


def strokes_of(stops: Sequence[Stop]) -> list[Stroke]:
    moves = [b.position - a.position for a, b in pairwise(stops)]
    strokes = [Stroke([stops[0]], is_turn=False)]
    for i, move in enumerate(moves):
        if _is_jump(moves, i):
            strokes.append(Stroke([stops[i + 1]], is_turn=False))
        elif len(strokes[-1].stops) > 1 and move * moves[i - 1] < 0:
            strokes.append(Stroke([stops[i], stops[i + 1]], is_turn=True))
        else:
            strokes[-1].stops.append(stops[i + 1])
    return strokes


def _is_jump(moves: Sequence[float], i: int) -> bool:
    """Tell whether a move is out of proportion to the moves before and after it."""
    near = [moves[k] for k in (i - 1, i + 1) if 0 <= k < len(moves)]
    against = [abs(m) for m in near if m * moves[i] < 0]
    along = [abs(m) for m in near if m * moves[i] > 0]
    if against and abs(moves[i]) > TURN_STEPS * min(against):
        return True
    return bool(along) and abs(moves[i]) > HOLE_STEPS * max(along)
