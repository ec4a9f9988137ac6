"""Compare the errors that the drift fit quotes with the truth of seeded seasons.

    python scripts/bench_drift_coverage.py [--seasons 300] [--seed 1] [--rows WORD ...]

A row is one kind of season: each factor by itself, then crossed. Printed are, for the drift and for the
offsets, the share of errors within one and within 1.96 quoted standard errors, the rms error over the rms
quoted, and in how many seasons each flag was raised. From six nights on 68 % and 95 % should be met in every
row; with two to four nights the shifts are drawn from the prior that `docs/method_drift.md` states.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from invented_seasons import FILTERS, OFFSETS, STEPS_PER_C, make_season

from focuskit.drift import fit_drift
from focuskit.drift.scatter import MIDDLE_RATIO, NO_SHIFTS, SPREAD_OF_LOG_RATIO

FACTORS: dict[str, dict[str, Any]] = {
    "round": {"round_c": 1.0, "cooling_c": (1.0, 3.0), "seasonal_c": 4.0},
    "bend": {"bend": 0.15},
    "gap": {"gap_c": 15.0, "jump": 45.0},
}
# standard deviation of a run in the invented seasons: 2.5 steps and the runs' own errors
RUN_STEPS = 2.7


def rows() -> dict[str, dict[str, Any]]:
    """Return the settings of every row."""
    kinds: dict[str, dict[str, Any]] = {f"{n} nights, prior": {"nights": n, "jump": 0.0} for n in (2, 3, 4)}
    kinds |= {f"{n} nights": {"nights": n, "jump": 0.0} for n in (6, 20)}
    kinds["20 nights, rebuild"] = {}
    kinds |= {f"20 nights, shift {shift}": {"night_shift": float(shift), "jump": 0.0} for shift in (3, 8)}
    kinds |= {f"20 nights, {name}": {"jump": 0.0} | factor for name, factor in FACTORS.items()}
    for nights in (6, 20):
        common = {"nights": nights, "jump": 0.0}
        for shift in (0, 3, 8):
            for name, factor in FACTORS.items():
                kinds[f"{nights} nights x shift {shift} x {name}"] = common | {"night_shift": float(shift)} | factor
        every = {key: value for factor in FACTORS.values() for key, value in factor.items()}
        kinds[f"{nights} nights x shift 3 x all"] = common | {"night_shift": 3.0} | every
    for nights in (3, 6, 20):
        kinds[f"{nights} nights, no thermometer"] = {"nights": nights, "jump": 0.0}
    kinds["20 nights, walk 3, no thermometer"] = {"walk": 3.0}
    return kinds


def true_slope(season: Any, bend: float) -> float:
    """Slope of the straight line nearest to the true curve at the sound runs."""
    at = season.celsius[~season.wild] - 5.0
    return STEPS_PER_C + bend * float(np.polyfit(at, at**2, 1)[0])


@dataclass
class Row:
    """What a row of seasons gave: (n, 2) arrays of true and quoted errors, and how often each flag was raised."""

    name: str
    drifts: np.ndarray
    offsets: np.ndarray
    flags: Counter[str]


def run_row(name: str, seasons: int, seed: int) -> Row:
    """Fit the seasons of a row, which has a seed of its own."""
    settings = rows()[name]
    rng = np.random.default_rng([seed, *name.encode()])
    drifts, offsets, flags = [], [], Counter[str]()
    for _ in range(seasons):
        shown = float(rng.random() > NO_SHIFTS) * MIDDLE_RATIO * float(np.exp(SPREAD_OF_LOG_RATIO * rng.normal()))
        shift = {"night_shift": RUN_STEPS * shown} if "prior" in name else {}
        season = make_season(rng, **(settings | shift))
        runs = [replace(run, temperature_c=None) for run in season.runs] if "no thermometer" in name else season.runs
        drift = fit_drift(runs)
        flags.update(drift.flags)
        truth = true_slope(season, settings.get("bend", 0.0))
        if drift.steps_per_c is not None and drift.steps_per_c_err is not None:
            drifts.append((drift.steps_per_c - truth, drift.steps_per_c_err))
        for one in drift.filters[1:]:
            if one.offset_steps is not None and one.err is not None and drift.reference_filter == "L":
                offsets.append((one.offset_steps - OFFSETS[FILTERS.index(str(one.filter))], one.err))
    return Row(name, np.array(drifts), np.array(offsets), flags)


def _figures(pairs: np.ndarray) -> str:
    if not pairs.size:
        return "   -    -     -      -"
    off, err = np.abs(pairs[:, 0]), pairs[:, 1]
    within = [100.0 * float(np.mean(off < times * err)) for times in (1.0, 1.96)]
    ratio = np.sqrt(np.mean(off**2) / np.mean(err**2))
    return f"{within[0]:4.0f} {within[1]:4.0f} {ratio:5.2f} {np.median(err):6.2f}"


def main() -> None:
    """Print a line for each row."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seasons", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="rows at a time, each in a process of its own")
    parser.add_argument("--rows", nargs="*", default=[""], help="only rows with one of these words in their name")
    asked = parser.parse_args()
    print(f"{'':28}  drift: c68 c95 ratio err   offsets: c68 c95 ratio err   flags")
    chosen = [name for name in rows() if any(word in name for word in asked.rows)]
    with ProcessPoolExecutor(asked.jobs) as pool:
        for row in pool.map(partial(run_row, seasons=asked.seasons, seed=asked.seed), chosen):
            shown = ", ".join(f"{flag} {count}" for flag, count in row.flags.most_common() if flag != "wild_runs")
            print(f"{row.name:28} {_figures(row.drifts)}  {_figures(row.offsets)}   {shown}", flush=True)


if __name__ == "__main__":
    main()
