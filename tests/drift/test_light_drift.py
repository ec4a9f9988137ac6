"""Drift and offsets from light frames: seeded seasons at the level of measurements, whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest
from light_seasons import FILTERS, OFFSETS, STEPS_PER_C, UM_PER_STEP, make_season

from focuskit.drift import learn_drift, learn_with_lights

TRUTH = np.array([STEPS_PER_C, *OFFSETS[1:]])


def told(drift):
    """Return drift and offsets from L, and their errors."""
    found = {one.filter: one for one in drift.filters}
    values = [drift.steps_per_c, *(found[name].offset_steps for name in FILTERS[1:])]
    errs = [drift.steps_per_c_err, *(found[name].err for name in FILTERS[1:])]
    return np.array(values), np.array(errs)


@pytest.fixture(scope="module")
def alone():
    """Learn two seasons of light frames alone."""
    return [learn_with_lights([], make_season(np.random.default_rng(100 + k))[0]) for k in range(2)]


def test_light_frames_alone_give_drift_and_offsets(alone):
    """Drift within 3 %, offsets within 3 steps in each season, and all within three of their errors.

    `scripts/bench_light_drift.py` looks at the coverage of more seasons.
    """
    values, errs = np.array([told(drift) for drift in alone]).transpose(1, 0, 2)
    off = np.abs(values - TRUTH)
    assert off[:, 0].max() < 0.03 * abs(STEPS_PER_C)
    assert off[:, 1:].max() < 3.0
    assert np.all(off < 3.0 * errs) and np.all(errs < 0.01 * np.array([abs(STEPS_PER_C), 100.0, 100.0]))


def test_what_light_frames_did_is_in_the_answer(alone):
    answer = alone[0].to_json()
    assert answer["runs_used"] == 0 and answer["lights"]["used"] > 550
    assert sum(one["lights"] for one in answer["filters"]) == answer["lights"]["used"]
    assert not answer["lights"]["sides_open"] and "light_sides_open" not in answer["flags"]


def test_runs_and_light_frames_together_are_better_than_either():
    """The error of the drift is smaller than that of either alone, and the truth within three of it."""
    lights, runs = make_season(np.random.default_rng(7), nights=6, per_night=30, runs=5)
    both, of_lights, of_runs = learn_with_lights(runs, lights), learn_with_lights([], lights), learn_drift(runs)
    assert both.runs_used == len(runs) == 15
    assert both.steps_per_c_err < min(of_lights.steps_per_c_err, of_runs.steps_per_c_err)
    values, errs = told(both)
    assert np.all(np.abs(values - TRUTH) < 3.0 * errs)


def test_without_a_move_all_signs_are_open_together():
    """No sign is given, but the size of the drift in µm per °C; one focus run in each filter settles it."""
    lights, _ = make_season(np.random.default_rng(11), nights=3, per_night=30, moves=False)
    drift = learn_with_lights([], lights)
    assert "light_sides_open" in drift.flags and drift.lights.sides_open and drift.lights.used == 0
    assert drift.steps_per_c is None and all(one.offset_steps is None for one in drift.filters[1:])
    assert drift.predict("L", 5.0) == (None, None)
    size, err = drift.lights.um_per_c_size, drift.lights.um_per_c_size_err
    assert abs(size - abs(STEPS_PER_C) * UM_PER_STEP) < 3.0 * err and err < 0.05 * size
    unknown = learn_with_lights([], [replace(light, um_per_step=None) for light in lights])
    assert unknown.lights.um_per_c_size == pytest.approx(size, rel=0.02) and unknown.lights.steps_per_c_size is None
    assert unknown.steps_per_c is None and "light_sides_open" in unknown.flags
    lights, runs = make_season(np.random.default_rng(11), nights=3, per_night=30, moves=False, runs=1)
    settled = learn_with_lights(runs, lights)
    values, errs = told(settled)
    assert not settled.lights.sides_open and np.all(np.abs(values - TRUTH) < 3.0 * errs)


def test_too_few_light_frames_change_nothing():
    """Nine frames beside runs leave the answer of the runs alone."""
    lights, runs = make_season(np.random.default_rng(7), nights=3, per_night=30, runs=3)
    assert learn_with_lights(runs, lights[:9]).to_json() == learn_drift(runs).to_json()
