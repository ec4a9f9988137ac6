"""Temperature logs: columns, units, clocks, gaps, repeats, outliers and nights."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from focuskit.core.errors import FocuskitError
from focuskit.frames import read_temperatures
from focuskit.frames.temperatures import find_outliers, split_nights

# Hourly airport weather, its source in the file's first lines.
WEATHER = Path(__file__).parents[1] / "data" / "weather_excerpt.csv"


def unix(*when):
    return datetime(*when, tzinfo=UTC).timestamp()


def write(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode(encoding))
    return path


ROWS = [(19, 8.0), (20, 7.0), (21, 6.5), (22, 6.0)]


def table(header, form="2031-03-04T{:02d}:00:00Z,{}", rows=ROWS):
    return "\n".join([header, *(form.format(*row) for row in rows)]) + "\n"


@pytest.mark.parametrize(
    "text, factor",
    [
        (table("time,temperature_c"), 1.0),
        (table("Timestamp (UTC),Ambient temp °C,Dew temp °C", "2031-03-04 {:02d}:00,{},-1"), 1.0),
        (table("# a station\ndate,time,outside_temp_c", "2031-03-04,{:02d}:00:00,{}"), 1.0),
        (table("year,month,day,hour,temperature", "2031,3,4,{},{}"), 1.0),
        (table("time;temp_c", "2031-03-04T{:02d}:00:00Z;{}").replace(".", ","), 1.0),
        (table("time\tair\thumidity", "2031-03-04T{:02d}:00:00+00:00\t{}\t80"), 1.0),
        ("\n".join(table("").splitlines()[1:]), 1.0),  # no header
        (table("time,temp_f"), 5 / 9),
        (table("time,temp (°F)"), 5 / 9),
    ],
)
def test_reads_customary_tables(tmp_path, text, factor):
    log = read_temperatures(write(tmp_path, text))
    expected = np.array([t for _, t in ROWS])
    if factor != 1.0:
        expected = (expected - 32.0) * factor
    assert log.temperature_c == pytest.approx(expected)
    assert log.time_s[0] == unix(2031, 3, 4, 19)
    assert np.diff(log.time_s) == pytest.approx(3600.0)
    assert log.nights == ((0, 4),)
    assert not log.dropped


def test_a_latin_1_file_and_unix_seconds_are_read(tmp_path):
    start = unix(2031, 3, 4, 19)
    text = "time,Temp °C\n" + "".join(f"{start + 600 * i:.0f},{8 - i}\n" for i in range(8))
    log = read_temperatures(write(tmp_path, text, "latin-1"))
    assert log.time_s[-1] == start + 4200
    assert log.temperature_c[-1] == 1.0


def test_columns_can_be_named_and_several_files_joined(tmp_path):
    first = write(tmp_path, table("when,t1,t2", "2031-03-04T{:02d}:00:00Z,99,{}"))
    second = tmp_path / "more.csv"
    second.write_text(table("when,t2", "2031-03-05T{:02d}:00:00Z,{}"))
    log = read_temperatures([second, first], columns={"time": "when", "temperature": "t2"})
    assert log.nights == ((0, 4), (4, 8))
    assert log.temperature_c.tolist() == [8.0, 7.0, 6.5, 6.0] * 2


def test_says_how_unit_and_zone_were_taken(tmp_path):
    notes = " ".join(read_temperatures(write(tmp_path, table("time,temp", "2031-03-04 {}:00,{}"))).notes)
    assert "as °C, for lack of a unit" in notes
    assert "taken as UTC" in notes
    notes = " ".join(read_temperatures(write(tmp_path, table("time,temp_f"))).notes)
    assert "as °F, as its name says" in notes
    assert "UTC" not in notes


def test_drops_and_names_what_cannot_be_used(tmp_path):
    rows = [f"2031-03-04T20:{m:02d}:00Z,{8 - m / 30:.2f}" for m in range(0, 60, 2)]
    rows[3] = "yesterday,7.9"
    rows[5] = "2031-03-04T20:10:00Z,n/a"
    rows[9] = rows[8]
    rows[12] = "2031-03-04T20:24:00Z,85.0"  # what a sensor says as it wakes up
    rows[20] = "2031-03-04T20:40:00Z,-9.0"
    log = read_temperatures(write(tmp_path, "time,temp_c\n" + "\n".join(rows) + "\n"))
    assert [(d.line, d.why.split()[0]) for d in log.dropped] == [
        (5, "no"), (7, "no"), (11, "same"), (14, "outside"), (22, "jumps"),
    ]  # fmt: skip
    assert len(log.time_s) == 25


@pytest.mark.parametrize("spike", [[40], [40, 41]])
def test_spikes_go_and_fronts_stay(spike):
    time_s = 60.0 * np.arange(100)
    celsius = 8.0 - time_s / 7200.0 + 0.03 * np.sin(np.arange(100.0))
    celsius[60:] -= 5.0  # a front
    assert not find_outliers(time_s, celsius).any()
    celsius[spike] += 6.0
    assert np.flatnonzero(find_outliers(time_s, celsius)).tolist() == spike


def test_rows_in_any_order_make_the_same_log(tmp_path):
    lines = table("time,temp_c").splitlines()
    log = read_temperatures(write(tmp_path, "\n".join(lines[:1] + lines[:0:-1]) + "\n"))
    assert log.temperature_c.tolist() == [8.0, 7.0, 6.5, 6.0]


@pytest.mark.parametrize("falling", [False, True])
@pytest.mark.parametrize("minutes", [60, 10])
def test_the_repeated_hour_is_told_apart(tmp_path, minutes, falling):
    # Clocks in Oslo went back at 01:00 UTC on 26 October 2031 (last Sunday of October).
    zone = ZoneInfo("Europe/Oslo")
    truth = [unix(2031, 10, 25, 20) + 60 * minutes * i for i in range(8 * 60 // minutes)]
    rows = [f"{datetime.fromtimestamp(t, zone):%Y-%m-%d %H:%M},{i / 100}" for i, t in enumerate(truth)]
    rows = rows[::-1] if falling else rows
    log = read_temperatures(write(tmp_path, "time,temp_c\n" + "\n".join(rows)), zone="Europe/Oslo")
    assert log.time_s.tolist() == truth
    assert not log.dropped


@pytest.mark.parametrize("station, repeated", [("EWR", 1), ("JFK", 1)])
def test_weather_by_local_columns_equals_weather_by_utc(station, repeated):
    kwargs = {"only": ("origin", station), "unit": "F", "night": "19:00-05:00", "zone": "America/New_York"}
    by_utc = read_temperatures(WEATHER, **kwargs)
    columns = {"time": "year+month+day+hour", "temperature": "temp"}
    by_local = read_temperatures(WEATHER, columns=columns, **kwargs)
    assert by_local.time_s.tolist() == by_utc.time_s.tolist()
    assert by_local.nights == by_utc.nights
    # Without the zone the repeated hour of 3 November cannot be told apart.
    lost = read_temperatures(WEATHER, columns=columns, only=("origin", station), unit="F")
    assert sum(d.why.startswith("same time") for d in lost.dropped) == repeated


def test_weather_loses_the_false_reading_and_the_missing_one():
    jfk = read_temperatures(WEATHER, only=("origin", "JFK"), unit="F")
    # 13.1 F at 02:00 UTC on 9 May 2013 between 57 F and 57 F
    assert unix(2013, 5, 9, 2) not in jfk.time_s
    assert [d.why for d in jfk.dropped] == ["jumps away from its neighbours and back"]
    ewr = read_temperatures(WEATHER, only=("origin", "EWR"), unit="F")
    assert [d.why for d in ewr.dropped] == ["no temperature"]
    assert jfk.temperature_c.min() > 0.0
    assert jfk.temperature_c.max() < 25.0


def test_a_log_round_the_clock_is_cut_into_nights():
    time_s = 1.9e9 // 86400 * 86400 + 600.0 * np.arange(6 * 144)
    celsius = 10.0 - 5.0 * np.cos(2.0 * np.pi * (time_s / 86400.0 - 4.5 / 24.0))  # coldest at 04:30
    nights, rule = split_nights(time_s, celsius)
    assert "19:00-05:00 UTC" in rule
    assert len(nights) == 7  # six dusks, and the rest of the night that was on at the start
    for start, stop in nights[1:-1]:
        assert time_s[start] % 86400 == 19 * 3600
        assert time_s[stop - 1] - time_s[start] == 36000
    nights, rule = split_nights(time_s, celsius, "22:00-02:00", ZoneInfo("Europe/Oslo"))
    assert "Europe/Oslo" in rule
    assert time_s[nights[1][0]] % 86400 == 21 * 3600  # 17 March 2030 has winter time, UTC+1
    whole, _ = split_nights(time_s, celsius, "all")
    assert whole == ((0, len(time_s)),)


@pytest.mark.parametrize(
    "text, kwargs, words",
    [
        ("", {}, "is empty"),
        ("time,temp_c\n", {}, "no row below the header"),
        ("time,temp_c\nx,y\n", {}, "'x' is not a time: write times like"),
        ("time,temp_c\n03/04/2031 19:00,8\n03/04/2031 20:00,7\n", {}, "'03/04/2031' may be day 3 of month 4 or day 4"),
        ("time,temp_c\n2031-03-04T19:00:00Z,y\n", {}, "no row has a time and a temperature"),
        ("a,b\n1,x\n", {}, "is the time"),
        (table("time,dew_point"), {}, "air temperature"),
        (table("time,temp_c"), {"unit": "Q"}, "not a unit"),
        (table("time,temp_c"), {"zone": "Mars/Base"}, "not a time zone"),
        (table("time,temp_c"), {"night": "dark"}, "hours of a night"),
        (table("time,temp_c"), {"columns": {"time": "when"}}, "no column 'when'"),
        (table("time,temp_c"), {"only": ("time", "x")}, "no row has time=x"),
        (table("time,temp", rows=[(h, 80.0 + h) for h in range(12, 20)]), {}, "give the unit, F or K"),
        (table("time,temp_c", rows=[(19, 8.0), (19, 6.0), (19, 3.0), (20, 5.0)]), {}, "choose one with only"),
        ("time,temp_c\n2031-03-04T19:00:00Z,8\n2031-03-04T19:05:00Z,8\n", {}, "no night"),
    ],
)
def test_says_in_one_line_what_is_wrong(tmp_path, text, kwargs, words):
    with pytest.raises(FocuskitError, match=words) as problem:
        read_temperatures(write(tmp_path, text), **kwargs)
    assert "\n" not in str(problem.value)


def test_logs_that_overlap_are_joined(tmp_path):
    early, late = tmp_path / "early.csv", tmp_path / "late.csv"
    early.write_text(table("time,temp_c"), encoding="utf-8")
    late.write_text(table("time,temp_c", rows=[*ROWS[1:], (23, 5.0)]), encoding="utf-8")
    log = read_temperatures([early, late])
    assert log.temperature_c == pytest.approx([8.0, 7.0, 6.5, 6.0, 5.0])
    assert [(d.file, d.line) for d in log.dropped] == [("late.csv", 2), ("late.csv", 3), ("late.csv", 4)]


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(FocuskitError, match=r"none\.csv"):
        read_temperatures(tmp_path / "none.csv")
