"""The commands ``interval`` (when to refocus) and ``plan`` (how to make the next focus run)."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from focuskit.cli_options import (
    add_log_options,
    add_run_options,
    by_filter,
    celsius,
    default_logbook,
    finite,
    not_negative,
    positive,
    read_log,
    read_source,
)
from focuskit.drift import fit_drift
from focuskit.drift_result import Drift
from focuskit.errors import FocuskitError
from focuskit.flags import check, describe
from focuskit.planning import (
    Learned,
    SweepPlan,
    compare_with_offset,
    learn_behaviour,
    look_at_runs,
    night_from_runs,
    plan_sweep,
    read_night_plan,
)
from focuskit.refocus import AS_NOW, TIE, RefocusAnswer, decide_refocus, describe_policy
from focuskit.replay import Block, FocusBehaviour, NightPlan, Policy, lay_out_nights
from focuskit.tables import LoggedRun
from focuskit.temperatures import TemperatureLog
from focuskit.wander import log_noise_c

INTERVAL_EXAMPLE = """example: the season in sample_data, with its temperatures and its logged runs
  focuskit interval --temps sample_data/season/temperatures.csv --runs sample_data/season/runs.csv
without any logged run, all five values are given by hand:
  --steps-per-c -6.5 --best-hfd 5.9 --slope 0.114 --run-cost 95 --position-err 1.5
"""
PLAN_EXAMPLE = """example: the next run in each filter of the season in sample_data, at 4.5 °C
  focuskit plan --runs sample_data/season/runs.csv --rig sample_data/heron.toml --at 4.5
"""


def add_commands(subparsers: Any) -> None:
    """Register ``interval`` and ``plan`` with an argparse subparsers object."""
    parser = subparsers.add_parser(
        "interval",
        help="when to refocus, and what it is worth",
        description="Replay the temperatures of past nights and find when refocusing pays.",
        epilog=INTERVAL_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    log = parser.add_argument_group("log of temperatures")
    add_log_options(log, required=True, purpose="one or more logs")
    log.add_argument("--night", metavar="19:00-05:00", help="hours of the night in a log round the clock, or all")
    add_run_options(parser)
    focus = parser.add_argument_group("focus, where the logged runs do not tell or you know better")
    focus.add_argument("--steps-per-c", type=finite, metavar="K", help="drift of best focus with temperature")
    focus.add_argument("--steps-per-c-err", type=not_negative, metavar="ERR", help="its error (0)")
    focus.add_argument("--best-hfd", type=positive, metavar="PX", help="least half-flux diameter")
    focus.add_argument("--slope", type=positive, metavar="PX_PER_STEP", help="slope of the wings of the curve")
    focus.add_argument(
        "--run-cost", type=by_filter(positive), metavar="SECONDS", help="of a focus run: 95, or L=95,Ha=480"
    )
    focus.add_argument(
        "--position-err",
        type=by_filter(not_negative),
        metavar="STEPS",
        help="error of a run: 1.5, or L=1.5,Ha=3",
    )
    night = parser.add_argument_group("the night")
    night.add_argument("--plan", metavar="FILE", help="CSV or TOML with filter, minutes, sub_s in order")
    night.add_argument(
        "--now-every", type=positive, default=60.0, metavar="MIN", help="what you do now, besides runs at "
        "filter changes (60)",
    )  # fmt: skip
    parser.add_argument("--plot", metavar="FILE", help="draw the nights and the optimum into a PNG, PDF or SVG")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.set_defaults(func=run_interval)
    _add_plan(subparsers)


def _add_plan(subparsers: Any) -> None:
    parser = subparsers.add_parser(
        "plan",
        help="how to make the next focus run in each filter",
        description="From the last good runs: step, number of frames and exposure of the next one, and "
        "whether a run in a slow filter is worth its time.",
        epilog=PLAN_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_run_options(parser)
    parser.add_argument("--at", type=celsius, metavar="CELSIUS", help="centre it by the learned drift")
    parser.add_argument("--filter", metavar="NAME", help="of this filter only")
    parser.add_argument(
        "--interval", type=positive, default=120.0, metavar="MIN", help="time that a run is to serve (120)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.set_defaults(func=run_plan)


def run_interval(args: argparse.Namespace) -> int:
    """Answer ``focuskit interval``; returns the exit status."""
    log = read_log(args, night=args.night)
    plan, learned, lag_min = _gather(args, log)
    behaviour = learned.behaviour
    now = Policy(AS_NOW.name, args.now_every, at_filter_change=True)
    nights = lay_out_nights(log, lag_min=lag_min)
    noise_c = log_noise_c(log.time_s, log.temperature_c)
    answer = decide_refocus(nights, plan, behaviour, now=now, noise_c=noise_c)
    answer = dataclasses.replace(answer, flags=check([*answer.flags, *learned.flags]))
    if args.plot:
        from focuskit.plots_refocus import save_answer

        save_answer(nights, plan, behaviour, answer, Path(args.plot))
    notes = [*_notes(log), *learned.notes]
    if args.json:
        values = interval_as_json(answer, behaviour, plan, log) | {"notes": notes}
        print(json.dumps(values, allow_nan=False, ensure_ascii=False))
    else:
        print("\n".join([interval_as_text(answer, behaviour, log), "", *notes]))
    return 0


def _gather(args: argparse.Namespace, log: TemperatureLog) -> tuple[NightPlan, Learned, float]:
    """Plan of the night, behaviour of focus, and lag of the tube (min), from options and logged runs."""
    by_hand = (args.steps_per_c, args.best_hfd, args.slope, args.run_cost, args.position_err)
    plan = read_night_plan(args.plan) if args.plan else None
    if None not in by_hand and not args.runs and not args.logbook:
        plan = plan or NightPlan((Block("L", 600.0, 120.0),))
        note = "All values are given by hand; no logged run is used."
        if not args.plan:
            note += " The plan is one filter with exposures of 120 s; --plan FILE tells another."
        return plan, Learned(_given(args, plan), (), (note,)), 0.0
    if not args.runs and not args.logbook and not default_logbook().exists():
        options = ("--steps-per-c", "--best-hfd", "--slope", "--run-cost", "--position-err")
        missing = [option for option, value in zip(options, by_hand, strict=True) if value is None]
        raise FocuskitError(
            f"there is no logged run to learn from: give --runs FILE.csv, or by hand also {', '.join(missing)}"
        )
    source = read_source(args)
    drift = fit_drift(
        source.runs,
        rig=source.rig_name,
        rebuilds=source.rig_file.rebuilds,
        temperatures=(log.time_s, log.temperature_c),
    )
    from_runs = night_from_runs([run for run in source.runs if run.rig == drift.rig])
    origin = f"The plan of the night is {args.plan}."
    if plan is None:
        plan = from_runs or NightPlan((Block(drift.reference_filter or "-", 600.0, 120.0),))
        origin = "The plan of the night is as in the last night with four logged runs or more."
        if from_runs is None:
            origin = "The plan is one filter with exposures of 120 s; --plan FILE tells another."
    learned = learn_behaviour(
        drift,
        plan.filters,
        steps_per_c=args.steps_per_c,
        steps_per_c_err=args.steps_per_c_err,
        best_hfd_px=args.best_hfd,
        slope_px_per_step=args.slope,
        run_cost_s=args.run_cost,
        position_err_steps=args.position_err,
    )
    lags = [m.value for m in drift.models if m.name == "lag" and m.taken and m.value is not None]
    return plan, dataclasses.replace(learned, notes=(*learned.notes, origin)), lags[0] if lags else 0.0


def _given(args: argparse.Namespace, plan: NightPlan) -> FocusBehaviour:
    def spread(given: dict[str, float], option: str) -> dict[str, float]:
        unknown = [f for f in plan.filters if f not in given and "" not in given]
        if unknown:
            raise FocuskitError(f"{option} does not tell of filter {unknown[0]}, which is in the plan")
        return {f: given.get(f, given.get("", 0.0)) for f in plan.filters}

    return FocusBehaviour(
        args.steps_per_c,
        args.best_hfd,
        args.slope,
        spread(args.run_cost, "--run-cost"),
        spread(args.position_err, "--position-err"),
        steps_per_c_err=args.steps_per_c_err or 0.0,
    )


def _notes(log: TemperatureLog) -> list[str]:
    why: dict[str, int] = {}
    for drop in log.dropped:
        why[drop.why] = why.get(drop.why, 0) + 1
    return [
        *log.notes,
        *(f"{n} row{'s' * (n > 1)} of the log not used: {reason}." for reason, n in why.items()),
    ]


def _rounded(value: float | None, digits: int = 4) -> float | None:
    """Four significant digits; None for what is not known."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")


def interval_as_json(
    answer: RefocusAnswer, behaviour: FocusBehaviour, plan: NightPlan, log: TemperatureLog
) -> dict[str, Any]:
    """The answer as the object of schema ``focuskit.interval/1``."""
    single = [t for t in answer.by_night_min if t is not None]
    return {
        "schema": "focuskit.interval/1",
        "refocus_every_c": _rounded(answer.every_c),
        "refocus_every_min": _rounded(answer.every_min),
        "run_cost_s": {f: _rounded(t) for f, t in behaviour.run_cost_s.items()},
        "policies": [
            {
                "policy": w.policy.name,
                "what": describe_policy(w.policy, behaviour),
                "every_min": _rounded(w.policy.every_min),
                "every_c": _rounded(w.policy.every_c),
                "run_filter": w.policy.run_filter,
                "runs": _rounded(w.runs),
                "minutes_spent": _rounded(w.focusing_min + w.moving_min),
                "focusing_min": _rounded(w.focusing_min, 8),
                "moving_min": _rounded(w.moving_min, 8),
                "imaging_hours": _rounded(w.imaging_h, 8),
                "mean_hfd_growth_pct": _rounded(w.mean_hfd_growth_pct),
                "worst_hfd_growth_pct": _rounded(w.worst_hfd_growth_pct),
                "time_in_tolerance_pct": _rounded(w.time_in_tolerance_pct),
                "effective_hours": _rounded(w.effective_hours, 6),
                "effective_hours_err": _rounded(w.effective_hours_err),
                "minutes_gained": _rounded(w.minutes_gained),
                "depth_gained_pct": _rounded(w.depth_gained_pct),
            }
            for w in answer.worths
        ],
        "recommended": answer.recommended,
        "advice": answer.advice,
        "flags": list(answer.flags),
        "tolerance_steps": _rounded(behaviour.tolerance_steps),
        "run_filter": answer.run_filter,
        "over_the_night": [
            {
                "hour": h.hour,
                "change_c_per_h": _rounded(h.change_c_per_h),
                "spread_c_per_h": _rounded(h.spread_c_per_h),
                "every_min": _rounded(h.every_min),
            }
            for h in answer.hours
        ],
        "nights": {
            "count": len(answer.by_night_min),
            "never": len(answer.by_night_min) - len(single),
            "every_min_p10_p50_p90": [_rounded(v) for v in np.percentile(single, [10, 50, 90])] if single else None,
            "gain_kept_on_other_nights_pct": _rounded(answer.kept_on_other_nights_pct),
        },
        "hangs_on": [
            {
                "what": lever.what,
                "low": _rounded(lever.low),
                "high": _rounded(lever.high),
                "every_min_low": _rounded(lever.every_min_low),
                "every_min_high": _rounded(lever.every_min_high),
            }
            for lever in answer.levers
        ],
        "rows_not_used": [{"file": d.file, "line": d.line, "why": d.why} for d in log.dropped],
        "steps_per_c": _rounded(behaviour.steps_per_c),
        "steps_per_c_err": _rounded(behaviour.steps_per_c_err),
        "plan": [{"filter": b.filter, "minutes": _rounded(b.minutes), "sub_s": b.sub_s} for b in plan.blocks],
    }


LEVER_WORDS = {
    "steps_per_c": "steps per °C",
    "run_cost_s": "run cost (s)",
    "tolerance_steps": "tolerance (steps)",
}


def interval_as_text(answer: RefocusAnswer, behaviour: FocusBehaviour, log: TemperatureLog) -> str:
    """The answer as text for a terminal."""
    every_c = "never" if answer.every_c is None else f"whenever it has changed by {answer.every_c:.2g} °C"
    lines = [
        answer.advice,
        "",
        f"By temperature: {every_c}.   By the clock: {_minutes(answer.every_min)}.   "
        f"Tolerance (5 % in HFD): {behaviour.tolerance_steps:.1f} steps.",
        "",
        f"Means per night over {len(log.nights)} night{'s' * (len(log.nights) > 1)}:",
        f"{'way':<18} {'every':>9} {'runs':>5} {'spent':>8} {'HFD growth':>15} {'in tol.':>8} "
        f"{'effective':>10} {'gain':>7}",
        f"{'':<18} {'':>9} {'':>5} {'min':>8} {'mean / worst %':>15} {'%':>8} {'hours':>10} {'%':>7}",
    ]
    for w in answer.worths:
        setting = "" if w.policy.every_min is None else f"{w.policy.every_min:.0f} min"
        setting = setting if w.policy.every_c is None else f"{w.policy.every_c:.2g} °C"
        mark = "*" if w.policy.name == answer.recommended else " "
        lines.append(
            f"{w.policy.name + mark:<18} {setting:>9} {w.runs:5.1f} {w.focusing_min + w.moving_min:8.1f} "
            f"{w.mean_hfd_growth_pct:6.1f} / {w.worst_hfd_growth_pct:6.1f} {w.time_in_tolerance_pct:8.1f} "
            f"{w.effective_hours:10.2f} {w.depth_gained_pct:+7.1f}"
        )
    lines += [
        "",
        f"* recommended: ways within {100.0 * TIE:g} % of the most effective hours count as equal, and the simpler or "
        "safer one is taken.",
        *(f"  {w.policy.name}: {describe_policy(w.policy, behaviour)}" for w in answer.worths),
    ]
    lines += ["", "Over the night (mean change and its spread, °C per hour; interval by the clock):"]
    lines += [
        f"  hour {h.hour:<2d} {h.change_c_per_h:+6.2f} ± {h.spread_c_per_h:4.2f}   {_minutes(h.every_min)}"
        for h in answer.hours
    ]
    single = [t for t in answer.by_night_min if t is not None]
    if len(single) > 2:
        low, middle, high = np.percentile(single, [10, 50, 90])
        lines += ["", "From night to night, wherever in the plan the runs fall: "
                  f"{low:.0f} to {high:.0f} min (a tenth below, a tenth above), "
                  f"middle {middle:.0f} min."]  # fmt: skip
    if answer.kept_on_other_nights_pct is not None:
        kept = answer.kept_on_other_nights_pct
        lines.append(f"Chosen on every other night, it keeps {kept:.0f} % of its gain on the rest.")
    if answer.levers:
        top = answer.levers[0]
        lines += ["", f"The interval hangs most on {LEVER_WORDS[top.what]}: {_minutes(top.every_min_low)} at "
                  f"{top.low:.3g}, {_minutes(top.every_min_high)} at {top.high:.3g}."]  # fmt: skip
    for name in answer.flags:
        flag = describe(name)
        lines += ["", f"{name}: {flag.meaning} {flag.advice}"]
    return "\n".join(lines)


def _minutes(every_min: float | None) -> str:
    return "never" if every_min is None else f"every {every_min:.0f} min"


def run_plan(args: argparse.Namespace) -> int:
    """Answer ``focuskit plan``; returns the exit status."""
    source = read_source(args)
    drift = fit_drift(source.runs, rig=source.rig_name, rebuilds=source.rig_file.rebuilds)
    set_aside = {id(one.run) for one in drift.set_aside}
    mine = [run for run in source.runs if run.rig == drift.rig and id(run) not in set_aside]
    travel = source.rig_file.rig.travel
    plans = plan_all(drift, mine, travel, args.at, args.interval)
    if args.filter:
        plans = [p for p in plans if p.filter.casefold() == args.filter.casefold()]
    if not plans:
        wanted = f" in {args.filter}" if args.filter else ""
        raise FocuskitError(f"no good run{wanted} with its size and slope is logged: analyse one first")
    if args.json:
        values = {"schema": "focuskit.plan/1", "sweeps": [_sweep_as_json(p) for p in plans]}
        print(json.dumps(values, allow_nan=False, ensure_ascii=False))
    else:
        print(plan_as_text(plans, travel))
    return 0


def plan_all(
    drift: Drift,
    runs: list[LoggedRun],
    travel: tuple[float, float] | None,
    at_c: float | None,
    interval_min: float,
) -> list[SweepPlan]:
    """Plan the next run in each filter, and compare it with one in the quickest filter and a move."""
    seen = look_at_runs(runs)
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
    ).behaviour
    return [compare_with_offset(p, broad, behaviour, interval_min=interval_min) for p in plans]


def _sweep_as_json(p: SweepPlan) -> dict[str, Any]:
    return {
        "filter": p.filter,
        "centre": _rounded(p.centre, 6),
        "step": p.step,
        "frames": len(p.positions),
        "positions": list(p.positions),
        "exposure_s": p.exposure_s,
        "outer_size": _rounded(p.outer_size),
        "cost_s": _rounded(p.cost_s),
        "position_err": _rounded(p.position_err_steps),
        "tolerance_steps": _rounded(p.tolerance_steps),
        "by_offset": None
        if p.broad_cost_s is None
        else {
            "filter": p.broad_filter,
            "cost_s": _rounded(p.broad_cost_s),
            "position_err": _rounded(p.broad_err_steps),
        },
        "better": p.better,
        "why": p.why,
        "flags": list(p.flags),
    }


def plan_as_text(plans: list[SweepPlan], travel: tuple[float, float] | None) -> str:
    """The plans as text for a terminal."""
    lines = [
        f"{'filter':<8}{'from':>8}{'to':>8}{'step':>6}{'frames':>8}{'expose':>9}{'takes':>8}{'error':>8}"
        f"{'tol.':>7}   by offset: takes, error",
    ]
    for p in plans:
        offset = ""
        if p.broad_cost_s is not None and p.broad_err_steps is not None:
            mark = "  better" if p.better == "offset" else ""
            offset = f"{p.broad_filter}: {p.broad_cost_s:.0f} s, {p.broad_err_steps:.1f}{mark}"
        lines.append(
            f"{p.filter:<8}{p.positions[0]:>8}{p.positions[-1]:>8}{p.step:>6}{len(p.positions):>8}"
            f"{p.exposure_s:>7g} s{p.cost_s:>6.0f} s{p.position_err_steps:>8.1f}{p.tolerance_steps:>7.1f}"
            f"   {offset}".rstrip()
        )
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
        where = f"All positions lie within the travel of {travel[0]:g} to {travel[1]:g} that the rig file tells."
    lines += ["", where]
    return "\n".join(lines)
