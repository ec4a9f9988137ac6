"""The pixels of a frame as stored, and a value for those that have none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from focuskit.core.errors import FocuskitError

MOST_RAW = 1e15  # of a stored number: its square, and sums of such, fit into single precision
_NEIGHBOURS = [(down, right) for down in (-1, 0, 1) for right in (-1, 0, 1) if (down, right) != (0, 0)]
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
    """

    raw: np.ndarray
    zero: float = 0.0
    scale: float = 1.0
    blank: int | None = None

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

        Besides blanks and NaN, numbers beyond 1e15 count as no value.

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
        for first in range(0, gaps.size, _AT_A_TIME):
            part = gaps[first : first + _AT_A_TIME]
            total, count = np.zeros(part.size), np.zeros(part.size, int)
            for down, right in _NEIGHBOURS:
                row, column = part // columns + down, part % columns + right
                inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
                seen = np.flatnonzero(inside)
                seen = seen[~unknown[row[seen], column[seen]]]
                total[seen] += self.raw[row[seen], column[seen]]
                count[seen] += 1
            value = np.where(count > 0, total / np.maximum(count, 1), median)
            raw.ravel()[part] = np.rint(value) if raw.dtype.kind in "iu" else value
        return Pixels(raw, self.zero, self.scale)

    def unknown(self) -> np.ndarray | None:
        """Return the mask of the pixels without a value; None where every number is one."""
        kind = self.raw.dtype
        if kind.kind == "f" or kind.itemsize == 8:
            with np.errstate(invalid="ignore"):
                unknown = ~(np.abs(self.raw) < MOST_RAW)
            return unknown if self.blank is None else unknown | (self.raw == self.blank)
        return None if self.blank is None else self.raw == self.blank
