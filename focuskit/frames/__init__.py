"""Frames: a file becomes facts and pixels, read once.

In: FITS files below a folder, the rig file, tables of the user. Out: `FrameInfo` and `Pixels`, `RigFile`,
`TemperatureLog`.
"""

from focuskit.frames.draft import RigDraft
from focuskit.frames.frame import FoundFile, FrameInfo, find_some_frames, read_frame, read_pixels
from focuskit.frames.pixels import Pixels
from focuskit.frames.rig_file import RigFile, read_rig_file, read_toml
from focuskit.frames.source import Limits
from focuskit.frames.table_reading import Reading, TableReader
from focuskit.frames.temperatures import TemperatureLog, read_temperatures

__all__ = [
    "FoundFile",
    "FrameInfo",
    "Limits",
    "Pixels",
    "Reading",
    "RigDraft",
    "RigFile",
    "TableReader",
    "TemperatureLog",
    "find_some_frames",
    "read_frame",
    "read_pixels",
    "read_rig_file",
    "read_temperatures",
    "read_toml",
]
