"""Sweeps: frames become focus runs, of the main camera and of others.

In: the facts of many frames. Out: `FocusRun`, the frames of one sweep of the focuser.
"""

from focuskit.sweeps.cameras import camera_of, fill_positions, main_camera
from focuskit.sweeps.grouping import group_runs
from focuskit.sweeps.run import FocusRun

__all__ = ["FocusRun", "camera_of", "fill_positions", "group_runs", "main_camera"]
