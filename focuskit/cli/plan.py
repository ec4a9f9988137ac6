"""The command ``focuskit plan``: how to make the next focus run in each filter."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import Any

from focuskit.cli.sources import find_drift, read_log, read_source
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check, describe
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import decimals_of
from focuskit.drift import Drift
from focuskit.refocus import SweepPlan, compare_with_offset, learn_behaviour, look_at_runs, plan_sweep, rounded


def run_plan(args: argparse.Namespace) -> int:
    """Answer ``focuskit plan``; returns the exit status."""
    source = read_source(args)
    drift = find_drift(args, source, read_log(args, night="all") if args.temps else None)
    travel = source.rig_file.rig.travel
    plans = plan_all(drift, drift.used, travel, args.at, args.interval, source.rig_file.filters)
    if args.filter:
        plans = [p for p in plans if p.filter.casefold() == args.filter.casefold()]
    if not plans:
        wanted = f" in {args.filter}" if args.filter else ""
        raise FocuskitError(f"no good run{wanted} with its size and slope is logged: analyse one first")
    if args.json:
        values = {"schema": "focuskit.plan/1", "sweeps": [_sweep_as_json(p) for p in plans]}
        print(json.dumps(values, allow_nan=False, ensure_ascii=False))
    else:
        print(plan_as_text(plans, travel, quiet=args.quiet, verbose=args.verbose))
    return 0


def plan_all(
    drift: Drift,
    runs: Sequence[LoggedRun],
    travel: tuple[float, float] | None,
    at_c: float | None,
    interval_min: float,
    filters: FilterTable = USUAL_FILTERS,
) -> list[SweepPlan]:
    """Plan the next run in each filter, and compare it with one in the quickest filter and a move."""
    seen = look_at_runs(runs, filters)
    plans = []
    for one in seen:
        centre = None
        if at_c is not None:
            centre = drift.predict(None if one.filter == "-" else one.filter, at_c)[0]
            if centre is None:
                raise FocuskitError(f"filter {one.filter}: the logged runs do not tell its focus at {at_c} °C")
        plans.append(plan_sweep(one, centre=centre, travel=travel))
    if not plans:
        return []
    broad = min(plans, key=lambda p: p.cost_s)
    # The comparison rests on offsets and sizes: runs too few to tell a drift or its errors do for it.
    behaviour = learn_behaviour(
        drift,
        [p.filter for p in plans],
        steps_per_c=drift.steps_per_c or 0.0,
        position_err_steps={p.filter: p.position_err_steps for p in plans},
        table=filters,
    ).behaviour
    return [compare_with_offset(p, broad, behaviour, interval_min=interval_min) for p in plans]


def _sweep_as_json(p: SweepPlan) -> dict[str, Any]:
    return {
        "filter": p.filter,
        "centre": rounded(p.centre, 12),
        "step": p.step,
        "frames": len(p.positions),
        "positions": list(p.positions),
        "exposure_s": p.exposure_s,
        "outer_size": rounded(p.outer_size),
        "cost_s": rounded(p.cost_s),
        "position_err": rounded(p.position_err_steps),
        "tolerance_steps": rounded(p.tolerance_steps),
        "by_offset": None
        if p.broad_cost_s is None
        else {
            "filter": p.broad_filter,
            "cost_s": rounded(p.broad_cost_s),
            "position_err": rounded(p.broad_err_steps),
        },
        "better": p.better,
        "why": p.why,
        "flags": list(p.flags),
    }


def plan_as_text(
    plans: list[SweepPlan], travel: tuple[float, float] | None, *, quiet: bool = False, verbose: bool = False
) -> str:
    """Return the plans as text for a terminal."""
    lines = [
        f"{'filter':<8}{'from':>8}{'to':>8}{'step':>6}{'frames':>8}{'expose':>9}{'takes':>8}{'error':>8}"
        f"{'tol.':>7}   by offset: takes, error",
    ]
    for p in plans:
        offset, digits = "", max(decimals_of(p.tolerance_steps), 1)
        if p.broad_cost_s is not None and p.broad_err_steps is not None:
            mark = "  better" if p.better == "offset" else ""
            offset = f"{p.broad_filter}: {p.broad_cost_s:.0f} s, {p.broad_err_steps:.{digits}f}{mark}"
        lines.append(
            f"{p.filter:<8}{p.positions[0]:>8}{p.positions[-1]:>8}{p.step:>6}{len(p.positions):>8}"
            f"{p.exposure_s:>7g} s{p.cost_s:>6.0f} s{p.position_err_steps:>8.{digits}f}{p.tolerance_steps:>7.{digits}f}"
            f"   {offset}".rstrip()
        )
    if quiet:
        return "\n".join(lines)
    if verbose:
        lines += ["", "Positions in the order of the sweep:"]
        lines += [f"{p.filter:<8}{' '.join(map(str, p.positions))}" for p in plans]
    sizes = sorted({f"{p.outer_size:.1f}" for p in plans}, key=float)
    span = sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    lines += ["", f"Positions and errors in steps. The outermost frames are {span} times the least size."]
    lines += [p.why for p in plans if p.broad_filter]
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
