"""The command ``focuskit analyse``: a folder of focus frames in, best positions out."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from focuskit import flags
from focuskit.errors import FocuskitError
from focuskit.output import plain_text, round_pair

if TYPE_CHECKING:
    from focuskit.night import Night
    from focuskit.tables import LoggedRun

EXAMPLE = """example:
  focuskit analyse sample_data/night --rig sample_data/heron.toml
"""


def add_commands(subparsers: Any) -> None:
    """Register ``analyse`` with an argparse subparsers object."""
    parser = subparsers.add_parser(
        "analyse",
        help="find the best focus position of every focus run in a folder",
        description="Measure every frame below the folders, group the frames into focus runs, and find the best "
        "focus position of each with its error.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folders", nargs="+", metavar="FOLDER", help="where the frames are")
    parser.add_argument("--json", action="store_true", help="write one JSON object instead of the tables")
    parser.add_argument("--rig", metavar="FILE", help="rig file (TOML) that fills or overrides the headers")
    parser.add_argument(
        "--keyword",
        action="append",
        default=[],
        metavar="FACT=KEYWORD",
        help="a header keyword of your own, such as position=MYFOC; repeatable",
    )
    parser.add_argument(
        "--position-pattern",
        metavar="PATTERN",
        help="take the position from the file name where the header lacks it, such as '*_{position}.fits'",
    )
    parser.add_argument("--frames", action="store_true", help="also list every frame")
    parser.add_argument("--report", metavar="FILE.html", help="write a report that any browser opens")
    parser.add_argument("--plots", metavar="FOLDER", help="write the curves as PNG and SVG pictures")
    parser.add_argument("--tables", metavar="FOLDER", help="write runs and frames as ECSV tables with units")
    parser.add_argument("--logbook", metavar="FILE", help="record the runs in this logbook")
    parser.add_argument("--record", action="store_true", help="record the runs in your usual logbook")
    parser.add_argument("--workers", type=int, metavar="N", help="processes that measure frames (default: all cores)")
    parser.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="NAME=N",
        help="how much a file may ask for: file_bytes, pixels, unpacked_bytes or header_bytes; repeatable",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on the terminal")
    parser.set_defaults(func=run_analyse)


def run_analyse(args: argparse.Namespace) -> int:
    """Carry out ``focuskit analyse``; return the exit status."""
    from focuskit.night import analyse
    from focuskit.rigfile import RigFile, read_rig_file

    if args.workers is not None and args.workers < 1:
        raise FocuskitError(f"--workers {args.workers}: give 1 or more")
    rig_file = read_rig_file(args.rig) if args.rig else RigFile()
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
    book = _logbook_path(args)
    night = analyse(
        args.folders,
        rig_file=rig_file,
        limits=_limits(args.limit),
        workers=args.workers,
        progress=_progress(args.quiet),
        history=_history(book),
    )
    if not night.runs:
        raise FocuskitError(_no_runs(night))
    try:
        recorded = _record(night, book)
        written = _write(night, args)
    finally:
        # Also where the disk is full: the answer is not lost.
        print(
            json.dumps(night.to_json(), ensure_ascii=False, allow_nan=False) if args.json else _text(night, args.frames)
        )
    if not args.json:
        for what in written:
            print(f"\nWritten: {what}")
        if recorded is not None:
            print(f"\n{recorded} new runs recorded. Next: focuskit offsets")
    return 0


def _limits(requests: list[str]) -> Any:
    from focuskit.fitsfile import Limits

    values: dict[str, int] = {}
    known = [field.name for field in fields(Limits)]
    for request in requests:
        name, _, value = request.partition("=")
        if name not in known or not value.isdecimal() or not value.isascii() or len(value) > 15:
            raise FocuskitError(f"--limit {request}: write it like pixels=500000000; known are {', '.join(known)}")
        values[name] = int(value)
    return Limits(**values)


def _no_runs(night: Night) -> str:
    reasons = [why for _, why in night.not_used]
    common = max(sorted(set(reasons)), key=reasons.count) if reasons else "no frame could be measured"
    return f"no focus run among {len(reasons)} files; most often: {common}"


def _progress(quiet: bool) -> Callable[[int, int], None] | None:
    if quiet or not sys.stderr.isatty():
        return None
    begun = time.monotonic()

    def show(done: int, total: int) -> None:
        left = (time.monotonic() - begun) / done * (total - done)
        ending = "\n" if done == total else ""
        print(f"\rmeasuring frames: {done} of {total}, {left:.0f} s left   ", end=ending, file=sys.stderr, flush=True)

    return show


def _logbook_path(args: argparse.Namespace) -> Path | None:
    """Return where the runs are to be recorded, None if nowhere."""
    if not (args.record or args.logbook):
        return None
    from focuskit.cli_options import default_logbook

    return Path(args.logbook) if args.logbook else default_logbook()


def _history(path: Path | None) -> list[LoggedRun]:
    """Return what is logged already; a logbook that is not there yet holds nothing."""
    from focuskit.logbook import Logbook

    return Logbook(path).runs() if path and path.is_file() else []


def _record(night: Night, path: Path | None) -> int | None:
    from focuskit.logbook import Logbook

    return Logbook(path).record([run.logged() for run in night.runs if run.run.start is not None]) if path else None


def _with_error(value: float | None, err: float | None) -> str:
    return " ± ".join(part for part in round_pair(value, err) if part)


def _write(night: Night, args: argparse.Namespace) -> list[str]:
    """Write what was asked for beside the answer; return what to say about it."""
    written = []
    if args.report:
        from focuskit.report import write_report

        written.append(str(write_report(night, args.report)))
    if args.plots:
        from focuskit.plots import save_plots

        written.append(f"{len(save_plots(night, args.plots))} pictures in {args.plots}")
    if args.tables:
        from focuskit.night_tables import write_tables

        written.append(" and ".join(str(path) for path in write_tables(night, args.tables)))
    return written


def _text(night: Night, frames: bool) -> str:
    rig = night.rig
    facts = [
        f"{value:g} {unit}".strip()
        for value, unit in (
            (rig.focal_length_mm, "mm focal length"),
            (rig.aperture_mm, "mm aperture"),
            (rig.pixel_um, "µm pixels"),
            (rig.um_per_step, "µm a step"),
        )
        if value is not None
    ]
    lines = [plain_text(rig.name or "Unnamed rig") + (": " + ", ".join(facts) if facts else ""), ""]
    header = ("start (UTC)", "filter", "°C", "verdict", "best position", "least HFD px", "tolerance", "frames", "curve")
    rows = [header]
    for result in night.runs:
        run = result.to_json()
        used = sum(point["used"] for point in run["points"])
        rows.append(
            (
                (run["start"] or "–").replace("T", " ").removesuffix("Z"),
                plain_text(run["filter"] or "–"),
                "–" if run["temperature_c"] is None else f"{run['temperature_c']:.1f}",
                run["verdict"],
                _with_error(run["best_position"], run["best_position_err"]),
                "–" if run["hfd_best_px"] is None else f"{run['hfd_best_px']:.2f}",
                "–" if run["tolerance_steps"] is None else f"± {run['tolerance_steps']:.0f}",
                f"{used} of {len(run['points'])}",
                _small_curve(run["points"]),
            )
        )
    widths = [max(len(row[k]) for row in rows) for k in range(len(header))]
    right = {2, 4, 5, 6, 7}
    for row in rows:
        cells = [c.rjust(w) if k in right else c.ljust(w) for k, (c, w) in enumerate(zip(row, widths, strict=True))]
        lines.append("  ".join(cells).rstrip())
    for result in night.runs:
        lines += _remarks(result, frames)
    if night.not_used:
        lines += ["", "In no run:"] + [f"  {plain_text(name)}: {plain_text(why)}" for name, why in night.not_used]
    lines += [
        "",
        "Positions are in steps with their standard deviation; the tolerance is the move that costs 5 % in HFD.",
        "The curve is the size of the stars from the lowest position to the highest; × marks frames set aside.",
        "HFD is the diameter of the circle that holds half of a star's light.",
        "Before you send a focuser anywhere: keep to the travel that its maker states.",
        "For the curves as pictures, and all details: add --report night.html",
    ]
    return "\n".join(lines)


def _small_curve(points: list[dict[str, Any]]) -> str:
    """Draw the sizes over the position with one sign a frame."""
    sizes = [point["hfd_px"] for point in points if point["used"] and point["hfd_px"] is not None]
    if not sizes:
        return "×" * len(points)
    least, span = min(sizes), max(sizes) - min(sizes) or 1.0
    signs = "▁▂▃▄▅▆▇█"
    ordered = sorted(points, key=lambda point: (point["position"], point["time"] or ""))
    return "".join(
        signs[min(7, int(8.0 * (point["hfd_px"] - least) / span))] if point["used"] and point["hfd_px"] else "×"
        for point in ordered
    )


def _remarks(result: Any, frames: bool) -> list[str]:
    run = result.to_json()
    lines = []
    for name in run["flags"]:
        entry = flags.describe(name)
        lines.append(f"  {entry.meaning} {entry.advice}")
    if run["look_near"] is not None:
        lines.append(f"  Centre the next sweep near {run['look_near']:.0f}.")
    for point in run["points"]:
        if point["why_not_used"]:
            lines.append(f"  set aside: {plain_text(point['file'])} at {point['position']:g}: {point['why_not_used']}")
    if frames:
        lines.append(f"  {plain_text(result.run.why)}")
        for point in run["points"]:
            size = _with_error(point["hfd_px"], point["hfd_err_px"])
            lines.append(
                f"  {point['position']:>9g}  {size:>16}  {point['stars']:>4} stars  {plain_text(point['file'])}"
            )
    if lines:
        title = f"{(run['start'] or '-')[11:19]} {plain_text(run['filter'] or '-')}"
        lines = ["", title, *lines]
    return lines
