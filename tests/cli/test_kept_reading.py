"""What the rig file keeps of how tables are read, and which filters are one."""

import json
import tomllib

import pytest

from focuskit.cli.run import main
from focuskit.frames import read_rig_file

ROWS = [("L", 8.0, 5012), ("Lum", 6.5, 5022), ("Ha", 5.0, 5094), ("L", 3.5, 5041), ("Ha", 2.0, 5113), ("L", 0.5, 5061)]
TABLE = "Date;Clock;Glass;T;Where\n" + "".join(
    f"0{k + 1}/04/2031;20:10;{name};{c * 1.8 + 32:.1f};{position}\n" for k, (name, c, position) in enumerate(ROWS)
)
SAID = [
    "--columns", "time=Date+Clock,position=Where,filter=Glass", "--unit", "F", "--dates", "month-first",
    "--join-filters",
]  # fmt: skip


def offsets(capsys, *words):
    status = main(["offsets", "--json", *map(str, words)])
    seen = capsys.readouterr()
    return status, json.loads(seen.out) if status == 0 else None, seen.err


@pytest.mark.parametrize(
    "before", [None, "", '# my rig\nname = "Heron"\n\n[filters]\nHa = 656.3  # 7 nm\n\n[columns]\nrig = "R"\n']
)
def test_the_reading_is_kept_with_one_option(tmp_path, capsys, before):
    """What had to be said once need not be said again; what stood in the rig file stays."""
    table, rig = tmp_path / "runs.csv", tmp_path / "rig.toml"
    table.write_text(TABLE, encoding="utf-8")
    if before is not None:
        rig.write_text(before, encoding="utf-8")
    assert offsets(capsys, "--runs", table, "--no-rig")[0] == 1
    status, first, _ = offsets(capsys, "--runs", table, "--rig", rig, *SAID, "--keep-reading")
    assert status == 0
    status, again, err = offsets(capsys, "--runs", table, "--rig", rig)
    assert status == 0
    assert again == first
    assert "look like one filter" not in err
    assert {one["filter"] for one in again["filters"]} == {"L", "Ha"}
    kept = tomllib.loads(rig.read_text(encoding="utf-8"))
    assert kept["columns"]["time"] == "Date+Clock"
    assert kept["tables"] == {"unit": "F", "dates": "month-first"}
    for line in (before or "").splitlines():
        assert line in rig.read_text(encoding="utf-8").splitlines()
    assert read_rig_file(rig).filters.name("Lum") == "L"
    # Another table is read as ever.
    plain = tmp_path / "plain.csv"
    rows = "".join(f"2031-04-0{k + 1}T20:10:00Z,{n},{c},{p}\n" for k, (n, c, p) in enumerate(ROWS))
    plain.write_text("time,filter,temperature_c,position\n" + rows, encoding="utf-8")
    assert offsets(capsys, "--runs", plain, "--rig", rig)[1]["temperature"] == first["temperature"]


def test_a_rig_file_in_another_form_is_left_as_it_was(tmp_path, capsys):
    table, rig = tmp_path / "runs.csv", tmp_path / "rig.toml"
    table.write_text(TABLE, encoding="utf-8")
    rig.write_text('columns = { rig = "R" }\n', encoding="utf-8")
    status, _, err = offsets(capsys, "--runs", table, "--rig", rig, *SAID, "--keep-reading")
    assert status == 1
    assert "is left as it was" in err.splitlines()[-1]
    assert '[columns] time = "Date+Clock"' in err.splitlines()[-1]
    assert rig.read_text(encoding="utf-8") == 'columns = { rig = "R" }\n'


def test_without_a_rig_file_nothing_is_kept(tmp_path, capsys):
    table = tmp_path / "runs.csv"
    table.write_text(TABLE, encoding="utf-8")
    status, _, err = offsets(capsys, "--runs", table, "--keep-reading", *SAID)
    assert status == 1
    assert err.splitlines()[-1].endswith("name it with --rig FILE")


def test_a_table_without_temperatures_takes_those_of_a_weather_station(tmp_path, capsys):
    """The same drift comes of a table with temperatures as of one without and a log that has them."""
    rows = [(f"2031-04-0{1 + k // 3} {20 + k % 3}:10", n, c, p) for k, (n, c, p) in enumerate(ROWS)]
    log, with_c, without = tmp_path / "log.csv", tmp_path / "with.csv", tmp_path / "without.csv"
    log.write_text("Time UTC,Temp (F)\n" + "".join(f"{t},{c * 1.8 + 32}\n" for t, _, c, _ in rows), encoding="utf-8")
    with_c.write_text(
        "when,filter,temp_c,pos\n" + "".join(f"{t},{n},{c},{p}\n" for t, n, c, p in rows), encoding="utf-8"
    )
    without.write_text("when,filter,pos\n" + "".join(f"{t},{n},{p}\n" for t, n, _, p in rows), encoding="utf-8")
    assert "no_thermometer" in offsets(capsys, "--runs", without)[1]["flags"]
    expected = offsets(capsys, "--runs", with_c, "--temps", log)[1]
    answer = offsets(capsys, "--runs", without, "--temps", log)[1]
    assert answer["temperature"]["steps_per_c"] == pytest.approx(expected["temperature"]["steps_per_c"], rel=0.01)
