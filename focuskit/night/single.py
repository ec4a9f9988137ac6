"""Single frames, e.g. ordinary light frames: how far from focus each was, and in which seeing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from focuskit.core.calibration import Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.optics import Rig
from focuskit.core.reasons import Reason
from focuskit.core.times import format_time
from focuskit.core.workers import NO_MEMORY, Workers, process_lost
from focuskit.frames import FrameInfo, Limits, RigFile, find_some_frames
from focuskit.stars import MeasuredFrame, measure_frames
from focuskit.waves import Defocus, measure_defocus, pool_spherical, stack_single

_LEAST_STARS = 3  # one may be a double star; chosen, not tuned
_SURE_SIDE = 0.975  # a side that is less probable is left open: 2 standard deviations


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
    """

    info: FrameInfo
    hfd_px: float
    stars: int
    defocus: Defocus
    rig: Rig

    @property
    def growth(self) -> float:
        """Half-flux diameter over what it had been in focus, in the same seeing."""
        return self.defocus.growth

    @property
    def side(self) -> str | None:
        """``outside`` or ``inside`` of focus where the stars tell, else None."""
        sure = max(self.defocus.outside, 1.0 - self.defocus.outside) > _SURE_SIDE
        return ("outside" if self.defocus.outside > 0.5 else "inside") if sure else None

    def to_json(self) -> dict[str, Any]:
        """Return the frame as ``focuskit.defocus/1`` describes it."""
        found, step = self.defocus, self.rig.um_per_step
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
            "defocus_um": found.defocus_um,
            "defocus_err_um": found.defocus_err_um,
            "defocus_steps": found.defocus_um / step if step else None,
            "defocus_err_steps": found.defocus_err_um / step if step else None,
            "side": self.side,
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
) -> tuple[list[SingleFrame], list[tuple[str, Reason]]]:
    """Measure the defocus of every frame below the folders, each by itself.

    Parameters
    ----------
    folders : path or sequence of paths
    rig_file, limits, executor, workers, progress, cache
        As for `focuskit.analyse`.
    history : sequence of LoggedRun
        Runs logged before: what they show of the telescope's spherical aberration is used.

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
    known = {rig: calibration_of(history, rig).spherical for rig in {run.rig for run in history}}
    with Workers(executor, 1 if len(files) < 4 else workers, cache) as pool:
        frames, unreadable = measure_frames(files, pool, rig_file=rig_file, limits=limits, progress=progress)
        tasks = [(frame, known.get(frame.info.rig(rig_file).name, ())) for frame in frames]
        keys = [
            pool.cache.key("single", [frame.info.path], frame.info, rig_file, limits, spherical)
            for frame, spherical in tasks
        ]
        work = partial(_single_or_say, rig_file=rig_file, limits=limits)
        outcomes = pool.map(work, tasks, process_lost, keys=keys)
    singles = [one for one in outcomes if isinstance(one, SingleFrame)]
    singles.sort(key=lambda one: (format_time(one.info.time) or "", one.info.name))
    left = [(frame.info.name, why) for frame, why in zip(frames, outcomes, strict=True) if isinstance(why, Reason)]
    return singles, sorted([*not_used, *unreadable, *left])


def _single_or_say(
    task: tuple[MeasuredFrame, Sequence[Spherical]], rig_file: RigFile | None, limits: Limits | None
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
    spherical: Sequence[Spherical] = (),
    rig: Rig | None = None,
) -> SingleFrame:
    """Return how far from focus a measured frame was; ``spherical`` is what other runs show of the telescope.

    ``rig`` is by default what its header and the rig file say.

    Raises
    ------
    FocuskitError
        If the optics are not known, the stars are too few, or the frame cannot be read again.
    """
    rig = rig or frame.info.rig(rig_file)
    _check_optics(frame, rig)
    filters = rig_file.of(frame.info.optics).filters if rig_file else USUAL_FILTERS
    wavelength_um = filters.kind(frame.info.filter).seen_by(frame.info.colour) / 1e3
    stars = int(frame.image.measured.good.sum())
    profile = stack_single(frame, limits) if stars >= _LEAST_STARS else None
    if isinstance(profile, Reason):
        raise FocuskitError(str(profile))
    if frame.hfd_px is None or profile is None:
        raise FocuskitError(f"shows {stars} good stars whole; {_LEAST_STARS} are the least")
    defocus = measure_defocus(profile, rig, wavelength_um, pool_spherical(spherical, wavelength_um))
    return SingleFrame(frame.info, frame.hfd_px, profile.stars, defocus, rig)


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
