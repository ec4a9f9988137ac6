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
    white : (n, 2 + r) array
        The ones of the bases and the residuals, both brought to unit variance, and the determined columns as an
        orthonormal set with the bases taken out.
    log_determinant : float
        Log determinant of the information matrix, bases included.
    log_variance : float
        That of the covariance of the runs.
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
    white: Array
    log_determinant: float
    log_variance: float
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
    return np.add.reduceat(values, _firsts(index), axis=0)


def _firsts(index: Integers) -> Integers:
    """Return the place of the first of each number."""
    return np.concatenate([[0], np.flatnonzero(index[1:] != index[:-1]) + 1])


def fit_grouped(
    columns: Array,
    y: Array,
    variance: Array,
    group: Integers,
    block: Integers | None = None,
    block_variance: float = 0.0,
    walk: Array | None = None,
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
    walk : (n,) array, optional
        Variance that a random walk within the block gains from the run before to each run.
    """
    if not (len(y) == len(variance) == len(group) == len(columns)):
        raise FocuskitError("columns, y, variance and group differ in length: give one value per run")
    block = np.arange(len(y)) if block is None else block
    rows, log_variance = _whiten(np.column_stack([np.ones(len(y)), columns, y]), variance, block, walk)
    rows, log_shifts = _take_off_shifts(rows, block, block_variance)
    ones = rows[:, :1]
    left, mean, base_weight = _project_out_bases(ones, rows[:, 1:], group)
    target, centre = left[:, -1], mean[:, :-1]
    design, scale, constant = _to_one_length(left[:, :-1], rows[:, 1:-1])
    # all directions of the columns are wanted, also where there are fewer runs than columns
    u, singular, vt = np.linalg.svd(design, full_matrices=len(y) < len(scale))
    known = singular > UNDETERMINED * max(float(singular.max(initial=0.0)), 1e-300)
    used, unused = np.flatnonzero(known), np.append(np.flatnonzero(~known), np.arange(len(known), len(vt)))
    direct, half = u[:, used], vt[used].T / singular[used] / scale[:, None]
    along = direct.T @ target
    coefficients = half @ along
    bases = mean[:, -1] - centre @ coefficients
    left_over = target - direct @ along
    log_scales = np.sum(np.log(singular[used])) + np.sum(np.log(scale[~constant]))
    return GroupedFit(
        coefficients=coefficients,
        covariance=half @ half.T,
        undetermined=vt[unused].T,
        scale=scale,
        bases=bases,
        base_weight=base_weight,
        centre=centre,
        residuals=y - bases[group] - columns @ coefficients,
        leverage=ones[:, 0] ** 2 / base_weight[group] + np.sum(direct**2, axis=1),
        white=np.column_stack([ones, left_over, direct]),
        log_determinant=float(np.sum(np.log(base_weight)) + 2.0 * log_scales),
        log_variance=log_variance + log_shifts,
        chi2=float(np.sum(left_over**2)),
    )


def residuals_of(columns: Array, y: Array, variance: Array, group: Integers) -> Array:
    """Return the residuals of `fit_grouped` alone, which cost less."""
    rows = np.column_stack([np.ones(len(y)), columns, y]) / np.sqrt(variance)[:, None]
    left = _project_out_bases(rows[:, :1], rows[:, 1:], group)[0]
    design = _to_one_length(left[:, :-1], rows[:, 1:-1])[0]
    off: Array = left[:, -1] - design @ np.linalg.lstsq(design, left[:, -1], rcond=UNDETERMINED)[0]
    return off * np.sqrt(variance)


def _to_one_length(left: Array, before: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return columns scaled to one length, the scales, and which are constant but for rounding, and then 0.

    ``before`` are the columns with the bases still in them.
    """
    size, length = (np.sqrt(np.einsum("ij,ij->j", rows, rows)) for rows in (before, left))
    constant = length <= CONSTANT * np.maximum(size, 1e-300)
    scale = np.where(constant, np.maximum(size, 1.0), length)
    return np.where(constant, 0.0, left / scale), scale, constant


def _project_out_bases(ones: Array, white: Array, group: Integers) -> tuple[Array, Array, Array]:
    """Return whitened rows less the mean of their group, the means (g, c), and the weight of each group."""
    first = _firsts(group)
    weight = np.add.reduceat(ones**2, first, axis=0)
    mean = np.add.reduceat(ones * white, first, axis=0) / weight
    left = white - ones * mean[group]
    # a second pass removes what rounding left of a large mean
    rest = np.add.reduceat(ones * left, first, axis=0) / weight
    return left - ones * rest[group], mean + rest, weight[:, 0]


def _whiten(rows: Array, variance: Array, block: Integers, walk: Array | None) -> tuple[Array, float]:
    """Bring rows to unit variance, and return the log determinant of their covariance.

    A random walk is taken off by the innovations of a Kalman filter of one level (Harvey 1989, *Forecasting,
    Structural Time Series Models and the Kalman Filter*, section 3.2; from memory), all nights side by side.
    """
    if walk is None or not walk.any():
        return rows / np.sqrt(variance)[:, None], float(np.sum(np.log(variance)))
    first = _firsts(block)
    length = np.diff(np.append(first, len(rows)))
    white, spread = np.empty_like(rows), np.empty(len(rows))
    level, open_variance = np.zeros((len(first), rows.shape[1])), np.zeros(len(first))
    for number in range(int(length.max())):
        on = np.flatnonzero(length > number)
        at = first[on] + number
        ahead = open_variance[on] + walk[at]
        spread[at] = ahead + variance[at]
        off = rows[at] - level[on]
        white[at] = off / np.sqrt(spread[at])[:, None]
        level[on] += (ahead / spread[at])[:, None] * off
        open_variance[on] = ahead * variance[at] / spread[at]
    return white, float(np.sum(np.log(spread)))


def _take_off_shifts(white: Array, block: Integers, block_variance: float) -> tuple[Array, float]:
    """Take off the part of each block's mean that its shift explains; returns the log determinant that shifts add."""
    if block_variance <= 0.0:
        return white, 0.0
    own = white[:, :1]
    weight = sum_by(own**2, block)
    grown = 1.0 + block_variance * weight
    shrink = (1.0 - 1.0 / np.sqrt(grown)) / weight * sum_by(own * white, block)
    return white - own * shrink[block], float(np.sum(np.log(grown)))


def scan_shifts(
    fit: GroupedFit, group: Integers, block: Integers, block_variances: Array
) -> tuple[Array, Array, Array]:
    """Return chi-squared and both log determinants of `fit_grouped` for each size of the shifts, without the fits.

    In the orthonormal columns of the fit without shifts, all that a shift changes is a sum over blocks (Woodbury's
    identity), so that many sizes cost little more than one.

    Parameters
    ----------
    fit : GroupedFit
        Without shifts.
    block_variances : (m,) array

    Returns
    -------
    chi2, log_determinant, log_variance : (m,) arrays
    """
    own = fit.white[:, :1]
    first = _firsts(block)
    sums = sum_by(own * fit.white, block)
    weight, rest, columns = sums[:, 0], sums[:, 1], sums[:, 2:]
    # a block lies within one group, whose base has the unit column own / sqrt(base_weight)
    bases = (group[first][:, None] == np.arange(len(fit.bases))) * weight[:, None] / np.sqrt(fit.base_weight)
    along = np.hstack([bases, columns])
    grown = 1.0 + block_variances[:, None] * weight
    shrink = block_variances[:, None] / grown
    matrix = np.eye(along.shape[1]) - np.swapaxes(shrink[..., None] * along, 1, 2) @ along
    side = -(shrink * rest) @ along
    solved = np.linalg.solve(matrix, side[..., None])[..., 0]
    chi2 = fit.chi2 - shrink @ rest**2 - np.sum(side * solved, axis=1)
    log_determinant = fit.log_determinant + np.linalg.slogdet(matrix)[1]
    return np.maximum(chi2, 0.0), log_determinant, fit.log_variance + np.sum(np.log(grown), axis=1)
