"""The solver of the drift fit against certified and published values."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from invented_seasons import make_season
from scipy import optimize, stats

from focuskit.drift import fit_drift
from focuskit.drift.choose import filter_names
from focuskit.drift.choose import make_season as make_arrays
from focuskit.drift.linear import fit_grouped
from focuskit.drift.scatter import NO_SHIFTS, run_variance, try_shifts

NIST = json.loads((Path(__file__).parents[1] / "data" / "nist_strd_linear.json").read_text(encoding="utf-8"))


def digits(value, certified):
    """Correct significant digits."""
    return 15.0 if value == certified else min(15.0, -math.log10(abs(value / certified - 1.0)))


def solve(columns, y):
    one_base = np.zeros(len(y), dtype=np.intp)
    fit = fit_grouped(columns, y, np.ones(len(y)), one_base)
    scale = fit.chi2 / (len(y) - fit.rank)
    p = columns.shape[1]
    found = [fit.contrast(np.zeros(p), np.ones(1)), *(fit.contrast(row, np.zeros(1)) for row in np.eye(p))]
    return [(value, math.sqrt(variance * scale)) for value, variance in found]


def solve_polynomial(name):
    x, y = np.array(NIST[name]["x"], dtype=float), np.array(NIST[name]["y"], dtype=float)
    return solve(np.column_stack([x**power for power in NIST[name]["powers"][1:]]), y)


@pytest.mark.parametrize("name", ["Norris", "Pontius", "Wampler1", "Wampler2", "Wampler3", "Wampler4", "Wampler5"])
def test_nist_linear_sets_to_eight_digits(name):
    # Wampler1 reaches 9.0; another library's rounding may cost some. Digits are those of the value or, where
    # the scatter is 10⁵ times the value (Wampler4, Wampler5), of its standard error
    for (value, err), (certified, certified_err) in zip(solve_polynomial(name), NIST[name]["certified"], strict=True):
        assert abs(value - certified) <= 1e-8 * max(abs(certified), certified_err)
        if certified_err:
            assert digits(err, certified_err) >= 9.0


def test_nist_filip_to_six_digits():
    # the tenth powers of x, rounded to doubles, hold no more than 7.6; 7.0 are reached
    for (value, err), (certified, certified_err) in zip(
        solve_polynomial("Filip"), NIST["Filip"]["certified"], strict=True
    ):
        assert digits(value, certified) >= 6.0
        assert digits(err, certified_err) >= 6.0


def test_nist_longley_to_nine_digits():
    # certified values as statsmodels carries them (regression/tests/results/results_regression.py, Longley)
    data = sm.datasets.longley.load()
    certified = [
        (-3482258.63459582, 890420.383607373),
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910e-01, 0.334910077722432e-01),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807e-01, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ]
    found = solve(np.asarray(data.exog, dtype=float), np.asarray(data.endog, dtype=float))
    for (value, err), (known, known_err) in zip(found, certified, strict=True):
        assert digits(value, known) >= 9.0
        assert digits(err, known_err) >= 9.0


def test_many_bases_give_what_dummy_columns_give():
    rng = np.random.default_rng(12)
    n = 300
    group = np.sort(rng.integers(0, 6, n)).astype(np.intp)
    columns = rng.normal(size=(n, 3)) + group[:, None]
    variance = rng.uniform(0.5, 4.0, n)
    y = columns @ [1.0, -2.0, 0.5] + 10.0 * group + rng.normal(size=n)
    fit = fit_grouped(columns, y, variance, group)
    wls = sm.WLS(y, np.hstack([np.eye(6)[group], columns]), weights=1.0 / variance).fit(cov_type="fixed scale")
    assert fit.bases == pytest.approx(wls.params[:6], rel=1e-9)
    assert fit.coefficients == pytest.approx(wls.params[6:], rel=1e-9)
    assert np.diag(fit.covariance) == pytest.approx(wls.bse[6:] ** 2, rel=1e-9)
    step = np.array([-1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
    jump, jump_variance = fit.contrast(np.zeros(3), step)
    tested = wls.t_test(np.append(step, np.zeros(3)))
    assert jump == pytest.approx(float(np.squeeze(tested.effect)), rel=1e-9)
    assert math.sqrt(jump_variance) == pytest.approx(float(np.squeeze(tested.sd)), rel=1e-9)


def make(season):
    """The arrays of a season of one night a day, all runs sound."""
    names = filter_names(season.runs, None)
    return make_arrays(season.runs, names, None)


def at_once(season):
    """The season with all runs of a night at one time: no walk within nights."""
    starts = [run.time for run in season.runs[::8]]
    return replace(season, runs=[replace(run, time=starts[i // 8]) for i, run in enumerate(season.runs)])


def with_one_slope(drift):
    """The averaged fit without the fits in which the slope within nights is another, and its quoted drift."""
    own = np.array([fit.coefficients[7] == 0.0 for fit in drift.fit.fits])
    weight = drift.fit.weight[own]
    fit = replace(
        drift.fit,
        fits=tuple(one for one, there in zip(drift.fit.fits, own, strict=True) if there),
        weight=weight / weight.sum(),
        **{name: getattr(drift.fit, name)[own] for name in ("shift", "walk", "scale")},
    )
    return fit, *fit.contrast(np.arange(8) == 6)


def dummies(season, group=None):
    n = len(season.runs)
    group = np.zeros(n, dtype=int) if group is None else group
    parts = [np.eye(group.max() + 1)[group], (season.filter_index[:, None] == np.arange(1, 7)).astype(float)]
    return np.hstack([*parts, season.celsius[:, None]])


def averaged(season, variance):
    """Drift, its error, the median shift and the scale, averaged over all sizes of the shifts of twenty nights.

    Generalised least squares of statsmodels on full matrices, 24 to a factor of ten of the ratio of shift to scatter.
    """
    design, night = dummies(season), np.repeat(np.arange(20), 8)
    ratios, free = np.append(0.0, np.geomspace(1e-3, 1e3, 145)), len(design) - design.shape[1]
    found = []
    for square in np.median(variance) * ratios**2:
        covariance = np.diag(variance) + square * (night[:, None] == night)
        gls = sm.GLS(season.position, design, sigma=covariance).fit()
        information = design.T @ np.linalg.solve(covariance, design)
        logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1] + free * math.log(gls.scale)
        found.append((logs, gls.params[-1], gls.bse[-1], gls.scale, math.sqrt(square * gls.scale)))
    logs, slope, err, scale, shift = np.transpose(found)
    law = stats.norm.pdf(np.log(ratios[1:]), math.log(2.0), 0.7)
    prior = (1.0 - NO_SHIFTS) * law * math.log(ratios[2] / ratios[1])
    weight = np.append(NO_SHIFTS, prior) * np.exp(-0.5 * (logs - logs.min()))
    weight /= weight.sum()
    mean = float(weight @ slope)

    def half_width(sigma):
        share = stats.norm.cdf(sigma) - stats.norm.cdf(-sigma)
        return optimize.brentq(
            lambda width: (
                weight
                @ (stats.t.cdf((mean + width - slope) / err, free) - stats.t.cdf((mean - width - slope) / err, free))
                - share
            ),
            0.0,
            1.0,
        )

    quoted = math.sqrt(half_width(1.0) * half_width(1.96) / 1.96)
    return mean, quoted, float(shift[np.searchsorted(np.cumsum(weight), 0.5)]), float(weight @ scale)


def test_a_quiet_season_is_the_weighted_fit_of_statsmodels():
    season = at_once(make_season(np.random.default_rng(31), wild=0.0, jump=0.0))
    drift = fit_drift(season.runs)
    own = np.array([run.position_err for run in season.runs]) ** 2
    # the runs that are set aside by chance would make a difference
    assert len(drift.used) == len(season.runs)
    # of the averaged fits the one without shifts of the nights
    fit, steps_per_c, steps_per_c_err = with_one_slope(drift)
    (level,) = [one for one, shift in zip(fit.fits, fit.shift, strict=True) if shift == 0.0]
    extra = run_variance(replace(make(season), variance=own), dummies(season)[:, 1:])
    wls = sm.WLS(season.position, dummies(season), weights=1.0 / (own + extra)).fit()
    assert level.coefficients[:7] == pytest.approx(wls.params[1:], rel=1e-7)
    assert np.sqrt(np.diag(level.covariance))[:7] == pytest.approx(wls.bse[1:], rel=1e-7)
    # what is quoted is the average; a coarser grid moves its error by 0.3 %
    mean, err, _, scale = averaged(season, own + extra)
    assert steps_per_c == pytest.approx(mean, abs=1e-3 * err)
    assert steps_per_c_err == pytest.approx(err, rel=5e-3)
    assert drift.extra_scatter_steps**2 == pytest.approx(scale * np.median(own + extra) - np.median(own), rel=2e-3)
    # that the temperatures may have errors changes neither by 1 % of the error
    assert drift.steps_per_c == pytest.approx(mean, abs=0.01 * err)
    assert drift.steps_per_c_err == pytest.approx(err, rel=0.01)
    # shifts that may hide among the nights widen it by a few per cent
    assert 1.02 < drift.steps_per_c_err / wls.bse[-1] < 1.1


def test_wild_runs_pull_no_more_than_in_a_robust_fit_of_statsmodels():
    season = make_season(np.random.default_rng(32), wild=0.15, jump=0.0, one_sided=True)
    drift = fit_drift(season.runs)
    rlm = sm.RLM(season.position, dummies(season), M=sm.robust.norms.TukeyBiweight()).fit()
    assert abs(drift.steps_per_c - rlm.params[-1]) < 2.0 * drift.steps_per_c_err
    assert {one.run.time for one in drift.set_aside} == {
        run.time for run, wild in zip(season.runs, season.wild, strict=True) if wild
    }


def test_shifts_from_night_to_night_are_those_of_the_mixed_model_of_statsmodels():
    season = at_once(make_season(np.random.default_rng(33), wild=0.0, jump=0.0, with_err=False, night_shift=6.0))
    drift = fit_drift(season.runs)
    night = np.repeat(np.arange(20), 8)
    mixed = sm.MixedLM(season.position, dummies(season), groups=night).fit(reml=True)
    assert "nights_shift" in drift.flags
    assert len(drift.used) == len(season.runs)
    # where the restricted likelihood is highest, its model
    shift, columns, arrays = float(np.squeeze(mixed.cov_re)), dummies(season), make(season)
    near = np.array([0.95, 1.0, 1.05]) * shift / mixed.scale
    below, there, above = try_shifts(arrays, columns[:, 1:], np.ones(160), near)
    assert there.restricted < min(below.restricted, above.restricted)
    assert there.scale == pytest.approx(mixed.scale, rel=1e-9)
    assert there.fit.coefficients == pytest.approx(mixed.fe_params[1:], rel=1e-9)
    # what is quoted is the average over all sizes of the shifts
    variance = np.full(160, run_variance(arrays, columns[:, 1:]))
    mean, err, typical, scale = averaged(season, variance)
    fit, steps_per_c, steps_per_c_err = with_one_slope(drift)
    assert steps_per_c == pytest.approx(mean, abs=1e-3 * err)
    assert steps_per_c_err == pytest.approx(err, rel=1e-3)
    assert drift.extra_scatter_steps**2 == pytest.approx(scale * variance[0], rel=1e-4)
    # a median on a grid, right to a step of it
    step = fit.shift[2] / fit.shift[1]
    assert abs(math.log(drift.night_scatter_steps / typical)) < 0.5 * math.log(step)
