"""The command line: it parses, calls the library, prints; one line on stderr where the work stops."""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import sys

from focuskit import __version__, cli_analyse, cli_interval, cli_offsets
from focuskit.errors import FocuskitError
from focuskit.output import plain_text, printable

WELCOME = """focuskit finds best focus, learns how it drifts, and says when to refocus.

  focuskit analyse FOLDER        best positions from a folder of focus frames
  focuskit offsets               drift per degree and filter offsets from your logged runs
  focuskit interval --temps LOG  when to refocus, from a log of temperatures

Try: focuskit analyse sample_data/night --rig sample_data/heron.toml
More: focuskit --help"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = argparse.ArgumentParser(
        prog="focuskit",
        description="Best focus from focus frames, its drift with temperature, and when to refocus.",
        epilog="Try: focuskit analyse sample_data/night --rig sample_data/heron.toml",
    )
    parser.add_argument("--version", action="version", version=f"focuskit {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    cli_analyse.add_commands(commands)
    cli_offsets.add_commands(commands)
    cli_interval.add_commands(commands)
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run one command and return its exit status: 0 done, 1 nothing usable, 2 wrong command line."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a sign such as ± shows another instead of failing.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    parser = build_parser()
    args = parser.parse_args(arguments)
    if args.command is None:
        print(WELCOME)
        return 0
    if isinstance(sys.stdout, io.TextIOWrapper) and getattr(args, "json", False):
        sys.stdout.reconfigure(encoding="utf-8")  # JSON is UTF-8 whatever the terminal speaks
    try:
        status = _run(args)
        if sys.stdout is not None:
            sys.stdout.flush()
        return status
    except FocuskitError as problem:
        return _stop(str(problem))
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
        return _stop("stopped")


def _run(args: argparse.Namespace) -> int:
    """Run a command; what it prints for people passes by here, so that no header, cell or note steers a terminal."""
    if getattr(args, "json", False) or sys.stdout is None:
        return int(args.func(args))
    told = io.StringIO()
    try:
        with contextlib.redirect_stdout(told):
            return int(args.func(args))
    finally:
        print("\n".join(map(printable, told.getvalue().split("\n"))), end="")


def _stop(why: str) -> int:
    print(f"focuskit: {plain_text(why)}", file=sys.stderr)
    return 1


def _drop_output() -> None:
    """Let what is still unwritten go nowhere: Python would try again at its end, and complain."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
