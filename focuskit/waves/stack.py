"""Radial profile of a frame, stacked from its good stars: the input of the profile fit.

Stars are put on top of one another at their sub-pixel centres, scaled by their known brightness, and
sorted into annuli by the distance of the pixels' centres. Which distances went into an annulus is
kept, so that the model is averaged over the very same pixels: where one-pixel annuli hold a few pixels
each, anything less costs more than the noise.

What the stars have beside this round profile is stacked too, over each zone of the sensor, and sorted by
how often it changes with the angle: once (coma, a shift) or twice (astigmatism, a smear).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from focuskit.core.errors import FocuskitError
from focuskit.waves.model import BINS_PER_PX

Array = NDArray[np.float64]

# Centres are rounded to this part of a pixel: a blur of 0.05 px rms, which the seeing takes in.
_PHASES = 8
# A pixel is replaced by its expectation when it is off by this many sigma and this part of the light.
_CLIP_SIGMA = 8.0
_CLIP_SHARE = 0.3
_CLIP_ROUNDS = 2
# What a pixel should hold is looked up in a table with so many places in a pixel.
_FINE = 64
# A known star so near to one that is stacked is that star.
_ITSELF_PX = 3.0
# The sensor is parted into so many zones along each side.
ZONES = 3


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
    harmonics : array, shape (zones, 4, annuli), or None
        Amplitudes of cos θ, sin θ, cos 2θ and sin 2θ in flux per pixel for a star of unit flux, beside the
        profile common to all zones; θ from +x towards +y. Zones run along the rows of the sensor;
        a zone without a star has NaN.
    harmonic_variance : array, shape (zones, annuli), or None
        Variance of one pixel of a zone's stack; `harmonic_bins` tells how many make an amplitude.
    """

    position: float
    bins: Array
    flux: Array
    variance: Array
    stars: int
    harmonics: Array | None = None
    harmonic_variance: Array | None = None


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
    known: tuple[Array, Array, Array] | None = None,
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
    known : arrays x, y and flux, optional
        All stars that are known to be in the frame, those stacked too: their light is taken off their neighbours.

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
        raise FocuskitError(f"position {position:.10g}: no star lies {half} px or more from the border")
    level = np.broadcast_to(sky, x_px.shape)[inside]
    column, row, flux = column[inside], row[inside], flux[inside]
    annulus, shares = _radius_maps(radius)
    phase = (_phase(y_px[inside] - row) * (_PHASES + 1) + _phase(x_px[inside] - column)).astype(int)
    weight = stack_weight(flux, noise, radius, gain_e_per_adu)
    zone = _zones(x_px[inside], y_px[inside], image.shape)

    foreign: dict[int, NDArray[np.float32]] = {}

    def stamp(j: int) -> NDArray[np.float32]:
        cut = image[row[j] - half : row[j] + half + 1, column[j] - half : column[j] + half + 1]
        pixels: NDArray[np.float32] = cut.astype(np.float32).ravel()
        pixels -= np.float32(level[j])
        if j in foreign:
            pixels -= foreign[j]
        return pixels

    total = np.zeros(annulus.shape)
    for j in range(flux.size):
        # Said in so many words: a number times single precision is single precision before NumPy 2.
        total[phase[j]] += np.multiply(weight[j], stamp(j), dtype=np.float64)
    where = _weigh(weight * flux, phase, shares)
    norm = where.sum(axis=1)
    profile = _by_annulus(annulus, total, radius) / norm
    if known is not None:
        foreign = _foreign_light(column, row, (x_px[inside], y_px[inside]), known, profile)
        for j, pixels in foreign.items():
            total[phase[j]] -= weight[j] * pixels
        profile = _by_annulus(annulus, total, radius) / norm

    light = np.bincount(phase, weight * flux, minlength=annulus.shape[0])
    expected = _expected(profile, where / norm[:, None])
    lopsided = _lopsided((total - light[:, None] * expected).sum(axis=0) / light.sum(), radius)
    for last in (*[False] * (_CLIP_ROUNDS - 1), True):
        squares, excess = np.zeros(annulus.shape), np.zeros(annulus.shape)
        odd = np.zeros((ZONES**2, annulus.shape[1]))
        for j in range(flux.size):
            star = flux[j] * (expected[phase[j]] + lopsided)
            residual = stamp(j) - star
            # Only upwards: what spoils a pixel adds light, and lifts the expectation for all others.
            spoilt = residual > _CLIP_SIGMA * noise + _CLIP_SHARE * np.maximum(star, 0.0)
            if spoilt.any():
                excess[phase[j], spoilt] += weight[j] * residual[spoilt]
                residual[spoilt] = 0.0
            residual *= weight[j]
            odd[zone[j]] += residual
            squares[phase[j]] += residual * residual
        by_zone = np.bincount(zone, weight * flux, minlength=ZONES**2)
        odd += by_zone[:, None] * lopsided
        if not excess.any():
            break
        profile = _by_annulus(annulus, total - excess, radius) / norm
        if last:
            break
        expected = _expected(profile, where / norm[:, None])
        lopsided = _lopsided(odd.sum(axis=0) / light.sum(), radius)

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
    zone_variance = (
        factors[0] * noise**2 * np.bincount(zone, weight**2, minlength=ZONES**2)[:, None]
        + factors[1] / gain_e_per_adu
        * np.bincount(zone, weight**2 * flux, minlength=ZONES**2)[:, None] * np.maximum(profile, 0.0)
    )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):
        harmonics, harmonic_variance = _harmonics(odd / by_zone[:, None], radius), zone_variance / by_zone[:, None] ** 2
    return FrameProfile(float(position), bins, profile, expect / norm**2, int(flux.size), harmonics, harmonic_variance)


def stack_weight(flux: Array, noise: float, radius_px: float, gain_e_per_adu: float) -> Array:
    """Return by what the pixels of each star are multiplied in a stack: its flux over the variance of a pixel."""
    spread_over = 0.5 / (math.pi * (0.25 * radius_px) ** 2)
    return np.asarray(flux / (noise**2 + spread_over * flux / gain_e_per_adu))


def _foreign_light(
    column: NDArray[np.int64], row: NDArray[np.int64], place: tuple[Array, Array], known: tuple[Array, Array, Array],
    profile: Array,
) -> dict[int, NDArray[np.float32]]:  # fmt: skip
    """Return what other stars add to the pixels of the stamps of those that have neighbours, by their number."""
    radius = profile.size
    reach = math.sqrt(2.0) * (radius + 1) + radius
    known_x, known_y, known_flux = (part[np.isfinite(known[0] + known[1] + known[2])] for part in known)
    tree = cKDTree(np.stack([known_x, known_y], axis=1))
    offset = np.arange(-radius - 1.0, radius + 2.0)
    middles = np.arange(radius) + 0.5
    # The sky may be a little off, and the outermost annulus shows by how much.
    shape = profile - profile[-1]
    foreign = {}
    for j, near in enumerate(tree.query_ball_point(np.stack(place, axis=1), reach)):
        light = np.zeros((offset.size, offset.size))
        for n in near:
            dx, dy, flux = known_x[n] - column[j], known_y[n] - row[j], known_flux[n]
            if math.hypot(known_x[n] - place[0][j], known_y[n] - place[1][j]) > _ITSELF_PX and flux > 0.0:
                distance = np.sqrt((offset[None, :] - dx) ** 2 + (offset[:, None] - dy) ** 2)
                light += flux * np.interp(distance, middles, shape, right=0.0)
        if light.any():
            foreign[j] = light.astype(np.float32).ravel()
    return foreign


def _zones(x_px: Array, y_px: Array, shape: tuple[int, ...]) -> NDArray[np.int64]:
    column, row = (
        np.clip((ZONES * (place + 0.5) / size).astype(int), 0, ZONES - 1)
        for place, size in ((x_px, shape[1]), (y_px, shape[0]))
    )
    return np.asarray(row * ZONES + column)


def _harmonics(odd: Array, radius: int) -> Array:
    """Sort what is left of each zone by radius and angle, shape (zones, 4, annuli).

    Stars lie together on whole pixels here: half a pixel hardly shows in what is small already.
    """
    return np.asarray((_harmonic_sums(radius) @ odd.T).T).reshape(len(odd), 4, radius)


def _lopsided(odd: Array, radius: int) -> Array:
    """Return the part of a stack, on the pixels of a stamp, that changes once or twice with the angle.

    It is no blemish of a single star, whose pixels are not to be replaced because of it.
    """
    annulus, trig = _harmonic_maps(radius)
    amplitudes = np.hstack([_harmonics(odd[None], radius)[0], np.zeros((4, 1))])
    return np.asarray((amplitudes[:, annulus] * trig).sum(axis=0))


@lru_cache(maxsize=16)
def harmonic_bins(radius: int) -> tuple[Array, Array]:
    """Return where the pixels of each amplitude lie, and how many they are.

    Returns
    -------
    bins : array, shape (4, annuli, radius bins)
        As in `FrameProfile`, weighted by the square of the cosine or sine; rows sum to 1, or to 0 in the middle.
    pixels : array, shape (4, annuli)
        Sum of these weights.
    """
    annulus, trig = _harmonic_maps(radius)
    place = _distances(radius)[_PHASES // 2 * (_PHASES + 2)] * BINS_PER_PX
    low = place.astype(int)
    upper = place - low
    width = radius * BINS_PER_PX + 2
    inside = annulus < radius
    bins = np.zeros((4, radius, width))
    for part, t in zip(bins, trig, strict=True):
        np.add.at(part, (annulus[inside], low[inside]), ((1.0 - upper) * t * t)[inside])
        np.add.at(part, (annulus[inside], low[inside] + 1), (upper * t * t)[inside])
    pixels = bins.sum(axis=2)
    return bins[:, :, :-1] / np.maximum(pixels, 1e-12)[:, :, None], pixels


@lru_cache(maxsize=16)
def _harmonic_maps(radius: int) -> tuple[NDArray[np.int32], Array]:
    """Return the annulus of each pixel about a star on the middle of a pixel, and its cosines and sines."""
    annulus = _radius_maps(radius)[0][_PHASES // 2 * (_PHASES + 2)]
    offset = np.arange(-radius - 1.0, radius + 2.0)
    angle = np.arctan2(offset[:, None], offset[None, :]).ravel()
    trig = np.array([np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)])
    trig[:, np.hypot(offset[:, None], offset[None, :]).ravel() == 0.0] = 0.0
    return annulus, trig


@lru_cache(maxsize=16)
def _harmonic_sums(radius: int) -> csr_matrix:
    """Return the matrix from the pixels of a stamp to the amplitudes of cosines and sines in each annulus."""
    annulus, trig = _harmonic_maps(radius)
    inside = np.flatnonzero(annulus < radius)
    place = (np.arange(4)[:, None] * radius + annulus[inside]).ravel()
    weight = trig[:, inside].ravel()
    pixels = np.maximum(np.bincount(place, weight**2, minlength=4 * radius), 1e-12)
    return csr_matrix((weight / pixels[place], (place, np.tile(inside, 4))), shape=(4 * radius, annulus.size))


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


def _expected(profile: Array, where: Array) -> Array:
    """Return the profile at every pixel of the stamps, 0 beyond: a smooth curve, even at the centre."""
    radius = profile.size
    middle = np.arange(radius) + where @ np.arange(BINS_PER_PX + 1) / BINS_PER_PX
    # Stars that all lie on the very centre of a pixel have one at radius 0, which mirrors onto itself.
    first = 1 if middle[0] == 0.0 else 0
    radii = np.concatenate((-middle[first:][::-1], middle))
    curve = CubicSpline(radii, np.concatenate((profile[first:][::-1], profile)))
    return np.append(curve((np.arange(radius * _FINE) + 0.5) / _FINE), 0.0)[_fine_places(radius)]


@lru_cache(maxsize=16)
def _fine_places(radius: int) -> NDArray[np.int32]:
    """Return the distances of `_distances` in whole parts of a pixel; all beyond the radius alike."""
    return np.minimum(_distances(radius) * _FINE, radius * _FINE).astype(np.int32)
