"""Measure frames, one or many at once, and compare those of a run on the stars that they share."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from astropy.table import QTable

from focuskit.core.errors import FocuskitError, is_by_system
from focuskit.core.reasons import Reason
from focuskit.core.workers import NO_MEMORY, Workers, process_lost
from focuskit.frames import FoundFile, FrameInfo, Limits, RigFile, read_frame, read_pixels
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.faint import Registered, Search, join_registered, measure_registered, search_plan
from focuskit.stars.image import measure_pixels
from focuskit.stars.match import CommonSizes, StarMatch, common_sizes, match_stars

_ENOUGH_STARS = 20  # chosen: for the size of a frame, which twenty like stars give to a quarter of what one does


@dataclass(frozen=True, eq=False)
class MeasuredFrame:
    """A frame's facts and its stars.

    Parameters
    ----------
    info : FrameInfo
    image : MeasuredImage
    digest : str
        Hash of the pixels: tells a copy of the frame, whatever it is called.
    """

    info: FrameInfo
    image: MeasuredImage
    digest: str

    @property
    def hfd_px(self) -> float | None:
        """Median half-flux diameter of the good stars, in sensor pixels; None without any."""
        return self.image.hfd_px

    @property
    def hfd_err_px(self) -> float | None:
        """Standard deviation of ``hfd_px``."""
        return self.image.hfd_err_px

    @property
    def fwhm_px(self) -> float | None:
        """Median full width at half maximum of the good stars, in sensor pixels."""
        return self.image.fwhm_px

    @property
    def star_snr(self) -> float | None:
        """S/N of the 20th brightest good star, or of the middle one where there are fewer than 40.

        A median over all stars would tell nothing of the exposure: longer ones bring in fainter stars.
        """
        snr = np.sort(self.image.measured.snr[self.image.measured.good])[::-1]
        return float(snr[min(snr.size // 2, _ENOUGH_STARS - 1)]) if snr.size else None

    @property
    def stars(self) -> QTable:
        """The stars as an astropy table with units."""
        return self.image.stars

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the frame, from the registry."""
        return self.image.flags


def measure_frame(
    path: str | Path,
    *,
    root: str | Path | None = None,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
) -> MeasuredFrame:
    """Read one frame and measure its stars.

    Raises
    ------
    FocuskitError
        If the file cannot be read as a frame; the message names it.
    """
    info, pixels = read_frame(path, root, rig_file, limits)
    try:
        with np.errstate(
            over="ignore", invalid="ignore"
        ):  # what single precision cannot hold is a pixel without a value
            image = measure_pixels(
                pixels, bayer=info.bayer, saturation_adu=info.saturation_adu, gain_e_per_adu=info.gain
            )
    except FocuskitError as problem:
        raise FocuskitError(f"{info.name}: {problem}") from problem
    # In one order of bytes, so that a compressed copy has the hash of the plain file.
    rows = np.ascontiguousarray(pixels.raw[::7], dtype=pixels.raw.dtype.newbyteorder("<"))
    digest = hashlib.blake2b(rows.data, digest_size=16).hexdigest()
    return MeasuredFrame(info, image, digest)


def _measure_or_say(found: FoundFile, rig_file: RigFile | None, limits: Limits | None) -> MeasuredFrame | Reason:
    """Return the measured frame, or why it cannot be one; errors cross process borders as text."""
    try:
        return measure_frame(found.path, root=found.root, rig_file=rig_file, limits=limits)
    except FocuskitError as problem:
        return _unreadable(problem, found.name, found.path)
    except MemoryError:
        return NO_MEMORY


def _unreadable(problem: FocuskitError, name: str, path: str) -> Reason:
    text = str(problem).removeprefix(f"{name}: ").removeprefix(f"{path}: ")
    return Reason("not_read" if is_by_system(problem.__cause__) else "unreadable", text)


def measure_frames(
    files: Sequence[FoundFile],
    pool: Workers,
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[MeasuredFrame], list[tuple[str, Reason]]]:
    """Measure many frames at once.

    Returns
    -------
    measured : list of MeasuredFrame
        In the order of ``files``, whatever the order of completion.
    not_used : list of (name, Reason)
    """
    # Of a rig file the stars depend only on these three values: where others change they are not measured again.
    infos = [found.info(rig_file, limits) if pool.cache.keeps else None for found in files]
    keys = [
        pool.cache.key("stars", [info.path], info.bayer, info.saturation_adu, info.gain, limits) if info else None
        for info in infos
    ]
    work = partial(_measure_or_say, rig_file=rig_file, limits=limits)
    outcomes = pool.map(work, files, process_lost, progress, keys)
    measured = [
        replace(outcome, info=info or outcome.info)
        for info, outcome in zip(infos, outcomes, strict=True)
        if not isinstance(outcome, Reason)
    ]
    unread = [(found.name, one) for found, one in zip(files, outcomes, strict=True) if isinstance(one, Reason)]
    return measured, unread


def compare_frames(
    frames: Sequence[MeasuredFrame], pool: Workers, limits: Limits | None = None
) -> tuple[StarMatch, CommonSizes, tuple[Reason | None, ...]]:
    """Match the stars of a run; where they are few and faint, measure all of them again as one.

    Returns
    -------
    match : StarMatch
    sizes : CommonSizes
    unread : tuple of (Reason or None)
        Why a frame has no size although it may show stars: it could not be read again, or its process was stopped.
    """
    images = [frame.image for frame in frames]
    match = match_stars(images)
    sizes = common_sizes(images, match)
    plan = search_plan(images)
    if plan is None:
        return match, sizes, (None,) * len(images)
    tasks = [(frame.info, search) for frame, search in zip(frames, plan[1], strict=True)]
    keys = [
        pool.cache.key("faint", [info.path], info.bayer, info.gain, info.plane(), search, limits)
        for info, search in tasks
    ]
    found = pool.map(partial(_search_or_say, limits=limits), tasks, process_lost, keys=keys)
    together = join_registered(plan[0], [None if isinstance(one, Reason) else one for one in found])
    if together[1].told > sizes.told:
        match, sizes = together
    sized = np.isfinite(sizes.hfd_px)
    unread = tuple(one if isinstance(one, Reason) and not has else None for one, has in zip(found, sized, strict=True))
    return match, sizes, unread


def _search_or_say(task: tuple[FrameInfo, Search], limits: Limits | None) -> Registered | Reason | None:
    """Measure the stars of a frame as one; None where they do not show, or why the frame could not be read."""
    info, search = task
    try:
        with np.errstate(over="ignore", invalid="ignore"):
            pixels = read_pixels(info.path, limits, info.plane()).of_colour(info.bayer).filled()
            return measure_registered(prepare_image(pixels, None, info.gain), search)
    except FocuskitError as problem:
        return _unreadable(problem, info.name, info.path)
    except MemoryError:
        return NO_MEMORY


def run_key(digests: Iterable[str]) -> str:
    """Return the key by which a run is recognised: a hash over the hashes of its frames."""
    return hashlib.blake2b("".join(sorted(digests)).encode(), digest_size=16).hexdigest()
