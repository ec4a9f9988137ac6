"""Values and groups of options that commands share. Light: the help answers before any library is read."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from dataclasses import fields
from datetime import tzinfo
from pathlib import Path
from typing import Any, TypeVar

from focuskit.core.errors import FocuskitError
from focuskit.core.ranges import what_is_wrong
from focuskit.core.times import parse_time

Value = TypeVar("Value")
JSON_HELP = "write one JSON object instead of text"
# How each shell completes names of files. `completion` fills it: no other command need load the library that knows.
FILE_NAMES: dict[str, Any] = {}


# Values of options ---------------------------------------------------------------------------


def number_of(name: str) -> Callable[[str], float]:
    """Return a reader of numbers in the range of that name."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
        if problem := what_is_wrong(name, value):
            raise argparse.ArgumentTypeError(problem.removeprefix(f"{name} "))
        return value

    return read


def count(text: str) -> int:
    """Read a whole number of 1 or more."""
    if not (text.isdecimal() and text.isascii() and 0 < len(text) <= 15 and int(text) > 0):
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number of 1 or more")
    return int(text)


def file_to_write(*endings: str) -> Callable[[str], str]:
    """Return a reader of the name of a file to be written, which ends in one of ``endings``."""

    def read(text: str) -> str:
        if Path(text).suffix.lower() not in endings:
            raise argparse.ArgumentTypeError(f"'{text}' does not end in {' or '.join(endings)}")
        if Path(text).is_dir():
            raise argparse.ArgumentTypeError(f"'{text}' is a folder; name a file")
        return text

    return read


def folder_to_fill(text: str) -> str:
    """Read the name of a folder that files are written into."""
    path = Path(text)
    is_file = path.exists() or re.fullmatch(r"\.[A-Za-z]{2,5}", path.suffix)
    if is_file and not path.is_dir():
        raise argparse.ArgumentTypeError(f"'{text}' is the name of a file; name a folder")
    return text


def reader(read: Callable[[str], Value]) -> Callable[[str], Value]:
    """Return ``read`` so that the parser names the option where it raises FocuskitError."""

    def convert(text: str) -> Value:
        try:
            return read(text)
        except FocuskitError as problem:
            raise argparse.ArgumentTypeError(str(problem)) from None

    return convert


# These load what knows only where the option is used.


def _zone(text: str) -> tzinfo:
    from focuskit.core.log_times import as_zone

    return as_zone(text)


def _keyword(text: str) -> tuple[str, str]:
    from focuskit.frames import RigFile

    fact, keyword = one_pair(text)
    RigFile().with_keywords({fact: keyword})
    return fact, keyword


def _pattern(text: str) -> str:
    from focuskit.frames import RigFile

    RigFile().with_position_pattern(text)
    return text


def _limit(text: str) -> tuple[str, int]:
    from focuskit.frames import Limits

    name, _, value = text.partition("=")
    known = [field.name for field in fields(Limits)]
    if name not in known:
        raise argparse.ArgumentTypeError(f"write it like pixels=500000000; known are {', '.join(known)}")
    return name, count(value)


def run_columns(text: str) -> dict[str, str]:
    """Read ``time=NAME,position=NAME`` for a table of runs."""
    from focuskit.core.logged import COLUMNS

    return _columns(text, (*COLUMNS, "temperature"))


def date_words(text: str) -> tuple[str, ...]:
    """Read ``day-first``, ``month-first`` or ``evening``, or two of them."""
    from focuskit.core.written_times import DATE_WORDS

    words = tuple(text.split(","))
    unknown = [word for word in words if word not in DATE_WORDS]
    if unknown:
        raise argparse.ArgumentTypeError(f"'{unknown[0]}' is none of {', '.join(DATE_WORDS)}")
    return words


def log_columns(text: str) -> dict[str, str]:
    """Read ``time=NAME,temperature=NAME`` for a log of temperatures."""
    return _columns(text, ("time", "temperature"))


def _columns(text: str, known: tuple[str, ...]) -> dict[str, str]:
    found = pairs(text)
    unknown = [name for name in found if name not in known]
    if unknown:
        raise argparse.ArgumentTypeError(f"no column is called '{unknown[0]}'; known are {', '.join(known)}")
    return found


def pairs(text: str) -> dict[str, str]:
    """Read ``NAME=VALUE,NAME=VALUE``."""
    return dict(one_pair(part) for part in text.split(","))


def one_pair(text: str) -> tuple[str, str]:
    """Read ``NAME=VALUE``; the value may hold commas."""
    name, _, value = (part.strip() for part in text.partition("="))
    if not (name and value):
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form NAME=VALUE")
    return name, value


def by_filter(read: Callable[[str], float]) -> Callable[[str], dict[str, float]]:
    """Return a reader of ``95`` (every filter, under the key '') or ``L=95,Ha=480``."""

    def convert(text: str) -> dict[str, float]:
        if "=" not in text:
            return {"": read(text)}
        return {name: read(value) for name, value in pairs(text).items()}

    return convert


# Groups ---------------------------------------------------------------------------------------


def add_file(parser: Any, *names: str, **settings: Any) -> None:
    """Add an argument that names a file or folder, which shells complete."""
    parser.add_argument(*names, **settings).complete = FILE_NAMES


def add_number(parser: Any, option: str, name: str, metavar: str, what: str, default: float | None = None) -> None:
    """Add an option that is a number in the range of ``name``."""
    parser.add_argument(option, type=number_of(name), metavar=metavar, help=what, default=default)


def add_folder(parser: Any, option: str, what: str) -> None:
    """Add a folder that files are written into."""
    add_file(parser, option, type=folder_to_fill, metavar="FOLDER", help=what)


def add_report_option(parser: Any, name: str = "--report", **settings: Any) -> None:
    """Add where a page is to be written."""
    about: dict[str, Any] = {"help": "write a report that any browser opens", **settings}
    add_file(parser, name, type=file_to_write(".html", ".htm"), metavar="FILE.html", **about)


def add_workers_option(parser: Any) -> None:
    """Add how many processes measure frames, and whether what they find is kept."""
    what = "processes that measure frames (default: all cores)"
    parser.add_argument("--workers", type=count, metavar="N", help=what)
    what = "neither use nor keep what earlier commands measured of these frames (kept where self-check says)"
    parser.add_argument("--no-cache", action="store_true", help=what)


def add_frame_options(parser: Any) -> None:
    """Add where frames are, how they are to be read, and how the answer is given."""
    add_file(parser, "folders", nargs="+", metavar="FOLDER", help="where the frames are")
    add_answer_options(parser)
    add_rig_options(parser, "rig file (TOML) that fills or overrides the headers (that of `focuskit setup`)")
    add_reading_options(parser)


def add_reading_options(parser: Any) -> None:
    """Add how frames are to be read."""
    parser.add_argument(
        "--keyword",
        type=reader(_keyword),
        action="append",
        default=[],
        metavar="FACT=KEYWORD",
        help="a header keyword of your own, such as position=MYFOC; repeatable",
    )
    parser.add_argument(
        "--position-pattern",
        type=reader(_pattern),
        metavar="PATTERN",
        help="take the position from the file name where the header lacks it, such as '*_{position}.fits'",
    )
    add_workers_option(parser)
    add_limit_option(parser)


def add_limit_option(parser: Any) -> None:
    """Add how much a file may ask for."""
    parser.add_argument(
        "--limit",
        type=_limit,
        action="append",
        default=[],
        metavar="NAME=N",
        help="how much a file may ask for: file_bytes, pixels, unpacked_bytes or header_bytes; repeatable",
    )


def add_run_options(parser: Any) -> None:
    """Add what says where logged runs come from."""
    group = parser.add_argument_group("logged runs")
    either = group.add_mutually_exclusive_group()
    add_file(either, "--runs", metavar="FILE.csv", help="table of logged runs; without it the logbook is read")
    add_logbook_options(either)
    add_table_options(group)
    joined = "take spellings of one filter, such as L and Lum, as one; the rig file does so for good"
    group.add_argument("--join-filters", action="store_true", help=joined)
    group.add_argument("--rig-name", metavar="NAME", help="use the runs of this rig (that of the rig file)")


def add_logbook_options(either: Any, what: str = "the logbook, if it is not in its usual place") -> None:
    """Add where the logbook is to a group of options that exclude each other."""
    add_file(either, "--logbook", metavar="FILE", help=what)
    either.add_argument("--no-logbook", action="store_true", help="do not look for one in its usual place")


def add_rig_options(parser: Any, what: str) -> None:
    """Add which rig file is used."""
    either = parser.add_mutually_exclusive_group()
    add_file(either, "--rig", metavar="FILE", help=what)
    either.add_argument("--no-rig", action="store_true", help="do not look for one in its usual place")


def add_table_options(group: Any) -> None:
    """Add how tables of runs, and of temperatures, are to be read."""
    group.add_argument(
        "--columns",
        type=run_columns,
        default={},
        metavar="time=DATE+TIME,position=NAME",
        help="what the table calls its columns (or their places from 1), where names and values do not show it",
    )
    group.add_argument("--unit", choices=("C", "F", "K"), help="unit of temperatures, where the table names none")
    group.add_argument("--decimal", choices=("comma", "point"), help="decimal mark, where the numbers leave it open")
    group.add_argument(
        "--dates",
        type=date_words,
        default=(),
        metavar="day-first",
        help="or month-first, where dates leave it open; evening: the hours after midnight have its date, too",
    )
    group.add_argument(
        "--zone", type=reader(_zone), metavar="ZONE", help="of times without offset, like Europe/Oslo (UTC)"
    )
    kept = "keep in the rig file how the tables were read, and which filters were joined"
    group.add_argument("--keep-reading", action="store_true", help=kept)
    add_rig_options(group, "rig file (TOML): names of columns and filters, rebuilds, travel")


def add_log_options(group: Any, purpose: str) -> None:
    """Add where a log of temperatures is, and how to read it."""
    add_file(group, "--temps", nargs="+", metavar="LOG.csv", help=purpose)
    group.add_argument(
        "--temps-columns",
        type=log_columns,
        metavar="time=DATE+TIME,temperature=NAME",
        help="the same of the log of temperatures (without --runs, --columns does)",
    )
    group.add_argument("--only", type=one_pair, metavar="COLUMN=VALUE", help="rows of one station only")


def add_drift_options(group: Any) -> None:
    """Add what the user knows of the rig's rebuilds."""
    group.add_argument("--rebuild", type=reader(parse_time), action="append", default=[], metavar="TIME",
                       help="when the optical train was taken apart, UTC; may be repeated")  # fmt: skip
    group.add_argument("--declared-only", action="store_true", help="do not look for more rebuilds")


def add_answer_options(group: Any) -> None:
    """Add how the answer is given."""
    group.add_argument("--json", action="store_true", help=JSON_HELP)
    either = group.add_mutually_exclusive_group()
    either.add_argument("--quiet", action="store_true", help="the bare answer: no progress, no explanations")
    either.add_argument("--verbose", action="store_true", help="also how the answer came about")
