"""The command ``focuskit plan``: how to make the next focus run in each filter."""

from __future__ import annotations

import argparse

from focuskit.cli.progress import print_answer
from focuskit.cli.sources import find_drift, found_logbook, read_log, read_source
from focuskit.core.errors import FocuskitError
from focuskit.core.flags import check, describe
from focuskit.core.optics import decimals_of
from focuskit.core.text import text_table
from focuskit.refocus import Known, SweepPlan, plan_sweeps


def run_plan(args: argparse.Namespace) -> int:
    """Answer ``focuskit plan``; returns the exit status."""
    if not args.runs and found_logbook(args) is None and not args.logbook:
        raise FocuskitError(_missing("logged runs with --runs FILE.csv, or a night analysed with --record", args))
    source = read_source(args)
    drift = find_drift(args, source, read_log(args, night="all") if args.temps else None)
    travel = source.rig_file.rig.travel
    plans = plan_sweeps(
        drift,
        travel=travel,
        temperature_c=args.at,
        interval_min=args.interval,
        filters=source.rig_file.filters,
        rig=source.rig_file.rig,
        known=Known(best_hfd_px=args.best_hfd, slope_px_per_step=args.slope),
    )
    if args.filter:
        plans = [p for p in plans if p.filter.casefold() == args.filter.casefold()]
    if not plans:
        wanted = f" in {args.filter}" if args.filter else ""
        raise FocuskitError(_missing(f"good runs{wanted} that are logged with their size and slope", args))
    answer = {"schema": "focuskit.plan/1", "position_unit": drift.position_unit, "sweeps": [p.to_json() for p in plans]}
    print_answer(args, answer, plan_as_text(plans, travel, drift.unit, quiet=args.quiet, verbose=args.verbose))
    return 0


def _missing(runs: str, args: argparse.Namespace) -> str:
    """Ask for all that is missing at once, with a line to copy."""
    sizes = f"--best-hfd {args.best_hfd or 5.9:g} --slope {args.slope or 0.114:g}"
    return (
        f"missing: {runs}; for runs without sizes, give --best-hfd PX and --slope PX_PER_STEP, or a rig file with "
        "focal_length_mm, aperture_mm, pixel_um and um_per_step. "
        f"For example: focuskit plan --runs {args.runs or 'FILE.csv'} {sizes}"
    )


def plan_as_text(
    plans: list[SweepPlan], travel: tuple[float, float] | None, unit: str, *, quiet: bool = False, verbose: bool = False
) -> str:
    """Return the plans as text for a terminal."""
    rows: list[tuple[str, ...]] = [
        ("filter", "from", "to", "step", "frames", "expose", "takes", "error", "tol.", "by offset: takes, error")
    ]
    for p in plans:
        offset, digits = "", max(decimals_of(p.tolerance_steps), 1)
        if p.by_offset:
            mark = "  better" if p.better == "offset" else ""
            offset = f"{p.by_offset.filter}: {p.by_offset.cost_s:.0f} s, {p.by_offset.position_err:.{digits}f}{mark}"
        numbers = (p.positions[0], p.positions[-1], p.step, len(p.positions))
        times = (f"{p.exposure_s:g} s", f"{p.cost_s:.0f} s")
        errors = (f"{p.position_err_steps:.{digits}f}", f"{p.tolerance_steps:.{digits}f}")
        rows.append((p.filter, *map(str, numbers), *times, *errors, offset))
    lines = text_table(rows, right=range(1, 9))
    if quiet:
        return "\n".join(lines)
    if verbose:
        lines += ["", "Positions in the order of the sweep:"]
        lines += [f"{p.filter:<8}{' '.join(map(str, p.positions))}" for p in plans]
    sizes = sorted({f"{p.outer_size:.1f}" for p in plans}, key=float)
    span = sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    lines += ["", f"Positions and errors in {unit}. The outermost frames are {span} times the least size."]
    lines += [p.why for p in plans if p.by_offset]
    for name in check([flag for p in plans for flag in p.flags]):
        flag = describe(name)
        where = ", ".join(p.filter for p in plans if name in p.flags)
        lines += ["", f"{name} ({where}): {flag.meaning} {flag.advice}"]
    if travel is None:
        where = "Positions are not checked against the focuser's travel: give it in a rig file, with --rig FILE."
    else:
        where = f"All positions lie within the travel of {travel[0]:.10g} to {travel[1]:.10g} that the rig file tells."
    lines += ["", where]
    return "\n".join(lines)
