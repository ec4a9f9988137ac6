"""Which stars of an image to measure: the most significant peaks of stellar size, or given positions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from focuskit.stars.checks import OWN_BLOCK, crowded
from focuskit.stars.cutouts import STAMP_RADIUS, PreparedImage, lies_inside, peak_adu
from focuskit.stars.detect import PEAK_SIGMA, Peaks, find_peaks

MOST_STARS = 300  # chosen: the size of a frame is known to half a per cent by then, and time grows with stars
_SPARE = 30  # peaks that are measured in addition; chosen: some turn out to be no good stars
_ENOUGH = MOST_STARS / 2  # likely good stars, from which on no more peaks are added; chosen
_MOST_STEPS = 6  # times as many are measured where most of the brightest are saturated or crowded; chosen: for time


@dataclass(frozen=True)
class Targets:
    """Stars to measure, the most significant first; ``row`` is their index among the peaks or the given positions."""

    x: np.ndarray
    y: np.ndarray
    height: np.ndarray
    contrast: np.ndarray
    row: np.ndarray
    peaks: Peaks  # all peaks of the size of stars
    pieces: Peaks  # those of a finer level, within ``own_reach`` pieces of the star itself
    own_reach: float


def find_targets(image: PreparedImage, size: float, given: np.ndarray | None) -> Targets:
    """Find the stars on sums of the size of a star; given positions are used as they are."""
    level = image.level_for(1.2 * size)
    side = image.blocks.side * 2**level
    peaks = find_peaks([image.levels[level]], side, image.blocks.noise, max(0.8 * size / (3.0 * side), 0.3))
    # Neighbours show on a finer level, where the star itself may show as pieces of its ring.
    pieces = find_peaks([image.levels[level - 1]], side // 2, image.blocks.noise, 0.3) if level else peaks
    own_reach = max((1.0 if level else 0.6) * size, OWN_BLOCK * image.blocks.side)
    x, y, height, contrast = peaks.x, peaks.y, peaks.significance, peaks.contrast
    if given is not None:
        x, y = given.T
        tree = cKDTree(np.stack([peaks.x, peaks.y], axis=1))
        # Where no peak is near, the star is fainter than any: the index is one beyond the last.
        nearest = tree.query(given, distance_upper_bound=own_reach)[1]
        height, contrast = np.append(height, PEAK_SIGMA)[nearest], np.append(contrast, 1.0)[nearest]
    bins = image.bins_for(size)
    order = np.argsort(-height, kind="stable")
    row = order[lies_inside(image.pixels.raw.shape, x[order], y[order], STAMP_RADIUS * size + 5 * bins)]
    if given is None:
        row = row[: _how_many(image, peaks, row, size)]
    return Targets(x[row], y[row], height[row], contrast[row], row, peaks, pieces, own_reach)


def _how_many(image: PreparedImage, peaks: Peaks, row: np.ndarray, size: float) -> int:
    """Return how many of the most significant peaks to measure, so that enough of them are likely to count."""
    step = MOST_STARS + _SPARE
    if row.size <= step:
        return row.size
    sound = 0
    for first in range(0, min(row.size, _MOST_STEPS * step), step):
        if sound >= _ENOUGH:
            return first
        part = peaks.take(row[first : first + step])
        bad = crowded(peaks, part.x, part.y, part.significance, part.contrast, size, image.blocks.side)
        bad |= peak_adu(image, part.x, part.y, size) >= (image.saturation_adu or math.inf)
        sound += int(np.sum(~bad))
    return min(row.size, _MOST_STEPS * step)
