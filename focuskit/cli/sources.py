"""Logged runs and temperatures that the options of a command point to."""

from __future__ import annotations

import argparse
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from focuskit.cli import keep
from focuskit.cli.progress import print_remarks
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.logged_light import LoggedLight
from focuskit.core.reasons import Dropped
from focuskit.frames import Limits, RigFile, TableReader, read_rig_file
from focuskit.logbook import Logbook, Renewal, read_runs

if TYPE_CHECKING:
    from focuskit.drift import Drift
    from focuskit.frames import FrameInfo, Reading, TemperatureLog


MOST_NAMED = 5  # of the rows that are left out, on the terminal; the JSON of offsets has all


def default_logbook() -> Path:
    """Return where the logbook is kept unless the user says otherwise."""
    from platformdirs import user_data_path

    return _home_folder(user_data_path, "the logbook in; name it with --logbook FILE") / "logbook.sqlite"


def rigs_folder() -> Path:
    """Return where rig files are looked for unless the user names one."""
    from platformdirs import user_config_path

    return _home_folder(user_config_path, "rig files in; name one with --rig FILE") / "rigs"


def cache_folder() -> Path:
    """Return where what was measured and fitted is kept."""
    from platformdirs import user_cache_path

    return _home_folder(user_cache_path, "what was measured in")


def read_cache(args: argparse.Namespace) -> Path | None:
    """Return where what was measured is kept; None with ``--no-cache``, or without a home folder."""
    try:
        return None if args.no_cache else cache_folder()
    except FocuskitError:
        return None


def _home_folder(find: Callable[..., Path], purpose: str) -> Path:
    """Return a folder of focuskit's own in the user's home.

    Raises
    ------
    FocuskitError
        If there is no home folder.
    """
    try:
        folder = find("focuskit", appauthor=False)
    except RuntimeError:
        folder = Path("~")  # as it stays where there is no home
    if not folder.is_absolute():
        raise FocuskitError(f"there is no home folder to keep {purpose}")
    return folder


@dataclass(frozen=True)
class Source:
    """Logged runs, their rig file, the rows that are left out, and what their table says positions are in."""

    rig_file: RigFile
    runs: list[LoggedRun]
    dropped: list[Dropped]
    position_unit: str | None = None

    def named(self, answer: dict[str, Any]) -> dict[str, Any]:
        """Return the JSON of what was learned from the runs with the rows that are left out among those set aside."""
        rows = [{"time": None, "filter": None, "why": str(row)} for row in self.dropped]
        return answer | {"runs_set_aside": answer["runs_set_aside"] + rows}


def read_rig(args: argparse.Namespace) -> RigFile:
    """Read the rig file that ``--rig`` names; without it those in the usual folder: each frame takes its own."""
    if args.rig:
        rig_file = read_rig_file(args.rig)
        args.rig_used = args.rig
        return rig_file
    return RigFile() if getattr(args, "no_rig", True) else RigFile(rigs=tuple(_usual_rigs()))


def _usual_rigs() -> Iterator[RigFile]:
    """Read the rig files of the usual folder; one that cannot be read costs a line."""
    try:
        paths = sorted(rigs_folder().glob("*.toml"))
    except (FocuskitError, OSError):
        return
    for path in paths:
        try:
            yield read_rig_file(path)
        except FocuskitError as problem:
            print_remarks([f"{problem}; this rig file is left out"])


def use_rigs(args: argparse.Namespace, rig_file: RigFile, frames: Iterable[FrameInfo]) -> None:
    """Note which of the rig files that were found the answer is to name: those that frames of it took."""
    if rig_file.rigs:
        used = sorted({source for frame in frames if (source := rig_file.of(frame.optics).source)})
        args.rig_used = used[0] if len(used) == 1 else used or None


def name_other_rigs(args: argparse.Namespace, rig_file: RigFile, names: Iterable[str | None]) -> None:
    """Print which rigs the headers name that are not the rig of ``--rig``."""
    others = sorted({name or "no name" for name in names if name != rig_file.rig.name})
    if args.rig and rig_file.rig.name and others:
        print_remarks([f"not of the rig of {args.rig} by their headers, and named apart: {', '.join(others)}"])


def _rig_of_runs(args: argparse.Namespace, rig_file: RigFile, runs: list[LoggedRun]) -> RigFile:
    """Return the rig file of logged runs: of those that were found, that of the rig with the most runs."""
    if not rig_file.rigs:
        return rig_file
    names = [run.rig for run in runs if run.rig]
    name = args.rig_name or max(sorted(set(names)), key=names.count, default=None)
    found = next((one for one in rig_file.rigs if one.rig.name and one.rig.name == name), RigFile())
    args.rig_used = found.source
    return found


def read_frame_options(args: argparse.Namespace) -> RigFile:
    """Return the rig file with what the options say of how frames are to be read."""
    rig_file = read_rig(args).with_keywords(dict(args.keyword))
    return rig_file.with_position_pattern(args.position_pattern) if args.position_pattern else rig_file


def read_limits(args: argparse.Namespace) -> Limits:
    """Return how much a file may ask for."""
    return Limits(**dict(args.limit))


def read_table(
    path: str, args: argparse.Namespace, rig_file: RigFile
) -> tuple[list[LoggedRun], list[Dropped], str | None]:
    """Read a table of runs, and which rows are left out; a run that names no rig is of ``--rig-name`` or the rig file.

    The rows that are left out are named on the error stream. The third value is what the table says positions are in.
    """
    own = args.rig_name or rig_file.rig.name
    dropped: list[Dropped] = []
    readings: list[Reading] = []
    _use_tables(args, rig_file)
    reader = TableReader(unit=args.unit, decimal=args.decimal, dates=args.dates, usual=_of_one(rig_file).columns)
    runs = read_runs(path, args.columns, args.zone, dropped, reader=reader, readings=readings)
    _print_account(args, readings)
    if keep.is_kept(args):
        keep.keep_columns(args, readings[0].names, is_log=False)
    _print_dropped(dropped)
    named = [replace(run, filter=rig_file.filters.name(run.filter), rig=run.rig or own) for run in runs]
    return named, dropped, readings[0].position_unit


def read_logbook(args: argparse.Namespace, path: Path, rig: str | None = None) -> tuple[list[LoggedRun], list[Dropped]]:
    """Read the runs of a logbook, and which are left out: those are named on the error stream."""
    dropped: list[Dropped] = []
    runs = Logbook(path).runs(rig, dropped)
    use_logbook(args, path)
    _print_dropped(dropped)
    return runs, dropped


def use_logbook(args: argparse.Namespace, path: Path) -> None:
    """Note which logbook the answer is to name."""
    args.logbook_used = str(path) if path.exists() else None


def read_history(args: argparse.Namespace, to_be_made: bool = False) -> list[LoggedRun]:
    """Return what is logged already: in the logbook that is named, else in the usual one if there is one.

    Raises
    ------
    FocuskitError
        If the logbook that is named is no logbook or, unless it is ``to_be_made``, not there. One that another
        process has locked costs a line, and so does any trouble with the usual one.
    """
    path = found_logbook(args)
    if path is None:
        if args.logbook and not to_be_made:
            raise FocuskitError(f"{args.logbook}: there is no logbook; name another, or record a night with analyse")
        return []
    try:
        return read_logbook(args, path)[0]
    except FocuskitError as problem:
        if args.logbook and not isinstance(problem.__cause__, sqlite3.OperationalError | OSError):
            raise
        print_remarks([f"{problem}; what earlier runs show is left out"])
        return []


def record_runs(
    args: argparse.Namespace, runs: Iterable[LoggedRun], lights: Sequence[LoggedLight] = ()
) -> Renewal | None:
    """Record runs and light frames; return what came of the runs, None where the logbook cannot be written.

    Then a line says why.
    """
    path = logbook_path(args)
    try:
        book = Logbook(path)
        came = book.renew(runs)
        came = replace(came, lights=book.record_lights(lights)) if lights else came
    except FocuskitError as problem:
        print_remarks([f"the runs are not recorded: {problem}"])
        return None
    use_logbook(args, path)
    return came


def _of_one(rig_file: RigFile) -> RigFile:
    """Return the rig file that tables are of: of those that were found, the only one."""
    return rig_file.rigs[0] if len(rig_file.rigs) == 1 else rig_file


def _use_tables(args: argparse.Namespace, rig_file: RigFile) -> None:
    """Take from the rig file how tables are to be read, where no option says it."""
    from focuskit.core.log_times import as_zone

    said = _of_one(rig_file).tables
    args.unit = args.unit or said.get("unit")
    args.decimal = args.decimal or said.get("decimal")
    args.dates = args.dates or tuple(filter(None, said.get("dates", "").split(",")))
    args.zone = args.zone or (as_zone(said["zone"]) if "zone" in said else None)


def _print_account(args: argparse.Namespace, readings: Sequence[Reading]) -> None:
    """Say in three lines how each table was read; with ``--quiet`` only what was assumed."""
    quiet = getattr(args, "quiet", False)
    account = [line for reading in readings for line in reading.account]
    print_remarks([line for line in account if not quiet or (": assumed: " in line and not line.endswith("nothing"))])


def _print_dropped(dropped: list[Dropped]) -> None:
    shown, more = dropped[:MOST_NAMED], len(dropped) - MOST_NAMED
    print_remarks([f"{row}; it is left out" for row in shown] + [f"and {more} more rows are left out"] * (more > 0))


def read_source(args: argparse.Namespace) -> Source:
    """Read the logged runs that the options of `add_run_options` point to."""
    keep.is_kept(args)
    rig_file = read_rig(args)
    if args.runs:
        runs, dropped, unit = read_table(args.runs, args, rig_file)
    else:
        runs, dropped = read_logbook(args, open_logbook(args).path)
        unit = None
    rig_file = _rig_of_runs(args, rig_file, runs)
    filters = rig_file.filters.joined(run.filter for run in runs) if args.join_filters else rig_file.filters
    if args.join_filters and keep.is_kept(args):
        keep.keep_filters(args, rig_file.filters, filters)
    runs = [replace(run, filter=filters.name(run.filter)) for run in runs]
    remarks = filters.remarks(run.filter for run in runs)
    print_remarks([f"{line} (--join-filters does so here)" if "look like one" in line else line for line in remarks])
    return Source(replace(rig_file, filters=filters), runs, dropped, unit)


def find_drift(
    args: argparse.Namespace, source: Source, log: TemperatureLog | None, lights: Sequence[LoggedLight] = ()
) -> Drift:
    """Learn the drift that the options of `add_run_options` and `add_drift_options` point to, from light frames too."""
    from focuskit.drift import learn_with_lights

    return learn_with_lights(
        source.runs,
        lights,
        source.rig_file,
        rig=args.rig_name,
        log=log,
        rebuilds=args.rebuild,
        reference_filter=getattr(args, "reference_filter", None),
        search_rebuilds=not args.declared_only,
        position_unit=source.position_unit,
    )


def read_lights(args: argparse.Namespace, source: Source) -> list[LoggedLight]:
    """Read the light frames of the logbook, with filters as the rig file calls them; a table of runs has none."""
    if args.runs or args.no_lights:
        return []
    dropped: list[Dropped] = []
    lights = open_logbook(args).lights(dropped)
    _print_dropped(dropped)
    return [replace(light, filter=source.rig_file.filters.name(light.filter)) for light in lights]


def logbook_path(args: argparse.Namespace) -> Path:
    """Return where the logbook is, or would be.

    Raises
    ------
    FocuskitError
        If none is named, and ``--no-logbook`` or a missing home folder leaves no other.
    """
    if not args.logbook and getattr(args, "no_logbook", False):
        raise FocuskitError("--no-logbook leaves no logbook: name one with --logbook FILE, or leave it out")
    return Path(args.logbook) if args.logbook else default_logbook()


def found_logbook(args: argparse.Namespace) -> Path | None:
    """Return the logbook to be read, the one that is named or else the usual one; None where it is not there."""
    try:
        path = logbook_path(args)
    except FocuskitError:
        return None
    return path if path.exists() else None


def open_logbook(args: argparse.Namespace) -> Logbook:
    """Open the logbook to read it; it must be there."""
    path = logbook_path(args)
    if not path.exists():
        raise FocuskitError(
            f"{path}: there is no logbook yet; analyse a night with --record, or bring runs in with logbook import "
            "or --runs FILE.csv"
        )
    book = Logbook(path)
    use_logbook(args, path)
    return book


def read_log(args: argparse.Namespace, night: str | None) -> TemperatureLog:
    """Read the log that the options of `add_log_options` point to."""
    from focuskit.frames import read_temperatures

    keep.is_kept(args)
    usual = {}
    if args.rig or not getattr(args, "no_rig", True):
        rig_file = read_rig(args)
        _use_tables(args, rig_file)
        tables = _of_one(rig_file).tables
        usual = {key.removeprefix("log_"): name for key, name in tables.items() if key.startswith("log_")}
    log = read_temperatures(
        args.temps,
        columns=args.temps_columns or (None if args.runs else args.columns),
        unit=args.unit,
        zone=args.zone,
        only=args.only,
        night=night,
        reader=TableReader(decimal=args.decimal, dates=args.dates, usual=usual),
    )
    _print_account(args, log.readings)
    if keep.is_kept(args):
        keep.keep_columns(args, log.readings[-1].names, is_log=True)
    return log


def refuse_overwriting(args: argparse.Namespace, *inputs: str | Path, writes: Sequence[Path] = ()) -> None:
    """Raise FocuskitError where an output would take the place of what is read: before any work is done."""
    outputs = [*writes, *(getattr(args, name, None) for name in ("report", "to", "file"))]
    named = [getattr(args, name, None) for name in ("runs", "logbook", "rig", "blocks")]
    for read in filter(None, [*named, *(getattr(args, "temps", None) or ()), *inputs]):
        for output in filter(None, outputs):
            if Path(output).exists() and Path(read).exists() and Path(output).samefile(read):
                raise FocuskitError(f"{output}: is read from; name another file to write into")


def source_words(args: argparse.Namespace) -> list[str]:
    """Return the options that point another command to the same logged runs."""
    columns = ",".join(f"{role}={name}" for role, name in args.columns.items())
    named = [("--runs", args.runs), ("--logbook", args.logbook), ("--rig-name", args.rig_name), ("--columns", columns),
             ("--unit", args.unit), ("--decimal", args.decimal), ("--dates", ",".join(args.dates))]  # fmt: skip
    return [word for option, value in named if value for word in (option, value)]
