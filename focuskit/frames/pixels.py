"""The pixels of a frame as stored, and a value for those that have none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.matrix import Sites, colour_sites

MOST_RAW = 1e15  # of a stored number: its square, and sums of such, fit into single precision
_NEIGHBOURS = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0)]
# Cells of the matrix along each side that are looked at to find its greens, and by how much those differ that are none:
# in the scatter of single pixels, far above which no offsets between the four places lie, and in differences of the
# others. Chosen: greens differ by a per cent of the light at most, red and blue by several (common practice, no
# source).
_CELLS, _DIFFER_NOISE, _DIFFER_TIMES = 250, 0.5, 4.0
_FEW = 100  # cells that say nothing
_AT_A_TIME = 2**18  # gaps, so that a frame of them asks for little memory


@dataclass(frozen=True)
class Pixels:
    """The image as stored: the value of a pixel in ADU is ``zero + scale * raw``.

    Parameters
    ----------
    raw : ndarray, shape (rows, columns)
        Read-only; big-endian where the file was not tile-compressed.
    zero, scale : float
    blank : int or None
        The raw value of integer pixels without a value; in floats those are NaN.
    sites : tuple of (int, int), or None
        Where a matrix of colours leaves only some of the pixels: the rows and columns, within each cell of 2×2
        pixels, of those that count. None for all.
    """

    raw: np.ndarray
    zero: float = 0.0
    scale: float = 1.0
    blank: int | None = None
    sites: Sites | None = None

    @property
    def share(self) -> int:
        """Pixels for each one that counts: 1, or with a matrix 2 or 4."""
        return 4 // len(self.sites) if self.sites else 1

    @property
    def not_counted(self) -> Sites:
        """The places in a cell of the pixels that do not count."""
        return tuple(place for place in np.ndindex(2, 2) if self.sites and place not in self.sites)

    def of_colour(self, bayer: str | None, colour: str = "G") -> Pixels:
        """Return the image of which only the pixels of one colour count, see `colour_sites`."""
        return replace(self, sites=colour_sites(bayer, colour))

    def counted(self, image: np.ndarray, factor: float) -> np.ndarray:
        """Return an array of the image's shape times ``factor`` where pixels count, else 0; itself without a matrix."""
        if not self.sites:
            return image
        out = np.zeros(image.shape, np.float32)
        for row, column in self.sites:
            out[row::2, column::2] = image[row::2, column::2] * np.float32(factor)
        return out

    def contradicts(self, bayer: str) -> bool:
        """Return whether what a Bayer pattern calls green differs, and what it calls red and blue does not.

        Then the pattern begins a row or a column further. Sky and nebulae show it, unless they are grey.
        """
        apart = [2 * max(1, size // (2 * _CELLS)) for size in self.raw.shape]
        rows, columns = ((size - 1) // 2 * 2 for size in self.raw.shape)
        cell = [
            self.raw[row : rows + row : apart[0], column : columns + column : apart[1]].astype(np.float64)
            for row, column in np.ndindex(2, 2)
        ]
        greens = [k for k, colour in enumerate(bayer) if colour == "G"]
        others = [k for k, colour in enumerate(bayer) if colour != "G"]
        (green, noise), (other, _) = (_typical(cell[a] - cell[b]) for a, b in (greens, others))
        return abs(green) > max(_DIFFER_NOISE * noise, _DIFFER_TIMES * abs(other))

    def physical(self) -> np.ndarray:
        """Return the image in ADU as native float64, NaN where a pixel has no value."""
        image = self.raw.astype(np.float64)
        if self.scale != 1.0:
            image *= self.scale
        if self.zero != 0.0:
            image += self.zero
        if self.blank is not None:
            image[self.raw == self.blank] = np.nan
        return image

    def filled(self) -> Pixels:
        """Return the image with a value in every pixel: the mean of the neighbours that have one, else the median.

        With a matrix, neighbours are those of the same colour. Besides blanks and NaN, numbers beyond 1e15 count as
        no value.

        Raises
        ------
        FocuskitError
            If more than half of the pixels have no value.
        """
        unknown = self.unknown()
        gaps = np.flatnonzero(unknown) if unknown is not None else np.empty(0, np.intp)
        if unknown is None or not gaps.size:
            return self
        if gaps.size > self.raw.size / 2:
            raise FocuskitError(f"{100.0 * gaps.size / self.raw.size:.0f} % of its pixels have no value")
        known = self.raw[~unknown]
        median = float(np.median(known[:: max(1, known.size // 100_000)]))
        raw = self.raw.copy()
        rows, columns = raw.shape
        apart = 2 if self.sites else 1
        for first in range(0, gaps.size, _AT_A_TIME):
            part = gaps[first : first + _AT_A_TIME]
            total, count = np.zeros(part.size), np.zeros(part.size, int)
            for down, right in _NEIGHBOURS:
                row, column = part // columns + apart * down, part % columns + apart * right
                inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
                seen = np.flatnonzero(inside)
                seen = seen[~unknown[row[seen], column[seen]]]
                total[seen] += self.raw[row[seen], column[seen]]
                count[seen] += 1
            value = np.where(count > 0, total / np.maximum(count, 1), median)
            raw.ravel()[part] = np.rint(value) if raw.dtype.kind in "iu" else value
        return replace(self, raw=raw, blank=None)

    def unknown(self) -> np.ndarray | None:
        """Return the mask of the pixels without a value; None where every number is one."""
        kind = self.raw.dtype
        if kind.kind == "f" or kind.itemsize == 8:
            with np.errstate(invalid="ignore"):
                unknown = ~(np.abs(self.raw) < MOST_RAW)
            return unknown if self.blank is None else unknown | (self.raw == self.blank)
        return None if self.blank is None else self.raw == self.blank


def _typical(values: np.ndarray) -> tuple[float, float]:
    """Return the mean of the middle 80 % of some values, which leaves stars out, and their scatter."""
    finite = np.sort(values[np.isfinite(values)])
    middle = finite[finite.size // 10 : finite.size - finite.size // 10]
    return (float(middle.mean()), float(middle.std())) if middle.size > _FEW else (0.0, np.inf)
