"""Radial profile of a frame, stacked from its good stars: the input of the profile fit.

Stars are put on top of one another at their sub-pixel centres, scaled by their known brightness, and
sorted into annuli by the distance of the pixels' centres. Which distances went into an annulus is
kept, so that the model is averaged over the very same pixels: where one-pixel annuli hold a few pixels
each, anything less costs more than the noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls

from focuskit.errors import FocuskitError
from focuskit.profile_model import BINS_PER_PX

Array = NDArray[np.float64]

# Centres are rounded to this part of a pixel: a blur of 0.05 px rms, which the seeing takes in.
_PHASES = 8
# A pixel is replaced by its expectation when it is off by this many sigma and this part of the light.
_CLIP_SIGMA = 8.0
_CLIP_SHARE = 0.3
_CLIP_ROUNDS = 4


@dataclass(frozen=True)
class FrameProfile:
    """Stacked radial profile of the good stars of one frame.

    Parameters
    ----------
    position : float
        Focuser position in steps.
    bins : array, shape (annuli, radius bins)
        Share of each annulus' pixels, by weight, at each of the model's radii, 0, 1/BINS_PER_PX, …
        px; rows sum to 1.
    flux : array, shape (annuli,)
        Mean flux per pixel, for a star of unit total flux (any constant factor and any constant sky
        may remain: both are free in the fit).
    variance : array, shape (annuli,)
        Variance of ``flux``. Errors of the local sky, common to all annuli of a star, do not count.
    stars : int
        Stars in the stack.
    """

    position: float
    bins: Array
    flux: Array
    variance: Array
    stars: int


def stack_profile(
    image: NDArray[np.generic],
    x_px: Array,
    y_px: Array,
    flux: Array,
    sky: Array | float,
    noise: float,
    radius_px: float,
    position: float,
    gain_e_per_adu: float = 1.0,
) -> FrameProfile:
    """Stack the stars of one frame.

    Parameters
    ----------
    image : array, shape (rows, columns)
        Pixels as read; of any real type.
    x_px, y_px : arrays, shape (stars,)
        Centres; the centre of the first pixel is (0, 0). Stars closer to the border than
        ``radius_px`` + 1 are left out.
    flux : array, shape (stars,)
        Relative brightness, the same numbers in every frame of the run (they set the weights, and the
        scale of the profile); in the unit of the image.
    sky : array, shape (stars,), or float
        Sky under each star.
    noise : float
        Standard deviation of a pixel of sky.
    radius_px : float
        Radius of the profile; 2 × the half-flux diameter is enough, less costs precision.
    position : float
        Focuser position in steps.
    gain_e_per_adu : float
        For the weights only: the noise itself is taken from the scatter of the pixels.

    Raises
    ------
    FocuskitError
        If no star lies far enough from the border.
    """
    radius = math.ceil(radius_px)
    half = radius + 1
    column, row = np.rint(x_px).astype(int), np.rint(y_px).astype(int)
    rows, columns = image.shape
    inside = (column >= half) & (row >= half) & (column < columns - half) & (row < rows - half) & (flux > 0.0)
    if not inside.any():
        raise FocuskitError(f"position {position:g}: no star lies {half} px or more from the border")
    level = np.broadcast_to(sky, x_px.shape)[inside]
    column, row, flux = column[inside], row[inside], flux[inside]
    annulus, shares = _radius_maps(radius)
    phase = (_phase(y_px[inside] - row) * (_PHASES + 1) + _phase(x_px[inside] - column)).astype(int)
    spread_over = 0.5 / (math.pi * (0.25 * radius) ** 2)
    weight = flux / (noise**2 + spread_over * flux / gain_e_per_adu)

    def stamp(j: int) -> NDArray[np.float32]:
        cut = image[row[j] - half : row[j] + half + 1, column[j] - half : column[j] + half + 1]
        pixels: NDArray[np.float32] = cut.astype(np.float32).ravel()
        pixels -= np.float32(level[j])
        return pixels

    total = np.zeros(annulus.shape)
    for j in range(flux.size):
        # Said in so many words: a number times single precision is single precision before NumPy 2.
        total[phase[j]] += np.multiply(weight[j], stamp(j), dtype=np.float64)
    where = _weigh(weight * flux, phase, shares)
    norm = where.sum(axis=1)
    profile = _by_annulus(annulus, total, radius) / norm

    for _ in range(_CLIP_ROUNDS):
        expected = _expected(profile, where / norm[:, None], annulus)
        squares, excess = np.zeros(annulus.shape), np.zeros(annulus.shape)
        for j in range(flux.size):
            star = flux[j] * expected[phase[j]]
            residual = stamp(j) - star
            # Only upwards: what spoils a pixel adds light, and lifts the expectation for all others.
            spoilt = residual > _CLIP_SIGMA * noise + _CLIP_SHARE * np.maximum(star, 0.0)
            if spoilt.any():
                excess[phase[j], spoilt] += weight[j] * residual[spoilt]
                residual[spoilt] = 0.0
            residual *= weight[j]
            squares[phase[j]] += residual * residual
        if not excess.any():
            break
        profile = _by_annulus(annulus, total - excess, radius) / norm

    # The scatter of the pixels about the stack, smoothed by what it must be: sky plus photons.
    scatter = _by_annulus(annulus, squares, radius)
    from_sky = _weigh(weight**2, phase, shares).sum(axis=1)
    from_light = _weigh(weight**2 * flux, phase, shares).sum(axis=1) * np.maximum(profile, 0.0)
    expect = noise**2 * from_sky + from_light / gain_e_per_adu
    for _ in range(3):
        scale = np.sqrt(shares.mean(axis=0).sum(axis=1)) / expect
        factors, _ = nnls(scale[:, None] * np.stack((from_sky, from_light), axis=1), scale * scatter)
        expect = factors[0] * from_sky + factors[1] * from_light
    bins = np.zeros((radius, radius * BINS_PER_PX + 1))
    for a in range(radius):
        bins[a, a * BINS_PER_PX : (a + 1) * BINS_PER_PX + 1] = where[a] / norm[a]
    return FrameProfile(float(position), bins, profile, expect / norm**2, int(flux.size))


def _phase(offset: Array) -> Array:
    return np.rint(offset * _PHASES) + _PHASES // 2


@lru_cache(maxsize=16)
def _distances(radius: int) -> Array:
    """Return the distances of a stamp's pixels from every sub-pixel centre, shape (phases, pixels)."""
    offset = np.arange(-radius - 1.0, radius + 2.0)
    sub = (np.arange(_PHASES + 1) - _PHASES // 2) / _PHASES
    square = (offset[None, :] - sub[:, None]) ** 2
    return np.sqrt(square[:, None, :, None] + square[None, :, None, :]).reshape((_PHASES + 1) ** 2, -1)


@lru_cache(maxsize=16)
def _radius_maps(radius: int) -> tuple[NDArray[np.int32], Array]:
    """Return the annulus of each pixel of a stamp for every sub-pixel centre, and how they lie in it.

    Annuli are 1 px wide; the last number stands for what lies beyond the radius. The second array, of
    shape (phases, annuli, BINS_PER_PX + 1), counts pixels at the radii of the model within each
    annulus, both ends included; a pixel between two of them is shared in proportion.
    """
    distance = _distances(radius)
    annulus = np.minimum(distance.astype(np.int32), radius)
    within = (distance - annulus) * BINS_PER_PX
    shares = []
    for ring, part in zip(annulus, within, strict=True):
        inside = ring < radius
        low = part[inside].astype(int)
        upper = part[inside] - low
        place = ring[inside] * (BINS_PER_PX + 1) + low
        size = radius * (BINS_PER_PX + 1)
        count = np.bincount(place, 1.0 - upper, minlength=size) + np.bincount(place + 1, upper, minlength=size)
        shares.append(count.reshape(radius, BINS_PER_PX + 1))
    return annulus, np.stack(shares)


def _by_annulus(annulus: NDArray[np.int32], values: Array, radius: int) -> Array:
    sums = np.bincount(annulus.ravel(), values.ravel(), minlength=radius + 1)
    return sums[:radius].astype(float)


def _weigh(weight: Array, phase: NDArray[np.int64], shares: Array) -> Array:
    by_phase = np.bincount(phase, weight, minlength=shares.shape[0])
    return np.tensordot(by_phase, shares, axes=1)


def _expected(profile: Array, where: Array, annulus: NDArray[np.int32]) -> Array:
    """Return the profile at every pixel of the stamps, 0 beyond: a smooth curve, even at the centre."""
    radius = profile.size
    middle = np.arange(radius) + where @ np.arange(BINS_PER_PX + 1) / BINS_PER_PX
    # Stars that all lie on the very centre of a pixel have one at radius 0, which mirrors onto itself.
    first = 1 if middle[0] == 0.0 else 0
    radii = np.concatenate((-middle[first:][::-1], middle))
    curve = CubicSpline(radii, np.concatenate((profile[first:][::-1], profile)))
    return np.where(annulus < radius, curve(_distances(radius)), 0.0)
