"""``focuskit`` alone: what one can do, and the command to try next."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from pathlib import Path

from focuskit.cli.parser import EXAMPLES
from focuskit.cli.progress import command_line, program
from focuskit.cli.sources import default_logbook
from focuskit.core.errors import FocuskitError
from focuskit.logbook import Logbook

WELCOME = """focuskit finds best focus, learns how it drifts, and says when to refocus.

  focuskit analyse FOLDER        best positions from a folder of focus frames
  focuskit offsets               drift per degree and filter offsets from your logged runs
  focuskit interval --temps LOG  when to refocus, from a log of temperatures
"""
FRAMES = re.compile(r"\.(fits?|fts)(\.(gz|bz2|fz))?$", re.IGNORECASE)
MOST_FOLDERS = 100  # a quick look, also where a home is full of them


def run_welcome(_: argparse.Namespace) -> int:
    """Say what one can do; returns the exit status."""
    why, command = next_command(Path())
    print(f"{WELCOME}\nNext, {why}:\n  {command}\n\nAll commands: focuskit --help")
    return 0


def next_command(here: Path) -> tuple[str, str]:
    """Return why, and which command to try from the folder ``here``: the first that has what it needs."""
    frames = _folder_of_frames(here)
    if frames:
        where = frames.name or "this folder"
        return f"for the frames in {where}", command_line(program(), "analyse", frames, "--record")
    count = _logged_runs()
    if count:
        return f"with the {count} run{'s' * (count > 1)} of your logbook", command_line(program(), "offsets")
    if (here / "sample_data" / "night").is_dir():
        return "with the sample night", EXAMPLES["analyse"].replace("focuskit", command_line(program()), 1)
    return "with a night made up for you", command_line(program(), "demo")


def _folder_of_frames(here: Path) -> Path | None:
    """Return ``here``, or the first folder in it by name, if there are frames in it."""
    return next(
        (folder for folder in [here, *_inside(here, Path.is_dir)[:MOST_FOLDERS]] if _holds_frames(folder)), None
    )


def _holds_frames(folder: Path) -> bool:
    return any(FRAMES.search(path.name) for path in _inside(folder))


def _inside(folder: Path, kind: Callable[[Path], bool] = lambda path: True) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if kind(path) and not path.name.startswith("."))
    except OSError:
        return []  # not ours to look into


def _logged_runs() -> int:
    try:
        path = default_logbook()
        return len(Logbook(path).runs()) if path.exists() else 0
    except FocuskitError:
        return 0
