"""The commands ``offsets`` (drift and filter offsets) and ``logbook`` (all runs ever)."""

from __future__ import annotations

import argparse
import csv
import dataclasses
import io
import json
import math
from pathlib import Path
from typing import Any

from focuskit.cli_options import (
    add_log_options,
    add_logbook_option,
    add_run_options,
    add_table_options,
    celsius,
    logbook_path,
    moment,
    open_logbook,
    read_log,
    read_rig,
    read_source,
    read_table,
)
from focuskit.drift import Drift, fit_drift
from focuskit.errors import FocuskitError
from focuskit.flags import describe
from focuskit.logbook import Logbook
from focuskit.output import write_whole
from focuskit.tables import LoggedRun, formula_free, write_csv, write_ecsv
from focuskit.times import format_time

OFFSETS_EXAMPLE = """example: the season in sample_data, and where Ha focuses at 4.5 °C
  focuskit offsets --runs sample_data/season/runs.csv --at 4.5 --filter Ha
"""
LOGBOOK_EXAMPLE = """example: take the sample season into a logbook, look at it, set a run aside
  focuskit logbook import sample_data/season/runs.csv --logbook my.sqlite
  focuskit logbook list --logbook my.sqlite
  focuskit logbook exclude 17 --logbook my.sqlite
"""
NUMBER = "of the run, as the list shows it"
CAUTION = (
    "Before typing an offset or a position into a control program: check its sign convention, and keep "
    "every position within the travel that the maker of the focuser allows."
)


def add_commands(subparsers: Any) -> None:
    """Register ``offsets`` and ``logbook`` with an argparse subparsers object."""
    _add_offsets(subparsers)
    _add_logbook(subparsers)


def _add_offsets(subparsers: Any) -> None:
    parser = subparsers.add_parser(
        "offsets",
        help="steps per °C, and how far apart the filters focus",
        description="Learn focus against temperature, and the filter offsets, from logged focus runs.",
        epilog=OFFSETS_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_run_options(parser)
    add_log_options(
        parser.add_argument_group("log of temperatures"),
        required=False,
        purpose="temperatures of the air: they fill gaps, and a lag of the tube is tried",
    )
    model = parser.add_argument_group("model")
    model.add_argument("--reference-filter", metavar="NAME", help="offsets count from this filter (L)")
    model.add_argument("--rebuild", type=moment, action="append", default=[], metavar="TIME",
                       help="when the optical train was taken apart, UTC; may be repeated")  # fmt: skip
    model.add_argument("--declared-only", action="store_true", help="do not look for more rebuilds")
    answer = parser.add_argument_group("answer")
    answer.add_argument("--at", type=celsius, metavar="CELSIUS", help="predict the best position")
    answer.add_argument("--filter", metavar="NAME", help="the filter to predict for; all without it")
    answer.add_argument("--table", metavar="FILE.csv", help="write whole-step offsets to copy elsewhere")
    answer.add_argument("--plots", metavar="FOLDER", help="draw drift, residuals and offsets as PNG files")
    answer.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.set_defaults(func=run_offsets)


def _add_logbook(subparsers: Any) -> None:
    parser = subparsers.add_parser(
        "logbook",
        help="list, note, exclude, export and import logged runs",
        description="All focus runs ever, in one file. Nothing is ever deleted: a run can be excluded.",
        epilog=LOGBOOK_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")

    def add(name: str, what: str, func: Any, example: str) -> argparse.ArgumentParser:
        one: argparse.ArgumentParser = actions.add_parser(
            name,
            help=what,
            description=what[0].upper() + what[1:] + ".",
            epilog=f"example:\n  focuskit logbook {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        add_logbook_option(one)
        one.set_defaults(func=func)
        return one

    shown = add("list", "list the runs in order of time", run_list, "list --rig-name Heron")
    shown.add_argument("--rig-name", metavar="NAME", help="of this rig only")
    shown.add_argument("--json", action="store_true", help="one JSON object on standard output")
    one = add("show", "show all that is known of a run", run_show, "show 17")
    one.add_argument("number", type=int, help=NUMBER)
    one.add_argument("--json", action="store_true", help="one JSON object on standard output")
    note = add("note", "write a note on a run", run_note, 'note 17 "wind from the north"')
    note.add_argument("number", type=int, help=NUMBER)
    note.add_argument("text", help="takes the place of the note before")
    for name, what, func in (
        ("exclude", "set a run aside; it stays in the book", run_exclude),
        ("include", "bring an excluded run back", run_include),
    ):
        add(name, what, func, f"{name} 17").add_argument("number", type=int, help=NUMBER)
    out = add("export", "write the runs as CSV or ECSV", run_export, "export season.ecsv --rig-name Heron")
    out.add_argument("file", help="ends in .csv or .ecsv")
    out.add_argument("--rig-name", metavar="NAME", help="of this rig only")
    into = add("import", "take runs from a CSV table", run_import,
               "import sample_data/season/runs.csv --rig sample_data/heron.toml")  # fmt: skip
    into.add_argument("file", help="the table")
    add_table_options(into)
    into.add_argument("--rig-name", metavar="NAME", help="rig of the runs that name none (that of the rig file)")


def run_offsets(args: argparse.Namespace) -> int:
    """Answer ``focuskit offsets``; returns the exit status."""
    source = read_source(args)
    log = None
    if args.temps:
        read = read_log(args, night="all")
        log = (read.time_s, read.temperature_c)
    drift = fit_drift(
        source.runs,
        rig=source.rig_name,
        reference_filter=args.reference_filter,
        rebuilds=[*source.rig_file.rebuilds, *args.rebuild],
        search_rebuilds=not args.declared_only,
        temperatures=log,
    )
    predictions = _predict(drift, args)
    if args.table:
        refuse_overwriting(args.table, args.runs, logbook_path(args), *(args.temps or ()))
        write_offset_table(Path(args.table), drift)
    if args.plots:
        from focuskit.plots_drift import save_plots

        save_plots(drift, Path(args.plots))
    if args.json:
        answer = drift.to_json() | {"predictions": predictions}
        print(json.dumps(answer, allow_nan=False, ensure_ascii=False))
    else:
        print(offsets_as_text(drift, predictions))
    return 0


def _predict(drift: Drift, args: argparse.Namespace) -> list[dict[str, Any]]:
    if args.at is None:
        return []
    names = [args.filter] if args.filter else [one.filter for one in drift.filters]
    spelled = {(one.filter or "").casefold(): one.filter for one in drift.filters}
    found = []
    for name in names:
        name = spelled.get((name or "").casefold(), name)
        position, err = drift.predict(name, args.at)
        found.append({"filter": name, "temperature_c": args.at, "position": position, "err": err})
    return found


def refuse_overwriting(output: str, *inputs: str | Path | None) -> None:
    """Raise FocuskitError where an output would take the place of what is read."""
    for name in inputs:
        if name is not None and Path(output).exists() and Path(name).exists() and Path(output).samefile(name):
            raise FocuskitError(f"{output}: is read from; name another file to write into")


def write_offset_table(path: Path, drift: Drift) -> None:
    """Write whole-step offsets and their errors as CSV; unknown ones are left empty."""
    content = io.StringIO()
    writer = csv.writer(content)
    writer.writerow(["filter", f"offset_steps_from_{drift.reference_filter}", "err_steps"])
    for one in drift.filters:
        offset = "" if one.offset_steps is None else round(one.offset_steps)
        writer.writerow([formula_free(one.filter or ""), offset, "" if one.err is None else math.ceil(one.err)])
    write_whole(path, content.getvalue().encode("utf-8"))


def with_err(value: float | None, err: float | None, sign: bool = False) -> str:
    """Write ``-6.48 ± 0.05``: the error to two digits, or one if it is above 10, the value to match."""
    if value is None:
        return "not known"
    plus = "+" if sign else ""
    if err is None:
        return f"{value:{plus}.1f} ± ?"
    decimals = min(max(1 - math.floor(math.log10(err)), 0), 6) if err > 0.0 else 1
    return f"{value:{plus}.{decimals}f} ± {err:.{decimals}f}"


def offsets_as_text(drift: Drift, predictions: list[dict[str, Any]]) -> str:
    """The answer as text for a terminal."""
    low, high = drift.range_c
    rig = f" of {drift.rig}" if drift.rig else ""
    lines = [
        f"Drift and filter offsets{rig}, from {len(drift.used)} runs; {len(drift.set_aside)} set aside",
        "",
    ]
    lines.append(f"Drift      {with_err(drift.steps_per_c, drift.steps_per_c_err, True)} steps per °C, "
                 f"from {low:.1f} to {high:.1f} °C")  # fmt: skip
    if drift.steps_per_c is not None:
        steps = -5.0 * drift.steps_per_c
        way = "outward" if steps > 0 else "inward"
        assumed = "a higher position is taken as outward"
        lines.append(f"           It cools by 5 °C: move {abs(steps):.0f} steps {way} ({assumed}).")
    tolerance = "" if drift.tolerance_steps is None else f"; the tolerance is {drift.tolerance_steps:.0f} steps"
    scatter = "not known" if drift.scatter_steps is None else f"{drift.scatter_steps:.1f} steps"
    lines += [f"Scatter    {scatter} from run to run{tolerance}", ""]
    if len(drift.filters) > 1:
        name = drift.reference_filter
        lines.append(f"Offsets    position in the filter less position in {name}, at one temperature")
        width = max(6, *(len(str(one.filter)) for one in drift.filters))
        lines.append(f"  {'filter':<{width}}  {'steps':>16}  {'runs':>5}   temperatures")
        for i, one in enumerate(drift.filters):
            value = "0" if i == 0 else with_err(one.offset_steps, one.err, True)
            span = f"{one.range_c[0]:.1f} to {one.range_c[1]:.1f} °C" if one.range_c else "-"
            own = "" if one.steps_per_c is None else f"   {one.steps_per_c:+.2f} steps per °C"
            lines.append(f"  {one.filter!s:<{width}}  {value:>16}  {one.runs:>5}   {span}{own}")
        lines.append("")
    for rebuild in drift.rebuilds:
        how = "declared" if rebuild.declared else f"found (gain {rebuild.evidence or 0.0:.0f} in -2 log likelihood)"
        step = with_err(rebuild.jump_steps, rebuild.err, True)
        lines.append(f"Rebuild    {format_time(rebuild.time)}  {step} steps, {how}")
    if drift.rebuilds:
        lines.append("")
    for p in predictions:
        name = f"in {p['filter']} " if p["filter"] else ""
        beyond = "" if low <= p["temperature_c"] <= high else " (outside the range of the runs)"
        position = with_err(p["position"], p["err"])
        lines.append(f"Best focus {name}at {p['temperature_c']:g} °C: {position}{beyond}")
    if predictions:
        lines.append("")
    if drift.set_aside:
        lines.append("Set aside")
        lines += [f"  {format_time(s.run.time)}  {s.run.filter or '-':<5} {s.why}" for s in drift.set_aside[:20]]
        if len(drift.set_aside) > 20:
            lines.append(f"  and {len(drift.set_aside) - 20} more (see --json)")
        lines.append("")
    words = {"own_coefficients": "own drift for each filter", "bend": "bend with temperature",
             "lag": "lag of the tube", "night_shifts": "shifts from night to night"}  # fmt: skip
    lines.append("Richer models (AICc against the plain one; taken if well below 0)")
    for model in drift.models:
        change = "not tried" if model.aicc_change is None else f"{model.aicc_change:+.1f}"
        lines.append(f"  {words[model.name]:<28} {change:>9}{'   taken' if model.taken else ''}")
    lines.append("")
    if drift.advice:
        lines.append("What would settle most")
        for a in drift.advice:
            name = f" in {a.filter}" if a.filter else ""
            lines.append(f"  {a.runs} runs{name} at about {round(a.temperature_c)} °C ({a.settles})")
        lines.append("")
    for flag in map(describe, drift.flags):
        lines.append(f"{flag.name}: {flag.meaning} {flag.advice}")
    lines += ["", CAUTION]
    return "\n".join(lines)


def _as_dict(run: LoggedRun) -> dict[str, Any]:
    values = dataclasses.asdict(run) | {"time": format_time(run.time)}
    values["details"] = None if run.details is None else json.loads(run.details)
    return values


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
            shown = f"{value:.6g}" if isinstance(value, float) else value
            print(f"{name:<22} {shown}")
    return 0


def run_note(args: argparse.Namespace) -> int:
    """Write a note on a run."""
    open_logbook(args).write_note(args.number, args.text)
    return 0


def run_exclude(args: argparse.Namespace) -> int:
    """Set a run aside."""
    open_logbook(args).exclude(args.number)
    return 0


def run_include(args: argparse.Namespace) -> int:
    """Bring a run back."""
    open_logbook(args).include(args.number)
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
    print(f"{len(runs)} runs written to {args.file}")
    return 0


def run_import(args: argparse.Namespace) -> int:
    """Take runs from a table."""
    runs = read_table(args.file, args, read_rig(args))
    new = Logbook(logbook_path(args)).record(runs)
    print(f"{new} new runs; {len(runs) - new} were known")
    return 0
