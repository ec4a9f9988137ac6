"""Sweeps: frames become focus runs, of the main camera and of others.

In: the facts of many frames. Out: `FocusRun`, the frames of one sweep of the focuser.
"""

from focuskit.sweeps.cameras import camera_of, lend_positions, main_camera
from focuskit.sweeps.grouping import FocusRun, group_runs

__all__ = ["FocusRun", "camera_of", "group_runs", "lend_positions", "main_camera"]
