"""Tables that users bring, as rows of cells: text of any separator and encoding, or a spreadsheet."""

from __future__ import annotations

import codecs
import csv
import io
import re
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby
from pathlib import Path

from focuskit.core.errors import FocuskitError, failure
from focuskit.frames.source import read_bytes

MOST_TABLE_BYTES = 2**28  # over a million runs
# In the order of trust: commas stand in numbers and remarks, too.
_SEPARATORS = {"\t": "tabs", ";": "semicolons", "|": "upright strokes", ",": "commas"}
_BLANK = " "
_LOOKED_AT = 60  # lines that decide on the separator: chosen, loggers write up to some dozens above the header
_COMMENTS = ("#", "//")
_DATE_AND_CLOCK = re.compile(
    r"(\d{4}[-/.]\d\d?[-/.]\d\d?|\d\d?[-/.]\d\d?[-/.]\d{2,4})[ \t]+"
    r"(\d\d?:\d\d(?::\d\d(?:\.\d+)?)?(?: ?[AaPp]\.?[Mm]\.?)?)"
)
_SPREADSHEET = b"PK\x03\x04"
_OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"
_NO_LIBRARY = "a spreadsheet needs one more package: pip install 'focuskit[xlsx]' (or save it as CSV)"


@dataclass(frozen=True)
class Cells:
    """The cells of a table as text.

    Parameters
    ----------
    rows : list of list of str
        Rows that are not blank; commented lines are none.
    lines : list of int
        The line of the file on which each row ends; the first line is 1.
    separator : str
        What parts the columns; empty in a spreadsheet.
    form : str
        Separator and encoding in a few words.
    comment : list of str
        Cells of the last commented line above the first row: it may be the header.
    """

    rows: list[list[str]]
    lines: list[int]
    separator: str
    form: str
    comment: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class CsvTable:
    """A table whose first row is its header.

    Parameters
    ----------
    header : list of str
        The cells of the first row, without blanks around them.
    rows : list of list of str
        The other rows, each with at least as many cells as the header.
    decimal_comma : bool
        Whether numbers may have a decimal comma: where the separator is none.
    """

    header: list[str]
    rows: list[list[str]]
    decimal_comma: bool


def read_csv(path: Path, what: str, *, most: int | None = None) -> CsvTable:
    """Read a table whose first row is its header; see `read_cells`."""
    cells = read_cells(path, what, most=most)
    header = [name.strip() for name in cells.rows[0]]
    rows = [row + [""] * (len(header) - len(row)) for row in cells.rows[1:]]
    return CsvTable(header, rows, cells.separator not in (",", ""))


def read_cells(path: Path, what: str, *, most: int | None = None) -> Cells:
    """Read the cells of a table.

    Parameters
    ----------
    path : path
        Text in UTF-8, UTF-16 or Latin-1, its columns parted by commas, semicolons, tabs, blanks or ``|``,
        whichever parts most lines alike; or a spreadsheet (``.xlsx``), of which the first sheet that has rows is
        read.
    what : str
        What the file should be, for the errors.
    most : int, optional
        Bytes that the file may have.

    Raises
    ------
    FocuskitError
        If the file cannot be read, is empty, or is no table; or a spreadsheet and the library for it is missing.
    """
    raw = read_bytes(path, most or MOST_TABLE_BYTES, what)
    if raw.startswith(_SPREADSHEET):
        cells = _cells_of_spreadsheet(path, raw)
    elif raw.startswith(_OLD_SPREADSHEET):
        raise FocuskitError(f"{path}: is a spreadsheet of an old form; save it as .xlsx or CSV")
    else:
        cells = _cells_of_text(path, raw)
    if not cells.rows:
        raise FocuskitError(f"{path}: is empty; give {what}")
    return cells


def _cells_of_text(path: Path, raw: bytes) -> Cells:
    text, encoding = _decode(path, raw)
    lines = text.splitlines(keepends=True)
    comment = ""
    begun = False
    for i, line in enumerate(lines):
        if line.startswith(_COMMENTS):
            comment = comment if begun else line.strip("#/ \r\n\t")
            lines[i] = "\n"
        elif not begun:
            begun = bool(line.strip())
    marked = re.fullmatch(r"sep=(.)\s*", lines[0]) if lines else None
    if marked:
        lines[0] = "\n"
    separator = marked[1] if marked else _separator([line for line in lines[:1000] if line.strip()][:_LOOKED_AT])
    given, delimiter = _as_csv(lines, separator)
    # Strict: a quote that is never closed would otherwise swallow the rows after it without a word.
    reader = csv.reader(given, delimiter=delimiter, skipinitialspace=True, strict=True)
    try:
        numbered = [(reader.line_num, row) for row in reader if any(row) and any(map(str.strip, row))]
    except csv.Error as problem:
        raise FocuskitError(f"{path}, row {reader.line_num}: is not CSV ({problem})") from problem
    if separator == "|":
        numbered = [(n, row) for n, row in numbered if not all(re.fullmatch(r"\s*:?-*:?\s*", cell) for cell in row)]
    head = next(csv.reader(_as_csv([comment], separator)[0], delimiter=delimiter, skipinitialspace=True), [])
    shown = _SEPARATORS.get(separator[0], "blanks" if separator[0] == _BLANK else f"'{separator}'")
    form = ", ".join(filter(None, (shown, encoding)))
    return Cells([row for _, row in numbered], [n for n, _ in numbered], separator[0], form, head)


def _decode(path: Path, raw: bytes) -> tuple[str, str]:
    """Return the text of a file, and its encoding where it is not plain UTF-8."""
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        text, name = raw.decode("utf-16", "replace"), "UTF-16"
    elif (order := _order_of_utf16(raw)) is not None:
        text, name = raw.decode(order, "replace"), "UTF-16"
    else:
        try:
            text, name = raw.decode("utf-8-sig"), ""
        except UnicodeDecodeError:
            # The five bytes that Windows does not use are those of Latin-1.
            try:
                text, name = raw.decode("cp1252"), "Latin-1"
            except UnicodeDecodeError:
                text, name = raw.decode("latin-1"), "Latin-1"
    if "\0" in text:
        raise FocuskitError(f"{path}: is not a text file; give a CSV table")
    return text, name


def _order_of_utf16(raw: bytes) -> str | None:
    """Return the byte order of UTF-16 without a mark: of western text every second byte is 0."""
    head = raw[:4096]
    if len(raw) % 2 or len(head) < 4 or b"\0" not in head:
        return None
    zeros = head[0::2].count(0), head[1::2].count(0)
    if min(zeros) == 0 and max(zeros) > len(head) / 4:
        return "utf-16-le" if zeros[1] else "utf-16-be"
    return None


def _separator(top: Sequence[str]) -> str:
    """Return what parts the columns: the mark of which most lines one after another have the same number.

    Blanks part them where no mark does, or commas stand in numbers only: two or more of them (``"  "``), single
    ones with date and time in one column (``" d"``), or single ones (``" "``).
    """
    bare = [re.sub(r'"[^"]*"', "", line).rstrip("\r\n") for line in top]
    runs = {mark: _longest_run([line.count(mark) for line in bare]) for mark in _SEPARATORS}
    best = max(_SEPARATORS, key=lambda mark: runs[mark])
    commas = [pair for line in bare for pair in re.findall(r"(.?),(.?)", line)]
    in_numbers = best == "," and all(a.isdecimal() and b.isdecimal() for a, b in commas)
    if runs[best] and not in_numbers and (runs[best] > 1 or len(top) == 1):
        return best
    by_blanks = {kind: _longest_run([_width(line, kind) - 1 for line in bare]) for kind in ("  ", " d", " ")}
    blank = max(by_blanks, key=lambda kind: by_blanks[kind])
    # Of a date and a time that a blank parts nothing follows: two of them, or a quoted moment, must part the rest.
    fewest = runs[best] if blank != " " else runs[best] + 1
    return blank if by_blanks[blank] >= max(fewest, 1) else best if runs[best] else ","


def _width(line: str, separator: str) -> int:
    given, delimiter = _as_csv([line[:10_000]], separator)
    return len(next(csv.reader(given, delimiter=delimiter, skipinitialspace=True), []))


def _longest_run(counts: Sequence[int]) -> int:
    """Return how many lines one after another have the same number of marks, and any."""
    return max((len(list(run)) for count, run in groupby(counts) if count), default=0)


def _as_csv(lines: list[str], separator: str) -> tuple[list[str], str]:
    """Return lines as the reader of CSV takes them, and its delimiter."""
    if separator == "|":
        return [re.sub(r"^\s*\||\|(?=\s*$)", "", line) for line in lines], separator
    if separator == "  ":
        return [re.sub(r"[ \t\xa0]{2,}", "\t", line.strip(" \t\xa0")) for line in lines], "\t"
    if separator[0] == _BLANK:
        lines = [line.replace("\t", " ").strip(" \xa0") for line in lines]
        if separator == " d":
            lines = [_DATE_AND_CLOCK.sub(r'"\1 \2"', line) for line in lines]
        return lines, _BLANK
    return lines, separator


def _cells_of_spreadsheet(path: Path, raw: bytes) -> Cells:
    """Return the cells of the first sheet that has rows."""
    try:
        packed = zipfile.ZipFile(io.BytesIO(raw)).infolist()
    except (zipfile.BadZipFile, OSError, ValueError) as problem:
        raise FocuskitError(f"{path}: is a damaged spreadsheet ({failure(problem)}); save it again") from problem
    if not any(entry.filename == "xl/workbook.xml" for entry in packed):
        raise FocuskitError(f"{path}: is no table that can be read; save it as CSV or .xlsx")
    if sum(entry.file_size for entry in packed) > MOST_TABLE_BYTES:
        raise FocuskitError(f"{path}: unpacks to more than {MOST_TABLE_BYTES} bytes; give a smaller table")
    try:
        from openpyxl import load_workbook
    except ImportError as problem:
        raise FocuskitError(f"{path}: {_NO_LIBRARY}") from problem
    try:
        book = load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
        for sheet in book.worksheets:
            numbered = [(n, row) for n, row in enumerate(_texts(sheet.iter_rows(values_only=True)), 1) if any(row)]
            if numbered:
                others = [one.title for one in book.worksheets if one.title != sheet.title]
                form = f"sheet '{sheet.title}'" + (f", not {', '.join(others)}" if others else "")
                return Cells([row for _, row in numbered], [n for n, _ in numbered], "", form)
    except Exception as problem:  # whatever a damaged file makes the library raise
        raise FocuskitError(f"{path}: is a spreadsheet that cannot be read ({failure(problem)})") from problem
    return Cells([], [], "", "spreadsheet")


def _texts(rows: Iterator[tuple[object, ...]]) -> Iterator[list[str]]:
    for row in rows:
        yield [_text(value) for value in row]


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        # Days as spreadsheets count them hold a second to some microseconds.
        value = value.replace(microsecond=0) + timedelta(milliseconds=round(value.microsecond / 1000.0))
        return value.isoformat(" ").removesuffix(" 00:00:00")
    if isinstance(value, timedelta):
        return str(value.total_seconds() / 86_400.0)
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() else repr(value)
    return str(value).strip()
