"""How much of the scatter comes with each run, and how much with each night; fits averaged over what is open.

A season is fitted with one variance σ² of the runs and shifts from night to night of variance (r σ)². The
ratio r is not chosen: each on a grid has its own generalised least squares, weighed by its restricted
likelihood (Patterson & Thompson 1971) and the prior. Given r, the posterior of a coefficient is Student's t
(σ² integrated with the prior 1/σ²), so what is quoted comes from a mixture of these. With few nights the
shifts hardly show, and the error rests on the prior.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from types import MappingProxyType

import numpy as np
from scipy import optimize, special

from focuskit.core.statistics import as_sigma
from focuskit.drift.linear import Array, GroupedFit, correct_for_noise, fit_grouped, scan_shifts, sum_by
from focuskit.drift.outliers import extra_variance
from focuskit.drift.season import Season

# Prior of the ratio r: no shifts at all with this probability, else ln r is normal about ln 2 with a standard deviation
# of 0.7, two thirds between 1 and 4. Chosen among about fifteen on the seasons that follow: shifts below half a scatter
# change an error no more than none, so a prior that spends itself there (half-Cauchy) makes errors too large without
# shifts and too small with them. In 200 seasons a row of 6 or 8 nights, with the model known, one error covers 68 to
# 72 % in place of 70 to 73 % without shifts, and 64 to 68 % in place of 60 to 64 % with shifts of one scatter. With
# 0.35 for 0.42 one error covers 2 % more where there are no shifts, with 0.5 two errors cover 1 % less where there are.
NO_SHIFTS, MIDDLE_RATIO, SPREAD_OF_LOG_RATIO = 0.42, 2.0, 0.7
# Ratios below the first hardly change an error, beyond the last each night stands alone; 12 of them, 1.6 times apart,
# then again as many where the likelihood is (chosen: 24 fits; twice as many change errors by less than 1 %).
_RATIOS = np.geomspace(0.3, 60.0, 12)
SHIFT_RATIOS = np.append(0.0, _RATIOS)
# Walks, in scatters of a typical run per root of an hour: below the first they hardly change an error, beyond the last
# runs an hour apart share nothing; a factor of two between them (chosen).
_WALKS = np.geomspace(0.1, 12.8, 8)
# Prior: no walk with this probability, else as for the shifts (chosen: a season of 20 nights shows a walk of a third of
# the scatter in an hour, and errors of 25 plain seasons grow by 0.03 % only).
NO_WALK = 0.9
# What a walk must gain in -2 log likelihood where one size of it is taken: as `MARGIN` of the models.
WALK_SHOWS = 10.0
# Ratios of less weight than this part of the highest add nothing to the average.
NEGLIGIBLE = 1e-4
# About twice the log of it: where -2 log likelihood has grown by so much, no larger walk is tried.
_FALLEN = 20.0
# With less of its variance true, a temperature is not corrected further (chosen: beyond it the error of the
# correction is as large as the correction).
LEAST_RELIABLE = 0.4
# The quoted error is the geometric mean of the half width that contains 68 % and of that which contains 95 % over
# 1.96: few nights leave long tails, and neither alone makes both one and two errors cover what they should.
_TWO_SIDED = 1.96
NONE_OPTIONAL: Mapping[int, float] = MappingProxyType({})
_SHARES = [float(special.ndtr(times) - special.ndtr(-times)) for times in (1.0, _TWO_SIDED)]


@dataclass(frozen=True)
class AveragedFit:
    """Fits of one season with shifts of the nights of different size, and the weight of each.

    Attributes
    ----------
    fits : tuple of GroupedFit
        Their covariances are in steps², scatter included.
    weight : (m,) array
        Posterior probability of each.
    shift, walk, scale : (m,) arrays
        Variance of the shifts in each, that of the walk per hour, and that of single runs in units of those that it
        was given.
    degrees : float
        Degrees of freedom of the scatter of single runs; 0 where the variances are taken as known.
    log_evidence : float
        Log of the restricted likelihood, averaged over all, up to a constant of the season.
    """

    fits: tuple[GroupedFit, ...]
    weight: Array
    shift: Array
    walk: Array
    scale: Array
    degrees: float
    log_evidence: float = 0.0

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

    @property
    def walk_shown(self) -> float:
        """Posterior probability that there is a walk."""
        return float(self.weight[self.walk > 0.0].sum())

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
    """A fit with shifts and a walk of one size: ``scale`` is σ² in units of the variances it was given."""

    solve: Callable[[], GroupedFit]
    rank: int
    chi2: float
    shift: float
    walk: float
    scale: float
    restricted: float
    deviance: float

    @cached_property
    def fit(self) -> GroupedFit:
        """The fit itself, made when first asked for."""
        return self.solve()


def run_variance(season: Season, columns: Array) -> float:
    """Extra variance of single runs on top of their own, from the scatter within nights.

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


def try_shifts(
    season: Season,
    columns: Array,
    variance: Array,
    shifts: Array,
    floor: float = 0.0,
    scale: float | None = None,
    walk: float = 0.0,
) -> list[Trial]:
    """Fit with shifts of each of (m,) variances.

    Parameters
    ----------
    variance : (n,) array
        Of single runs, but for one scale.
    floor : float
        The scale is fitted, and this at least.
    scale : float, optional
        What it is taken as instead.
    walk : float
        Variance that focus gains per hour of a night by a random walk, but for the same scale.
    """
    n, gained, group, block = len(variance), walk * season.hours_since, season.stretch, season.block
    solve = partial(fit_grouped, columns, season.position, variance, group, block, walk=gained)
    level = solve()
    scanned = scan_shifts(level, group, block, shifts)
    free, trials = n - level.rank, []
    for shift, chi2, log_determinant, log_variance in zip(shifts.tolist(), *(x.tolist() for x in scanned), strict=True):
        scales = [max(chi2 / of, floor, 1e-100) if free > 0 else 1.0 for of in (n, max(free, 1))]
        scales = scales if scale is None else [scale, scale]
        full, restricted = (log_variance + of * math.log(s) + chi2 / s for of, s in zip((n, free), scales, strict=True))
        one = partial(solve, block_variance=shift)
        trials.append(Trial(one, level.rank, chi2, shift, walk, scales[1], restricted + log_determinant, full))
    return trials


def try_shift(
    season: Season, columns: Array, variance: Array, shift: float, scale: float | None = None, walk: float = 0.0
) -> Trial:
    """Fit with shifts of one variance; see `try_shifts`."""
    return try_shifts(season, columns, variance, np.array([shift]), scale=scale, walk=walk)[0]


def highest(
    season: Season,
    columns: Array,
    variance: Array,
    floor: float = 0.0,
    scale: float | None = None,
    shifts: bool = True,
    walk: float = 0.0,
) -> Trial:
    """Return the trial of the highest likelihood on the grid of ratios; see `try_shifts`."""
    ratios = SHIFT_RATIOS if shifts else np.zeros(1)
    trials = try_shifts(season, columns, variance, np.median(variance) * ratios**2, floor, scale, walk)
    return min(trials, key=lambda one: round(one.deviance, 5))


def likely_walk(season: Season, columns: Array, variance: Array, floor: float = 0.0) -> float:
    """Return the walk (variance per hour) of the highest restricted likelihood, 0 where it does not show."""
    found = _table(season, columns, variance, floor, SHIFT_RATIOS, np.append(0.0, _WALKS))
    best = [min(trial.restricted for trial in trials) for trials in found]
    at = int(np.argmin(best))
    return found[at][0].walk if best[at] < best[0] - WALK_SHOWS else 0.0


def _table(
    season: Season, columns: Array, variance: Array, floor: float, ratios: Array, walks: Array
) -> list[list[Trial]]:
    """Try all shifts with ascending walks, until the likelihood has fallen for good."""
    typical, table, best = float(np.median(variance)), [], math.inf
    for walk in walks.tolist() if season.hours_since.any() else [0.0]:
        trials = try_shifts(season, columns, variance, typical * ratios**2, floor, walk=typical * walk**2)
        table.append(trials)
        least = min(trial.restricted for trial in trials)
        best = min(best, least)
        if least > best + _FALLEN:
            break
    return table


def _prior(ratios: Array, none: float) -> Array:
    """Probability of each ratio of a grid that is even in log r but for the first, which is 0."""
    off = np.log(ratios[1:] / MIDDLE_RATIO) / SPREAD_OF_LOG_RATIO
    step = math.log(ratios[2] / ratios[1]) / SPREAD_OF_LOG_RATIO
    return np.append(none, (1.0 - none) * step * np.exp(-0.5 * off**2) / math.sqrt(2.0 * math.pi))


def average_shifts(
    season: Season,
    columns: Array,
    variance: Array,
    floor: float = 0.0,
    noise_c2: float = 0.0,
    optional: Mapping[int, float] = NONE_OPTIONAL,
    within: int | None = None,
) -> AveragedFit:
    """Fit a season with shifts of the nights and walks within them of all sizes and weigh them.

    Parameters
    ----------
    variance : (n,) array
        Of single runs, but for one scale, which is fitted and ``floor`` at least.
    noise_c2 : float
        Variance of the errors of the temperatures, whose column follows those of the filters.
    optional : mapping of int to float
        Columns that the model may have or not, and the prior odds of each per unit of its coefficient: fits without
        them are weighed as well.
    within : int, optional
        Which of them is the temperature less its mean of the night: errors of single temperatures are its matter.
    """
    parts, log_weight = [], []
    for chosen in itertools.product((True, False), repeat=len(optional)):
        out = [place for place, there in zip(optional, chosen, strict=True) if not there]
        noise = noise_c2 if within is None or within in out else 0.0
        part = _average(season, np.delete(columns, out, axis=1), variance, floor, noise)
        fits = part.fits
        for place in sorted(out):
            fits = tuple(_with_none(fit, place) for fit in fits)
        parts.append(replace(part, fits=fits))
        log_weight.append(part.log_evidence + sum(math.log(odds) for p, odds in optional.items() if p not in out))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    return AveragedFit(
        fits=tuple(fit for part in parts for fit in part.fits),
        weight=np.concatenate([w * part.weight for w, part in zip(weight / weight.sum(), parts, strict=True)]),
        shift=np.concatenate([part.shift for part in parts]),
        walk=np.concatenate([part.walk for part in parts]),
        scale=np.concatenate([part.scale for part in parts]),
        degrees=parts[0].degrees,
        log_evidence=max(log_weight),
    )


def _with_none(fit: GroupedFit, place: int) -> GroupedFit:
    """Give a fit one more coefficient, which is 0."""
    covariance = np.insert(np.insert(fit.covariance, place, 0.0, axis=0), place, 0.0, axis=1)
    return replace(
        fit,
        coefficients=np.insert(fit.coefficients, place, 0.0),
        covariance=covariance,
        undetermined=np.insert(fit.undetermined, place, 0.0, axis=0),
        scale=np.insert(fit.scale, place, 1.0),
        centre=np.insert(fit.centre, place, 0.0, axis=1),
    )


def _average(season: Season, columns: Array, variance: Array, floor: float, noise_c2: float) -> AveragedFit:
    """Weigh shifts and walks of all sizes; see `average_shifts`."""

    def weigh(ratios: Array, walks: Array) -> tuple[list[list[Trial]], Array]:
        table = _table(season, columns, variance, floor, ratios, walks)
        prior = np.outer(_prior(np.append(0.0, _WALKS), NO_WALK)[: len(table)], _prior(ratios, NO_SHIFTS))
        return table, np.log(prior) - 0.5 * np.array([[trial.restricted for trial in row] for row in table])

    walks = np.append(0.0, _WALKS)
    table, log_weight = weigh(SHIFT_RATIOS, walks)
    likely = np.exp(log_weight - log_weight.max()).sum(axis=0)
    bearing = np.flatnonzero(likely[1:] > NEGLIGIBLE * likely.max())
    if 0 < len(bearing) < len(_RATIOS) // 2:
        low, high = _RATIOS[max(bearing[0] - 1, 0)], _RATIOS[min(bearing[-1] + 1, len(_RATIOS) - 1)]
        table, log_weight = weigh(np.append(0.0, np.geomspace(low, high, len(_RATIOS))), walks)
    weight = np.exp(log_weight - log_weight.max())
    log_evidence = float(log_weight.max() + np.log(weight.sum()))
    kept = np.argwhere(weight > NEGLIGIBLE)
    trials = [table[i][j] for i, j in kept.tolist()]
    weight = weight[tuple(kept.T)]
    free = len(variance) - trials[0].rank
    fits = tuple(_finished(season, columns, variance, trial, noise_c2) for trial in trials)
    scale = np.array([trial.scale for trial in trials])
    shift, walk = (scale * np.array([getattr(trial, name) for trial in trials]) for name in ("shift", "walk"))
    return AveragedFit(fits, weight / weight.sum(), shift, walk, scale, float(max(free, 0)), log_evidence)


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
