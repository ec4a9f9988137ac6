"""Compare drift and offsets learned from light frames with the truth of seeded seasons, and their errors with coverage.

    python3 scripts/bench_light_drift.py --seasons 100

Each row is a kind of season: root mean square error, median quoted error, and how often one and two errors contain the
truth, of steps per °C and of the offsets of R and Ha from L. A season takes about 0.7 s of CPU time.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "drift")]

from light_seasons import OFFSETS, STEPS_PER_C, make_season  # noqa: E402

from focuskit.drift import learn_with_lights  # noqa: E402

TRUTH = np.array([STEPS_PER_C, *OFFSETS[1:]])
ROWS = {
    "10 nights": {},
    "with 5 nights of runs": {"runs": 5},
    "all inside of focus": {"inside": 20.0},
    "nights shifted by 10": {"shift": 10.0},
    "3 nights": {"nights": 3},
}


def main() -> None:
    """Print one line for each kind of season."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for name, kind in ROWS.items():
        values, errs, sides_open = [], [], 0
        for k in range(args.seasons):
            lights, runs = make_season(np.random.default_rng([args.seed, k]), **kind)
            drift = learn_with_lights(runs, lights, reference_filter="L")
            found = {one.filter: one for one in drift.filters}
            if drift.lights is None or drift.lights.sides_open:
                sides_open += 1
                continue
            values.append([drift.steps_per_c, found["R"].offset_steps, found["Ha"].offset_steps])
            errs.append([drift.steps_per_c_err, found["R"].err, found["Ha"].err])
        off = np.abs(np.array(values) - TRUTH)
        rms, usual = np.sqrt(np.mean(off**2, axis=0)), np.median(errs, axis=0)
        one, two = (100.0 * np.mean(off < n * np.array(errs), axis=0) for n in (1.0, 1.96))
        print(f"{name:<22} rms {rms.round(3)}  err {usual.round(3)}  68: {one.round()}  95: {two.round()}  "
              f"largest {off.max(axis=0).round(2)}  sides open {sides_open}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
