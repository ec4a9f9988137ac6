"""The command line: it parses, calls the library, prints; one line on stderr where the work stops."""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from importlib import import_module
from typing import TYPE_CHECKING

from focuskit.core.errors import FocuskitError
from focuskit.core.text import plain_text, printable

if TYPE_CHECKING:
    import argparse


STOPPED = 130  # exit status of what Ctrl-C stops: 128 + SIGINT, as shells count (POSIX)

SPELLINGS = {"analyze": "analyse"}  # of commands
# Arguments of the library that its errors name, and the options that give them.
OPTIONS = {
    "best_hfd_px": "--best-hfd PX",
    "slope_px_per_step": "--slope PX_PER_STEP",
    "steps_per_c": "--steps-per-c K",
    "run_cost_s": "--run-cost SECONDS",
    "position_err_steps": "--position-err STEPS",
    "only": "--only COLUMN=VALUE",
    "unit": "--unit C, F or K; or another column, with --temps-columns temperature=NAME",
    "columns": "--columns or, of a log of temperatures, --temps-columns, like time=NAME",
    "log": "or take temperatures from a log with --temps LOG.csv, that of the nearest weather station, too",
    "dates": "--dates day-first or --dates month-first",
    "evening": "--dates evening",
    "decimal": "--decimal comma or --decimal point",
}


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit status.

    0 done, 1 nothing usable, 2 wrong command line, 3 done but an alarm that was asked for went off, 130 stopped.
    """
    try:
        from focuskit.cli.parser import build_parser

        for stream in (sys.stdout, sys.stderr):
            # A terminal that lacks a sign such as ± shows another instead of failing.
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
        words = sys.argv[1:] if arguments is None else arguments
        args = build_parser().parse_args([SPELLINGS.get(word, word) for word in words[:1]] + words[1:])
        if isinstance(sys.stdout, io.TextIOWrapper) and getattr(args, "json", False):
            sys.stdout.reconfigure(encoding="utf-8")  # JSON is UTF-8 whatever the terminal speaks
        status = _run(args)
        if sys.stdout is not None:
            sys.stdout.flush()
        return status
    except FocuskitError as problem:
        option = ", ".join(filter(None, (OPTIONS.get(name) for name in (problem.argument or "").split(","))))
        return _stop(f"{problem} ({option})" if option else str(problem))
    except BrokenPipeError:
        # Whoever read the output has seen enough.
        _drop_output()
        return 0
    except OSError as problem:
        _drop_output()
        name = "" if problem.filename is None else f"{problem.filename}: "
        return _stop(f"{name}{problem.strerror or problem}")
    except MemoryError:
        return _stop("there is not enough memory for this")
    except KeyboardInterrupt:
        return _stop("stopped", STOPPED)


def _run(args: argparse.Namespace) -> int:
    """Run a command; what it prints for people passes by here, so that no header, cell or note steers a terminal.

    A command that runs others (``live``) prints at once: those others pass by here themselves.
    """
    if getattr(args, "json", False) or getattr(args, "live", False) or sys.stdout is None:
        return run_parsed(args)
    told = io.StringIO()
    try:
        with contextlib.redirect_stdout(told):
            return run_parsed(args)
    finally:
        print("\n".join(map(printable, told.getvalue().split("\n"))), end="")


def run_parsed(args: argparse.Namespace) -> int:
    """Load and run the function that ``run`` names as ``module:function``; return the exit status."""
    import logging  # here, so that the help need not wait for it

    # Where there is no home folder, it says at length where it keeps its fonts instead.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    module, _, function = args.run.partition(":")
    hold = getattr(signal, "pthread_sigmask", None)
    if hold:
        # A compiled module that is stopped while it loads makes another error of it: Ctrl-C waits that long.
        before = hold(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        loaded = import_module(f"focuskit.cli.{module}")
    finally:
        if hold:
            hold(signal.SIG_SETMASK, before)
    return int(getattr(loaded, function)(args))


def _stop(why: str, status: int = 1) -> int:
    if sys.stderr is not None:
        print(f"focuskit: {plain_text(why)}", file=sys.stderr)
    return status


def _drop_output() -> None:
    """Let what is still unwritten go nowhere: Python would try again at its end, and complain."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
