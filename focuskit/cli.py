"""The command line: it parses, calls the library, prints; one line on stderr where the work stops."""

from __future__ import annotations

import argparse
import io
import sys

from focuskit import __version__, cli_analyse, cli_interval, cli_offsets
from focuskit.errors import FocuskitError


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
        parser.print_help()
        return 0
    try:
        status: int = args.func(args)
        sys.stdout.flush()
        return status
    except FocuskitError as problem:
        print(f"focuskit: {problem}", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # Whoever read the output has seen enough; keep Python from flushing into the closed pipe.
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("focuskit: stopped", file=sys.stderr)
        return 1
