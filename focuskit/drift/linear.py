"""Generalised least squares with a free base per group and, on wish, a random shift per block.

The bases are projected out before the columns are solved, so the cost grows linearly with the number
of runs however many bases there are. Columns are scaled to one length, and what the data cannot tell
apart is found from their singular values, not guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError

Array = NDArray[np.float64]
Integers = NDArray[np.intp]

# A direction of the scaled columns shorter than this, relative to the longest, is not determined: some
# hundred times the rounding of double precision, and far below the 1e-6 that outliers are weighed down to.
UNDETERMINED = 1e-13
# A column whose spread within the groups is below this part of its size is constant: rounding of the mean.
CONSTANT = 1e-12
# A combination may lie by this much, relative to its length, along what is not determined: half the digits.
_LOST = 1e-7


@dataclass(frozen=True)
class GroupedFit:
    """A least-squares fit of y = base[group] + columns · coefficients.

    Attributes
    ----------
    coefficients : (p,) array
    covariance : (p, p) array
        Of the coefficients, from the variances given; directions that are not determined have none.
    undetermined : (p, q) array
        Orthonormal directions, in columns scaled by ``scale``, that the data do not determine.
    scale : (p,) array
    bases, base_weight : (g,) arrays
        Value of each group where all columns are zero, and the sum of weights it rests on.
    centre : (g, p) array
        Weighted means of the columns in each group.
    residuals, leverage : (n,) arrays
    log_determinant : float
        Log determinant of the information matrix, bases included.
    chi2 : float
        Sum of squared residuals over their variances, shared shifts counted.
    """

    coefficients: Array
    covariance: Array
    undetermined: Array
    scale: Array
    bases: Array
    base_weight: Array
    centre: Array
    residuals: Array
    leverage: Array
    log_determinant: float
    chi2: float

    @property
    def rank(self) -> int:
        """Number of parameters determined, bases included."""
        return len(self.bases) + len(self.coefficients) - self.undetermined.shape[1]

    def contrast(self, of_coefficients: Array, of_bases: Array | None = None) -> tuple[float, float]:
        """Value and variance of a linear combination of coefficients and bases.

        Returns
        -------
        value, variance : float
            Both NaN where the data do not determine the combination.
        """
        direction = np.asarray(of_coefficients, dtype=float)
        value, variance = float(direction @ self.coefficients), 0.0
        if of_bases is not None:
            value += float(of_bases @ self.bases)
            variance = float(np.sum(of_bases**2 / self.base_weight))
            direction = direction - of_bases @ self.centre
        scaled = direction / self.scale
        lost = float(np.linalg.norm(scaled @ self.undetermined))
        if lost > _LOST * max(float(np.linalg.norm(scaled)), 1e-300):
            return math.nan, math.nan
        return value, variance + float(direction @ self.covariance @ direction)

    def jump(self, group: int) -> tuple[float, float]:
        """Value and variance of the base of a group less that of the one before; NaN where not determined."""
        bases = np.zeros(len(self.bases))
        bases[group], bases[group - 1] = 1.0, -1.0
        return self.contrast(np.zeros(len(self.coefficients)), bases)


def correct_for_noise(fit: GroupedFit, columns: Array, group: Integers, column: int, reliability: float) -> GroupedFit:
    """Undo what errors of one column's values do to a fit: they draw its coefficient to zero.

    The coefficient is divided by the reliability, the part of the column's variance, given all other columns,
    that is true (Fuller 1987, Measurement Error Models, section 1.2; from memory); the others follow.
    """
    own = float(fit.covariance[column, column])
    if own <= 0.0 or reliability == 1.0:
        return fit
    along = fit.covariance[:, column] / own
    change = along * fit.coefficients[column] * (1.0 / reliability - 1.0)
    bases = fit.bases - fit.centre @ change
    moved = columns @ change - (fit.centre @ change)[group]
    return replace(
        fit,
        coefficients=fit.coefficients + change,
        covariance=fit.covariance + np.outer(along, along) * own * (reliability**-2.0 - 1.0),
        bases=bases,
        residuals=fit.residuals - moved,
    )


def sum_by(values: Array, index: Integers) -> Array:
    """Sum rows over each number of an ascending index that begins with 0 and leaves none out."""
    return np.add.reduceat(values, np.append(0, np.flatnonzero(index[1:] != index[:-1]) + 1), axis=0)


def fit_grouped(
    columns: Array,
    y: Array,
    variance: Array,
    group: Integers,
    block: Integers | None = None,
    block_variance: float = 0.0,
) -> GroupedFit:
    """Fit y = base[group] + columns · coefficients by generalised least squares.

    Parameters
    ----------
    columns : (n, p) array
    y, variance : (n,) arrays
        The variances are taken as they are, not rescaled.
    group : (n,) integers
        0 to g - 1, ascending, each at least once.
    block : (n,) integers, optional
        Likewise: runs that share one random shift of variance ``block_variance`` (a night); a block lies
        within one group.
    """
    if not (len(y) == len(variance) == len(group) == len(columns)):
        raise FocuskitError("columns, y, variance and group differ in length: give one value per run")
    rows = _whiten(np.column_stack([np.ones(len(y)), columns, y]), variance, block, block_variance)
    ones, white = rows[:, :1], rows[:, 1:]
    base_weight = sum_by(ones**2, group)
    mean = sum_by(ones * white, group) / base_weight
    left = white - ones * mean[group]
    # a second pass removes what rounding left of a large mean
    rest = sum_by(ones * left, group) / base_weight
    left, mean = left - ones * rest[group], mean + rest

    design, target, centre = left[:, :-1], left[:, -1], mean[:, :-1]
    size, length = np.linalg.norm(white[:, :-1], axis=0), np.linalg.norm(design, axis=0)
    constant = length <= CONSTANT * np.maximum(size, 1e-300)
    scale = np.where(constant, np.maximum(size, 1.0), length)
    # all directions of the columns are wanted, also where there are fewer runs than columns
    u, singular, vt = np.linalg.svd(np.where(constant, 0.0, design / scale), full_matrices=len(y) < len(scale))
    known = singular > UNDETERMINED * max(float(singular.max(initial=0.0)), 1e-300)
    used, unused = np.flatnonzero(known), np.append(np.flatnonzero(~known), np.arange(len(known), len(vt)))
    direct, inverse = u[:, used], vt[used].T / singular[used]
    half = inverse / scale[:, None]
    coefficients = inverse @ (direct.T @ target) / scale
    bases = mean[:, -1] - centre @ coefficients
    return GroupedFit(
        coefficients=coefficients,
        covariance=half @ half.T,
        undetermined=vt[unused].T,
        scale=scale,
        bases=bases,
        base_weight=base_weight[:, 0],
        centre=centre,
        residuals=y - bases[group] - columns @ coefficients,
        leverage=ones[:, 0] ** 2 / base_weight[group, 0] + np.sum(direct**2, axis=1),
        log_determinant=float(
            np.sum(np.log(base_weight)) + 2.0 * np.sum(np.log(singular[used])) + 2.0 * np.sum(np.log(scale[~constant]))
        ),
        chi2=float(np.sum((target - direct @ (direct.T @ target)) ** 2)),
    )


def _whiten(rows: Array, variance: Array, block: Integers | None, block_variance: float) -> Array:
    """Scale rows to unit variance, and take off the part of each block's mean that its shift explains."""
    root = 1.0 / np.sqrt(variance)[:, None]
    white = root * rows
    if block is None or block_variance <= 0.0:
        return white
    weight = sum_by(root**2, block)
    shrink = (1.0 - 1.0 / np.sqrt(1.0 + block_variance * weight)) / weight
    return white - root * (shrink * sum_by(root * white, block))[block]
