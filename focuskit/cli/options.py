"""Values and groups of options that commands share. Light: the help answers before any library is read."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from datetime import datetime, tzinfo
from typing import Any

from focuskit.core.errors import FocuskitError
from focuskit.core.times import parse_time

JSON_HELP = "write one JSON object instead of text"
# How each shell completes names of files. `completion` fills it: no other command need load the library that knows.
FILE_NAMES: dict[str, Any] = {}


# Values of options ---------------------------------------------------------------------------


def finite(text: str) -> float:
    """Read a number."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number") from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is not a finite number")
    return value


def positive(text: str) -> float:
    """Read a number above 0."""
    value = finite(text)
    if value <= 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def not_negative(text: str) -> float:
    """Read a number of 0 or more."""
    value = finite(text)
    if value < 0.0:
        raise argparse.ArgumentTypeError(f"{text} is below 0")
    return value


def celsius(text: str) -> float:
    """Read a temperature of air."""
    value = finite(text)
    if not -100.0 <= value <= 100.0:
        raise argparse.ArgumentTypeError(f"{text} °C is not a temperature of a night")
    return value


def moment(text: str) -> datetime:
    """Read a time."""
    try:
        return parse_time(text)
    except FocuskitError as problem:
        raise argparse.ArgumentTypeError(str(problem)) from None


def zone(text: str) -> tzinfo:
    """Read the name of a time zone."""
    from focuskit.core.log_times import as_zone

    try:
        return as_zone(text)
    except FocuskitError as problem:
        raise argparse.ArgumentTypeError(str(problem)) from None


def pairs(text: str) -> dict[str, str]:
    """Read ``NAME=VALUE,NAME=VALUE``."""
    found = [part.partition("=") for part in text.split(",")]
    if not all(sign and name.strip() and value.strip() for name, sign, value in found):
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form NAME=VALUE,NAME=VALUE")
    return {name.strip(): value.strip() for name, _, value in found}


def one_pair(text: str) -> tuple[str, str]:
    """Read ``COLUMN=VALUE``; the value may hold commas."""
    name, sign, value = (part.strip() for part in text.partition("="))
    if not (name and sign and value):
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form COLUMN=VALUE")
    return name, value


def run_columns(text: str) -> dict[str, str]:
    """Read ``time=NAME,position=NAME`` for a table of runs."""
    from focuskit.core.logged import COLUMNS

    return _columns(text, COLUMNS)


def log_columns(text: str) -> dict[str, str]:
    """Read ``time=NAME,temperature=NAME`` for a log of temperatures."""
    return _columns(text, ("time", "temperature"))


def _columns(text: str, known: tuple[str, ...]) -> dict[str, str]:
    found = pairs(text)
    unknown = [name for name in found if name not in known]
    if unknown:
        raise argparse.ArgumentTypeError(f"no column is called '{unknown[0]}'; known are {', '.join(known)}")
    return found


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


def add_run_options(parser: Any) -> None:
    """Add what says where logged runs come from."""
    group = parser.add_argument_group("logged runs")
    either = group.add_mutually_exclusive_group()
    add_file(either, "--runs", metavar="FILE.csv", help="table of logged runs; without it the logbook is read")
    add_logbook_option(either)
    add_table_options(group)
    group.add_argument("--rig-name", metavar="NAME", help="use the runs of this rig (that of the rig file)")


def add_logbook_option(parser: Any) -> None:
    """Add where the logbook is."""
    add_file(parser, "--logbook", metavar="FILE", help="the logbook, if it is not in its usual place")


def add_table_options(group: Any) -> None:
    """Add how a table of runs is to be read."""
    group.add_argument(
        "--columns",
        type=run_columns,
        default={},
        metavar="time=NAME,position=NAME",
        help="what the table calls its columns, where not time, filter, temperature_c, position, position_err, "
        "rig and so on",
    )
    group.add_argument("--zone", type=zone, metavar="ZONE", help="of times without offset, like Europe/Oslo (UTC)")
    add_file(group, "--rig", metavar="FILE", help="rig file (TOML): names of columns and filters, rebuilds, travel")


def add_log_options(group: Any, *, required: bool, purpose: str) -> None:
    """Add where a log of temperatures is, and how to read it."""
    add_file(group, "--temps", nargs="+", required=required, metavar="LOG.csv", help=purpose)
    group.add_argument(
        "--temps-columns",
        type=log_columns,
        metavar="time=NAME,temperature=NAME",
        help="columns, where not clear",
    )
    group.add_argument("--unit", choices=("C", "F", "K"), help="unit of the log, where its column does not say")
    group.add_argument("--only", type=one_pair, metavar="COLUMN=VALUE", help="rows of one station only")


def add_drift_options(group: Any) -> None:
    """Add what the user knows of the rig's rebuilds."""
    group.add_argument("--rebuild", type=moment, action="append", default=[], metavar="TIME",
                       help="when the optical train was taken apart, UTC; may be repeated")  # fmt: skip
    group.add_argument("--declared-only", action="store_true", help="do not look for more rebuilds")


def add_answer_options(group: Any) -> None:
    """Add how the answer is given."""
    group.add_argument("--json", action="store_true", help=JSON_HELP)
    either = group.add_mutually_exclusive_group()
    either.add_argument("--quiet", action="store_true", help="the bare answer: no progress, no explanations")
    either.add_argument("--verbose", action="store_true", help="also how the answer came about")
