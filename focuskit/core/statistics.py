"""Small statistics that several rooms share."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import median_abs_deviation, norm, t

SEEN_SIGMA = 3.0


_MOST_SIGMAS = 37.0  # a chance below 1e-300


def robust_scatter(values: ArrayLike) -> float:
    """Return the standard deviation of a normal law with the median absolute deviation of the finite values.

    NaN without any finite value.
    """
    return float(median_abs_deviation(values, axis=None, scale="normal", nan_policy="omit"))


def as_sigma(chance: float) -> float:
    """Return a chance, told in standard deviations of a normal law, both sides counted."""
    return float(norm.isf(0.5 * chance)) if chance > 1e-300 else _MOST_SIGMAS


def student_sigma(ratio: float, freedom: float) -> float:
    """Return the significance of a value over an error that so many degrees of freedom tell."""
    return as_sigma(2.0 * float(t.sf(abs(ratio), freedom)))


def weighted_mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Return the weighted mean and its error, widened where the values differ by more than their errors."""
    value, weight = np.asarray(values, float), 1.0 / np.asarray(errors, float) ** 2
    mean = float(weight @ value / weight.sum())
    excess = float(weight @ (value - mean) ** 2) / max(value.size - 1, 1)
    return mean, math.sqrt(max(1.0, excess) / float(weight.sum()))
