"""What the profile fit and the field map cost on a night of large frames, beside measuring sizes alone.

    python scripts/bench_time.py --runs 6 --frames 9 --size 4176x6248 --seed 1

The same night is analysed by one process with and without the optics: without them there are sizes and
curves only. Both are done in turn, twice; the lines tell CPU seconds in all and for a frame, and how much
more the whole takes.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from focuskit.core.optics import Rig
from focuskit.frames import RigFile
from focuskit.night import analyse
from focuskit.scenes import Scene, Sweep, simulate_run, strew_stars, write_frame

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
OPTICS = ("FOCALLEN", "APTDIA", "XPIXSZ", "YPIXSZ")


def draw_night(folder: Path, runs: int, frames: int, shape_px: tuple[int, int], rng: np.random.Generator) -> None:
    """Write one run, and again with other noise for each further one; the headers do not tell the optics."""
    x, y, flux = strew_stars(400, shape_px, rng, faintest_e_per_s=1500.0)
    scene = Scene(RIG, shape_px, x, y, flux, seeing_arcsec=3.0, seeing_jitter=0.12)
    positions = [10000 + round(280 * (k / (frames - 1) - 0.5)) for k in range(frames)]
    start = datetime(2031, 3, 4, 20, tzinfo=UTC)
    for number, frame in enumerate(simulate_run(scene, Sweep("L", start, 8.0, 2.0, positions), rng)):
        for run in range(runs):
            begun = start + timedelta(minutes=20 * run, seconds=8 * number)
            facts = {name: value for name, value in frame.facts.items() if name not in OPTICS}
            facts["DATE-OBS"] = begun.strftime("%Y-%m-%dT%H:%M:%S")
            noise = rng.integers(0, 4, shape_px, dtype=np.uint16)
            write_frame(folder / f"frame_{run:02d}_{number:02d}.fits", frame.image + noise, facts)


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--frames", type=int, default=9)
    parser.add_argument("--size", default="4176x6248", help="rows and columns of the frames")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows, columns = (int(part) for part in options.size.split("x"))
    with tempfile.TemporaryDirectory() as name:
        draw_night(Path(name), options.runs, options.frames, (rows, columns), np.random.default_rng(options.seed))
        total = options.runs * options.frames
        ways = {"sizes and curves": RigFile(), "all": RigFile(rig=replace(RIG, name="Heron"))}
        for _ in range(2):
            spent = {}
            for way, rig_file in ways.items():
                begun = time.process_time()
                night = analyse(name, rig_file=rig_file, workers=1)
                spent[way] = time.process_time() - begun
                told = sum(run.profile is not None for run in night.runs), len(night.runs)
                print(
                    f"{way:17s} {spent[way]:6.2f} s, {1e3 * spent[way] / total:6.1f} ms a frame, "
                    f"profile fit in {told[0]} of {told[1]} runs",
                    flush=True,
                )
            print(f"more by {100.0 * (spent['all'] / spent['sizes and curves'] - 1.0):.0f} %", flush=True)


if __name__ == "__main__":
    main()
