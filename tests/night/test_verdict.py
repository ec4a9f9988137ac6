"""Which of two estimates of one best position is reported."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from focuskit.curves import fit_run
from focuskit.night.verdict import _compare_errors, combine


@pytest.fixture(scope="module")
def fit():
    x = np.arange(-4.0, 5.0)
    sizes = 5.0 * np.hypot(1.0, 0.5 * x) * (1.0 + 0.02 * np.array([1, -1, 0, 1, -1, 0, 1, -1, 0]))
    found = fit_run(5000.0 + 20.0 * x, sizes)
    assert found.verdict == "good"
    return found


def test_the_shapes_are_believed_up_to_twice_the_error_of_the_sizes(fit):
    sizes, err = fit.best_position, fit.best_position_err
    sharp = combine(fit, sizes + 0.1 * err, 0.05 * err)
    assert (sharp.method, sharp.best_position, sharp.best_position_err) == ("profile", sizes + 0.1 * err, 0.05 * err)
    assert sharp.best_position_err_95 / sharp.best_position_err == pytest.approx(norm.ppf(0.975), rel=1e-3)
    assert sharp.fits == fit.fits and sharp.flags == () and sharp.verdict == "good"
    assert "is smaller than that of squared sizes" in sharp.reason
    near = combine(fit, sizes, 1.9 * err)
    assert near.method == "profile" and "is less than twice that of squared sizes" in near.reason
    worse = combine(fit, sizes + err, 2.1 * err)
    assert (worse.method, worse.best_position, worse.best_position_err) == ("squared sizes", sizes, err)
    assert worse.best_position_err_95 == fit.best_position_err_95


@pytest.mark.parametrize("tolerance, limit", [(0.0, 3.0 * np.hypot(1.0, 0.5)), (40.0, 10.0)])
def test_a_disagreement_is_more_than_three_common_errors_and_a_quarter_of_the_tolerance(fit, tolerance, limit):
    sizes = replace(fit, best_position=5000.0, best_position_err=1.0, tolerance_steps=tolerance)
    assert "fits_disagree" not in combine(sizes, 5000.0 + 0.98 * limit, 0.5).flags
    far = combine(sizes, 5000.0 - 1.02 * limit, 0.5)
    assert "fits_disagree" in far.flags and far.verdict == "usable"
    assert f"differ by {1.02 * limit:.2g} steps, and profile is believed" in far.reason


def test_what_spoils_the_sizes_alone_does_not_spoil_the_shapes(fit):
    poor = replace(fit, flags=("poor_fit", "unsure_position"), verdict="usable")
    assert combine(poor, fit.best_position, 0.1 * fit.best_position_err).verdict == "good"
    assert combine(poor, fit.best_position, 9.0 * fit.best_position_err).flags == poor.flags


@given(st.floats(1e-4, 1e3), st.floats(0.01, 100.0))
def test_the_reason_is_true_of_the_numbers_that_it_names(fit, err, ratio):
    """Whatever the two errors are: read back from the text, they compare as it says, and the first is the reported."""
    told = combine(replace(fit, best_position_err=err), fit.best_position, ratio * err)
    first, says, second = re.match(
        r"the error of [a-z ]+, ([0-9.]+) steps, (is .+) that of [a-z ]+, ([0-9.]+) steps", told.reason
    ).groups()
    one, other = float(first), float(second)
    assert {"is smaller than": one < other, "is less than twice": other <= one < 2.0 * other}[says]
    assert one == pytest.approx(told.best_position_err, rel=0.06)


@pytest.mark.parametrize("err, other", [(0.85, 0.71), (0.7149, 0.7151), (1.42999999, 0.715), (1234.4, 1234.6)])
def test_the_reason_has_the_digits_that_it_needs(err, other):
    text = _compare_errors("profile", err, "squared sizes", other)
    one, two = map(float, re.findall(r", ([0-9.]+) steps", text))
    assert (one < two, one < 2.0 * two) == (err < other, err < 2.0 * other)
    assert ("smaller" in text) == (one < two)


def test_a_failed_run_stays_failed():
    failed = fit_run([1, 2, 3], [3, 2, 3])
    assert combine(failed, 2.0, 0.1) is failed
