"""The one reader of tables that users bring as CSV: logged runs, temperatures, plans."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from focuskit.core.errors import FocuskitError
from focuskit.frames.source import read_bytes

MOST_TABLE_BYTES = 2**28  # over a million runs
_SEPARATORS = "\t;,"
_LOOKED_AT = 5  # rows that decide on the separator: chosen, more say the same


@dataclass(frozen=True)
class CsvTable:
    """A table as text.

    Parameters
    ----------
    header : list of str
        The cells of the first row, without blanks around them.
    rows : list of list of str
        The other rows that are not blank, each with at least as many cells as the header.
    lines : list of int
        The line of the file on which each row ends; the first line is 1.
    decimal_comma : bool
        Whether numbers may have a decimal comma: where the separator is none.
    """

    header: list[str]
    rows: list[list[str]]
    lines: list[int]
    decimal_comma: bool


def read_csv(
    path: Path, what: str, *, most: int | None = None, encodings: tuple[str, ...] = (), comments: bool = False
) -> CsvTable:
    """Read a table whose columns are parted by ``,``, ``;`` or tabs, whichever its header uses.

    Parameters
    ----------
    path : path
        UTF-8, with or without a byte order mark.
    what : str
        What the file should be, for the errors.
    most : int, optional
        Bytes that the file may have.
    encodings : tuple of str
        Tried where the file is not UTF-8.
    comments : bool
        Skip lines that begin with ``#``.

    Raises
    ------
    FocuskitError
        If the file cannot be read, is empty, or is not CSV.
    """
    text = _decoded(path, read_bytes(path, most or MOST_TABLE_BYTES, what), ("utf-8-sig", *encodings))
    lines = text.splitlines(keepends=True)
    if comments:
        lines = ["\n" if line.startswith("#") else line for line in lines]
    separator = _separator([line for line in lines[:1000] if line.strip()][:_LOOKED_AT])
    # Strict: a quote that is never closed would otherwise swallow the rows after it without a word.
    reader = csv.reader(lines, delimiter=separator, skipinitialspace=True, strict=True)
    try:
        numbered = [(reader.line_num, row) for row in reader if any(row) and any(map(str.strip, row))]
    except csv.Error as problem:
        raise FocuskitError(f"{path}, row {reader.line_num}: is not CSV ({problem})") from problem
    if not numbered:
        raise FocuskitError(f"{path}: is empty; give {what}")
    header = [name.strip() for name in numbered[0][1]]
    rows = [row + [""] * (len(header) - len(row)) for _, row in numbered[1:]]
    return CsvTable(header, rows, [line for line, _ in numbered[1:]], separator != ",")


def _decoded(path: Path, raw: bytes, encodings: tuple[str, ...]) -> str:
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            raise FocuskitError(f"{path}: is not a text file; give a CSV table")
        return text
    raise FocuskitError(f"{path}: is not UTF-8 text; save it as CSV in UTF-8")


def _separator(top: list[str]) -> str:
    """Return what parts the columns: of what stands in the header, that which stands in every row most often."""
    found = [mark for mark in _SEPARATORS if top and mark in top[0]]
    return max(found, key=lambda mark: min(row.count(mark) for row in top), default=",")
