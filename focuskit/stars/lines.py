"""Straight lines and steps of the sensor: hot and dead columns and rows, edges between amplifiers, seams."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

# Lines are looked for in stretches of so many rows: of half of one no star in focus is as long, and what lies out of
# focus changes little over the three elements that are compared.
_STRETCH, _SAMPLED_ROWS = 64, 8
_LINE_SIGMA = 2.0  # of one element; a fainter line adds as much to a box of any size as two sigma: it makes no peak
_MOST_SIGMA = 4.0  # chosen: a third of the rows of a stretch, as a star covers, do not reach the mean of two sigma


def remove_lines(level: np.ndarray, noise: float) -> np.ndarray | None:
    """Fill columns and rows that stand out over a long stretch from beside them, in place; return where they are.

    Parameters
    ----------
    level : ndarray, shape (rows, columns)
        Sums of blocks of pixels less the sky.
    noise : float
        Standard deviation of one element.

    Returns
    -------
    ndarray of bool, shape (rows, columns); None where there are none
    """
    down, across = _columns_that_stand_out(level, noise), _columns_that_stand_out(level.T, noise)
    if down is None and across is None:
        return None
    lines = np.zeros(level.shape, bool)
    for image, mask, found in ((level, lines, down), (level.T, lines.T, across)):
        for first, last, columns in found or ():
            rest = np.setdiff1d(np.arange(level.shape[1] if image is level else level.shape[0]), columns)
            after = np.clip(np.searchsorted(rest, columns), 1, rest.size - 1)
            left, right = rest[after - 1], rest[after]
            share = ((columns - left) / (right - left)).astype(np.float32).clip(0.0, 1.0)
            part = image[first:last]
            part[:, columns] = part[:, left] * (1.0 - share) + part[:, right] * share
            mask[first:last, columns] = True
    return lines


def _columns_that_stand_out(level: np.ndarray, noise: float) -> list[tuple[int, int, np.ndarray]] | None:
    """Return stretches of rows and the columns that differ there from those two beside them; None where none does."""
    rows, columns = level.shape
    edges = np.linspace(0, rows, max(1, rows // _STRETCH) + 1).astype(int)
    # Some of the rows first, each bounded so that a star counts for no more than its rows: it costs little.
    step = max(1, (rows // (edges.size - 1)) // _SAMPLED_ROWS)
    some = level[::step]
    excess = some[:, 2:-2] - np.float32(0.5) * (some[:, :-4] + some[:, 4:])
    np.clip(excess, -_MOST_SIGMA * noise, _MOST_SIGMA * noise, out=excess)
    starts = -(-edges[:-1] // step)
    count = np.diff(np.append(starts, len(some)))[:, None]
    likely = np.abs(np.add.reduceat(excess, starts, axis=0)) > _LINE_SIGMA * noise * count
    stands = np.zeros((edges.size - 1, columns), bool)
    for k in np.flatnonzero(likely.any(axis=1)):
        seen = np.flatnonzero(likely[k]) + 2
        part = level[edges[k] : edges[k + 1]][:, seen[:, None] + np.arange(-2, 3)]
        height = np.abs(np.median(part[:, :, 2], axis=0))
        excess = np.abs(np.median(part[:, :, 2] - 0.5 * (part[:, :, 0] + part[:, :, 4]), axis=0))
        stands[k, seen[(excess > _LINE_SIGMA * noise) & (excess > 0.5 * height)]] = True
    if not stands.any():
        return None
    # A line ends somewhere in the next stretch.
    stands[:-1] |= stands[1:]
    stands[1:] |= stands[:-1].copy()
    found = [np.flatnonzero(line) for line in stands]
    return [(int(a), int(b), c) for (a, b), c in zip(pairwise(edges), found, strict=True) if 0 < c.size < columns - 2]
