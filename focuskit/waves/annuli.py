"""Which pixels of a stamp about a star lie in which annulus, and how they count at each angle.

All arrays depend on the radius alone and are kept from call to call. A stamp reaches one pixel beyond the radius.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from focuskit.core.matrix import Sites, cell_masks
from focuskit.waves.model import BINS_PER_PX

Array = NDArray[np.float64]

# Centres are rounded to this part of a pixel: a blur of 0.05 px rms, which the seeing takes in.
PHASES = 8
# Place in the arrays of a star on the middle of a pixel.
_MIDDLE = PHASES // 2 * (PHASES + 2)
# What a pixel should hold is looked up in a table with so many places in a pixel: half a place is less than a
# hundredth of the peak of a star 2 px wide.
FINE = 64


def sub_pixel(off_x: Array, off_y: Array) -> NDArray[np.int64]:
    """Return the place of sub-pixel centres in the arrays below; offsets in px from the middle of a pixel."""
    row, column = (np.rint(off * PHASES) + PHASES // 2 for off in (off_y, off_x))
    return np.asarray(row * (PHASES + 1) + column, int)


@lru_cache(maxsize=16)
def _distances(radius: int) -> Array:
    """Return the distances of a stamp's pixels from every sub-pixel centre, shape (phases, pixels)."""
    offset = np.arange(-radius - 1.0, radius + 2.0)
    sub = (np.arange(PHASES + 1) - PHASES // 2) / PHASES
    square = (offset[None, :] - sub[:, None]) ** 2
    return np.sqrt(square[:, None, :, None] + square[None, :, None, :]).reshape((PHASES + 1) ** 2, -1)


@lru_cache(maxsize=16)
def _counted(radius: int, sites: Sites | None) -> NDArray[np.float32]:
    """Return which pixels of a stamp count, 1 or 0, shape (corners, pixels): one where that is all."""
    masks = cell_masks(sites, 2 * radius + 3).reshape(4, -1)
    return np.asarray(masks if sites else masks[:1], np.float32)


def stamp_masks(
    row: NDArray[np.int64], column: NDArray[np.int64], radius: int, sites: Sites | None
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Return which pixels of stamps about whole pixels count, 1 or 0, shape (corners, pixels), and each one's corner.

    With a matrix of colours that depends on the place of the stamp's corner in a cell; otherwise there is one mask.
    """
    half = radius + 1
    corner = (row - half) % 2 * 2 + (column - half) % 2 if sites else np.zeros_like(row)
    return _counted(radius, sites), corner


@lru_cache(maxsize=16)
def annulus_maps(radius: int, sites: Sites | None = None) -> tuple[NDArray[np.int32], Array]:
    """Return the annulus of each pixel of a stamp for every sub-pixel centre, and how they lie in it.

    Annuli are 1 px wide; the last number stands for what lies beyond the radius. The second array, of
    shape (corners, phases, annuli, BINS_PER_PX + 1), counts pixels at the radii of the model within each
    annulus, both ends included; a pixel between two of them is shared in proportion. Corners as in `stamp_masks`.
    """
    distance = _distances(radius)
    annulus = np.minimum(distance.astype(np.int32), radius)
    within = (distance - annulus) * BINS_PER_PX
    shares = []
    masks = _counted(radius, sites)
    kinds: dict[bytes, int] = {}  # green has only two masks for four corners
    which = [kinds.setdefault(mask.tobytes(), len(kinds)) for mask in masks]
    distinct = [masks[which.index(kind)] for kind in kinds.values()]
    for mask, (ring, part) in product(distinct, zip(annulus, within, strict=True)):
        inside = (ring < radius) & (mask > 0.0)
        low = part[inside].astype(int)
        upper = part[inside] - low
        place = ring[inside] * (BINS_PER_PX + 1) + low
        size = radius * (BINS_PER_PX + 1)
        count = np.bincount(place, 1.0 - upper, minlength=size) + np.bincount(place + 1, upper, minlength=size)
        shares.append(count.reshape(radius, BINS_PER_PX + 1))
    return annulus, np.stack(shares).reshape(-1, len(annulus), radius, BINS_PER_PX + 1)[which]


@lru_cache(maxsize=16)
def fine_places(radius: int) -> NDArray[np.int32]:
    """Return the distances of `_distances` in whole parts of a pixel; all beyond the radius alike."""
    return np.minimum(_distances(radius) * FINE, radius * FINE).astype(np.int32)


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
    annulus, trig = harmonic_maps(radius)
    place = _distances(radius)[_MIDDLE] * BINS_PER_PX
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
def harmonic_maps(radius: int) -> tuple[NDArray[np.int32], Array]:
    """Return the annulus of each pixel about a star on the middle of a pixel, and its cosines and sines."""
    annulus = np.minimum(_distances(radius)[_MIDDLE].astype(np.int32), radius)
    offset = np.arange(-radius - 1.0, radius + 2.0)
    angle = np.arctan2(offset[:, None], offset[None, :]).ravel()
    trig = np.array([np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)])
    trig[:, np.hypot(offset[:, None], offset[None, :]).ravel() == 0.0] = 0.0
    return annulus, trig


@lru_cache(maxsize=16)
def harmonic_sums(radius: int, power: int = 1) -> csr_matrix:
    """Return the matrix from the pixels of a stamp to the amplitudes of cosines and sines in each annulus.

    With a ``power`` of 2 it leads from their weights to the mean weight that each amplitude has.
    """
    annulus, trig = harmonic_maps(radius)
    inside = np.flatnonzero(annulus < radius)
    place = (np.arange(4)[:, None] * radius + annulus[inside]).ravel()
    weight = trig[:, inside].ravel()
    pixels = np.maximum(np.bincount(place, weight**2, minlength=4 * radius), 1e-12)
    return csr_matrix((weight**power / pixels[place], (place, np.tile(inside, 4))), shape=(4 * radius, annulus.size))
