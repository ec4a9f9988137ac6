"""The sample night's quoted errors against the Cramér-Rao bound of the same stars."""

import json
from pathlib import Path

from bound_of_runs import bounds

from focuskit.core.times import format_time
from focuskit.core.workers import Workers

TRUTH = Path(__file__).parents[2] / "sample_data" / "night_truth.json"


def test_sample_night_is_near_the_bound_and_right(night):
    """Quoted errors are at most 1.6 times the bound with the aberration unknown, and no pull is beyond 3."""
    known = {(run["start"], run["filter"]): run["best_position"] for run in json.loads(TRUTH.read_text())["runs"]}
    # One run lies beside focus.
    best = [known[format_time(run.start), run.filter] for run in night.runs]
    shaped = [run for run, at in zip(night.runs, best, strict=True) if min(run.positions) < at < max(run.positions)]
    assert len(shaped) == 6
    with Workers(count=1) as pool:
        for run in shaped:
            err = run.fit.best_position_err
            assert err < 1.6 * bounds(run, pool)[2], run.start
            assert abs(run.fit.best_position - known[format_time(run.start), run.filter]) < 3.0 * err
            assert run.profile.matches
