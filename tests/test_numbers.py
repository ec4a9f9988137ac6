"""Whatever the numbers of a focuser look like, and however cold it is, all answers follow.

The same night and the same season are told in other numbers: millions of steps, 0 to 100, negative ones, those
of a focuser that counts the other way, micrometres, millimetres with decimals. What is a place, a way or a slope
changes with them; what is a time, a temperature or a gain does not.
"""

import csv
import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from small_nights import START, take_run, write_run

from focuskit.cli import run as cli
from focuskit.core.optics import decimals_of
from focuskit.core.text import two_digits

SEASON = Path(__file__).parent.parent / "sample_data" / "season"
NUMBERS = {
    "millions": (1.0, 3e6), "negative": (1.0, -20_000.0), "backwards": (-1.0, 0.0), "um": (4.0, 0.0),
    "mm": (0.004, 0.0), "0 to 100": (0.01, 0.0), "fractional": (0.37, 0.25),
}  # fmt: skip
WAYS = ("position_err", "tolerance_steps")
ON_PLAN = ("frames", "exposure_s", "cost_s", "better")


def ask(capsys, *words):
    assert cli.main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def renumbered(path, scale, offset):
    """Write the sample season in other numbers."""
    with (SEASON / "runs.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        for name, value in row.items():
            if name == "position" and value:
                row[name] = repr(scale * float(value) + offset)
            elif name in WAYS and value:
                row[name] = repr(abs(scale) * float(value))
            elif name == "hfd_slope_px_per_step" and value:
                row[name] = repr(float(value) / abs(scale))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture(scope="module")
def as_it_is():
    return {}


@pytest.mark.parametrize("name", NUMBERS)
def test_a_season_in_other_numbers(tmp_path, capsys, as_it_is, name):
    if not as_it_is:
        as_it_is["offsets"] = ask(capsys, "offsets", "--runs", SEASON / "runs.csv")
        as_it_is["plan"] = ask(capsys, "plan", "--runs", SEASON / "runs.csv")["sweeps"]
    scale, offset = NUMBERS[name]
    runs = renumbered(tmp_path / "runs.csv", scale, offset)
    got, want = ask(capsys, "offsets", "--runs", runs), as_it_is["offsets"]
    close = pytest.approx
    assert got["temperature"]["steps_per_c"] == close(scale * want["temperature"]["steps_per_c"], rel=1e-5)
    assert got["temperature"]["err"] == close(abs(scale) * want["temperature"]["err"], rel=1e-4)
    assert got["scatter_steps"] == close(abs(scale) * want["scatter_steps"], rel=1e-4)
    assert [one["filter"] for one in got["filters"]] == [one["filter"] for one in want["filters"]]
    for one, other in zip(got["filters"], want["filters"], strict=True):
        assert one["offset_steps"] == close(scale * other["offset_steps"], rel=1e-4)
        assert one["err"] == close(abs(scale) * other["err"], rel=1e-4)
    assert [one["time"] for one in got["rebuilds"]] == [one["time"] for one in want["rebuilds"]]
    assert [one["time"] for one in got["runs_set_aside"]] == [one["time"] for one in want["runs_set_aside"]]
    assert got["flags"] == want["flags"]

    for one, other in zip(ask(capsys, "plan", "--runs", runs)["sweeps"], as_it_is["plan"], strict=True):
        unit = 10.0 ** -decimals_of(one["tolerance_steps"])
        assert one["centre"] == close(scale * other["centre"] + offset, abs=1e-6 * abs(scale * other["centre"]))
        steps = one["positions"]
        assert sum(steps) / len(steps) == close(one["centre"], abs=0.51 * unit)
        # A focuser of 100 steps cannot take the same ones.
        if abs(scale) >= 1.0 or unit < 1.0:
            assert {key: one[key] for key in ON_PLAN} == {key: other[key] for key in ON_PLAN}
            assert one["step"] == close(abs(scale) * other["step"], abs=0.51 * (unit + abs(scale)))


@pytest.mark.parametrize("name", ["millions", "backwards", "mm"])
def test_when_to_refocus_does_not_hang_on_the_numbers(tmp_path, capsys, name):
    scale, offset = NUMBERS[name]
    log = tmp_path / "log.csv"
    start = START.replace(tzinfo=None)
    rows = [f"{start + timedelta(minutes=10 * k):%Y-%m-%dT%H:%M:%SZ},{9 - k / 12:.2f}" for k in range(48)]
    log.write_text("\n".join(["time,temperature_c", *rows]) + "\n")
    plan = tmp_path / "plan.csv"
    plan.write_text("filter,minutes\nL,100\nHa,100\n")
    words = ("interval", "--temps", log, "--blocks", plan, "--runs")
    want = ask(capsys, *words, SEASON / "runs.csv")
    got = ask(capsys, *words, renumbered(tmp_path / "runs.csv", scale, offset))
    assert got["tolerance_steps"] == pytest.approx(abs(scale) * want["tolerance_steps"], rel=1e-3)
    assert got["recommended"] == want["recommended"]
    assert got["refocus_every_min"] == pytest.approx(want["refocus_every_min"], rel=1e-3)
    assert got["refocus_every_c"] == pytest.approx(want["refocus_every_c"], rel=1e-3)
    for one, other in zip(got["policies"], want["policies"], strict=True):
        assert one["policy"] == other["policy"]
        # The drift is drawn at random: counted the other way, other draws.
        assert one["effective_hours"] == pytest.approx(other["effective_hours"], abs=1e-3 if scale > 0 else 0.03)


@pytest.mark.parametrize("name", ["millions", "backwards", "mm"])
def test_from_frames_to_offsets(tmp_path, capsys, name):
    """Nights from -40 to +45 °C, with a known drift and offset, from the frames through the logbook."""
    scale, offset = NUMBERS[name]
    book = tmp_path / "book.sqlite"
    for k, celsius in enumerate((-40.0, -12.5, 17.0, 45.0)):
        for filter_name, shift in (("L", 0), ("Ha", 60)):
            best = 10_000 + shift - 4 * celsius
            begin = START + timedelta(days=k, hours=shift / 60)
            # Other stars each time: a run is known by its pixels.
            run = take_run(best, frames=7, seed=2 * k + shift, start=begin, temperature_c=celsius)
            told = [
                (image, {**facts, "FILTER": filter_name, "FOCUSPOS": scale * facts["FOCUSPOS"] + offset})
                for image, facts in run
            ]
            write_run(tmp_path / "night" / f"{k}{filter_name}", told)
    night = ask(capsys, "analyse", tmp_path / "night", "--logbook", book, "--workers", 1)
    assert [run["temperature_c"] for run in night["runs"]] == [-40, -40, -12.5, -12.5, 17, 17, 45, 45]
    for run in night["runs"]:
        best = 10_000 + 60 * (run["filter"] == "Ha") - 4 * run["temperature_c"]
        assert abs(run["best_position"] - (scale * best + offset)) < 4.0 * run["best_position_err"]
    learned = ask(capsys, "offsets", "--logbook", book, "--declared-only")
    assert learned["runs_set_aside"] == []
    assert learned["temperature"]["range_c"] == [-40, 45]
    assert abs(learned["temperature"]["steps_per_c"] + 4.0 * scale) < 4.0 * learned["temperature"]["err"]
    (ha,) = [one for one in learned["filters"] if one["filter"] == "Ha"]
    assert abs(ha["offset_steps"] - 60.0 * scale) < 4.0 * ha["err"]


def test_positions_are_told_in_all_their_digits(tmp_path, capsys):
    run = take_run(best_position=3_000_123)
    image, facts = run[0]
    folder = write_run(tmp_path / "night", [*run, (image * 0 + 500, {**facts, "FOCUSPOS": 3_000_321})])
    book = tmp_path / "book.sqlite"
    assert cli.main(["analyse", str(folder), "--frames", "--workers", "1", "--logbook", str(book)]) == 0
    assert cli.main(["logbook", "show", "1", "--logbook", str(book)]) == 0
    out, _ = capsys.readouterr()
    assert "e+06" not in out
    assert "  3000023  " in out


@pytest.mark.parametrize("tolerance, decimals", [(None, 0), (16.0, 0), (0.5, 0), (0.066, 3), (0.02, 3), (0.1, 2)])
def test_decimals_of_positions(tolerance, decimals):
    assert decimals_of(tolerance) == decimals


@pytest.mark.parametrize(
    "size, told", [(0.0123, "0.012"), (0.5, "0.50"), (5.34, "5.3"), (16.4, "16"), (1234.0, "1234")]
)
def test_lengths_are_told_by_their_size(size, told):
    assert two_digits(size) == told


def test_no_tolerance_is_told_as_nothing_where_positions_are_in_millimetres(tmp_path, capsys):
    run = [(image, {**facts, "FOCUSPOS": 0.004 * facts["FOCUSPOS"]}) for image, facts in take_run()]
    folder = write_run(tmp_path / "night", run)
    report = tmp_path / "night.html"
    words = [str(folder), "--workers", "1"]
    assert cli.main(["analyse", *words, "--report", str(report), "--plots", str(tmp_path), "--json"]) == 0
    told = two_digits(json.loads(capsys.readouterr().out)["runs"][0]["tolerance_steps"])
    assert told.startswith("0.0")
    assert report.read_text().count(f"±{told}") >= 2
    assert cli.main(["diagnose", *words]) == 0
    diagnosed = capsys.readouterr().out
    assert re.search(r"below [\d.]+ mm", diagnosed) and not re.search(r"\d steps", diagnosed)
    texts = [report.read_text(), diagnosed, *(path.read_text() for path in tmp_path.glob("*.svg"))]
    assert not any(re.search(r"±0(\.0+)?(?![.\d])|a move of 0 ", text) for text in texts)
