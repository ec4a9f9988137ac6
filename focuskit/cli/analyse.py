"""The command ``focuskit analyse``: a folder of focus frames in, best positions out."""

from __future__ import annotations

import argparse
from collections import Counter
from typing import Any

from focuskit.cli.progress import most_frequent, print_answer, print_next, print_remarks, print_written, progress_on
from focuskit.cli.sources import (
    logbook_path,
    name_other_rigs,
    read_cache,
    read_frame_options,
    read_history,
    read_limits,
    record_runs,
    refuse_overwriting,
    use_rigs,
)
from focuskit.core import flags
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import UNIT_WORDS, Rig, decimals_of
from focuskit.core.text import plain_text, plus_minus, text_table
from focuskit.diagnosis import diagnose
from focuskit.frames import RigDraft
from focuskit.logbook import Renewal
from focuskit.night import Night, RunResult, analyse

_LEAST_NAMES = 5  # as many positions as a pattern in names rests on


def run_analyse(args: argparse.Namespace) -> int:
    """Answer ``focuskit analyse``; returns the exit status.

    Where an output cannot be written, as on a full disk, or no run has a best position, the answer is printed all the
    same and the status is 1; a logbook that cannot be used costs one line.
    """
    refuse_overwriting(args)
    wanted = args.record or args.logbook
    if wanted:
        logbook_path(args)  # there is one to record in
    night = analyse_folders(args, read_history(args, to_be_made=True))
    written: list[str] = []
    recorded = record_night(args, night) if wanted else None
    try:
        written = _write(night, args) if night.runs else []
    finally:
        text = night_as_text(night, quiet=args.quiet, frames=args.frames or args.verbose, ways=args.verbose)
        print_answer(args, night.to_json(), text)
    print_written(args, written)
    if why := nothing_in(night):
        print_remarks(["; ".join(filter(None, [why, pattern_hint(args, night)]))])
        return 1
    print_remarks(list(filter(None, [pattern_hint(args, night)])))
    if recorded is not None:
        if not args.json:
            print(f"\n{_recorded(recorded)} in {args.logbook_used}")
        where = ["--logbook", args.logbook] if args.logbook else []
        print_next(args, "how far the filters lie apart and how focus drifts", "offsets", *where)
    else:
        rig = ["--rig", args.rig] if args.rig else []
        page = [] if args.report else ["--report", "night.html"]
        why = "the runs into your logbook" if args.report else "the curves as a page, and the runs into your logbook"
        print_next(args, why, "analyse", *args.folders, *rig, *page, "--record")
    return 0


def analyse_folders(args: argparse.Namespace, history: list[LoggedRun]) -> Night:
    """Analyse the folders that the options name."""
    rig_file = read_frame_options(args)
    night = analyse(
        args.folders,
        rig_file=rig_file,
        limits=read_limits(args),
        workers=args.workers,
        progress=progress_on(args, "measuring frames:", then="fitting the runs"),
        history=history,
        cache=read_cache(args),
    )
    name_other_rigs(args, rig_file, (run.rig.name for run in night.runs))
    use_rigs(args, rig_file, (run.frames[0].info for run in night.runs))
    taken = [(rig_file.of(run.frames[0].info.optics).filters, run.filter) for run in night.runs]
    for table in {id(table): table for table, _ in taken}.values():
        print_remarks(table.remarks(name for one, name in taken if one is table))
    return night


def analyse_runs(args: argparse.Namespace, history: list[LoggedRun]) -> Night:
    """Analyse the folders that the options name, for a command that is about their focus runs.

    Raises
    ------
    FocuskitError
        If there is no focus run in them.
    """
    night = analyse_folders(args, history)
    if not night.runs:
        raise FocuskitError("; ".join(filter(None, [nothing_in(night), pattern_hint(args, night)])))
    return night


def pattern_hint(args: argparse.Namespace, night: Night) -> str:
    """Name a pattern that fits the names of frames without a position, where they are several and one does."""
    lacking = [name for name, why in night.not_used if why.code == "no_position"]
    if args.position_pattern or len(lacking) < _LEAST_NAMES:
        return ""
    found = next((draft.names.pattern for draft in RigDraft.read(args.folders, read_limits(args))
                  if draft.names and draft.names.pattern), None)  # fmt: skip
    if found is None:
        return ""
    return f"names of frames without a position fit --position-pattern '{found}', which focuskit setup checks and keeps"


def nothing_in(night: Night) -> str | None:
    """Say why nothing usable came of a night, None where a run has a best position, or where light frames are all."""
    if not night.runs:
        if night.lights:
            return None
        common = most_frequent([str(why) for _, why in night.not_used], "no frame could be measured")
        return f"no focus run among {len(night.not_used)} files; most often: {common}"
    if any(run.fit.best_position is not None for run in night.runs):
        return None
    common = most_frequent([flags.describe(name).meaning for run in night.runs for name in run.fit.flags], "no reason")
    return f"no best position in {len(night.runs)} focus run{'s' * (len(night.runs) > 1)}; most often: {common}"


def record_night(args: argparse.Namespace, night: Night) -> Renewal | None:
    """Record the runs and light frames of a night; see `record_runs`."""
    lights = [logged for light in night.lights if (logged := light.logged())]
    return record_runs(args, [run.logged() for run in night.runs if run.start is not None], lights)


def _recorded(came: Renewal) -> str:
    parts = [f"{came.new} new run{'s' * (came.new != 1)} recorded"]
    if came.lights:
        parts.append(f"{came.lights} new light frame{'s' * (came.lights > 1)}")
    if came.renewed:
        parts.append(f"{came.renewed} renewed (logbook show N --earlier shows what they said before)")
    if came.kept:
        parts.append(f"{came.kept} left as they were, because the optics were known then and are not now")
    return "; ".join(parts)


def _write(night: Night, args: argparse.Namespace) -> list[str]:
    """Write what was asked for beside the answer; return what to say about it."""
    written = []
    if args.report:
        from focuskit.show import write_report

        written.append(str(write_report(night, args.report, read_cache(args))))
    if args.plots:
        from focuskit.show import save_night_plots

        written.append(f"{len(save_night_plots(night, args.plots))} pictures in {args.plots}")
    if args.tables:
        from focuskit.show import write_tables

        written.append(" and ".join(str(path) for path in write_tables(night, args.tables)))
    return written


def night_as_text(night: Night, *, quiet: bool = False, frames: bool = False, ways: bool = False) -> str:
    """Return the answer as text for a terminal."""
    not_used = [f"  {plain_text(name)}: {plain_text(str(why))}" for name, why in night.not_used]
    if not night.runs:
        found = ["No focus run.", *_lights(night), ""] if night.lights else ["No focus run. Of each file, why:"]
        return "\n".join(found + ["Not used:"] * bool(night.lights and not_used) + not_used)
    lines = [_rig_line(rig) for rig in ([one.rig for one in night.rigs] if len(night.rigs) > 1 else [night.rig])] + [""]
    several = len(night.rigs) > 1
    units = " or ".join(dict.fromkeys(UNIT_WORDS[one.position_unit] for one in night.rigs))
    header: tuple[str, ...] = (
        "start (UTC)", "filter", "°C", "verdict", "best position", "least HFD px", "tolerance", "frames", "curve"
    )  # fmt: skip
    rows = [header]
    for result in night.runs:
        run = result.to_json()
        used = sum(point["used"] for point in run["points"])
        digits = decimals_of(run["tolerance_steps"])
        rows.append(
            (
                (run["start"] or "–").replace("T", " ").removesuffix("Z"),
                plain_text(run["filter"] or "–"),
                "–" if run["temperature_c"] is None else f"{run['temperature_c']:.1f}",
                run["verdict"],
                "–" if run["best_position"] is None else plus_minus(run["best_position"], run["best_position_err"]),
                "–" if run["hfd_best_px"] is None else f"{run['hfd_best_px']:.2f}",
                "–" if run["tolerance_steps"] is None else f"± {run['tolerance_steps']:.{digits}f}",
                f"{used} of {len(run['points'])}",
                _small_curve(run["points"]),
            )
        )
    if several:
        rigs = ["rig", *(plain_text(result.rig.name or "–") for result in night.runs)]
        rows = [(rig, *row) for rig, row in zip(rigs, rows, strict=True)]
    lines += text_table(rows, right={3, 5, 6, 7, 8} if several else {2, 4, 5, 6, 7})
    if quiet:
        return "\n".join(lines)
    for result in night.runs:
        lines += _remarks(result, frames, ways)
    lines += [""] * bool(night.notes) + [f"{note[0].upper()}{note[1:]}." for note in map(plain_text, night.notes)]
    lines += _wrong(night)
    lines += ["", *_lights(night)] if night.lights else []
    if not_used:
        lines += ["", "Not used:", *not_used]
    lines += [
        "",
        f"Positions are in {units} with their standard deviation; the tolerance is the move that costs 5 % in HFD.",
        "The curve is the size of the stars from the lowest position to the highest; × marks frames set aside.",
        "HFD is the diameter of the circle that holds half of a star's light.",
        "Before you send a focuser anywhere: keep to the travel that its maker states.",
    ]
    return "\n".join(lines)


def _rig_line(rig: Rig) -> str:
    facts = [
        f"{value:g} {unit}".strip()
        for value, unit in (
            (rig.focal_length_mm, "mm focal length"),
            (rig.aperture_mm, "mm aperture"),
            (rig.pixel_um, "µm pixels"),
            (rig.um_per_step and float(f"{rig.um_per_step:.4g}"), "µm a step"),
        )
        if value is not None
    ]
    return plain_text(rig.name or "Unnamed rig") + (": " + ", ".join(facts) if facts else "")


def _wrong(night: Night) -> list[str]:
    """Say in a line each what is wrong in the optical train."""
    wrong = diagnose(night).wrong
    return ["", "Wrong in the optical train; focuskit diagnose says more:"] * bool(wrong) + [
        f"  {finding.text}" for finding in wrong
    ]


def _lights(night: Night) -> list[str]:
    """Say what the light frames lost, in a line for each cause and one for all."""
    count = len(night.lights)
    lost = Counter(light.losses.lost_to for light in night.lights)
    parts = [f"{lost[cause]} to {cause}" for cause in ("focus", "seeing", "cloud", "smear") if lost[cause]]
    shapes = sum(light.distance_steps[0] is not None for light in night.lights)
    line = f"{count - lost[None] or 'None'} of {count} light frame{'s' * (count > 1)} lost 10 % of the exposure or more"
    line += f", mostly {', '.join(parts)}." if parts else "."
    return [line, *([f"The distance from focus is known for {shapes}; --json gives each."] if shapes else [])]


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


def _remarks(result: RunResult, frames: bool, ways: bool) -> list[str]:
    run = result.to_json()
    lines = []
    for name in run["flags"]:
        entry = flags.describe(name)
        lines.append(f"  {entry.meaning} {entry.advice}")
    if result.look_near is not None:
        lines.append(f"  Centre the next sweep near {result.look_near}.")
    if result.colours:
        beside = ", ".join(f"{one.name} {plus_minus(one.offset_steps, one.err, sign=True)}" for one in result.colours)
        lines.append(f"  The best position is that of green light. From there focus: {beside} steps.")
    for point in run["points"]:
        if point["why_not_used"]:
            lines.append(
                f"  set aside: {plain_text(point['file'])} at {point['position']:.10g}: {point['why_not_used']}"
            )
    if ways and run["method"]:
        lines.append(f"  reported: {run['method']}; {run['reason']}")
        for name, fit in run["fits"].items():
            if fit:
                lines.append(
                    f"    {name.replace('_', ' '):<14} {plus_minus(fit['best_position'], fit['best_position_err'])}"
                )
            if fit and name == "profile" and result.in_the_middle and result.to_middle:
                moved = plus_minus(*result.to_middle, sign=True)
                middle = plus_minus(*result.in_the_middle)
                lines.append(f"      in the middle  {middle}, moved by tilt and curvature: {moved}")
    if frames:
        lines.append(f"  {plain_text(result.sweep.why)}")
        for point in run["points"]:
            size = "–" if point["hfd_px"] is None else plus_minus(point["hfd_px"], point["hfd_err_px"])
            lines.append(
                f"  {point['position']:>9.10g}  {size:>16}  {point['stars']:>4} stars  {plain_text(point['file'])}"
            )
    if lines:
        title = f"{(run['start'] or '-')[11:19]} {plain_text(run['filter'] or '-')}"
        lines = ["", title, *lines]
    return lines
