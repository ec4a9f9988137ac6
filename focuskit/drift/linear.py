"""Weighted least squares with a free base per group, the extra scatter by REML, wild runs set aside.

The bases are projected out before the columns are solved, so the cost grows linearly with the number
of runs however many bases there are. Columns are scaled to one length, and what the data cannot tell
apart is found from their singular values, not guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from focuskit.core.errors import FocuskitError

Array = NDArray[np.float64]

# A direction of the scaled columns shorter than this, relative to the longest, is not determined.
UNDETERMINED = 1e-13
# A column whose spread within the groups is below this part of its size is constant.
CONSTANT = 1e-12
# A run this many standard errors off is wild: in 1 of 2150 sound runs by chance.
WILD_SIGMA = 3.5
_WILD_TAIL = float(stats.norm.sf(WILD_SIGMA))
# What is left of the variance of a normal distribution cut at ±WILD_SIGMA.
_CUT_VARIANCE = 1.0 - 2.0 * WILD_SIGMA * float(stats.norm.pdf(WILD_SIGMA)) / (1.0 - 2.0 * _WILD_TAIL)


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
        Sum of squared residuals over their variances.
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
        if lost > 1e-7 * max(float(np.linalg.norm(scaled)), 1e-300):
            return math.nan, math.nan
        return value, variance + float(direction @ self.covariance @ direction)


def fit_grouped(
    columns: Array,
    y: Array,
    variance: Array,
    group: NDArray[np.intp],
    block: NDArray[np.intp] | None = None,
    block_variance: float = 0.0,
) -> GroupedFit:
    """Fit y = base[group] + columns · coefficients by generalised least squares.

    Parameters
    ----------
    columns : (n, p) array
    y, variance : (n,) arrays
        The variances are taken as they are, not rescaled.
    group : (n,) integers
        0 to g - 1, each at least once.
    block : (n,) integers, optional
        Runs that share one random shift of variance ``block_variance`` (a night); a block lies
        within one group.
    """
    n, p = columns.shape
    if not (len(y) == len(variance) == len(group) == n):
        raise FocuskitError("columns, y, variance and group differ in length: give one value per run")
    root = 1.0 / np.sqrt(variance)
    ones = root
    white = root[:, None] * columns
    target = root * y
    if block is not None and block_variance > 0.0:
        weight = np.bincount(block, root**2)
        shrink = 1.0 - 1.0 / np.sqrt(1.0 + block_variance * weight)
        ones = root * (1.0 - shrink[block])
        target = target - root * (shrink * np.bincount(block, root * target) / weight)[block]
        for j in range(p):
            white[:, j] -= root * (shrink * np.bincount(block, root * white[:, j]) / weight)[block]

    base_weight = np.asarray(np.bincount(group, ones**2), dtype=float)

    def project(values: Array) -> tuple[Array, Array]:
        mean = np.bincount(group, ones * values) / base_weight
        left = values - ones * mean[group]
        # a second pass removes what rounding left of a large mean
        rest = np.bincount(group, ones * left) / base_weight
        return left - ones * rest[group], mean + rest

    design = np.empty((n, p))
    centre = np.empty((len(base_weight), p))
    for j in range(p):
        design[:, j], centre[:, j] = project(white[:, j])
    size, length = np.linalg.norm(white, axis=0), np.linalg.norm(design, axis=0)
    constant = length <= CONSTANT * np.maximum(size, 1e-300)
    design[:, constant] = 0.0
    scale = np.where(constant, np.maximum(size, 1.0), length)
    design /= scale
    u, singular, vt = np.linalg.svd(design, full_matrices=False)
    known = singular > UNDETERMINED * max(float(singular.max(initial=0.0)), 1e-300)
    direct, inverse = u[:, known], vt[known].T / singular[known]
    left, mean = project(target)
    coefficients = inverse @ (direct.T @ left) / scale
    bases = mean - centre @ coefficients
    residuals = y - bases[group] - columns @ coefficients
    half = inverse / scale[:, None]
    return GroupedFit(
        coefficients=coefficients,
        covariance=half @ half.T,
        undetermined=vt[~known].T,
        scale=scale,
        bases=bases,
        base_weight=base_weight,
        centre=centre,
        residuals=residuals,
        leverage=ones**2 / base_weight[group] + np.sum(direct**2, axis=1),
        log_determinant=float(
            np.sum(np.log(base_weight)) + 2.0 * np.sum(np.log(singular[known])) + 2.0 * np.sum(np.log(scale[~constant]))
        ),
        chi2=float(np.sum((target - ones * bases[group] - white @ coefficients) ** 2)),
    )


@dataclass(frozen=True)
class SoundRuns:
    """Which runs a robust fit rests on, and how far the sound ones scatter.

    Attributes
    ----------
    sound : (n,) booleans
        False for the wild runs that were set aside.
    extra_variance : float
        Variance to be added to the runs' own, from the sound runs.
    degrees : float
        Degrees of freedom the scatter rests on.
    fit : GroupedFit
        In it wild runs weigh next to nothing.
    """

    sound: NDArray[np.bool_]
    extra_variance: float
    degrees: float
    fit: GroupedFit


def weigh_down(variance: Array, sound: NDArray[np.bool_]) -> Array:
    """Return the variances with those of wild runs so large that they bear on nothing else."""
    return np.where(sound, variance, 1e12 * float(np.max(variance, initial=1e-12)))


def fit_absolute(columns: Array, y: Array, group: NDArray[np.intp]) -> GroupedFit:
    """Fit by least absolute residuals, which wild runs hardly pull (reweighted least squares)."""
    fit = fit_grouped(columns, y, np.ones(len(y)), group)
    for _ in range(30):
        size = np.abs(fit.residuals)
        floor = 1e-2 * float(np.mean(size)) + 1e-12
        new = fit_grouped(columns, y, np.maximum(size, floor), group)
        moved = float(np.max(np.abs(new.residuals - fit.residuals), initial=0.0))
        fit = new
        if moved < 0.02 * floor:
            break
    return fit


def robust_scale(residuals: Array, parameters: float = 0.0) -> float:
    """Standard deviation from the median size of the residuals, corrected for the parameters fitted."""
    n = len(residuals)
    inflation = math.sqrt(n / max(n - parameters, 1.0))
    return 1.482602218505602 * float(np.median(np.abs(residuals))) * inflation


def extra_variance(residuals: Array, known: Array, degrees: float) -> float:
    """Variance on top of ``known`` that brings chi-squared to ``degrees`` (Mandel & Paule 1970)."""

    def excess(extra: float) -> float:
        return float(np.sum(residuals**2 / (known + extra))) - degrees

    if degrees <= 0.0:
        return 0.0
    top = float(np.sum(residuals**2)) / degrees
    least = 1e-12 * max(top, 1e-300)
    if top == 0.0 or excess(least) <= 0.0:
        return 0.0
    return float(optimize.brentq(excess, least, top * (1.0 + 1e-9), rtol=1e-10))


def find_sound(
    columns: Array, y: Array, known: Array, group: NDArray[np.intp], sound: NDArray[np.bool_] | None = None
) -> SoundRuns:
    """Set wild runs aside: those more than 3.5 standard errors off the fit to all others.

    Parameters
    ----------
    columns, y, group
        As for `fit_grouped`.
    known : (n,) array
        The runs' own variances, 0 where the scatter has to tell.
    sound : (n,) booleans, optional
        Where to start; by default from a fit of least absolute residuals.
    """
    floor = 1e-9 * max(float(np.ptp(y)), 1e-3) ** 2
    if sound is None:
        start = fit_absolute(columns, y, group)
        scale = max(robust_scale(start.residuals, start.rank), math.sqrt(floor))
        variance = scale**2 + known
        sound = _recentre(start.residuals, variance, columns) ** 2 <= 4.5**2 * variance
        extra = scale**2
    else:
        extra = floor + float(np.median(known))
    seen: set[bytes] = set()
    while sound.tobytes() not in seen:
        seen.add(sound.tobytes())
        kept = sound
        for _ in range(2):
            own = np.maximum(known + extra, floor)
            used = weigh_down(own, kept)
            fit = fit_grouped(columns, y, used, group)
            degrees = float(np.sum(kept) - np.sum(fit.leverage[kept]))
            extra = extra_variance(fit.residuals[kept], known[kept], _CUT_VARIANCE * degrees)
        own = np.maximum(known + extra, floor)
        predicted = fit.leverage * used
        limit = float(stats.t.isf(_WILD_TAIL, max(degrees, 1.0)))
        sound = fit.residuals**2 <= limit**2 * np.where(kept, own - predicted, own + predicted)
        # the only sound run of a filter fits exactly: nothing speaks against it
        sound |= kept & (fit.leverage > 1.0 - 1e-6)
    return SoundRuns(kept, extra, max(degrees, 0.0), fit)


def _recentre(residuals: Array, variance: Array, columns: Array) -> Array:
    """Shift the residuals of each filter to where most of its runs agree.

    Half a filter's runs may be wild, and its median with them: the shift of least total cost, each
    run costing at most what a wild one does, is not misled.
    """
    left = residuals.copy()
    for column in columns.T:
        member = np.flatnonzero(column == 1.0)
        if len(member) < 3 or np.any((column != 0.0) & (column != 1.0)):
            continue
        own = left[member]
        shifts = np.append(np.quantile(own, np.linspace(0.0, 1.0, min(len(own), 60)), method="nearest"), 0.0)
        off = (own[:, None] - shifts) ** 2 / variance[member][:, None]
        cost = np.minimum(off, WILD_SIGMA**2).sum(axis=0)
        if cost.min() < cost[-1] - WILD_SIGMA**2:
            left[member] -= shifts[cost.argmin()]
    return left
