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

from focuskit.optics import Rig
from focuskit.simulate import Passband, Scene, Sweep, strew_stars, write_night

HERON = Rig(
    name="Heron",
    focal_length_mm=1400.0,
    aperture_mm=200.0,
    obstruction=0.36,
    pixel_um=3.76,
    um_per_step=4.0,
    travel=(0.0, 20000.0),
)
STEP = 38  # nine frames 38 steps apart: the outermost are 2.75 times the least size
SHAPE_PX = (512, 640)


def build_scene(rng: np.random.Generator) -> Scene:
    """Return Heron and its stars; focus runs from 9062 at 0 °C in luminance."""
    x_px, y_px, flux_e_per_s = strew_stars(
        60, SHAPE_PX, rng, faintest_e_per_s=4000.0, brightest_e_per_s=1.5e5, slope=0.9
    )
    return Scene(
        HERON,
        SHAPE_PX,
        x_px,
        y_px,
        flux_e_per_s,
        passbands={
            "L": Passband(0.0, 1.0, 0.5),
            "R": Passband(14.5, 0.36, 0.17),
            "Ha": Passband(61.0, 0.015, 0.008),
        },
        best_position=9062.0,
        steps_per_c=-6.5,
        seeing_arcsec=2.7,
        seeing_jitter=0.08,
        tilt_x_um=36.0,
        curvature_um=8.0,
        read_noise_e=1.5,
        gain_e_per_adu=1.6,
        hot_pixels=60,
        cosmic_rays_per_s=0.05,
        camera="Skarvdal mono",
        target="Reed field",
    )


def plan_night(scene: Scene) -> list[Sweep]:
    """Return what was taken between 18 h and 1 h UTC, while the tube cooled by six degrees."""

    def sweep(hour: int, minute: int, filter_name: str, temperature_c: float, miss: int = 0, **spoiled: str) -> Sweep:
        # The observer centres a sweep near the best position, on a multiple of four steps.
        centre = 4 * round(scene.true_position(filter_name, temperature_c) / 4.0) + miss
        return Sweep(
            filter_name,
            datetime(2031, 1, 17 + hour // 24, hour % 24, minute, tzinfo=UTC),
            temperature_c,
            40.0 if filter_name == "Ha" else 2.0,
            [centre + STEP * k for k in range(-4, 5)],
            {int(key.removeprefix("frame")): what for key, what in spoiled.items()},
        )

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
    scene = build_scene(rng)
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
