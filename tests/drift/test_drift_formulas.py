"""Likelihoods, penalties, errors and thresholds of the drift against formulas written out elsewhere."""

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.tools.eval_measures import aicc

from focuskit.core.logged import LoggedRun
from focuskit.drift import fit_drift
from focuskit.drift.checks import TIED, _is_tied
from focuskit.drift.linear import correct_for_noise, fit_grouped, scan_shifts
from focuskit.drift.models import MARGIN, Weighed, _margin, _night_shifts, corrected_aic, weigh_models
from focuskit.drift.others import find_followed
from focuskit.drift.outliers import _CUT_VARIANCE, OUTLIER_SIGMA, extra_variance, find_sound
from focuskit.drift.rebuilds import OUTLIER_COST, _pairs, cheapest_starts, gains_of, penalty
from focuskit.drift.scatter import NO_SHIFTS, AveragedFit, average_shifts, highest, run_variance, try_shift
from focuskit.drift.season import Season, Terms, columns_of, rounding_c

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
        since=np.column_stack([night - night[-1], np.arange(1.0 - n, 1.0)]),
    )
    return replace(season.cut([] if jump_at is None else [jump_at]), **more)


def dense(season, columns, extra, shift, walk=0.0):
    """Design, covariance and generalised least squares residuals, all as full matrices."""
    design = np.hstack([np.eye(season.stretch[-1] + 1)[season.stretch], columns])
    hours = (season.time_s - season.time_s[np.searchsorted(season.block, season.block)]) / 3600.0
    moved = shift + walk * np.minimum.outer(hours, hours)
    covariance = np.diag(season.variance + extra) + moved * (season.block[:, None] == season.block)
    solved = np.linalg.solve(covariance, design)
    beta = np.linalg.solve(design.T @ solved, solved.T @ season.position)
    return design, covariance, season.position - design @ beta


@pytest.mark.parametrize(("shift", "walk"), [(0.0, 0.0), (5.0, 0.0), (0.0, 2.0), (5.0, 2.0)])
@pytest.mark.parametrize("jump_at", [None, 20])
def test_deviance_is_that_of_a_multivariate_normal(shift, walk, jump_at):
    season = make(jump_at=jump_at)
    columns = columns_of(season, Terms(5.0))
    design, covariance, residuals = dense(season, columns, 3.0, shift, walk)
    n = len(residuals)
    density = stats.multivariate_normal(np.zeros(n), covariance).logpdf(residuals)
    trial = try_shift(season, columns, season.variance + 3.0, shift, scale=1.0, walk=walk)
    full = trial.deviance
    assert full + n * math.log(2.0 * math.pi) == pytest.approx(-2.0 * density, rel=1e-10)
    # Patterson & Thompson 1971: the log determinant of the information is added
    information = design.T @ np.linalg.solve(covariance, design)
    assert trial.restricted - full == pytest.approx(np.linalg.slogdet(information)[1], rel=1e-9)
    assert trial.fit.residuals == pytest.approx(residuals, abs=1e-8)
    covariance_of_all = np.linalg.inv(information)[-3:, -3:]
    assert trial.fit.covariance == pytest.approx(covariance_of_all, rel=1e-8)


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


def test_a_scan_of_shifts_gives_what_each_fit_gives():
    season = make(jump_at=20)
    columns = columns_of(season, Terms(5.0))
    # a column that is the sum of two others is not determined
    columns = np.column_stack([columns, columns[:, 0] + columns[:, 1]])
    parts, shifts = (season.stretch, season.block), np.array([0.0, 0.3, 5.0, 4e3])
    walk = 2.0 * season.hours_since

    def fits(columns):
        return [fit_grouped(columns, season.position, season.variance, *parts, shift, walk) for shift in shifts]

    each = fits(columns)
    chi2, determinant, variance = scan_shifts(each[0], *parts, shifts)
    assert chi2 == pytest.approx([fit.chi2 for fit in each], rel=1e-8)
    # without the direction that the data do not determine
    with_all = fits(columns[:, :3])
    expected = [fit.log_determinant - with_all[0].log_determinant for fit in with_all]
    assert determinant - determinant[0] == pytest.approx(expected, abs=1e-8)
    assert variance == pytest.approx([fit.log_variance for fit in each], rel=1e-10)


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


def test_the_scale_of_a_trial_is_the_most_likely():
    season = make()
    columns = columns_of(season, Terms(5.0))
    variance = season.variance + 4.0
    found = try_shift(season, columns, variance, 5.0)

    # in the restricted likelihood the scale counts n - p times: a base, two offsets and the drift are free
    for part, free in (("deviance", 48), ("restricted", 44)):
        least = found.fit.chi2 / free

        def at(scale, part=part):
            return getattr(try_shift(season, columns, variance, 5.0, scale=scale), part)

        assert getattr(found, part) == pytest.approx(at(least), abs=1e-9)
        assert min(at(0.95 * least), at(1.05 * least)) > at(least)
    assert found.scale == pytest.approx(found.fit.chi2 / 44.0)


def test_fits_are_weighed_as_by_integration_over_all_shifts():
    season = make(nights=4, per_night=4, shift=3.0)
    # runs of a night at once: no walk
    season = replace(season, time_s=season.night * 86400.0)
    columns = columns_of(season, Terms(5.0))
    variance = season.variance + 4.0
    found = average_shifts(season, columns, variance)
    typical = float(np.median(variance))

    def marginal(ratio):
        """Likelihood with bases, coefficients and scale integrated, from full matrices."""
        design, covariance, rest = dense(season, columns, 4.0, ratio**2 * typical)
        information = design.T @ np.linalg.solve(covariance, design)
        chi2 = rest @ np.linalg.solve(covariance, rest)
        logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
        beta = np.linalg.solve(information, design.T @ np.linalg.solve(covariance, season.position))
        return math.exp(-0.5 * (logs + 12.0 * math.log(chi2))), beta[-1]

    ratios = np.geomspace(1e-3, 1e3, 2001)
    # of the logarithm: the ratios are even in it
    prior = stats.norm.pdf(np.log(ratios), math.log(2.0), 0.7) * math.log(ratios[1] / ratios[0])
    each = np.array([marginal(r) for r in [0.0, *ratios]])
    weight = each[:, 0] * np.append(NO_SHIFTS, (1.0 - NO_SHIFTS) * prior)
    assert found.coefficients[-1] == pytest.approx(weight @ each[:, 1] / weight.sum(), abs=0.01)
    assert found.weight[found.shift == 0.0].sum() == pytest.approx(weight[0] / weight.sum(), rel=0.02)


@pytest.mark.parametrize("degrees", [3.0, 30.0])
def test_quoted_errors_lie_between_those_of_one_and_of_two(degrees):
    fit = SimpleNamespace(contrast=lambda *_: (5.0, 4.0), coefficients=np.zeros(1))
    value, err = AveragedFit((fit,), np.ones(1), np.zeros(1), np.zeros(1), np.ones(1), degrees).contrast(np.ones(1))
    assert value == 5.0
    one, two = stats.t.ppf(ONE_SIGMA, degrees), stats.t.ppf(stats.norm.cdf(1.96), degrees) / 1.96
    assert err == pytest.approx(2.0 * math.sqrt(one * two), rel=1e-4)
    two_fits = [SimpleNamespace(contrast=lambda *_, at=at: (at, 1.0)) for at in (0.0, 10.0)]
    value, err = AveragedFit(tuple(two_fits), np.array([0.5, 0.5]), np.zeros(2), np.zeros(2), np.ones(2), 0.0).contrast(
        np.ones(1)
    )
    assert value == 5.0
    # nearly all of either law lies within 5 ± 8; its 68 % half width is 5 + z with Φ(z) = 0.683
    ends = [5.0 + stats.norm.ppf(share) for share in (2.0 * ONE_SIGMA - 1.0, 2.0 * stats.norm.cdf(1.96) - 1.0)]
    assert err == pytest.approx(math.sqrt(ends[0] * ends[1] / 1.96), rel=1e-3)


def test_scatter_of_runs_is_that_within_nights():
    season = make(nights=12, variance=np.zeros(72))
    columns = columns_of(season, Terms(5.0))
    ols = sm.OLS(season.position, np.hstack([np.eye(12)[season.night], columns])).fit()
    assert run_variance(season, columns) == pytest.approx(ols.ssr / 57.0, rel=1e-3)
    # errors that explain the scatter leave nothing
    assert run_variance(replace(season, variance=np.full(72, 100.0)), columns) == 0.0
    # with one run a night the nights cannot be free
    alone = make(nights=20, per_night=1, variance=np.zeros(20), shift=0.0)
    columns = columns_of(alone, Terms(5.0))
    ols = sm.OLS(alone.position, np.column_stack([np.ones(20), columns])).fit()
    assert run_variance(alone, columns) == pytest.approx(ols.ssr / 16.0, rel=1e-3)


def test_a_noisy_temperature_is_corrected_as_with_moments():
    # Fuller 1987: the normal matrix less what the noise adds to it
    rng = np.random.default_rng(8)
    season = make(shift=0.0)
    columns = columns_of(season, Terms(5.0))
    columns[:, -1] += rng.normal(0.0, 2.0, 48)
    fit = fit_grouped(columns, season.position, season.variance, season.stretch)
    design = np.hstack([np.ones((48, 1)), columns])
    normal = design.T @ (design / season.variance[:, None])
    share = 0.3
    normal[-1, -1] -= share / fit.covariance[-1, -1]
    beta = np.linalg.solve(normal, design.T @ (season.position / season.variance))
    fixed = correct_for_noise(fit, columns, season.stretch, 2, 1.0 - share)
    assert np.append(fixed.bases, fixed.coefficients) == pytest.approx(beta, rel=1e-9)
    assert fixed.residuals == pytest.approx(season.position - design @ beta, abs=1e-8)
    assert fixed.covariance[-1, -1] == pytest.approx(fit.covariance[-1, -1] / 0.7**2)


def test_rounding_shows_by_values_that_repeat():
    celsius = np.random.default_rng(3).uniform(0.0, 9.0, 200)
    assert rounding_c(celsius) == 0.0
    assert rounding_c(np.round(celsius)) == 1.0
    assert rounding_c(np.round(celsius * 2.0) / 2.0) == 0.5
    # of Fahrenheit
    assert rounding_c((np.round(celsius * 1.8 + 32.0) - 32.0) / 1.8) == pytest.approx(5.0 / 9.0)
    assert rounding_c(np.linspace(0.0, 9.0, 10)) == 0.0


@pytest.mark.parametrize("n, k", [(20, 3), (160, 9), (12, 10)])
def test_aicc_is_that_of_statsmodels(n, k):
    assert corrected_aic(100.0, k, n) == pytest.approx(aicc(-50.0, n, k), rel=1e-12)
    assert corrected_aic(100.0, n - 1, n) == math.inf


def test_models_are_weighed_by_aicc_of_the_highest_likelihood():
    season = make(nights=12, per_night=4, shift=0.0)
    variance = season.variance + 4.0
    terms, weighed = weigh_models(season, variance, 0.0, Terms(5.0))
    change = {one.name: one.aicc_change for one in weighed}

    def aicc_of(terms, parameters, shifts=True):
        found = highest(season, columns_of(season, terms), variance, shifts=shifts)
        return aicc(-0.5 * found.deviance, 48, parameters)

    plain = aicc_of(Terms(5.0), 6)  # a base, two offsets, the drift, the scatter, the shifts
    assert change["bend"] == pytest.approx(aicc_of(Terms(5.0, bend=(0.0, 0.0)), 7) - plain, abs=1e-3)
    assert change["own_coefficients"] == pytest.approx(aicc_of(Terms(5.0, own_drift=(0.0, 0.0)), 8) - plain, abs=1e-3)
    assert change["slip"] == pytest.approx(aicc_of(Terms(5.0, creep="slip"), 7) - plain, abs=1e-3)
    assert change["night_shifts"] == pytest.approx(plain - aicc_of(Terms(5.0), 5, False), abs=1e-3)
    assert change["lag"] is None
    assert terms == Terms(5.0)
    # of a model with several parameters more, each beyond the first asks for 2 more
    assert (_margin(season, "bend"), _margin(season, "own_coefficients")) == (MARGIN, MARGIN + 2.0)


def test_own_drifts_and_bend_leave_the_drift_the_mean_over_the_runs():
    season = make(nights=40, shift=0.0, scatter=0.0, variance=np.full(240, 1e-4))
    warmth = season.temperature_c - 5.0
    bent = replace(season, position=season.position + 0.3 * warmth**2)
    terms, _ = weigh_models(bent, bent.variance, 0.0, Terms(5.0))
    fit = fit_grouped(columns_of(bent, terms), bent.position, np.ones(240), bent.stretch)
    line = np.polynomial.Polynomial.fit(warmth, 0.3 * warmth**2, 1).convert().coef
    assert fit.coefficients[2] == pytest.approx(-6.5 + line[1], abs=0.1)
    assert fit.coefficients[-1] == pytest.approx(0.3, abs=0.01)
    own = columns_of(
        season, Terms(5.0, own_drift=tuple(np.bincount(season.filter_index)[1:] / sum(season.filter_index == 0)))
    )
    slopes = own[:, 3:] / np.where(warmth == 0.0, 1.0, warmth)[:, None]
    assert slopes.sum(axis=0) == pytest.approx(0.0, abs=1e-9)


def test_errors_of_few_runs_are_those_of_students_t():
    # nine runs at once, three filters: five degrees of freedom
    rng = np.random.default_rng(5)
    celsius, index = rng.uniform(-5.0, 10.0, 9), np.arange(9) % 3
    position = 5000.0 + 10.0 * index - 6.5 * celsius + rng.normal(0.0, 2.5, 9)
    start = datetime(2031, 3, 4, 20, tzinfo=UTC)
    runs = [LoggedRun(start, float(y), "LRG"[f], float(c)) for y, f, c in zip(position, index, celsius, strict=True)]
    drift = fit_drift(runs)
    ols = sm.OLS(position, np.column_stack([np.eye(3)[index], celsius])).fit()
    assert len(drift.used) == 9
    assert drift.fit.degrees == 5.0
    widen = math.sqrt(stats.t.ppf(ONE_SIGMA, 5) * stats.t.ppf(stats.norm.cdf(1.96), 5) / 1.96)
    assert drift.steps_per_c == pytest.approx(ols.params[-1], rel=1e-9)
    assert drift.steps_per_c_err == pytest.approx(ols.bse[-1] * widen, rel=1e-3)
    assert drift.scatter_steps == pytest.approx(math.sqrt(ols.ssr / 5.0), rel=1e-9)
    red = ols.t_test([-1.0, 1.0, 0.0, 0.0])
    assert drift.filters[1].err == pytest.approx(float(np.squeeze(red.sd)) * widen, rel=1e-3)
    there = ols.t_test([0.0, 1.0, 0.0, 4.0])
    assert drift.predict("R", 4.0)[0] == pytest.approx(float(there.effect[0]), rel=1e-9)


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
    # Single runs have what the scatter within nights says they have.
    single = season.variance + run_variance(season, columns)
    fit = fit_grouped(columns, season.position, single, season.stretch)
    assert fit.chi2 == pytest.approx(48.0 - 5.0, rel=1e-6)
    jump, variance = fit.jump(1)
    gains, odds = gains_of(season, columns, runs, [24])
    scale = fit.chi2 / 43.0
    assert gains[24] == pytest.approx(jump**2 / variance / scale, rel=1e-9)
    # of a normal law of 30 scatters the part that the jump's own error takes up; one jump, and 48 places for it
    share = variance / (30.0**2 * float(np.median(single)))
    assert odds[24] == pytest.approx(gains[24] + math.log(share) - 2.0 * math.log(48.0), rel=1e-6)
    # two runs are too few for a stretch
    gains, odds = gains_of(season.cut([46]), columns, runs, [46])
    assert gains == {46: 0.0}
    assert odds[46] < 0.0


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


@pytest.mark.parametrize(("span_c", "kinds"), [(11.9, (True,)), (12.1, (True, False))])
def test_pairs_of_any_nights_are_tried_where_nights_say_little_of_the_drift(span_c, kinds):
    """Eight nights of two runs, 2 °C apart: Σ(T - mean)² = 16, and the range is compared with 3·√16 = 12 °C."""
    nights = np.repeat(np.linspace(0.0, span_c - 2.0, 8), 2)
    season = make(per_night=2, temperature_c=nights + np.tile([-1.0, 1.0], 8))
    assert _pairs(season) == kinds
    # Seven pairs are too few, and pairs at one temperature say nothing.
    assert _pairs(make(nights=7, per_night=2)) == (False,)
    assert _pairs(replace(season, temperature_c=nights)) == (False,)


def test_a_rebuild_between_nights_is_no_shift_of_them():
    """Shifts are judged from three changes of night on; the one at a rebuild says nothing of them."""
    none = Weighed("night_shifts", None, False, None)
    assert _night_shifts(make(nights=4, jump_at=6), -20.0, 3.0) == none
    assert _night_shifts(make(nights=5, jump_at=6), -20.0, 3.0) == Weighed("night_shifts", -20.0, True, 3.0)
    assert _night_shifts(make(nights=6, per_night=1), -20.0, 3.0) == none


def test_of_two_that_are_tried_each_must_stand_out_more():
    """Bonferroni: 3 standard errors where one is tried, and those of half that chance where two are."""
    rng = np.random.default_rng(17)
    altitude, sides = rng.uniform(30.0, 80.0, 96), np.where(rng.random(96) < 0.5, "east", "west")
    plain = make(seed=17, nights=16, shift=0.0)
    plain = replace(plain, variance=plain.variance + 4.0)

    def seen(sigmas_less, also_sides):
        runs = [
            SimpleNamespace(altitude_deg=a, pier_side=side if also_sides else None)
            for a, side in zip(altitude.tolist(), sides.tolist(), strict=True)
        ]
        at = replace(plain, position=plain.position + sigmas_less * altitude)
        found, flags = find_followed(runs, at, Terms(5.0))
        return next(one for one in found if one.follows == "altitude").significance, "follows_altitude" in flags

    alone, both = 3.0, float(stats.norm.isf(stats.norm.sf(3.0) / 2.0))
    for sigmas, raised in ((0.99 * alone, (False, False)), (1.01 * alone, (True, False)), (1.01 * both, (True, True))):
        slope = optimize.brentq(lambda k, sigmas=sigmas: seen(k, False)[0] - sigmas, 0.02, 0.6, xtol=1e-4)
        assert (seen(slope, False)[1], seen(slope, True)[1]) == raised


def test_an_offset_is_tied_beyond_twice_the_error_of_a_difference_of_means():
    drift = SimpleNamespace(scatter_steps=3.0, filters=[SimpleNamespace(runs=9)])
    limit = TIED * 3.0 * math.hypot(1.0 / math.sqrt(4.0), 1.0 / math.sqrt(9.0))
    assert [_is_tied(drift, err, 4) for err in (0.99 * limit, 1.01 * limit, None)] == [False, True, False]
