"""The verdicts of the benches, on errors of a known law."""

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "scripts"))
from bench_rigs import Answer, judge

ZONE, CELLS = 10.0, 600


@pytest.mark.parametrize("nights", [1, 4])
def test_a_cell_as_good_as_its_goals_is_blamed_in_one_of_twenty(nights):
    """Four runs of some nights, whose error is common to each night: without a question mark in 5 % of the cells.

    Three standard errors of so many cells are 2.7 %.
    """
    rng = np.random.default_rng(1507)

    def answer(rms):
        error = np.repeat(rms * rng.standard_normal(nights), 4 // nights)
        return Answer(error, np.full(4, rms), ZONE, failed=0, nights=nights)

    blamed = [judge(answer(0.1 * ZONE), answer(0.1 * ZONE / 1.6)).split(", ") for _ in range(CELLS)]
    for goal in ("zone", "mono"):
        assert abs(np.mean([goal in missed for missed in blamed]) - 0.05) < 0.027
