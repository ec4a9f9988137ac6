"""What all output shares: numbers rounded by their error, foreign text made harmless, files written whole."""

from __future__ import annotations

import math
import os
import re
import unicodedata
from pathlib import Path

from focuskit.errors import FocuskitError

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
    digits = max(0, 1 - math.floor(math.log10(err)))
    return f"{value:.{digits}f}".replace("-", "−"), f"{err:.{digits}f}"


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
