"""Measure time and memory for 5000 frames in one folder and for a logbook of 100 000 runs.

python scripts/bench_load.py [--frames 5000] [--runs 100000] [--workers 2]
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.logbook import Logbook
from focuskit.scenes import Scene, Sweep, simulate_run, write_frame

START = datetime(2031, 3, 4, 18, 0, tzinfo=UTC)
RUN_FRAMES = 10


def write_frames(folder: Path, count: int) -> None:
    """Write ``count`` small frames: the same run again and again with another noise, an hour apart."""
    rng = np.random.default_rng(1)
    y, x = (np.mgrid[0:3, 0:4] * 62.0 + 42.0 + rng.uniform(-5.0, 5.0, (2, 3, 4))).reshape(2, -1)
    rig = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
    scene = Scene(rig, (208, 270), x, y, rng.uniform(4e4, 2e5, x.size), drift_px=0.0)
    positions = [10000 + 25 * k for k in range(-5, 5)]
    frames = list(simulate_run(scene, Sweep("L", START, 8.0, 2.0, positions), rng))
    for number in range(count):
        run, step = divmod(number, RUN_FRAMES)
        frame = frames[step]
        noise = rng.integers(0, 4, frame.image.shape, dtype=np.uint16)
        begun = START + timedelta(hours=run, seconds=10.0 * step)
        facts = {**frame.facts, "DATE-OBS": begun.strftime("%Y-%m-%dT%H:%M:%S")}
        write_frame(folder / f"frame_{number:05d}.fits", frame.image + noise, facts)


def run_command(*words: str) -> str:
    """Run the command; return its exit status, its time and the most memory of any of its processes."""
    code = (
        "import resource, sys\nfrom focuskit.cli.run import main\nstatus = main(sys.argv[1:])\n"
        "own, them = (resource.getrusage(who).ru_maxrss // 1024 "
        "for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))\n"
        "print(f'status {status}, {own} MB itself, {them} MB the largest worker', file=sys.stderr)"
    )
    begun = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    lines = done.stderr.decode().splitlines()
    return f"{time.monotonic() - begun:.1f} s, {'; '.join(lines)}"


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Measure time and memory under load.")
    parser.add_argument("--frames", type=int, default=5000)
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--workers", default="2")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for count in (args.frames // 10, args.frames):
            night = folder / f"night{count}"
            night.mkdir()
            write_frames(night, count)
            told = run_command("analyse", str(night), "--json", "--no-cache", "--workers", args.workers)
            print(f"analyse {count} frames: {told}", flush=True)
        book = folder / "book.sqlite"
        rng = np.random.default_rng(2)
        celsius = rng.uniform(-10.0, 20.0, args.runs)
        positions = 5000.0 - 6.5 * celsius + rng.normal(0.0, 2.0, args.runs)
        runs = [
            LoggedRun(START + timedelta(hours=k), float(positions[k]), ("L", "Ha", "OIII")[k % 3], float(celsius[k]),
                      2.0, "Heron", "good", 4.0, 0.05, 16.0, 2.0, 9, 95.0, f"key{k}")
            for k in range(args.runs)
        ]  # fmt: skip
        begun = time.monotonic()
        Logbook(book).record(runs)
        print(
            f"record {args.runs} runs: {time.monotonic() - begun:.1f} s, {book.stat().st_size // 2**20} MB", flush=True
        )
        begun = time.monotonic()
        Logbook(book).record(runs[:7])
        print(f"record 7 more: {time.monotonic() - begun:.3f} s")
        table = str(folder / "runs.csv")
        for words in (("logbook", "list"), ("logbook", "show", "70000"), ("logbook", "export", table)):
            print(f"{' '.join(words[:2])}: {run_command(*words, '--logbook', str(book))}", flush=True)
        other = str(folder / "other.sqlite")
        print(f"logbook import: {run_command('logbook', 'import', table, '--logbook', other)}", flush=True)
        print(f"offsets: {run_command('offsets', '--logbook', str(book), '--json')}", flush=True)
    print(f"this script: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
