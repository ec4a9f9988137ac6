"""Measure frames, one or many at once, and stack the stars of a run's frames for the profile fit."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from astropy.table import QTable

from focuskit.core.errors import FocuskitError
from focuskit.core.workers import Crew
from focuskit.frames import FoundFile, FrameInfo, Limits, RigFile, read_frame, read_pixels
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.faint import Registered, Search, measure_registered
from focuskit.stars.image import measure_pixels


@dataclass(frozen=True)
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


def measure_found(found: FoundFile, rig_file: RigFile | None, limits: Limits | None) -> MeasuredFrame | str:
    """Return the measured frame, or why it cannot be one; errors cross process borders as text."""
    root = Path(found.path).parents[found.name.count("/")]  # the name itself may be written otherwise than the path
    try:
        return measure_frame(found.path, root=root, rig_file=rig_file, limits=limits)
    except FocuskitError as problem:
        return str(problem).removeprefix(f"{found.name}: ").removeprefix(f"{found.path}: ")
    except MemoryError:
        return "needs more memory than there is; try again with --workers 1, or without this file"


_ENOUGH_STARS = 20  # for the size of a frame


def lost_frame(_: object) -> str:
    """Return why a frame is not used whose process died twice."""
    return "the process that measured it died, twice; leave this file out"


def measure_frames(
    files: Sequence[FoundFile],
    crew: Crew,
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[MeasuredFrame], list[tuple[str, str]]]:
    """Measure many frames at once.

    Returns
    -------
    measured : list of MeasuredFrame
        In the order of ``files``, whatever the order of completion.
    not_used : list of (name, why)
    """
    work = partial(measure_found, rig_file=rig_file, limits=limits)
    outcomes = crew.map(work, files, lost_frame, progress)
    pairs = list(zip(files, outcomes, strict=True))
    measured = [outcome for _, outcome in pairs if isinstance(outcome, MeasuredFrame)]
    return measured, [(found.name, outcome) for found, outcome in pairs if isinstance(outcome, str)]


def _search_or_nothing(task: tuple[str, float | None, Search], limits: Limits | None) -> Registered | None:
    path, gain, search = task
    try:
        with np.errstate(over="ignore", invalid="ignore"):
            return measure_registered(prepare_image(read_pixels(path, limits).filled(), None, gain), search)
    except (FocuskitError, MemoryError):
        return None


def register_frames(
    frames: Sequence[MeasuredFrame], searches: Sequence[Search], crew: Crew, limits: Limits | None = None
) -> list[Registered | None]:
    """Measure the stars of frames where they must lie; None where a frame does not show them."""
    tasks = [(frame.info.path, frame.info.gain, search) for frame, search in zip(frames, searches, strict=True)]
    return crew.map(partial(_search_or_nothing, limits=limits), tasks, lambda _: None)


def run_key(digests: Iterable[str]) -> str:
    """Return the key by which a run is recognised: a hash over the hashes of its frames."""
    return hashlib.blake2b("".join(sorted(digests)).encode(), digest_size=16).hexdigest()
