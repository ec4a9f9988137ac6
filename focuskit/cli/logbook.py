"""The command ``focuskit logbook``: all runs ever."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from focuskit.cli.sources import logbook_path, open_logbook, read_rig, read_table, refuse_overwriting
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import COLUMNS, LoggedRun
from focuskit.core.times import format_time
from focuskit.logbook import Logbook, write_csv, write_ecsv


def _as_dict(run: LoggedRun) -> dict[str, Any]:
    values: dict[str, Any] = {name: getattr(run, name) for name in (*COLUMNS, "number")}
    details = None if run.details is None else json.loads(run.details)
    return values | {"time": format_time(run.time), "details": details}


def run_list(args: argparse.Namespace) -> int:
    """List the runs of the logbook."""
    path = logbook_path(args)
    # A look at a book that is not there, as after a slip in its name, must not make one.
    runs = Logbook(path).runs(args.rig_name) if path.exists() else []
    if args.json:
        shown = [{k: v for k, v in _as_dict(run).items() if k != "details"} for run in runs]
        print(json.dumps({"schema": "focuskit.logbook/1", "runs": shown}, allow_nan=False, ensure_ascii=False))
        return 0
    if not runs:
        of_rig = f" of the rig {args.rig_name}" if args.rig_name else ""
        print(f"no runs{of_rig} in {path}")
        return 0
    form = "{:>6}  {:<20.20}  {:<10} {:<6} {:>6} {:>9} {:>6}  {}"
    print(form.format("number", "time", "rig", "filter", "°C", "position", "error", "verdict"))
    for run in runs:
        remark = "  ".join(filter(None, ("excluded" if run.excluded else run.verdict, run.note)))
        numbers = [_cell(v, 1) for v in (run.temperature_c, run.position, run.position_err)]
        row = (run.number, format_time(run.time), run.rig or "-", run.filter or "-", *numbers, remark)
        print(form.format(*row))
    return 0


def _cell(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"


def run_show(args: argparse.Namespace) -> int:
    """Show one run."""
    values = _as_dict(open_logbook(args).run(args.number))
    if args.json:
        print(json.dumps({"schema": "focuskit.run/1", **values}, allow_nan=False, ensure_ascii=False))
        return 0
    for name, value in values.items():
        if value is not None and name != "details":
            shown = f"{value:.10g}" if isinstance(value, float) else value
            print(f"{name:<22} {shown}")
    return 0


def run_note(args: argparse.Namespace) -> int:
    """Write a note on a run."""
    book = open_logbook(args)
    book.write_note(args.number, args.text)
    return _tell_change(args, book, "has the note")


def run_exclude(args: argparse.Namespace) -> int:
    """Set a run aside."""
    book = open_logbook(args)
    book.exclude(args.number)
    return _tell_change(args, book, "is excluded")


def run_include(args: argparse.Namespace) -> int:
    """Bring a run back."""
    book = open_logbook(args)
    book.include(args.number)
    return _tell_change(args, book, "is included again")


def _tell_change(args: argparse.Namespace, book: Logbook, what: str) -> int:
    if args.json:
        values = _as_dict(book.run(args.number))
        print(json.dumps({"schema": "focuskit.run/1", **values}, allow_nan=False, ensure_ascii=False))
    else:
        print(f"run {args.number} {what}")
    return 0


def run_export(args: argparse.Namespace) -> int:
    """Write the runs to a file."""
    writers = {".csv": write_csv, ".ecsv": write_ecsv}
    kind = Path(args.file).suffix.lower()
    if kind not in writers:
        raise FocuskitError(f"{args.file}: name a file that ends in .csv or .ecsv")
    book = open_logbook(args)
    refuse_overwriting(args.file, book.path)
    runs = book.runs(args.rig_name)
    writers[kind](args.file, runs)
    if args.json:
        print(json.dumps({"schema": "focuskit.export/1", "file": args.file, "runs": len(runs)}, ensure_ascii=False))
    else:
        print(f"{len(runs)} runs written to {args.file}")
    return 0


def run_import(args: argparse.Namespace) -> int:
    """Take runs from a table."""
    runs = read_table(args.file, args, read_rig(args))
    new = Logbook(logbook_path(args)).record(runs)
    if args.json:
        print(json.dumps({"schema": "focuskit.import/1", "new": new, "known": len(runs) - new}))
    else:
        print(f"{new} new runs; {len(runs) - new} were known")
    return 0
