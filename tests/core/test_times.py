"""Times: as the FITS standard and the IAU agreement of 1997-11-10 write them, and as people do."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from focuskit.core.errors import FocuskitError
from focuskit.core.times import HOUR_S, NIGHT_GAP_S, format_time, parse_time


@pytest.mark.parametrize(
    "text, expected",
    [
        ("2031-03-04T20:10:00", datetime(2031, 3, 4, 20, 10, tzinfo=UTC)),
        ("2031-03-04T20:10:00.250Z", datetime(2031, 3, 4, 20, 10, 0, 250000, tzinfo=UTC)),
        ("2031-03-04 20:10", datetime(2031, 3, 4, 20, 10, tzinfo=UTC)),
        ("2031-03-04", datetime(2031, 3, 4, tzinfo=UTC)),
        ("2031-03-04T22:10:00+02:00", datetime(2031, 3, 4, 20, 10, tzinfo=UTC)),
        # dd/mm/yy means 1900 to 1999 only: fits.gsfc.nasa.gov/year2000.html, 3.1
        ("26/10/92", datetime(1992, 10, 26, tzinfo=UTC)),
        # a leap second rolls over instead of failing
        ("2016-12-31T23:59:60", datetime(2017, 1, 1, tzinfo=UTC)),
    ],
)
def test_reads_the_customary_forms(text, expected):
    assert parse_time(text) == expected


def test_a_repeated_hour_in_autumn_is_told_apart_by_fold():
    zone = ZoneInfo("America/New_York")
    first = parse_time("2013-11-03 01:30", zone)
    second = parse_time("2013-11-03 01:30", zone, fold=1)
    assert (second - first).total_seconds() == 3600


@pytest.mark.parametrize("text", ["", "yesterday", "2031-13-04", "2031-03-04T25:00", "20:10:00", "2031-03-04T20:10:99"])
def test_says_what_is_not_a_time(text):
    with pytest.raises(FocuskitError, match="is not a time"):
        parse_time(text)


def test_writes_utc_with_z():
    assert format_time(parse_time("2031-03-04T22:10:00+02:00")) == "2031-03-04T20:10:00Z"
    assert format_time(parse_time("2031-03-04T20:10:00.2504")) == "2031-03-04T20:10:00.250Z"
    assert format_time(None) is None


def test_nights_logged_from_dusk_to_dawn_stay_apart_up_to_60_degrees():
    # Sunrise equation with the sun 0.833° below the horizon, at the solstice (declination -23.44°).
    latitude, declination, below = np.radians([60.0, -23.44, -0.833])
    hour_angle = np.degrees(
        np.arccos((np.sin(below) - np.sin(latitude) * np.sin(declination)) / (np.cos(latitude) * np.cos(declination)))
    )
    shortest_day_s = 2.0 * hour_angle / 15.0 * HOUR_S
    assert shortest_day_s == pytest.approx(5.9 * HOUR_S, rel=0.01)
    assert shortest_day_s > NIGHT_GAP_S
