"""Cut stars out of an image: the sky about each, its stamp cleaned of hot pixels, its brightest pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter

from focuskit.core.matrix import cell_masks
from focuskit.frames import Pixels
from focuskit.stars.detect import BlockImage, clipped_means, pyramid, sum_blocks
from focuskit.stars.hot import LEAST_BESIDE
from focuskit.stars.stamps import cut_stamps

# In half-flux diameters, one of which is the radius of the flux aperture. Chosen: a stamp shows the light that goes on
# beyond the aperture; the ring begins outside of a donut and all but some per cent of a star's light (which
# `fit_growth` adds back), and is wide enough that its error is small against that of the aperture.
STAMP_RADIUS = 1.35
RING_RADII = (2.2, 3.5)
# The sky's noise in electrons below which the gain is that of other numbers, as of a frame that was scaled to 1 since.
# Chosen: sensors read out with a quarter of an electron or more, and a mean of several frames has half of it.
LEAST_NOISE_E = 0.1
_MISSED_NEIGHBOURS = 5  # of eight: pixels without a value that miss as many are not filled well
# Times the mean of its neighbours, from which a pixel is hot, by `Pixels.share`: even a star with a FWHM of 1.5 pixels
# has a third of its central value in the next pixel, and a tenth one diagonal away.
_HOTTEST = {1: np.float32(4.0), 2: np.float32(11.0), 4: np.float32(11.0)}
_LEVELS = 5  # sums of 4 × 2⁴ pixels: boxes of 192, wider than any donut that a focus run needs
# What is sharper is a cosmic ray: one pixel and a seeing of one pixel make 1.4. Of small stars, a point makes 0.80.
_LEAST_HFD_PX = (1.4, 0.9)
_AT_A_TIME = 16  # stars: their stamps stay in the processor's cache


@dataclass(frozen=True)
class PreparedImage:
    """One image on its way through the measurement; every pixel has a value.

    ``levels`` are sums of blocks, of 2×2 blocks, and so on; ``gaps`` are pixels without a value of their own,
    ``variance`` is that of each pixel where it was given with the image: both as they count in sums of squares.
    Where it is ``undersampled`` a star may have nearly all of its light in one pixel.
    """

    pixels: Pixels
    blocks: BlockImage
    levels: list[np.ndarray]
    saturation_adu: float | None
    gain: float | None
    gaps: np.ndarray | None = None
    variance: np.ndarray | None = None
    undersampled: bool = False

    @property
    def least_hfd_px(self) -> float:
        """Smallest half-flux diameter of a star."""
        return _LEAST_HFD_PX[self.undersampled]

    @property
    def pixel_noise(self) -> float:
        """Standard deviation of the sky in one pixel that counts."""
        return self.blocks.noise / math.sqrt(self.pixels.share)

    def level_for(self, span_px: float) -> int:
        """Return the finest level whose box of 3×3 elements spans at least ``span_px`` pixels."""
        level = 0
        while level < len(self.levels) - 1 and 3 * self.blocks.side * 2**level < span_px:
            level += 1
        return level

    def bins_for(self, size: float) -> int:
        """Return the side of the elements on which stars are measured: a pixel is small against wide ones."""
        return 1 if size < 14.0 else 2 if size < 28.0 or self.blocks.side < 4 else 4


def prepare_image(
    pixels: Pixels, saturation_adu: float | None, gain_e_per_adu: float | None, undersampled: bool = False
) -> PreparedImage:
    """Sum an image in blocks, and those in blocks, for all that is done with it.

    A gain that the noise of the image contradicts is not taken.
    """
    blocks = sum_blocks(pixels, undersampled)
    noise = blocks.noise / math.sqrt(pixels.share)
    gain = gain_e_per_adu if gain_e_per_adu and gain_e_per_adu * noise > LEAST_NOISE_E else None
    gaps = None
    if blocks.lines is not None:
        pixels, gaps = _without_lines(pixels, blocks, blocks.lines)
    return PreparedImage(pixels, blocks, pyramid(blocks, _LEVELS), saturation_adu, gain, gaps, None, undersampled)


def _without_lines(pixels: Pixels, blocks: BlockImage, lines: np.ndarray) -> tuple[Pixels, np.ndarray]:
    """Return the image with lines of the sensor filled as its blocks are, and the mask of the pixels on them."""
    side = blocks.side
    gaps = np.zeros(pixels.raw.shape, bool)
    inside = gaps[: lines.shape[0] * side, : lines.shape[1] * side]
    inside[...] = lines.repeat(side, axis=0).repeat(side, axis=1)
    row, column = np.nonzero(inside)
    light = blocks.level[row // side, column // side] / side**2 + blocks.sky.at(column, row)
    stored = (light - pixels.zero) / pixels.scale
    raw = pixels.raw.copy()
    raw[row, column] = np.rint(stored) if raw.dtype.kind in "iu" else stored
    return replace(pixels, raw=raw), gaps


def patches(unknown: np.ndarray) -> np.ndarray:
    """Return which pixels without a value have too few neighbours with one to be filled well."""
    neighbours = uniform_filter(unknown.astype(np.float32), 3, mode="nearest") * 9.0 - unknown
    return unknown & (neighbours > _MISSED_NEIGHBOURS - 0.5)


def lies_inside(shape: tuple[int, ...], x: np.ndarray, y: np.ndarray, reach: float) -> np.ndarray:
    """Tell the places that are at least ``reach`` from every edge."""
    return (x >= reach) & (y >= reach) & (x <= shape[1] - 1 - reach) & (y <= shape[0] - 1 - reach)


def ring_sky(image: PreparedImage, x: np.ndarray, y: np.ndarray, size: float) -> np.ndarray:
    """Return the local sky per pixel relative to the mesh, from a ring of elements about a star.

    The elements are sums of pixels: from a few hundred single pixels, the error of the sky would
    outweigh all else in a donut.
    """
    level = image.level_for(0.5 * size)
    side = image.blocks.side * 2**level
    data = image.levels[level]
    inner, outer = (r * size / side for r in RING_RADII)
    half = math.ceil(max(outer, inner + 1.5))
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1]
    distance = np.hypot(dx, dy)
    ring = np.flatnonzero((distance >= inner) & (distance <= max(outer, inner + 1.5)))
    ring = ring[:: max(1, ring.size // 250)]
    row = np.rint((y + 0.5) / side - 0.5).astype(int)[:, None] + dy.ravel()[ring]
    column = np.rint((x + 0.5) / side - 0.5).astype(int)[:, None] + dx.ravel()[ring]
    outside = (row < 0) | (row >= data.shape[0]) | (column < 0) | (column >= data.shape[1])
    values = data[np.clip(row, 0, data.shape[0] - 1), np.clip(column, 0, data.shape[1] - 1)]
    values[outside] = np.nan
    return clipped_means(values) / side**2


def star_stamps(
    image: PreparedImage, x: np.ndarray, y: np.ndarray, sky: np.ndarray, reach: float, bins: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cut stars out, sky subtracted, as sums of ``bins``² pixels.

    Returns
    -------
    stamps : ndarray, shape (n, s, s)
        With a matrix of colours, the pixels that count stand for the others, which are 0.
    x0, y0 : ndarray, shape (n,)
        Pixel coordinates of the middles of the stamps.
    """
    half = math.ceil(reach / bins)
    if bins == image.blocks.side and bins > 1:
        column = np.rint((x + 0.5) / bins - 0.5).astype(int)
        row = np.rint((y + 0.5) / bins - 0.5).astype(int)
        stamps = cut_stamps(image.blocks.level, column, row, half)
        stamps -= (sky * bins**2).astype(np.float32)[:, None, None]
        return stamps, (column + 0.5) * bins - 0.5, (row + 0.5) * bins - 0.5
    # A centroid may be near the edge: its stamp ends there, and the star is off the middle of it.
    most = half * bins + bins // 2
    row, column = (
        np.clip(np.rint(place).astype(int), most, length - 1 - most)
        for place, length in zip((y, x), image.pixels.raw.shape, strict=True)
    )
    size = 2 * half + 1
    stamps = np.empty((x.size, size, size), np.float32)
    sky = image.blocks.sky.at(column, row) + sky
    excess = image.blocks.neighbour_excess if image.undersampled else None
    for first in range(0, x.size, _AT_A_TIME):
        part = slice(first, first + _AT_A_TIME)
        raw = cut_stamps(image.pixels.raw, column[part], row[part], most)
        if image.pixels.scale != 1.0:
            raw *= np.float32(image.pixels.scale)
        raw += (image.pixels.zero - sky[part]).astype(np.float32)[:, None, None]
        _clean(raw, image.pixel_noise, image.pixels.share, excess)
        if image.pixels.sites:
            raw *= _counted(image, column[part], row[part], most)
        stamps[part] = _sum_squares(raw[:, : size * bins, : size * bins], bins)
    middle = (bins - 1) / 2.0 - bins // 2
    return stamps, column + middle, row + middle


def sum_squares(image: np.ndarray, x0: np.ndarray, y0: np.ndarray, half: int, bins: int) -> np.ndarray:
    """Cut out of another image of the same shape what lies under stamps of 2·half+1 elements about x0 and y0."""
    column, row = _middle_pixels(x0, y0, bins)
    stamps = cut_stamps(image, column, row, half * bins + bins // 2)
    return _sum_squares(stamps[:, : (2 * half + 1) * bins, : (2 * half + 1) * bins], bins)


def counted_area(image: PreparedImage, x0: np.ndarray, y0: np.ndarray, half: int, bins: int) -> np.ndarray | None:
    """Return how many pixels each element of stamps about x0 and y0 stands for; None where all stand for their own.

    Only of single pixels of a matrix: a square of them always has its share that counts.
    """
    return _counted(image, *_middle_pixels(x0, y0, bins), half) if image.pixels.sites and bins == 1 else None


def _middle_pixels(x0: np.ndarray, y0: np.ndarray, bins: int) -> tuple[np.ndarray, np.ndarray]:
    """Return column and row of the pixel about which a stamp was cut out."""
    middle = (bins - 1) / 2.0 - bins // 2
    return np.rint(x0 - middle).astype(int), np.rint(y0 - middle).astype(int)


def _counted(image: PreparedImage, column: np.ndarray, row: np.ndarray, half: int) -> np.ndarray:
    """Return by what the pixels of squares about whole positions count: those of the colour for the others too."""
    masks = cell_masks(image.pixels.sites, 2 * half + 1) * np.float32(image.pixels.share)
    return np.asarray(masks[(row - half) % 2, (column - half) % 2])


def _sum_squares(stamps: np.ndarray, side: int) -> np.ndarray:
    """Sum stamps in squares of ``side``² elements."""
    lines = stamps[:, ::side].copy()
    for k in range(1, side):
        lines += stamps[:, k::side]
    sums = lines[:, :, ::side].copy()
    for k in range(1, side):
        sums += lines[:, :, k::side]
    return sums


def _clean(stamps: np.ndarray, noise: float, share: int, neighbour_excess: float | None) -> None:
    """Replace, in place, pixels that stand out of their neighbours as no star of this size can.

    With a matrix of colours the nearest of the same colour count: green ones are on the diagonals. Where stars are
    undersampled, pixels stay that have some light in their nearest neighbours, whatever their colour;
    ``neighbour_excess`` is that of `BlockImage`, None where stars are not undersampled.
    """
    inner = stamps[:, 1:-1, 1:-1]
    around = _mean_of_four(stamps, diagonal=share > 1)
    hot = inner - around > np.float32(8.0 * noise) + _HOTTEST[share] * np.maximum(around, 0.0)
    if neighbour_excess is not None:
        light = around if share == 1 else _mean_of_four(stamps, diagonal=False) - np.float32(neighbour_excess)
        hot &= light < LEAST_BESIDE * inner + np.float32(noise)
    inner[hot] = around[hot]


def _mean_of_four(stamps: np.ndarray, diagonal: bool) -> np.ndarray:
    """Return the mean of four neighbours of all pixels but the outermost: the nearest, or those on the diagonals."""
    near = ((-1, -1), (1, 1), (-1, 1), (1, -1)) if diagonal else ((-1, 0), (1, 0), (0, -1), (0, 1))
    rows, columns = stamps.shape[1:]
    first, second, third, last = (
        stamps[:, 1 + down : rows - 1 + down, 1 + right : columns - 1 + right] for down, right in near
    )
    around = first + second
    around += third
    around += last
    around *= np.float32(0.25)
    return around


def peak_adu(image: PreparedImage, x0: np.ndarray, y0: np.ndarray, size: float) -> np.ndarray:
    """Return the brightest pixel of each star, of those that count."""
    half = max(2, math.ceil(0.75 * size))
    step = max(1, half // 12)
    column, row = np.rint(x0).astype(int), np.rint(y0).astype(int)
    peak = np.empty(x0.size)
    for k, (i, j) in enumerate(zip(row.tolist(), column.tolist(), strict=True)):
        parts = pixels_about(image.pixels, i, j, half, step)
        peak[k] = parts[0].max() if len(parts) == 1 else max(float(part.max()) for part in parts)
    return np.nan_to_num(peak * image.pixels.scale + image.pixels.zero)


def pixels_about(pixels: Pixels, row: int, column: int, half: int, step: int = 1) -> list[np.ndarray]:
    """Return every ``step``-th of the pixels that count in a square, as arrays of one place in the cells each."""
    top, left = max(row - half, 0), max(column - half, 0)
    if not pixels.sites:
        return [pixels.raw[top : row + half + 1 : step, left : column + half + 1 : step]]
    apart = 2 * math.ceil(step / 2)
    return [
        pixels.raw[
            top + (down - top) % 2 : row + half + 1 : apart, left + (right - left) % 2 : column + half + 1 : apart
        ]
        for down, right in pixels.sites
    ]
