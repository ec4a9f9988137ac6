"""Focus runs: which frames belong to one sweep of the focuser, as an imager would group them.

Frames of one telescope, camera, filter, binning, size and exposure are put in order of time and cut
at long pauses. What is left is read as a walk of the focuser: strokes in one direction, turns, and
jumps. A jump back to the start begins another run; a turn begins the way back, a second pass of the
same run; a lone frame after a sweep is a check of it; many frames at one position are no sweep.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import PurePosixPath
from statistics import median

from focuskit.core.optics import critical_focus_zone_um
from focuskit.core.reasons import Reason
from focuskit.frames import FrameInfo
from focuskit.sweeps.pauses import Pauses
from focuskit.sweeps.run import FocusRun, in_order
from focuskit.sweeps.strokes import HOLE_STEPS, TURN_STEPS, Stop, Stroke, stops_of, strokes_of

# All of these are chosen so that nights as imagers take them (tests/sweeps) are grouped as an imager would group them
# (common practice, no source); none is tuned.
_MIN_POSITIONS = 3  # fewer are no sweep: a curve has three parameters
_EXPOSURE_TOLERANCE = 1.05  # exposures as headers round them are alike, those that somebody chose otherwise are not
_STEP_BACK = 2.2  # steps: a frame taken again
_TURN = (-1.5, 2.5)  # steps outwards from the end of the way there: where the way back may begin
_LIGHT_FRAMES = 5  # so many at one position, outside the pattern of the sweep, are no checks
_LONG_EXPOSURE_S = 120.0  # as light frames have; focus frames of narrowband filters take 40 s


def group_runs(infos: Iterable[FrameInfo]) -> tuple[list[FocusRun], list[tuple[str, Reason]]]:
    """Group frames into focus runs; the order in which they are given does not matter.

    Returns
    -------
    runs : list of FocusRun
        In order of time.
    not_used : list of (name, Reason)
        Each frame that is in no run.
    """
    runs: list[FocusRun] = []
    not_used: list[tuple[str, Reason]] = []
    usable = []
    for info in sorted(infos, key=in_order):
        unfit = _unfit(info)
        if unfit:
            not_used.append((info.name, unfit))
        else:
            usable.append(info)
    for frames in _alike(usable):
        single = _without_copies(frames, not_used)
        pauses = Pauses(single)
        for block, why in pauses.blocks(single):
            _group_block(block, why, pauses, runs, not_used)
    return sorted(runs, key=lambda run: in_order(run.frames[0])), sorted(not_used)


def _unfit(info: FrameInfo) -> Reason | None:
    kind = (info.image_type or "").lower()
    if any(word in kind for word in ("dark", "bias", "flat", "zero")):
        return Reason("calibration", f"is a calibration frame ({info.image_type})")
    if info.position is None:
        text = (
            "has no focuser position in its header; name the keyword (--keyword position=NAME), or how file names "
            "carry the position (--position-pattern)"
        )
        return Reason("no_position", text)
    return None


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


def _without_copies(frames: list[FrameInfo], not_used: list[tuple[str, Reason]]) -> list[FrameInfo]:
    """Leave out frames that one camera cannot have taken beside another: same start, a second or more."""
    kept: list[FrameInfo] = []
    for frame in frames:
        last = kept[-1] if kept else None
        long_enough = frame.exposure_s is not None and frame.exposure_s >= 1.0
        if last and frame.time is not None and long_enough and (frame.time, frame.position) == (
            last.time, last.position,
        ):  # fmt: skip
            not_used.append((frame.name, Reason("copy", f"is a copy of {last.name}: same time and position")))
        else:
            kept.append(frame)
    return kept


@dataclass
class _Draft:
    """A run in the making."""

    why: list[str]
    strokes: list[Stroke] = field(default_factory=list)
    directions: list[int] = field(default_factory=list)
    frames: dict[str, tuple[FrameInfo, int | None]] = field(default_factory=dict)

    def add(self, frames: Iterable[FrameInfo], sweep: int | None) -> None:
        for frame in frames:
            self.frames.setdefault(frame.path, (frame, sweep))

    def add_stroke(self, stroke: Stroke, begins_pass: bool) -> None:
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
    block: list[FrameInfo], why: str, pauses: Pauses, runs: list[FocusRun], not_used: list[tuple[str, Reason]]
) -> None:
    """Find the runs in frames without a long pause between them."""
    stops = stops_of(block)
    strokes = strokes_of(stops)
    ordered = len({id(stop) for stroke in strokes if len(stroke.stops) > 3 for stop in stroke.stops})
    # By chance, positions in no order give a few short strokes, but not so many stops in so few.
    if 3 * ordered >= 2 * len(stops) and 2 * ordered >= 5 * len(strokes):
        drafts, loose = _combine(strokes, why, pauses)
    else:
        drafts, loose = _unordered(stops, why, pauses)
    for stop in _place_checks(drafts, loose, block, pauses):
        count = len(stop.frames)
        text = (
            f"{count} frames at one position ({stop.position:.10g}) are no sweep"
            if count > 1
            else f"a lone frame at {stop.position:.10g}, not within a sweep before or after it"
        )
        not_used.extend((frame.name, Reason("no_sweep", text)) for frame in stop.frames)
    for draft in drafts:
        run = _finished(draft)
        no_sweep = _no_sweep(run)
        if no_sweep is None:
            runs.append(run)
        else:
            not_used.extend((frame.name, no_sweep) for frame in run.frames)


def _combine(strokes: Sequence[Stroke], why: str, pauses: Pauses) -> tuple[list[_Draft], list[Stop]]:
    """Put strokes together into runs; return also the stops that are in no stroke worth the name."""
    drafts: list[_Draft] = []
    loose: list[Stop] = []
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


def _cut_off(stroke: Stroke, draft: _Draft, pauses: Pauses) -> Stroke:
    """Leave to the run before what was taken before the pause at the turning point."""
    shared = stroke.stops[0].frames
    later = shared[max(range(len(shared)), key=lambda i: pauses.way(shared[max(i - 1, 0)], shared[i])) :]
    if len(later) == len(shared):
        return Stroke(stroke.stops[1:], is_turn=False)
    for frame in later:
        draft.frames.pop(frame.path, None)
    return Stroke([Stop(stroke.xs[0], later), *stroke.stops[1:]], is_turn=False)


def _without_light_frames(stroke: Stroke, loose: list[Stop]) -> Stroke:
    """Cut off an end where the focuser stood for many frames."""
    stops = list(stroke.stops)
    if len(stops) > 2:
        usual = median(len(stop.frames) for stop in stops)
        for end in (0, -1):
            count = len(stops[end].frames)
            if count >= _LIGHT_FRAMES and count > 3 * usual:
                loose.append(stops.pop(end))
    return Stroke(stops, stroke.is_turn and stops[0] is stroke.stops[0])


def _link(draft: _Draft, stroke: Stroke, pauses: Pauses) -> str | None:
    """Say in what way a stroke goes on with a run, or None if it starts another."""
    last = draft.strokes[-1]
    way = (stroke.xs[0] - last.xs[-1]) * last.direction
    step = max(last.step, stroke.step)
    is_similar = step < TURN_STEPS * min(last.step, stroke.step)
    if stroke.direction != last.direction:
        paused = pauses.is_short(last.stops[-1].frames[0], stroke.stops[1].frames[0])
        is_turn = _TURN[0] * step <= way <= _TURN[1] * step
        if is_similar and is_turn and not (paused and len(draft.directions) > 1):
            return "way back from"
        return None
    if 0.0 < way <= HOLE_STEPS * step:
        return "goes on at"
    if is_similar and -_STEP_BACK * step <= way <= 0.0:
        return "stepped back to"
    if _repeats(last, stroke) or _repeats(stroke, last):
        return "taken again from"
    gap = max(min(last.xs), min(stroke.xs)) - min(max(last.xs), max(stroke.xs))
    if is_similar and 0.0 < gap <= TURN_STEPS * step:
        return "extended from"
    return None


def _repeats(short: Stroke, full: Stroke) -> bool:
    """Tell whether a few frames of a sweep were taken again (or taken first, and broken off)."""
    if len(short.stops) > 4 or len(short.stops) + 2 > len(full.stops):
        return False
    return all(min(abs(x - y) for y in full.xs) <= full.step / 4.0 for x in short.xs)


def _unordered(stops: Sequence[Stop], why: str, pauses: Pauses) -> tuple[list[_Draft], list[Stop]]:
    """Take positions that follow no order as one run from pause to pause."""
    usual = median(len(stop.frames) for stop in stops)
    drafts: list[_Draft] = []
    loose: list[Stop] = []
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


def _place_checks(drafts: list[_Draft], loose: list[Stop], block: list[FrameInfo], pauses: Pauses) -> list[Stop]:
    """Give lone frames to the sweep they check; return the stops that belong to none."""
    rank = {frame.path: i for i, frame in enumerate(block)}
    placed: list[Stop] = []
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
    entries = sorted(draft.frames.values(), key=lambda entry: in_order(entry[0]))
    checks = sum(sweep is None for _, sweep in entries)
    reasons = draft.why + ([f"{checks} frame{'s' * (checks > 1)} apart from the sweep"] if checks else [])
    return FocusRun(
        frames=tuple(frame for frame, _ in entries),
        passes=tuple(sweep for _, sweep in entries),
        directions=tuple(draft.directions),
        why="; ".join(reasons),
    )


def _no_sweep(run: FocusRun) -> Reason | None:
    """Say why frames that hang together are no focus run, or None if they are one."""
    xs = sorted(set(run.positions))
    count = len(run.frames)
    is_long = (run.exposure_s or 0.0) >= _LONG_EXPOSURE_S
    a_position = 3 if is_long else 5 if run.directions == (0,) else 12
    if len(xs) < _MIN_POSITIONS or count > a_position * len(xs):
        text = f"{count} frame{'s' * (count > 1)} at {len(xs)} position{'s' * (len(xs) > 1)}: no sweep"
        return Reason("no_sweep", text)
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
        return Reason("no_sweep", "is a long exposure between small moves of the focuser: no sweep")
    return None
