"""The command line: parse, call, print. `main` runs one command."""

from focuskit.cli.run import main

__all__ = ["main"]
