"""Numbers as people write them in tables: decimal commas, thousands, units in the cell."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.log_times import NO_VALUE
from focuskit.frames.table_words import unit_of

_MINUS = str.maketrans({"−": "-", "–": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "’": "'"})
_NUMBER = re.compile(
    r"([+-]?)\s*(\d[\d.,]*(?:[ ']\d{3}(?!\d)[\d.,]*)*|[.,]\d+)(e[+-]?\d+)?\s*([^\d\s].*)?", re.IGNORECASE
)
_PLUS_MINUS = re.compile(r"(.*\d.*?)\s*(?:±|\+/-|\+-)\s*(\d.*)")
_EITHER = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")  # of thousands, or with three decimals


@dataclass(frozen=True)
class WrittenNumbers:
    """Columns of numbers as Python reads them.

    Parameters
    ----------
    columns : mapping of str to list of str
        What is no number stays as it is.
    units : mapping of str to str
        The units that stand in the cells, by column.
    how : str
        What the decimal mark is, where it is not a point.
    """

    columns: dict[str, list[str]]
    units: dict[str, str]
    how: str = ""


def is_number(text: str) -> bool:
    """Return whether a cell holds a number, with any decimal mark and perhaps a unit."""
    found = _NUMBER.fullmatch(text.strip().translate(_MINUS))
    return found is not None and (found[4] is None or unit_of(found[4]) is not None or found[4].startswith(("±", "+")))


def split_errors(texts: Sequence[str]) -> tuple[list[str], list[str]] | None:
    """Split cells like ``5012 ± 3`` into values and errors; None where most are not written so."""
    pairs = [_PLUS_MINUS.fullmatch(text) for text in texts]
    if sum(pair is not None for pair in pairs) * 2 <= len(pairs):
        return None
    values = [pair[1] if pair else text for pair, text in zip(pairs, texts, strict=True)]
    return values, [pair[2] if pair else "" for pair in pairs]


def write_numbers(
    columns: Mapping[str, Sequence[str]],
    *,
    points: bool,
    decimal: str | None = None,
    small: Collection[str] = (),
) -> WrittenNumbers:
    """Turn the numbers of a table into plain ones; the decimal mark is decided by all of its columns.

    Parameters
    ----------
    columns : mapping of str to sequence of str
    points : bool
        The decimal mark is a point where nothing says otherwise, as where commas part the columns.
    decimal : {'comma', 'point'}, optional
        What the user says.
    small : collection of str
        Columns of numbers too small for thousands.

    Raises
    ------
    FocuskitError
        If a mark may be that of decimals or of thousands.
    """
    if points and decimal is None and all(map(_is_plain, columns.values())):
        return WrittenNumbers({name: list(texts) for name, texts in columns.items()}, {})
    matches = {name: [_NUMBER.fullmatch(text.translate(_MINUS)) for text in texts] for name, texts in columns.items()}
    mark = _decimal_mark(matches, points, small) if decimal is None else ".,"[decimal == "comma"]
    written: dict[str, list[str]] = {}
    units: dict[str, str] = {}
    for name, texts in columns.items():
        found = [unit_of(m[4]) if m and m[4] else None for m in matches[name]]
        named = {unit for unit in found if unit}
        if len(named) == 1:
            units[name] = named.pop()
        written[name] = [
            text if m is None or (m[4] and unit is None) else _plain(m, mark)
            for text, m, unit in zip(texts, matches[name], found, strict=True)
        ]
    return WrittenNumbers(written, units, {",": "decimal comma", "both": "decimal commas and points"}.get(mark, ""))


def _is_plain(texts: Sequence[str]) -> bool:
    try:
        np.array(["nan" if text.lower() in NO_VALUE else text for text in texts], dtype=np.float64)
    except ValueError:
        return False
    return True


def _decimal_mark(matches: Mapping[str, Sequence[re.Match[str] | None]], points: bool, small: Collection[str]) -> str:
    """Return the decimal mark of a table: ``.``, ``,`` or ``both``."""
    seen = {".": False, ",": False}
    either: dict[str, str] = {}
    for name, found in matches.items():
        for body in dict.fromkeys(m[2] for m in found if m):
            marks = [c for c in body if c in ".,"]
            if len(set(marks)) == 2:
                seen[marks[-1]] = True
            elif len(marks) > 1:
                seen[".,"[marks[0] == "."]] = True
            elif marks and (name in small or not _EITHER.fullmatch(body)):
                seen[marks[0]] = True
            elif marks:
                either.setdefault(marks[0], body)
    if seen["."] != seen[","]:
        return "." if seen["."] else ","
    unclear = either.get(",") or (None if points and not seen[","] else either.get("."))
    if unclear:
        raise FocuskitError(f"'{unclear}' may be {unclear[:-4]}{unclear[-3:]} or {unclear[:-4]} and a part", "decimal")
    return "both" if seen["."] else "."


def _plain(match: re.Match[str], mark: str) -> str:
    sign, body, power, _ = match.groups()
    body = body.replace(" ", "").replace("'", "")
    body = body.replace(",", ".") if mark == "both" else body.replace(".,"[mark == "."], "").replace(mark, ".")
    return f"{sign.strip('+')}{body}{power or ''}"
