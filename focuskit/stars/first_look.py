"""How large the stars of an image may be, at first sight: a start for measuring them."""

from __future__ import annotations

import math

import numpy as np

from focuskit.stars.cutouts import PreparedImage, lies_inside
from focuskit.stars.detect import find_peaks
from focuskit.stars.stamps import cut_stamps, elongation, find_centroids, half_flux_radius, sum_in_circles

_FIRST_LOOK = 40  # peaks; chosen: enough for a median, few enough to cost nothing
_DRAWN_OUT = 0.6  # ellipticity that no star has: 2.5 times as long as wide


def first_sizes(image: PreparedImage) -> list[float]:
    """Return rough half-flux diameters to try, from the most significant peaks.

    The brightest stars tell first. A galaxy can outshine them, hence the size of most peaks next;
    and faint fragments of rings can hide how large the stars are, hence larger sizes at last.
    """
    peaks = find_peaks(image.levels, image.blocks.side, image.blocks.noise, 0.8)
    sizes: list[float] = []
    weights: list[float] = []
    for box in np.unique(peaks.box_px[:_FIRST_LOOK]):
        chosen = np.flatnonzero(peaks.box_px[:_FIRST_LOOK] == box)
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
    if not sizes:
        return []
    order = np.argsort(sizes)
    share = np.cumsum(np.array(weights)[order])
    bright = sizes[order[int(np.searchsorted(share, 0.5 * share[-1]))]]
    return [bright, float(np.median(sizes)), 2.0 * bright, 4.0 * bright]
