"""Time the drift fit on logbooks of growing length: the cost must grow linearly.

    python scripts/bench_drift.py [RUNS ...]

A rebuild every 2000 runs, seven filters, 6 % wild runs, 8 runs a night.
"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime

import numpy as np

from focuskit.core.logged import LoggedRun
from focuskit.drift import fit_drift

FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
OFFSETS = np.array([0.0, 14.0, 9.0, -11.0, 62.0, 55.0, 68.0])


def make_book(n: int, rng: np.random.Generator) -> list[LoggedRun]:
    """Return ``n`` runs of years of nights."""
    night = np.arange(n) // 8
    hours = np.sort(rng.uniform(0.0, 9.0, (night[-1] + 1, 8)), axis=1).ravel()[:n]
    season = 8.0 - 10.0 * np.cos(2.0 * np.pi * night / 365.25)
    celsius = season + rng.normal(0.0, 3.0, night[-1] + 1)[night] - hours * 0.5
    index = rng.integers(0, 7, n)
    rebuilds = np.cumsum(rng.uniform(-200.0, 200.0, n // 2000 + 1))[np.arange(n) // 2000]
    steps = 9000.0 + OFFSETS[index] - 6.5 * celsius + rebuilds + rng.normal(0.0, 2.7, n)
    wild = rng.random(n) < 0.06
    steps[wild] += rng.choice([-1, 1], wild.sum()) * rng.uniform(15.0, 300.0, wild.sum())
    moments = 1.9e9 + night * 86400.0 + hours * 3600.0
    return [
        LoggedRun(datetime.fromtimestamp(t, UTC), float(y), FILTERS[f], float(c), 1.0)
        for t, y, f, c in zip(moments, steps, index, celsius, strict=True)
    ]


def main() -> None:
    """Print a line for each length."""
    rng = np.random.default_rng(4)
    for n in [int(word) for word in sys.argv[1:]] or [1000, 3000, 10000, 30000, 100000]:
        book = make_book(n, rng)
        start = time.perf_counter()
        drift = fit_drift(book)
        took = time.perf_counter() - start
        print(
            f"{n:>7} runs: {took:6.2f} s, {took / n * 1e6:5.0f} µs a run; {len(drift.rebuilds)} rebuilds of "
            f"{(n - 1) // 2000} found; {drift.steps_per_c:.3f} ± {drift.steps_per_c_err:.3f} steps per °C",
            flush=True,
        )


if __name__ == "__main__":
    main()
