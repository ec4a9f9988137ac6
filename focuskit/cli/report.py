"""The command ``focuskit report``: night, offsets and interval in one page."""

from __future__ import annotations

import argparse

from focuskit.cli import analyse, sources
from focuskit.cli.interval import decide_from_drift
from focuskit.cli.progress import print_answer, print_remarks, print_written
from focuskit.core.errors import FocuskitError
from focuskit.drift import Drift
from focuskit.frames import TemperatureLog
from focuskit.show import answer_sentence, drift_sentence, write_report


def _find_drift(
    args: argparse.Namespace, source: sources.Source, log: TemperatureLog | None, is_wanted: bool
) -> Drift | None:
    """Learn the drift; where nobody asked for it by name, runs that do not show it cost a line."""
    try:
        return sources.find_drift(args, source, log)
    except FocuskitError as problem:
        if is_wanted:
            raise
        print_remarks([f"the page has no offsets: {problem}"])
        return None


def run_report(args: argparse.Namespace) -> int:
    """Answer ``focuskit report``; returns the exit status."""
    logged_by_name = bool(args.runs or args.logbook)
    logged = logged_by_name or sources.found_logbook(args) is not None
    if not (args.folders or logged):
        raise FocuskitError("there is nothing to report: name a folder of frames, or logged runs with --runs FILE.csv")
    if args.temps and not logged:
        raise FocuskitError("--temps: there are no logged runs to learn the drift from; name them with --runs FILE.csv")
    sources.refuse_overwriting(args)
    source = sources.read_source(args) if logged else None
    log = sources.read_log(args, night=args.night) if args.temps else None
    night = analyse.analyse_runs(args, source.runs if source else []) if args.folders else None
    if args.record and night and analyse.record_night(args, night) is not None and not args.runs:
        source = sources.read_source(args)
    drift = _find_drift(args, source, log, is_wanted=logged_by_name or night is None) if source else None
    interval = decide_from_drift(args, log, drift, source.rig_file) if log and drift and source else None
    parts = [part for part in (night, drift, interval) if part is not None]
    try:
        written = write_report(parts, args.to, sources.read_cache(args))
    finally:
        named = {"night": night, "offsets": drift, "interval": interval}
        answer = {name: part.to_json() if part else None for name, part in named.items()}
        if source and drift:
            answer["offsets"] = source.named(drift.to_json())
        sentences = (
            answer_sentence(night.runs) if night else "",
            drift_sentence(drift).replace("−", "-") if drift else "",
            interval.answer.advice if interval else "",
        )
        print_answer(args, {"schema": "focuskit.report/1", **answer}, "\n".join(filter(None, sentences)))
    print_written(args, [str(written)])
    if night and not drift and (why := analyse.nothing_in(night)):
        print_remarks([why])
        return 1
    return 0
