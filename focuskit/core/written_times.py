"""Dates and times of tables as people and spreadsheets write them, turned into ISO 8601 column by column."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from focuskit.core.errors import FocuskitError
from focuskit.core.times import EARLIEST_S, LATEST_S

DATE_WORDS = ("day-first", "month-first", "evening")  # what a user can say about the dates of a table
# Day 0 of spreadsheets; with it their numbers are right from 1 March 1900 on.
_SERIAL_DAY_0 = datetime(1899, 12, 30, tzinfo=UTC)
_SERIAL_DAYS = (20_000.0, 80_000.0)  # 1954 to 2119; chosen: wide enough for any log of a focuser
_JULIAN_DAYS = (2_415_021.0, 2_524_594.0)  # 1900 to 2200; chosen as wide as the years that `times` accepts
# Ranges of the numbers in a column of dates; chosen: they do not overlap, and contain the years of digital cameras.
# Spreadsheet days, Julian dates, Unix seconds, milliseconds, microseconds (1979 to 2223), then packed dates from 1900
# to 2199 as YYYYMMDD, with hours and minutes, with seconds.
EPOCHS = (_SERIAL_DAYS, _JULIAN_DAYS, (3e8, 8e9), (3e11, 8e12), (3e14, 8e15), (19_000_101.0, 21_991_231.0),
          (190_001_010_000.0, 219_912_312_359.0), (19_000_101_000_000.0, 21_991_231_235_959.0))  # fmt: skip
_UNIX_DAY_MJD = 40_587.0  # 1970-01-01 as a modified Julian date, by definition
_UNIX_DAY_JD = 2_440_587.5  # the same as a Julian date
# First letters of the months in English, German, French, Spanish and Italian.
_MONTHS = {
    name: k
    for k, names in enumerate(
        ("jan ene gen", "feb fev", "mar", "apr avr abr", "may mai mag", "jun juin giu", "jul juil lug", "aug aou ago",
         "sep set", "oct okt ott", "nov", "dec dez dic"), 1,
    )
    for name in names.split()
}  # fmt: skip
_ISO = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d[\d:.]*\s?(?:Z|UTC|[+-]\d\d:?\d\d)?)?", re.ASCII | re.IGNORECASE)
# Dates, and times with them, without any mark: 20310314, 2031031420, 203103142010, 20310314201000.
_PACKED = re.compile(
    r"(?P<y>(?:19|20|21)\d\d)(?P<m>0[1-9]|1[0-2])(?P<d>0[1-9]|[12]\d|3[01])"
    r"(?:(?P<h>[01]\d|2[0-3])(?:(?P<min>[0-5]\d)(?P<s>[0-5]\d)?)?)?"
)
_DATE = re.compile(
    r"(?:(?P<y>\d{4})\s?[-/.]\s?(?P<m>\d{1,2})\s?[-/.]\s?(?P<d>\d{1,2})\.?"
    r"|(?P<compact>(?:19|20|21)\d{6})"
    r"|(?P<a>\d{1,2})\s?(?P<mark>[-/.])\s?(?P<b>\d{1,2})\s?(?P=mark)\s?(?P<year>\d{4}|\d\d)"
    r"|(?P<day>\d{1,2})\.?[\s-]*(?P<month>[a-z]{3,9})\.?[\s,-]*(?P<year2>\d{4})"
    r"|(?P<month2>[a-z]{3,9})\.?\s+(?P<day2>\d{1,2})(?:st|nd|rd|th)?,?\s+(?P<year3>\d{4}))(?!\d)[,t\s]*",
    re.ASCII,
)
_WEEKDAY = re.compile(r"[a-z]{2,10}[.,]?\s+(?=.*\d)")
_ZONE = r"\s*(?P<zone>z|utc|gmt|[+-]\d\d:?\d\d)?"
_CLOCK = re.compile(
    r"(?:(?P<h>\d{1,2})\s?[:h.]\s?(?P<m>\d\d)(?:[:.m]\s?(?P<s>\d\d(?:[.,]\d+)?)s?)?"
    r"|(?P<packed>\d{4}(?:\d\d)?)|(?P<alone>\d{1,2})(?=\s*(?:h|uhr|[ap]\.?\s?m)))"
    r"\s*(?:uhr|h)?\s*(?:(?P<half>[ap])\.?\s?m\.?)?" + _ZONE,
    re.ASCII,
)


@dataclass(frozen=True)
class WrittenTimes:
    """A column of times as ISO 8601.

    Parameters
    ----------
    texts : list of str
        What could not be read stays as it is.
    how : str
        How they were read, in a few words; empty where they were ISO 8601.
    assumed : tuple of str
        What had to be assumed.
    """

    texts: list[str]
    how: str = ""
    assumed: tuple[str, ...] = ()


def is_iso(text: str) -> bool:
    """Return whether a text is a date of ISO 8601, with or without a time."""
    return _ISO.fullmatch(text) is not None


def has_zone(text: str) -> bool:
    """Return whether a time in ISO 8601 ends in a zone."""
    return re.search(r"(?:Z|UTC|:\d\d(?:\.\d*)?\s*[+-]\d\d:?\d\d)$", text, re.IGNORECASE) is not None


def kind_of_time(text: str) -> str:
    """Return what a cell holds: ``moment``, ``date``, ``clock``, or an empty text for something else."""
    words = _plain(text)
    found = _match_date(words)
    if found is None:
        # Digits alone, or with a point, are a time of day only where something else says so.
        return "clock" if re.search("[a-z:]", words) and _CLOCK.fullmatch(words) else ""
    rest = words[found.end() :]
    if not rest:
        return "date"
    return "moment" if _CLOCK.fullmatch(rest) or re.fullmatch(_ZONE, rest) else ""


def write_times(
    dates: Sequence[str],
    clocks: Sequence[str] | None = None,
    *,
    said: Collection[str] = (),
    modified_julian: bool = False,
) -> WrittenTimes:
    """Turn a column of dates with times, or one of dates and one of times of day, into ISO 8601.

    Whether the day or the month comes first is decided by the whole column.

    Parameters
    ----------
    dates : sequence of str
        Dates, with the time of day in the same cell where there are no ``clocks``. Also spreadsheet days,
        unix seconds or milliseconds, and Julian dates. An empty cell below a date repeats it where there are
        clocks.
    clocks : sequence of str, optional
    said : collection of str
        Words of ``DATE_WORDS``: which comes first, and whether the date is that of the evening, so that times
        before noon are of the day after.
    modified_julian : bool
        Numbers are modified Julian dates.

    Raises
    ------
    FocuskitError
        If day and month fit both ways round, or time goes back from evening to morning on one date.
    """
    assumed: tuple[str, ...] = ()
    if clocks is not None:
        dates, assumed = _whole_dates(dates)
    elif all(map(is_iso, dates)):
        return WrittenTimes(list(dates))
    elif (numbers := _mostly_numbers(dates)) is not None:
        return _write_numbers(dates, numbers, modified_julian)
    read_date, how = _date_reader([text for text in dates if text], said)
    texts = list(dates)
    for i, text in enumerate(dates):
        moment = None if clocks is None and is_iso(text) else read_date(text)
        if moment is None:
            continue
        day, rest = moment
        clock = _read_clock(rest if clocks is None else clocks[i])
        if clock is None:
            texts[i] = f"{text} {clocks[i]}".strip() if clocks else text
            continue
        seconds, zone = clock
        if "evening" in said and seconds < 43_200.0:
            day += timedelta(days=1)
        texts[i] = f"{day.isoformat()} {_clock_text(seconds)}{zone}"
    if clocks is not None and "evening" not in said:
        _refuse_evenings(dates, texts)
    return WrittenTimes(texts, how, assumed)


def _plain(text: str) -> str:
    """Return a text in lower case without accents."""
    if text.isascii():
        return text.strip().lower()
    spread = unicodedata.normalize("NFKD", text.strip().casefold())
    return "".join(c for c in spread if not unicodedata.combining(c)).strip()


def _match_date(words: str) -> re.Match[str] | None:
    found = _DATE.match(words)
    if found and (name := found["month"] or found["month2"]) and _month(name) is None:
        found = None
    if found is None and (day := _WEEKDAY.match(words)):
        found = _DATE.match(words, day.end())
    return found


def _month(name: str) -> int | None:
    return _MONTHS.get(name[:3]) or _MONTHS.get(name[:4])


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
    except ValueError:
        return None


def _mostly_numbers(texts: Sequence[str]) -> list[float | None] | None:
    """Return the numbers of a column, None where most of its cells are no numbers."""
    numbers = [_number(text) for text in texts]
    return numbers if sum(n is not None for n in numbers) > len(numbers) / 2 else None


def _write_numbers(texts: Sequence[str], numbers: Sequence[float | None], modified_julian: bool) -> WrittenTimes:
    """Turn numbers into times: unix seconds to microseconds, days of a spreadsheet, or Julian dates."""
    known = sorted(n for n in numbers if n is not None)
    middle = known[len(known) // 2]
    packed = [_PACKED.fullmatch(text) for text in texts]
    if all(m or not text for m, text in zip(packed, texts, strict=True)):
        return WrittenTimes([_of_packed(m) if m else "" for m in packed], "without marks")
    if modified_julian:
        how, scale, zero = "as modified Julian dates", 86_400.0, _UNIX_DAY_MJD
    elif _JULIAN_DAYS[0] < middle < _JULIAN_DAYS[1]:
        how, scale, zero = "as Julian dates", 86_400.0, _UNIX_DAY_JD
    elif _SERIAL_DAYS[0] < middle < _SERIAL_DAYS[1]:
        how, scale, zero = "as days of a spreadsheet", 86_400.0, -_SERIAL_DAY_0.timestamp() / 86_400.0
    else:
        digits = next((d for d in (0, 3, 6) if abs(middle) < 1e11 * 10.0**d), 9)
        how, scale, zero = "as unix seconds", 10.0**-digits, 0.0
    written = []
    for text, number in zip(texts, numbers, strict=True):
        seconds = None if number is None else (number - zero) * scale
        if seconds is None or not EARLIEST_S <= seconds < LATEST_S:
            written.append(text)
        else:
            # Days are written with five decimals or more: that is the second.
            moment = datetime.fromtimestamp(round(seconds, 0 if scale == 86_400.0 else 3), UTC).replace(tzinfo=None)
            written.append(moment.isoformat(" ", "milliseconds" if moment.microsecond else "seconds"))
    if "spreadsheet" in how:
        return WrittenTimes(written, how)
    return WrittenTimes([text + "Z" if is_iso(text) else text for text in written], how)


def _of_packed(match: re.Match[str]) -> str:
    day = "-".join(match.group("y", "m", "d"))
    return f"{day} {match['h']}:{match['min'] or '00'}:{match['s'] or '00'}" if match["h"] else day


def _whole_dates(dates: Sequence[str]) -> tuple[Sequence[str], tuple[str, ...]]:
    """Return the dates of a column next to one of times of day, a date in every row, and what was assumed."""
    numbers = _mostly_numbers(dates)
    if numbers is not None and not all(re.fullmatch(r"\d{8}|", text) for text in dates):
        dates = [text[:10] if is_iso(text) else text for text in _write_numbers(dates, numbers, False).texts]
    if not dates or not dates[0] or all(dates):
        return dates, ()
    filled: list[str] = []
    for text in dates:
        filled.append(text or filled[-1])
    return filled, ("a row without a date has the date above",)


def _date_reader(texts: Sequence[str], said: Collection[str]) -> tuple[Callable[[str], tuple[date, str] | None], str]:
    """Return what reads the date at the beginning of a text and gives the rest, and the order of day and month."""
    matches = [_match_date(_plain(text)) for text in dict.fromkeys(texts)]
    pairs = [(int(m["a"]), int(m["b"]), m["mark"], m["year"]) for m in matches if m and m["a"]]
    day_first, how = True, ""
    if pairs:
        dotted = all(mark == "." for _, _, mark, _ in pairs)
        fits = [all(a <= 31 and b <= 12 for a, b, *_ in pairs), all(a <= 12 and b <= 31 for a, b, *_ in pairs)]
        is_said = any(word in said for word in DATE_WORDS[:2])
        if not is_said and not dotted and fits[0] and fits[1]:
            a, b, mark, year = pairs[0]
            raise FocuskitError(
                f"'{a:02d}{mark}{b:02d}{mark}{year}' may be day {a} of month {b} or day {b} of month {a}, and no row "
                "settles which",
                "dates",
            )
        if not is_said and not dotted and not fits[0] and not fits[1]:
            raise FocuskitError(
                "of the dates some have the day first, others the month: write all of them one way", "dates"
            )
        if not is_said and not dotted and _may_begin_with_the_year(pairs):
            a, b, mark, year = pairs[0]
            raise FocuskitError(f"'{a:02d}{mark}{b:02d}{mark}{year}' may begin with the year or end with it", "dates")
        day_first = DATE_WORDS[0] in said if is_said else dotted or fits[0]
        how = "day first" if day_first else "month first"
    known: dict[str, date | None] = {}  # of the first words: a long log has few dates

    def read(text: str) -> tuple[date, str] | None:
        words = _plain(text)
        first, _, rest = words.partition(" ")
        if first not in known:
            match = _match_date(words)
            day = _day_of(match, day_first) if match else None
            if match is None or day is None:
                return None
            if match.end() != len(words) - len(rest):
                return day, words[match.end() :]
            known[first] = day
        day = known[first]
        return (day, rest) if day else None

    return read, how


def _may_begin_with_the_year(pairs: Sequence[tuple[int, int, str, str]]) -> bool:
    """Return whether years of two digits may as well stand first: what stands there changes no more than the last."""
    if any(len(year) > 2 or b > 12 or int(year) > 31 for _, b, _, year in pairs):
        return False
    return len({a for a, *_ in pairs}) <= len({year for *_, year in pairs})


def _day_of(match: re.Match[str], day_first: bool) -> date | None:
    if match["y"]:
        parts = match["y"], match["m"], match["d"]
    elif match["compact"]:
        parts = match["compact"][:4], match["compact"][4:6], match["compact"][6:]
    elif match["a"]:
        parts = (match["year"], match["b"], match["a"]) if day_first else (match["year"], match["a"], match["b"])
    else:
        month = _month(match["month"] or match["month2"])
        parts = match["year2"] or match["year3"], str(month), match["day"] or match["day2"]
    year, month_number, day = map(int, parts)
    try:
        # Two digits of a table of today; headers of FITS files, where they are of 1900 to 1999, are read elsewhere.
        return date(year + 2000 if year < 100 else year, month_number, day)
    except ValueError:
        return None


def _read_clock(words: str) -> tuple[float, str] | None:
    """Return the seconds since midnight and the zone as ISO writes it; a date alone is its midnight."""
    words = _plain(words)
    if not words:
        return 0.0, ""
    if re.fullmatch(r"0?[.,]\d+", words):  # the part of a day, as spreadsheets keep a time
        return round((_number(words) or 0.0) * 86_400.0, 3), ""
    match = _CLOCK.fullmatch(words)
    if match is None:
        return None
    packed = match["packed"]
    hour = int(packed[:2] if packed else match["h"] or match["alone"])
    minute = int(packed[2:4] if packed else match["m"] or 0)
    second = float((packed[4:] if packed else (match["s"] or "").replace(",", ".")) or 0.0)
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + 12 * (match["half"] == "p")
    if hour > 23 or minute > 59 or second >= 61.0:
        return None
    zone = (match["zone"] or "").upper()
    return hour * 3600.0 + minute * 60.0 + second, "Z" if zone in ("Z", "UTC", "GMT") else zone


def _clock_text(seconds: float) -> str:
    minutes, second = divmod(seconds, 60.0)
    shown = f"{second:02.0f}" if second == int(second) else f"{second:06.3f}"
    return f"{int(minutes) // 60:02d}:{int(minutes) % 60:02d}:{shown}"


def _refuse_evenings(dates: Sequence[str], texts: Sequence[str]) -> None:
    """Refuse a column in which time goes back from the evening to the morning of one date.

    Raises
    ------
    FocuskitError
        If it does and no other date goes back: the dates are then those of the evenings.
    """
    back = [i for i in range(1, len(texts)) if is_iso(texts[i]) and is_iso(texts[i - 1]) and texts[i] < texts[i - 1]]
    same = [i for i in back if dates[i] == dates[i - 1] and texts[i][11:13] < "12" <= texts[i - 1][11:13]]
    if same and len(back) == len(same):
        i = same[0]
        raise FocuskitError(
            f"{texts[i]} comes after {texts[i - 1]}: if a date is that of the evening, say so; if not, correct or "
            "sort the rows",
            "evening",
        )
