"""How large the stars of an image may be, at first sight, and from where they are saturated: a start for measuring."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import uniform_filter

from focuskit.frames import Pixels
from focuskit.stars.checks import LEAST_SNR, STANDS_OUT, sharpest
from focuskit.stars.cutouts import PreparedImage, lies_inside, peak_adu, pixels_about
from focuskit.stars.detect import Peaks, find_peaks
from focuskit.stars.stamps import cut_stamps, elongation, find_centroids, half_flux_radius, sum_in_circles

_FIRST_LOOK = 40  # peaks; chosen: enough for a median, few enough to cost nothing
_LOOKED_THROUGH = 400  # peaks among which they are sought; chosen: more than a frame has saturated stars, as a rule
_DRAWN_OUT = 0.6  # ellipticity that no star has: 2.5 times as long as wide
# Wide light is taken off over so many elements of a level, three boxes of a star; levels for stars of up to six blocks.
_WIDE, _FINE_LEVELS = 9, 2
_TOP_PEAKS = 60  # chosen: those that may show the level of saturation
# Pixels of one star with the very same highest value, which photon noise makes differ: a plateau. Chosen; of values
# that are a thousand times the noise of the sky, so that whole numbers are fine steps.
_PLATEAU_PIXELS, _PLATEAU_HEIGHT = 9, 1000.0


def saturation_level(image: PreparedImage, raw: Pixels, peaks: Peaks) -> float:
    """Return the level from which pixels count as saturated, infinite where none shows.

    Without a level from the header: where several stars, or many pixels of one, share the very same highest value, or
    at the end of the range of the integers in the ``raw`` frame.
    """
    if image.saturation_adu:
        return 0.98 * image.saturation_adu
    limit = math.inf
    if raw.raw.dtype.kind in "iu":
        limit = raw.zero + raw.scale * np.iinfo(raw.raw.dtype).max * (1.0 - 1e-3)
    brightest = peaks.take(np.arange(min(peaks.x.size, _TOP_PEAKS)))
    peak = _peak_values(image, brightest)
    top = float(peak.max(initial=0.0))
    if not top > 0:
        return limit
    k = int(peak.argmax())
    half = math.ceil(brightest.box_px[k])
    row, column = (max(round(float(place[k])) - half, 0) for place in (brightest.y, brightest.x))
    part = np.concatenate([one.ravel() for one in pixels_about(image.pixels, row + half, column + half, half)])
    plateau = int(np.sum(part == part.max())) >= _PLATEAU_PIXELS
    if np.sum(peak >= top) >= 3 or (plateau and brightest.significance[k] > _PLATEAU_HEIGHT):
        limit = min(limit, top)
    return limit


def _peak_values(image: PreparedImage, peaks: Peaks) -> np.ndarray:
    """Return the brightest pixel within the box of each peak."""
    values = np.empty(peaks.x.size)
    for box in np.unique(peaks.box_px):
        here = peaks.box_px == box
        values[here] = peak_adu(image, peaks.x[here], peaks.y[here], box)
    return values


def first_sizes(image: PreparedImage, peaks: Peaks) -> list[float]:
    """Return rough half-flux diameters to try, from the most significant peaks that may be stars.

    What is saturated tells nothing, nor do pieces of the light around it, nor bumps on a nebula. The brightest stars
    tell first, but none more than a few typical ones together. A galaxy can outshine them, hence the size of most
    peaks next; and faint fragments of rings can hide how large the stars are, hence larger sizes at last.
    """
    for many in (2 * _FIRST_LOOK, _LOOKED_THROUGH):
        some = peaks.take(np.arange(min(peaks.x.size, many)))
        seen = some.take(_peak_values(image, some) < (image.saturation_adu or math.inf))
        alone = seen.take(seen.contrast > STANDS_OUT)
        if alone.x.size >= _FIRST_LOOK:
            break
    for chosen in (alone, seen, peaks):
        sizes, weights = _rough_sizes(image, chosen.take(np.arange(min(chosen.x.size, _FIRST_LOOK))))
        if len(sizes) >= 3:
            break
    if not len(sizes):
        return []
    order = np.argsort(sizes)
    share = np.cumsum(np.minimum(weights, 4.0 * np.median(weights))[order])
    bright = float(sizes[order[int(np.searchsorted(share, 0.5 * share[-1]))]])
    return [bright, float(np.median(sizes)), 2.0 * bright, 4.0 * bright, 0.5 * bright]


def sharp_size(image: PreparedImage) -> float:
    """Return the rough half-flux diameter of the sharpest peaks that agree, NaN where none do.

    What is wider than a dozen blocks, as knots of a nebula are, is taken off first: it would hide the stars on it.
    """
    fine = [level - uniform_filter(level, _WIDE) for level in image.levels[:_FINE_LEVELS]]
    peaks = find_peaks(fine, image.blocks.side, image.blocks.noise, 0.5)
    peaks = peaks.take(np.flatnonzero((peaks.contrast > STANDS_OUT) & (peaks.significance > LEAST_SNR[1])))
    sizes = _rough_sizes(image, peaks.take(np.arange(min(peaks.x.size, _LOOKED_THROUGH))))[0]
    return sharpest(sizes, np.ones(sizes.size, bool), image.least_hfd_px)


def _rough_sizes(image: PreparedImage, peaks: Peaks) -> tuple[np.ndarray, np.ndarray]:
    """Return rough half-flux diameters of what may be stars, and their weights."""
    sizes: list[float] = []
    weights: list[float] = []
    for box in np.unique(peaks.box_px):
        chosen = np.flatnonzero(peaks.box_px == box)
        level = max(image.level_for(box) - 1, 0)
        side = image.blocks.side * 2**level
        data = image.levels[level]
        half = math.ceil(1.25 * box / side)
        column = np.rint((peaks.x[chosen] + 0.5) / side - 0.5).astype(int)
        row = np.rint((peaks.y[chosen] + 0.5) / side - 0.5).astype(int)
        inside = lies_inside(data.shape, column, row, half)
        stamps = cut_stamps(data, column[inside], row[inside], half)
        far = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) > 0.8 * half
        stamps -= np.median(stamps[:, far], axis=1)[:, None, None]
        dx, dy = find_centroids(stamps, 0.65 * half)
        sums = sum_in_circles(stamps, dx, dy, 0.8 * half, fine=2)
        radius, _ = half_flux_radius(sums, 0.5 * sums.flux[:, -1])
        squared = (2.0 * radius * side) ** 2 - 0.9 * side**2
        # Pieces of a trail or of a ring say nothing about the size of a star.
        known = np.isfinite(squared) & (elongation(stamps, dx, dy, 0.65 * half)[0] < _DRAWN_OUT)
        sizes += np.sqrt(np.maximum(squared[known], 1.5)).tolist()
        weights += (peaks.significance[chosen[inside]][known] ** 2).tolist()
    return np.array(sizes), np.array(weights)
