"""Noise of an image, and its hot pixels: those that outweigh all around them, as no star does."""

from __future__ import annotations

import numpy as np

from focuskit.frames import Pixels

MAD_TO_SIGMA = 1.482602218505602  # of a normal law: 1 / Φ⁻¹(3/4)
# The mean of the four pixels next to the brightest one of a star of HFD 1.0 px has 0.05 of its height or more (GalSim).
LEAST_BESIDE = 0.04
_SAMPLE = 20_000  # elements that tell the noise: to half a per cent
# Of a block's light, which one pixel has. Chosen: of a star with a width of 1.5 pixels at half maximum, at worst, even
# and odd columns differ by a third; two green pixels, one diagonal apart, by four fifths.
_HOT, _HOT_MATRIX = 0.35, 0.8
_FEW_OTHERS = 5e-4  # chosen: what has fewer values unlike the rest shows no stars; a dozen stars make ten times as many


def robust_sigma(image: np.ndarray) -> tuple[float, float]:
    """Return median and standard deviation of a thinned-out image without its outliers.

    The median deviation finds the outliers; the standard deviation is that of the rest, since the
    median deviation of whole numbers is itself a whole number.
    """
    step = max(1, int((image.size / _SAMPLE) ** 0.5))
    sample = image[::step, ::step]
    middle = float(np.median(sample))
    off = sample - middle
    half, most, nearly_all = np.percentile(np.abs(off), (50.0, 75.0, 90.0))
    # With noise below one ADU half of all values are alike: the next larger deviations tell.
    rough = MAD_TO_SIGMA * half if half > 0.2 * most else most / 1.15 or nearly_all
    rest = off[np.abs(off) <= 3.0 * rough]
    if not rest.size:  # values beyond what floats can square
        return middle, 0.0
    sigma = float(np.std(rest, dtype=np.float64)) / 0.9866  # a normal law cut at 3 sigma
    return middle, sigma or _rounding(off)


def _rounding(off: np.ndarray) -> float:
    """Return the standard deviation of rounding where nearly all values are one: a step over √12; else 0."""
    others = np.abs(off[off != 0])
    return float(np.percentile(others, 10.0)) / 12**0.5 if others.size > _FEW_OTHERS * off.size else 0.0


def hot_blocks(sums: np.ndarray, difference: np.ndarray, matrix: bool) -> np.ndarray:
    """Return the flat indices of the blocks in which one pixel outweighs the rest.

    A hot pixel lies in an even or an odd column, so that the two sums differ by all of it; a
    star spreads over both, much less evenly with a ``matrix`` of colours.
    """
    share = _HOT_MATRIX if matrix else _HOT
    sky = robust_sigma(sums)[0]
    noise = robust_sigma(difference)[1]
    step = np.abs(difference)
    index = np.flatnonzero(step > 6.0 * noise)
    return index[step.ravel()[index] > 6.0 * noise + share * (sums.ravel()[index] - sky)]


def brightest_alone(pixels: Pixels, blocks: np.ndarray, columns: int, side: int) -> tuple[np.ndarray, float]:
    """Return which blocks, given by flat indices, have almost no light around their brightest pixel that counts.

    Also return by how much the sky is brighter in the four nearest neighbours of such pixels, in stored numbers.
    """
    row, column = (side * place for place in np.divmod(blocks, columns))
    down, across = np.divmod(np.arange(side**2), side)
    counts = np.array([not pixels.sites or (r % 2, c % 2) in pixels.sites for r, c in zip(down, across, strict=True)])
    part = pixels.raw[row[:, None] + down[counts], column[:, None] + across[counts]]
    brightest = part.argmax(axis=1)
    row, column = row + down[counts][brightest], column + across[counts][brightest]
    planes = [pixels.raw[r::2, c::2] for r, c in pixels.sites] if pixels.sites else [pixels.raw]
    sky, noise = np.mean([robust_sigma(plane) for plane in planes], axis=0)
    neighbour_sky = sky
    if pixels.sites:
        neighbour_sky = np.mean([robust_sigma(pixels.raw[r::2, c::2])[0] for r, c in pixels.not_counted])
    last_row, last_column = (n - 1 for n in pixels.raw.shape)
    neighbours = [
        pixels.raw[np.clip(row + dy, 0, last_row), np.clip(column + dx, 0, last_column)].astype(float)
        for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1))
    ]
    light = np.mean(neighbours, axis=0) - neighbour_sky
    return light < LEAST_BESIDE * (part.max(axis=1) - sky) + noise, float(neighbour_sky - sky)


def replace_by_neighbours(image: np.ndarray, bad: np.ndarray) -> None:
    """Set elements, given by flat indices, to the median of their eight neighbours, in place."""
    rows, columns = np.unravel_index(bad, image.shape)
    around = [
        image[np.clip(rows + dy, 0, image.shape[0] - 1), np.clip(columns + dx, 0, image.shape[1] - 1)]
        for dy in (-1, 0, 1)
        for dx in (-1, 0, 1)
        if (dy, dx) != (0, 0)
    ]
    image[rows, columns] = np.median(around, axis=0)
