"""Which of an image's stars do not count: faint, crowded, doubled, drawn out, of odd size."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from focuskit.core.statistics import robust_scatter
from focuskit.stars.catalogue import FEW_STARS, Stars
from focuskit.stars.detect import Peaks

# The size of a Gaussian star in noise of the sky has an error of 0.72 / (S/N) (`size_error`, growth 1): 4 and 10 %. The
# lower bound counts where fewer than a dozen stars reach the other. Chosen, not tuned.
LEAST_SNR = (7.0, 20.0)
_ENOUGH_BRIGHT = 12
# Share of the height of a star that a neighbour may have. Chosen: its light changes the size by about as much.
_NEIGHBOUR = 0.02
STANDS_OUT = 0.5  # chosen: of its height above what is around; pieces of a halo or a nebula have less
# Peaks nearer than the first are pieces of the star itself, those beyond the second leave its aperture alone (in
# half-flux diameters; chosen).
_OWN_PIECES, _REACH = 0.6, 1.8
OWN_BLOCK = 0.75  # of a block's side: a peak is placed at the middle of a block, at most so far from its star
# Drawn round stars of 5 to 25 pixels have ellipticities of up to 0.05, and between 0.05 less and 0.02 more light beyond
# the aperture than is usual, as a share of that within; pieces of trails as wide as they have 0.24 to 0.33, and 0.14 to
# 0.20 more. The bounds lie between: a star is long by either, and a neighbour shows from somewhat more than stars vary.
_LONG, _HARDLY_LONG, _MORE_LIGHT, _SOME_LIGHT = 0.2, 0.1, 0.12, 0.03
# Chosen: what the optics draw out over the field is no trail; six sigma of it, and 0.04 that the noise may add.
_ELLIPTICITY_SIGMA, _ELLIPTICITY_ERR = 6.0, 0.04
# Chosen: smeared stars within a round aperture are never ten times as long as wide, cosmic rays may be. In apertures of
# the second radius and more, noise alone makes faint stars as elongated.
_RAY, _RAY_PX = 0.9, 7.0
# In half-flux diameters; chosen. A piece of a spike or trail has neighbours within two of them, exactly in line; of
# smeared stars four diameters apart one in 40 has two others in that strip.
_ROW_REACH, _ROW_WIDTH = 4.0, 0.25
_ITSELF = 0.5  # in half-flux diameters: nearer ones are the star itself or pieces of it; chosen
# Chosen: a third of the stars or fewer have no neighbour's light, even in a dense field; of the light beyond, 0.3 of
# what is usual may differ from star to star, as wings do.
_UNDISTURBED_PERCENT, _WINGS_DIFFER = 30, 0.3
# Half-flux diameter over full width at half maximum is 1 for a Gaussian, 1.36 for a Moffat profile of beta 2.5, 1.55 of
# beta 2, below 1 out of focus (closed forms). Chosen above them all: knots of a galaxy have 3.
MOST_HFD_FWHM = 2.0
# Chosen: sizes of stars differ by less over most fields. Knots of 4 to 14 px agree so by chance in one of four draws of
# five, in one of 12 of eight.
_ONE_SIZE = 0.15
_AGREE = 0.1  # chosen: rough sizes of stars with S/N above 20 agree to that
_OUTLYING = 3.5  # sigma: one star in 2,000 of a normal law
_LEAST_SCATTER = 0.01  # chosen: sizes that agree better by chance do not make the others odd


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
    least = _NEIGHBOUR * height
    found = np.zeros(x.size, bool)
    for k, near in enumerate(tree.query_ball_point(places, outer)):
        others = np.array(near, int)
        others = others[around.significance[others] > least[k]]
        found[k] = np.any(np.hypot(around.x[others] - x[k], around.y[others] - y[k]) > inner)
    return found


def crowded(
    around: Peaks, x: np.ndarray, y: np.ndarray, height: np.ndarray, contrast: np.ndarray, size: float, side: int
) -> np.ndarray:
    """Return which stars of half-flux diameter ``size`` have a neighbour within reach, or are bumps on something wider.

    The peaks were found on blocks of ``side``² pixels.
    """
    inner = max(_OWN_PIECES * size, OWN_BLOCK * side)
    return has_neighbour(around, x, y, height, inner, max(_REACH * size, inner)) | (contrast < STANDS_OUT)


def doubled(x: np.ndarray, y: np.ndarray, reach: float) -> np.ndarray:
    """Tell of two peaks that fell upon one star the weaker, which comes later."""
    doubled = np.zeros(x.size, bool)
    for first, second in cKDTree(np.stack([x, y], axis=1)).query_pairs(reach):
        doubled[max(first, second)] = True
    return doubled


def star_shaped(stars: Stars) -> bool:
    """Tell whether the good stars have the profiles of stars: a width at half maximum, no core on something wide.

    Where a size is that of pieces of a galaxy or of a nebula, profiles do not fall to half within the aperture, or
    have their half-flux diameter several times as wide as the core.
    """
    fwhm = stars.fwhm_px[stars.good]
    return bool(np.mean(np.isfinite(fwhm)) > 0.5) if fwhm.size else False


def alike(stars: Stars, scatter: float = _ONE_SIZE) -> bool:
    """Return whether the good stars have one size, apart from their own errors."""
    good = stars.take(stars.good)
    if len(good) < 3:
        return True
    own = float(np.median(good.hfd_err_px / good.hfd_px))
    return robust_scatter(np.log(good.hfd_px)) < math.hypot(scatter, own)


def sharpest(sizes: np.ndarray, sample: np.ndarray, smallest: float) -> float:
    """Return the median of the smallest sizes that agree to a tenth, five of them or more; NaN where none do.

    Nothing in the sky is sharper than a star, and artefacts of the sensor that are seldom agree.
    """
    ordered = np.sort(np.log(sizes[sample & (sizes > smallest)]))
    beyond = np.searchsorted(ordered, ordered + _AGREE)
    enough = np.flatnonzero(beyond - np.arange(ordered.size) >= FEW_STARS)
    return float(np.exp(np.median(ordered[enough[0] : beyond[enough[0]]]))) if enough.size else math.nan


def drawn_out(
    ellipticity: np.ndarray, light_beyond: np.ndarray, snr: np.ndarray, sample: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Tell what is drawn out far more than the other stars, as trails are, and what has other light beside it.

    A round aperture makes a piece of a trail look hardly longer than wide; but its light goes on beyond.
    """
    long = outlying(ellipticity, sample, _ELLIPTICITY_ERR, _ELLIPTICITY_SIGMA) & (ellipticity > _LONG)
    if not sample.any():
        return long, np.zeros(sample.shape, bool)
    usual = float(np.percentile(light_beyond[sample], _UNDISTURBED_PERCENT))
    excess = light_beyond - usual - _OUTLYING / np.maximum(snr, 1.0)
    long |= (ellipticity > _HARDLY_LONG) & (excess > _MORE_LIGHT)
    return long, excess > _SOME_LIGHT + _WINGS_DIFFER * (usual - 1.0)


def like_rays(ellipticity: np.ndarray, size: float) -> np.ndarray:
    """Return which objects are as narrow as cosmic rays, in an aperture with a radius of ``size`` pixels."""
    return (ellipticity > _RAY) & (size < _RAY_PX)


def in_a_row(x: np.ndarray, y: np.ndarray, ellipticity: np.ndarray, angle_deg: np.ndarray, size: float) -> np.ndarray:
    """Return which objects are elongated along the line of their neighbours, as pieces of spikes and trails are.

    They may outnumber the stars, so that their ellipticity is the usual one. Where all stars are smeared, few have two
    others so near in exactly that direction.
    """
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    lined_up = np.zeros(x.size, bool)
    tree = cKDTree(np.stack([x, y], axis=1))
    for k in np.flatnonzero(ellipticity > _LONG):
        near = np.array(tree.query_ball_point((x[k], y[k]), _ROW_REACH * size), int)
        near = near[ellipticity[near] > _HARDLY_LONG]
        dx, dy = x[near] - x[k], y[near] - y[k]
        along, across = dx * cos[k] + dy * sin[k], dy * cos[k] - dx * sin[k]
        lined_up[k] = np.sum((np.abs(along) > _ITSELF * size) & (np.abs(across) < _ROW_WIDTH * size)) >= 2
    return lined_up


def outlying(values: np.ndarray, sample: np.ndarray, own: np.ndarray | float, sigma: float = _OUTLYING) -> np.ndarray:
    """Tell the values that lie far from the median of the sample, beyond its scatter and their own error."""
    if np.sum(sample) < 3:
        return np.zeros(values.shape, bool)
    spread = robust_scatter(values[sample])
    return np.abs(values - np.median(values[sample])) > sigma * np.sqrt(
        spread**2 + np.asarray(own) ** 2 + _LEAST_SCATTER**2
    )
