"""Find the stars of one image, pin-sharp or blown up to donuts: sky, noise, one peak per star.

The image is summed in blocks once; all searching is done on sums of sums, so that a donut of
80 pixels costs no more than a point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from focuskit.fitsfile import Pixels

MAD_TO_SIGMA = 1.482602218505602
CELL_BLOCKS = 64  # side of a sky cell
PEAK_SIGMA = 6.0
_CHUNK_ROWS = 64  # rows summed at a time: the working set stays in the cache
_SEARCH_LIMIT = 4000  # peaks considered at the most


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
        low_y, high_y, share_y = _between(self.mesh.shape[0], self.shape[0], (y_px + 0.5) / self.side - 0.5)
        low_x, high_x, share_x = _between(self.mesh.shape[1], self.shape[1], (x_px + 0.5) / self.side - 0.5)
        top = self.mesh[low_y, low_x] * (1.0 - share_x) + self.mesh[low_y, high_x] * share_x
        bottom = self.mesh[high_y, low_x] * (1.0 - share_x) + self.mesh[high_y, high_x] * share_x
        return top * (1.0 - share_y) + bottom * share_y


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
        Standard deviation of the sky in one pixel.
    """

    level: np.ndarray
    side: int
    sky: SkyMap
    noise: float


@dataclass(frozen=True)
class Peaks:
    """Peaks of an image, the most significant first: pixel coordinates, significance, box."""

    x: np.ndarray
    y: np.ndarray
    significance: np.ndarray
    box_px: np.ndarray


def block_side(shape: tuple[int, int]) -> int:
    """Return the side of the blocks for an image: 4 pixels from 8 megapixels on, else 2 or 1."""
    pixels = shape[0] * shape[1]
    return 4 if pixels >= 8_000_000 else 2 if pixels >= 2_000_000 else 1


def sum_blocks(pixels: Pixels) -> BlockImage:
    """Sum an image in blocks, clean hot pixels, subtract the sky and measure the noise.

    Values that are not finite, or blank, count as sky.
    """
    side = block_side(pixels.raw.shape)
    if side == 1:
        sums, hot = _single_pixels(pixels)
    else:
        sums, difference = _summed(pixels, side)
        hot = _hot_blocks(sums, difference)
    _replace_by_neighbours(sums, hot)
    mesh = _sky_mesh(sums)
    sums -= _spread(mesh, sums.shape)
    return BlockImage(sums, side, SkyMap(mesh / side**2, sums.shape, side), _robust_sigma(sums)[1] / side)


def _single_pixels(pixels: Pixels) -> tuple[np.ndarray, np.ndarray]:
    """Return a small image as it is, and the flat indices of pixels that stand alone."""
    image = pixels.physical().astype(np.float32)
    bad = ~np.isfinite(image)
    if bad.any():
        image[bad] = np.median(image[~bad]) if not bad.all() else 0.0
    sky, noise = _robust_sigma(image)
    padded = np.pad(image, 1, mode="edge")
    around = (padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]) / 4.0
    alone = (image - around > 8.0 * noise) & (around - sky < 0.15 * (image - sky))
    return image, np.flatnonzero(alone)


def _summed(pixels: Pixels, side: int) -> tuple[np.ndarray, np.ndarray]:
    """Return block sums, and the sum of even less that of odd columns of each block."""
    rows, columns = (n - n % side for n in pixels.raw.shape)
    sums = np.empty((rows // side, columns // side), np.float32)
    difference = np.empty_like(sums)
    kind = pixels.raw.dtype.kind
    small = kind in "iu" and pixels.raw.dtype.itemsize <= 2 and pixels.blank is None
    # Sums of 16 sixteen-bit values fit in 32 bits and are exact; all else is summed in 64 bits.
    dtype: np.dtype[Any] = np.dtype("i4") if small else np.dtype("f8")
    for first in range(0, rows, _CHUNK_ROWS):
        last = min(first + _CHUNK_ROWS, rows)
        part: Any = pixels.raw[first:last, :columns].astype(dtype)
        if not small:
            _fill_bad(part, pixels)
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
    if pixels.scale != 1.0:
        sums *= pixels.scale
        difference *= pixels.scale
    sums += np.float32(pixels.zero * side**2)
    return sums, difference


def _fill_bad(part: np.ndarray, pixels: Pixels) -> None:
    bad = ~np.isfinite(part)
    if pixels.blank is not None:
        bad |= part == pixels.blank
    if bad.any():
        part[bad] = np.median(part[~bad]) if not bad.all() else 0.0


def _robust_sigma(image: np.ndarray) -> tuple[float, float]:
    """Return median and standard deviation of a thinned-out image without its outliers.

    The median deviation finds the outliers; the standard deviation is that of the rest, since the
    median deviation of whole numbers is itself a whole number.
    """
    step = max(1, int((image.size / 60_000) ** 0.5))
    sample = image[::step, ::step]
    middle = float(np.median(sample))
    off = sample - middle
    rough = MAD_TO_SIGMA * float(np.median(np.abs(off))) or float(np.percentile(np.abs(off), 90))
    rest = off[np.abs(off) <= 3.0 * rough]
    return middle, float(np.std(rest, dtype=np.float64)) / 0.9866  # a normal law cut at 3 sigma


def _hot_blocks(sums: np.ndarray, difference: np.ndarray) -> np.ndarray:
    """Return the flat indices of the blocks in which one pixel outweighs the rest.

    A hot pixel lies in an even or an odd column, so that the two sums differ by all of it; a
    star spreads over both.
    """
    sky = _robust_sigma(sums)[0]
    noise = _robust_sigma(difference)[1]
    step = np.abs(difference)
    index = np.flatnonzero(step > 6.0 * noise)
    return index[step.ravel()[index] > 6.0 * noise + 0.35 * (sums.ravel()[index] - sky)]


def _replace_by_neighbours(image: np.ndarray, bad: np.ndarray) -> None:
    """Set elements, given by flat indices, to the median of their eight neighbours, in place."""
    rows, columns = np.unravel_index(bad, image.shape)
    around = [
        image[np.clip(rows + dy, 0, image.shape[0] - 1), np.clip(columns + dx, 0, image.shape[1] - 1)]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
        if (dy, dx) != (0, 0)
    ]
    image[rows, columns] = np.median(around, axis=0)


def _sky_mesh(sums: np.ndarray) -> np.ndarray:
    """Return clipped means over cells of blocks, shape (cells down, cells across)."""
    down, across = (max(1, n // CELL_BLOCKS) for n in sums.shape)
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
    low = np.sum(ordered < (middle - reach)[:, None], axis=1)
    high = np.maximum(np.sum(ordered <= (middle + reach)[:, None], axis=1), 1)
    quarter = (high - low) // 4
    first, last = low + quarter, high - quarter
    sums = np.zeros((ordered.shape[0], ordered.shape[1] + 1))
    np.cumsum(np.where(np.isfinite(ordered), ordered - np.nan_to_num(middle)[:, None], 0.0), axis=1, out=sums[:, 1:])
    return middle + (sums[rows, last] - sums[rows, first]) / np.maximum(last - first, 1)


def _between(cells: int, size: int, place: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the two cells that a place lies between and its share of the second."""
    at = np.clip((place + 0.5) * cells / size - 0.5, 0, cells - 1)
    low = np.minimum(at.astype(int), max(cells - 2, 0))
    return low, np.minimum(low + 1, cells - 1), at - low


def _spread(mesh: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Interpolate a mesh bilinearly to all blocks, constant beyond the outermost cell centres."""

    def weights(cells: int, size: int) -> np.ndarray:
        low, high, share = _between(cells, size, np.arange(size))
        out = np.zeros((size, cells), np.float32)
        np.add.at(out, (np.arange(size), low), 1.0 - share)
        np.add.at(out, (np.arange(size), high), share)
        return out

    # The offset is taken out first: float32 is then exact enough for any pedestal.
    middle = float(np.median(mesh))
    spread = weights(mesh.shape[0], shape[0]) @ (mesh - middle).astype(np.float32)
    return spread @ weights(mesh.shape[1], shape[1]).T + np.float32(middle)


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
    noise = min(_robust_sigma(sums)[1], 3.0 * white_noise)
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
    return Peaks(
        x=(columns + 1.5) * side_px - 0.5,
        y=(rows + 1.5) * side_px - 0.5,
        significance=values / (noise or 1.0),
        box_px=np.full(rows.size, 3.0 * side_px),
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
    x, y, significance, box = (
        np.concatenate([getattr(level, name) for level in levels]) for name in ("x", "y", "significance", "box_px")
    )
    order = np.lexsort((x, y, -significance))[:_SEARCH_LIMIT]
    x, y, significance, box = x[order], y[order], significance[order], box[order]
    fine = max(side_px, 1) * 2.0
    taken = np.zeros((int(y.max(initial=0) / fine) + 2, int(x.max(initial=0) / fine) + 2), bool)
    kept = []
    for k in range(x.size):
        i, j = int(y[k] / fine), int(x[k] / fine)
        if taken[i, j]:
            continue
        kept.append(k)
        reach = apart * box[k] / fine
        top, left = max(0, int(i - reach)), max(0, int(j - reach))
        bottom, right = int(i + reach) + 1, int(j + reach) + 1
        yy, xx = np.ogrid[top : min(bottom, taken.shape[0]), left : min(right, taken.shape[1])]
        taken[top:bottom, left:right] |= (yy - i) ** 2 + (xx - j) ** 2 <= reach**2
    return Peaks(x[kept], y[kept], significance[kept], box[kept])
