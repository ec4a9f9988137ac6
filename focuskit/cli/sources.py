"""Logged runs and temperatures that the options of a command point to."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from focuskit.cli.progress import print_remarks
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.frames import Limits, RigFile, read_rig_file
from focuskit.logbook import Logbook, read_runs

if TYPE_CHECKING:
    from focuskit.drift import Drift
    from focuskit.frames import TemperatureLog


def default_logbook() -> Path:
    """Return where the logbook is kept unless the user says otherwise."""
    from platformdirs import user_data_path

    try:
        folder = user_data_path("focuskit", appauthor=False)
    except RuntimeError:
        folder = Path("~")  # as it stays where there is no home
    if not folder.is_absolute():
        raise FocuskitError("there is no home folder to keep the logbook in; name it with --logbook FILE")
    return folder / "logbook.sqlite"


@dataclass(frozen=True)
class Source:
    """Logged runs and the rig file beside them."""

    rig_file: RigFile
    runs: list[LoggedRun]


def read_rig(args: argparse.Namespace) -> RigFile:
    """Read the rig file that ``--rig`` names; an empty one without it."""
    return read_rig_file(args.rig) if args.rig else RigFile()


def read_frame_options(args: argparse.Namespace) -> RigFile:
    """Return the rig file with what the options say of how frames are to be read.

    Raises
    ------
    FocuskitError
        If an option cannot be understood.
    """
    if args.workers is not None and args.workers < 1:
        raise FocuskitError(f"--workers {args.workers}: give 1 or more")
    rig_file = read_rig(args)
    requests: dict[str, str] = {}
    for request in args.keyword:
        fact, equals, keyword = request.partition("=")
        if not equals:
            raise FocuskitError(f"--keyword {request}: write it like position=MYFOC")
        requests[fact.strip()] = keyword.strip()
    if requests:
        rig_file = rig_file.with_keywords(requests)
    if args.position_pattern:
        rig_file = rig_file.with_position_pattern(args.position_pattern)
    return rig_file


def read_limits(args: argparse.Namespace) -> Limits:
    """Return how much a file may ask for."""
    values: dict[str, int] = {}
    known = [field.name for field in fields(Limits)]
    for request in args.limit:
        name, _, value = request.partition("=")
        if name not in known or not value.isdecimal() or not value.isascii() or len(value) > 15:
            raise FocuskitError(f"--limit {request}: write it like pixels=500000000; known are {', '.join(known)}")
        values[name] = int(value)
    return Limits(**values)


def read_table(path: str, args: argparse.Namespace, rig_file: RigFile) -> list[LoggedRun]:
    """Read a table of runs; those that name no rig are of the one named by ``--rig-name`` or the rig file."""
    own = args.rig_name or rig_file.rig.name
    runs = read_runs(path, {**rig_file.columns, **args.columns}, args.zone)
    return [replace(run, filter=rig_file.filters.name(run.filter), rig=run.rig or own) for run in runs]


def read_source(args: argparse.Namespace) -> Source:
    """Read the logged runs that the options of `add_run_options` point to."""
    rig_file = read_rig(args)
    runs = read_table(args.runs, args, rig_file) if args.runs else open_logbook(args).runs()
    print_remarks(rig_file.filters.remarks(run.filter for run in runs))
    return Source(rig_file, runs)


def find_drift(args: argparse.Namespace, source: Source, log: TemperatureLog | None) -> Drift:
    """Learn the drift that the options of `add_run_options` and `add_drift_options` point to."""
    from focuskit.drift import learn_drift

    return learn_drift(
        source.runs,
        source.rig_file,
        rig=args.rig_name,
        log=log,
        rebuilds=args.rebuild,
        reference_filter=getattr(args, "reference_filter", None),
        search_rebuilds=not args.declared_only,
    )


def logbook_path(args: argparse.Namespace) -> Path:
    """Return where the logbook is, or would be."""
    return Path(args.logbook) if args.logbook else default_logbook()


def open_logbook(args: argparse.Namespace) -> Logbook:
    """Open the logbook to read it; it must be there."""
    path = logbook_path(args)
    if not path.exists():
        raise FocuskitError(
            f"{path}: there is no logbook yet; analyse a night with --record, or bring runs in with logbook import "
            "or --runs FILE.csv"
        )
    return Logbook(path)


def read_log(args: argparse.Namespace, night: str | None) -> TemperatureLog:
    """Read the log that the options of `add_log_options` point to."""
    from focuskit.frames import read_temperatures

    return read_temperatures(
        args.temps, columns=args.temps_columns, unit=args.unit, zone=args.zone, only=args.only, night=night
    )


def files_read(args: argparse.Namespace) -> list[str]:
    """Return the files that the options name to be read."""
    named = [args.runs, args.logbook, args.rig, getattr(args, "plan", None), *(args.temps or ())]
    return [name for name in named if name]


def refuse_overwriting(output: str, *inputs: str | Path | None) -> None:
    """Raise FocuskitError where an output would take the place of what is read."""
    for name in inputs:
        if name is not None and Path(output).exists() and Path(name).exists() and Path(output).samefile(name):
            raise FocuskitError(f"{output}: is read from; name another file to write into")


def source_words(args: argparse.Namespace) -> list[str]:
    """Return the options that point another command to the same logged runs."""
    named = [("--runs", args.runs), ("--logbook", args.logbook), ("--rig-name", args.rig_name)]
    return [word for option, value in named if value for word in (option, value)]
