"""Small statistics against tables, closed forms and other libraries."""

import math

import numpy as np
import pytest
from astropy.stats import mad_std
from scipy import stats

from focuskit.core.statistics import as_sigma, robust_scatter, student_sigma, weighted_mean


def test_robust_scatter_is_the_standard_deviation_of_a_normal_law():
    # The middle of |x| of a normal law is its quartile, 0.674490: here the quantiles themselves.
    quantiles = stats.norm.ppf((np.arange(2001) + 0.5) / 2001)
    assert robust_scatter(5.0 + 3.0 * quantiles) == pytest.approx(3.0, rel=2e-3)
    values = np.random.default_rng(1).standard_cauchy((7, 9))
    assert robust_scatter(values) == pytest.approx(mad_std(values))
    assert robust_scatter([1.0, 2.0, np.nan, 4.0, 8.0, np.inf]) == pytest.approx(mad_std([1.0, 2.0, 4.0, 8.0]))
    assert math.isnan(robust_scatter([np.nan]))


@pytest.mark.parametrize(("sigma", "chance"), [(1.0, 0.3173105), (2.0, 0.0455003), (3.0, 0.0026998), (5.0, 5.733e-7)])
def test_a_chance_is_counted_on_both_sides(sigma, chance):
    # Two-sided chances of a normal law, as in any table of the error function.
    assert as_sigma(chance) == pytest.approx(sigma, rel=1e-4)


def test_a_chance_of_nothing_has_an_end():
    # The tail of a normal law goes as 2 exp(-x²/2) / (x √(2π)) far out.
    most = as_sigma(0.0)
    tail = math.log10(2.0) - most**2 / 2.0 * math.log10(math.e) - math.log10(most * math.sqrt(2.0 * math.pi))
    assert tail == pytest.approx(-300.0, abs=0.001)
    assert as_sigma(1e-299) < as_sigma(1e-310) == most
    assert as_sigma(1.0) == 0.0


@pytest.mark.parametrize(("ratio", "freedom"), [(12.706, 1), (4.303, 2), (2.228, 10), (1.984, 100)])
def test_few_degrees_of_freedom_make_a_value_less_sure(ratio, freedom):
    # Student's t at 95 %, both sides, from the usual table; 1.960 is that of a normal law.
    for sign in (-1.0, 1.0):
        assert student_sigma(sign * ratio, freedom) == pytest.approx(1.960, abs=2e-3)


def test_a_weighted_mean_of_values_that_agree_has_the_error_of_its_weights():
    # By hand: weights 1 and 1/4, mean (10 + 11/4)/1.25 = 10.2, error 1/√1.25; χ² = (0.04 + 0.64/4) = 0.2.
    assert weighted_mean([10.0, 11.0], [1.0, 2.0]) == pytest.approx((10.2, 1.0 / math.sqrt(1.25)))
    assert weighted_mean([7.0], [0.5]) == pytest.approx((7.0, 0.5))


def test_values_that_differ_by_more_than_their_errors_widen_it():
    # By hand: equal weights 1, mean 3, χ² = 4 + 0 + 4 with two degrees of freedom: the error is √(4/3).
    assert weighted_mean([1.0, 3.0, 5.0], [1.0, 1.0, 1.0]) == pytest.approx((3.0, math.sqrt(4.0 / 3.0)))
    # The same by numpy's weighted polynomial fit of degree 0, whose covariance is scaled by χ² reduced.
    values, errors = np.array([1.0, 4.0, 2.5, 9.0]), np.array([0.5, 1.0, 0.7, 2.0])
    mean, covariance = np.polyfit(np.arange(4), values, 0, w=1.0 / errors, cov=True)
    assert weighted_mean(values, errors) == pytest.approx((mean[0], math.sqrt(covariance[0, 0])))
