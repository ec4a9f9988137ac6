"""Write sample_data/season: logged focus runs of 15 nights and the log of temperatures, seeded.

    python scripts/make_sample_season.py

Telescope "Heron" in the hut "Skarvdal": invented. Truth: -6.5 steps/°C, offsets as in OFFSETS, a
rebuild of +74 steps before the ninth night, two wild runs, scatter 2.5 steps besides the runs' errors.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from focuskit.tables import LoggedRun
from focuskit.times import format_time

FOLDER = Path(__file__).resolve().parent.parent / "sample_data" / "season"
STEPS_PER_C = -6.5
OFFSETS = {"L": 0.0, "R": 14.5, "G": 9.0, "B": -11.0, "Ha": 61.0, "OIII": 55.0, "SII": 68.0}
NARROW = ("Ha", "OIII", "SII")
BASE, REBUILD_NIGHT, JUMP, SCATTER = 8050.0, 8, 74.0, 2.5
WILD = {23: 46.0, 88: -118.0}  # number of the run: steps off
FIRST = datetime(2031, 9, 12, 18, 30, tzinfo=UTC)
DAYS = (0, 1, 3, 4, 9, 10, 12, 17, 22, 23, 24, 30, 33, 34, 41)
HOURS, RUNS = 9.0, 8


def main() -> None:
    """Write the files."""
    rng = np.random.default_rng(20310912)
    runs: list[LoggedRun] = []
    log: list[tuple[datetime, float]] = []
    for night, day in enumerate(DAYS):
        dusk = FIRST + timedelta(days=day)
        warm, cooling = 11.0 - 0.33 * day + rng.normal(0.0, 2.0), rng.uniform(3.0, 7.0)
        hours = np.arange(0.0, HOURS + 0.01, 1.0 / 12.0)
        ripple = 0.3 * np.sin(2.0 * np.pi * (hours / rng.uniform(2.0, 4.0) + rng.random()))
        air = warm - cooling * (1.0 - np.exp(-hours / 4.0)) + ripple
        read = np.round(air + rng.normal(0.0, 0.03, len(air)), 2)
        log += [(dusk + timedelta(hours=float(h)), float(t)) for h, t in zip(hours, read, strict=True)]
        starts = np.sort(rng.uniform(0.2, HOURS - 0.3, RUNS))
        names = rng.permutation([*OFFSETS, "L"])
        for start, name in zip(starts, names, strict=True):
            temperature = float(np.interp(start, hours, air))
            narrow = name in NARROW
            err = float(rng.uniform(1.6, 3.0) if narrow else rng.uniform(0.8, 1.6))
            position = BASE + OFFSETS[name] + STEPS_PER_C * (temperature - 5.0) + JUMP * (night >= REBUILD_NIGHT)
            position += float(rng.normal(0.0, np.hypot(SCATTER, err))) + WILD.get(len(runs), 0.0)
            runs.append(
                LoggedRun(
                    time=(dusk + timedelta(hours=float(start))).replace(microsecond=0),
                    filter=str(name),
                    temperature_c=round(temperature, 2),
                    position=round(position, 1),
                    position_err=round(err, 2),
                    rig="Heron",
                    verdict="good",
                    hfd_best_px=round(float(rng.normal(5.9, 0.5)), 2),
                    hfd_slope_px_per_step=0.114,
                    tolerance_steps=round(float(rng.normal(16.5, 1.2)), 1),
                    exposure_s=40.0 if narrow else 2.0,
                    frames=9,
                    seconds=480.0 if narrow else 95.0,
                )
            )
    FOLDER.mkdir(parents=True, exist_ok=True)
    columns = ("time", "filter", "temperature_c", "position", "position_err", "rig", "verdict", "hfd_best_px",
               "hfd_slope_px_per_step", "tolerance_steps", "exposure_s", "frames", "seconds")  # fmt: skip
    lines = [",".join(columns)]
    for run in runs:
        lines.append(",".join(str(format_time(run.time) if c == "time" else getattr(run, c)) for c in columns))
    (FOLDER / "runs.csv").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    lines = ["time,temperature_c", *(f"{format_time(moment)},{celsius:.2f}" for moment, celsius in log)]
    (FOLDER / "temperatures.csv").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")
    truth = {
        "steps_per_c": STEPS_PER_C,
        "offset_steps": OFFSETS,
        "rebuild": {"before_run": REBUILD_NIGHT * RUNS, "time": format_time(runs[REBUILD_NIGHT * RUNS].time),
                    "jump_steps": JUMP},
        "wild_runs": [format_time(runs[i].time) for i in WILD],
        "scatter_steps": SCATTER,
    }  # fmt: skip
    (FOLDER / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
