"""Write sample_data/season: logged focus runs of 15 nights and the log of temperatures, seeded.

    python scripts/make_sample_season.py

Telescope "Heron" in the hut "Skarvdal": invented. Truth: -6.5 steps/°C, offsets as in OFFSETS, a
rebuild of +74 steps before the ninth night, two wild runs, scatter 2.5 steps besides the runs' errors.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from focuskit.core.times import format_time
from focuskit.scenes import OFFSETS, STEPS_PER_C, invent_season, write_season
from focuskit.scenes.invented import RUNS

FOLDER = Path(__file__).resolve().parent.parent / "sample_data" / "season"
BASE, REBUILD_NIGHT, JUMP, SCATTER = 8050.0, 8, 74.0, 2.5
WILD = {23: 46.0, 88: -118.0}  # number of the run: steps off
FIRST = datetime(2031, 9, 12, 18, 30, tzinfo=UTC)
DAYS = (0, 1, 3, 4, 9, 10, 12, 17, 22, 23, 24, 30, 33, 34, 41)


def main() -> None:
    """Write the files."""
    rng = np.random.default_rng(20310912)
    season = invent_season(
        rng,
        first=FIRST,
        days=DAYS,
        base=BASE,
        rebuild_night=REBUILD_NIGHT,
        jump_steps=JUMP,
        scatter_steps=SCATTER,
        wild=WILD,
    )
    write_season(FOLDER, season)
    runs = season.runs
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
