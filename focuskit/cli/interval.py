"""The command ``focuskit interval``: when to refocus."""

from __future__ import annotations

import argparse
from pathlib import Path

from focuskit.cli import sources
from focuskit.cli.progress import print_answer, print_next, print_remarks, print_written, progress_on
from focuskit.core.errors import FocuskitError
from focuskit.core.flags import describe
from focuskit.core.optics import decimals_of
from focuskit.core.text import plain_text, text_table
from focuskit.drift import Drift
from focuskit.frames import RigFile, TemperatureLog
from focuskit.refocus import TIE, Interval, Known, Worth, find_interval, read_night_plan

KNOWN = ("steps_per_c", "best_hfd", "slope", "run_cost", "position_err")
BY_OPTICS = ("best_hfd", "slope", "position_err")  # what the optics and a usual seeing do for
NEEDED = ("steps_per_c", *BY_OPTICS)
EXAMPLE_VALUES = dict(zip(KNOWN, (-6.5, 5.9, 0.114, 95.0, 1.5), strict=True))


def run_interval(args: argparse.Namespace) -> int:
    """Answer ``focuskit interval``; returns the exit status."""
    sources.refuse_overwriting(args)
    if args.temps or _is_by_hand(args):
        _refuse_what_is_missing(args)
        found = decide(args, sources.read_log(args, night=args.night))
    else:
        source = sources.read_source(args)
        drift = sources.find_drift(args, source, None)
        if drift.by_time is None:
            _refuse_what_is_missing(args)
        found = decide_from_drift(args, None, drift, source.rig_file)
    written = []
    try:
        if args.report:
            from focuskit.show import write_report

            written.append(str(write_report(found, args.report)))
        if args.plots:
            from focuskit.show import save_interval_plot

            written += [
                str(save_interval_plot(found, Path(args.plots) / f"interval.{kind}")) for kind in ("png", "svg")
            ]
    finally:
        print_answer(args, found.to_json(), interval_as_text(found, quiet=args.quiet, verbose=args.verbose))
    print_written(args, written)
    if args.runs or args.logbook or not args.steps_per_c:
        sizes = [("--best-hfd", args.best_hfd), ("--slope", args.slope)]
        given = [word for option, value in sizes if value for word in (option, f"{value:g}")]
        print_next(args, "how to make the next focus run in each filter", "plan", *sources.source_words(args), *given)
    return 0


def decide(args: argparse.Namespace, log: TemperatureLog) -> Interval:
    """Decide when to refocus, from options and logged runs."""
    if _is_by_hand(args):
        return decide_from_drift(args, log, None, sources.read_rig(args))
    source = sources.read_source(args)
    return decide_from_drift(args, log, sources.find_drift(args, source, log), source.rig_file)


def _is_by_hand(args: argparse.Namespace) -> bool:
    """Return whether no logged run is to be looked at: none is named, and either all is given or none is there."""
    if args.runs or args.logbook:
        return False
    return None not in [getattr(args, name) for name in KNOWN] or sources.found_logbook(args) is None


def _refuse_what_is_missing(args: argparse.Namespace) -> None:
    """Ask for all that is missing at once, with a line to copy, before anything is read.

    Raises
    ------
    FocuskitError
        If there are no logged runs and not all is given, with the status of a wrong command line without a log.
    """
    rig = sources.read_rig(args).rig if _is_by_hand(args) else None
    needed = [] if rig is None else [n for n in NEEDED if n not in BY_OPTICS or Known.by_optics(rig) is None]
    missing = [f"--{name}".replace("_", "-") for name in needed if getattr(args, name) is None]
    if args.temps and not missing:
        return
    given = {name: getattr(args, name) for name in KNOWN if isinstance(getattr(args, name), float)}
    words = [f"--{name}".replace("_", "-") + f" {given.get(name, like):g}" for name, like in EXAMPLE_VALUES.items()]
    parts = [] if args.temps else ["a log of temperatures with --temps LOG.csv (of the nearest weather station, too)"]
    if missing:
        optics = "; a rig file with focal_length_mm, aperture_mm, pixel_um and um_per_step does for all but the first"
        parts.append(f"logged runs with --runs FILE.csv, or by hand {', '.join(missing)}{optics * (len(missing) > 1)}")
    log = " ".join(args.temps or ["LOG.csv"])
    like = " ".join(words) if missing else "--runs FILE.csv"
    told = f"missing: {'; and '.join(parts)}. For example: focuskit interval --temps {log} {like}"
    if not args.temps:
        print_remarks([told])
        raise SystemExit(2)
    raise FocuskitError(told)


def decide_from_drift(
    args: argparse.Namespace, log: TemperatureLog | None, drift: Drift | None, rig_file: RigFile
) -> Interval:
    """Decide when to refocus, from options and, if there are logged runs, the drift that they taught."""
    return find_interval(
        log,
        drift,
        read_night_plan(args.blocks, rig_file.filters) if args.blocks else None,
        now_every_min=args.now_every,
        progress=progress_on(args, "replaying the nights: way"),
        filters=rig_file.filters,
        rig=rig_file.rig,
        known=Known(
            args.steps_per_c,
            args.steps_per_c_err,
            args.best_hfd,
            args.slope,
            args.run_cost,
            args.position_err,
            args.random_walk,
        ),
    )


def interval_as_text(found: Interval, *, quiet: bool = False, verbose: bool = False) -> str:
    """Return the answer as text for a terminal."""
    answer, behaviour, log = found.answer, found.behaviour, found.log
    digits = max(decimals_of(behaviour.tolerance_steps), 1)
    every_c = "never" if answer.every_c is None else f"whenever it has changed by {answer.every_c:.2g} °C"
    by_heat = f"By temperature: {every_c}.   " if behaviour.has_temperatures else ""
    lines = [
        answer.advice,
        "",
        f"{by_heat}By the clock: {_minutes(answer.every_min)}.   "
        f"Tolerance (5 % in HFD): {behaviour.tolerance_steps:.{digits}f} {behaviour.unit}.",
    ]
    if quiet:
        return "\n".join(lines)
    rows = [
        ("way", "every", "runs", "spent", "HFD growth", "in tol.", "effective", "gain"),
        ("", "", "", "min", "mean / worst %", "%", "hours", "%"),
        *(_row(worth, answer.recommended) for worth in answer.worths),
    ]
    lines += [
        "",
        f"Means per night over {len(log.nights)} night{'s' * (len(log.nights) > 1)}:",
        *text_table(rows, right=range(1, 8)),
        "",
        f"* recommended: ways within {100.0 * TIE:g} % of the most effective hours count as equal, and the simpler or "
        "safer one is taken.",
        *(f"  {w.policy.name}: {w.what}" for w in answer.worths),
    ]
    if answer.hours:
        lines += ["", "Over the night (mean change and its spread, °C per hour; interval by the clock):"]
    lines += [
        f"  hour {h.hour:<2d} {h.change_c_per_h:+6.2f} ± {h.spread_c_per_h:4.2f}   {_minutes(h.every_min)}"
        for h in answer.hours
    ]
    if behaviour.has_temperatures and answer.spread_of_nights_min and len(answer.by_night_min) > 2:
        low, middle, high = answer.spread_of_nights_min
        lines += ["", "From night to night, wherever in the plan the runs fall: "
                  f"{low:.0f} to {high:.0f} min (a tenth below, a tenth above), "
                  f"middle {middle:.0f} min."]  # fmt: skip
    if answer.kept_on_other_nights_pct is not None:
        kept = answer.kept_on_other_nights_pct
        lines.append(f"Chosen on every other night, it keeps {kept:.0f} % of its gain on the rest.")
    for lever in answer.levers if verbose else answer.levers[:1]:
        most = "most " if lever is answer.levers[0] else ""
        lines += ["", f"The interval hangs {most}on {lever.words(behaviour.unit)}: {_minutes(lever.every_min_low)} at "
                  f"{lever.low:.3g}, {_minutes(lever.every_min_high)} at {lever.high:.3g}."]  # fmt: skip
    for name in answer.flags:
        flag = describe(name)
        lines += ["", f"{name}: {flag.meaning} {flag.advice}"]
    lines += ["", *found.notes]
    if verbose:
        lines += [f"  {plain_text(d.file)}, line {d.line}: {d.why}" for d in log.dropped]
    return "\n".join(lines)


def _row(worth: Worth, recommended: str) -> tuple[str, ...]:
    policy = worth.policy
    setting = "" if policy.every_min is None else f"{policy.every_min:.0f} min"
    return (
        policy.name + "*" * (policy.name == recommended),
        setting if policy.every_c is None else f"{policy.every_c:.2g} °C",
        f"{worth.runs:.1f}",
        f"{worth.minutes_spent:.1f}",
        f"{worth.mean_hfd_growth_pct:.1f} / {worth.worst_hfd_growth_pct:6.1f}",
        f"{worth.time_in_tolerance_pct:.1f}",
        f"{worth.effective_hours:.2f}",
        f"{worth.depth_gained_pct:+.1f}",
    )


def _minutes(every_min: float | None) -> str:
    return "never" if every_min is None else f"every {every_min:.0f} min"
