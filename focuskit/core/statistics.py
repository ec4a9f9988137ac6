"""Small statistics that several rooms share.

Chances come from `scipy.special`: `scipy.stats` gives the same numbers, but half a second goes on importing it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, ndtri, stdtr

# From so many standard errors on an effect counts as seen. Chosen: of a night's dozen questions, one in thirty
# nights raises a false alarm (0.27 % each).
SEEN_SIGMA = 3.0
_NORMAL_MAD = 0.6744897501960817  # median absolute deviation of a normal law of unit width: Φ⁻¹(3/4)
_LEAST_CHANCE = 1e-300  # 37.07 standard deviations: smaller ones leave the range of floats


def robust_scatter(values: ArrayLike) -> float:
    """Return the standard deviation of a normal law with the median absolute deviation of the finite values.

    NaN without any finite value.
    """
    value = np.asarray(values, float)
    finite = value[np.isfinite(value)]
    # Not by scipy: its checks take ten times as long as the two medians.
    return float(np.median(np.abs(finite - np.median(finite)))) / _NORMAL_MAD if finite.size else math.nan


def median_of(values: Iterable[float | None]) -> float | None:
    """Return the median of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def as_sigma(chance: float) -> float:
    """Return a chance in standard deviations of a normal law, both sides counted; 37.07 at most."""
    return -float(ndtri(0.5 * max(chance, _LEAST_CHANCE)))


def student_sigma(ratio: float, freedom: float) -> float:
    """Return the significance of a value over its error, the error known to so many degrees of freedom."""
    return as_sigma(2.0 * float(stdtr(freedom, -abs(ratio))))


def chi2_chance(value: float, freedom: float) -> float:
    """Return the chance that χ² of so many degrees of freedom is above a value."""
    return float(chdtrc(freedom, max(value, 0.0)))


def f_chance(value: float, freedom: float, rest: float) -> float:
    """Return the chance that F of so many degrees of freedom, above and below the line, is above a value."""
    return float(fdtrc(freedom, rest, max(value, 0.0)))


def weighted_mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Return the weighted mean and its error, widened where the values differ by more than their errors.

    The error is 1/√Σw times √χ² reduced where that is above 1 (Birge 1932, Phys. Rev. 40, 207).
    """
    value, weight = np.asarray(values, float), 1.0 / np.asarray(errors, float) ** 2
    mean = float(weight @ value / weight.sum())
    excess = float(weight @ (value - mean) ** 2) / max(value.size - 1, 1)
    return mean, math.sqrt(max(1.0, excess) / float(weight.sum()))
