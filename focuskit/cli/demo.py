"""The command ``focuskit demo``: an invented night, and the three jobs done with it."""

from __future__ import annotations

import argparse
from pathlib import Path

from focuskit.cli.progress import command_line, program, progress_on
from focuskit.cli.run import main
from focuskit.core.errors import FocuskitError
from focuskit.core.text import plain_text
from focuskit.scenes import OFFSETS, STEPS_PER_C, write_demo


def run_demo(args: argparse.Namespace) -> int:
    """Answer ``focuskit demo``; returns the exit status."""
    folder = Path(args.folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FocuskitError(f"{folder}: is there already; name a folder that is new or empty")
    truth = write_demo(folder, args.seed, progress_on(args, "making frames:"))
    frames = sum(len(run["frames"]) for run in truth["runs"])
    print(f"{frames} frames of an invented night, and the season before it, are in {plain_text(str(folder))}")
    book = folder / "logbook.sqlite"
    temperatures = folder / "season" / "temperatures.csv"
    rig = ("--rig", folder / "heron.toml")
    steps: tuple[tuple[str, tuple[str | Path, ...]], ...] = (
        ("The runs of the season go into a logbook.",
         ("logbook", "import", folder / "season" / "runs.csv", "--logbook", book)),
        ("1. How was the focus? Measure the frames of the night, record its runs.",
         ("analyse", folder / "night", *rig, "--logbook", book, "--report", folder / "night.html", "--quiet")),
        ("2. How far apart are the filters, and how does focus drift?",
         ("offsets", "--logbook", book, *rig, "--quiet")),
        ("3. When to refocus?",
         ("interval", "--temps", temperatures, "--logbook", book, "--quiet")),
    )  # fmt: skip
    for what, words in steps:
        print(f"\n{what}\n  {plain_text(command_line(program(), *words))}\n", flush=True)
        status = main([str(word) for word in words])
        if status:
            return status
    bests = ", ".join(f"{run['filter']} {run['best_position']:.1f}" for run in truth["runs"])
    offsets = ", ".join(f"{name} {steps:+g}" for name, steps in OFFSETS.items() if steps)
    print(f"\nWhat is true: best positions {bests}; {STEPS_PER_C:g} steps per °C; offsets {offsets}.")
    page = ("report", folder / "night", *rig, "--logbook", book, "--temps", temperatures, "--to", folder / "all.html")
    print(f"\nNext, all of it as one page:\n  {plain_text(command_line(program(), *page))}")
    return 0
