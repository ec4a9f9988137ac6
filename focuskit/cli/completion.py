"""The command ``focuskit completion``: what a shell needs to complete commands, options and their values."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

from focuskit.cli.parser import build_parser

_HEAD = "# Completion of focuskit for {shell}. {how}\n"
_HOW = {
    "bash": "Into ~/.bashrc:  source <(focuskit completion bash)",
    "zsh": "Into ~/.zshrc, after compinit:  source <(focuskit completion zsh)",
    "fish": "focuskit completion fish > ~/.config/fish/completions/focuskit.fish",
    "powershell": "Into $PROFILE:  focuskit completion powershell | Out-String | Invoke-Expression",
}


@dataclass(frozen=True)
class Entry:
    """A command: its words, what may follow them, and which options choose among few values."""

    path: tuple[str, ...]
    follow: tuple[str, ...]
    choices: tuple[tuple[str, tuple[str, ...]], ...]


def run_completion(args: argparse.Namespace) -> int:
    """Print the script for one shell; returns the exit status."""
    print(completion(args.shell), end="")
    return 0


def completion(shell: str) -> str:
    """Return the script for bash, zsh, fish or powershell; where nothing fits, files are completed."""
    entries = list(_entries(build_parser(), ()))
    head = _HEAD.format(shell=shell, how=_HOW[shell])
    return head + {"bash": _bash, "zsh": _zsh, "fish": _fish, "powershell": _powershell}[shell](entries)


def _entries(parser: argparse.ArgumentParser, path: tuple[str, ...]) -> Iterator[Entry]:
    follow: list[str] = []
    choices: list[tuple[str, tuple[str, ...]]] = []
    children: dict[str, argparse.ArgumentParser] = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            children.update(action.choices)
        elif action.option_strings:
            follow.append(action.option_strings[-1])
            if action.choices:
                choices.append((action.option_strings[-1], tuple(map(str, action.choices))))
        elif action.choices:
            follow += map(str, action.choices)
    yield Entry(path, (*children, *follow), tuple(choices))
    for name, child in children.items():
        yield from _entries(child, (*path, name))


def _cases(entries: list[Entry], indent: str) -> str:
    """Return the lines of a case statement that bash and zsh share: they set ``words`` for the command."""
    lines = [f"{indent}'{' '.join(entry.path)}') words='{' '.join(entry.follow)}' ;;" for entry in entries]
    return "\n".join(lines)


def _values(entries: list[Entry], indent: str) -> str:
    found = {option: values for entry in entries for option, values in entry.choices}
    return "\n".join(f"{indent}{option}) words='{' '.join(values)}' ;;" for option, values in found.items())


def _paths(entries: list[Entry]) -> str:
    return "|".join(f"'{' '.join(entry.path)}'" for entry in entries if entry.path)


def _bash(entries: list[Entry]) -> str:
    return f"""_focuskit() {{
  local current="${{COMP_WORDS[COMP_CWORD]}}" before="${{COMP_WORDS[COMP_CWORD-1]}}" path='' words='' word
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    case "${{path:+$path }}$word" in {_paths(entries)}) path="${{path:+$path }}$word" ;; esac
  done
  case "$path" in
{_cases(entries, "    ")}
  esac
  case "$before" in
{_values(entries, "    ")}
  esac
  COMPREPLY=($(compgen -W "$words" -- "$current"))
}}
complete -o bashdefault -o default -F _focuskit focuskit
"""


def _zsh(entries: list[Entry]) -> str:
    return f"""_focuskit() {{
  local spot='' list='' word
  for word in "${{(@)words[2,CURRENT-1]}}"; do
    case "${{spot:+$spot }}$word" in ({_paths(entries)}) spot="${{spot:+$spot }}$word" ;; esac
  done
  case "$spot" in
{_cases(entries, "    (").replace("words=", "list=")}
  esac
  case "${{words[CURRENT-1]}}" in
{_values(entries, "    (").replace("words=", "list=")}
  esac
  compadd -- ${{=list}}
  _files
}}
compdef _focuskit focuskit
"""


def _fish(entries: list[Entry]) -> str:
    lines = []
    for entry in entries:
        seen = " and ".join(f"__fish_seen_subcommand_from {word}" for word in entry.path)
        deeper = [e.path[-1] for e in entries if len(e.path) == len(entry.path) + 1 and e.path[:-1] == entry.path]
        if deeper:
            not_yet = f"not __fish_seen_subcommand_from {' '.join(deeper)}"
            seen = f"{seen} and {not_yet}" if seen else not_yet
        seen = seen.replace(" and ", "; and ")
        chosen = dict(entry.choices)
        for word in entry.follow:
            if word.startswith("--"):
                values = f" -x -a '{' '.join(chosen[word])}'" if word in chosen else ""
                lines.append(f"complete -c focuskit -n '{seen}' -l {word[2:]}{values}")
            else:
                lines.append(f"complete -c focuskit -f -n '{seen}' -a {word}")
    return "\n".join(lines) + "\n"


def _powershell(entries: list[Entry]) -> str:
    def quoted(words: tuple[str, ...]) -> str:
        return ", ".join(f"'{word}'" for word in words)

    rows = "\n".join(f"    '{' '.join(entry.path)}' = @({quoted(entry.follow)})" for entry in entries)
    found = {option: values for entry in entries for option, values in entry.choices}
    values = "\n".join(f"    '{option}' = @({quoted(words)})" for option, words in found.items())
    return f"""Register-ArgumentCompleter -Native -CommandName focuskit -ScriptBlock {{
  param($current, $tree, $place)
  $follow = @{{
{rows}
  }}
  $values = @{{
{values}
  }}
  $before = @($tree.CommandElements | Where-Object {{ $_.Extent.EndOffset -lt $place }} | ForEach-Object {{ "$_" }})
  $path = ''
  foreach ($word in $before[1..$before.Count]) {{
    $longer = "$path $word".Trim()
    if ($follow.ContainsKey($longer)) {{ $path = $longer }}
  }}
  $words = if ($values.ContainsKey($before[-1])) {{ $values[$before[-1]] }} else {{ $follow[$path] }}
  $words | Where-Object {{ $_ -like "$current*" }}
}}
"""
