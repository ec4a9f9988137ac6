"""Focus runs: which frames belong to one sweep of the focuser, as an imager would group them.

Frames of one telescope, camera, filter, binning, size and exposure are put in order of time and cut
at long pauses. What is left is read as a walk of the focuser: strokes in one direction, turns, and
jumps. A jump back to the start begins another run; a turn begins the way back, a second pass of the
same run; a lone frame after a sweep is a check of it; many frames at one position are no sweep.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import PurePosixPath
from statistics import median

from focuskit.core.optics import critical_focus_zone_um
from focuskit.frames import FrameInfo
from focuskit.sweeps.pauses import Pauses

MIN_POSITIONS = 3  # fewer are no sweep
_EXPOSURE_TOLERANCE = 1.05
# In units of the neighbouring step: further on in the same direction is a hole in the sweep, more
# is a jump; against the direction it is a jump sooner.
_HOLE_STEPS = 4.5
_TURN_STEPS = 1.9
_STEP_BACK = 2.2  # a frame taken again
_TURN = (-1.5, 2.5)  # where the way back may begin, outwards from the end of the way there
_SAME_PLACE = 0.1  # of a step: the jitter of a read-back position
_LIGHT_FRAMES = 5  # so many at one position, outside the pattern of the sweep, are no checks
_LONG_EXPOSURE_S = 120.0


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
        return tuple(_position(frame) for frame in self.frames)

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
        known = [frame.exposure_s for frame in self.frames if frame.exposure_s is not None]
        return median(known) if known else None

    @property
    def temperature_c(self) -> float | None:
        """Median temperature of the frames that tell it."""
        known = [frame.temperature_c for frame in self.frames if frame.temperature_c is not None]
        return median(known) if known else None

    @property
    def start(self) -> datetime | None:
        """Start of the first exposure."""
        return self.frames[0].time

    @property
    def end(self) -> datetime | None:
        """End of the last exposure."""
        last = self.frames[-1]
        return None if last.time is None else last.time + timedelta(seconds=last.exposure_s or 0.0)


def group_runs(infos: Iterable[FrameInfo]) -> tuple[list[FocusRun], list[tuple[str, str]]]:
    """Group frames into focus runs; the order in which they are given does not matter.

    Returns
    -------
    runs : list of FocusRun
        In order of time.
    not_used : list of (name, why)
        Each frame that is in no run.
    """
    runs: list[FocusRun] = []
    not_used: list[tuple[str, str]] = []
    usable = []
    for info in sorted(infos, key=_order):
        why = _unfit(info)
        if why is None:
            usable.append(info)
        else:
            not_used.append((info.name, why))
    for frames in _alike(usable):
        single = _without_copies(frames, not_used)
        pauses = Pauses(single)
        for block, why in pauses.blocks(single):
            _group_block(block, why, pauses, runs, not_used)
    return sorted(runs, key=lambda run: _order(run.frames[0])), sorted(not_used)


def _unfit(info: FrameInfo) -> str | None:
    kind = (info.image_type or "").lower()
    if any(word in kind for word in ("dark", "bias", "flat", "zero")):
        return f"is a calibration frame ({info.image_type})"
    if info.position is None:
        return "has no focuser position in its header; name the keyword, or how file names carry the position"
    return None


def _position(frame: FrameInfo) -> float:
    assert frame.position is not None  # such frames are put aside first
    return frame.position


def _order(info: FrameInfo) -> tuple[bool, datetime, list[tuple[int, int, str]], str]:
    """Sort by time, without one by name with the numbers in it as numbers."""
    pieces = re.split(r"([0-9]+)", info.name)
    natural = [(0, int(p), "") if p.isascii() and p.isdigit() else (1, 0, p) for p in pieces if p]
    return info.time is None, info.time or datetime.min.replace(tzinfo=UTC), natural, info.path


def _alike(infos: Sequence[FrameInfo]) -> list[list[FrameInfo]]:
    """Return frames that can be of one run; those without a time only with those of their folder."""
    exposures = sorted({info.exposure_s for info in infos if info.exposure_s is not None})
    classes: dict[float | None, float] = {}
    first = 0.0
    for exposure in exposures:
        if exposure > first * _EXPOSURE_TOLERANCE:
            first = exposure
        classes[exposure] = first
    groups: dict[tuple[object, ...], list[FrameInfo]] = {}
    for info in infos:
        folder = PurePosixPath(info.name).parent if info.time is None else None
        key = (info.telescope, info.instrument, info.filter, info.binning, info.shape)
        groups.setdefault((*key, classes.get(info.exposure_s), folder), []).append(info)
    return list(groups.values())


def _without_copies(frames: list[FrameInfo], not_used: list[tuple[str, str]]) -> list[FrameInfo]:
    """Leave out frames that one camera cannot have taken beside another: same start, a second or more."""
    kept: list[FrameInfo] = []
    for frame in frames:
        last = kept[-1] if kept else None
        long_enough = frame.exposure_s is not None and frame.exposure_s >= 1.0
        if last and frame.time is not None and long_enough and (frame.time, frame.position) == (
            last.time, last.position,
        ):  # fmt: skip
            not_used.append((frame.name, f"is a copy of {last.name}: same time and position"))
        else:
            kept.append(frame)
    return kept


@dataclass
class _Stop:
    """Frames taken one after the other at one position."""

    position: float
    frames: list[FrameInfo]


@dataclass
class _Stroke:
    """Stops in one direction."""

    stops: list[_Stop]
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


@dataclass
class _Draft:
    """A run in the making."""

    why: list[str]
    strokes: list[_Stroke] = field(default_factory=list)
    directions: list[int] = field(default_factory=list)
    frames: dict[str, tuple[FrameInfo, int | None]] = field(default_factory=dict)

    def add(self, frames: Iterable[FrameInfo], sweep: int | None) -> None:
        for frame in frames:
            self.frames.setdefault(frame.path, (frame, sweep))

    def add_stroke(self, stroke: _Stroke, begins_pass: bool) -> None:
        if begins_pass:
            self.directions.append(stroke.direction)
        usual = median(len(stop.frames) for stop in stroke.stops)
        shared = stroke.stops[0].frames
        if begins_pass and stroke.is_turn and len(shared) >= 2 * usual:
            # Taken at the end of one way and again at the start of the next.
            for frame in shared[len(shared) // 2 :]:
                self.frames[frame.path] = (frame, len(self.directions) - 1)
        self.strokes.append(stroke)
        self.add((f for stop in stroke.stops for f in stop.frames), len(self.directions) - 1)

    def holds(self, position: float) -> bool:
        xs = [x for stroke in self.strokes for x in stroke.xs]
        step = max(stroke.step for stroke in self.strokes)
        return min(xs) - step <= position <= max(xs) + step


def _group_block(
    block: list[FrameInfo], why: str, pauses: Pauses, runs: list[FocusRun], not_used: list[tuple[str, str]]
) -> None:
    """Find the runs in frames without a long pause between them."""
    stops = _stops(block)
    strokes = _strokes(stops)
    in_order = len({id(stop) for stroke in strokes if len(stroke.stops) > 3 for stop in stroke.stops})
    # By chance, positions in no order give a few short strokes, but not so many stops in so few.
    if 3 * in_order >= 2 * len(stops) and 2 * in_order >= 5 * len(strokes):
        drafts, loose = _combine(strokes, why, pauses)
    else:
        drafts, loose = _unordered(stops, why, pauses)
    for stop in _place_checks(drafts, loose, block, pauses):
        count = len(stop.frames)
        reason = (
            f"{count} frames at one position ({stop.position:.10g}) are no sweep"
            if count > 1
            else f"a lone frame at {stop.position:.10g}, not within a sweep before or after it"
        )
        not_used.extend((frame.name, reason) for frame in stop.frames)
    for draft in drafts:
        run = _finished(draft)
        no_sweep = _no_sweep(run)
        if no_sweep is None:
            runs.append(run)
        else:
            not_used.extend((frame.name, no_sweep) for frame in run.frames)


def _stops(frames: Sequence[FrameInfo]) -> list[_Stop]:
    """Put together what was taken one after the other at the same place.

    A read-back position jitters. A small part of the step is taken as the same place; the step is
    the one within which a quarter of the whole way was gone, which repeats and jumps do not spoil.
    """
    moves = sorted(abs(_position(b) - _position(a)) for a, b in pairwise(frames))
    gone, step = 0.0, 0.0
    for step in moves:
        gone += step
        if gone >= sum(moves) / 4.0:
            break
    stops: list[_Stop] = []
    for frame in frames:
        if stops and abs(_position(frame) - stops[-1].position) <= _SAME_PLACE * step:
            stops[-1].frames.append(frame)
        else:
            stops.append(_Stop(_position(frame), [frame]))
    return stops


def _strokes(stops: Sequence[_Stop]) -> list[_Stroke]:
    moves = [b.position - a.position for a, b in pairwise(stops)]
    strokes = [_Stroke([stops[0]], is_turn=False)]
    for i, move in enumerate(moves):
        if _is_jump(moves, i):
            strokes.append(_Stroke([stops[i + 1]], is_turn=False))
        elif len(strokes[-1].stops) > 1 and move * moves[i - 1] < 0:
            strokes.append(_Stroke([stops[i], stops[i + 1]], is_turn=True))
        else:
            strokes[-1].stops.append(stops[i + 1])
    return strokes


def _is_jump(moves: Sequence[float], i: int) -> bool:
    """Tell whether a move is out of proportion to the moves before and after it."""
    near = [moves[k] for k in (i - 1, i + 1) if 0 <= k < len(moves)]
    against = [abs(m) for m in near if m * moves[i] < 0]
    along = [abs(m) for m in near if m * moves[i] > 0]
    if against and abs(moves[i]) > _TURN_STEPS * min(against):
        return True
    return bool(along) and abs(moves[i]) > _HOLE_STEPS * max(along)


def _combine(strokes: Sequence[_Stroke], why: str, pauses: Pauses) -> tuple[list[_Draft], list[_Stop]]:
    """Put strokes together into runs; return also the stops that are in no stroke worth the name."""
    drafts: list[_Draft] = []
    loose: list[_Stop] = []
    for stroke in strokes:
        stroke = _without_light_frames(stroke, loose)
        if len(stroke.stops) < 3:
            loose.extend(stroke.stops)
            continue
        draft = drafts[-1] if drafts else None
        link = _link(draft, stroke, pauses) if draft else None
        if draft is None:
            draft = _Draft([why])
            drafts.append(draft)
        elif link is None:
            if stroke.is_turn:
                stroke = _cut_off(stroke, draft, pauses)
            draft = _Draft([f"positions start again at {stroke.xs[0]:.10g}"])
            drafts.append(draft)
        else:
            draft.why.append(f"{link} {stroke.xs[0]:.10g}")
        draft.add_stroke(stroke, begins_pass=link is None or stroke.direction != draft.directions[-1])
    taken = {path for draft in drafts for path in draft.frames}
    return drafts, [stop for stop in loose if stop.frames[0].path not in taken]


def _cut_off(stroke: _Stroke, draft: _Draft, pauses: Pauses) -> _Stroke:
    """Leave to the run before what was taken before the pause at the turning point."""
    shared = stroke.stops[0].frames
    later = shared[max(range(len(shared)), key=lambda i: pauses.way(shared[max(i - 1, 0)], shared[i])) :]
    if len(later) == len(shared):
        return _Stroke(stroke.stops[1:], is_turn=False)
    for frame in later:
        draft.frames.pop(frame.path, None)
    return _Stroke([_Stop(stroke.xs[0], later), *stroke.stops[1:]], is_turn=False)


def _without_light_frames(stroke: _Stroke, loose: list[_Stop]) -> _Stroke:
    """Cut off an end where the focuser stood for many frames."""
    stops = list(stroke.stops)
    if len(stops) > 2:
        usual = median(len(stop.frames) for stop in stops)
        for end in (0, -1):
            count = len(stops[end].frames)
            if count >= _LIGHT_FRAMES and count > 3 * usual:
                loose.append(stops.pop(end))
    return _Stroke(stops, stroke.is_turn and stops[0] is stroke.stops[0])


def _link(draft: _Draft, stroke: _Stroke, pauses: Pauses) -> str | None:
    """Say in what way a stroke goes on with a run, or None if it starts another."""
    last = draft.strokes[-1]
    way = (stroke.xs[0] - last.xs[-1]) * last.direction
    step = max(last.step, stroke.step)
    is_similar = step < _TURN_STEPS * min(last.step, stroke.step)
    if stroke.direction != last.direction:
        paused = pauses.is_short(last.stops[-1].frames[0], stroke.stops[1].frames[0])
        is_turn = _TURN[0] * step <= way <= _TURN[1] * step
        if is_similar and is_turn and not (paused and len(draft.directions) > 1):
            return "way back from"
        return None
    if 0.0 < way <= _HOLE_STEPS * step:
        return "goes on at"
    if is_similar and -_STEP_BACK * step <= way <= 0.0:
        return "stepped back to"
    if _repeats(last, stroke) or _repeats(stroke, last):
        return "taken again from"
    gap = max(min(last.xs), min(stroke.xs)) - min(max(last.xs), max(stroke.xs))
    if is_similar and 0.0 < gap <= _TURN_STEPS * step:
        return "extended from"
    return None


def _repeats(short: _Stroke, full: _Stroke) -> bool:
    """Tell whether a few frames of a sweep were taken again (or taken first, and broken off)."""
    if len(short.stops) > 4 or len(short.stops) + 2 > len(full.stops):
        return False
    return all(min(abs(x - y) for y in full.xs) <= full.step / 4.0 for x in short.xs)


def _unordered(stops: Sequence[_Stop], why: str, pauses: Pauses) -> tuple[list[_Draft], list[_Stop]]:
    """Take positions that follow no order as one run from pause to pause."""
    usual = median(len(stop.frames) for stop in stops)
    drafts: list[_Draft] = []
    loose: list[_Stop] = []
    before: FrameInfo | None = None
    for stop in stops:
        if len(stop.frames) >= _LIGHT_FRAMES and len(stop.frames) > 3 * usual:
            loose.append(stop)
            continue
        if before is None or pauses.is_short(before, stop.frames[0]):
            drafts.append(_Draft([why if before is None else "after a short pause", "positions in no order"]))
            drafts[-1].directions.append(0)
        drafts[-1].add(stop.frames, 0)
        before = stop.frames[-1]
    return drafts, loose


def _place_checks(drafts: list[_Draft], loose: list[_Stop], block: list[FrameInfo], pauses: Pauses) -> list[_Stop]:
    """Give lone frames to the sweep they check; return the stops that belong to none."""
    rank = {frame.path: i for i, frame in enumerate(block)}
    placed: list[_Stop] = []
    ends = [(min(rank[p] for p in d.frames), max(rank[p] for p in d.frames)) for d in drafts]
    for stop in loose:
        first, last = rank[stop.frames[0].path], rank[stop.frames[-1].path]
        fitting = [(d, e) for d, e in zip(drafts, ends, strict=True) if d.strokes and d.holds(stop.position)]
        before = [d for d, e in fitting if e[0] < first]
        after = [(d, e) for d, e in fitting if e[0] > last]
        if len(stop.frames) >= _LIGHT_FRAMES or not fitting:
            continue
        if after and before and pauses.is_short(block[first - 1], block[first]) \
                and not pauses.is_short(block[last], block[last + 1]):  # fmt: skip
            before = []
        host = before[-1] if before else after[0][0]
        host.add(stop.frames, None)
        placed.append(stop)
    return [stop for stop in loose if not any(stop is other for other in placed)]


def _finished(draft: _Draft) -> FocusRun:
    entries = sorted(draft.frames.values(), key=lambda entry: _order(entry[0]))
    checks = sum(sweep is None for _, sweep in entries)
    reasons = draft.why + ([f"{checks} frame{'s' * (checks > 1)} apart from the sweep"] if checks else [])
    return FocusRun(
        frames=tuple(frame for frame, _ in entries),
        passes=tuple(sweep for _, sweep in entries),
        directions=tuple(draft.directions),
        why="; ".join(reasons),
    )


def _no_sweep(run: FocusRun) -> str | None:
    """Say why frames that hang together are no focus run, or None if they are one."""
    xs = sorted(set(run.positions))
    count = len(run.frames)
    is_long = (run.exposure_s or 0.0) >= _LONG_EXPOSURE_S
    a_position = 3 if is_long else 5 if run.directions == (0,) else 12
    if len(xs) < MIN_POSITIONS or count > a_position * len(xs):
        return f"{count} frame{'s' * (count > 1)} at {len(xs)} position{'s' * (len(xs) > 1)}: no sweep"
    if not is_long or any("focus" in (frame.image_type or "").lower() for frame in run.frames):
        return None
    # Light frames between which the focuser follows the temperature.
    rig = run.frames[0].rig()
    steps = [b - a for a, b in pairwise(xs)]
    is_uneven = max(steps) > 1.5 * min(steps)
    is_tiny = False
    if rig.um_per_step and rig.f_ratio:
        is_tiny = (xs[-1] - xs[0]) * rig.um_per_step < 2.0 * critical_focus_zone_um(rig.f_ratio)
    if is_uneven or is_tiny:
        return "is a long exposure between small moves of the focuser: no sweep"
    return None
