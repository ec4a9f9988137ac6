"""Tables of runs and temperatures as people keep them: each is read right at once, or refused with a way out."""

import sys
import zipfile
from datetime import UTC, datetime

import pytest

from focuskit.cli import run as cli
from focuskit.core.errors import FocuskitError
from focuskit.frames import TableReader, read_temperatures
from focuskit.logbook import read_runs

# The truth of all tables of runs: time, filter, °C, position.
RUNS = [
    (datetime(2031, 3, 14, 20, 10, tzinfo=UTC), "L", 8.0, 5012.5),
    (datetime(2031, 3, 14, 23, 45, tzinfo=UTC), "Ha", -1.5, 5074.0),
    (datetime(2031, 3, 15, 1, 5, tzinfo=UTC), "R", -2.0, 5101.25),
]
# ... and of all logs: Unix seconds and °C.
LOG_START = datetime(2031, 3, 14, 20, tzinfo=UTC).timestamp()
LOG = [(LOG_START + 1800.0 * i, c) for i, c in enumerate([8.0, 6.5, 5.0, -0.5, -1.0])]

READ_RUNS = {
    "as focuskit writes it": (
        "time,filter,temperature_c,position\n2031-03-14T20:10:00Z,L,8.0,5012.5\n"
        "2031-03-14T23:45:00Z,Ha,-1.5,5074\n2031-03-15T01:05:00Z,R,-2,5101.25\n"
    ),
    "German spreadsheet": (
        "Datum;Uhrzeit;Filter;Temperatur;Fokusposition\r\n14.03.2031;20:10;L;8,0;5.012,5\r\n"
        "14.03.2031;23:45;Ha;-1,5;5.074\r\n15.03.2031;01:05;R;-2,0;5.101,25\r\n"
    ),
    "German, two-digit years, a true minus, Uhr": (
        "Datum / Uhrzeit;Filter;Außentemperatur [°C];Schritte\n14.3.31 20:10 Uhr;L;8;5012,5\n"
        "14.3.31 23:45 Uhr;Ha;−1,5;5074\n15.3.31 1:05 Uhr;R;−2;5101,25\n"
    ),
    "French": (
        "Date;Heure;Filtre;Température (°C);Mise au point (pas)\n14/03/2031;20h10;L;8,0;5 012,5\n"
        "14/03/2031;23h45;Ha;-1,5;5 074\n15/03/2031;01h05;R;-2,0;5 101,25\n"
    ),
    "Spanish": (
        "Fecha\tHora\tFiltro\tTemperatura exterior\tPosición del enfoque\n14-03-2031\t20:10\tL\t8,0\t5012,5\n"
        "14-03-2031\t23:45\tHa\t-1,5\t5074,0\n15-03-2031\t1:05\tR\t-2,0\t5101,25\n"
    ),
    "Italian": (
        "Data;Ora;Filtro;Temperatura;Posizione fuoco\n14/03/2031;20.10;L;8,0;5012,5\n"
        "14/03/2031;23.45;Ha;-1,5;5074,0\n15/03/2031;01.05;R;-2,0;5101,25\n"
    ),
    "US spreadsheet": (
        "Date,Time,Filter,Temp (F),Focus position\n3/14/2031,8:10:00 PM,L,46.4,\"5,012.5\"\n"
        "3/14/2031,11:45:00 PM,Ha,29.3,\"5,074.0\"\n3/15/2031,1:05:00 AM,R,28.4,\"5,101.25\"\n"
    ),
    "US, date and time in one column, a unit in the cells": (
        "When,Filter,Ambient,Focuser\n03/14/2031 8:10 PM,L,46.4 °F,5012.5\n"
        "03/14/2031 11:45 PM,Ha,29.3 °F,5074\n03/15/2031 1:05 AM,R,28.4 °F,5101.25\n"
    ),
    "kelvin": (
        "utc,filter,temp_K,best_focus\n2031-03-14 20:10,L,281.15,5012.5\n2031-03-14 23:45,Ha,271.65,5074\n"
        "2031-03-15 01:05,R,271.15,5101.25\n"
    ),
    "units in a second header line": (
        "Zeit;Filter;Temperatur;Fokus\nUTC;;°F;Schritte\n2031-03-14 20:10;L;46,4;5012,5\n"
        "2031-03-14 23:45;Ha;29,3;5074,0\n2031-03-15 01:05;R;28,4;5101,25\n"
    ),
    "lines above the header": (
        "Observatory log;;;\nOwner: N. N.;;;\n\nTime (UTC);Filter;Temp [°C];Position\n2031-03-14 20:10;L;8.0;5012.5\n"
        "2031-03-14 23:45;Ha;-1.5;5074.0\n2031-03-15 01:05;R;-2.0;5101.25\n"
    ),
    "comment lines": (
        "# kept by hand since spring\ntime,filter,temp_c,pos\n2031-03-14 20:10,L,8.0,5012.5\n# clouds\n"
        "2031-03-14 23:45,Ha,-1.5,5074\n2031-03-15 01:05,R,-2,5101.25\n"
    ),
    "a commented header": (
        "# time filter temp_c position\n2031-03-14T20:10 L 8.0 5012.5\n2031-03-14T23:45 Ha -1.5 5074\n"
        "2031-03-15T01:05 R -2 5101.25\n"
    ),
    "columns parted by blanks": (
        "Date        Time   Filter  Temp C   Position\n2031-03-14  20:10  L       8.0      5012.5\n"
        "2031-03-14  23:45  Ha      -1.5     5074\n2031-03-15  01:05  R       -2.0     5101.25\n"
    ),
    "single blanks, date and time under one name": (
        "time filter temp_c position\n2031-03-14 20:10 L 8.0 5012.5\n2031-03-14 23:45 Ha -1.5 5074\n"
        "2031-03-15 01:05 R -2 5101.25\n"
    ),
    "upright strokes": (
        "| time | filter | temp °C | position |\n|---|---|---:|---:|\n| 2031-03-14 20:10 | L | 8.0 | 5012.5 |\n"
        "| 2031-03-14 23:45 | Ha | -1.5 | 5074 |\n| 2031-03-15 01:05 | R | -2 | 5101.25 |\n"
    ),
    "numbers of a spreadsheet for the time": (
        "Zeit;Filter;Temp;Position\n47921,840278;L;8,0;5012,5\n47921,989583;Ha;-1,5;5074,0\n47922,045139;R;-2,0;5101,25\n"
    ),
    "Unix seconds": (
        "timestamp,filter,temp_c,position\n1931285400,L,8.0,5012.5\n1931298300,Ha,-1.5,5074\n1931303100,R,-2,5101.25\n"
    ),
    "Unix milliseconds": (
        "timestamp,filter,temp_c,position\n1931285400000,L,8.0,5012.5\n1931298300000,Ha,-1.5,5074\n"
        "1931303100000,R,-2,5101.25\n"
    ),
    "the date only where it changes": (
        "Date,Time,Filter,Temp (C),Focus\n2031-03-14,20:10,L,8.0,5012.5\n"
        ",23:45,Ha,-1.5,5074\n2031-03-15,01:05,R,-2,5101.25\n"
    ),
    "the date of the evening": (
        "Night of,Time,Filter,Temp (C),Focus\n2031-03-14,20:10,L,8.0,5012.5\n2031-03-14,23:45,Ha,-1.5,5074\n"
        "2031-03-14,01:05,R,-2,5101.25\n"
    ),
    "months by name": (
        "Date,Filter,Temp (C),Focus\n14 Mar 2031 20:10,L,8.0,5012.5\n14 Mar 2031 23:45,Ha,-1.5,5074\n"
        "15 Mar 2031 01:05,R,-2,5101.25\n"
    ),
    "the error in the same cell": (
        "time,filter,temp_c,best position\n2031-03-14 20:10,L,8.0,5012.5 ± 1.2\n2031-03-14 23:45,Ha,-1.5,5074 ± 2\n"
        "2031-03-15 01:05,R,-2,5101.25 ± 1.5\n"
    ),
    "more columns than needed": (
        "Nr;Objekt;Beginn (UTC);Filter;Belichtung;HFD;CCD-Temp;Außentemp.;Luftfeuchte;Fokus;Bemerkung\n"
        "1;M 1;2031-03-14 20:10;L;2;2,4;-15;8,0;70;5012,5;gut\n2;M 1;2031-03-14 23:45;Ha;40;2,6;-15;-1,5;80;5074,0;\n"
        "3;M 1;2031-03-15 01:05;R;2;2,5;-15;-2,0;85;5101,25;Wind\n"
    ),
    "no header": (
        "2031-03-14 20:10,L,8.0,5012.5\n2031-03-14 23:45,Ha,-1.5,5074\n2031-03-15 01:05,R,-2,5101.25\n"
    ),
    "an ISO date with am and pm": (
        "time,filter,temp_c,position\n2031-03-14 8:10 PM,L,8.0,5012.5\n2031-03-14 11:45 PM,Ha,-1.5,5074\n"
        "2031-03-15 1:05 AM,R,-2,5101.25\n"
    ),
    "columns out of order, capitals": (
        "POSITION;FILTER;TEMPERATURE_C;TIME\n5012.5;L;8.0;2031-03-14T20:10:00Z\n5074.0;Ha;-1.5;2031-03-14T23:45:00Z\n"
        "5101.25;R;-2.0;2031-03-15T01:05:00Z\n"
    ),
    "what a spreadsheet says of its separator": (
        "sep=;\nTime;Filter;Temp C;Pos\n2031-03-14 20:10;L;8.0;5012.5\n2031-03-14 23:45;Ha;-1.5;5074.0\n"
        "2031-03-15 01:05;R;-2.0;5101.25\n"
    ),
}  # fmt: skip

READ_LOGS = {
    "as focuskit reads it": "time,temperature_c\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%dT%H:%M:%SZ},{c}\n" for t, c in LOG
    ),
    "a German logger": "Logger Nr. 17\nStandort: Garten\nMessintervall: 30 min\n\n"
    "Datum;Uhrzeit;Temperatur [°C];Feuchte [%]\n"
    + "".join(f"{datetime.fromtimestamp(t, UTC):%d.%m.%Y;%H:%M};{str(c).replace('.', ',')};80\n" for t, c in LOG),
    "°F by name": "Timestamp,Outdoor Temp (F),Indoor Temp (F)\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%m/%d/%Y %I:%M %p},{c * 1.8 + 32:.1f},68\n" for t, c in LOG
    ),
    "both units": "time,temp °C,temp °F\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M},{c},{c * 1.8 + 32:.1f}\n" for t, c in LOG
    ),
    "the unit above the header": "Device: sensor 4\nUnit: °F\n\ntime;value\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M};{c * 1.8 + 32:.1f}\n" for t, c in LOG
    ),
    "long, several sensors": "time,sensor,value\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M},{name},{value}\n"
        for t, c in LOG for name, value in (("outside temperature", c), ("mirror temperature", 12.0), ("humidity", 81))
    ),
    "two sensors that agree": "time,T1 temp,T2 temp\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M},{c},{c + 0.2:.1f}\n" for t, c in LOG
    ),
    "a French station": "Horodatage;Température extérieure;Pression\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%d/%m/%Y %H:%M};{str(c).replace('.', ',')};1013\n" for t, c in LOG
    ),
    "blanks and a decimal comma": "".join(
        f"{datetime.fromtimestamp(t, UTC):%d.%m.%Y %H:%M}   {c:5.1f}\n".replace(".0\n", ",0\n").replace(".5\n", ",5\n")
        for t, c in LOG
    ),
    "Julian dates": "jd,air temp C\n" + "".join(f"{t / 86400 + 2440587.5:.6f},{c}\n" for t, c in LOG),
    "hundredths of kelvin away from ice": "time,temp [K]\n" + "".join(f"{t:.0f},{c + 273.15:.2f}\n" for t, c in LOG),
    "a logger that begins again": "Date,Time,Temp C\n" + "".join(
        ("Date,Time,Temp C\n" if i == 3 else "") + f"{datetime.fromtimestamp(t, UTC):%Y/%m/%d,%H:%M:%S},{c}\n"
        for i, (t, c) in enumerate(LOG)
    ),
    "date and time without marks": "Stationsname;Messdatum;Lufttemperatur_2m\n" + "".join(
        f"Heide;{datetime.fromtimestamp(t, UTC):%Y%m%d%H%M};{str(c).replace('.', ',')}\n" for t, c in LOG
    ),
    "Unix seconds without a header": "".join(f"{t:.0f} {c}\n" for t, c in LOG),
    "parts of a day beside days of a spreadsheet": "Date,Time,Temp C\n" + "".join(
        f"{(t / 86400 + 25569) // 1:.0f},{t / 86400 % 1:.7f},{c}\n" for t, c in LOG
    ),
    "year, month, day, hour, minute": "Jahr;Monat;Tag;Stunde;Minute;Temperatur\n" + "".join(
        f"{datetime.fromtimestamp(t, UTC):%Y;%m;%d;%H;%M};{c}\n" for t, c in LOG
    ),
}  # fmt: skip

# What is refused: the table, what the line says, and the option that settles it.
REFUSED_RUNS = {
    "day or month": (
        "Date,Time,Filter,Temp (C),Focus\n03/04/2031,20:10,L,8.0,5012.5\n05/04/2031,20:10,L,7.0,5020\n",
        "'03/04/2031' may be day 3 of month 4 or day 4 of month 3", "--dates",
    ),
    "°C or °F": (
        "time,filter,temp,position\n2031-01-14 20:10,L,31.5,5012\n2031-01-14 21:10,L,28.0,5030\n",
        "names no unit, and 29.75 may be °C or °F", "--unit",
    ),
    "thousands or three decimals": (
        "time;filter;temp_c;position\n2031-01-14 20:10;L;3;5.012\n2031-01-14 21:10;L;2;5.030\n",
        "'5.012' may be 5012 or 5 and a part", "--decimal",
    ),
    "decimal commas between commas": (
        "time,filter,temp_c,position\n2031-01-14 20:10,L,3,5,5012,5\n2031-01-14 21:10,L,2,1,5030,0\n",
        "more cells than the header", "semicolons",
    ),
    "two positions": (
        "time,filter,temp_c,pos A,pos B\n2031-01-14 20:10,L,3,5012,6000\n2031-01-14 21:10,L,2,5030,6010\n",
        "which of 'pos A', 'pos B' is the position?", "--columns",
    ),
    "no date": ("time,filter,temp_c,position\n20:10,L,3,5012\n21:10,L,2,5030\n", "no column has the date", "--columns"),
    "evenings without a word": (
        "Date,Time,Filter,Temp (C),Focus\n2031-03-14,23:45,L,3,5012\n2031-03-14,01:05,L,2,5030\n",
        "if a date is that of the evening", "--dates evening",
    ),
}  # fmt: skip
REFUSED_LOGS = {
    "°C or °F": ("time,temp\n2031-01-14 20:00,31.0\n2031-01-14 21:00,28.0\n", "may be °C or °F", "--unit"),
    "day or month": (
        "Date,Temp (C)\n03/04/2031 20:00,3\n03/04/2031 21:00,2\n", "may be day 3 of month 4", "--dates",
    ),
    "two sensors that disagree": (
        "time,T1 temp,T2 temp\n2031-01-14 20:00,3,9\n2031-01-14 21:00,2,9\n",
        "which of 'T1 temp', 'T2 temp'", "--temps-columns",
    ),
    "two stations": (
        "time,station,temp_c\n2031-01-14 20:00,A,3\n2031-01-14 20:00,B,9\n2031-01-14 21:00,A,2\n2031-01-14 21:00,B,9\n",
        "several sensors", "--only",
    ),
}  # fmt: skip


def write(tmp_path, text, encoding="utf-8", name="table.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def assert_runs(runs):
    assert [(run.time, run.filter) for run in runs] == [row[:2] for row in RUNS]
    assert [run.temperature_c for run in runs] == pytest.approx([row[2] for row in RUNS], abs=0.03)
    assert [run.position for run in runs] == pytest.approx([row[3] for row in RUNS])


def assert_log(log):
    assert log.time_s == pytest.approx([t for t, _ in LOG], abs=0.5)
    assert log.temperature_c == pytest.approx([c for _, c in LOG], abs=0.03)


@pytest.mark.parametrize("kind", READ_RUNS)
def test_tables_of_runs_are_read_at_once(tmp_path, kind):
    readings = []
    assert_runs(read_runs(write(tmp_path, READ_RUNS[kind]), readings=readings))
    # What focuskit writes itself needs no word; all else has three lines.
    assert len(readings[0].account) == (0 if kind == "as focuskit writes it" else 3)


@pytest.mark.parametrize("kind", READ_LOGS)
def test_logs_are_read_at_once(tmp_path, kind):
    log = read_temperatures(write(tmp_path, READ_LOGS[kind]))
    assert_log(log)
    assert len(log.readings[0].account) == (0 if kind == "as focuskit reads it" else 3)
    assert not log.dropped


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_every_encoding_is_read(tmp_path, encoding):
    text = READ_RUNS["German spreadsheet"].replace("Temperatur", "Außentemperatur")
    assert_runs(read_runs(write(tmp_path, text, encoding)))


@pytest.mark.parametrize("kind", REFUSED_RUNS)
def test_what_nothing_decides_is_refused_with_the_option_that_does(tmp_path, capsys, kind):
    text, said, option = REFUSED_RUNS[kind]
    assert cli.main(["offsets", "--runs", str(write(tmp_path, text))]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line
    assert option in line


@pytest.mark.parametrize("kind", REFUSED_LOGS)
def test_a_log_that_nothing_decides_is_refused(tmp_path, capsys, kind):
    text, said, option = REFUSED_LOGS[kind]
    known = ["--steps-per-c", "-6.5", "--best-hfd", "5.9", "--slope", "0.114", "--run-cost", "95"]
    assert cli.main(["interval", "--temps", str(write(tmp_path, text)), *known, "--position-err", "1.5"]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line
    assert option in line


def test_a_spreadsheet_is_read_with_its_dates_and_numbers(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    notes, sheet = book.active, book.create_sheet("Fokus")
    notes.title = "leer"
    sheet.append(["Sternwarte", None, None, None])
    sheet.append(["Datum", "Uhrzeit", "Filter", "Temperatur", "Fokusposition"])
    for moment, name, celsius, position in RUNS:
        sheet.append([moment.date(), moment.time(), name, celsius, position])
    book.save(tmp_path / "runs.xlsx")
    readings = []
    assert_runs(read_runs(tmp_path / "runs.xlsx", readings=readings))
    assert "sheet 'Fokus', not leer" in readings[0].account[0]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("xl/workbook.xml", "a spreadsheet needs one more package: pip install 'focuskit[xlsx]' (or save it as CSV)"),
        ("content.xml", "is no table that can be read; save it as CSV or .xlsx"),
    ],
)
def test_a_spreadsheet_that_cannot_be_read_is_refused_in_one_line(tmp_path, capsys, monkeypatch, content, said):
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with zipfile.ZipFile(tmp_path / "runs.xlsx", "w") as packed:
        packed.writestr(content, "")
    assert cli.main(["offsets", "--runs", str(tmp_path / "runs.xlsx")]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


def test_two_digits_of_a_year_that_may_stand_first_or_last_are_refused(tmp_path):
    path = write(tmp_path, "date,time,filter,temp_c,pos\n31/01/14,20:10,L,3,5012\n31/01/15,20:10,L,2,5030\n")
    with pytest.raises(FocuskitError, match="'31/01/14' may begin with the year or end with it") as problem:
        read_runs(path)
    assert problem.value.argument == "dates"


@pytest.mark.parametrize(("unit", "month", "read"), [("", "07", True), ("", "01", False), (" (C)", "01", True)])
def test_degrees_without_a_unit_are_read_where_only_one_is_usual(tmp_path, unit, month, read):
    """18 is no temperature of a summer night in °F, and a usual one of a winter night."""
    text = f"time,filter,temp{unit},position\n2031-{month}-14 20:10,L,18,5012\n2031-{month}-14 21:10,L,17,5030\n"
    path = write(tmp_path, text)
    if read:
        assert [run.temperature_c for run in read_runs(path)] == [18.0, 17.0]
    else:
        with pytest.raises(FocuskitError, match="may be °C or °F"):
            read_runs(path)
        assert [run.temperature_c for run in read_runs(path, reader=TableReader(unit="F"))] == pytest.approx(
            [-7.78, -8.33], abs=0.01
        )


def test_what_is_assumed_is_said(tmp_path):
    readings = []
    text = "Local time;Filter;Temp;Fokus\n2031-03-14 20:10;L;8,0;5012\n2031-03-14 21:10;L;7,5;5015\n"
    read_runs(write(tmp_path, text), readings=readings)
    first, second, third = readings[0].account
    assert "time from 'Local time', filter from 'Filter', position from 'Fokus', temperature from 'Temp' in °C" in first
    assert second.endswith("the first rows are 2031-03-14 20:10 L 5012 8 °C | 2031-03-14 21:10 L 5015 7.5 °C")
    assert "in °C, as in the countries of its words, numbers or dates" in third
    assert "times are UTC, although 'Local time' says otherwise (--zone names another)" in third


def test_what_the_user_says_decides(tmp_path):
    text = "a;b;c;d;e\n03/04/2031;20:10;5.012;281.2;L\n05/04/2031;20:10;5.031;280.2;L\n"
    columns = {"time": "a+b", "position": "3", "temperature": "d", "filter": "e"}
    reader = TableReader(unit="K", decimal="point", dates=["month-first"])
    first, second = read_runs(write(tmp_path, text), columns, reader=reader)
    assert (first.time, first.position) == (datetime(2031, 3, 4, 20, 10, tzinfo=UTC), 5.012)
    assert [first.temperature_c, second.temperature_c] == pytest.approx([8.05, 7.05])
