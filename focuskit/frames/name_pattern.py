"""Find the focuser position in the names of frames; a number that could be anything else is refused.

A pattern that reads a frame counter or a clock gives a curve that looks right and is wrong. So a number of the names
counts as the position only if it moves like a sweep and like nothing else.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

from focuskit.frames.frame import FrameInfo
from focuskit.frames.headers import position_from_name

_ENDING = re.compile(r"(\.(?:fits?|fts))?(\.(?:gz|bz2|fz))?$", re.IGNORECASE)
_NUMBER = re.compile(r"(\d+(?:\.\d+)?)")
_POSITION_WORDS = ("position", "pos", "focus", "focuser", "foc", "focpos", "focuspos")
_OTHER_WORDS = (
    "frame", "img", "image", "no", "nr", "num", "seq", "light", "exp", "exposure", "sec", "gain", "temp", "t", "hfd",
    "hfr", "fwhm", "bin", "run", "sub", "date", "time",
)  # fmt: skip
# After a number that is no position.
_UNIT = re.compile(r"(c|k|s|sec|min|h|ms|deg|px|arcsec|x|adu|e)(?![^\W_])", re.IGNORECASE)
_LEAST_POSITIONS = 5  # as many as a focus run needs to be good, see the flag too_few_points
_REGULAR = 0.6  # chosen: share of moves by one step; a sweep has a jump at its start and may have a hole
_STEP_TOLERANCE = 0.1  # chosen: a focuser reports where it stands, off by a few steps; clocks scatter more
_LEAST_STEP = 5.0  # chosen: without a word beside it, a number that grows by less counts something
_CROWDED = 3  # chosen: whole numbers that never repeat, and fill a third of their range or more, count frames


@dataclass(frozen=True)
class NamePattern:
    """What the names of frames tell of the position.

    Parameters
    ----------
    pattern : str or None
        As ``position_pattern`` of a rig file; None where no number of the names is beyond doubt.
    why : str
        What speaks for it, or why there is none.
    """

    pattern: str | None
    why: str


@dataclass(frozen=True)
class _Field:
    """One number of names that are built alike."""

    place: tuple[int, int]
    before: str
    after: str
    words: tuple[str, ...]
    frames: tuple[FrameInfo, ...]

    @property
    def values(self) -> tuple[float, ...]:
        return tuple(map(float, self.words))

    @property
    def label(self) -> str:
        """The word before the number."""
        found = re.search(r"([^\W\d_]+)[\W_]*$", self.before)
        return found[1].casefold() if found else ""

    @property
    def is_whole(self) -> bool:
        return not any("." in word for word in self.words)

    @property
    def patterns(self) -> tuple[str, ...]:
        """Patterns that may read it: with the word before it, and with what parts it from that word."""
        after = re.match(r"[\W_]?", self.after)
        end = ".f*" if not self.after else f"{after[0] if after else ''}*"
        word = re.search(r"[\W_]?[^\W_]*[\W_]*$", self.before)
        parting = re.search(r"[\W_]+$", self.before)
        starts = [found[0] for found in (word, parting) if found and found[0]]
        return tuple(f"*{start}{{position}}{end}" for start in starts) if self.before else (f"{{position}}{end}",)


def find_name_pattern(frames: Sequence[FrameInfo]) -> NamePattern:
    """Find how the names of the frames of one rig carry the position.

    A number is taken that moves by equal steps, and is refused where it counts frames, tells a time, or says by the
    word before it that it is something else. Of two that are left, the one beside a word for the position is taken,
    else none.
    """
    ordered = sorted(frames, key=lambda info: (str(info.time or ""), info.name))
    fields = _fields(ordered)
    left, refused = [], []
    for field in fields:
        why = _why_not(field, fields)
        if why is None:
            left.append(field)
        elif len(set(field.words)) >= _LEAST_POSITIONS:
            refused.append(f"the number after '{field.before[-12:]}' {why}")
    named = [field for field in left if field.label in _POSITION_WORDS]
    left = named or left
    if not left:
        none = "the names have no number that moves like a sweep"
        return NamePattern(None, "; ".join(dict.fromkeys(refused)) or none)
    patterns = list(dict.fromkeys(pattern for field in left for pattern in field.patterns))
    own = {info.path for field in left for info in field.frames}
    others = [PurePosixPath(info.name).name for info in ordered if info.path not in own]
    reading = next(
        (
            pattern
            for pattern in patterns
            if all(_reads(pattern, field) for field in left)
            and all(position_from_name(name, pattern) is None for name in others)
        ),
        None,
    )
    if reading is None or any(_mirrored(field, fields) for field in left):
        shown = ", ".join(f"'{field.before}' ({field.words[0]}, {field.words[1]}, …)" for field in left)
        return NamePattern(None, f"more than one number of the names may be the position: after {shown}")
    return NamePattern(reading, f"read from {len(own)} names, by equal steps of {_step(left[0].values):.6g}")


def _fields(frames: Sequence[FrameInfo]) -> list[_Field]:
    """Return every number of the names, by the words around it; names that are built alike belong together."""
    alike: dict[tuple[str, ...], list[tuple[FrameInfo, list[str]]]] = {}
    for info in frames:
        parts = _NUMBER.split(_ENDING.sub("", PurePosixPath(info.name).name))
        alike.setdefault(tuple(parts[::2]), []).append((info, parts))
    return [
        _Field(
            place=(place, len(others[0][1])),
            before=others[0][1][place - 1],
            after=others[0][1][place + 1],
            words=tuple(parts[place] for _, parts in others),
            frames=tuple(info for info, _ in others),
        )
        for others in alike.values()
        for place in range(1, len(others[0][1]), 2)
    ]


def _step(values: Sequence[float]) -> float:
    """Return the most frequent move between frames that follow one another, 0 where there is none."""
    moves = Counter(round(abs(b - a), 6) for a, b in pairwise(values) if a != b)
    return min(moves, key=lambda move: (-moves[move], move)) if moves else 0.0


def _why_not(field: _Field, fields: Sequence[_Field]) -> str | None:
    """Say why a number of the names is not taken for the position, None where nothing speaks against it."""
    values, step = field.values, _step(field.values)
    moves = [abs(b - a) for a, b in pairwise(values)]
    if len(set(values)) < _LEAST_POSITIONS:
        return "takes too few values"
    if field.label in _OTHER_WORDS or _UNIT.match(field.after):
        return "says by the word beside it that it is no position"
    if re.search(r"(^|[\W_])-$", field.before):
        return "has a sign before it, or a hyphen that looks like one"
    if _counts_frames(field, fields):
        return "counts the frames"
    if _tells_time(field):
        return "tells a time"
    if sum(abs(move - step) <= _STEP_TOLERANCE * step for move in moves) < _REGULAR * len(moves):
        return "does not move by equal steps"
    if field.label in _POSITION_WORDS:
        return None
    if any(info.time is None for info in field.frames):
        return "has no word beside it, and headers without times cannot show that it is no clock"
    if not field.is_whole:
        return "has decimals and no word beside it"
    if any(word.startswith("0") and word != "0" and not word.startswith("0.") for word in field.words):
        return "has leading zeros, as numbers that count have"
    if step < _LEAST_STEP or min(values) <= step:
        return "may count something"
    return "goes on from filter to filter, as numbers that count do" if _goes_on(field, fields) else None


def _counts_frames(field: _Field, fields: Sequence[_Field]) -> bool:
    """Whether a number counts frames: by ones, or one for each frame of all that have this word before it."""
    if not field.is_whole:
        return False
    ranks = [value - k for k, value in enumerate(sorted(field.values))]
    if _step(field.values) == 1.0 or len(set(ranks)) == 1:
        return True
    every = [value for other in fields if other.place == field.place and other.is_whole for value in other.values]
    return len(set(every)) == len(every) and max(every) - min(every) < _CROWDED * len(every)


def _goes_on(field: _Field, fields: Sequence[_Field]) -> bool:
    """Whether a number only grows, or only falls, through sweeps in several filters."""
    alike = [other for other in fields if other.place == field.place]
    pairs = [pair for other in alike for pair in zip(other.frames, other.values, strict=True)]
    values = [value for _, value in sorted(pairs, key=lambda pair: (str(pair[0].time or ""), pair[0].name))]
    several = len({info.filter for info, _ in pairs}) > 1
    return several and values in (sorted(values), sorted(values, reverse=True))


def _tells_time(field: _Field) -> bool:
    """Whether a number is a clock, a date, or seconds and days since some moment."""
    if field.label in _POSITION_WORDS and not all(_is_clock_of(word, info) for word, info in _timed(field)):
        return False
    digits = [word.partition(".")[0] for word in field.words]
    if any(len(word) in (10, 13, 14) for word in digits):
        return True  # Unix seconds, milliseconds, date and time
    if all(len(word) == 8 and word[:2] in ("19", "20") for word in digits):
        return True
    if all(len(word) in (4, 6) and _is_clock(word) for word in digits):
        return True
    timed = [info.time.timestamp() for info in field.frames if info.time is not None]
    if len(timed) == len(field.values) and any(_goes_with(timed, field.values, unit) for unit in (1.0, 1e-3, 60.0)):
        return True
    days = all(2.4e6 <= value < 2.6e6 or 4e4 <= value < 1e5 for value in field.values)  # Julian dates, modified or not
    return days and not field.is_whole


def _timed(field: _Field) -> list[tuple[str, FrameInfo]]:
    pairs = [pair for pair in zip(field.words, field.frames, strict=True) if pair[1].time is not None]
    return pairs or [("", field.frames[0])]


def _is_clock(word: str) -> bool:
    parts = [int(word[k : k + 2]) for k in range(0, len(word), 2)]
    return parts[0] < 24 and all(part < 60 for part in parts[1:])


def _is_clock_of(word: str, info: FrameInfo) -> bool:
    """Whether a number has the minutes and seconds of the frame's time: zones are off by whole hours mostly."""
    return info.time is not None and len(word) in (4, 6) and word[2:] in (f"{info.time:%M}", f"{info.time:%M%S}")


def _reads(pattern: str, field: _Field) -> bool:
    return all(
        position_from_name(PurePosixPath(info.name).name, pattern) == value
        for info, value in zip(field.frames, field.values, strict=True)
    )


def _goes_with(time_s: Sequence[float], values: Sequence[float], unit_s: float) -> bool:
    """Whether a number grows as the time does, in units of so many seconds."""
    passed = time_s[-1] - time_s[0]
    off = max(abs((value - values[0]) * unit_s - (now - time_s[0])) for now, value in zip(time_s, values, strict=True))
    return passed > 0.0 and off <= max(unit_s, _STEP_TOLERANCE * passed / len(values))


def _mirrored(field: _Field, fields: Sequence[_Field]) -> bool:
    """Whether a hyphen before a number is its sign: other names have the same word without it."""
    return field.before.endswith("-") and any(other.before == field.before[:-1] for other in fields)
