"""What all output shares: numbers rounded by their error, foreign text made harmless, files written whole."""

from __future__ import annotations

import html
import math
import os
import re
import unicodedata
import warnings
from collections.abc import Container, Iterable, Sequence
from io import BytesIO
from pathlib import Path
from typing import Any

from focuskit.core.errors import FocuskitError

# Escape sequences of terminals (ECMA-48): CSI and OSC, then two-character ones.
_ESCAPES = re.compile(
    r"\x1b\[[0-?]*[ -/]*[@-~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b[ -/]*[0-~]|\x9b[0-?]*[ -/]*[@-~]"
)


def plain_text(text: str) -> str:
    """Return text from a header or file name without what steers a terminal or turns its direction."""
    return printable(text).strip()


def printable(text: str) -> str:
    """Return one line without what steers a terminal or turns its direction; blanks stay as they are."""
    return "".join(c if c.isprintable() else " " for c in _ESCAPES.sub("", text))


def harmless_text(text: str) -> str:
    """Return foreign text without what steers a terminal, otherwise as it was."""
    return "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in _ESCAPES.sub("", text))


def round_pair(value: float | None, err: float | None) -> tuple[str, str | None]:
    """Write a value and its error, both to two digits of the error; the error is None if unknown."""
    if value is None:
        return "–", None
    if not err or not math.isfinite(err):
        return f"{value:.1f}".replace("-", "−"), None
    # The error rounded first: 0.0997 is 0.10, not 0.100.
    digits = max(0, 1 - math.floor(math.log10(float(f"{err:.1e}"))))
    return f"{value:.{digits}f}".replace("-", "−"), f"{err:.{digits}f}"


def number(value: float, digits: int = 0, sign: bool = False) -> str:
    """Write a number with a true minus sign, and on wish with a plus; zero has none."""
    shown = round(value, digits) or 0.0
    return f"{shown:{'+' if sign and shown else ''}.{digits}f}".replace("-", "−")


def two_digits(size: float) -> str:
    """Write a length or an error, rounded by its own size: ``16``, ``5.3``, ``0.012``."""
    return round_pair(size, size)[0]


def plus_minus(value: float | None, err: float | None, sign: bool = False) -> str:
    """Write ``-6.48 ± 0.05``, rounded as by `round_pair`; an error that is not known is a question mark.

    The sign is one that can be typed, for values go from a terminal into other programs.
    """
    if value is None:
        return "not known"
    shown, told = round_pair(value, err)
    plus = "+" if sign and value >= 0.0 else ""
    unsure = "?" if err is None else f"{err:.1f}"
    return f"{plus}{shown} ± {told or unsure}".replace("−", "-")


def listed(words: Sequence[str]) -> str:
    """Return words as in a sentence: a, b and c."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


def text_table(rows: Sequence[Sequence[str]], right: Container[int]) -> list[str]:
    """Return the lines of a table for a terminal; the columns whose numbers are in ``right`` are set to the right."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.rjust(width) if k in right else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table as HTML for a notebook; every cell is escaped."""

    def cells(tag: str, values: Sequence[str]) -> str:
        return "".join(f"<{tag}>{html.escape(plain_text(value))}</{tag}>" for value in values)

    body = "".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    title = f"<caption>{html.escape(plain_text(caption))}</caption>"
    return f"<table>{title}<thead><tr>{cells('th', head)}</tr></thead><tbody>{body}</tbody></table>"


def file_word(text: str | None, instead: str) -> str:
    """Return a word for a file name: letters and digits of ``text``, 40 at most."""
    word = re.sub(r"[\W_]+", "-", plain_text(text or "")).strip("-")[:40]
    return word or instead


def write_whole(path: str | Path, content: bytes) -> Path:
    """Write a file beside its place and move it there, so that it is never seen half written.

    A link is replaced, what it points to stays.

    Raises
    ------
    FocuskitError
        If it cannot be written.
    """
    path = Path(path)
    part = path.with_name(f".{path.name[:60]}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            part.write_bytes(content)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise FocuskitError(f"{path}: cannot be written ({reason}); choose another place") from problem
    return path


def write_picture(figure: Any, path: str | Path, kind: str, dpi: int) -> Path:
    """Write a matplotlib figure as ``kind`` (png, svg, pdf ...); the same figure gives the same bytes.

    Raises
    ------
    FocuskitError
        If it cannot be written.
    """
    from matplotlib import rc_context

    content = BytesIO()
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    with rc_context({"svg.hashsalt": "focuskit"}), warnings.catch_warnings():
        # A filter's name may hold letters that the font lacks: they show as boxes.
        warnings.filterwarnings("ignore", message="Glyph")
        figure.savefig(content, format=kind, dpi=dpi, metadata=metadata)
    return write_whole(path, content.getvalue())
