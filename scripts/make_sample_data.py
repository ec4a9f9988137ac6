"""Write the sample night: Heron at the hut Skarvdal, invented and simulated, the same every time.

    python scripts/make_sample_data.py [FOLDER]

FOLDER is ``sample_data`` beside this script's parent where it is not given.
"""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from focuskit.scenes import Scene, Sweep, write_night
from focuskit.scenes.invented import invent_scene, invent_sweep


def plan_night(scene: Scene) -> list[Sweep]:
    """Return what was taken between 18 h and 1 h UTC, while the tube cooled by six degrees."""

    def sweep(hour: int, minute: int, filter_name: str, temperature_c: float, miss: int = 0, **spoiled: str) -> Sweep:
        start = datetime(2031, 1, 17 + hour // 24, hour % 24, minute, tzinfo=UTC)
        return invent_sweep(scene, start, filter_name, temperature_c, miss, **spoiled)

    def lights(hour: int, minute: int, position: int, temperature_c: float) -> Sweep:
        start = datetime(2031, 1, 17 + hour // 24, hour % 24, minute, tzinfo=UTC)
        return Sweep("L", start, temperature_c, 30.0, [position] * 2, image_type="LIGHT")

    return [
        sweep(18, 4, "L", 2.83, miss=8),
        sweep(18, 9, "R", 2.75, miss=-12),
        sweep(18, 14, "Ha", 2.68, frame6="cloud"),
        lights(18, 40, 9044, 2.41),
        sweep(20, 21, "L", 0.52, miss=4, frame2="trail"),
        sweep(21, 47, "R", -0.87, miss=-206),  # the focuser had been left far inside
        sweep(21, 52, "R", -0.94),
        sweep(24, 38, "Ha", -3.29, miss=16, frame8="truncated"),
    ]


def main() -> None:
    """Write the frames into FOLDER/night and the truth beside it."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "sample_data"
    rng = np.random.default_rng(20310117)
    scene = invent_scene(rng)
    night = folder / "night"
    for old in night.glob("frame_*.fits.fz"):
        old.unlink()
    truth = write_night(night, scene, plan_night(scene), rng, suffix=".fits.fz")
    rounded = json.loads(json.dumps(truth), parse_float=lambda number: round(float(number), 4))
    text = json.dumps(rounded, indent=1) + "\n"
    (folder / "night_truth.json").write_text(text, encoding="utf-8")
    files = sorted(night.iterdir())
    print(f"{len(files)} frames, {sum(f.stat().st_size for f in files) / 1e6:.1f} MB in {night}")


if __name__ == "__main__":
    main()
