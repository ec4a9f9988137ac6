"""Light frames of a night: frames in no run that were taken to keep, how far from focus each was, and what it lost."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from focuskit.core.calibration import SIDE_KNOWN, Calibration
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.logged_light import LoggedLight
from focuskit.core.optics import Rig
from focuskit.core.reasons import Reason
from focuskit.core.times import format_time
from focuskit.core.workers import Workers, process_lost
from focuskit.frames import FrameInfo, Limits, RigFile
from focuskit.night.losses import NAMED, Losses, brightness, smear_of
from focuskit.night.rigs import NightRig
from focuskit.night.runs import ShapedRun
from focuskit.night.single import SingleFrame, single_frame
from focuskit.stars import MeasuredFrame
from focuskit.waves import Defocus

# Common practice, no source: so many frames at one position are no focus frames; light frames are exposed longer than
# the focus frames of their filter, by far; without focus frames beside them, for half a minute and longer where the
# header calls them light frames, else for a minute.
_STANDS, _LONGER, _CALLED_LIGHT_S, _LIGHT_S = 5, 2.0, 30.0, 60.0
_SHARP_PERCENT = 10.0  # of light frames without a run: chosen, as the sharpest alone may be few stars or luck
_SIGMA_95 = 1.645  # one-sided
# Best seeing that a frame may have had, over the typical one: two standard deviations of the usual jitter of 12 %.
_BEST_SEEING = 0.8


@dataclass(frozen=True)
class LightFrame:
    """A light frame and what it lost.

    Parameters
    ----------
    frame : MeasuredFrame
    rig : Rig
        With what was found from the runs of its camera.
    single : SingleFrame or None
        Its distance from focus and its seeing by the shape of its stars; None where the optics are not known, or
        the stars are too few.
    outside : float
        Probability that it was outside focus; a half where nothing tells.
    tolerance_steps : float or None
        Move that costs 5 % in half-flux diameter, from the runs of its filter.
    limit_um : float or None
        95 % upper limit of the distance by the shape of its stars, where it cannot be told from 0.
    size_limit_steps : float or None
        The same by the size of the stars, where their shape says nothing.
    losses : Losses
    """

    frame: MeasuredFrame
    rig: Rig
    single: SingleFrame | None
    outside: float
    tolerance_steps: float | None
    limit_um: float | None
    size_limit_steps: float | None
    losses: Losses

    @property
    def info(self) -> FrameInfo:
        """What the header tells."""
        return self.frame.info

    @property
    def side(self) -> str | None:
        """``outside`` or ``inside`` of focus where that is known, else None."""
        if max(self.outside, 1.0 - self.outside) < SIDE_KNOWN:
            return None
        return "outside" if self.outside > 0.5 else "inside"

    @property
    def limit_steps(self) -> float | None:
        """95 % upper limit of the distance from focus; None where that can be told from 0, or nothing is known."""
        step = self.rig.um_per_step
        return self.limit_um / step if step and self.limit_um is not None else self.size_limit_steps

    @property
    def distance_steps(self) -> tuple[float | None, float | None]:
        """Distance from focus and its error; positive outside, negative inside, its size alone where that is open."""
        step = self.rig.um_per_step
        if self.single is None or not step or self.limit_steps is not None:
            return None, None
        found = self.single.defocus
        if self.side is None:
            return found.defocus_um / step, found.defocus_err_um / step
        sign, one = (1.0, found.sides[0]) if self.side == "outside" else (-1.0, found.sides[1])
        return sign * one.distance_um / step, one.err_um / step

    @property
    def within_tolerance(self) -> float | None:
        """Probability that the frame was within the tolerance of focus; None where smear hides how far it was."""
        if self.single is None or self.losses.smear >= NAMED:
            return None
        step, tolerance, found = self.rig.um_per_step, self.tolerance_steps, self.single.defocus
        in_um = tolerance * step if step and tolerance else found.tolerance_um
        return found.within(in_um, (self.outside, 1.0 - self.outside))

    def logged(self) -> LoggedLight | None:
        """Return the frame as the logbook keeps it; None without a time, a position or a distance from focus."""
        info = self.info
        if self.single is None or info.time is None or info.position is None:
            return None
        found = self.single.defocus
        one = found.sides[self.outside < 0.5]
        distance, err = (found.defocus_um, found.defocus_err_um) if self.side is None else (one.distance_um, one.err_um)
        return LoggedLight(
            key=self.frame.digest,
            time=info.time,
            position=info.position,
            defocus_um=max(distance, 0.0),
            defocus_err_um=err,
            defocus_limit_um=self.limit_um,
            side=self.side,
            um_per_step=self.rig.um_per_step,
            rig=self.rig.name,
            filter=info.filter,
            temperature_c=info.temperature_c,
            seeing_arcsec=found.seeing_arcsec,
            exposure_s=info.exposure_s,
        )

    def to_json(self) -> dict[str, Any]:
        """Return the frame as ``lights[]`` of the public JSON describes it."""
        info = self.info
        distance, err = self.distance_steps
        return {
            "rig": self.rig.name,
            "file": info.name,
            "time": format_time(info.time),
            "filter": info.filter,
            "exposure_s": info.exposure_s,
            "temperature_c": info.temperature_c,
            "position": info.position,
            "hfd_px": self.frame.hfd_px,
            "seeing_arcsec": self.single.defocus.seeing_arcsec if self.single else None,
            "from_focus_steps": distance,
            "from_focus_err_steps": err,
            "from_focus_limit_steps": self.limit_steps,
            "side": self.side,
            "within_tolerance": self.within_tolerance,
            "depth_lost_pct": self.losses.depth_pct,
            "lost_to": self.losses.lost_to,
        }


Camera = tuple[Any, ...]


def _camera(info: FrameInfo) -> Camera:
    return info.telescope, info.instrument, info.binning, info.focal_length_mm


def pick_lights(
    frames: Iterable[MeasuredFrame], runs: Sequence[ShapedRun], left: Sequence[tuple[str, Reason]]
) -> list[MeasuredFrame]:
    """Return the light frames among the frames that are in no run.

    ``left`` says why a frame is in none: what is no exposure of the sky, has no position or is a copy does not count.
    """
    in_runs = {frame.info.path for run in runs for frame in run.frames}
    no_sweep = {name for name, why in left if why.code == "no_sweep"}
    loose = [frame for frame in frames if frame.info.path not in in_runs and frame.info.name in no_sweep]
    stands = Counter(_stand(frame.info) for frame in loose)
    focus: dict[Camera, list[ShapedRun]] = {}
    for run in runs:
        focus.setdefault(_camera(run.frames[0].info), []).append(run)
    return [f for f in loose if _is_light(f.info, stands[_stand(f.info)], focus.get(_camera(f.info), []))]


def _stand(info: FrameInfo) -> Camera:
    return (*_camera(info), info.filter, info.exposure_s, info.position)


def _is_light(info: FrameInfo, at_its_position: int, runs: Sequence[ShapedRun]) -> bool:
    """Return whether a frame was taken to keep, by what its header calls it, its exposure, and how long focus stood."""
    kind = (info.image_type or "").lower()
    if "focus" in kind:
        return False
    if at_its_position >= _STANDS:
        return True
    exposure = info.exposure_s or 0.0
    same = [run.exposure_s for run in runs if run.filter == info.filter and run.exposure_s]
    focus = same or [run.exposure_s for run in runs if run.exposure_s]
    if focus:
        return exposure > _LONGER * max(focus)
    return exposure >= (_CALLED_LIGHT_S if "light" in kind else _LIGHT_S)


def measure_lights(
    frames: Sequence[MeasuredFrame],
    runs: Sequence[ShapedRun],
    rigs: Sequence[NightRig],
    rig_file: RigFile | None,
    pool: Workers,
    limits: Limits | None = None,
    history: Sequence[LoggedRun] = (),
) -> tuple[list[LightFrame], list[tuple[str, Reason]]]:
    """Measure light frames, each by itself; the best positions of the night's runs give the side where they do.

    Returns
    -------
    lights : list of LightFrame
        In order of time, then of name.
    not_used : list of (name, Reason)
        Frames without a star.
    """
    blank = Reason("no_stars", "is a light frame that shows no star")
    left = [(frame.info.name, blank) for frame in frames if frame.hfd_px is None]
    seen = sorted((f for f in frames if f.hfd_px is not None), key=lambda f: (_time(f) or "", f.info.name))
    of_camera = {_camera(frame.info): _runs_of(frame.info, runs) for frame in seen}
    rig_of = {camera: _rig_of(own, rigs) for camera, own in of_camera.items()}
    known = {camera: _calibration(own, history) for camera, own in of_camera.items()}
    tasks = [(frame, known[_camera(frame.info)], rig_of[_camera(frame.info)]) for frame in seen]
    keys = [pool.cache.key("light", [t[0].info.path], t[0].info, rig_file, limits, t[1], t[2]) for t in tasks]
    work = partial(_single_or_say, rig_file=rig_file, limits=limits)
    singles = pool.map(work, tasks, process_lost, keys=keys)
    bright = brightness(seen, [_field(frame.info) for frame in seen])
    shapes = [one if isinstance(one, SingleFrame) else None for one in singles]
    sharp = _sharpest(seen, shapes)
    lights = []
    for frame, shape, clear in zip(seen, shapes, bright, strict=True):
        camera = _camera(frame.info)
        own = [run for run in of_camera[camera] if run.filter == frame.info.filter] or of_camera[camera]
        least = _median(run.fit.hfd_best_px for run in own) or sharp.get((*camera, frame.info.filter))
        lights.append(_light(frame, rig_of[camera] or frame.info.rig(rig_file), shape, clear, own, least))
    return lights, left


def _sharpest(frames: Sequence[MeasuredFrame], shapes: Sequence[SingleFrame | None]) -> dict[Camera, float]:
    """Return the size that the sharpest light frames of each camera and filter had in focus, where they are several."""
    sizes: dict[Camera, list[float]] = {}
    for frame, shape in zip(frames, shapes, strict=True):
        growth = shape.growth if shape and shape.defocus.limit_um() is None else 1.0
        sizes.setdefault((*_camera(frame.info), frame.info.filter), []).append((frame.hfd_px or math.nan) / growth)
    return {name: float(np.percentile(own, _SHARP_PERCENT)) for name, own in sizes.items() if len(own) >= _STANDS}


def _time(frame: MeasuredFrame) -> str | None:
    return format_time(frame.info.time)


def _field(info: FrameInfo) -> Camera:
    """Return what the brightness of light frames must have in common to be compared."""
    return (*_camera(info), info.filter, info.exposure_s, info.object_name)


def _runs_of(info: FrameInfo, runs: Sequence[ShapedRun]) -> list[ShapedRun]:
    return [run for run in runs if _camera(run.frames[0].info) == _camera(info)]


def _rig_of(runs: Sequence[ShapedRun], rigs: Sequence[NightRig]) -> Rig | None:
    """Return the rig of a camera with what its runs showed of it; None without a run."""
    names = {run.rig.name for run in runs}
    return next((one.rig for one in rigs if one.rig.name in names), None)


def _calibration(runs: Sequence[ShapedRun], history: Sequence[LoggedRun]) -> Calibration:
    """Return what the runs of the night and those logged before show of the aberration and of the seeing's exponent."""
    own = [run.shown for run in runs if run.profile]
    logged = [calibration_of(history, name) for name in {run.rig.name for run in runs}]
    return Calibration(
        spherical=(
            *(one.spherical for one in own if one.spherical),
            *(part for one in logged for part in one.spherical),
        ),
        wings=(*(one.wings for one in own if one.wings), *(part for one in logged for part in one.wings)),
    )


def _single_or_say(
    task: tuple[MeasuredFrame, Calibration, Rig | None], rig_file: RigFile | None, limits: Limits | None
) -> SingleFrame | Reason:
    """Return how far from focus a frame was, or why its stars do not tell."""
    frame, calibration, rig = task
    try:
        return single_frame(frame, rig_file, limits, calibration, rig)
    except (FocuskitError, MemoryError) as problem:
        return Reason("no_shape", str(problem))


def _light(
    frame: MeasuredFrame,
    rig: Rig,
    single: SingleFrame | None,
    clear: float | None,
    runs: Sequence[ShapedRun],
    least: float | None,
) -> LightFrame:
    alike = [run for run in runs if run.filter == frame.info.filter]
    tolerance = _median(run.fit.tolerance_steps for run in alike or runs)
    step = rig.um_per_step
    outside, limit_um, growth, by_size = 0.5, None, None, None
    if single is not None:
        found = single.defocus
        outside = _outside(frame.info, found, step, alike) if step else found.outside
        limit_um = found.limit_um((outside, 1.0 - outside))
        growth = found.growth if limit_um is None else 1.0
        # The shape of smeared stars says how far from focus they were at most.
        if limit_um is None and smear_of(frame) >= NAMED:
            limit_um = found.defocus_um + _SIGMA_95 * found.defocus_err_um
    else:
        by_size = _limit_by_size(frame, least, alike)
    losses = Losses.of(frame, least, growth, clear)
    return LightFrame(frame, rig, single, outside, tolerance, limit_um, by_size, losses)


def _median(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value]
    return float(np.median(known)) if known else None


def _outside(info: FrameInfo, found: Defocus, step: float, runs: Sequence[ShapedRun]) -> float:
    """Return the probability that a frame was outside focus, by its stars and by where the runs expected focus."""
    expected = _expected(info, runs)
    if expected is None or info.position is None:
        return found.outside
    best, best_err = expected
    odds = math.log(max(found.outside, 1e-9) / max(1.0 - found.outside, 1e-9))
    for sign, one in zip((1.0, -1.0), found.sides, strict=True):
        err = math.hypot(one.err_um / step, best_err)
        odds -= sign * (0.5 * ((info.position - best - sign * one.distance_um / step) / err) ** 2 + math.log(err))
    return float(1.0 / (1.0 + math.exp(-min(max(odds, -50.0), 50.0))))


def _expected(info: FrameInfo, runs: Sequence[ShapedRun]) -> tuple[float, float] | None:
    """Return where the runs of a filter put focus at the time of a frame, and with which error.

    Between two runs it is taken to move evenly, beyond the last to stay; what it may do beside that is as much as the
    runs differ, and a tolerance where there is one run alone.
    """
    known = [run for run in runs if run.fit.best_position is not None and run.start is not None]
    if not known or info.time is None:
        return None
    at = np.array([run.start.timestamp() for run in known if run.start])
    best = np.array([run.fit.best_position for run in known], dtype=float)
    order = np.argsort(at)
    place = float(np.interp(info.time.timestamp(), at[order], best[order]))
    err = max(run.fit.best_position_err or 0.0 for run in known)
    moves = float(np.ptp(best)) if len(known) > 1 else 0.0
    return place, math.hypot(err, max(moves, _median(run.fit.tolerance_steps for run in known) or moves))


def _limit_by_size(frame: MeasuredFrame, least: float | None, runs: Sequence[ShapedRun]) -> float | None:
    """Return how far from focus the size of the stars allows at most, in the best seeing that a frame may have had."""
    slope = _median(run.fit.hfd_slope_px_per_step for run in runs)
    if not slope or not least or frame.hfd_px is None:
        return None
    size, err = frame.hfd_px, frame.hfd_err_px or 0.0
    excess = (size + _SIGMA_95 * err) ** 2 - (_BEST_SEEING * least) ** 2
    return math.sqrt(max(excess, 0.0)) / abs(slope)


def without_lights(left: Sequence[tuple[str, Reason]], lights: Sequence[MeasuredFrame]) -> list[tuple[str, Reason]]:
    """Return what is left when light frames are taken out."""
    taken = Counter(frame.info.name for frame in lights)
    kept = []
    for name, why in left:
        if why.code == "no_sweep" and taken[name]:
            taken[name] -= 1
        else:
            kept.append((name, why))
    return kept
