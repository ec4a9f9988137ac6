"""Single frames, e.g. ordinary light frames: how far from focus each was, and in which seeing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from focuskit.core.calibration import Calibration, Expected, optics_of
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.optics import Rig
from focuskit.core.reasons import Reason
from focuskit.core.times import format_time
from focuskit.core.workers import NO_MEMORY, Workers, process_lost
from focuskit.frames import FrameInfo, Limits, RigFile, find_some_frames
from focuskit.night.known import Known, known_of
from focuskit.night.where import Answer, Single, find_focus
from focuskit.stars import MeasuredFrame, measure_frames
from focuskit.waves import Defocus, measure_defocus, stack_single

NOTHING_LOGGED = Calibration()
_SLACK_S = 2.0  # chosen: times in headers and logbooks are rounded to seconds
_LEAST_STARS = 3  # one may be a double star; chosen, not tuned
# Frames of one group begin no further apart than their exposure and so many seconds, and all within so many. Chosen: in
# that time a tube that cools by 2 °C an hour moves focus by less than the error of a frame.
_GAP_S, _GROUP_S = 120.0, 1200.0
_GROUP_C = 0.3  # and within so many °C; chosen: it moves focus by less than the tolerance

Expect = Callable[[FrameInfo, Sequence[LoggedRun]], Expected | None]


@dataclass(frozen=True)
class SingleFrame:
    """One frame and how far from focus it was.

    Parameters
    ----------
    info : FrameInfo
    hfd_px : float
        Median half-flux diameter of its stars.
    stars : int
        Stars whose shapes were put together.
    defocus : Defocus
    rig : Rig
        Of the frame; that of another telescope comes from its header alone, not from the rig file.
    known : Known
        What it was judged by.
    answer : Answer or None
        Where focus is, and from what the side is known.
    """

    info: FrameInfo
    hfd_px: float
    stars: int
    defocus: Defocus
    rig: Rig
    known: Known
    answer: Answer | None = None

    @property
    def growth(self) -> float:
        """Half-flux diameter over what it had been in focus, in the same seeing."""
        return self.defocus.growth

    @property
    def tolerance_steps(self) -> float | None:
        """Move that costs 5 % in half-flux diameter; None where nothing tells the step."""
        return self.defocus.tolerance_um / math.exp(self.known.log_step[0]) if self.known.log_step else None

    @property
    def focus(self) -> Answer:
        """Where focus is; without frames and runs beside it, by the stars of this frame alone."""
        return self.answer or find_focus([self.single(0)])[0]

    @property
    def side(self) -> str | None:
        """``outside`` or ``inside`` of focus where that is decided, else None."""
        return self.focus.side

    def single(self, group: int, expected: Expected | None = None) -> Single:
        """Return the frame as `find_focus` takes it."""
        return Single(self.info.position, self.defocus, self.known, group, expected, self.rig.travel)

    def to_json(self) -> dict[str, Any]:
        """Return the frame as ``focuskit.defocus/1`` describes it."""
        found, focus = self.defocus, self.focus
        step = math.exp(self.known.log_step[0]) if self.known.log_step else None
        return {
            "rig": self.rig.name,
            "file": self.info.name,
            "time": format_time(self.info.time),
            "filter": self.info.filter,
            "exposure_s": self.info.exposure_s,
            "temperature_c": self.info.temperature_c,
            "position": self.info.position,
            "hfd_px": self.hfd_px,
            "stars": self.stars,
            "defocus_um": focus.defocus_um,
            "defocus_err_um": focus.defocus_err_um,
            "defocus_steps": focus.defocus_um / step if step else None,
            "defocus_err_steps": focus.defocus_err_um / step if step else None,
            "defocus_limit_um": focus.limit_um,
            "within_tolerance": focus.within_tolerance,
            "tolerance_um": found.tolerance_um,
            "best_position": focus.best_position,
            "best_position_err": focus.best_position_err,
            "side": focus.side,
            "side_from": focus.side_from,
            "move_steps": focus.move,
            "why_no_move": focus.why_no_move,
            "approach": focus.approach,
            "candidates": [
                {
                    "side": one.side,
                    "best_position": one.best_position,
                    "best_position_err": one.best_position_err,
                    "move_steps": one.move,
                    "probability": one.probability,
                }
                for one in focus.candidates
            ],
            "calibrated": self.known.is_calibrated,
            "seeing_arcsec": found.seeing_arcsec,
            "hfd_growth_pct": 100.0 * (self.growth - 1.0),
            "chi2_reduced": found.chi2_reduced,
        }


def measure_single_frames(
    folders: str | Path | Sequence[str | Path],
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
    history: Sequence[LoggedRun] = (),
    cache: str | Path | None = None,
    side: str | None = None,
    expect: Expect | None = None,
) -> tuple[list[SingleFrame], list[tuple[str, Reason]]]:
    """Measure the defocus of every frame below the folders, each by itself.

    Parameters
    ----------
    folders : path or sequence of paths
    rig_file, limits, executor, workers, progress, cache
        As for `focuskit.analyse`.
    history : sequence of LoggedRun
        Runs logged before: what they show of the telescope is used, except by the run that a frame belongs to.
    side : {"outside", "inside"}, optional
        On which side of focus all the frames lay, where you know it.
    expect : function, optional
        Returns the best position that runs make likely for a frame (`FrameInfo`, runs logged before).

    Returns
    -------
    frames : list of SingleFrame
        In order of time, then of name.
    not_used : list of (name, Reason)

    Raises
    ------
    FocuskitError
        If a folder cannot be read, or there is no frame in it.
    """
    files, not_used = find_some_frames(folders)
    if rig_file and not rig_file.rigs:
        rig_file = rig_file.among(filter(None, (file.optics(rig_file, limits) for file in files)))
    with Workers(executor, 1 if len(files) < 4 else workers, cache) as pool:
        frames, unreadable = measure_frames(files, pool, rig_file=rig_file, limits=limits, progress=progress)
        others = [_others(history, frame.info, rig_file) for frame in frames]
        tasks = [
            (frame, calibration_of(runs, frame.info.rig(rig_file).name))
            for frame, runs in zip(frames, others, strict=True)
        ]
        keys = [
            pool.cache.key("single", [frame.info.path], frame.info, rig_file, limits, known) for frame, known in tasks
        ]
        work = partial(_single_or_say, rig_file=rig_file, limits=limits)
        outcomes = pool.map(work, tasks, process_lost, keys=keys)
    singles = [(one, runs) for one, runs in zip(outcomes, others, strict=True) if isinstance(one, SingleFrame)]
    singles.sort(key=lambda pair: (format_time(pair[0].info.time) or "", pair[0].info.name))
    left = [(frame.info.name, why) for frame, why in zip(frames, outcomes, strict=True) if isinstance(why, Reason)]
    found = [one for one, _ in singles]
    judged = find_focus(
        [
            one.single(group, expect(one.info, runs) if expect else None)
            for (one, runs), group in zip(singles, _groups(found), strict=True)
        ],
        side,
    )
    return (
        [replace(one, answer=answer) for one, answer in zip(found, judged, strict=True)],
        sorted([*not_used, *unreadable, *left]),
    )


def _others(history: Sequence[LoggedRun], info: FrameInfo, rig_file: RigFile | None) -> list[LoggedRun]:
    """Return the logged runs of a frame's telescope as it is: since it was taken apart, and not the frame's own run."""
    name = info.rig(rig_file).name
    rebuilds = [moment for moment in (rig_file.rebuilds if rig_file else ()) if info.time and moment <= info.time]
    since = max(rebuilds, default=None)
    return [run for run in history if run.rig == name and not (since and run.time < since) and not _belongs(info, run)]


def _belongs(info: FrameInfo, run: LoggedRun) -> bool:
    """Return whether a frame was taken during a logged run in its filter."""
    if info.time is None or (info.filter and run.filter and info.filter != run.filter):
        return False
    since = (info.time - run.time).total_seconds()
    return -_SLACK_S <= since <= (run.seconds or 0.0) + _SLACK_S


def _groups(frames: Sequence[SingleFrame]) -> list[int]:
    """Number the groups of frames of one rig, filter and exposure within minutes; frames are in order of time."""
    numbers: list[int] = []
    last: dict[tuple[Any, ...], tuple[int, FrameInfo, datetime]] = {}
    for number, frame in enumerate(frames):
        info, time = frame.info, frame.info.time
        kind = (frame.rig.name, info.instrument, info.filter, info.exposure_s)
        group, first, before = last.get(kind, (number, info, time))
        if time is None or before is None or not _are_together(first, info, before):
            group, first = number, info
        numbers.append(group)
        if time:
            last[kind] = (group, first, time)
    return numbers


def _are_together(first: FrameInfo, info: FrameInfo, before: datetime) -> bool:
    """Return whether focus stood still from the first frame of a group to this one; ``before`` is when the last was."""
    if info.time is None or first.time is None:
        return False
    warmer = abs((info.temperature_c or 0.0) - (first.temperature_c or 0.0))
    if warmer > _GROUP_C and None not in (info.temperature_c, first.temperature_c):
        return False
    gap, span = info.time - before, info.time - first.time
    return gap <= timedelta(seconds=_GAP_S + (info.exposure_s or 0.0)) and span <= timedelta(seconds=_GROUP_S)


def _single_or_say(
    task: tuple[MeasuredFrame, Calibration], rig_file: RigFile | None, limits: Limits | None
) -> SingleFrame | Reason:
    """Return how far from focus a frame was, or why that is not known."""
    try:
        return single_frame(task[0], rig_file, limits, task[1])
    except FocuskitError as problem:
        return Reason("unreadable", str(problem))
    except MemoryError:
        return NO_MEMORY


def single_frame(
    frame: MeasuredFrame,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    calibration: Calibration = NOTHING_LOGGED,
    rig: Rig | None = None,
) -> SingleFrame:
    """Return how far from focus a measured frame was; ``calibration`` is what other runs show of the telescope.

    ``rig`` is by default what its header and the rig file say, its gaps filled by those runs.

    Raises
    ------
    FocuskitError
        If the optics are not known, the stars are too few, or the frame cannot be read again.
    """
    rig = rig or frame.info.rig(rig_file)
    filled = optics_of(rig, calibration)
    if filled and filled[1].in_um:  # else they have no scale, and no length in µm would be right
        rig = filled[0]
    _check_optics(frame, rig)
    filters = rig_file.of(frame.info.optics).filters if rig_file else USUAL_FILTERS
    wavelength_um = filters.kind(frame.info.filter).seen_by(frame.info.colour) / 1e3
    stars = int(frame.image.measured.good.sum())
    profile = stack_single(frame, limits) if stars >= _LEAST_STARS else None
    if isinstance(profile, Reason):
        raise FocuskitError(str(profile))
    if frame.hfd_px is None or profile is None:
        raise FocuskitError(f"shows {stars} good stars whole; {_LEAST_STARS} are the least")
    known = known_of(calibration, rig, wavelength_um)
    defocus = measure_defocus(profile, rig, wavelength_um, known.spherical, known.exponent)
    return SingleFrame(frame.info, frame.hfd_px, profile.stars, defocus, rig, known)


def _check_optics(frame: MeasuredFrame, rig: Rig) -> None:
    wanted = {
        "focal_length_mm": rig.f_ratio,
        "aperture_mm": rig.f_ratio,
        "pixel_um": rig.pixel_um,
        "obstruction": rig.obstruction,
    }
    missing = [name for name, value in wanted.items() if value is None or not math.isfinite(value)]
    if missing:
        raise FocuskitError(f"its telescope is not known ({', '.join(missing)}); give a rig file with --rig")
