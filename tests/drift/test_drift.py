"""Drift, offsets and rebuilds on seasons whose truth is known, and the limits of what runs can tell."""

import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_seasons import FILTERS, OFFSETS, STEPS_PER_C, TRUTH, estimates, fit_with_knowledge, make_season

from focuskit.core import flags
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.drift import fit_drift, learn_drift
from focuskit.drift.checks import is_two_groups
from focuskit.drift.rebuilds import penalty
from focuskit.drift.season import follow
from focuskit.frames import RigFile, TemperatureLog

START = datetime(2031, 3, 4, 20, 0, tzinfo=UTC)


def simple_runs(filters, temperatures, **more):
    """One run an hour, exactly on the model."""
    return [
        LoggedRun(START + timedelta(hours=i), 5000.0 + OFFSETS[FILTERS.index(f)] - 6.5 * t, f, t, 1.0, **more)
        for i, (f, t) in enumerate(zip(filters, temperatures, strict=True))
    ]


def run_seasons(seed, count, **kind):
    """Values less truth, values less those of the fit that knows, errors, and rebuilds found, of ``count`` seasons."""
    rng = np.random.default_rng(seed)
    off, apart, errors, right = [], [], [], []
    for _ in range(count):
        season = make_season(rng, **kind)
        drift = fit_drift(season.runs)
        values, err = estimates(drift)
        off.append(values - TRUTH)
        apart.append(values - fit_with_knowledge(season))
        errors.append(err)
        true_times = [] if season.rebuild is None else [season.runs[season.rebuild].time]
        found = [rebuild.time for rebuild in drift.rebuilds]
        right.append(
            len(found) == len(true_times)
            and all(abs(f - t) < timedelta(hours=12) for f, t in zip(found, true_times, strict=True))
        )
    return np.array(off), np.array(apart), np.array(errors), np.array(right)


def rms(values):
    return math.sqrt(float(np.mean(values**2)))


@pytest.fixture(scope="module")
def seasons():
    """Four seasons of each kind, fitted once."""
    return {name: run_seasons(77, 4, **kind) for name, kind in KINDS.items()}


KINDS = {
    "a rebuild": {},
    "no rebuild": {"jump": 0.0},
    "no errors of the runs": {"with_err": False},
    "15 % wild": {"wild": 0.15},
    "15 % wild, one-sided": {"wild": 0.15, "one_sided": True, "wild_steps": (15.0, 60.0)},
    "narrowband late and cold": {"late_cold": True},
    "a small jump": {"jump": 15.0},
    "a large jump in the last night but one": {"jump": -200.0, "at": 144},
}


@pytest.mark.parametrize("kind", KINDS)
def test_nearly_as_good_as_a_fit_that_knows(seasons, kind):
    # season by season: both see the same scatter, so that a few show what hundreds of errors would
    off, apart, errors, right = seasons[kind]
    assert rms(apart / errors) < 0.1
    assert rms(off / errors) < 1.5
    assert right.all()


def test_errors_cover_what_they_say(seasons):
    off, errors = (np.concatenate([one[part] for one in seasons.values()]) for part in (0, 2))
    scores = off / errors
    # of 32 seasons; offsets share the error of L, so that they count as some 100 values: 68 % ± 5 %
    assert np.mean(np.abs(scores) < 1.0) == pytest.approx(0.683, abs=0.08)
    assert np.mean(np.abs(scores) < 1.96) == pytest.approx(0.95, abs=0.04)


def test_wild_runs_are_named_and_the_rest_is_used():
    season = make_season(np.random.default_rng(8), jump=0.0)
    drift = fit_drift(season.runs)
    named = {one.run.time for one in drift.set_aside if one.reason.code == "outlier"}
    assert named == {run.time for run, wild in zip(season.runs, season.wild, strict=True) if wild}
    assert len(drift.used) + len(drift.set_aside) == len(season.runs)
    assert "wild_runs" in drift.flags


def test_two_rebuilds_and_a_declared_one():
    season = make_season(np.random.default_rng(9), jump=60.0, at=48)
    runs = [replace(run, position=run.position - 45.0 * (i >= 112)) for i, run in enumerate(season.runs)]
    drift = fit_drift(runs)
    assert [r.time for r in drift.rebuilds] == [runs[48].time, runs[112].time]
    assert drift.rebuilds[0].jump_steps == pytest.approx(60.0, abs=4.0 * drift.rebuilds[0].err)
    assert drift.rebuilds[1].jump_steps == pytest.approx(-45.0, abs=4.0 * drift.rebuilds[1].err)
    assert all(not r.declared and r.evidence > 20.0 for r in drift.rebuilds)
    told = runs[48].time - timedelta(hours=3)
    declared = fit_drift(runs, rebuilds=[told])
    assert [(r.time, r.declared) for r in declared.rebuilds] == [(told, True), (runs[112].time, False)]
    assert declared.rebuilds[0].evidence is None
    only = fit_drift(runs, rebuilds=[told], search_rebuilds=False)
    assert len(only.rebuilds) == 1
    # what was found can be declared, to the same effect
    again = fit_drift(runs, rebuilds=[r.time for r in drift.rebuilds])
    assert again.steps_per_c == drift.steps_per_c


def test_a_rebuild_before_or_after_all_runs_changes_nothing():
    season = make_season(np.random.default_rng(10), jump=0.0)
    plain = fit_drift(season.runs)
    outside = [season.runs[0].time - timedelta(days=9), season.runs[-1].time + timedelta(days=9)]
    drift = fit_drift(season.runs, rebuilds=outside)
    assert drift.rebuilds == ()
    assert drift.steps_per_c == plain.steps_per_c


def test_restless_nights_are_no_rebuilds():
    rng = np.random.default_rng(11)
    shifts = []
    for _ in range(6):
        drift = fit_drift(make_season(rng, jump=0.0, night_shift=4.0).runs)
        assert drift.rebuilds == ()
        assert "nights_shift" in drift.flags
        shifts.append(drift.night_scatter_steps**2)
    # chi-squared of 6 · 19 degrees: the mean variance is known to 13 %
    assert np.mean(shifts) == pytest.approx(16.0, rel=0.4)


def test_a_jump_must_stand_out_of_many_places():
    # Bonferroni over 160 places at 5 % asks for a squared t of 12.1 at least; few degrees ask for more
    assert penalty(160, 150.0) > 12.1
    assert penalty(160, 5.0) > penalty(160, 150.0)


def test_richer_models_are_taken_where_the_data_ask():
    rng = np.random.default_rng(12)
    own = np.array([0.0, 0.0, 0.0, 0.0, 1.5, 1.5, 1.5])
    drift = fit_drift(make_season(rng, own=own).runs)
    assert "filters_drift_apart" in drift.flags
    slopes = {one.filter: one.steps_per_c for one in drift.filters}
    assert slopes["L"] == pytest.approx(-6.5, abs=0.8)
    assert slopes["Ha"] == pytest.approx(-5.0, abs=0.8)
    low, high = drift.predict("Ha", 0.0)[0], drift.predict("Ha", 10.0)[0]
    assert (high - low) / 10.0 == pytest.approx(slopes["Ha"])
    assert sum(s * one.runs for s, one in zip(slopes.values(), drift.filters, strict=True)) / len(
        drift.used
    ) == pytest.approx(drift.steps_per_c)
    bent = fit_drift(make_season(rng, bend=0.15).runs)
    assert "drift_bends" in bent.flags
    (value,) = [model.value for model in bent.models if model.name == "bend"]
    assert value == pytest.approx(0.15, abs=0.04)
    at = [bent.predict("L", celsius)[0] for celsius in (-5.0, 0.0, 5.0)]
    assert (at[0] - 2.0 * at[1] + at[2]) / 50.0 == pytest.approx(value)
    plain = fit_drift(make_season(rng).runs)
    assert {model.name for model in plain.models if model.aicc_change is not None} == {
        "own_coefficients",
        "bend",
        "creep",
        "slip",
        "night_shifts",
    }
    assert not any(model.taken for model in plain.models)


def test_a_tube_that_lags_is_found_with_a_log():
    rng = np.random.default_rng(13)
    time_s = 1.93e9 + np.concatenate([86400.0 * night + np.arange(0.0, 36000.0, 300.0) for night in range(15)])
    hours = np.tile(np.arange(0.0, 10.0, 1.0 / 12.0), 15)
    air = 10.0 - 6.0 * (1.0 - np.exp(-hours / 2.0)) + 2.0 * np.sin(hours * 1.7 + np.repeat(np.arange(15), 120))
    tube = follow(time_s, air, 50.0)
    at = np.sort(rng.choice(len(time_s), 120, replace=False))
    runs = [
        LoggedRun(
            datetime.fromtimestamp(time_s[i], UTC),
            float(8000.0 - 6.5 * tube[i] + rng.normal(0.0, 2.5)),
            FILTERS[i % 3],
            float(air[i]),
        )
        for i in at
    ]
    runs = [replace(run, position=run.position + OFFSETS[FILTERS.index(run.filter)]) for run in runs]
    drift = fit_drift(runs, temperatures=(time_s, air))
    assert "tube_lags" in drift.flags
    (lag,) = [model.value for model in drift.models if model.name == "lag"]
    assert lag == pytest.approx(50.0, abs=10.0)
    assert drift.steps_per_c == pytest.approx(-6.5, abs=4.0 * drift.steps_per_c_err)
    assert fit_drift(runs).scatter_steps > 1.5 * drift.scatter_steps


def test_a_lagging_tube_follows_the_exact_solution():
    # air falling at 2 °C/h from a start in equilibrium: T - air = 2·lag·(1 - exp(-t/lag)), in hours
    time_s = np.arange(0.0, 7200.0, 60.0)
    air = 10.0 - 2.0 * time_s / 3600.0
    behind = follow(time_s, air, 30.0) - air
    assert behind == pytest.approx(2.0 * 0.5 * (1.0 - np.exp(-time_s / 1800.0)), abs=1e-12)
    # uneven readings of the same air give the same
    some = np.sort(np.append(np.random.default_rng(1).choice(119, 30, replace=False) + 1, 0))
    assert follow(time_s[some], air[some], 30.0) == pytest.approx((air + behind)[some], abs=1e-12)
    # after a break the tube is as warm as the air
    late = np.append(time_s, time_s[-1] + 4.0 * 3600.0)
    assert follow(late, np.append(air, -3.0), 30.0)[-1] == -3.0


def test_one_run_in_a_filter_carries_its_full_error():
    season = make_season(np.random.default_rng(14), jump=0.0, wild=0.0)
    narrow = [i for i, run in enumerate(season.runs) if run.filter == "Ha"]
    runs = [run for i, run in enumerate(season.runs) if i not in narrow[1:]]
    drift = fit_drift(runs)
    (ha,) = [one for one in drift.filters if one.filter == "Ha"]
    assert ha.runs == 1
    assert ha.err > drift.extra_scatter_steps
    assert "one_run_filter" in drift.flags
    assert drift.advice[0].filter == "Ha"
    before, after = map(
        float, re.fullmatch(r"offset of Ha: ±([\d.]+), then ±([\d.]+)", drift.advice[0].settles).groups()
    )
    # Three runs more: what is left of the error is its half, and a little of the reference's.
    assert 0.4 * before < after < 0.7 * before


def test_advice_begins_with_the_errors_that_are_quoted():
    """Of few nights the quoted errors are larger than those of the likeliest fit: they are averaged over shifts."""
    drift = fit_drift(make_season(np.random.default_rng(31), nights=2, jump=0.0, wild=0.0).runs)
    quoted = {f"offset of {one.filter}": one.err for one in drift.filters[1:]} | {"steps per °C": drift.steps_per_c_err}
    what, before = re.fullmatch(r"(.+): ±([\d.]+), then ±[\d.]+", drift.advice[0].settles).groups()
    assert float(before) == pytest.approx(quoted[what], rel=0.05)


def test_a_filter_used_only_when_cold_is_said():
    celsius = [*np.linspace(8.0, 10.0, 12), *np.linspace(-6.0, -5.0, 6)]
    filters = [*(["L", "R"] * 6), *(["Ha"] * 6)]
    rng = np.random.default_rng(15)
    runs = [replace(r, position=r.position + rng.normal(0.0, 2.5)) for r in simple_runs(filters, celsius)]
    drift = fit_drift(runs)
    assert "offset_tied" in drift.flags
    (ha,) = [one for one in drift.filters if one.filter == "Ha"]
    assert ha.err > 3.0 * drift.filters[1].err
    first = drift.advice[0]
    assert (first.filter == "Ha" and first.temperature_c > 5.0) or (first.filter != "Ha" and first.temperature_c < 0.0)


def test_all_runs_at_one_temperature():
    drift = fit_drift(simple_runs(["L", "R"] * 5, [7.3] * 10))
    assert drift.steps_per_c is None
    assert drift.steps_per_c_err is None
    assert drift.filters[1].offset_steps == pytest.approx(14.5)
    assert "one_temperature" in drift.flags
    assert drift.predict("R", 7.3)[0] == pytest.approx(drift.used[1].position)
    assert drift.predict("R", 2.0) == (None, None)
    assert "steps per °C: now unknown" in drift.advice[0].settles


def test_filters_on_two_sides_of_a_rebuild_cannot_be_told_apart():
    runs = simple_runs(["L", "R"] * 5 + ["Ha"] * 6, [*np.linspace(0.0, 9.0, 10), *np.linspace(0.0, 9.0, 6)])
    drift = fit_drift(runs, rebuilds=[runs[10].time])
    by_name = {one.filter: one.offset_steps for one in drift.filters}
    assert by_name["R"] == pytest.approx(14.5, abs=1e-3)
    assert by_name["Ha"] is None
    assert drift.rebuilds[0].jump_steps is None
    assert drift.steps_per_c == pytest.approx(-6.5, abs=1e-3)
    assert {"offset_unknown", "jump_unknown"} <= set(drift.flags)
    k, offsets = drift.draw(np.random.default_rng(0), 4, ["L", "R", "Ha"])
    assert np.all(np.isfinite(k))
    assert np.all(np.isnan(offsets[2]))


@pytest.mark.parametrize("count", [1, 2, 3])
def test_fewer_runs_than_unknowns(count):
    drift = fit_drift(simple_runs(["L", "R", "Ha"][:count], [1.0, 4.0, 9.0][:count]))
    assert drift.scatter_steps is None
    assert "too_few_runs" in drift.flags
    assert drift.steps_per_c is None
    json.dumps(drift.to_json(), allow_nan=False)


def test_without_scatter_or_errors_no_error_is_invented():
    runs = [replace(run, position_err=None) for run in simple_runs(["L", "L"], [1.0, 4.0])]
    drift = fit_drift(runs)
    assert drift.steps_per_c == pytest.approx(-6.5)
    assert drift.steps_per_c_err is None
    assert drift.predict("L", 2.0) == (pytest.approx(4987.0), None)


def test_runs_that_cannot_be_used_are_named():
    runs = [replace(run, rig="Heron") for run in simple_runs(["L", "R"] * 8, np.linspace(0.0, 9.0, 16))]
    runs[0] = replace(runs[0], temperature_c=None)
    runs[1] = replace(runs[1], position=None)
    runs[2] = replace(runs[2], excluded=True)
    runs[3] = replace(runs[3], filter=None)
    runs[4] = replace(runs[4], rig="Egret")
    runs[5] = replace(runs[5], verdict="failed")
    runs[6] = replace(runs[6], temperature_c=-999.0)
    runs[7] = replace(runs[7], position=1e300)
    runs.append(runs[-1])
    drift = fit_drift(runs)
    assert [str(one.reason) for one in drift.set_aside] == [
        "no temperature",
        "no best position",
        "excluded by hand",
        "no filter",
        "of another rig: Egret",
        "no best position",
        "temperature_c -999 is not between -90 and 60 °C",
        "position 1e+300 is not between -1e+09 and 1e+09 steps",
        "the same run as the one before",
    ]
    assert {"temperature_missing", "filter_missing", "several_rigs"} <= set(drift.flags)


def test_missing_temperatures_come_from_a_log():
    runs = simple_runs(["L", "R"] * 6, np.linspace(0.0, 9.0, 12))
    moments = np.array([run.time.timestamp() for run in runs])
    blank = [replace(run, temperature_c=None) for run in runs]
    drift = fit_drift(blank, temperatures=(moments, np.linspace(0.0, 9.0, 12)))
    assert drift.steps_per_c == pytest.approx(-6.5, abs=1e-3)
    assert "temperature_from_log" in drift.flags
    assert "no_thermometer" in fit_drift(blank, temperatures=(moments - 1e6, np.linspace(0.0, 9.0, 12))).flags


def test_rigs_are_never_mixed():
    ours = simple_runs(["L", "R"] * 6, np.linspace(0.0, 9.0, 12), rig="Heron")
    other = [replace(run, rig="Egret", position=run.position * 2.0) for run in ours[:8]]
    both = fit_drift([*other, *ours])
    assert (both.rig, both.steps_per_c) == ("Heron", fit_drift(ours).steps_per_c)
    assert "several_rigs" in both.flags
    egret = fit_drift([*other, *ours], rig="Egret")
    assert egret.steps_per_c == fit_drift(other).steps_per_c
    assert "several_rigs" not in egret.flags
    with pytest.raises(FocuskitError, match="no run of the rig 'Stork'; rigs with runs: Egret, Heron"):
        fit_drift([*other, *ours], rig="Stork")


def test_of_rigs_with_as_many_runs_the_first_is_taken_and_the_others_are_named():
    runs = [replace(run, rig=rig) for run, rig in zip(simple_runs(["L"] * 3, [3.0, 4.0, 5.0]), "ABC", strict=True)]
    drift = fit_drift(runs)
    assert (drift.rig, len(drift.used)) == ("A", 1)
    assert [str(one.reason) for one in drift.set_aside] == ["of another rig: B", "of another rig: C"]
    assert {"several_rigs", "too_few_runs"} <= set(drift.flags)
    assert "--rig-name" in flags.describe("several_rigs").advice


@pytest.mark.parametrize("apart_c", [1.5, 6.0])
def test_two_sensors_mixed_are_noticed(apart_c):
    season = make_season(np.random.default_rng(16), jump=0.0, wild=0.0)
    rng = np.random.default_rng(17)
    runs = [replace(run, temperature_c=run.temperature_c + apart_c * (rng.random() < 0.5)) for run in season.runs]
    assert "mixed_runs" in fit_drift(runs).flags
    assert "mixed_runs" not in fit_drift(season.runs).flags


def test_one_clump_is_not_two():
    rng = np.random.default_rng(18)
    taken = 0
    for _ in range(8):
        warmth = rng.normal(0.0, 5.0, 150)
        taken += is_two_groups(np.column_stack([np.ones(150), warmth]), 3.0 * warmth + rng.normal(0.0, 2.7, 150))
    assert taken == 0
    # nor are nights that shift by three scatters
    season = make_season(np.random.default_rng(93), nights=12, jump=0.0, wild=0.0, night_shift=8.0)
    assert "mixed_runs" not in fit_drift(season.runs).flags


def test_a_filter_half_of_whose_runs_are_wild_is_not_given():
    runs = simple_runs(["L", "R"] * 10 + ["Ha"] * 4, [*np.linspace(0.0, 9.0, 20), 2.0, 4.0, 6.0, 8.0])
    rng = np.random.default_rng(19)
    runs = [replace(run, position=run.position + rng.normal(0.0, 2.0)) for run in runs]
    runs[20:22] = [replace(run, position=run.position + 90.0) for run in runs[20:22]]
    drift = fit_drift(runs)
    (ha,) = [one for one in drift.filters if one.filter == "Ha"]
    assert ha.offset_steps is None
    assert "filter_disputed" in drift.flags


def test_reference_filter_and_spelling():
    season = make_season(np.random.default_rng(20))
    runs = [
        replace(run, filter="ha" if run.filter == "Ha" and i % 2 else run.filter) for i, run in enumerate(season.runs)
    ]
    plain, other = fit_drift(runs), fit_drift(runs, reference_filter="ha")
    assert len(plain.filters) == 7
    assert plain.reference_filter == "L"
    assert other.filters[0].filter.casefold() == "ha"
    assert (other.filters[0].offset_steps, other.filters[0].err) == (0.0, 0.0)
    red = {one.filter: one.offset_steps for one in plain.filters}
    for one in other.filters:
        expected = next(v for name, v in red.items() if name == one.filter) - red[other.filters[0].filter]
        assert one.offset_steps == pytest.approx(expected, abs=1e-6)
    with pytest.raises(FocuskitError, match="reference filter 'Hb'"):
        fit_drift(runs, reference_filter="Hb")
    without = fit_drift([run for run in runs if run.filter != "L"])
    most = max(without.filters, key=lambda one: one.runs)
    assert without.reference_filter == most.filter


def test_a_camera_without_filters():
    runs = [replace(run, filter=None) for run in simple_runs(["L"] * 9, np.linspace(0.0, 9.0, 9))]
    drift = fit_drift(runs)
    assert drift.steps_per_c == pytest.approx(-6.5)
    assert drift.reference_filter is None
    assert [one.filter for one in drift.filters] == [None]


def test_prediction_and_draws_agree_with_the_answer():
    drift = fit_drift(make_season(np.random.default_rng(21), at=80, jump=80.0).runs)
    here, err = drift.predict("Ha", 4.5)
    reference, _ = drift.predict("L", 4.5)
    by_name = {one.filter: one for one in drift.filters}
    assert here - reference == pytest.approx(by_name["Ha"].offset_steps)
    assert 0.0 < err < 3.0
    before, _ = drift.predict("Ha", 4.5, drift.rebuilds[0].time - timedelta(hours=1))
    assert here - before == pytest.approx(drift.rebuilds[0].jump_steps)
    k, offsets = drift.draw(np.random.default_rng(3), 20000, ["OIII", "L"])
    assert k.mean() == pytest.approx(drift.steps_per_c, abs=0.05 * drift.steps_per_c_err)
    assert k.std() == pytest.approx(drift.steps_per_c_err, rel=0.03)
    assert offsets.shape == (2, 20000)
    assert offsets[0].std() == pytest.approx(by_name["OIII"].err, rel=0.03)
    assert np.all(offsets[1] == 0.0)
    for ask in (lambda: drift.predict("Hb", 1.0), lambda: drift.draw(np.random.default_rng(3), 2, ["Hb"])):
        with pytest.raises(FocuskitError, match="no logged run in filter Hb"):
            ask()


@settings(max_examples=5, deadline=None)
@given(
    shift=st.floats(-5000.0, 5000.0),
    warmer=st.floats(-20.0, 20.0),
    stretch=st.floats(0.1, 50.0),
    seed=st.integers(0, 99),
)
def test_shift_scale_and_order_do_not_matter(shift, warmer, stretch, seed):
    rng = np.random.default_rng(seed)
    season = make_season(rng, nights=8)
    plain = fit_drift(season.runs)
    moved = [
        replace(run, position=shift + stretch * run.position, position_err=stretch * run.position_err,
                temperature_c=run.temperature_c + warmer)
        for run in season.runs
    ]  # fmt: skip
    rng.shuffle(moved)
    other = fit_drift(moved)
    assert len(other.used) == len(plain.used)
    assert other.steps_per_c == pytest.approx(stretch * plain.steps_per_c, rel=1e-3)
    assert [one.offset_steps for one in other.filters] == pytest.approx(
        [stretch * one.offset_steps for one in plain.filters], rel=1e-2, abs=0.02 * stretch
    )


def test_json_is_what_is_promised_and_every_flag_is_known():
    drift = fit_drift(make_season(np.random.default_rng(22), at=80).runs)
    answer = json.loads(json.dumps(drift.to_json(), allow_nan=False))
    assert answer["schema"] == "focuskit.offsets/1"
    assert answer["runs_used"] + len(answer["runs_set_aside"]) == 160
    assert set(answer["runs_set_aside"][0]) == {"time", "filter", "why"}
    assert answer["reference_filter"] == "L"
    assert {"steps_per_c", "err", "range_c"} <= set(answer["temperature"])
    assert {"filter", "offset_steps", "err", "runs"} <= set(answer["filters"][0])
    assert {"time", "jump_steps", "err"} <= set(answer["rebuilds"][0])
    assert answer["scatter_steps"] == pytest.approx(2.7, abs=0.5)
    assert answer["flags"] == list(flags.check(answer["flags"]))
    assert answer["temperature"]["steps_per_c"] == pytest.approx(STEPS_PER_C, abs=0.3)


def test_nothing_usable_is_one_line():
    with pytest.raises(FocuskitError, match="the table is empty"):
        fit_drift([])
    with pytest.raises(FocuskitError, match="no best position"):
        fit_drift([LoggedRun(START, None, "L")])


# Published coefficients -------------------------------------------------------------------


def season_of(coefficient, scatter, unit_offset=0.0, n=200, seed=41):
    """Runs of one filter on a published coefficient, at temperatures from -5 to 20 °C."""
    rng = np.random.default_rng(seed)
    celsius = rng.uniform(-5.0, 20.0, n)
    return [
        LoggedRun(
            START + timedelta(hours=i),
            float(unit_offset + coefficient * c + rng.normal(0.0, scatter)),
            "V",
            float(c),
        )
        for i, c in enumerate(celsius)
    ]


@pytest.mark.parametrize(
    "coefficient, scatter",
    [
        # KAIT (astro.berkeley.edu, expansion page): (22e-6 - 9e-6)/K · 62 in = 20.47 µm/K
        ((22e-6 - 9e-6) * 62.0 * 25400.0, 10.0),
        # 6061 aluminium, 23.6e-6/K (68 to 212 °F, AA typical): a tube of 1.4 m, in µm
        (-23.6e-6 * 1.4e6, 10.0),
        # Invar 36, 1.93e-6/K (ASTM F1684, 30 to 100 °C): a truss of 2 m, in µm
        (-1.93e-6 * 2.0e6, 5.0),
        # MONET (monet.uni-goettingen.de): -0.01751 mm per °C of air, scatter 0.025 mm
        (-0.01751, 0.025),
        # INT (ING manual, node 146): 0.07335 per °C at the Cassegrain focus
        (0.07335, 0.05),
    ],
)
def test_published_coefficients_come_back_in_their_own_units(coefficient, scatter):
    drift = fit_drift(season_of(coefficient, scatter))
    assert drift.steps_per_c_err == pytest.approx(scatter / (7.2 * math.sqrt(200.0)), rel=0.2)
    assert abs(drift.steps_per_c - coefficient) < 3.0 * drift.steps_per_c_err
    assert drift.rebuilds == ()


def test_filter_offsets_of_acam_come_back():
    # ING ACAM focus offsets: -0.0045 mm per mm of glass + C for U, B, V, R, I, Z of 5 mm each
    constants = {"U": 0.016, "B": 0.028, "V": 0.002, "R": -0.027, "I": -0.055, "Z": -0.063}
    rng = np.random.default_rng(42)
    names = list(constants) * 20
    celsius = rng.uniform(5.0, 15.0, len(names))
    position = [
        1.0 - 0.0045 * 5.0 + constants[f] + 0.01 * c + rng.normal(0.0, 0.005)
        for f, c in zip(names, celsius, strict=True)
    ]
    runs = [
        LoggedRun(START + timedelta(hours=i), float(y), f, float(c))
        for i, (y, f, c) in enumerate(zip(position, names, celsius, strict=True))
    ]
    drift = fit_drift(runs, reference_filter="R")
    for one in drift.filters[1:]:
        assert abs(one.offset_steps - (constants[one.filter] - constants["R"])) < 3.5 * one.err
        assert one.err == pytest.approx(0.005 * math.sqrt(2.0 / 20.0), rel=0.25)


def test_learning_takes_rig_rebuilds_and_temperatures_from_files():
    runs = simple_runs(["L", "R"] * 6, np.linspace(0.0, 9.0, 12), rig="Heron")
    runs += [replace(run, rig="Egret") for run in runs] + [replace(runs[0], rig="Egret", time=START - timedelta(1))]
    rig_file = RigFile(rig=Rig(name="Heron"), rebuilds=(runs[4].time,))
    log = TemperatureLog(np.array([run.time.timestamp() for run in runs[:12]]), np.linspace(0.0, 9.0, 12), ((0, 12),))
    blank = [replace(run, temperature_c=None) for run in runs]
    drift = learn_drift(blank, rig_file, log=log, rebuilds=[runs[8].time], search_rebuilds=False)
    assert drift.rig == "Heron"
    assert [one.time for one in drift.rebuilds] == [runs[4].time, runs[8].time]
    assert "temperature_from_log" in drift.flags
    assert drift.steps_per_c == pytest.approx(-6.5, abs=1e-3)
    assert learn_drift(runs, rig_file, rig="Egret").rig == "Egret"
    assert learn_drift(runs).rig == "Egret"
    assert learn_drift(runs, reference_filter="R").reference_filter == "R"


def test_a_drift_shows_itself_and_compares():
    season = make_season(np.random.default_rng(23), nights=6)
    drift, same = fit_drift(season.runs), fit_drift(season.runs)
    assert drift == same
    assert drift != fit_drift(season.runs[:-1])
    lines = repr(drift).splitlines()
    assert 1 <= len(lines) <= 10
    assert max(map(len, lines)) < 400
    assert f"{drift.steps_per_c:.1f}" in lines[0]
    page = drift._repr_html_()
    assert page.count("<circle") == len(drift.used)
    assert "learned drift" in page
    # the line of the picture: drift times warmth where no other term is taken
    assert drift.terms.bend is None
    change = drift.change_with_temperature(np.array([drift.reference_c, drift.reference_c + 2.0]))
    assert change == pytest.approx([0.0, 2.0 * drift.steps_per_c])


# Cases in which a drift was wrong without a word --------------------------------------------


def fit_many(seed, count, **kind):
    """Drifts of seeded seasons, as (error of the slope, quoted error, flags, rebuilds)."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        drift = fit_drift(make_season(rng, **kind).runs)
        found.append((drift.steps_per_c - STEPS_PER_C, drift.steps_per_c_err, set(drift.flags), drift.rebuilds))
    return found


def test_offsets_beside_a_bend_are_those_of_the_table_and_of_a_prediction():
    rng = np.random.default_rng(61)
    pulls = []
    for _ in range(3):
        drift = fit_drift(make_season(rng, bend=0.15, jump=0.0).runs)
        assert "drift_bends" in drift.flags
        # what the bend explains is no rebuild
        assert drift.rebuilds == ()
        for one, truth in zip(drift.filters[1:], OFFSETS[1:], strict=True):
            at = [drift.predict(name, drift.reference_c)[0] for name in (one.filter, "L")]
            assert at[0] - at[1] == pytest.approx(one.offset_steps, abs=1e-9)
            pulls.append((one.offset_steps - truth) / one.err)
    assert rms(np.array(pulls)) < 1.6
    assert np.max(np.abs(pulls)) < 4.0


def test_few_nights_carry_what_their_shifts_may_be():
    found = fit_many(62, 8, nights=2, night_shift=3.0, jump=0.0)
    off, err = np.array([one[:2] for one in found]).T
    assert all("shifts_assumed" in flags for _, _, flags, _ in found)
    # single runs alone would give a seventh of the true error
    assert rms(off) < 2.0 * rms(err)
    assert all("shifts_assumed" not in flags for _, _, flags, _ in fit_many(62, 1, nights=6, jump=0.0))


def test_a_rebuild_between_a_warm_and_a_cold_part_is_found():
    for cooling_c in ((2.0, 7.0), (0.5, 1.5)):
        for off, err, _, rebuilds in fit_many(63, 2, gap_c=20.0, jump=45.0, cooling_c=cooling_c):
            assert len(rebuilds) == 1
            assert rebuilds[0].jump_steps == pytest.approx(45.0, abs=4.0 * rebuilds[0].err)
            assert abs(off) < 4.0 * err


def test_a_gap_that_carries_the_drift_is_said():
    kind = {"jump": 0.0, "seasonal_c": 0.0, "cooling_c": (0.2, 0.6), "wild": 0.0}
    assert [("drift_across_gap" in one[2]) for one in fit_many(64, 2, gap_c=25.0, **kind)] == [True, True]
    assert "drift_across_gap" not in fit_many(64, 1, **kind)[0][2]


def test_a_rebuild_that_a_gap_may_hide_is_in_the_error():
    rng = np.random.default_rng(901)
    narrow = {"round_c": 1.0, "cooling_c": (1.0, 3.0), "seasonal_c": 4.0, "bend": 0.15}
    kind = {"nights": 6, "night_shift": 3.0, "gap_c": 15.0, "jump": 45.0, **narrow}
    seasons = [make_season(rng, **kind) for _ in range(12)]
    # two in which the runs do not show the rebuild: without its fits in the average they are off by 7.6 and 23 errors
    for season in (seasons[7], seasons[11]):
        drift, at = fit_drift(season.runs), season.celsius[~season.wild] - 5.0
        truth = STEPS_PER_C + 0.15 * float(np.polyfit(at, at**2, 1)[0])
        assert abs(drift.steps_per_c - truth) < 2.0 * drift.steps_per_c_err


def test_rounded_temperatures_do_not_draw_the_drift_to_zero():
    found = fit_many(65, 8, round_c=1.0, cooling_c=(1.0, 3.0), seasonal_c=2.0, night_shift=8.0, jump=0.0)
    off, err = np.array([one[:2] for one in found]).T
    assert all("slopes_differ" not in flags for _, _, flags, _ in found)
    # uncorrected the mean is off by a quarter of 6.5 within nights, beyond four errors of the mean
    assert abs(np.mean(off)) < 2.5 * rms(err) / math.sqrt(8.0)
    assert rms(off / err) < 1.6


def test_a_noisy_sensor_is_said():
    found = fit_many(66, 3, sensor_noise_c=1.0, night_shift=3.0, jump=0.0)
    assert all("slopes_differ" in flags for _, _, flags, _ in found)
    # the drift is that between nights; that of all runs is off by a quarter
    assert all(abs(off) < 3.0 * err < 1.5 for off, err, _, _ in found)


def test_a_slip_with_every_run_is_no_row_of_rebuilds():
    for off, err, raised, rebuilds in fit_many(67, 3, slip=0.45, jump=0.0):
        assert rebuilds == ()
        assert "focus_creeps" in raised
        assert abs(off) < 4.0 * err


def test_a_drift_that_changed_at_a_rebuild_is_said():
    rng = np.random.default_rng(68)
    drift = fit_drift(make_season(rng, drift_after=-1.5, at=80, seasonal_c=0.0).runs)
    assert "drift_changed" in drift.flags
    assert "drift_changed" not in fit_drift(make_season(rng, at=80, seasonal_c=0.0).runs).flags


def test_a_random_walk_within_nights_is_in_the_errors():
    scores = []
    for seed in range(4, 10):
        drift = fit_drift(make_season(np.random.default_rng(seed), wild=0.0, jump=0.0, walk=6.0).runs)
        scores.append((drift.steps_per_c - STEPS_PER_C) / drift.steps_per_c_err)
        assert "focus_wanders" in drift.flags
    # chi-squared with six degrees of freedom, 99 % on both sides; without the walk in the fit it is 31.7
    assert 0.676 < np.sum(np.square(scores)) < 18.5
    assert "focus_wanders" not in fit_drift(make_season(np.random.default_rng(1), jump=0.0).runs).flags


def test_a_filter_that_shares_no_night_with_the_reference_is_said():
    celsius = [*np.linspace(4.0, 9.0, 10), *np.linspace(3.0, 8.0, 6)]
    runs = simple_runs(["L", "R"] * 5 + ["Ha"] * 6, celsius)
    later = [replace(run, time=run.time + timedelta(days=3)) for run in runs[10:]]
    assert "no_shared_night" in fit_drift([*runs[:10], *later]).flags
    # a chain of filters links them
    chain = [*runs[:10], *later, replace(later[0], filter="R", position=later[0].position - 46.5)]
    chain[-1] = replace(chain[-1], time=chain[-1].time + timedelta(minutes=5))
    assert "no_shared_night" not in fit_drift(chain).flags


@pytest.mark.parametrize(
    ("own_c", "other_c", "best"),
    [(0.0, 1.0, "temperature_c"), (1.0, 0.0, "other_temperature_c"), (0.4, 0.4, None)],
)
def test_of_two_sensors_the_one_that_follows_focus_is_named(own_c, other_c, best):
    # the noise of either sensor; 0.4 °C are 2.6 steps, as much as a run scatters
    rng = np.random.default_rng(72)
    season = make_season(rng, nights=6, jump=0.0)
    runs = [
        replace(run, temperature_c=c + own_c * rng.normal(), other_temperature_c=c + other_c * rng.normal())
        for run, c in zip(season.runs, season.celsius.tolist(), strict=True)
    ]
    drift = fit_drift(runs)
    assert [one.sensor for one in drift.sensors if one.best] == ([best] if best else [])
    assert ("other_sensor_better" in drift.flags) == (best == "other_temperature_c")
    assert ("runs do not show" in drift.sensors_sentence()) == (best is None)
    assert drift.to_json()["sensors"][0]["sensor"] == "temperature_c"


@pytest.mark.parametrize("follows", ["altitude", "pier_side", None])
def test_what_follows_altitude_or_side_of_pier_is_flagged(follows):
    rng = np.random.default_rng(73)
    runs = []
    for run in make_season(rng, jump=0.0).runs:
        altitude, west = float(rng.uniform(30.0, 80.0)), bool(rng.random() < 0.5)
        moved = {"altitude": 0.15 * altitude, "pier_side": 4.0 * west, None: 0.0}[follows]
        side = "west" if west else "east"
        runs.append(replace(run, position=run.position + moved, altitude_deg=altitude, pier_side=side))
    drift = fit_drift(runs)
    raised = [flag for flag in drift.flags if flag.startswith("follows")]
    assert raised == ([f"follows_{follows}"] if follows else [])
    found = {one.follows: one for one in drift.follows}
    for name, truth in (("altitude", 0.15), ("pier_side", 4.0)):
        assert found[name].steps == pytest.approx(truth * (name == follows), abs=3.0 * found[name].err)


def test_runs_of_two_telescopes_of_other_drifts_are_noticed():
    season = make_season(np.random.default_rng(69), jump=0.0)
    rng = np.random.default_rng(70)
    runs = [
        replace(run, position=run.position + 3.0 * (run.temperature_c - 5.0) * (rng.random() < 0.5))
        for run in season.runs
    ]
    assert "mixed_runs" in fit_drift(runs).flags


@pytest.mark.parametrize("unit", [1e-3, 1e3])
def test_nothing_depends_on_the_unit_of_the_positions(unit):
    for kind in ({"nights": 3, "jump": 0.0}, {"night_shift": 3.0, "at": 80}):
        season = make_season(np.random.default_rng(71), **kind)
        plain = fit_drift(season.runs)
        other = fit_drift(
            [replace(r, position=unit * r.position, position_err=unit * r.position_err) for r in season.runs]
        )
        assert other.flags == plain.flags
        assert [one.run.time for one in other.set_aside] == [one.run.time for one in plain.set_aside]
        for a, b in [
            (other.steps_per_c, plain.steps_per_c),
            (other.steps_per_c_err, plain.steps_per_c_err),
            (other.scatter_steps, plain.scatter_steps),
            (other.night_scatter_steps, plain.night_scatter_steps),
            *((x.err, y.err) for x, y in zip(other.filters, plain.filters, strict=True)),
            *((x.jump_steps, y.jump_steps) for x, y in zip(other.rebuilds, plain.rebuilds, strict=True)),
        ]:
            assert a == pytest.approx(unit * b, rel=1e-5)
        assert [(one.filter, one.temperature_c) for one in other.advice] == [
            (one.filter, one.temperature_c) for one in plain.advice
        ]
        assert [("unknown" in one.settles) for one in other.advice] == [("unknown" in x.settles) for x in plain.advice]
