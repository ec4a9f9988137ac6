"""Find the stars of one image, pin-sharp or blown up to donuts: sky, noise, one peak per star.

The image is summed in blocks once; all searching is done on sums of sums, so that a donut of
80 pixels costs no more than a point.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from focuskit.frames import Pixels
from focuskit.stars.hot import (
    LEAST_BESIDE,
    MAD_TO_SIGMA,
    brightest_alone,
    hot_blocks,
    replace_by_neighbours,
    robust_sigma,
)
from focuskit.stars.lines import remove_lines

# Least and greatest side of a sky cell. Chosen: several times as wide as a donut, and narrow against vignetting.
CELL_PX = (64, 256)
# Of the 1.6 million boxes of a frame of 26 megapixels noise alone lifts 0.002 above six sigma, half of one above five.
PEAK_SIGMA = 6.0
_CHUNK_ROWS = 64  # rows summed at a time: the working set stays in the cache
_SEARCH_LIMIT = 4000  # peaks considered at the most; chosen: the 300 that are measured are among the first of them


@dataclass(frozen=True)
class SkyMap:
    """Sky per pixel on a mesh of cells, in the unit of the image.

    Parameters
    ----------
    mesh : ndarray, shape (cells down, cells across)
    shape : (int, int)
        Rows and columns of blocks that the mesh covers.
    side : int
        Pixels along the side of a block.
    """

    mesh: np.ndarray
    shape: tuple[int, int]
    side: int

    def at(self, x_px: np.ndarray, y_px: np.ndarray) -> np.ndarray:
        """Return the sky per pixel at pixel coordinates."""
        down = _mesh_weights(self.mesh.shape[0], self.shape[0], (np.asarray(y_px) + 0.5) / self.side - 0.5)
        across = _mesh_weights(self.mesh.shape[1], self.shape[1], (np.asarray(x_px) + 0.5) / self.side - 0.5)
        middle = float(np.median(self.mesh))
        return middle + np.sum((down @ (self.mesh - middle)) * across, axis=1)


@dataclass(frozen=True)
class BlockImage:
    """Sums of square blocks of pixels, sky subtracted.

    Parameters
    ----------
    level : ndarray, shape (rows, columns), float32
        Sum over each block less the sky.
    side : int
        Pixels along the side of a block.
    sky : SkyMap
    noise : float
        Standard deviation of the sky in one pixel; with a matrix of colours that of a pixel's part of the sums, the
        square root of `Pixels.share` times as much.
    lines : ndarray of bool, shape (rows, columns), or None
        Blocks on straight lines and steps of the sensor, which are filled from beside them.
    neighbour_excess : float
        By how much the sky is brighter in the four nearest neighbours of a pixel: with a matrix, of other colours.
    """

    level: np.ndarray
    side: int
    sky: SkyMap
    noise: float
    lines: np.ndarray | None = None
    neighbour_excess: float = 0.0


@dataclass(frozen=True)
class Peaks:
    """Peaks of an image, the most significant first: pixel coordinates, significance, box.

    ``contrast`` is the share of the height that stands above what lies around the peak: near 1 for a star that
    stands alone, small for a bump on something wider.
    """

    x: np.ndarray
    y: np.ndarray
    significance: np.ndarray
    box_px: np.ndarray
    contrast: np.ndarray

    def take(self, which: np.ndarray) -> Peaks:
        """Return the peaks selected by a mask or by indices."""
        return Peaks(*(getattr(self, f.name)[which] for f in fields(self)))


def block_side(shape: tuple[int, int]) -> int:
    """Return the side of the blocks for an image: 4 pixels from 8 megapixels on, else 2 or 1."""
    pixels = shape[0] * shape[1]
    return 4 if pixels >= 8_000_000 else 2 if pixels >= 2_000_000 else 1


def sum_blocks(pixels: Pixels, undersampled: bool = False) -> BlockImage:
    """Sum an image in blocks, clean hot pixels, subtract the sky and measure the noise.

    With a matrix of colours only the pixels that count are summed, and stand for all of the block: any square of 2×2
    pixels has the same number of them, and the green ones make its centroid the middle. Every pixel must have a
    value, see `Pixels.filled`.
    Where stars are ``undersampled``, only pixels with almost no light in their neighbours are hot.
    """
    side = max(block_side(pixels.raw.shape), 2 if pixels.sites else 1)
    neighbour_excess = 0.0
    if side == 1:
        sums, hot = _single_pixels(pixels, undersampled)
    else:
        sums, difference = _summed(pixels, side)
        hot = hot_blocks(sums, difference, matrix=bool(pixels.sites))
        if undersampled:
            alone, neighbour_excess = brightest_alone(pixels, hot, sums.shape[1], side)
            hot = hot[alone]
    replace_by_neighbours(sums, hot)
    mesh = _sky_mesh(sums, side)
    sums -= _spread(mesh, sums.shape)
    noise = robust_sigma(sums)[1]
    lines = remove_lines(sums, noise)
    sky = SkyMap(mesh / side**2, sums.shape, side)
    return BlockImage(sums, side, sky, noise / side, lines, neighbour_excess * pixels.scale)


def _single_pixels(pixels: Pixels, undersampled: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return a small image as it is, and the flat indices of pixels that stand alone."""
    image = pixels.physical().astype(np.float32)
    sky, noise = robust_sigma(image)
    padded = np.pad(image, 1, mode="edge")
    around = (padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]) / 4.0
    bound = 0.15 * (image - sky) if not undersampled else LEAST_BESIDE * (image - sky) + noise
    return image, np.flatnonzero((image - around > 8.0 * noise) & (around - sky < bound))


def _summed(pixels: Pixels, side: int) -> tuple[np.ndarray, np.ndarray]:
    """Return block sums, and the sum of even less that of odd columns of each block."""
    rows, columns = (n - n % side for n in pixels.raw.shape)
    sums = np.empty((rows // side, columns // side), np.float32)
    difference = np.empty_like(sums)
    kind = pixels.raw.dtype.kind
    small = kind in "iu" and pixels.raw.dtype.itemsize <= 2
    # Sums of 16 sixteen-bit values fit in 32 bits and are exact; all else is summed in 64 bits.
    dtype: np.dtype[Any] = np.dtype("i4") if small else np.dtype("f8")
    not_counted = pixels.not_counted
    for first in range(0, rows, _CHUNK_ROWS):
        last = min(first + _CHUNK_ROWS, rows)
        part: Any = pixels.raw[first:last, :columns].astype(dtype)
        for row, column in not_counted:
            part[row::2, column::2] = 0
        lines = part[0::side] + part[1::side]
        for k in range(2, side):
            lines += part[k::side]
        even = lines[:, 0::side]
        odd = lines[:, 1::side]
        if side == 4:
            even = even + lines[:, 2::side]
            odd = odd + lines[:, 3::side]
        target = slice(first // side, last // side)
        np.add(even, odd, out=sums[target], casting="unsafe")
        np.subtract(even, odd, out=difference[target], casting="unsafe")
    if pixels.scale * pixels.share != 1.0:
        sums *= pixels.scale * pixels.share
        difference *= pixels.scale * pixels.share
    sums += np.float32(pixels.zero * side**2)
    return sums, difference


def _sky_mesh(sums: np.ndarray, side: int) -> np.ndarray:
    """Return clipped means over cells of blocks, shape (cells down, cells across)."""
    cell = int(np.clip(min(sums.shape) // 4, CELL_PX[0] // side, CELL_PX[1] // side))
    down, across = (max(1, n // cell) for n in sums.shape)
    height, width = sums.shape[0] // down, sums.shape[1] // across
    cells: Any = sums[: down * height, : across * width].reshape(down, height, across, width)
    step = 2 if height * width > 1000 else 1
    cells = cells[:, ::step, :, ::step].swapaxes(1, 2).reshape(down * across, -1)
    return clipped_means(cells).reshape(down, across)


def clipped_means(values: np.ndarray) -> np.ndarray:
    """Return for each row the mean of the middle half of what lies within 2.5 sigma of its median.

    Stars only add light, so sigma is taken from the values below the median: the distance to the
    lower quartile. A mean of the middle half is as robust as a median, and does not jump by whole
    numbers where the noise is hardly more than one ADU. NaN does not count.

    Parameters
    ----------
    values : ndarray, shape (rows, n)

    Returns
    -------
    ndarray, shape (rows,); NaN for a row without values
    """
    ordered = np.sort(values, axis=1).astype(np.float64)
    rows = np.arange(ordered.shape[0])
    count = np.sum(np.isfinite(ordered), axis=1)
    middle = ordered[rows, count // 2]
    reach = 2.5 * MAD_TO_SIGMA * (middle - ordered[rows, count // 4])
    # Where noise is well below one ADU a quarter of all values or more is the median: all that is near counts.
    coarse = reach == 0
    reach = np.where(coarse, 2.0 * (middle - ordered[rows, count // 50]), reach)
    low = np.sum(ordered < (middle - reach)[:, None], axis=1)
    high = np.maximum(np.sum(ordered <= (middle + reach)[:, None], axis=1), 1)
    quarter = np.where(coarse, 0, (high - low) // 4)
    first, last = low + quarter, high - quarter
    sums = np.zeros((ordered.shape[0], ordered.shape[1] + 1))
    np.cumsum(np.where(np.isfinite(ordered), ordered - np.nan_to_num(middle)[:, None], 0.0), axis=1, out=sums[:, 1:])
    return middle + (sums[rows, last] - sums[rows, first]) / np.maximum(last - first, 1)


def _mesh_weights(cells: int, size: int, place: np.ndarray) -> np.ndarray:
    """Return the weights of cells at places along one axis, shape (places, cells), float32.

    Interpolates by Catmull-Rom splines: straight lines between cells would miss the curve of a
    vignetted sky. Beyond the outermost cells the mesh goes on as a straight line.
    """
    if cells == 1:
        return np.ones((place.size, 1), np.float32)
    # What is left over beyond the last whole cell belongs to no cell.
    at = np.clip((place + 0.5) / (size // cells) - 0.5, -1.0, cells)
    # One cell more on either side, on the straight line through the last two.
    wide = np.pad(np.eye(cells), ((1, 1), (0, 0)), mode="reflect", reflect_type="odd")
    spline = CubicHermiteSpline(np.arange(-1.0, cells + 1.0), wide, np.gradient(wide, axis=0))
    return spline(at).astype(np.float32)


def _spread(mesh: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Interpolate a mesh to all blocks."""
    # The offset is taken out first: float32 is then exact enough for any pedestal.
    middle = float(np.median(mesh))
    down, across = (_mesh_weights(cells, size, np.arange(size)) for cells, size in zip(mesh.shape, shape, strict=True))
    return down @ (mesh - middle).astype(np.float32) @ across.T + np.float32(middle)


def pyramid(blocks: BlockImage, levels: int) -> list[np.ndarray]:
    """Return the block image and its sums of 2×2, 4×4, … blocks, as many levels as fit."""
    images = [blocks.level]
    for _ in range(levels - 1):
        last = images[-1]
        rows, columns = (n - n % 2 for n in last.shape)
        if min(rows, columns) < 8:
            break
        pairs = last[0:rows:2, :columns] + last[1:rows:2, :columns]
        images.append(pairs[:, 0::2] + pairs[:, 1::2])
    return images


def _level_peaks(image: np.ndarray, side_px: int, sigma: float, white_noise: float) -> Peaks:
    """Return local maxima of the sums of 3×3 elements above ``sigma`` times their own noise."""
    lines = image[:-2] + image[1:-1]
    lines += image[2:]
    sums = lines[:, :-2] + lines[:, 1:-1]
    sums += lines[:, 2:]
    # Wide stars can fill much of the image; then the spread of the sums is not that of the sky.
    noise = min(robust_sigma(sums)[1], 3.0 * white_noise)
    above = np.flatnonzero(sums > sigma * noise)
    rows, columns = np.unravel_index(above, sums.shape)
    inside = (rows > 0) & (rows < sums.shape[0] - 1) & (columns > 0) & (columns < sums.shape[1] - 1)
    rows, columns = rows[inside], columns[inside]
    values = sums[rows, columns]
    highest = np.ones(rows.size, bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            other = sums[rows + dy, columns + dx]
            # Of equal neighbours the first in reading order counts.
            highest &= (values > other) if (dy, dx) < (0, 0) else (values >= other)
    rows, columns, values = rows[highest], columns[highest], values[highest]
    # Around a star that fills its box there is nothing from four elements on.
    places = [(-4, 0), (-3, 3), (0, 4), (3, 3), (4, 0), (3, -3), (0, -4), (-3, -3)]
    last_row, last_column = sums.shape[0] - 1, sums.shape[1] - 1
    around = [sums[np.clip(rows + dy, 0, last_row), np.clip(columns + dx, 0, last_column)] for dy, dx in places]
    return Peaks(
        x=(columns + 1.5) * side_px - 0.5,
        y=(rows + 1.5) * side_px - 0.5,
        significance=values / (noise or 1.0),
        box_px=np.full(rows.size, 3.0 * side_px),
        contrast=1.0 - np.median(around, axis=0) / values,
    )


def find_peaks(images: list[np.ndarray], side_px: int, noise: float, apart: float) -> Peaks:
    """Return peaks over all levels, each with the strongest within ``apart`` boxes of it only.

    Parameters
    ----------
    images : list of ndarray
        Levels of a pyramid; the elements of the first have a side of ``side_px`` pixels.
    noise : float
        Standard deviation of the sky in one pixel.
    apart : float
        A weaker peak closer to a stronger one than this many of the stronger one's boxes is part
        of it: else the fragments of a ring would count as stars.
    """
    sides = [side_px * 2**k for k in range(len(images))]
    levels = [
        _level_peaks(image, side, PEAK_SIGMA, 3.0 * side * noise) for image, side in zip(images, sides, strict=True)
    ]
    joined = [np.concatenate([getattr(level, f.name) for level in levels]) for f in fields(Peaks)]
    x, y, significance = joined[:3]
    order = np.lexsort((x, y, -significance))[:_SEARCH_LIMIT]
    peaks = Peaks(*(values[order] for values in joined))
    x, y, box = peaks.x, peaks.y, peaks.box_px
    fine = 2.0 * side_px
    rows, columns = (y / fine).astype(int), (x / fine).astype(int)
    reaches = np.rint(apart * box / fine).astype(int)
    margin = int(reaches.max(initial=0))
    # A margin all around saves clipping the discs at the edges.
    taken = np.zeros((int(rows.max(initial=0)) + 2 * margin + 1, int(columns.max(initial=0)) + 2 * margin + 1), bool)
    discs = {reach: _disc(reach) for reach in np.unique(reaches).tolist()}
    kept = []
    for k, (i, j, reach) in enumerate(zip(rows.tolist(), columns.tolist(), reaches.tolist(), strict=True)):
        if not taken[i + margin, j + margin]:
            kept.append(k)
            top, left = i + margin - reach, j + margin - reach
            taken[top : top + 2 * reach + 1, left : left + 2 * reach + 1] |= discs[reach]
    return peaks.take(np.array(kept, int))


def _disc(reach: int) -> np.ndarray:
    line = np.arange(-reach, reach + 1) ** 2
    return np.add.outer(line, line) <= reach**2
