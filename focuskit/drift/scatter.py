"""How much of the scatter comes with each run, and how much with each night; fits averaged over what is open.

A season is fitted with one variance σ² of the runs and shifts from night to night of variance (r σ)². The
ratio r is not chosen: each on a grid has its own generalised least squares, weighed by its restricted
likelihood (Patterson & Thompson 1971) and the prior. Given r, the posterior of a coefficient is Student's t
(σ² integrated with the prior 1/σ²), so what is quoted comes from a mixture of these. With few nights the
shifts hardly show, and the error rests on the prior.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import optimize, special, stats

from focuskit.core.statistics import as_sigma
from focuskit.drift.linear import Array, GroupedFit, correct_for_noise, fit_grouped, sum_by
from focuskit.drift.outliers import extra_variance
from focuskit.drift.season import Season

# Prior of the ratio r: no shifts at all with this probability, else half-Cauchy of scale 1, the weakly informative
# choice for a spread known from few groups (Gelman 2006, Bayesian Analysis 1, 515; from memory): half of the shifts
# that there are lie below the scatter of single runs, one in six above four times that. The share of none is chosen:
# with six nights it keeps the coverage at no shifts below 76 % and that of two errors at others above 91 %.
NO_SHIFTS = 0.35
# Ratios below the first hardly change an error, beyond the last each night stands alone; 12 steps of a factor 1.9,
# then again as many where the likelihood is (chosen: 24 fits; twice as many change errors by less than 1 %).
_RATIOS = np.geomspace(0.05, 50.0, 12)
# Ratios of less weight than this part of the highest add nothing to the average.
_NEGLIGIBLE = 1e-4
# Twice the log of it: larger ratios are not tried any more.
_FALLEN = 20.0
# With less of its variance true, a temperature is not corrected further (chosen: beyond it the error of the
# correction is as large as the correction).
LEAST_RELIABLE = 0.4
# The quoted error is the geometric mean of the half width that holds 68 % and of that which holds 95 % over 1.96:
# few nights leave long tails, and neither alone makes both one and two errors hold what they should.
_TWO_SIDED = 1.96
_SHARES = [float(stats.norm.cdf(times) - stats.norm.cdf(-times)) for times in (1.0, _TWO_SIDED)]


@dataclass(frozen=True)
class AveragedFit:
    """Fits of one season with shifts of the nights of different size, and the weight of each.

    Attributes
    ----------
    fits : tuple of GroupedFit
        Their covariances are in steps², scatter included.
    weight : (m,) array
        Posterior probability of each.
    shift, scale : (m,) arrays
        Variance of the shifts in each, and that of single runs in units of those that it was given.
    degrees : float
        Degrees of freedom of the scatter of single runs; 0 where the variances are taken as known.
    """

    fits: tuple[GroupedFit, ...]
    weight: Array
    shift: Array
    scale: Array
    degrees: float

    @property
    def likely(self) -> GroupedFit:
        """The fit of the highest weight."""
        return self.fits[int(np.argmax(self.weight))]

    @property
    def coefficients(self) -> Array:
        """Mean of the coefficients."""
        return self.weight @ np.array([fit.coefficients for fit in self.fits])

    @property
    def residuals(self) -> Array:
        """Residuals of the mean."""
        return self.weight @ np.array([fit.residuals for fit in self.fits])

    @property
    def typical_shift(self) -> float:
        """Median standard deviation of the shifts from night to night."""
        order = np.argsort(self.shift)
        at = np.searchsorted(np.cumsum(self.weight[order]), 0.5)
        return math.sqrt(float(self.shift[order][min(int(at), len(order) - 1)]))

    def contrast(self, of_coefficients: Array, of_bases: Array | None = None) -> tuple[float | None, float | None]:
        """Mean and quoted error of a combination; None where the runs do not determine it."""
        return self._summary([fit.contrast(of_coefficients, of_bases) for fit in self.fits])

    def jump(self, group: int) -> tuple[float | None, float | None]:
        """Base of a group less that of the one before, with its error, as `contrast`."""
        return self._summary([fit.jump(group) for fit in self.fits])

    def significance(self, of_coefficients: Array) -> float:
        """How far a combination is from zero, in standard deviations; 0 where it is not determined."""
        each = np.array([fit.contrast(of_coefficients) for fit in self.fits])
        if not np.all(each[:, 1] > 0.0):
            return 0.0
        scores = each[:, 0] / np.sqrt(each[:, 1])
        return as_sigma(2.0 * min(float(self.weight @ self._law(scores)), float(self.weight @ self._law(-scores))))

    def _summary(self, each: list[tuple[float, float]]) -> tuple[float | None, float | None]:
        means, spreads = np.array(each)[:, 0], np.sqrt(np.array(each)[:, 1])
        if not np.all(np.isfinite(means)):
            return None, None
        value = float(self.weight @ means)
        top = float(spreads.max(initial=0.0) + np.abs(means - value).max(initial=0.0))
        if top == 0.0:
            return value, 0.0
        spreads = np.maximum(spreads, 1e-9 * top)

        def half_width(share: float) -> float:
            def excess(width: float) -> float:
                inside = self._law((value + width - means) / spreads) - self._law((value - width - means) / spreads)
                return float(self.weight @ inside) - share

            far = top
            while excess(far) < 0.0:
                far *= 4.0
            return float(optimize.brentq(excess, 0.0, far, rtol=1e-6))

        return value, math.sqrt(half_width(_SHARES[0]) * half_width(_SHARES[1]) / _TWO_SIDED)

    def _law(self, scores: Array) -> Array:
        found: Array = special.stdtr(self.degrees, scores) if self.degrees > 0.0 else special.ndtr(scores)
        return found

    def draw(self, rng: np.random.Generator, draws: int) -> Array:
        """Draw (draws, p) coefficients from the mixture."""
        tail = np.sqrt(self.degrees / rng.chisquare(self.degrees, draws)) if self.degrees > 0.0 else np.ones(draws)
        which = rng.choice(len(self.fits), draws, p=self.weight)
        normal = rng.standard_normal((draws, len(self.fits[0].coefficients)))
        drawn = np.empty_like(normal)
        for number in np.unique(which):
            fit, mine = self.fits[number], which == number
            values, vectors = np.linalg.eigh(fit.covariance)
            spread = (normal[mine] * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
            drawn[mine] = fit.coefficients + spread * tail[mine, None]
        return drawn


@dataclass(frozen=True)
class Trial:
    """A fit with shifts of one size: ``scale`` is σ² in units of the variances it was given."""

    fit: GroupedFit
    shift: float
    scale: float
    restricted: float
    deviance: float


def run_variance(season: Season, columns: Array) -> float:
    """Extra variance of single runs beside their own, from the scatter within nights.

    Each night has a base of its own, so that shifts do not count; where that leaves fewer than half of the
    degrees of freedom, they do.
    """
    n = len(season.position)
    typical, extra = float(np.median(season.variance)), 0.0
    group = season.block if n - season.block[-1] - columns.shape[1] > n / 2 else season.stretch
    for _ in range(4):
        variance = season.variance + extra
        variance = variance if np.all(variance > 0.0) else np.full(n, typical or 1.0)
        fit = fit_grouped(columns, season.position, variance, group)
        before, extra = extra, extra_variance(fit.residuals, season.variance, float(n - fit.rank))
        if abs(extra - before) <= 1e-3 * (extra + typical):
            break
    return extra


def try_shift(
    season: Season, columns: Array, variance: Array, shift: float, floor: float = 0.0, scale: float | None = None
) -> Trial:
    """Fit with shifts of one variance.

    Parameters
    ----------
    variance : (n,) array
        Of single runs, but for one scale.
    floor : float
        The scale is fitted, and this at least.
    scale : float, optional
        What it is taken as instead.
    """
    block = season.block
    fit = fit_grouped(columns, season.position, variance, season.stretch, block, shift)
    n, free = len(variance), len(variance) - fit.rank
    spread = float(np.sum(np.log(variance)) + np.sum(np.log1p(shift * sum_by(1.0 / variance, block))))
    scales = [max(fit.chi2 / of, floor, 1e-300) if free > 0 else 1.0 for of in (n, max(free, 1))]
    scales = scales if scale is None else [scale, scale]
    full, restricted = (spread + of * math.log(s) + fit.chi2 / s for of, s in zip((n, free), scales, strict=True))
    return Trial(fit, shift, scales[1], restricted + fit.log_determinant, full)


def highest(
    season: Season,
    columns: Array,
    variance: Array,
    floor: float = 0.0,
    scale: float | None = None,
    shifts: bool = True,
) -> Trial:
    """Return the trial of the highest likelihood on the grid of ratios; see `try_shift`."""
    ratios = np.append(0.0, _RATIOS) if shifts else np.zeros(1)
    trials = _walk(season, columns, variance, ratios, "deviance", floor, scale)
    return min(trials, key=lambda one: round(one.deviance, 5))


def _walk(
    season: Season,
    columns: Array,
    variance: Array,
    ratios: Array,
    part: Literal["deviance", "restricted"],
    floor: float,
    scale: float | None = None,
) -> list[Trial]:
    """Try ascending ratios until the likelihood has fallen for good."""
    typical, trials, best = float(np.median(variance)), [], math.inf
    for ratio in ratios.tolist():
        trials.append(try_shift(season, columns, variance, typical * ratio**2, floor, scale))
        best = min(best, getattr(trials[-1], part))
        if getattr(trials[-1], part) > best + _FALLEN:
            break
    return trials


def average_shifts(
    season: Season, columns: Array, variance: Array, floor: float = 0.0, noise_c2: float = 0.0
) -> AveragedFit:
    """Fit a season with shifts of the nights of all sizes and weigh them.

    Parameters
    ----------
    variance : (n,) array
        Of single runs, but for one scale, which is fitted and ``floor`` at least.
    noise_c2 : float
        Variance of the errors of the temperatures, whose column follows those of the filters.
    """

    def weigh(ratios: Array) -> tuple[list[Trial], Array]:
        trials = _walk(season, columns, variance, ratios, "restricted", floor)
        ratios = ratios[: max(len(trials), 3)]
        # the grid is even in log r: an element of it has the density times r; the first is none at all
        step = math.log(ratios[2] / ratios[1])
        prior = np.append(NO_SHIFTS, (1.0 - NO_SHIFTS) * 2.0 / math.pi * ratios[1:] / (1.0 + ratios[1:] ** 2) * step)
        log_weight = np.log(prior[: len(trials)]) - 0.5 * np.array([trial.restricted for trial in trials])
        weight = np.exp(log_weight - log_weight.max())
        return trials, weight / weight.sum()

    ratios = np.append(0.0, _RATIOS)
    trials, weight = weigh(ratios)
    bearing = np.flatnonzero(weight[1:] > _NEGLIGIBLE * weight.max())
    if 0 < len(bearing) < len(_RATIOS) // 2:
        low, high = _RATIOS[max(bearing[0] - 1, 0)], _RATIOS[min(bearing[-1] + 1, len(_RATIOS) - 1)]
        trials, weight = weigh(np.append(0.0, np.geomspace(low, high, len(_RATIOS))))
    kept = np.flatnonzero(weight > _NEGLIGIBLE * weight.max())
    free = len(variance) - trials[0].fit.rank
    fits = tuple(_finished(season, columns, variance, trials[i], noise_c2) for i in kept.tolist())
    scale = np.array([trials[i].scale for i in kept])
    shift = scale * np.array([trials[i].shift for i in kept])
    return AveragedFit(fits, weight[kept] / weight[kept].sum(), shift, scale, float(max(free, 0)))


def _finished(season: Season, columns: Array, variance: Array, trial: Trial, noise_c2: float) -> GroupedFit:
    """Scale a fit to the scatter found, and correct it for errors of the temperatures."""
    place, fit = season.filters - 1, trial.fit
    share = noise_c2 * _precision(season, variance, trial.shift) * float(fit.covariance[place, place])
    fit = replace(fit, covariance=trial.scale * fit.covariance, base_weight=fit.base_weight / trial.scale)
    return correct_for_noise(fit, columns, season.stretch, place, max(1.0 - share, LEAST_RELIABLE))


def _precision(season: Season, variance: Array, shift: float) -> float:
    """Trace of the inverse covariance of a season, less what bases and other columns take up of it.

    Times the variance of errors of a column it is what they add to the squared length of the column.
    """
    weight = 1.0 / variance
    own = sum_by(weight, season.block)
    trace = float(np.sum(weight) - np.sum(shift * sum_by(weight**2, season.block) / (1.0 + shift * own)))
    return trace * max(1.0 - (season.stretch[-1] + season.filters) / len(variance), 0.0)
