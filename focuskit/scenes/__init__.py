"""Scenes: invented nights and seasons with a known truth, for tests, the sample data and the demonstration.

In: a rig and a seed. Out: FITS frames, tables, and the truth.
"""

from focuskit.scenes.invented import OFFSETS, STEPS_PER_C, invent_season, write_demo, write_season
from focuskit.scenes.simulate import Passband, Scene, Sweep, simulate_run, write_night

__all__ = [
    "OFFSETS",
    "STEPS_PER_C",
    "Passband",
    "Scene",
    "Sweep",
    "invent_season",
    "simulate_run",
    "write_demo",
    "write_night",
    "write_season",
]
