"""Scenes: invented nights and seasons with a known truth, for tests, the sample data and the demonstration.

In: a rig and a seed; from small to large a `Scene`, a `Sweep` of it, a night of sweeps. Out: FITS frames, tables, and
the truth.
"""

from focuskit.scenes.invented import OFFSETS, STEPS_PER_C, invent_season, write_demo, write_season
from focuskit.scenes.night import simulate_run, write_frame, write_night
from focuskit.scenes.scene import Passband, Scene, Sweep, strew_stars

__all__ = [
    "OFFSETS",
    "STEPS_PER_C",
    "Passband",
    "Scene",
    "Sweep",
    "invent_season",
    "simulate_run",
    "strew_stars",
    "write_demo",
    "write_frame",
    "write_night",
    "write_season",
]
