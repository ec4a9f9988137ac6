"""The stars that the frames of a run share: who is who, where they lie, how the frames compare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from focuskit.stars.catalogue import FAINT, MeasuredImage, typical_size

SHIFT_REACH_PX = 60.0  # chosen: the pointing wanders by less within a run, and chance pairs of stars stay few
_BAD_NEIGHBOUR = 1 | 2  # saturated, crowded: spoils a star in all frames


@dataclass(frozen=True)
class StarMatch:
    """Stars of a run's frames, brought together; NaN where a frame does not show a star.

    Parameters
    ----------
    hfd_px, hfd_err_px, flux_adu : ndarray, shape (frames, stars)
    x_px, y_px : ndarray, shape (stars,)
        Places on the common grid.
    shift_px : ndarray, shape (frames, 2)
        Add it to the common places to get those in a frame; NaN for a frame without stars.
    strength, brightness : ndarray, shapes (frames,) and (stars,)
        A star's flux in a frame is strength × brightness; the median strength is 1.
    sound : ndarray of bool, shape (stars,)
        Neither saturated nor crowded in any frame.
    """

    hfd_px: np.ndarray
    hfd_err_px: np.ndarray
    flux_adu: np.ndarray
    x_px: np.ndarray
    y_px: np.ndarray
    shift_px: np.ndarray
    strength: np.ndarray
    brightness: np.ndarray
    sound: np.ndarray

    @property
    def common(self) -> np.ndarray:
        """Mask of the stars seen in half, and at least two, of the frames that show stars."""
        seen = np.isfinite(self.hfd_px)
        return seen.sum(axis=0) >= max(2, 0.5 * seen.any(axis=1).sum())

    def take(self, which: np.ndarray) -> StarMatch:
        """Return the match of the stars selected by a mask."""
        tables = {name: getattr(self, name)[:, which] for name in ("hfd_px", "hfd_err_px", "flux_adu")}
        stars = {name: getattr(self, name)[which] for name in ("x_px", "y_px", "brightness", "sound")}
        return replace(self, **tables, **stars)


def match_stars(images: Sequence[MeasuredImage], *, faint: bool = False) -> StarMatch:
    """Find the good stars of the richest frame, and the ``faint`` ones if asked, again in all frames of a run."""
    goods = [f.measured.take((f.measured.flag & ~(FAINT if faint else 0)) == 0) for f in images]
    reference = goods[int(np.argmax([len(g) for g in goods]))]
    shape = (len(images), len(reference))
    hfd, err, flux, weight = (np.full(shape, np.nan) for _ in range(4))
    places = np.full((*shape, 2), np.nan)
    shifts = np.full((len(images), 2), np.nan)
    home = np.stack([reference.x_px, reference.y_px], axis=1)
    tree = cKDTree(home)
    spoilt = np.zeros(len(reference), bool)
    for k, (stars, image) in enumerate(zip(goods, images, strict=True)):
        if not len(stars) or not len(reference):
            continue
        here = np.stack([stars.x_px, stars.y_px], axis=1)
        shifts[k] = _shift(tree, here)
        size = float(np.median(stars.hfd_px))
        distance, index = tree.query(here - shifts[k], distance_upper_bound=max(3.0, 0.3 * size))
        hit = np.isfinite(distance)
        found = index[hit]
        hfd[k, found], err[k, found] = stars.hfd_px[hit], stars.hfd_err_px[hit]
        flux[k, found], weight[k, found] = stars.flux_adu[hit], stars.snr[hit] / stars.hfd_px[hit]
        places[k, found] = here[hit]
        bad = image.measured.take((image.measured.flag & _BAD_NEIGHBOUR) > 0)
        if len(bad):
            near, _ = cKDTree(np.stack([bad.x_px, bad.y_px], axis=1)).query(home + shifts[k])
            spoilt |= near < max(3.0, 0.3 * size)
    shifts, home = _refine(places, weight**2, shifts, home)
    with np.errstate(divide="ignore", invalid="ignore"):
        strength, brightness = part_table(np.log(flux))
    level = np.nanmedian(strength) if np.isfinite(strength).any() else 0.0
    return StarMatch(
        hfd, err, flux, home[:, 0], home[:, 1], shifts,
        np.exp(strength - level), np.exp(brightness + level), ~spoilt,
    )  # fmt: skip


def _shift(tree: cKDTree, places: np.ndarray) -> np.ndarray:
    """Return the shift of a frame against the reference: where most pairs of stars agree."""
    pairs = tree.query_ball_point(places, SHIFT_REACH_PX)
    moves = np.array([places[i] - tree.data[j] for i, near in enumerate(pairs) for j in near]).reshape(-1, 2)
    if not moves.size:
        return np.zeros(2)
    votes = cKDTree(moves)
    near = votes.query_ball_point(moves, 3.0)
    return np.median(moves[max(near, key=len)], axis=0)


def _refine(
    places: np.ndarray, weight: np.ndarray, shifts: np.ndarray, home: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Improve shifts and common places in turn: bright stars fix the one, all frames the other."""
    weight = np.nan_to_num(weight)[:, :, None]
    known = np.nan_to_num(places)
    for _ in range(5):
        off = known - home - np.nan_to_num(shifts)[:, None, :]
        # One star that was mistaken for another must not carry a frame along.
        trusted = weight * (np.abs(off) < 3.0)
        total = trusted.sum(axis=1)
        shifts = np.where(total > 0, shifts + (trusted * off).sum(axis=1) / np.where(total > 0, total, 1.0), shifts)
        off = known - home - np.nan_to_num(shifts)[:, None, :]
        trusted = weight * (np.abs(off) < 3.0)
        total = trusted.sum(axis=0)
        home = np.where(total > 0, home + (trusted * off).sum(axis=0) / np.where(total > 0, total, 1.0), home)
    return shifts, home


def part_table(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Part a table with gaps, shape (frames, stars), into frame and star effects by medians.

    The star effects have median zero; a row or column without values gets NaN.
    """

    frames = _medians(values)
    stars = np.zeros(values.shape[1])
    for _ in range(8):
        stars = _medians((values - frames[:, None]).T)
        if np.isfinite(stars).any():
            stars = stars - np.nanmedian(stars)
        frames = _medians(values - stars)
    return frames, stars


def _medians(rows: np.ndarray) -> np.ndarray:
    """Return the median of what is finite in each row, NaN where nothing is."""
    return np.ma.median(np.ma.masked_invalid(rows), axis=1).filled(np.nan)


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

    @property
    def told(self) -> float:
        """What all sizes together tell: the sum of the squares of size over error."""
        return float(np.nansum((self.hfd_px / self.hfd_err_px) ** 2))


def common_sizes(images: Sequence[MeasuredImage], match: StarMatch) -> CommonSizes:
    """Compare the frames of one run on the stars that they share.

    A star's size is the frame's size times a factor of its own (where it lies in the field), so
    that faint stars, which vanish out of focus, do not bend the curve. Where a frame shares fewer
    than three stars with the others, its own median stands.
    """
    own = [(f.hfd_px or math.nan, f.hfd_err_px or math.nan, f.fwhm_px or math.nan, f.count) for f in images]
    hfd, err, fwhm, stars = (np.array(column, float) for column in zip(*own, strict=True))
    flux = np.full(len(images), np.nan)
    common = match.common
    if common.sum() >= 3:
        sizes, errors = match.hfd_px[:, common], match.hfd_err_px[:, common]
        _, factors = part_table(np.log(sizes))
        for k in range(len(images)):
            seen = np.isfinite(sizes[k])
            if seen.sum() >= 3:
                size, size_err = typical_size(
                    sizes[k][seen] / np.exp(factors[seen]), errors[k][seen], images[k].shared_err
                )
                fwhm[k] *= size / hfd[k]
                hfd[k], err[k], stars[k] = size, size_err, seen.sum()
                flux[k] = match.strength[k]
    return CommonSizes(hfd, err, fwhm, flux, stars.astype(int))
