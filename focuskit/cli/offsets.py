"""The command ``focuskit offsets``: drift and filter offsets."""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
from pathlib import Path
from typing import Any

from focuskit.cli.progress import tell_next, tell_written
from focuskit.cli.sources import files_read, find_drift, read_log, read_source, refuse_overwriting, source_words
from focuskit.core.flags import describe
from focuskit.core.optics import decimals_of
from focuskit.core.text import plus_minus, write_whole
from focuskit.core.times import format_time
from focuskit.drift import MODEL_WORDS, Drift
from focuskit.logbook import formula_free

CAUTION = (
    "Before typing an offset or a position into a control program: check its sign convention, and keep "
    "every position within the travel that the maker of the focuser allows."
)


def run_offsets(args: argparse.Namespace) -> int:
    """Answer ``focuskit offsets``; returns the exit status."""
    drift = find_drift(args, read_source(args), read_log(args, night="all") if args.temps else None)
    predictions = _predict(drift, args)
    written = []
    try:
        if args.table:
            refuse_overwriting(args.table, *files_read(args))
            written.append(str(write_offset_table(Path(args.table), drift)))
        if args.report:
            from focuskit.show import write_report

            refuse_overwriting(args.report, *files_read(args))
            written.append(str(write_report(drift, args.report)))
        if args.plots:
            from focuskit.show import save_drift_plots

            written.append(f"{len(save_drift_plots(drift, Path(args.plots)))} pictures in {args.plots}")
    finally:
        if args.json:
            answer = drift.to_json() | {"predictions": predictions}
            print(json.dumps(answer, allow_nan=False, ensure_ascii=False))
        else:
            print(offsets_as_text(drift, predictions, quiet=args.quiet, verbose=args.verbose))
    tell_written(args, written)
    rig = ["--rig", args.rig] if args.rig else []
    if args.temps:
        tell_next(args, "when to refocus", "interval", "--temps", *args.temps, *source_words(args), *rig)
    else:
        beside = Path(args.runs).with_name("temperatures.csv") if args.runs else Path("temperatures.csv")
        log = beside if beside.is_file() else "LOG.csv"
        tell_next(args, "when to refocus, from a log of temperatures", "interval", "--temps", log,
                  *source_words(args), *rig)  # fmt: skip
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


def write_offset_table(path: Path, drift: Drift) -> Path:
    """Write offsets and their errors as CSV, in whole steps (a tenth of the tolerance where they are in mm).

    Unknown ones are left empty.
    """
    digits = decimals_of(drift.tolerance_steps)
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
    low, high = drift.range_c
    rig = f" of {drift.rig}" if drift.rig else ""
    lines = [
        f"Drift and filter offsets{rig}, from {len(drift.used)} runs; {len(drift.set_aside)} set aside",
        "",
    ]
    lines.append(f"Drift      {plus_minus(drift.steps_per_c, drift.steps_per_c_err, True)} steps per °C, "
                 f"from {low:.1f} to {high:.1f} °C")  # fmt: skip
    if drift.steps_per_c is not None:
        lines.append(f"           {drift.cooling_sentence()}")
    digits = decimals_of(drift.tolerance_steps)
    tolerance = "" if drift.tolerance_steps is None else f"; the tolerance is {drift.tolerance_steps:.{digits}f} steps"
    scatter = "not known" if drift.scatter_steps is None else f"{drift.scatter_steps:.{max(digits, 1)}f} steps"
    lines += [f"Scatter    {scatter} from run to run{tolerance}", ""]
    if len(drift.filters) > 1:
        name = drift.reference_filter
        lines.append(f"Offsets    position in the filter less position in {name}, at one temperature")
        width = max(6, *(len(str(one.filter)) for one in drift.filters))
        lines.append(f"  {'filter':<{width}}  {'steps':>16}  {'runs':>5}   temperatures")
        for i, one in enumerate(drift.filters):
            value = "0" if i == 0 else plus_minus(one.offset_steps, one.err, True)
            span = f"{one.range_c[0]:.1f} to {one.range_c[1]:.1f} °C" if one.range_c else "-"
            own = "" if one.steps_per_c is None else f"   {one.steps_per_c:+.2f} steps per °C"
            lines.append(f"  {one.filter!s:<{width}}  {value:>16}  {one.runs:>5}   {span}{own}")
        lines.append("")
    for rebuild in drift.rebuilds:
        how = "declared" if rebuild.declared else f"found (gain {rebuild.evidence or 0.0:.0f} in -2 log likelihood)"
        step = plus_minus(rebuild.jump_steps, rebuild.err, True)
        lines.append(f"Rebuild    {format_time(rebuild.time)}  {step} steps, {how}")
    if drift.rebuilds:
        lines.append("")
    for p in predictions:
        name = f"in {p['filter']} " if p["filter"] else ""
        beyond = "" if low <= p["temperature_c"] <= high else " (outside the range of the runs)"
        position = plus_minus(p["position"], p["err"])
        lines.append(f"Best position {name}at {p['temperature_c']:g} °C: {position}{beyond}")
    if quiet:
        return "\n".join(lines).rstrip()
    if predictions:
        lines.append("")
    if drift.set_aside:
        most = len(drift.set_aside) if verbose else 20
        lines.append("Set aside")
        lines += [f"  {format_time(s.run.time)}  {s.run.filter or '-':<5} {s.reason}" for s in drift.set_aside[:most]]
        if len(drift.set_aside) > most:
            lines.append(f"  and {len(drift.set_aside) - most} more: see --verbose")
        lines.append("")
    if verbose:
        lines.append("Runs used: time, filter, position, off the model")
        lines += [f"  {format_time(run.time)}  {run.filter or '-':<5} {run.position:9.1f}  {off:+7.1f}"
                  for run, off in zip(drift.used, drift.residuals_steps, strict=True)]  # fmt: skip
        lines.append("")
    lines.append("Richer models (AICc against the plain one; taken if well below 0)")
    for model in drift.models:
        change = "not tried" if model.aicc_change is None else f"{model.aicc_change:+.1f}"
        lines.append(f"  {MODEL_WORDS[model.name]:<28} {change:>9}{'   taken' if model.taken else ''}")
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
