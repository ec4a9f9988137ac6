"""Times as people and headers write them, and as focuskit writes them: UTC, ISO 8601 with Z."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo

from focuskit.core.errors import FocuskitError

HOUR_S = 3600.0  # by definition
# A longer pause between runs, or in a log of temperatures, parts two nights. Chosen: the shortest day at 60°
# of latitude lasts 5.9 h, so nights logged from dusk to dawn stay apart; clouds that stop work for longer
# within a night make it count as two.
NIGHT_GAP_S = 5.0 * HOUR_S
# Other years are placeholders of clocks that nobody set. The limits as unix seconds, the second left out.
YEARS = range(1900, 2200)
EARLIEST_S, LATEST_S = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (YEARS.start, YEARS.stop))

_OLD_DATE = re.compile(r"^(\d{1,2})/(\d{1,2})/(\d{2})$")
_ISO = re.compile(
    r"^(\d{4})-(\d{1,2})-(\d{1,2})"
    r"(?:[T ]\s*(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?)?"
    r"\s*(Z|UTC|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)


def parse_time(text: str, zone: tzinfo | None = None, fold: int = 0) -> datetime:
    """Read one time and return it in UTC.

    Accepts ISO 8601 with ``T`` or a space, with or without seconds, fractions and ``Z`` or an
    offset; a date alone is its midnight; ``dd/mm/yy`` is 1900 to 1999 (IAU FITS Working Group
    agreement of 1997-11-10). A time without offset is in ``zone``, UTC where none is given;
    ``fold=1`` picks the second of two equal local times in autumn.

    Raises
    ------
    FocuskitError
        If the text is not a time, or not one of the years 1900 to 2199.
    """
    words = text.strip()
    old = _OLD_DATE.match(words)
    if old:
        words = f"19{old[3]}-{int(old[2]):02d}-{int(old[1]):02d}"
    match = _ISO.match(words)
    if not match:
        raise FocuskitError(f"'{text}' is not a time: write it like 2031-03-04T20:10:00Z")
    year, month, day, hour, minute, second, offset = match.groups()
    whole = float(second or 0)
    try:
        moment = datetime(int(year), int(month), int(day), int(hour or 0), int(minute or 0), fold=fold)
        if whole >= 61.0 or moment.year not in YEARS:
            raise ValueError
        if offset is None:
            moment = moment.replace(tzinfo=zone or UTC)
        elif offset.upper() in ("Z", "UTC"):
            moment = moment.replace(tzinfo=UTC)
        else:
            sign = -1 if offset[0] == "-" else 1
            digits = offset[1:].replace(":", "")
            shift = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
            moment = moment.replace(tzinfo=timezone(sign * shift))
        return moment.astimezone(UTC) + timedelta(seconds=whole)
    except (ValueError, OverflowError) as problem:
        raise FocuskitError(f"'{text}' is not a time that exists: correct it") from problem


def format_time(moment: datetime | None) -> str | None:
    """Write a UTC time as ``2031-03-04T20:10:00Z``, with milliseconds only where it has them."""
    if moment is None:
        return None
    utc = moment.astimezone(UTC)
    rounded = utc + timedelta(microseconds=500)
    precision = "milliseconds" if rounded.microsecond // 1000 else "seconds"
    return rounded.replace(tzinfo=None).isoformat(timespec=precision) + "Z"
