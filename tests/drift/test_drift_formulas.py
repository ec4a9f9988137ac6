"""Likelihoods, penalties, errors and thresholds of the drift against formulas written out elsewhere."""

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.tools.eval_measures import aicc

from focuskit.core.logged import LoggedRun
from focuskit.drift import fit_drift
from focuskit.drift.checks import TIED, _is_tied
from focuskit.drift.linear import fit_grouped
from focuskit.drift.models import MARGIN, _margin, corrected_aic, weigh_models
from focuskit.drift.outliers import _CUT_VARIANCE, OUTLIER_SIGMA, extra_variance, find_sound
from focuskit.drift.rebuilds import OUTLIER_COST, _gain, cheapest_starts, penalty
from focuskit.drift.result import with_error
from focuskit.drift.scatter import deviance, likely_shift, split_scatter
from focuskit.drift.season import Season, Terms, columns_of

ONE_SIGMA = stats.norm.cdf(1.0)


def make(seed=1, nights=8, per_night=6, shift=3.0, scatter=2.0, jump_at=None, **more):
    """A season of three filters on one drift, with the runs' own errors and shifts of the nights."""
    rng = np.random.default_rng(seed)
    n = nights * per_night
    night = np.repeat(np.arange(nights), per_night)
    index = rng.integers(0, 3, n)
    celsius = rng.uniform(-5.0, 15.0, n)
    variance = rng.uniform(0.5, 2.0, n)
    position = 5000.0 + np.array([0.0, 14.0, 60.0])[index] - 6.5 * celsius
    position += rng.normal(0.0, np.sqrt(variance + scatter**2)) + shift * rng.normal(size=nights)[night]
    season = Season(
        time_s=1.9e9 + 86400.0 * night + 600.0 * np.arange(n),
        temperature_c=celsius,
        position=position,
        variance=variance,
        filter_index=index,
        filters=3,
        night=night,
        stretch=np.zeros(n, dtype=np.intp),
    )
    return replace(season.cut([] if jump_at is None else [jump_at]), **more)


def dense(season, columns, extra, shift):
    """Design, covariance and generalised least squares residuals, all as full matrices."""
    design = np.hstack([np.eye(season.stretch[-1] + 1)[season.stretch], columns])
    covariance = np.diag(season.variance + extra) + shift * (season.block[:, None] == season.block)
    solved = np.linalg.solve(covariance, design)
    beta = np.linalg.solve(design.T @ solved, solved.T @ season.position)
    return design, covariance, season.position - design @ beta


@pytest.mark.parametrize("shift", [0.0, 5.0])
@pytest.mark.parametrize("jump_at", [None, 20])
def test_deviance_is_that_of_a_multivariate_normal(shift, jump_at):
    season = make(jump_at=jump_at)
    columns = columns_of(season, Terms(5.0))
    design, covariance, residuals = dense(season, columns, 3.0, shift)
    n = len(residuals)
    density = stats.multivariate_normal(np.zeros(n), covariance).logpdf(residuals)
    full = deviance(season, columns, 3.0, shift)
    assert full + n * math.log(2.0 * math.pi) == pytest.approx(-2.0 * density, rel=1e-10)
    # Patterson & Thompson 1971: the log determinant of the information is added
    information = design.T @ np.linalg.solve(covariance, design)
    restricted = deviance(season, columns, 3.0, shift, restricted=True)
    assert restricted - full == pytest.approx(np.linalg.slogdet(information)[1], rel=1e-9)


def test_a_fit_with_shifts_is_generalised_least_squares():
    season = make(jump_at=20)
    columns = columns_of(season, Terms(5.0))
    design, covariance, residuals = dense(season, columns, 3.0, 5.0)
    gls = sm.GLS(season.position, design, sigma=covariance).fit(cov_type="fixed scale")
    fit = fit_grouped(columns, season.position, season.variance + 3.0, season.stretch, season.block, 5.0)
    assert fit.coefficients == pytest.approx(gls.params[2:], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(gls.bse[2:], rel=1e-9)
    assert fit.residuals == pytest.approx(residuals, abs=1e-8)
    assert fit.chi2 == pytest.approx(residuals @ np.linalg.solve(covariance, residuals), rel=1e-9)
    assert fit.rank == 5
    tested = gls.t_test([-1.0, 1.0, 0.0, 0.0, 0.0])
    assert fit.jump(1) == pytest.approx((float(tested.effect[0]), float(np.squeeze(tested.sd)) ** 2), rel=1e-9)


def test_leverage_is_the_diagonal_of_the_hat_matrix():
    season = make(jump_at=20)
    columns = columns_of(season, Terms(5.0))
    fit = fit_grouped(columns, season.position, season.variance, season.stretch)
    design = np.hstack([np.eye(2)[season.stretch], columns]) / np.sqrt(season.variance)[:, None]
    assert fit.leverage == pytest.approx(np.diag(design @ np.linalg.pinv(design)), rel=1e-9)


def test_fewer_runs_than_columns_leave_the_rest_undetermined():
    columns = np.random.default_rng(2).normal(size=(4, 6))
    fit = fit_grouped(columns, np.arange(4.0), np.ones(4), np.zeros(4, dtype=np.intp))
    assert fit.rank == 4
    assert fit.undetermined.shape == (6, 3)
    assert math.isnan(fit.contrast(np.eye(6)[0])[0])


@pytest.mark.parametrize("restricted", [False, True])
def test_scatter_and_shifts_are_where_the_likelihood_is_highest(restricted):
    season = make(nights=12)
    columns = columns_of(season, Terms(5.0))
    best = split_scatter(season, columns, 4.0, shifts=True, restricted=restricted)
    assert best.deviance == pytest.approx(deviance(season, columns, best.extra, best.shift, restricted), abs=1e-9)
    for extra, shift in [(0.9, 1.0), (1.1, 1.0), (1.0, 0.85), (1.0, 1.15)]:
        assert deviance(season, columns, extra * best.extra, shift * best.shift, restricted) > best.deviance
    alone = split_scatter(season, columns, 4.0, shifts=False, restricted=restricted)
    assert alone.shift == 0.0
    for factor in (0.95, 1.05):
        assert deviance(season, columns, factor * alone.extra, 0.0, restricted) > alone.deviance
    beside = likely_shift(season, columns, best.extra, restricted)
    assert beside.shift == pytest.approx(best.shift, rel=0.01)


def test_without_shifts_or_scatter_none_is_found():
    rng = np.random.default_rng(3)
    season = make(shift=0.0)
    columns = columns_of(season, Terms(5.0))
    flat = columns @ [14.0, 60.0, -6.5]
    quiet = replace(season, position=flat + rng.normal(0.0, 0.3 * np.sqrt(season.variance)))
    found = split_scatter(quiet, columns, 1.0, shifts=True)
    assert (found.extra, found.shift) == (0.0, 0.0)
    assert likely_shift(quiet, columns, 0.0).shift == 0.0


def test_restricted_variance_is_that_of_n_less_p():
    # for runs of one variance it is chi-squared over n - p, for the full likelihood over n
    season = make(shift=0.0, variance=np.zeros(48))
    columns = columns_of(season, Terms(5.0))
    ols = sm.OLS(season.position, np.column_stack([np.ones(48), columns])).fit()
    assert split_scatter(season, columns, 4.0, False, True).extra == pytest.approx(ols.ssr / 44.0, rel=1e-3)
    assert split_scatter(season, columns, 4.0, False, False).extra == pytest.approx(ols.ssr / 48.0, rel=1e-3)


@pytest.mark.parametrize("n, k", [(20, 3), (160, 9), (12, 10)])
def test_aicc_is_that_of_statsmodels(n, k):
    assert corrected_aic(100.0, k, n) == pytest.approx(aicc(-50.0, n, k), rel=1e-12)
    assert corrected_aic(100.0, n - 1, n) == math.inf


def test_models_are_weighed_by_aicc_of_the_highest_likelihood():
    season = make(shift=0.0)
    _, taken, weighed = weigh_models(season, 4.0, Terms(5.0))
    change = {one.name: one.aicc_change for one in weighed}

    def aicc_of(terms, parameters, shift=False):
        found = split_scatter(season, columns_of(season, terms), 4.0, shift, restricted=False)
        return aicc(-0.5 * found.deviance, 48, parameters)

    plain = aicc_of(Terms(5.0), 5)  # a base, two offsets, the drift, the scatter
    assert change["bend"] == pytest.approx(aicc_of(Terms(5.0, bend=(0.0, 0.0)), 6) - plain, abs=1e-3)
    assert change["own_coefficients"] == pytest.approx(aicc_of(Terms(5.0, own_drift=(0.0, 0.0)), 7) - plain, abs=1e-3)
    assert change["night_shifts"] == pytest.approx(aicc_of(Terms(5.0), 6, True) - plain, abs=1e-3)
    assert change["lag"] is None
    assert not taken
    # of a model with several parameters more, each beyond the first asks for 2 more
    assert (_margin(season, "bend"), _margin(season, "own_coefficients")) == (MARGIN, MARGIN + 2.0)


def test_own_drifts_and_bend_leave_the_drift_the_mean_over_the_runs():
    season = make(nights=40, shift=0.0, scatter=0.0, variance=np.full(240, 1e-4))
    warmth = season.temperature_c - 5.0
    bent = replace(season, position=season.position + 0.3 * warmth**2)
    terms, _, _ = weigh_models(bent, 1e-3, Terms(5.0))
    fit = fit_grouped(columns_of(bent, terms), bent.position, np.ones(240), bent.stretch)
    line = np.polynomial.Polynomial.fit(warmth, 0.3 * warmth**2, 1).convert().coef
    assert fit.coefficients[2] == pytest.approx(-6.5 + line[1], abs=0.1)
    assert fit.coefficients[-1] == pytest.approx(0.3, abs=0.01)
    own = columns_of(
        season, Terms(5.0, own_drift=tuple(np.bincount(season.filter_index)[1:] / sum(season.filter_index == 0)))
    )
    slopes = own[:, 3:] / np.where(warmth == 0.0, 1.0, warmth)[:, None]
    assert slopes.sum(axis=0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("degrees", [1.0, 3.0, 30.0])
def test_errors_are_half_widths_of_68_percent(degrees):
    value, err = with_error((5.0, 4.0), degrees)
    assert value == 5.0
    assert stats.t.cdf(err / 2.0, degrees) - stats.t.cdf(-err / 2.0, degrees) == pytest.approx(0.6827, abs=1e-4)
    assert with_error((5.0, 4.0), 1e9)[1] == pytest.approx(2.0, rel=1e-6)
    assert with_error((math.nan, math.nan), degrees) == (None, None)


def test_errors_of_few_runs_are_those_of_students_t():
    # nine runs, three filters: five degrees of freedom
    rng = np.random.default_rng(5)
    celsius, index = rng.uniform(-5.0, 10.0, 9), np.arange(9) % 3
    position = 5000.0 + 10.0 * index - 6.5 * celsius + rng.normal(0.0, 2.5, 9)
    start = datetime(2031, 3, 4, 20, tzinfo=UTC)
    runs = [
        LoggedRun(start + timedelta(hours=i), float(y), "LRG"[f], float(c))
        for i, (y, f, c) in enumerate(zip(position, index, celsius, strict=True))
    ]
    drift = fit_drift(runs)
    ols = sm.OLS(position, np.column_stack([np.eye(3)[index], celsius])).fit()
    assert len(drift.used) == 9
    assert drift.degrees == pytest.approx(5.0)
    assert drift.steps_per_c == pytest.approx(ols.params[-1], rel=1e-9)
    assert drift.steps_per_c_err == pytest.approx(ols.bse[-1] * stats.t.ppf(ONE_SIGMA, 5), rel=1e-3)
    assert drift.scatter_steps == pytest.approx(math.sqrt(ols.ssr / 5.0), rel=1e-9)
    red = ols.t_test([-1.0, 1.0, 0.0, 0.0])
    assert drift.filters[1].err == pytest.approx(float(np.squeeze(red.sd)) * stats.t.ppf(ONE_SIGMA, 5), rel=1e-3)
    value, err = drift.predict("R", 4.0)
    there = ols.t_test([0.0, 1.0, 0.0, 4.0])
    assert value == pytest.approx(float(there.effect[0]), rel=1e-9)
    assert err == pytest.approx(float(np.squeeze(there.sd)) * stats.t.ppf(ONE_SIGMA, 5), rel=1e-3)


# Outliers -------------------------------------------------------------------------------------


def test_extra_variance_brings_chi_squared_to_the_degrees():
    rng = np.random.default_rng(6)
    known = rng.uniform(0.5, 2.0, 50)
    residuals = rng.normal(0.0, 3.0, 50)
    extra = extra_variance(residuals, known, 44.0)
    assert np.sum(residuals**2 / (known + extra)) == pytest.approx(44.0, rel=1e-9)
    assert extra_variance(0.1 * residuals, known, 44.0) == 0.0
    assert extra_variance(residuals, known, 0.0) == 0.0


def test_the_variance_of_a_cut_normal_law():
    assert pytest.approx(stats.truncnorm.var(-OUTLIER_SIGMA, OUTLIER_SIGMA), rel=1e-9) == _CUT_VARIANCE


@pytest.mark.parametrize("sigmas, kept", [(3.3, True), (3.8, False), (-3.3, True), (-3.8, False)])
def test_an_outlier_is_beyond_three_and_a_half_standard_errors(sigmas, kept):
    # normal quantiles: as a sample of 400 runs without luck
    season = make(nights=40, per_night=10, shift=0.0, scatter=0.0, variance=np.zeros(400))
    columns = columns_of(season, Terms(5.0))
    noise = np.random.default_rng(7).permutation(stats.norm.ppf((np.arange(400) + 0.5) / 400.0))
    noise[123] = sigmas
    found = find_sound(replace(season, position=columns @ [14.0, 60.0, -6.5] + 2.0 * noise), columns)
    assert np.sum(~np.delete(found.sound, 123)) == 0
    assert found.sound[123] == kept
    squares = np.sum(found.fit.residuals[found.sound] ** 2)
    assert found.extra_variance == pytest.approx(squares / (found.degrees * _CUT_VARIANCE), rel=1e-6)
    assert found.degrees == pytest.approx(np.sum(found.sound) - 4.0)


# Rebuilds -------------------------------------------------------------------------------------


def test_the_penalty_of_a_jump():
    # one and a half outliers of 3.5 sigma, beyond 457 runs three log n
    assert penalty(160, 1e9) == pytest.approx(1.5 * 3.5**2, rel=1e-6)
    assert penalty(3000, 1e9) == pytest.approx(3.0 * math.log(3000.0), rel=1e-6)
    # with five degrees of freedom the same chance
    assert 2.0 * stats.t.sf(math.sqrt(penalty(160, 5.0)), 5.0) == pytest.approx(stats.chi2.sf(1.5 * 3.5**2, 1))


def test_the_gain_of_a_rebuild_is_its_squared_significance():
    # in one night, so that no shift of nights competes with it
    season = make(shift=0.0, night=np.zeros(48, dtype=np.intp), jump_at=24)
    season = replace(season, position=season.position + 7.0 * (season.stretch == 1))
    columns = columns_of(season, Terms(5.0))
    runs = find_sound(season, columns)
    assert np.all(runs.sound)
    fit = fit_grouped(columns, season.position, season.variance + runs.extra_variance, season.stretch)
    jump, variance = fit.jump(1)
    assert _gain(season, columns, runs, 24) == pytest.approx(jump**2 / variance, rel=1e-9)
    # two runs are too few for a stretch
    assert _gain(season.cut([46]), columns, runs, 46) == 0.0


@pytest.mark.parametrize("seed", range(6))
def test_stretches_of_least_cost_are_those_of_all_divisions(seed):
    rng = np.random.default_rng(seed)
    level = np.repeat([0.0, 6.0, -3.0], [3, 4, 2]) + rng.normal(0.0, 1.0, 9)
    level[rng.integers(9)] += 20.0
    toll = rng.uniform(4.0, 12.0, 9)
    levels = np.unique(np.round(level / 0.5)) * 0.5

    def cost(starts):
        parts = np.split(level, starts)
        own = [np.minimum((part[:, None] - levels) ** 2, OUTLIER_COST).sum(axis=0).min() for part in parts]
        return sum(own) + toll[list(starts)].sum()

    divisions = [c for k in range(9) for c in itertools.combinations(range(1, 9), k)]
    best = min(map(cost, divisions))
    assert cost(cheapest_starts(level, np.ones(9), toll)) == pytest.approx(best, abs=1e-9)


def test_an_offset_is_tied_beyond_twice_the_error_of_a_difference_of_means():
    drift = SimpleNamespace(scatter_steps=3.0, filters=[SimpleNamespace(runs=9)])
    limit = TIED * 3.0 * math.hypot(1.0 / math.sqrt(4.0), 1.0 / math.sqrt(9.0))
    assert [_is_tied(drift, err, 4) for err in (0.99 * limit, 1.01 * limit, None)] == [False, True, False]
