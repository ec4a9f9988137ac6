"""``focuskit`` alone: what one can do, and the command to try next."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from focuskit.cli_parser import EXAMPLES
from focuskit.cli_sources import default_logbook
from focuskit.cli_talk import command_line
from focuskit.errors import FocuskitError
from focuskit.logbook import Logbook

WELCOME = """focuskit finds best focus, learns how it drifts, and says when to refocus.

  focuskit analyse FOLDER        best positions from a folder of focus frames
  focuskit offsets               drift per degree and filter offsets from your logged runs
  focuskit interval --temps LOG  when to refocus, from a log of temperatures
"""
FRAMES = re.compile(r"\.(fits?|fts)(\.(gz|bz2|fz))?$", re.IGNORECASE)


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
        return f"for the frames in {where}", command_line("focuskit", "analyse", frames, "--record")
    count = _logged_runs()
    if count:
        return f"with the {count} runs of your logbook", "focuskit offsets"
    if (here / "sample_data" / "night").is_dir():
        return "with the sample night", EXAMPLES["analyse"]
    return "with a night made up for you", "focuskit demo"


def _folder_of_frames(here: Path) -> Path | None:
    """Return ``here``, or the first folder in it by name, if there are frames in it."""
    try:
        folders = [here, *sorted(path for path in here.iterdir() if path.is_dir())]
        return next((f for f in folders if any(FRAMES.search(path.name) for path in f.iterdir())), None)
    except OSError:
        return None


def _logged_runs() -> int:
    try:
        path = default_logbook()
        return len(Logbook(path).runs()) if path.exists() else 0
    except FocuskitError:
        return 0
