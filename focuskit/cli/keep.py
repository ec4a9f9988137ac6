"""Keep in the rig file how tables were read, and which filters are one."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import FilterTable
from focuskit.core.text import write_whole
from focuskit.frames import read_rig_file, read_toml

_ROLES = ("time", "filter", "position", "position_err", "rig")


def is_kept(args: argparse.Namespace) -> bool:
    """Return whether the user wants it kept; a rig file that is not there yet is begun.

    Raises
    ------
    FocuskitError
        If no rig file is named.
    """
    if not getattr(args, "keep_reading", False):
        return False
    if not args.rig:
        raise FocuskitError("--keep-reading writes into the rig file: name it with --rig FILE")
    if not Path(args.rig).exists():
        write_whole(args.rig, b"")
    return True


def keep_columns(args: argparse.Namespace, names: Mapping[str, str], is_log: bool) -> None:
    """Keep what a table calls its columns, and what the options say of it; names that focuskit uses need no word."""
    if is_log:
        found = {f"log_{role}": name for role, name in names.items() if name != role}
        columns = {}
    else:
        heat = {"temperature": names["temperature_c"]} if "temperature_c" in names else {}
        found = {}
        columns = {
            role: name for role, name in ({**names, **heat}).items() if role in (*_ROLES, *heat) and name != role
        }
        if columns.get("temperature") == "temperature_c":
            del columns["temperature"]
    said = {"unit": args.unit, "decimal": args.decimal, "dates": ",".join(args.dates), "zone": str(args.zone or "")}
    tables = {key: value for key, value in {**said, **found}.items() if value}
    _write(Path(args.rig), {"columns": _quoted(columns), "tables": _quoted(tables)})


def keep_filters(args: argparse.Namespace, before: FilterTable, joined: FilterTable) -> None:
    """Keep filters that were joined."""
    lines = {}
    for name, entry in joined.own.items():
        if before.own.get(name) != entry:
            known = {key: value for key, value in asdict(entry).items() if value not in (None, ())}
            lines[_key(name)] = (
                "{ " + ", ".join(f"{key} = {json.dumps(v, ensure_ascii=False)}" for key, v in known.items()) + " }"
            )
    _write(Path(args.rig), {"filters": lines})


def _quoted(entries: Mapping[str, str]) -> dict[str, str]:
    return {key: json.dumps(value, ensure_ascii=False) for key, value in entries.items()}


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _write(path: Path, sections: Mapping[str, Mapping[str, str]]) -> None:
    """Write lines into tables of a rig file, each in the place of the line of its key; all else stays as it is.

    Raises
    ------
    FocuskitError
        If the file would not be a rig file with them, as where a table stands in it in another form.
    """
    before = path.read_bytes()
    read_toml(path, "a rig file (TOML)")
    lines = before.decode("utf-8-sig").splitlines()
    for name, entries in sections.items():
        if entries:
            lines = _with_lines(lines, name, dict(entries))
    write_whole(path, ("\n".join(lines).strip("\n") + "\n").encode("utf-8"))
    try:
        read_rig_file(path)
    except FocuskitError as problem:
        write_whole(path, before)
        wanted = "; ".join(
            f"[{name}] {key} = {value}" for name, part in sections.items() for key, value in part.items()
        )
        raise FocuskitError(f"{path}: is left as it was ({problem}); write into it {wanted}") from problem


def _with_lines(lines: list[str], table: str, entries: dict[str, str]) -> list[str]:
    heads = [i for i, line in enumerate(lines) if line.lstrip().startswith("[")]
    start = next((i for i in heads if re.fullmatch(rf"\s*\[\s*{table}\s*\]\s*(#.*)?", lines[i])), None)
    if start is None:
        return [*lines, "", f"[{table}]", *(f"{key} = {value}" for key, value in entries.items())]
    stop = next((i for i in heads if i > start), len(lines))
    part = []
    for line in lines[start:stop]:
        key = next((key for key in entries if re.match(rf"\s*{re.escape(key)}\s*=", line)), None)
        part.append(line if key is None else f"{key} = {entries.pop(key)}")
    while part and not part[-1].strip():
        part.pop()
    new = [f"{key} = {value}" for key, value in entries.items()]
    return [*lines[:start], *part, *new, *([""] if stop < len(lines) else []), *lines[stop:]]
