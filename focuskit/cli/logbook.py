"""The command ``focuskit logbook``: all runs ever."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from focuskit.cli.progress import print_answer
from focuskit.cli.sources import (
    logbook_path,
    open_logbook,
    read_logbook,
    read_rig,
    read_table,
    refuse_overwriting,
    use_logbook,
)
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import COLUMNS, LoggedRun
from focuskit.core.optics import TOLERANCE_SCATTERS, decimals_of
from focuskit.core.text import text_table
from focuskit.core.times import format_time
from focuskit.logbook import Logbook, write_csv, write_ecsv

NO_NAME = "-"  # as the list shows a run without a name of its rig or filter


def _as_dict(run: LoggedRun) -> dict[str, Any]:
    values: dict[str, Any] = {name: getattr(run, name) for name in (*COLUMNS, "number")}
    return values | {"time": format_time(run.time)}


def _answer(run: LoggedRun) -> dict[str, Any]:
    """Return all that is known of a run; details that are damaged are null."""
    try:
        details = json.loads(run.details or "null", parse_constant=_no_number)
    except (ValueError, RecursionError):
        details = None
    return {"schema": "focuskit.run/1", **_as_dict(run), "details": details}


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number")


def run_list(args: argparse.Namespace) -> int:
    """List the runs of the logbook."""
    path = logbook_path(args)
    # A look at a book that is not there, as after a slip in its name, must not make one.
    runs, _ = read_logbook(args, path, args.rig_name)
    rows: list[tuple[str, ...]] = [("number", "time", "rig", "filter", "°C", "position", "error", "verdict")]
    for run in runs:
        remark = "  ".join(filter(None, ("excluded" if run.excluded else run.verdict, run.note)))
        digits = max(1, decimals_of(run.tolerance_steps or TOLERANCE_SCATTERS * (run.position_err or 0.0)))
        numbers = ["-" if run.temperature_c is None else f"{run.temperature_c:.1f}"]
        numbers += ["-" if v is None else f"{v:.{digits}f}" for v in (run.position, run.position_err)]
        rows.append(
            (str(run.number), format_time(run.time) or "-", run.rig or "-", run.filter or "-", *numbers, remark)
        )
    of_rig = f" of the rig {args.rig_name}" if args.rig_name else ""
    text = "\n".join(text_table(rows, right={0, 4, 5, 6})) if runs else f"no runs{of_rig} in {path}"
    print_answer(args, {"schema": "focuskit.logbook/1", "runs": [_as_dict(run) for run in runs]}, text)
    return 0


def run_show(args: argparse.Namespace) -> int:
    """Show one run."""
    book = open_logbook(args)
    run = book.run(args.number)
    answer, lines = _answer(run), _as_lines(run)
    if args.earlier:
        before = book.earlier(args.number)
        answer["earlier"] = [_as_dict(one) for one in before]
        for number, one in enumerate(before, 1):
            lines += ["", f"before it was analysed again, {number} of {len(before)}:", *_as_lines(one)]
        lines += [] if before else ["", "it never said anything else"]
    print_answer(args, answer, "\n".join(lines))
    return 0


def _as_lines(run: LoggedRun) -> list[str]:
    known = [(name, value) for name, value in _as_dict(run).items() if value is not None]
    return [f"{name:<22} {f'{value:.10g}' if isinstance(value, float) else value}" for name, value in known]


def run_note(args: argparse.Namespace) -> int:
    """Write a note on a run."""
    book = open_logbook(args)
    book.write_note(args.number, args.text)
    return _print_change(args, book, "has the note")


def run_exclude(args: argparse.Namespace) -> int:
    """Set a run aside."""
    book = open_logbook(args)
    book.exclude(args.number)
    return _print_change(args, book, "is excluded")


def run_include(args: argparse.Namespace) -> int:
    """Bring a run back."""
    book = open_logbook(args)
    book.include(args.number)
    return _print_change(args, book, "is included again")


def _print_change(args: argparse.Namespace, book: Logbook, what: str) -> int:
    print_answer(args, _answer(book.run(args.number)), f"run {args.number} {what}")
    return 0


def run_rename(args: argparse.Namespace) -> int:
    """Give a rig or a filter another name."""
    old, new = None if args.old == NO_NAME else args.old, args.new.strip()
    if not new or new == NO_NAME:
        raise FocuskitError(f"'{args.new}' is no name; give one of a letter or more")
    book = open_logbook(args)
    names = {getattr(run, args.kind) for run in read_logbook(args, book.path)[0]}
    if old not in names:
        known = ", ".join(sorted(name or NO_NAME for name in names))
        raise FocuskitError(f"no run has the {args.kind} '{args.old}'; there are {known or 'no runs'}")
    count = book.rename(args.kind, old, new)
    runs = f"{count} run{'s' * (count > 1)}"
    later = "" if old is None else f"; what is recorded later as {args.old} is called {new} too"
    answer = {"schema": "focuskit.rename/1", "kind": args.kind, "old": old, "new": new, "runs": count}
    print_answer(args, answer, f"{runs} now of the {args.kind} {new}{later}")
    return 0


def run_export(args: argparse.Namespace) -> int:
    """Write the runs to a file."""
    writers = {".csv": write_csv, ".ecsv": write_ecsv}
    book = open_logbook(args)
    refuse_overwriting(args, book.path)
    runs, _ = read_logbook(args, book.path, args.rig_name)
    writers[Path(args.file).suffix.lower()](args.file, runs)
    answer = {"schema": "focuskit.export/1", "file": args.file, "runs": len(runs)}
    print_answer(args, answer, f"{len(runs)} runs written to {args.file}")
    return 0


def run_import(args: argparse.Namespace) -> int:
    """Take runs from a table."""
    runs, dropped, _ = read_table(args.file, args, read_rig(args))
    book = Logbook(logbook_path(args))
    new = book.record(runs)
    use_logbook(args, book.path)
    answer = {"schema": "focuskit.import/1", "new": new, "known": len(runs) - new, "left_out": len(dropped)}
    print_answer(args, answer, f"{new} new runs; {len(runs) - new} were known")
    return 0
