"""The matrix of colours on a sensor: which pixels see red, green or blue (Bayer 1976, US patent 3971065)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from focuskit.core.errors import FocuskitError

BAYER_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
# Rows and columns, within each cell of 2×2 pixels, of those that count.
Sites = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class ColourOffset:
    """Difference in focus of a colour, ``R`` or ``B``, from green, in steps, with its standard deviation."""

    colour: str
    offset_steps: float
    err: float

    @property
    def name(self) -> str:
        """The colour as a word."""
        return {"R": "red", "B": "blue"}[self.colour]


def colour_sites(bayer: str | None, colour: str = "G") -> Sites | None:
    """Return where the pixels of a colour are in each cell of a Bayer matrix; None without a matrix.

    Parameters
    ----------
    bayer : str or None
        The colours of the first two pixels of the first two rows, such as ``RGGB``.
    colour : str
        ``R``, ``G`` or ``B``.

    Raises
    ------
    FocuskitError
        If the pattern is none of a Bayer matrix.
    """
    if bayer is None:
        return None
    if bayer.upper() not in BAYER_PATTERNS:
        raise FocuskitError(f"the Bayer pattern '{bayer}' is not one of {', '.join(BAYER_PATTERNS)}")
    return tuple((k // 2, k % 2) for k, other in enumerate(bayer.upper()) if other == colour)


@lru_cache(maxsize=64)
def cell_masks(sites: Sites | None, side: int) -> np.ndarray:
    """Return which pixels of a square of ``side``² count, for a corner in each place of a cell.

    Returns
    -------
    ndarray of bool, shape (2, 2, side, side)
        By row and column of the corner in its cell.
    """
    masks = np.zeros((2, 2, side, side), bool)
    for top, left in np.ndindex(2, 2):
        for row, column in sites or ((0, 0), (0, 1), (1, 0), (1, 1)):
            masks[top, left, (row - top) % 2 :: 2, (column - left) % 2 :: 2] = True
    return masks
