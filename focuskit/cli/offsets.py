"""The command ``focuskit offsets``: drift and filter offsets."""

from __future__ import annotations

import argparse
import csv
import io
import math
from pathlib import Path
from typing import Any

from focuskit.cli.progress import print_answer, print_next, print_written
from focuskit.cli.sources import find_drift, read_lights, read_log, read_source, refuse_overwriting, source_words
from focuskit.core.errors import FocuskitError
from focuskit.core.flags import describe
from focuskit.core.text import plus_minus, text_table, write_whole
from focuskit.core.times import format_time
from focuskit.drift import MODEL_WORDS, Drift, Rebuild
from focuskit.logbook import formula_free

_FOLLOWED = {"altitude": "each degree of altitude", "pier_side": "the side of the pier"}
OFFSETS = "offsets.csv"  # in the folder of tables
CAUTION = (
    "Before typing an offset or a position into a control program: check its sign convention, and keep "
    "every position within the travel that the maker of the focuser allows."
)


def run_offsets(args: argparse.Namespace) -> int:
    """Answer ``focuskit offsets``; returns the exit status."""
    refuse_overwriting(args, writes=[Path(args.tables) / OFFSETS] if args.tables else [])
    log = read_log(args, night="all") if args.temps else None
    source = read_source(args)
    drift = find_drift(args, source, log, read_lights(args, source))
    predictions = _predict(drift, args)
    written = []
    try:
        if args.tables:
            written.append(str(write_offset_table(Path(args.tables) / OFFSETS, drift)))
        if args.report:
            from focuskit.show import write_report

            written.append(str(write_report(drift, args.report)))
        if args.plots:
            from focuskit.show import save_drift_plots

            written.append(f"{len(save_drift_plots(drift, Path(args.plots)))} pictures in {args.plots}")
    finally:
        text = offsets_as_text(drift, predictions, quiet=args.quiet, verbose=args.verbose)
        print_answer(args, source.named(drift.to_json()) | {"predictions": predictions}, text)
    print_written(args, written)
    if not drift.runs_used:
        return 0
    rig = ["--rig", args.rig] if args.rig else []
    if args.temps:
        print_next(args, "when to refocus", "interval", "--temps", *args.temps, *source_words(args), *rig)
    else:
        beside = Path(args.runs).with_name("temperatures.csv") if args.runs else Path("temperatures.csv")
        known = beside if beside.is_file() else "LOG.csv"
        print_next(args, "when to refocus, from a log of temperatures", "interval", "--temps", known,
                  *source_words(args), *rig)  # fmt: skip
    return 0


def _predict(drift: Drift, args: argparse.Namespace) -> list[dict[str, Any]]:
    if args.at is None:
        return []
    if drift.range_c is None:
        raise FocuskitError(f"--at {args.at:g}: the runs have no temperatures", "log")
    names = [args.filter] if args.filter else [one.filter for one in drift.filters]
    spelled = {(one.filter or "").casefold(): one.filter for one in drift.filters}
    found = []
    for name in names:
        name = spelled.get((name or "").casefold(), name)
        position, err = drift.predict(name, args.at)
        found.append({"filter": name, "temperature_c": args.at, "position": position, "err": err})
    return found


def write_offset_table(path: Path, drift: Drift) -> Path:
    """Write offsets and their errors as CSV, in whole steps (a tenth of the tolerance where they are in mm).

    Unknown ones are left empty.
    """
    digits = drift.decimals
    content = io.StringIO()
    writer = csv.writer(content)
    writer.writerow(["filter", f"offset_steps_from_{drift.reference_filter}", "err_steps"])
    for one in drift.filters:
        offset = "" if one.offset_steps is None else round(one.offset_steps, digits or None)
        err = "" if one.err is None else round(math.ceil(one.err * 10**digits) / 10**digits, digits or None)
        writer.writerow([formula_free(one.filter or ""), offset, err])
    return write_whole(path, content.getvalue().encode("utf-8"))


def offsets_as_text(
    drift: Drift, predictions: list[dict[str, Any]], *, quiet: bool = False, verbose: bool = False
) -> str:
    """Return the answer as text for a terminal."""
    rig, used = f" of {drift.rig}" if drift.rig else "", drift.runs_used
    parts = [
        [f"Drift and filter offsets{rig}, from {used} run{'s' * (used != 1)}; {len(drift.set_aside)} set aside"],
        _light_lines(drift),
        _drift_lines(drift),
        _offset_lines(drift),
        [_rebuild_line(drift, rebuild) for rebuild in drift.rebuilds],
        [_prediction_line(drift, one) for one in predictions],
    ]
    if not quiet:
        parts += [
            _set_aside_lines(drift, verbose),
            _used_lines(drift) if verbose else [],
            _model_lines(drift),
            _advice_lines(drift),
            [f"{flag.name}: {flag.meaning} {flag.advice}" for flag in map(describe, drift.flags)],
            [CAUTION],
        ]
    return "\n\n".join("\n".join(lines) for lines in parts if lines)


def _drift_lines(drift: Drift) -> list[str]:
    per_c = plus_minus(drift.steps_per_c, drift.steps_per_c_err, True)
    digits = drift.decimals
    tolerance = (
        "" if drift.tolerance_steps is None else f"; the tolerance is {drift.tolerance_steps:.{digits}f} {drift.unit}"
    )
    scatter = "not known" if drift.scatter_steps is None else f"{drift.scatter_steps:.{max(digits, 1)}f} {drift.unit}"
    if drift.range_c is None:
        first = f"Drift      {drift.by_time_sentence()}"
    else:
        first = "Drift      {} {} per °C, from {:.1f} to {:.1f} °C".format(per_c, drift.unit, *drift.range_c)
    return [
        first,
        *([] if drift.steps_per_c is None else [f"           {drift.cooling_sentence()}"]),
        f"Scatter    {scatter} from run to run{tolerance}",
        *([f"Sensors    {drift.sensors_sentence()}"] if drift.sensors else []),
        *(
            f"Left along {_FOLLOWED[one.follows]}: {plus_minus(one.steps, one.err, True)} {drift.unit}"
            for one in drift.follows
        ),
    ]


def _light_lines(drift: Drift) -> list[str]:
    share = drift.lights
    if share is None:
        return []
    lines = [f"Lights     {share.used} light frames used; the side of focus of {share.not_used} is open"]
    if share.um_per_c_size:
        size = plus_minus(share.um_per_c_size, share.um_per_c_size_err)
        lines.append(f"           where it is, focus moves by {size} µm per °C, up or down")
    return lines


def _offset_lines(drift: Drift) -> list[str]:
    if len(drift.filters) < 2:
        return []
    digits = drift.decimals
    rows = [("  filter", drift.unit, "runs", "temperatures" if drift.range_c else "", "")]
    for i, one in enumerate(drift.filters):
        value = "0" if i == 0 else plus_minus(one.offset_steps, one.err, True)
        span = "{:.1f} to {:.1f} °C".format(*one.range_c) if one.range_c else "-" * bool(drift.range_c)
        own = "" if one.steps_per_c is None else f"{one.steps_per_c:+.{digits + 2}f} {drift.unit} per °C"
        rows.append((f"  {one.filter}", value, str(one.runs), span, own))
    when = "temperature" if drift.range_c else "time"
    title = f"Offsets    position in the filter less position in {drift.reference_filter}, at one {when}"
    return [title, *text_table(rows, right={1, 2})]


def _rebuild_line(drift: Drift, rebuild: Rebuild) -> str:
    how = "declared" if rebuild.declared else f"found (gain {rebuild.evidence or 0.0:.0f} in -2 log likelihood)"
    step = plus_minus(rebuild.jump_steps, rebuild.err, True)
    return f"Rebuild    {format_time(rebuild.time)}  {step} {drift.unit}, {how}"


def _prediction_line(drift: Drift, one: dict[str, Any]) -> str:
    low, high = drift.range_c or (-math.inf, math.inf)
    name = f"in {one['filter']} " if one["filter"] else ""
    beyond = "" if low <= one["temperature_c"] <= high else " (outside the range of the runs)"
    return f"Best position {name}at {one['temperature_c']:g} °C: {plus_minus(one['position'], one['err'])}{beyond}"


def _set_aside_lines(drift: Drift, verbose: bool) -> list[str]:
    shown = drift.set_aside if verbose else drift.set_aside[:20]
    rows = [(f"  {format_time(one.run.time)}", one.run.filter or "-", str(one.reason)) for one in shown]
    more = len(drift.set_aside) - len(shown)
    return ["Set aside"] * bool(rows) + text_table(rows, right=()) + [f"  and {more} more: see --verbose"] * bool(more)


def _used_lines(drift: Drift) -> list[str]:
    digits = drift.decimals + 1
    rows = [
        (f"  {format_time(run.time)}", run.filter or "-", f"{run.position:.{digits}f}", f"{off:+.{digits}f}")
        for run, off in zip(drift.used, drift.residuals_steps, strict=True)
    ]
    return ["Runs used: time, filter, position, off the model", *text_table(rows, right={2, 3})]


def _model_lines(drift: Drift) -> list[str]:
    rows = [
        (
            f"  {MODEL_WORDS[model.name]}",
            "not tried" if model.aicc_change is None else f"{model.aicc_change:+.1f}",
            "taken" * model.taken,
        )
        for model in drift.models
    ]
    title = "Richer models (AICc against the plain one; taken if well below 0)"
    return [title, *text_table(rows, right={1})] if rows else []


def _advice_lines(drift: Drift) -> list[str]:
    lines = [
        f"  {one.runs} runs{f' in {one.filter}' if one.filter else ''} at about {round(one.temperature_c)} °C "
        f"({one.settles})"
        for one in drift.advice
    ]
    return ["What would settle most"] * bool(lines) + lines
