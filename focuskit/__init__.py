"""focuskit: best focus from focus frames, its drift with temperature, and when to refocus."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Loaded when first used, so that the command line answers at once.
_HOME = {
    "FocuskitError": "core.errors",
    "Rig": "core.optics",
    "analyse": "night",
    "fit_drift": "drift",
    "find_interval": "refocus",
    "fit_run": "curves",
    "measure_frame": "stars",
    "measure_single_frames": "night",
    "read_rig_file": "frames",
    "read_runs": "logbook",
    "read_temperatures": "frames",
}

__all__ = [
    "FocuskitError",
    "Rig",
    "analyse",
    "find_interval",
    "fit_drift",
    "fit_run",
    "measure_frame",
    "measure_single_frames",
    "read_rig_file",
    "read_runs",
    "read_temperatures",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'focuskit' has no attribute '{name}'")
    return getattr(import_module(f"focuskit.{_HOME[name]}"), name)
