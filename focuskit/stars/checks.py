"""Which of an image's stars do not count: faint, crowded, doubled, drawn out, of odd size."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from focuskit.core.statistics import robust_scatter
from focuskit.stars.detect import Peaks

LEAST_SNR = (7.0, 20.0)  # the lower one where fewer stars than this reach the other
_ENOUGH_BRIGHT = 12


def least_snr(snr: np.ndarray) -> float:
    """Return the S/N below which a star is faint, from those of the clean stars of its frame."""
    enough = np.sort(snr)[-_ENOUGH_BRIGHT] if snr.size >= _ENOUGH_BRIGHT else 0.0
    return float(np.clip(enough, *LEAST_SNR))


def has_neighbour(
    around: Peaks, x: np.ndarray, y: np.ndarray, height: np.ndarray, inner: float, outer: float
) -> np.ndarray:
    """Tell the stars that have a peak of more than 2 % of their own height between two distances."""
    tree = cKDTree(np.stack([around.x, around.y], axis=1))
    places = np.stack([x, y], axis=1)
    least = 0.02 * height
    found = np.zeros(x.size, bool)
    for k, near in enumerate(tree.query_ball_point(places, outer)):
        others = np.array(near, int)
        others = others[around.significance[others] > least[k]]
        found[k] = np.any(np.hypot(around.x[others] - x[k], around.y[others] - y[k]) > inner)
    return found


def doubled(x: np.ndarray, y: np.ndarray, reach: float) -> np.ndarray:
    """Tell of two peaks that fell upon one star the weaker, which comes later."""
    doubled = np.zeros(x.size, bool)
    for first, second in cKDTree(np.stack([x, y], axis=1)).query_pairs(reach):
        doubled[max(first, second)] = True
    return doubled


def drawn_out(
    ellipticity: np.ndarray, light_beyond: np.ndarray, snr: np.ndarray, sample: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Tell what is drawn out far more than the other stars, as trails are, and what has other light beside it.

    A round aperture makes a piece of a trail look hardly longer than wide; but its light goes on beyond.
    """
    long = outlying(ellipticity, sample, 6.0, 0.04) & (ellipticity > 0.2)
    if not sample.any():
        return long, np.zeros(sample.shape, bool)
    usual = float(np.percentile(light_beyond[sample], 30))
    excess = light_beyond - usual - 3.5 / np.maximum(snr, 1.0)
    return long | ((ellipticity > 0.1) & (excess > 0.12)), excess > 0.03 + 0.3 * (usual - 1.0)


def outlying(values: np.ndarray, sample: np.ndarray, sigma: float, own: np.ndarray | float) -> np.ndarray:
    """Tell the values that lie far from the median of the sample, beyond its scatter and their own error."""
    if np.sum(sample) < 3:
        return np.zeros(values.shape, bool)
    spread = robust_scatter(values[sample])
    return np.abs(values - np.median(values[sample])) > sigma * np.sqrt(spread**2 + np.asarray(own) ** 2 + 0.01**2)
