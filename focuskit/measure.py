"""Measure frames, one or many at once, and compare the frames of a run on the stars they share."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import QTable

from focuskit.errors import FocuskitError
from focuskit.fitsfile import Limits
from focuskit.frames import FoundFile, FrameInfo, read_frame
from focuskit.rigfile import RigFile
from focuskit.stars import StarField, measure_pixels, typical_size

SKIPPED_TYPES = ("DARK", "BIAS", "FLAT", "ZERO", "OFFSET")


@dataclass(frozen=True)
class MeasuredFrame:
    """A frame's facts and its stars.

    Parameters
    ----------
    info : FrameInfo
    field : StarField
    digest : str
        Hash of the pixels: tells a copy of the frame, whatever it is called.
    """

    info: FrameInfo
    field: StarField
    digest: str

    @property
    def hfd_px(self) -> float | None:
        """Median half-flux diameter of the good stars, in sensor pixels; None without any."""
        return self.field.hfd_px

    @property
    def hfd_err_px(self) -> float | None:
        """Standard deviation of ``hfd_px``."""
        return self.field.hfd_err_px

    @property
    def fwhm_px(self) -> float | None:
        """Median full width at half maximum of the good stars, in sensor pixels."""
        return self.field.fwhm_px

    @property
    def stars(self) -> QTable:
        """The stars as an astropy table with units."""
        return self.field.stars

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the frame, from the registry."""
        return ("few_stars",) if self.field.count < 5 else ()


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
        field = measure_pixels(pixels, bayer=info.bayer, saturation_adu=info.saturation_adu, gain_e_per_adu=info.gain)
    except FocuskitError as problem:
        raise FocuskitError(f"{info.name}: {problem}") from problem
    digest = hashlib.blake2b(np.ascontiguousarray(pixels.raw[::7]).data, digest_size=16).hexdigest()
    return MeasuredFrame(info, field, digest)


def _measure_or_say(found: FoundFile, rig_file: RigFile | None, limits: Limits | None) -> MeasuredFrame | str:
    """Return the measured frame, or why it cannot be one; errors cross process borders as text."""
    root = Path(found.path).as_posix().removesuffix(found.name) or "."
    try:
        return measure_frame(found.path, root=root, rig_file=rig_file, limits=limits)
    except FocuskitError as problem:
        return str(problem).removeprefix(f"{found.name}: ").removeprefix(f"{found.path}: ")


def measure_frames(
    files: Sequence[FoundFile],
    *,
    rig_file: RigFile | None = None,
    limits: Limits | None = None,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[list[MeasuredFrame], list[tuple[str, str]]]:
    """Measure many frames at once.

    Parameters
    ----------
    executor : concurrent.futures.Executor, optional
        Any; processes on this machine where none is given. It is not shut down.
    workers : int, optional
        Number of processes where no executor is given; one measures in this process.
    progress : callable, optional
        Called with the number of frames done and of all frames.

    Returns
    -------
    measured : list of MeasuredFrame
        In the order of ``files``, whatever the order of completion.
    not_used : list of (name, why)
    """
    outcome: dict[int, MeasuredFrame | str] = {}

    def note(index: int, result: MeasuredFrame | str) -> None:
        outcome[index] = result
        if progress:
            progress(len(outcome), len(files))

    if executor is None and (workers == 1 or len(files) < 4):
        for index, found in enumerate(files):
            note(index, _measure_or_say(found, rig_file, limits))
    else:
        with nullcontext(executor) if executor else ProcessPoolExecutor(workers) as pool:
            jobs: dict[Future[MeasuredFrame | str], int] = {
                pool.submit(_measure_or_say, found, rig_file, limits): index for index, found in enumerate(files)
            }
            for job in as_completed(jobs):
                try:
                    note(jobs[job], job.result())
                except BrokenProcessPool:
                    note(jobs[job], "the process that measured it died; try again with fewer workers")
    measured: list[MeasuredFrame] = []
    not_used: list[tuple[str, str]] = []
    for index, found in enumerate(files):
        result = outcome[index]
        if isinstance(result, MeasuredFrame):
            measured.append(result)
        else:
            not_used.append((found.name, result))
    return measured, not_used


@dataclass(frozen=True)
class CommonSizes:
    """Sizes of a run's frames on the stars they share; arrays have shape (frames,).

    Parameters
    ----------
    hfd_px, hfd_err_px : ndarray
        NaN for a frame without stars.
    fwhm_px : ndarray
        NaN where it is not known.
    flux : ndarray
        Light of the same stars relative to the run's typical frame; NaN where it is not known.
    stars : ndarray of int
        Stars that the size rests on.
    """

    hfd_px: np.ndarray
    hfd_err_px: np.ndarray
    fwhm_px: np.ndarray
    flux: np.ndarray
    stars: np.ndarray


def compare_frames(fields: Sequence[StarField]) -> CommonSizes:
    """Compare the frames of one run on the stars that they share.

    A star's size is the frame's size times a factor of its own (where it lies in the field), so
    that faint stars, which vanish out of focus, do not bend the curve. Where frames share fewer
    than three stars, each frame's own median stands.
    """
    count = len(fields)
    own = [(f.hfd_px or math.nan, f.hfd_err_px or math.nan, f.fwhm_px or math.nan, f.count) for f in fields]
    hfd, err, fwhm, stars = (np.array(column, float) for column in zip(*own, strict=True))
    flux = np.full(count, np.nan)
    sizes, errors, light = _matched(fields)
    if sizes.shape[1] >= 3:
        shared, factors = _two_way(np.log(sizes))
        strength, _ = _two_way(np.log(light))
        for k in range(count):
            seen = np.isfinite(sizes[k]) & np.isfinite(factors)
            if seen.sum() >= 3 and np.isfinite(shared[k]):
                values = sizes[k][seen] / np.exp(factors[seen])
                size, size_err = typical_size(values, errors[k][seen])
                fwhm[k] *= size / hfd[k]
                hfd[k], err[k], stars[k] = size, size_err, seen.sum()
                flux[k] = math.exp(strength[k])
    return CommonSizes(hfd, err, fwhm, flux, stars.astype(int))


def _matched(fields: Sequence[StarField]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return sizes, their errors and fluxes, shape (frames, stars), NaN where a star is not seen."""
    goods = [f.measured.take(f.measured.good) for f in fields]
    reference = goods[int(np.argmax([len(g) for g in goods]))]
    shape = (len(fields), len(reference))
    sizes, errors, light = (np.full(shape, np.nan) for _ in range(3))
    if not len(reference):
        return sizes, errors, light
    from scipy.spatial import cKDTree

    tree = cKDTree(np.stack([reference.x_px, reference.y_px], axis=1))
    for k, stars in enumerate(goods):
        if not len(stars):
            continue
        places = np.stack([stars.x_px, stars.y_px], axis=1)
        shift = _shift(tree, places)
        near = max(3.0, 0.3 * float(np.median(stars.hfd_px)))
        distance, index = tree.query(places - shift, distance_upper_bound=near)
        hit = np.isfinite(distance)
        sizes[k, index[hit]] = stars.hfd_px[hit]
        errors[k, index[hit]] = stars.hfd_err_px[hit]
        light[k, index[hit]] = stars.flux_adu[hit]
    # A star belongs to the comparison if half of the frames that have stars at all see it.
    frames = np.sum(np.isfinite(sizes).any(axis=1))
    common = np.sum(np.isfinite(sizes), axis=0) >= max(2, 0.5 * frames)
    return sizes[:, common], errors[:, common], light[:, common]


def _shift(tree: object, places: np.ndarray, reach: float = 60.0) -> np.ndarray:
    """Return the shift of a frame against the reference: where most pairs of stars agree."""
    from scipy.spatial import cKDTree

    assert isinstance(tree, cKDTree)
    pairs = tree.query_ball_point(places, reach)
    moves = np.array([places[i] - tree.data[j] for i, near in enumerate(pairs) for j in near]).reshape(-1, 2)
    if not moves.size:
        return np.zeros(2)
    votes = cKDTree(moves)
    support = np.array([len(near) for near in votes.query_ball_point(moves, 3.0)])
    best = votes.query_ball_point(moves[int(np.argmax(support))], 3.0)
    return np.median(moves[best], axis=0)


def _two_way(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Part a table with gaps, shape (frames, stars), into frame and star effects by medians.

    The star effects have median zero.
    """
    frames = np.array([np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan for row in values])
    factors = np.zeros(values.shape[1])
    for _ in range(8):
        rest = values - frames[:, None]
        factors = np.array([np.median(c[np.isfinite(c)]) if np.isfinite(c).any() else np.nan for c in rest.T])
        factors -= np.nanmedian(factors)
        rest = values - factors
        frames = np.array([np.median(r[np.isfinite(r)]) if np.isfinite(r).any() else np.nan for r in rest])
    return frames, factors


def run_key(digests: Iterable[str]) -> str:
    """Return the key by which a run is recognised: a hash over the hashes of its frames."""
    return hashlib.blake2b("".join(sorted(digests)).encode(), digest_size=16).hexdigest()
