"""The stars that the frames of a run share: who is who, where they lie, how the frames compare."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from focuskit.core.statistics import f_chance
from focuskit.stars.align import AGREE_PX, Placement, find_placement, plane
from focuskit.stars.catalogue import FAINT, MeasuredImage, Stars, typical_size

_BAD_NEIGHBOUR = 1 | 2  # saturated, crowded: spoils a star in all frames, but not its place
# Frames that are tried as the one whose stars are sought, until half of the frames show them (chosen): the richest may
# be one of another field.
_REFERENCES = 3
# A frame that is not seen to be turned is only shifted. Chosen: by chance one frame in ten thousand is taken for
# turned, which moves its stars by less than their errors.
_TURN_BY_CHANCE = 1e-4
_ROUNDS = 5  # chosen: by then places and shifts have settled to a hundredth of a pixel


@dataclass(frozen=True)
class StarMatch:
    """Stars of a run's frames, brought together; NaN where a frame does not show a star.

    Parameters
    ----------
    hfd_px, hfd_err_px, flux_adu : ndarray, shape (frames, stars)
    x_px, y_px : ndarray, shape (stars,)
        Places on the common grid.
    shift_px : ndarray, shape (frames, 2)
        Add it to the common places, turned, to get those in a frame; NaN for a frame that shows no star of the others.
    strength, brightness : ndarray, shapes (frames,) and (stars,)
        A star's flux in a frame is strength × brightness; the median strength is 1.
    sound : ndarray of bool, shape (stars,)
        Neither saturated nor crowded in any frame.
    turn : ndarray, shape (frames, 2, 2), or None
        By what x and y on the common grid are multiplied: turn, flip and change of scale. None where frames are only
        shifted.
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
    turn: np.ndarray | None = None

    def in_frame(self, k: int, places: np.ndarray) -> np.ndarray:
        """Return the positions in frame ``k`` of places x, y on the common grid, shape (n, 2)."""
        return places + self.shift_px[k] if self.turn is None else places @ self.turn[k].T + self.shift_px[k]

    def on_grid(self, k: int, places: np.ndarray) -> np.ndarray:
        """Return the positions on the common grid of places in frame ``k``, shape (n, 2)."""
        moved = places - self.shift_px[k]
        return moved if self.turn is None else np.linalg.solve(self.turn[k], moved.T).T

    @property
    def places_px(self) -> np.ndarray:
        """Position of each star in each frame, detected there or not, shape (frames, stars, 2)."""
        home = np.stack([self.x_px, self.y_px], axis=1)
        return np.stack([self.in_frame(k, home) for k in range(len(self.shift_px))])

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
    allowed = FAINT if faint else 0
    goods = [f.measured.take((f.measured.flag & ~allowed) == 0) for f in images]
    number, placements = _align(goods, [_bright_first(f.measured, allowed | _BAD_NEIGHBOUR) for f in images])
    reference = goods[number]
    shape = (len(images), len(reference))
    hfd, err, flux, weight = (np.full(shape, np.nan) for _ in range(4))
    seen = np.full(shape, complex(np.nan, np.nan))
    home = _places(reference)
    tree = cKDTree(plane(home))
    spoilt = np.zeros(len(reference), bool)
    for k, (stars, image, placement) in enumerate(zip(goods, images, placements, strict=True)):
        if placement is None or not len(stars) or not len(reference):
            continue
        here = _places(stars)
        reach = max(AGREE_PX, 0.3 * float(np.median(stars.hfd_px)))
        distance, index = tree.query(plane(placement.back(here)), distance_upper_bound=reach)
        hit = np.isfinite(distance)
        found = index[hit]
        hfd[k, found], err[k, found] = stars.hfd_px[hit], stars.hfd_err_px[hit]
        flux[k, found], weight[k, found] = stars.flux_adu[hit], stars.snr[hit] / stars.hfd_px[hit]
        seen[k, found] = here[hit]
        bad = image.measured.take((image.measured.flag & _BAD_NEIGHBOUR) > 0)
        if len(bad):
            near, _ = cKDTree(plane(_places(bad))).query(plane(placement.there(home)))
            spoilt |= near < reach
    placements, home = _refine(seen, np.nan_to_num(weight**2), placements, home)
    with np.errstate(divide="ignore", invalid="ignore"):
        strength, brightness = part_table(np.log(flux))
    level = np.nanmedian(strength) if np.isfinite(strength).any() else 0.0
    return StarMatch(
        hfd, err, flux, home.real, home.imag,
        np.array([(p.shift.real, p.shift.imag) if p else (np.nan, np.nan) for p in placements]),
        np.exp(strength - level), np.exp(brightness + level), ~spoilt,
        None if all(p is None or p.is_shift for p in placements)
        else np.array([p.matrix if p else np.eye(2) for p in placements]),
    )  # fmt: skip


def _align(goods: Sequence[Stars], places: Sequence[np.ndarray]) -> tuple[int, list[Placement | None]]:
    """Return the frame whose stars are sought in the others, and how it maps to each."""
    counts = np.array([len(stars) for stars in goods])
    best: tuple[int, list[Placement | None]] = int(counts.argmax()), [None] * len(goods)
    most = 0
    for number in np.argsort(-counts, kind="stable")[:_REFERENCES].tolist():
        found = [find_placement(places[number], here) for here in places]
        matched = sum(p is not None for p in found)
        if matched > most:
            best, most = (number, found), matched
        if 2 * matched >= np.sum(counts > 0):
            break
    return best


def _places(stars: Stars) -> np.ndarray:
    return np.asarray(stars.x_px + 1j * stars.y_px)


def _bright_first(stars: Stars, allowed: int) -> np.ndarray:
    """Return the places of the stars with no flag but those allowed, bright ones first."""
    fit = stars.take((stars.flag & ~allowed) == 0)
    return _places(fit.take(np.argsort(-fit.flux_adu, kind="stable")))


def _refine(
    seen: np.ndarray, weight: np.ndarray, placements: list[Placement | None], home: np.ndarray
) -> tuple[list[Placement | None], np.ndarray]:
    """Improve placements and common places in turn: bright stars fix the one, all frames the other."""
    known = np.isfinite(seen)
    for _ in range(_ROUNDS):
        for k, placement in enumerate(placements):
            if placement is not None:
                placements[k] = _fit(placement, home, seen[k], np.where(known[k], weight[k], 0.0))
        total, moved = np.zeros(home.size), np.zeros(home.size, complex)
        for k, placement in enumerate(placements):
            if placement is not None:
                off = np.where(known[k], placement.back(seen[k]) - home, 0.0)
                trusted = np.where(known[k] & _is_near(off), weight[k], 0.0)
                total, moved = total + trusted, moved + trusted * off
        home = home + np.where(total > 0.0, moved / np.where(total > 0.0, total, 1.0), 0.0)
    return placements, home


def _fit(placement: Placement, home: np.ndarray, seen: np.ndarray, weight: np.ndarray) -> Placement:
    """Fit a placement to its stars; a shift stays one unless the stars show that they are turned or spread."""
    off = np.nan_to_num(seen - placement.there(home))
    # One star that was mistaken for another must not carry a frame along.
    trusted = np.where(_is_near(off), weight, 0.0)
    use = trusted > 0.0
    if not use.any():
        return placement
    one, other, trusted = home[use], seen[use], trusted[use]
    shifted = replace(placement, shift=placement.shift + complex(np.average(off[use], weights=trusted)))
    # Stars that weigh little hardly count.
    spare = 2.0 * float(trusted.sum() ** 2 / (trusted @ trusted)) - 4.0
    if spare <= 0.0 or not np.abs(one - one[0]).any():
        return shifted
    turned = Placement.through(one, other, trusted, placement.mirrored)
    if not placement.is_shift:
        return turned
    plain, less = (float(trusted @ np.abs(other - p.there(one)) ** 2) for p in (shifted, turned))
    gain = 0.5 * (plain - less) / max(less / spare, 1e-300)
    return turned if f_chance(gain, 2.0, spare) < _TURN_BY_CHANCE else shifted


def _is_near(off: np.ndarray) -> np.ndarray:
    return (np.abs(off.real) < AGREE_PX) & (np.abs(off.imag) < AGREE_PX)


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
