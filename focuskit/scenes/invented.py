"""An invented telescope, its night and its season, seeded: for the sample data and the demonstration.

Telescope "Heron" in the hut "Skarvdal". Nothing in it was observed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.core.text import write_whole
from focuskit.core.times import format_time
from focuskit.scenes.night import write_night
from focuskit.scenes.scene import Passband, Scene, Sweep, strew_stars

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
NARROW = ("Ha", "OIII", "SII")
OFFSETS = {"L": 0.0, "R": 14.5, "G": 9.0, "B": -11.0, "Ha": 61.0, "OIII": 55.0, "SII": 68.0}
STEPS_PER_C = -6.5
REFERENCE_C = 5.0  # the base of a season holds at this temperature
HOURS, RUNS = 9.0, 8
DEMO_DAYS = (0, 1, 3, 4, 9, 10, 12, 17, 22, 23, 24, 30)
_COLUMNS = (
    "time", "filter", "temperature_c", "position", "position_err", "rig", "verdict", "hfd_best_px",
    "hfd_slope_px_per_step", "tolerance_steps", "exposure_s", "frames", "seconds",
)  # fmt: skip


def invent_scene(
    rng: np.random.Generator, *, shape_px: tuple[int, int] = (512, 640), stars: int = 60, best_position: float = 9062.0
) -> Scene:
    """Return Heron and its stars; focus runs from ``best_position`` at 0 °C in luminance."""
    x_px, y_px, flux_e_per_s = strew_stars(
        stars, shape_px, rng, faintest_e_per_s=4000.0, brightest_e_per_s=1.5e5, slope=0.9
    )
    return Scene(
        HERON,
        shape_px,
        x_px,
        y_px,
        flux_e_per_s,
        passbands={
            "L": Passband(OFFSETS["L"], 1.0, 0.5),
            "R": Passband(OFFSETS["R"], 0.36, 0.17),
            "Ha": Passband(OFFSETS["Ha"], 0.015, 0.008),
        },
        best_position=best_position,
        steps_per_c=STEPS_PER_C,
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


def invent_sweep(
    scene: Scene, start: datetime, filter_name: str, temperature_c: float, miss: int = 0, **spoiled: str
) -> Sweep:
    """Return a sweep that an observer centred near the best position, ``miss`` steps off; ``frame3="cloud"`` spoils."""
    centre = 4 * round(scene.true_position(filter_name, temperature_c) / 4.0) + miss
    return Sweep(
        filter_name,
        start,
        temperature_c,
        40.0 if filter_name == "Ha" else 2.0,
        [centre + STEP * k for k in range(-4, 5)],
        {int(key.removeprefix("frame")): what for key, what in spoiled.items()},
    )


@dataclass(frozen=True)
class Season:
    """Logged runs of many nights, and the temperatures read meanwhile (UTC, °C)."""

    runs: tuple[LoggedRun, ...]
    temperatures: tuple[tuple[datetime, float], ...]


def invent_season(
    rng: np.random.Generator,
    *,
    first: datetime,
    days: Sequence[int],
    base: float = 8050.0,
    rebuild_night: int = 8,
    jump_steps: float = 74.0,
    scatter_steps: float = 2.5,
    wild: Mapping[int, float] | None = None,
) -> Season:
    """Return a season of eight runs a night that cools by 3 to 7 °C.

    Parameters
    ----------
    first : datetime
        Dusk of the first night.
    days : sequence of int
        The nights, as days after the first.
    base : float
        Best position in luminance at 5 °C.
    rebuild_night, jump_steps
        Number of the night before which the camera was taken off, and by how much that moved focus.
    scatter_steps : float
        Scatter from run to run besides the runs' own errors.
    wild : mapping of int to float, optional
        Steps by which single runs are off, by their number.
    """
    runs: list[LoggedRun] = []
    log: list[tuple[datetime, float]] = []
    for night, day in enumerate(days):
        dusk = first + timedelta(days=day)
        warm, cooling = 11.0 - 0.33 * day + rng.normal(0.0, 2.0), rng.uniform(3.0, 7.0)
        hours = np.arange(0.0, HOURS + 0.01, 1.0 / 12.0)
        ripple = 0.3 * np.sin(2.0 * np.pi * (hours / rng.uniform(2.0, 4.0) + rng.random()))
        air = warm - cooling * (1.0 - np.exp(-hours / 4.0)) + ripple
        read = np.round(air + rng.normal(0.0, 0.03, len(air)), 2)
        log += [(dusk + timedelta(hours=float(h)), float(t)) for h, t in zip(hours, read, strict=True)]
        starts = np.sort(rng.uniform(0.2, HOURS - 0.3, RUNS))
        names = rng.permutation([*OFFSETS, "L"])
        for start, name in zip(starts, names, strict=True):
            shift = base + jump_steps * (night >= rebuild_night) + (wild or {}).get(len(runs), 0.0)
            moment = (dusk + timedelta(hours=float(start))).replace(microsecond=0)
            run = _invent_run(rng, moment, str(name), float(np.interp(start, hours, air)), shift, scatter_steps)
            runs.append(run)
    return Season(tuple(runs), tuple(log))


def _invent_run(
    rng: np.random.Generator, time: datetime, name: str, temperature: float, shift: float, scatter_steps: float
) -> LoggedRun:
    """Draw a logged run; ``shift`` is its best position in luminance at the reference temperature."""
    narrow = name in NARROW
    err = float(rng.uniform(1.6, 3.0) if narrow else rng.uniform(0.8, 1.6))
    position = shift + OFFSETS[name] + STEPS_PER_C * (temperature - REFERENCE_C)
    position += float(rng.normal(0.0, np.hypot(scatter_steps, err)))
    return LoggedRun(
        time=time,
        filter=name,
        temperature_c=round(temperature, 2),
        position=round(position, 1),
        position_err=round(err, 2),
        rig=HERON.name,
        verdict="good",
        hfd_best_px=round(float(rng.normal(5.9, 0.5)), 2),
        hfd_slope_px_per_step=0.114,
        tolerance_steps=round(float(rng.normal(16.5, 1.2)), 1),
        exposure_s=40.0 if narrow else 2.0,
        frames=9,
        seconds=480.0 if narrow else 95.0,
    )


def write_season(folder: Path, season: Season) -> None:
    """Write ``runs.csv`` and ``temperatures.csv`` of a season into a folder.

    Raises
    ------
    FocuskitError
        If a file cannot be written.
    """
    lines = [",".join(_COLUMNS)]
    for run in season.runs:
        lines.append(",".join(str(format_time(run.time) if c == "time" else getattr(run, c)) for c in _COLUMNS))
    write_whole(folder / "runs.csv", ("\n".join(lines) + "\n").encode())
    rows = [f"{format_time(moment)},{celsius:.2f}" for moment, celsius in season.temperatures]
    write_whole(folder / "temperatures.csv", ("\n".join(["time,temperature_c", *rows]) + "\n").encode())


# The demonstration ------------------------------------------------------------------------------

DEMO_BASE, DEMO_JUMP = 8050.0, 74.0
RIG_FILE = """# The telescope of this invented night. What headers do not tell: obstruction, µm per step, travel.
name = "Heron"
focal_length_mm = 1400
aperture_mm = 200
obstruction = 0.36
pixel_um = 3.76
um_per_step = 4.0
travel = [0, 20000]
"""


def write_demo(folder: Path, seed: int, progress: Callable[[int, int], None] | None = None) -> dict[str, Any]:
    """Write an invented season and the night after it into a folder, and return the truth of that night.

    The folder holds ``heron.toml``, ``season/`` with logged runs and temperatures, and ``night/`` with the
    frames of four focus runs. The same seed gives the same files.

    Raises
    ------
    FocuskitError
        If a file cannot be written.
    """
    rng = np.random.default_rng(seed)
    dusk = datetime(2031, 9, 12, 18, 30, tzinfo=UTC)
    wild = {int(rng.integers(8, 100)): float(rng.choice((-1.0, 1.0)) * rng.uniform(40.0, 120.0))}
    season = invent_season(rng, first=dusk, days=DEMO_DAYS, base=DEMO_BASE, jump_steps=DEMO_JUMP, wild=wild)
    write_season(folder / "season", season)
    write_whole(folder / "heron.toml", RIG_FILE.encode())
    at_zero = DEMO_BASE + DEMO_JUMP - STEPS_PER_C * REFERENCE_C
    scene = invent_scene(rng, shape_px=(416, 512), stars=48, best_position=at_zero)
    scene = replace(scene, tilt_x_um=20.0)  # the frames are small
    start = dusk + timedelta(days=DEMO_DAYS[-1] + 1)
    sweeps = [
        invent_sweep(scene, start, "L", 3.1, miss=8),
        invent_sweep(scene, start + timedelta(minutes=6), "R", 3.0, miss=-12),
        invent_sweep(scene, start + timedelta(minutes=12), "Ha", 2.9, frame6="cloud"),
        invent_sweep(scene, start + timedelta(minutes=170), "L", -0.4, miss=4, frame2="trail"),
    ]
    return write_night(folder / "night", scene, sweeps, rng, suffix=".fits.fz", progress=progress)
