"""Filter offsets of runs without temperatures, on seeded seasons whose tubes cool by 2 to 7 °C a night."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from invented_seasons import FILTERS, OFFSETS, make_season

from focuskit.core.errors import FocuskitError
from focuskit.core.flags import describe
from focuskit.core.picture import Line
from focuskit.drift import fit_drift
from focuskit.drift.choose import make_season as make_arrays
from focuskit.drift.nights import Nights, fit_nights


def without_temperatures(season):
    return [replace(run, temperature_c=None) for run in season.runs]


def offsets_of(drift):
    """Return offsets less their truth, and the quoted errors."""
    truth = dict(zip(FILTERS, OFFSETS - OFFSETS[FILTERS.index(drift.reference_filter)], strict=True))
    off = [(one.offset_steps - truth[one.filter], one.err) for one in drift.filters[1:]]
    return np.array(off).T


def in_order(season, order):
    """Return the runs in filters that follow one another in the same order every night."""
    runs = []
    for i, (run, was) in enumerate(zip(without_temperatures(season), season.filter_index, strict=True)):
        now = order[i % len(order)]
        runs.append(replace(run, filter=FILTERS[now], position=run.position - OFFSETS[was] + OFFSETS[now]))
    return runs


def test_errors_cover_what_they_say_without_temperatures():
    """Half of the seasons in a fixed order of filters, in which drift looks like an offset: 48 to 84 % of 96 within one
    error (68 ± 4 standard errors of a sample whose six offsets share a reference), 88 % or more within two."""
    rng = np.random.default_rng(41)
    pulls = []
    for number in range(16):
        season = make_season(rng, nights=8)
        runs = in_order(season, [0, 1, 2, 3, 4, 5, 6, 0]) if number % 2 else without_temperatures(season)
        off, err = offsets_of(fit_drift(runs))
        pulls += list(np.abs(off) / err)
    assert 0.48 < np.mean(np.array(pulls) < 1.0) < 0.84
    assert np.mean(np.array(pulls) < 1.96) >= 0.88


@pytest.mark.parametrize(("sharpness", "parameters"), [(1e-4, 4), (1e6, 2)])
def test_the_scatter_counts_what_the_runs_determine(sharpness, parameters):
    """Two nights, two offsets and the curve: a prior that says nothing leaves the scatter of least squares."""
    season = make_season(np.random.default_rng(42), nights=2, jump=0.0, wild=0.0)
    runs = replace(make_arrays(season.runs, list(FILTERS), None), filter_index=season.filter_index % 3)
    hours = np.mod(runs.time_s, 86400.0) / 3600.0 - 3.0
    columns = np.column_stack([runs.filter_index == 1, runs.filter_index == 2, hours, hours**2]).astype(float)
    prior = np.array([0.0, 0.0, sharpness, sharpness])
    fit = fit_nights(Nights.of(runs, columns, hours, prior), np.ones((2, 8)), 0.0, 0.0)
    design = np.column_stack([runs.block == 0, runs.block == 1, columns[:, :parameters]])
    _, chi2, rank, _ = np.linalg.lstsq(design, runs.position, rcond=None)
    assert fit.free == pytest.approx(16 - rank, abs=1e-4)
    assert fit.chi2 == pytest.approx(chi2[0], rel=1e-4)


def test_offsets_are_nearly_as_good_as_with_temperatures_and_wild_runs_are_named():
    """Twenty nights with a rebuild: rms error below 1.6 steps where temperatures give 0.8; half of the tube's
    motion (20 steps a night) would make 5."""
    season = make_season(np.random.default_rng(42))
    drift = fit_drift(without_temperatures(season))
    assert np.sqrt(np.mean(offsets_of(drift)[0] ** 2)) < 1.6
    named = {one.run.time for one in drift.outliers}
    assert named >= {run.time for run, wild in zip(season.runs, season.wild, strict=True) if wild}
    answer = drift.to_json()
    assert answer["temperature"] == {"steps_per_c": None, "err": None, "range_c": None, "reference_c": None}
    assert "no_thermometer" in answer["flags"]
    assert all(describe(flag) for flag in answer["flags"])
    # position rises while the tube cools: 6.5 steps per °C times 0.4 °C an hour in the middle of the night
    found = answer["time_of_night"]
    assert abs(found["steps_per_h"] - 2.6) < 3.0 * found["err"]
    assert "steps per hour" in repr(drift)
    picture, by_time = drift.picture(), drift.by_time
    assert picture.x.name.startswith("hours from ")
    line = next(layer for layer in picture.panels[0].layers if isinstance(layer, Line))
    assert line.y == pytest.approx(by_time.steps_per_h * line.x + by_time.bend_steps_per_h2 * line.x**2)
    assert (line.x[0], line.x[-1]) == (by_time.hours.min(), by_time.hours.max())
    assert drift.predict("Ha", 5.0) == (None, None)


def test_runs_far_apart_in_time_say_less():
    """One pair a night, L and Ha: ten minutes apart they tell the offset, four hours apart what may have drifted."""
    season = make_season(np.random.default_rng(43), nights=6, per_night=2, wild=0.0, jump=0.0)
    errors = []
    for minutes in (10, 240):
        pairs = []
        for one in without_temperatures(season)[::2]:
            pairs.append(replace(one, filter="L"))
            later = one.time + timedelta(minutes=minutes)
            pairs.append(replace(one, filter="Ha", time=later, position=one.position + 61.0 + one.position_err))
        errors.append(fit_drift(pairs).filters[1].err)
    assert 3.0 * errors[0] < errors[1]


def test_filters_that_share_no_night_are_not_known_apart():
    season = make_season(np.random.default_rng(44), nights=6, wild=0.0, jump=0.0)
    runs = [replace(run, filter="L" if i < 24 else "Ha") for i, run in enumerate(without_temperatures(season))]
    drift = fit_drift(runs)
    assert {one.offset_steps for one in drift.filters} == {0.0, None}
    assert {"no_shared_night", "offset_unknown"} <= set(drift.flags)


@pytest.mark.parametrize("unit", [1e-3, 40.0])
def test_nothing_depends_on_the_unit_without_temperatures(unit):
    runs = without_temperatures(make_season(np.random.default_rng(45), nights=6))
    other = [replace(run, position=unit * run.position, position_err=unit * run.position_err) for run in runs]
    for one, two in zip(fit_drift(runs).filters, fit_drift(other).filters, strict=True):
        assert two.offset_steps == pytest.approx(unit * one.offset_steps, rel=1e-6, abs=1e-9 * unit)
        assert two.err == pytest.approx(unit * one.err, rel=1e-6)


def test_few_temperatures_are_not_the_answer():
    """A thermometer that worked for one run in ten leaves offsets from all runs; for every second one, a drift."""
    season = make_season(np.random.default_rng(46), nights=6)
    blank = without_temperatures(season)
    few = [run if i % 10 else season.runs[i] for i, run in enumerate(blank)]
    half = [run if i % 2 else season.runs[i] for i, run in enumerate(blank)]
    assert len(fit_drift(few).used) > 40
    assert fit_drift(half).steps_per_c is not None
    with pytest.raises(FocuskitError, match="no logged run can be used"):
        fit_drift([replace(run, position=None) for run in blank])
