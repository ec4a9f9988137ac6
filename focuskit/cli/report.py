"""The command ``focuskit report``: night, offsets and interval in one page."""

from __future__ import annotations

import argparse
import json

from focuskit.cli import analyse, sources
from focuskit.cli.interval import find_learned
from focuskit.core.errors import FocuskitError
from focuskit.show import Part, answer_sentence, drift_sentence, write_report


def run_report(args: argparse.Namespace) -> int:
    """Answer ``focuskit report``; returns the exit status."""
    runs_named = bool(args.runs or args.logbook)
    logged = runs_named or sources.default_logbook().exists()
    if not (args.folders or logged):
        raise FocuskitError("there is nothing to report: name a folder of frames, or logged runs with --runs FILE.csv")
    if args.temps and not logged:
        raise FocuskitError("--temps: there are no logged runs to learn the drift from; name them with --runs FILE.csv")
    source = sources.read_source(args) if logged else None
    night = analyse.find(args, source.runs if source else []) if args.folders else None
    log = sources.read_log(args, night=args.night) if args.temps else None
    drift = sources.find_drift(args, source, log) if source else None
    interval = find_learned(args, log, drift, source.rig_file.filters) if log and drift and source else None
    parts: list[Part] = [part for part in (night, drift, interval) if part is not None]
    sources.refuse_overwriting(args.to, *sources.files_read(args))
    try:
        written = write_report(parts, args.to)
    finally:
        if args.json:
            answer = {
                "schema": "focuskit.report/1",
                "night": night.to_json() if night else None,
                "offsets": drift.to_json() if drift else None,
                "interval": interval.to_json() if interval else None,
            }
            print(json.dumps(answer, ensure_ascii=False, allow_nan=False))
        else:
            print("\n".join(filter(None, (
                answer_sentence(night.runs) if night else "",
                drift_sentence(drift).replace("−", "-") if drift else "",
                interval.answer.advice if interval else "",
            ))))  # fmt: skip
    if not args.json:
        print(f"\nWritten: {written}")
    return 0
