"""The command ``focuskit diagnose``: what focus frames say about focuser, optics and camera."""

from __future__ import annotations

import argparse
import textwrap

from focuskit.cli.analyse import analyse_runs
from focuskit.cli.progress import print_answer, print_next
from focuskit.cli.sources import read_history
from focuskit.core.text import plain_text, plus_minus
from focuskit.core.times import format_time
from focuskit.diagnosis import PART_TITLES, Diagnosis, Finding, diagnose, step_of

_WIDTH = 110


def run_diagnose(args: argparse.Namespace) -> int:
    """Answer ``focuskit diagnose``; returns the exit status."""
    diagnosis = diagnose(analyse_runs(args, read_history(args)))
    print_answer(args, diagnosis.to_json(), diagnosis_as_text(diagnosis, quiet=args.quiet, runs=args.verbose))
    rig = ["--rig", args.rig] if args.rig else []
    print_next(args, "the runs themselves as a page", "analyse", *args.folders, *rig, "--report", "night.html")
    return 0


def diagnosis_as_text(diagnosis: Diagnosis, *, quiet: bool = False, runs: bool = False) -> str:
    """Return the findings as text for a terminal."""
    lines = [f"{plain_text(diagnosis.night.rig.name or 'Unnamed rig')}: {diagnosis.summary}"]
    for part, own in diagnosis.parts:
        lines += ["", PART_TITLES[part]]
        for finding in own:
            lines += _wrapped(f"  {'!' if finding in diagnosis.wrong else ' '} ", _sentence(finding))
            if finding.advice and not quiet:
                lines += _wrapped("      ", finding.advice)
    if runs:
        lines += _runs(diagnosis)
    if not quiet:
        lines += [
            "",
            "! marks what is seen above three standard deviations, and asks for something to be done. Errors are one",
            "standard deviation; σ tells how unlikely as much would be without any.",
            "Before you send a focuser anywhere: keep to the travel that its maker states.",
        ]
    return "\n".join(lines)


def _wrapped(begin: str, text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=begin, subsequent_indent=" " * len(begin))


def _sentence(finding: Finding) -> str:
    sigma = "" if not finding.seen or finding.significance is None else f" ({finding.significance:.1f}σ)"
    return f"{finding.text}{sigma}"


def _runs(diagnosis: Diagnosis) -> list[str]:
    """Return for each run what it tells of the focuser."""
    units = " or ".join(dict.fromkeys(run.unit for run in diagnosis.night.runs))
    lines = ["", f"Runs: start, filter, slack in {units}, µm per step"]
    for run in diagnosis.night.runs:
        slack, step = run.backlash, step_of(run)
        words = (
            (format_time(run.start) or "–").replace("T", " ").removesuffix("Z"),
            plain_text(run.filter or "–"),
            "–" if slack is None else plus_minus(slack.steps, slack.err) + ("" if slack.whole else " at the start"),
            "–" if step is None else plus_minus(*step),
        )
        lines.append("  " + "  ".join(words))
    return lines
