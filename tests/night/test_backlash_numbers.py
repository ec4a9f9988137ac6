"""Backlash, its error and its significance, against a general fit by scipy; which frames show it."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import f, norm
from test_backlash import DOWN, told, true_path

from focuskit.curves import fit_run
from focuskit.night import backlash
from focuskit.night.backlash import Backlash, backlash_of_run, find_backlash

BOTH = DOWN + DOWN[::-1]


def fitted(sent, squares, errors, both, first):
    """Return backlash, error and chi² of the best path, and chi² without any, by a general least squares."""
    known = np.isfinite(squares)

    def residuals(p):
        lag = p[4] if both else p[3]
        path = (true_path(sent, p[3], sent[0] + p[3] - lag) - 10000.0) / 100.0
        return ((p[0] + p[1] * path + p[2] * path**2 - squares) / errors)[known]

    level = float(np.nanmax(squares))
    begin = [0.0, 0.0, level, first, first / 2.0][: 5 if both else 4]
    scale = [level, level, level, 1.0, 1.0][: len(begin)]
    best = least_squares(residuals, begin, x_scale=scale, xtol=1e-14, ftol=1e-14, gtol=1e-14, diff_step=1e-6)
    err = np.sqrt(np.linalg.inv(best.jac.T @ best.jac)[3, 3])
    place = (np.array(sent) - 10000.0)[known] / 100.0
    plain = np.polyval(np.polyfit(place, squares[known], 2, w=1.0 / errors[known]), place)
    return best.x[3], err, 2.0 * best.cost, float((((squares[known] - plain) / errors[known]) ** 2).sum())


@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize("size, noise_um", [(12.0, 0.3), (3.0, 0.8)])
def test_value_error_and_significance_are_those_of_a_general_fit(both, size, noise_um):
    sent = BOTH if both else DOWN
    squares, _ = told(sent, size, sent[0] + (0.5 if both else 0.0) * size, noise_um, np.random.default_rng(8))
    errors = 2.0 * np.sqrt(squares) * noise_um
    found = find_backlash(sent, squares, errors, [-1])
    steps, err, best, none = fitted(sent, squares, errors, both, size)
    unknowns = 5 if both else 4
    freedom = 4.0 + np.isfinite(squares).sum() - unknowns
    scale = (4.0 + best) / freedom
    assert found.steps == pytest.approx(steps, abs=0.01 * err)
    assert found.err == pytest.approx(err * np.sqrt(scale), rel=0.01)
    chance = f.sf((none - best) / (unknowns - 3) / scale, unknowns - 3, freedom)
    assert found.sigma == pytest.approx(norm.isf(chance / 2.0), rel=1e-3)


def test_so_many_frames_are_needed_and_so_much_can_be_found():
    for sent, enough in ((DOWN, 5), (DOWN[:5] + DOWN[3::-1], 6)):
        squares, errors = (true_path(sent, 5.0, sent[0]) - 10000.0) ** 2, np.ones(len(sent))
        some = [squares[k] if k < enough else np.nan for k in range(len(sent))]
        fewer = [np.nan if k == 1 else square for k, square in enumerate(some)]
        assert find_backlash(sent, some, errors) is not None
        assert find_backlash(sent, fewer, errors) is None
    far = (true_path(DOWN, 150.0, DOWN[0]) - 10000.0) ** 2
    assert find_backlash(DOWN, far, np.ones(9)).steps == pytest.approx(0.4 * 200.0)


def test_it_is_seen_above_three_sigma_and_its_limit_is_two_errors_higher():
    assert not Backlash(5.0, 1.0, 3.0, True, 1, ()).seen
    assert Backlash(5.0, 1.0, 3.01, True, 1, ()).seen
    assert Backlash(5.0, 1.5, 1.0, True, 1, ()).limit == 8.0


@pytest.mark.parametrize("steps, err, limit", [(10.0, 1.0, 2.0), (10.0, 4.0, 5.0)])
def test_frames_that_lag_by_two_errors_or_half_the_backlash_are_set_aside(steps, err, limit):
    found = Backlash(steps, err, 9.0, True, 1, (1.01 * limit, 0.99 * limit, 0.0, 0.99 * limit, 1.01 * limit, steps))
    why = [None if one is None else str(one) for one in found.why_not_used()]
    assert [one is None for one in why] == [False, True, True, True, False, False]
    assert "not taken up yet" in why[0] and "other direction" in why[4]


def test_squares_of_sizes_on_the_curve_are_a_parabola_with_the_error_of_a_square():
    x = np.arange(4900.0, 5101.0, 25.0)
    jitter = 1.0 + 0.05 * np.array([1, -1, 0, 1, -1, 0, 1, -1, 0])
    fit = fit_run(x, 5.0 * np.hypot(1.0, (x - 5000.0) / 50.0) * jitter)
    curve = fit.fits["squared sizes"]
    noise = np.full(9, 0.1)
    squares, errors = backlash._squared_sizes(x, curve.size_at(x), noise, fit)
    away = curve.slope_per_step * (x - curve.best_position)
    assert squares == pytest.approx(curve.size_best**2 + away**2, rel=1e-9)
    seeing = curve.seeing_jitter * curve.size_best**2
    assert curve.seeing_jitter > 0.01
    assert errors == pytest.approx(2.0 * np.hypot(curve.size_at(x) * 0.1, seeing))
    bare, errors = backlash._squared_sizes(x[:3], np.array([3.0, 2.0, 4.0]), noise[:3], fit_run(x[:3], [3.0, 2.0, 4.0]))
    assert list(bare) == [9.0, 4.0, 16.0]
    assert errors == pytest.approx(2.0 * np.hypot([0.3, 0.2, 0.4], 0.12 * 4.0))


def profile(*frames):
    return SimpleNamespace(frames=[SimpleNamespace(own_defocus_um=d, own_defocus_err_um=e) for d, e in frames])


def test_frames_show_their_distance_where_it_is_known_to_a_twentieth():
    squares, errors = backlash._squared_defocus(4, profile((100.0, 4.9), (-50.0, 1.0), (100.0, 5.1)), (0, 1, 3))
    assert squares[:2] == pytest.approx([1e4, 2500.0]) and np.isnan(squares[2:]).all()
    assert errors[:2] == pytest.approx([980.0, 100.0])


def test_shapes_are_asked_first_and_spoilt_frames_say_nothing():
    x = np.array(DOWN)
    path = true_path(DOWN, 20.0, DOWN[0]) - 10000.0
    fit = fit_run(x, 5.0 * np.hypot(1.0, (path - 20.0) / 50.0))
    shapes = profile(*[(4.0 * away, 0.5) for away in path])
    found = backlash_of_run(x, [-1], np.full(9, 5.0), np.zeros(9), fit, shapes, range(9))
    assert found.seen and found.steps == pytest.approx(20.0, abs=0.5)
    wrong = profile(*[(4.0 * away + (900.0 if k == 4 else 0.0), 0.5) for k, away in enumerate(path)])
    cloudy = SimpleNamespace(
        why_not_used=[SimpleNamespace(code="cloud") if k == 4 else None for k in range(9)], fits={}
    )
    again = backlash_of_run(x, [-1], np.full(9, 5.0), np.zeros(9), cloudy, wrong, range(9))
    assert again.steps == pytest.approx(found.steps, abs=0.5)
