"""The command ``focuskit completion``: what a shell needs to complete commands, options and their values."""

from __future__ import annotations

import argparse

import shtab

from focuskit.cli.options import FILE_NAMES
from focuskit.cli.parser import build_parser

_HOW = {
    "bash": "Into ~/.bashrc:  source <(focuskit completion bash)",
    "zsh": 'Into ~/.zshrc, after compinit:  eval "$(focuskit completion zsh)"',
    "fish": "focuskit completion fish > ~/.config/fish/completions/focuskit.fish",
    "powershell": "Into $PROFILE:  focuskit completion powershell | Out-String | Invoke-Expression",
}


def run_completion(args: argparse.Namespace) -> int:
    """Print the script for one shell; returns the exit status."""
    FILE_NAMES.update(shtab.FILE)
    print(f"# Completion of focuskit for {args.shell}. {_HOW[args.shell]}")
    print(shtab.complete(build_parser(), shell=args.shell), end="")
    return 0
