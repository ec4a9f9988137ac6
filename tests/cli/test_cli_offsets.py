"""The commands offsets and logbook, as a user meets them."""

import csv
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from invented_seasons import make_season
from matplotlib.axes import Axes

from focuskit.cli import sources as cli_sources
from focuskit.cli.parser import build_parser
from focuskit.cli.run import main, run_parsed
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.text import plus_minus
from focuskit.drift import fit_drift
from focuskit.logbook import read_runs, write_csv
from focuskit.show import plots

SEASON = Path(__file__).parents[2] / "sample_data" / "season"
TRUTH = json.loads((SEASON / "truth.json").read_text(encoding="utf-8"))


def call(*words):
    return run_parsed(build_parser().parse_args([str(word) for word in words]))


def ask(capsys, *words):
    assert call("offsets", *words, "--json") == 0
    return json.loads(capsys.readouterr().out)


def test_the_sample_season_gives_back_its_truth(capsys):
    answer = ask(capsys, "--runs", SEASON / "runs.csv", "--temps", SEASON / "temperatures.csv")
    drift = answer["temperature"]
    assert abs(drift["steps_per_c"] - TRUTH["steps_per_c"]) < 3.0 * drift["err"]
    for one in answer["filters"]:
        assert abs(one["offset_steps"] - TRUTH["offset_steps"][one["filter"]]) <= 3.0 * one["err"]
    (rebuild,) = answer["rebuilds"]
    assert rebuild["time"] == TRUTH["rebuild"]["time"]
    assert abs(rebuild["jump_steps"] - TRUTH["rebuild"]["jump_steps"]) < 3.0 * rebuild["err"]
    assert [one["time"] for one in answer["runs_set_aside"]] == TRUTH["wild_runs"]
    assert answer["runs_used"] == 118
    assert answer["flags"] == ["wild_runs", "rebuild_found"]


def test_two_spellings_of_one_filter_are_pointed_out_until_the_rig_file_joins_them(capsys, tmp_path):
    runs = read_runs(SEASON / "runs.csv")[:40]
    first = next(i for i, run in enumerate(runs) if run.filter == "Ha")
    runs[first] = replace(runs[first], filter="H-alpha 7nm")
    write_csv(tmp_path / "runs.csv", runs)
    assert call("offsets", "--runs", tmp_path / "runs.csv", "--json") == 0
    seen = capsys.readouterr()
    assert "'H-alpha 7nm' and 'Ha' look like one filter" in seen.err
    assert "--join-filters" in seen.err
    assert seen.err.count("\n") == 1
    assert "H-alpha 7nm" in [one["filter"] for one in json.loads(seen.out)["filters"]]
    assert call("offsets", "--runs", tmp_path / "runs.csv", "--join-filters", "--json") == 0
    seen = capsys.readouterr()
    assert seen.err == ""
    joined = json.loads(seen.out)["filters"]
    assert "H-alpha 7nm" not in [one["filter"] for one in joined]
    (tmp_path / "rig.toml").write_text('[filters]\nHa = {also = ["H-alpha 7nm"]}\n')
    assert call("offsets", "--runs", tmp_path / "runs.csv", "--rig", tmp_path / "rig.toml", "--json") == 0
    seen = capsys.readouterr()
    assert "look like one" not in seen.err
    assert json.loads(seen.out)["filters"] == joined


def test_the_sample_season_is_what_its_script_writes(tmp_path, monkeypatch):
    import importlib.util

    path = SEASON.parent.parent / "scripts" / "make_sample_season.py"
    spec = importlib.util.spec_from_file_location("make_sample_season", path)
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    monkeypatch.setattr(script, "FOLDER", tmp_path)
    script.main()
    for name in ("runs.csv", "temperatures.csv", "truth.json"):
        assert (tmp_path / name).read_bytes() == (SEASON / name).read_bytes()


def test_text_spells_out_the_sign_and_warns(capsys):
    assert call("offsets", "--runs", SEASON / "runs.csv", "--at", "4.5", "--filter", "ha") == 0
    text = capsys.readouterr().out
    assert "It cools by 5 °C: move 32 steps outward (a higher position is taken as outward)." in text
    assert "Best position in Ha at 4.5 °C: 8187" in text
    assert "travel that the maker of the focuser allows" in text
    assert re.search(r"2031-10-12T19:26:54Z +L +wild: -119 steps off", text)
    assert "rebuild_found: " in text


def test_a_focuser_that_runs_the_other_way_moves_inward(capsys, tmp_path):
    runs = [LoggedRun(datetime(2031, 3, 4 + i, 20, tzinfo=UTC), 5000.0 + 4.0 * i, "L", 1.0 * i, 1.0) for i in range(12)]
    write_csv(tmp_path / "runs.csv", runs)
    assert call("offsets", "--runs", tmp_path / "runs.csv") == 0
    assert "It cools by 5 °C: move 20 steps inward" in capsys.readouterr().out


def test_columns_rebuilds_and_filter_names_from_a_rig_file(capsys, tmp_path):
    with (SEASON / "runs.csv").open(encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    rows[0][0], rows[0][3] = "when", "focus"
    for row in rows[1:]:
        row[1] = "H-alpha" if row[1] == "Ha" else row[1]
    with (tmp_path / "mine.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, delimiter=";").writerows(rows)
    (tmp_path / "rig.toml").write_text(
        'rebuilds = ["2031-10-04T12:00:00Z"]\n[columns]\ntime = "when"\nposition = "focus"\n'
        '[filters]\nHa = { also = ["H-alpha"] }\n',
        encoding="utf-8",
    )
    answer = ask(capsys, "--runs", tmp_path / "mine.csv", "--rig", tmp_path / "rig.toml", "--declared-only")
    assert [(r["time"], r["declared"]) for r in answer["rebuilds"]] == [("2031-10-04T12:00:00Z", True)]
    assert "Ha" in {one["filter"] for one in answer["filters"]}
    same = ask(capsys, "--runs", tmp_path / "mine.csv", "--columns", "time=when,position=focus",
               "--rebuild", "2031-10-04T12:00:00Z", "--reference-filter", "R")  # fmt: skip
    assert same["temperature"]["steps_per_c"] == pytest.approx(answer["temperature"]["steps_per_c"])
    assert same["reference_filter"] == "R"


def test_table_plots_and_predictions(capsys, tmp_path):
    answer = ask(capsys, "--runs", SEASON / "runs.csv", "--tables", tmp_path,
                 "--plots", tmp_path / "plots", "--at", "4.5")  # fmt: skip
    with (tmp_path / "offsets.csv").open(encoding="utf-8") as stream:
        rows = list(csv.reader(stream))
    assert rows[0] == ["filter", "offset_steps_from_L", "err_steps"]
    assert [row[1] for row in rows[1:]] == [str(round(one["offset_steps"])) for one in answer["filters"]]
    assert sorted(p.name for p in (tmp_path / "plots").iterdir()) == [
        "drift.png",
        "offsets.png",
        "residuals.png",
    ]
    assert [one["filter"] for one in answer["predictions"]] == [one["filter"] for one in answer["filters"]]
    assert all(one["err"] > 0.0 for one in answer["predictions"])
    for option, name in (("--tables", "no"), ("--plots", "no")):
        with pytest.raises(FocuskitError, match="cannot be written"):
            call("offsets", "--runs", SEASON / "runs.csv", option, SEASON / "runs.csv" / name)
        capsys.readouterr()


def test_plots_of_a_poor_season_draw():
    drift = fit_drift([LoggedRun(datetime(2031, 3, 4, 20, tzinfo=UTC), 5000.0, None, 3.0)])
    for draw in (plots.plot_drift, plots.plot_drift_residuals, plots.plot_offsets):
        axes = draw(drift)
        assert isinstance(axes, Axes)
        assert draw(drift, axes) is axes


def test_any_name_of_a_filter_can_be_drawn(tmp_path):
    start = datetime(2031, 3, 4, 20, tzinfo=UTC)
    names = ("$x{$", "a$\\frac{$b", "_under", "光\\")
    runs = [
        LoggedRun(start + timedelta(hours=k), 5000.0 + 3 * k + k % 3, names[k % 4], 12.0 - k / 2, rig="$H^{$")
        for k in range(24)
    ]
    assert len(plots.save_drift_plots(fit_drift(runs), tmp_path)) == 3


def test_offsets_through_the_logbook(capsys, tmp_path, monkeypatch):
    book = tmp_path / "book.sqlite"
    direct = ask(capsys, "--runs", SEASON / "runs.csv")
    assert call("logbook", "import", SEASON / "runs.csv", "--logbook", book) == 0
    assert capsys.readouterr().out == "120 new runs; 0 were known\n"
    assert call("logbook", "import", SEASON / "runs.csv", "--logbook", book) == 0
    assert capsys.readouterr().out == "0 new runs; 120 were known\n"
    through = ask(capsys, "--logbook", book)
    assert through["filters"] == direct["filters"]
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: book)
    assert ask(capsys)["filters"] == direct["filters"]
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    with pytest.raises(FocuskitError, match="no logbook yet"):
        call("offsets")
    assert not (tmp_path / "none.sqlite").exists()


def test_logbook_commands(capsys, tmp_path):
    book = ("--logbook", tmp_path / "book.sqlite")
    call("logbook", "import", SEASON / "runs.csv", *book)
    call("logbook", "note", 3, "wind from the north", *book)
    call("logbook", "exclude", 3, *book)
    capsys.readouterr()
    call("logbook", "list", *book, "--rig-name", "Heron")
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 121
    assert "excluded  wind from the north" in lines[3]
    call("logbook", "show", 3, *book, "--json")
    shown = json.loads(capsys.readouterr().out)
    assert (shown["schema"], shown["note"]) == ("focuskit.run/1", "wind from the north")
    call("logbook", "show", 3, *book)
    assert "wind from the north" in capsys.readouterr().out
    assert ask(capsys, *book)["runs_set_aside"][0]["why"] == "excluded by hand"
    for words, schema in (
        (("note", 4, "dew"), "run"), (("exclude", 4), "run"), (("include", 4), "run"),
        (("import", SEASON / "runs.csv"), "import"), (("export", tmp_path / "all.csv"), "export"),
    ):  # fmt: skip
        assert call("logbook", *words, *book, "--json") == 0
        said = json.loads(capsys.readouterr().out)
        assert said["schema"] == f"focuskit.{schema}/1"
    used = {"logbook": str(book[1]), "rig_file": None}
    assert said == {"schema": "focuskit.export/1", "file": str(tmp_path / "all.csv"), "runs": 120, **used}
    call("logbook", "include", 3, *book)
    assert capsys.readouterr().out == "run 3 is included again\n"
    call("logbook", "list", *book, "--json")
    listed = json.loads(capsys.readouterr().out)
    assert listed["schema"] == "focuskit.logbook/1"
    assert not any(run["excluded"] for run in listed["runs"])
    call("logbook", "export", tmp_path / "out.csv", *book)
    call("logbook", "export", tmp_path / "out.ecsv", *book, "--rig-name", "Egret")
    assert len(read_runs(tmp_path / "out.csv")) == 120
    with pytest.raises(FocuskitError, match="there is no run 999"):
        call("logbook", "exclude", 999, *book)


@pytest.mark.parametrize(
    "words",
    [
        ("offsets", "--at", "warm"),
        ("offsets", "--at", "300"),
        ("offsets", "--rebuild", "yesterday"),
        ("offsets", "--columns", "position"),
        ("offsets", "--columns", "focus=position"),
        ("offsets", "--zone", "Skarvdal"),
        ("offsets", "--temps", "log.csv", "--temps-columns", "temp=air"),
        ("offsets", "--runs", "runs.csv", "--logbook", "book.sqlite"),
        ("logbook",),
        ("logbook", "exclude", "three"),
        ("logbook", "delete", "3"),
        ("logbook", "export", "out.xls"),
        ("offsets", "--tables", "table.txt"),
        ("offsets", "--report", "page.pdf"),
        ("offsets", "--plots", "page.xyz"),
        ("report", "--to", "page"),
        ("interval", "--temps", "log.csv", "--plots", "night.txt"),
        ("interval", "--temps", "log.csv", "--best-hfd", "0"),
        ("interval", "--temps", "log.csv", "--slope", "1e300"),
        ("interval", "--temps", "log.csv", "--steps-per-c", "1e300"),
        ("interval", "--temps", "log.csv", "--position-err", "L=1e-300"),
        ("interval", "--temps", "log.csv", "--run-cost", "L=95,Ha=-1992"),
        ("analyse", "night", "--plots", "x.xyz"),
        ("analyse", "night", "--tables", "x.html"),
        ("analyse", "night", "--report", "night.png"),
        ("analyse", "night", "--workers", "0"),
        ("analyse", "night", "--keyword", "colour=MYKEY"),
        ("analyse", "night", "--position-pattern", "[0-9"),
        ("analyse", "night", "--limit", "pixels=-1"),
    ],
)
def test_a_wrong_command_line_ends_with_status_2(words, capsys):
    with pytest.raises(SystemExit) as ended:
        call(*words)
    assert ended.value.code == 2
    assert "error:" in capsys.readouterr().err


def test_a_logbook_that_is_not_there_is_not_made_by_looking(capsys, tmp_path):
    book = tmp_path / "mistyped.sqlite"
    assert call("logbook", "list", "--logbook", book) == 0
    assert capsys.readouterr().out == f"no runs in {book}\n"
    assert call("logbook", "list", "--logbook", book, "--json") == 0
    assert json.loads(capsys.readouterr().out)["runs"] == []
    for words in (("show", 1), ("note", 1, "x"), ("exclude", 1), ("export", tmp_path / "out.csv")):
        with pytest.raises(FocuskitError, match="there is no logbook yet"):
            call("logbook", *words, "--logbook", book)
    assert not book.exists()


def test_the_rig_is_that_of_the_rig_file_or_the_one_named(capsys, tmp_path):
    (tmp_path / "egret.toml").write_text('name = "Egret"\n', encoding="utf-8")
    runs = read_runs(SEASON / "runs.csv")
    write_csv(tmp_path / "egret.csv", [replace(run, rig=None) for run in runs[:60]])
    book = ("--logbook", tmp_path / "book.sqlite")
    call("logbook", "import", SEASON / "runs.csv", *book)
    call("logbook", "import", tmp_path / "egret.csv", *book, "--rig", tmp_path / "egret.toml")
    call("logbook", "import", tmp_path / "egret.csv", *book, "--rig", tmp_path / "egret.toml", "--rig-name", "Crane")
    capsys.readouterr()
    most = ask(capsys, *book)
    assert (most["rig"], most["flags"][-1]) == ("Heron", "several_rigs")
    assert ask(capsys, *book, "--rig", tmp_path / "egret.toml")["rig"] == "Egret"
    assert ask(capsys, *book, "--rig", tmp_path / "egret.toml", "--rig-name", "Crane")["rig"] == "Crane"
    (tmp_path / "stork.toml").write_text('name = "Stork"\n', encoding="utf-8")
    with pytest.raises(FocuskitError, match="no run of the rig 'Stork'; rigs with runs: Crane, Egret, Heron"):
        call("offsets", *book, "--rig", tmp_path / "stork.toml")


def test_temperatures_with_columns_of_their_own(capsys, tmp_path):
    text = (SEASON / "temperatures.csv").read_text(encoding="utf-8")
    (tmp_path / "log.csv").write_text(text.replace("time,temperature_c", "read at,a"), encoding="utf-8")
    words = ("--runs", SEASON / "runs.csv", "--temps")
    answer = ask(capsys, *words, tmp_path / "log.csv", "--temps-columns", "time=read at,temperature=a", "--unit", "C")
    assert answer == ask(capsys, *words, SEASON / "temperatures.csv")


def test_a_filter_never_used_is_said():
    with pytest.raises(FocuskitError, match="no logged run in filter Hb"):
        call("offsets", "--runs", SEASON / "runs.csv", "--at", "4", "--filter", "Hb")


def test_every_command_has_an_example(capsys):
    for words in (
        ["offsets"],
        ["logbook"],
        *(["logbook", a] for a in ("list", "show", "note", "export", "import")),
    ):
        with pytest.raises(SystemExit):
            build_parser().parse_args([*words, "--help"])
        assert "example" in capsys.readouterr().out


@pytest.mark.parametrize(
    "value, err, text",
    [
        (-6.4812, 0.0512, "-6.481 ± 0.051"),
        (61.93, 0.84, "+61.93 ± 0.84"),
        (61.93, 12.3, "+62 ± 12"),
        (None, None, "not known"),
        (61.93, None, "+61.9 ± ?"),
        (0.0, 0.0, "+0.0 ± 0.0"),
    ],
)
def test_values_are_rounded_by_their_error(value, err, text):
    assert plus_minus(value, err, sign=True) == text


def test_the_answer_is_the_same_from_run_to_run(tmp_path, capsys):
    write_csv(tmp_path / "runs.csv", make_season(np.random.default_rng(6), wild=0.15).runs)
    assert ask(capsys, "--runs", tmp_path / "runs.csv") == ask(capsys, "--runs", tmp_path / "runs.csv")


def test_what_is_read_is_not_written_over(tmp_path, capsys):
    rows = "".join(f"2031-03-{k:02d},{8 - k / 2},{5000 + 3 * k},{('L', 'Ha')[k % 2]}\n" for k in range(1, 25))
    table = tmp_path / "offsets.csv"
    table.write_text("time,temperature_c,position,filter\n" + rows)
    before = table.read_bytes()
    assert main(["offsets", "--runs", str(table), "--tables", str(tmp_path)]) == 1
    assert "is read from" in capsys.readouterr().err
    assert table.read_bytes() == before
    page = tmp_path / "runs.html"
    page.write_bytes(before)
    assert main(["offsets", "--runs", str(page), "--report", str(page)]) == 1
    assert main(["report", "--runs", str(page), "--to", str(page)]) == 1
    assert page.read_bytes() == before
    book = tmp_path / "book.csv"
    assert main(["logbook", "import", str(table), "--logbook", str(book)]) == 0
    assert main(["logbook", "export", str(book), "--logbook", str(book)]) == 1
    assert book.read_bytes().startswith(b"SQLite")


def season_in(unit, per_step, path):
    """Write the sample season as a German table, its positions in another unit."""
    lines = [f"Datum;Filter;Temperatur [°C];Fokus [{unit}]"]
    for run in read_runs(SEASON / "runs.csv"):
        numbers = ";".join(f"{v:.5f}".replace(".", ",") for v in (run.temperature_c, run.position * per_step))
        lines.append(f"{run.time:%Y-%m-%dT%H:%M:%SZ};{run.filter};{numbers}")
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.mark.parametrize(("unit", "key", "per_step"), [("mm", "mm", 0.004), ("µm", "um", 4.0)])
def test_offsets_are_in_the_unit_that_the_table_names(unit, key, per_step, tmp_path, capsys):
    """On the screen, in the JSON, in the table and on the page; with the decimals that the unit needs."""
    runs = season_in(unit, per_step, tmp_path / "runs.csv")
    answer = ask(capsys, "--runs", runs)
    assert answer["position_unit"] == key
    assert answer["temperature"]["steps_per_c"] == pytest.approx(per_step * TRUTH["steps_per_c"], abs=0.3 * per_step)
    page = tmp_path / "page.html"
    assert call("offsets", "--runs", runs, "--tables", tmp_path, "--report", page) == 0
    text = capsys.readouterr().out
    assert f" {unit} per °C, from" in text and "steps" not in text
    scatter = float(re.search(rf"Scatter +([\d.]+) {unit} from run to run", text)[1])
    assert scatter == pytest.approx(2.6 * per_step, rel=0.15)
    rows = {row[0]: row for row in csv.reader((tmp_path / "offsets.csv").read_text(encoding="utf-8").splitlines())}
    assert float(rows["Ha"][1]) == pytest.approx(61.0 * per_step, abs=3.0 * per_step)
    shown = page.read_text(encoding="utf-8")
    assert f"{unit} ± one standard deviation" in shown and "temperature (°C)" in shown
    assert "(steps)" not in shown and " steps off" not in shown


def test_four_commands_learn_one_drift(monkeypatch, tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text('name = "Heron"\nrebuilds = ["2031-09-20T12:00:00Z"]\n', encoding="utf-8")
    words = ["--runs", SEASON / "runs.csv", "--temps", SEASON / "temperatures.csv", "--rig", rig]
    asked = []

    def stop(runs, lights, rig_file, *, log, **more):
        assert not lights
        asked.append((runs, rig_file, log.time_s.tolist(), log.temperature_c.tolist(), more))
        raise FocuskitError("enough seen")

    monkeypatch.setattr("focuskit.drift.learn_with_lights", stop)
    for name in ("offsets", "interval", "plan", "report"):
        with pytest.raises(FocuskitError, match="enough seen"):
            call(name, *words, "--rebuild", "2031-10-04T12:00:00Z", "--declared-only", "--rig-name", "Heron")
    assert asked[0][1].rebuilds == (datetime(2031, 9, 20, 12, tzinfo=UTC),)
    assert asked[0][-1] == {
        "rig": "Heron",
        "rebuilds": [datetime(2031, 10, 4, 12, tzinfo=UTC)],
        "reference_filter": None,
        "search_rebuilds": False,
        "position_unit": None,
    }
    assert asked == [asked[0]] * 4


def test_the_report_reads_runs_and_fits_drift_once(monkeypatch, tmp_path, capsys):
    counts = {"read_source": 0, "find_drift": 0}
    for name in counts:
        known = getattr(cli_sources, name)

        def counted(*given, known=known, name=name):
            counts[name] += 1
            return known(*given)

        monkeypatch.setattr(cli_sources, name, counted)
    page = tmp_path / "page.html"
    assert call("report", "--runs", SEASON / "runs.csv", "--temps", SEASON / "temperatures.csv", "--to", page) == 0
    assert counts == {"read_source": 1, "find_drift": 1}
