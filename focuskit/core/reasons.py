"""Why a frame, a run or a file is not used: a code for the program and a text for people."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Reason:
    """Why something is not used.

    Parameters
    ----------
    code : str
        Short and stable, lower case, like ``cloud``: what the program compares.
    text : str
        One line for people; it may change at any time.
    """

    code: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Dropped:
    """A row that is not used: its file, its line (the header is line 1; of a logbook, the run's number), and why."""

    file: str
    line: int
    why: str

    def __str__(self) -> str:
        return f"{self.file}, row {self.line}: {self.why}"
