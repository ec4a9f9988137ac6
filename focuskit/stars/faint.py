"""Runs with few and faint stars: find them again where they must lie, and measure all as one.

Out of focus a faint star drowns in the noise of the sky. But the stars of a run keep their places and
their brightness: one shift a frame is found from all of them together, and their flux within circles
about the places that are known is added up with the weight that their brightness gives it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.spatial import cKDTree

from focuskit.stars.align import SHIFT_REACH_PX
from focuskit.stars.catalogue import FEW_STARS, MeasuredImage
from focuskit.stars.cutouts import STAMP_RADIUS, PreparedImage, counted_area, lies_inside, ring_sky, star_stamps
from focuskit.stars.growth import usual_growth
from focuskit.stars.match import CommonSizes, StarMatch, match_stars
from focuskit.stars.stamps import (
    RadialSums,
    cut_stamps,
    find_centroids,
    half_flux_radius,
    half_maximum_width,
    pixel_excess,
    size_error,
    sum_in_circles,
    without_pixel,
)

_LEAST_PLACES = 2  # one alone may be no star
# Signal-to-noise of a frame's stars together, below which nothing was found. Where the shift is not known, some 10⁴
# places are tried: noise lifts one of them above five sigma in 0.3 % of all frames.
_SURE = 5.0
_NEAR_PX = 8.0  # chosen: how far a frame may lie from where its neighbours in time are
_CROWDING = 0.1  # chosen: of its own light, from neighbours within reach; faint stars have noise of more than that
_LEAST_DETERMINANT = 0.9  # of two frames turned by 35 degrees against one another, the mean of their turns has it
_ROUNDS = 6  # chosen: at most so many until size and shift settle
_SETTLED = 0.02  # chosen: below the error of such a size, which is several per cent


@dataclass(frozen=True)
class Search:
    """Where the stars of a run lie in one frame, as far as is known.

    Parameters
    ----------
    x_px, y_px, flux_adu : ndarray, shape (stars,)
        Where they are expected in this frame, and their flux in the run's typical frame.
    reach_px : float
        By how much all places together may be wrong, along each axis.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    flux_adu: np.ndarray
    reach_px: float


@dataclass(frozen=True)
class Registered:
    """The stars of one frame, measured as one: sizes in pixels, ``strength`` against the typical frame.

    ``shift_px`` is to be added to the places at which they were expected.
    """

    shift_px: np.ndarray
    hfd_px: float
    hfd_err_px: float
    fwhm_px: float
    strength: float
    stars: int


def search_plan(images: Sequence[MeasuredImage]) -> tuple[StarMatch, list[Search]] | None:
    """Return what is known of the stars of a faint run, and where to look for them in each frame.

    None where the stars are many enough, or too few even for this.
    """
    if np.quantile([image.count for image in images], 0.25) >= FEW_STARS:
        return None
    match = match_stars(images, faint=True)
    sure = match.sound & np.isfinite(match.brightness)
    if sure.sum() < _LEAST_PLACES:
        return None
    match = match.take(sure)
    seen = np.isfinite(match.hfd_px).sum(axis=1)
    known = np.flatnonzero((seen >= 3) & np.isfinite(match.shift_px).all(axis=1))
    reach = _NEAR_PX if known.size else SHIFT_REACH_PX
    match = _expected(match, known)
    places = match.places_px
    return match, [Search(x, y, match.brightness, reach) for x, y in zip(places[..., 0], places[..., 1], strict=True)]


def _expected(match: StarMatch, known: np.ndarray) -> StarMatch:
    """Return a match with the frames that are not ``known`` interpolated in time between those that are."""
    number = np.arange(len(match.shift_px))

    def between(values: np.ndarray) -> np.ndarray:
        columns = values[known].reshape(known.size, -1).T
        return np.stack([np.interp(number, known, column) for column in columns], axis=1).reshape(values.shape)

    if not known.size:
        return replace(match, shift_px=np.zeros_like(match.shift_px), turn=None)
    if match.turn is None:
        return replace(match, shift_px=between(match.shift_px))
    shift, turn = between(match.shift_px), between(match.turn)
    # Between a frame and its flip there is nothing to interpolate: the nearest frame counts.
    flipped = np.abs(np.linalg.det(turn)) < _LEAST_DETERMINANT
    nearest = known[np.abs(number[:, None] - known).argmin(axis=1)]
    shift[flipped], turn[flipped] = match.shift_px[nearest[flipped]], match.turn[nearest[flipped]]
    return replace(match, shift_px=shift, turn=turn)


def measure_registered(image: PreparedImage, search: Search) -> Registered | None:
    """Find the stars of a frame together and measure them as one; None where they do not show."""
    found = _find_shift(image, search)
    if found is None:
        return None
    shift, size = found
    growth = usual_growth()
    for _ in range(_ROUNDS):
        x, y = search.x_px + shift[0], search.y_px + shift[1]
        bins = image.bins_for(size)
        reach = STAMP_RADIUS * size + 3 * bins
        use = lies_inside(image.pixels.raw.shape, x, y, reach + 2 * bins)
        use &= _light_of_neighbours(x, y, search.flux_adu, 1.2 * size) < _CROWDING * search.flux_adu
        if not use.any():
            return None
        weight = search.flux_adu[use]
        power = float(np.sum(weight**2))
        sky = ring_sky(image, x[use], y[use], size)
        stamps, x0, y0 = star_stamps(image, x[use], y[use], sky, reach, bins)
        dx, dy = (x[use] - x0) / bins, (y[use] - y0) / bins
        radius = size / bins
        moved = bins * _common_offset(stamps, dx, dy, weight, radius)
        counted = counted_area(image, x0, y0, stamps.shape[1] // 2, bins)
        sums = sum_in_circles(stamps, dx, dy, STAMP_RADIUS * radius, max(1, math.ceil(8.0 / radius)), counted)
        one = RadialSums(weight @ sums.flux[None] / power, weight**2 @ sums.area[None] / power, sums.step)
        flux = float(one.at(radius)[0])
        noise = image.blocks.noise * bins / math.sqrt(power)
        photons = flux * float(np.sum(weight**3)) / power**2 if image.gain and flux > 0 else 0.0
        photons *= image.pixels.share / (image.gain or 1.0)
        area = math.pi * radius**2
        if flux < _SURE * math.sqrt(noise**2 * area + photons):
            return None
        half, slope = half_flux_radius(one, np.array([0.5 * growth * flux]))
        if not (np.isfinite(half[0]) and np.isfinite(slope[0])):
            return None
        excess = pixel_excess(one, half, np.ones(1, bool))
        now = float(without_pixel(2.0 * half, excess, bins)[0]) * bins
        settled = abs(math.log(now / size)) < _SETTLED and np.hypot(*moved) < _SETTLED * size
        shift = shift + np.clip(moved, -0.5 * size, 0.5 * size)
        size = min(max(now, 0.6 * size), 1.6 * size)
        if settled:
            break
    inner = math.pi * float(half[0]) ** 2
    error = size_error(slope, growth, noise**2 * inner, noise**2 * area, photons)
    fwhm = float(half_maximum_width(one, half, np.ones(1, bool))[0]) * bins
    return Registered(
        shift_px=shift,
        hfd_px=now,
        hfd_err_px=bins * float(error[0]),
        fwhm_px=fwhm,
        strength=growth * flux,
        stars=int(use.sum()),
    )


def join_registered(match: StarMatch, found: Sequence[Registered | None]) -> tuple[StarMatch, CommonSizes]:
    """Return a faint run's stars and the sizes of its frames; NaN for a frame that does not show them."""
    nothing = Registered(np.full(2, np.nan), math.nan, math.nan, math.nan, math.nan, 0)
    frames = [one or nothing for one in found]
    strength = np.array([one.strength for one in frames])
    typical = float(np.nanmedian(strength)) if np.isfinite(strength).any() else 1.0
    sizes = CommonSizes(
        hfd_px=np.array([one.hfd_px for one in frames]),
        hfd_err_px=np.array([one.hfd_err_px for one in frames]),
        fwhm_px=np.array([one.fwhm_px for one in frames]),
        flux=strength / typical,
        stars=np.array([one.stars for one in frames]),
    )
    shift = match.shift_px + np.array([one.shift_px for one in frames])
    together = replace(match, shift_px=shift, strength=strength / typical, brightness=match.brightness * typical)
    return together, sizes


def _find_shift(image: PreparedImage, search: Search) -> tuple[np.ndarray, float] | None:
    """Return the shift at which the boxes about all places hold most light, and the size this suggests.

    Of boxes of all sizes the one counts whose light stands out most from its noise.
    """
    best, answer = 0.0, None
    for level, data in enumerate(image.levels):
        side = image.blocks.side * 2**level
        boxes = 9.0 * uniform_filter(data, 3, mode="nearest")
        steps = math.ceil(search.reach_px / side)
        x, y = (search.x_px + 0.5) / side - 0.5, (search.y_px + 0.5) / side - 0.5
        column, row = np.rint(x).astype(int), np.rint(y).astype(int)
        inside = lies_inside(data.shape, column, row, steps)
        if not inside.any():
            continue
        weight = search.flux_adu[inside]
        windows = cut_stamps(boxes, column[inside], row[inside], steps)
        noise = 3.0 * side * image.blocks.noise * float(np.linalg.norm(weight))
        together = np.tensordot(weight, windows, axes=1) / noise
        at = np.unravel_index(int(together.argmax()), together.shape)
        if together[at] > best:
            best = float(together[at])
            off = np.average(np.stack([column - x, row - y])[:, inside], axis=1, weights=weight**2)
            answer = side * (np.array([at[1], at[0]]) - steps + off), 2.5 * side
    return answer if best > _SURE else None


def _common_offset(stamps: np.ndarray, dx: np.ndarray, dy: np.ndarray, weight: np.ndarray, radius: float) -> np.ndarray:
    """Return by how much all stars together lie beside their places, x and y, in elements."""
    stack = np.tensordot(weight, stamps, axes=1)[None]
    centre = np.array(find_centroids(stack, radius))[:, 0]
    return centre - np.array([np.average(part, weights=weight**2) for part in (dx, dy)])


def _light_of_neighbours(x: np.ndarray, y: np.ndarray, flux: np.ndarray, reach: float) -> np.ndarray:
    """Return for each star the light of the others within reach of it."""
    tree = cKDTree(np.stack([x, y], axis=1))
    light = np.zeros(x.size)
    for first, second in tree.query_pairs(reach):
        light[first] += flux[second]
        light[second] += flux[first]
    return light
