"""What commands say besides the answer: progress, what was written, which command to run next."""

from __future__ import annotations

import argparse
import json
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from focuskit.core.text import listed, plain_text


def progress_on(args: argparse.Namespace, what: str, then: str = "") -> Callable[[int, int], None] | None:
    """Return what shows progress with the time left, None where nobody looks at a terminal.

    ``then`` is shown when all is done, for what comes after; the next output takes its place.
    """
    if getattr(args, "quiet", False) or sys.stderr is None or not sys.stderr.isatty():
        return None
    begun = time.monotonic()

    def show(done: int, total: int) -> None:
        left = time_left(time.monotonic() - begun, done, total)
        print(f"\r{what} {done} of {total}{left}\x1b[K", end="", file=sys.stderr, flush=True)
        if done == total:
            print(f"\r\x1b[K{then}{' …' if then else ''}\r", end="", file=sys.stderr, flush=True)

    return show


def time_left(spent_s: float, done: int, total: int) -> str:
    """Return ``, 1 min 20 s left``; nothing while there is no telling."""
    if done <= 0 or spent_s <= 0.0:
        return ""
    left = round(spent_s / done * (total - done))
    hours, minutes, seconds = left // 3600, left // 60 % 60, left % 60
    words = f"{hours} h {minutes} min" if hours else f"{minutes} min {seconds} s" if minutes else f"{seconds} s"
    return f", {words} left"


def print_answer(args: argparse.Namespace, answer: Mapping[str, Any], text: str) -> None:
    """Print the answer: one JSON object where that is asked for, else text for people.

    The rig file and the logbook that it rests on are named in the JSON and on the error stream.
    """
    used = {"logbook": getattr(args, "logbook_used", None), "rig_file": getattr(args, "rig_used", None)}
    answer = {**answer, **used}
    named = [
        f"{name.replace('_', ' ')} {path}" if isinstance(path, str) else f"{name.replace('_', ' ')}s {listed(path)}"
        for name, path in used.items()
        if path
    ]
    print_remarks(["using " + ", ".join(named)] * bool(named))
    print(json.dumps(answer, ensure_ascii=False, allow_nan=False) if args.json else text)


def print_written(args: argparse.Namespace, written: Sequence[str]) -> None:
    """Name the files that were written, unless standard output is JSON."""
    if not args.json:
        for what in written:
            print(f"\nWritten: {what}")


def print_next(args: argparse.Namespace, why: str, *words: str | Path) -> None:
    """Name the command to run next, as it is to be typed."""
    if not (args.json or args.quiet):
        print(f"\nNext, {why}:\n  {command_line(program(), *words)}")


def print_remarks(lines: Sequence[str]) -> None:
    """Write remarks to the error stream, so that the answer stays as it is."""
    for line in lines:
        print(f"focuskit: {plain_text(line)}", file=sys.stderr)


def most_frequent(reasons: Sequence[str], otherwise: str) -> str:
    """Return the most frequent of reasons; ``otherwise`` where there are none."""
    return max(sorted(set(reasons)), key=reasons.count) if reasons else otherwise


def program() -> str:
    """Return how focuskit is to be called from here: by its name, or by its path where no search path holds it."""
    if shutil.which("focuskit"):
        return "focuskit"
    beside = Path(sys.executable).with_name("focuskit")
    return str(beside.relative_to(Path.cwd())) if beside.is_relative_to(Path.cwd()) else str(beside)


def command_line(*words: str | Path) -> str:
    """Return words as a shell takes them."""
    listed = [str(word) for word in words]
    return subprocess.list2cmdline(listed) if os.name == "nt" else shlex.join(listed)
