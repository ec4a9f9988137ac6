"""Times in logs as sensors and people write them: by any clock, with or without a zone, in autumn twice."""

from __future__ import annotations

import re
import warnings
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.times import EARLIEST_S, LATEST_S, parse_time

FloatArray = NDArray[np.float64]

NO_VALUE = {"", "na", "n/a", "nan", "null", "none", "-", "--", "–", "—", "?", "k.a.", "n.a.", "n/d", "nd", "s/d"}


def as_zone(zone: str | tzinfo | None) -> tzinfo:
    """Return the zone of a name such as ``Europe/Oslo``; UTC for None."""
    if not isinstance(zone, str):
        return zone or UTC
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as problem:
        raise FocuskitError(f"'{zone}' is not a time zone: write it like Europe/Oslo or UTC") from problem


def zone_name(zone: tzinfo) -> str:
    """Return the name of a zone as a user writes it."""
    return zone.key if isinstance(zone, ZoneInfo) else str(zone)


def utc_offset_s(time_s: FloatArray, zone: tzinfo) -> FloatArray:
    """Return local time minus UTC in seconds; zones change on quarter hours, so one look-up per quarter hour does."""
    quarters, back = np.unique(np.floor(time_s / 900.0), return_inverse=True)
    offsets = [datetime.fromtimestamp(q * 900.0, zone).utcoffset() for q in quarters]
    return np.array([o.total_seconds() if o else 0.0 for o in offsets])[back]


def read_moments(texts: list[str], zone: tzinfo) -> tuple[FloatArray, bool]:
    """Read the times of a log: unix seconds of each row, NaN where no time can be read.

    Parameters
    ----------
    texts : list of str
        Times in ISO 8601.
    zone : tzinfo
        Of times without offset. The hour that comes twice in autumn is told apart by the order of rows.

    Returns
    -------
    time_s : ndarray of float, shape (rows,)
    is_open : bool
        Whether any row left its zone open.
    """
    naive = _naive_seconds(texts)
    if naive is not None:
        seconds, is_open = naive
        if zone is UTC or not is_open:
            return seconds, is_open
        return _tell_repeated_hour(*_local_to_unix(seconds, zone)), is_open
    pairs = [(_unix(text, zone, 0), _unix(text, zone, 1)) for text in texts]
    both = np.array(pairs, dtype=float).reshape(-1, 2)
    is_open = not all(re.search(r"(Z|UTC|[+-]\d\d:?\d\d)$", t) for t in texts)
    return _tell_repeated_hour(both[:, 0], both[:, 1]), is_open


def _naive_seconds(texts: list[str]) -> tuple[FloatArray, bool] | None:
    """Seconds since 1970 by the clock of the texts, where all are plain ISO; None where not.

    The fast way for long logs; with ``Z`` on every text the zone is not open.
    """
    zulu = [text.endswith(("Z", "z")) for text in texts]
    if any(zulu) != all(zulu) or any("+" in text or "-" in text[10:] for text in texts):
        return None
    if not all(text[:1].isdigit() for text in texts):  # numpy would read the words now and today
        return None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            moments = np.array([t.rstrip("Zz") for t in texts], dtype="datetime64[ms]")
    except (ValueError, UserWarning, DeprecationWarning):
        return None
    if np.isnat(moments).any():
        return None
    seconds = moments.astype(np.int64) / 1000.0
    if seconds.min() < EARLIEST_S or seconds.max() > LATEST_S:
        return None  # what Python's calendar does not hold is looked at one by one
    return seconds, not zulu[0]


def _local_to_unix(local_s: FloatArray, zone: tzinfo) -> tuple[FloatArray, FloatArray]:
    quarters, back = np.unique(np.floor(local_s / 900.0), return_inverse=True)
    offsets = np.zeros((2, len(quarters)))
    for i, quarter in enumerate(quarters):
        naive = datetime.fromtimestamp(quarter * 900.0, UTC).replace(tzinfo=zone)
        for fold in (0, 1):
            shift = naive.replace(fold=fold).utcoffset()
            offsets[fold, i] = shift.total_seconds() if shift else 0.0
    return local_s - offsets[0][back], local_s - offsets[1][back]


def _unix(text: str, zone: tzinfo, fold: int) -> float:
    try:
        return parse_time(text, zone, fold).timestamp()
    except FocuskitError:
        return np.nan


def _tell_repeated_hour(first_s: FloatArray, second_s: FloatArray) -> FloatArray:
    """Choose between two readings of a local time so that the rows run on in time.

    Rows may stand in falling order; then they are looked at from the end.
    """
    steps = np.diff(first_s)
    falling = np.nansum(steps < 0) > np.nansum(steps > 0)
    if falling:
        first_s, second_s = first_s[::-1], second_s[::-1]
    chosen = first_s.copy()
    for i in np.flatnonzero(second_s > first_s):
        before = chosen[i - 1] if i else np.nan
        if before >= first_s[i] and second_s[i] > before:
            chosen[i] = second_s[i]
    return chosen[::-1] if falling else chosen


def read_number(text: str) -> float:
    """Read a number; NaN where there is none."""
    words = text.strip().lower()
    if words in NO_VALUE:
        return np.nan
    try:
        return float(words)
    except ValueError:
        return np.nan
