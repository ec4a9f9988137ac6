"""Tables of runs: what people's CSV files look like."""

import random
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from astropy.table import Table
from hypothesis import given
from hypothesis import strategies as st

from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.logbook import read_runs, write_csv, write_ecsv


def write(folder, text, encoding="utf-8"):
    path = folder / "runs.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_reads_the_four_columns(tmp_path):
    path = write(tmp_path, "time,filter,temperature_c,position\n2031-03-04T20:10:00Z,L,8.01,5012.4\n")
    assert read_runs(path) == [LoggedRun(datetime(2031, 3, 4, 20, 10, tzinfo=UTC), 5012.4, "L", 8.01)]


def test_reads_what_spreadsheets_write(tmp_path):
    text = "\ufeffTime;Filter;Temperature_C;Position;rig\r\n\r\n"
    text += '"2031-03-04 20:10:00";"H ""a""";8,01;"5012,4";\r\n;;;;\r\n'
    (run,) = read_runs(write(tmp_path, text))
    assert (run.filter, run.temperature_c, run.position, run.rig) == ('H "a"', 8.01, 5012.4, None)


def test_columns_and_zone_are_mapped(tmp_path):
    path = write(tmp_path, "when\tT\tfocus\tother\n2031-07-04 22:10\t8.0\t5012\tx\n")
    mapped = {"time": "when", "temperature_c": "T", "position": "focus"}
    (run,) = read_runs(path, mapped, ZoneInfo("Europe/Oslo"))
    assert run == LoggedRun(datetime(2031, 7, 4, 20, 10, tzinfo=UTC), 5012.0, None, 8.0)


def test_empty_cells_are_unknown(tmp_path):
    text = "time,filter,temperature_c,position,position_err\n2031-03-04,,nan,,0\n2031-03-05,L,n/a,12,-1\n"
    first, second = read_runs(write(tmp_path, text))
    assert (first.filter, first.temperature_c, first.position, first.position_err) == (None, None, None, None)
    assert (second.temperature_c, second.position, second.position_err) == (None, 12.0, None)


@pytest.mark.parametrize(
    "text, said",
    [
        (
            "time,temperature_c,position\n2031-03-04,8,5012\n2031-03-05,8,much\n",
            r"row 3: position 'much' is not a number",
        ),
        (
            "time,temperature_c,position\n\n\n2031-03-04,8;1,5012\n",
            r"row 4: temperature_c '8;1' is not a number",
        ),
        ("time,temperature_c,position\nsoon,8,5012\n", r"row 2: 'soon' is not a time"),
        ("time,temperature_c,position\n,8,5012\n", r"row 2: the time is missing"),
        ("time,temperature_c\n2031-03-04,8\n", r"no column 'position'; say which of time, temperature_c it is"),
        (
            "time,temperature_c,position,excluded\n2031-03-04,8,5012,perhaps\n",
            r"row 2: excluded is 'perhaps'",
        ),
        ("", r"is empty"),
        ("\n\n", r"is empty"),
        ("a\0b", r"not a text file"),
        ('time,temperature_c,position\n"2031', r"row 2: "),
    ],
)
def test_errors_name_file_row_and_cell(tmp_path, text, said):
    path = write(tmp_path, text)
    with pytest.raises(FocuskitError, match=said) as caught:
        read_runs(path)
    assert "runs.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_other_errors_are_one_line(tmp_path):
    with pytest.raises(FocuskitError, match="cannot be read"):
        read_runs(tmp_path / "none.csv")
    path = write(tmp_path, "time,temperature_c,position\n")
    with pytest.raises(FocuskitError, match="no column 'focus'; the columns are time"):
        read_runs(path, {"position": "focus"})
    with pytest.raises(FocuskitError, match="no column of a run is called 'focus'"):
        read_runs(path, {"focus": "position"})


def example_runs():
    rng = random.Random(4)
    return [
        LoggedRun(
            time=datetime(2031, 3, 4 + i, 20, 10, 30, 250000 * i, tzinfo=UTC), position=rng.uniform(0, 2e4),
            filter="Ha", temperature_c=rng.uniform(-20, 20), position_err=rng.uniform(0, 3), rig="=Heron+1",
            verdict="good", frames=9,
            hfd_best_px=5.9, hfd_slope_px_per_step=0.114, tolerance_steps=16.0, exposure_s=2.0, seconds=95.0,
            key=f"k{i}", excluded=bool(i % 2), note='@quoted, "text"',
            other_temperature_c=rng.uniform(-20, 20), altitude_deg=61.5, pier_side="east",
        )
        for i in range(4)
    ]  # fmt: skip


def test_csv_comes_back_as_it_was_and_holds_no_formula(tmp_path):
    runs = [*example_runs(), LoggedRun(datetime(2031, 4, 1, tzinfo=UTC), None)]
    write_csv(tmp_path / "out.csv", runs)
    assert read_runs(tmp_path / "out.csv") == runs
    text = (tmp_path / "out.csv").read_text(encoding="utf-8")
    assert ",'=Heron+1," in text
    assert "\"'@quoted" in text


@given(
    st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\0\r\n", exclude_categories=("Cc", "Zl", "Zp")))
)
def test_any_note_comes_back(tmp_path_factory, note):
    path = tmp_path_factory.mktemp("notes") / "out.csv"
    write_csv(path, [LoggedRun(datetime(2031, 4, 1, tzinfo=UTC), 1.0, note=note)])
    (run,) = read_runs(path)
    # outer blanks are trimmed, and words for an unknown value are one
    unknown = note.strip().lower() in {"", "na", "n/a", "nan", "null", "none"}
    assert run.note == (None if unknown else note.strip())


def test_ecsv_has_units_and_masks(tmp_path):
    runs = [*example_runs(), LoggedRun(datetime(2031, 4, 1, tzinfo=UTC), None)]
    write_ecsv(tmp_path / "out.ecsv", runs)
    table = Table.read(tmp_path / "out.ecsv", format="ascii.ecsv")
    assert table["temperature_c"].unit == "deg_C"
    assert table["position"][0] == runs[0].position
    assert bool(table["position"].mask[-1])
    assert table["time"][0] == "2031-03-04T20:10:30Z"
    with pytest.raises(FocuskitError, match="cannot be written"):
        write_ecsv(tmp_path / "none" / "out.ecsv", runs)
    with pytest.raises(FocuskitError, match="cannot be written"):
        write_csv(tmp_path / "none" / "out.csv", runs)
