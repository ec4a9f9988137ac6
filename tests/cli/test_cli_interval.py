"""The commands interval and plan, as a user meets them."""

import json
import shlex
from pathlib import Path

import numpy as np
import pytest
from matplotlib.axes import Axes
from night_by_night import best_for_ramp_min

from focuskit.cli import sources as cli_sources
from focuskit.cli.parser import build_parser
from focuskit.cli.run import run_parsed
from focuskit.core.errors import FocuskitError
from focuskit.frames import read_temperatures
from focuskit.logbook import read_runs
from focuskit.refocus import Block, Known, NightPlan, find_interval
from focuskit.show import plots
from focuskit.show.figures import draw_picture

SAMPLE = Path(__file__).parents[2] / "sample_data"
SEASON = SAMPLE / "season"
WEATHER = Path(__file__).parents[1] / "data" / "weather_excerpt.csv"
BY_HAND = (
    "--steps-per-c",
    "-6.5",
    "--best-hfd",
    "5.93",
    "--slope",
    "0.114",
    "--run-cost",
    "95",
    "--position-err",
    "1.5",
)
HOUR = "2031-03-04T{:02d}:{:02d}:00Z"


def call(*words):
    return run_parsed(build_parser().parse_args([str(word) for word in words]))


def ask(capsys, *words):
    assert call(*words, "--json") == 0
    out = capsys.readouterr().out
    assert out.count("\n") == 1

    def never(text):
        raise AssertionError(f"{text} is not JSON")

    return json.loads(out, parse_constant=never)


def ramp_log(tmp_path, c_per_h, hours=6, cadence_min=10):
    path = tmp_path / "ramp.csv"
    minutes = range(0, hours * 60 + 1, cadence_min)
    rows = [f"{HOUR.format(16 + m // 60, m % 60)},{12 + c_per_h * m / 60:.5f}" for m in minutes]
    path.write_text("time,temperature_c\n" + "\n".join(rows) + "\n")
    return path


def test_interval_by_hand_needs_no_logbook_and_keeps_the_contract(capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    answer = ask(capsys, "interval", "--temps", ramp_log(tmp_path, -1.0), *BY_HAND)
    assert answer["schema"] == "focuskit.interval/1"
    tau = best_for_ramp_min(95.0, 5.93, 0.114, 6.5)
    assert answer["refocus_every_min"] == pytest.approx(tau, rel=0.01)
    assert answer["refocus_every_c"] == pytest.approx(tau / 60.0, rel=0.01)
    assert answer["run_cost_s"] == {"L": 95.0}
    assert answer["recommended"] in [p["policy"] for p in answer["policies"]]
    for policy in answer["policies"]:
        for key in ("runs", "minutes_spent", "mean_hfd_growth_pct", "worst_hfd_growth_pct",
                    "time_in_tolerance_pct", "effective_hours"):  # fmt: skip
            assert policy[key] >= 0.0
        balance = policy["imaging_hours"] + (policy["focusing_min"] + policy["moving_min"]) / 60.0
        assert balance == pytest.approx(6.0, abs=1e-6)
        assert policy["effective_hours"] <= policy["imaging_hours"]
    assert answer["flags"] == ["few_nights", "walk_unknown"]
    assert answer["random_walk_steps_per_root_h"] == 0.0


@pytest.mark.parametrize("c_per_h, steps_per_c, flag", [(-1.0, "0", "no_drift"), (0.0, "-6.5", "temperature_flat")])
def test_never_is_null(capsys, tmp_path, c_per_h, steps_per_c, flag):
    by_hand = ["--steps-per-c", steps_per_c, *BY_HAND[2:]]
    answer = ask(capsys, "interval", "--temps", ramp_log(tmp_path, c_per_h), *by_hand)
    assert answer["refocus_every_min"] is None
    assert answer["refocus_every_c"] is None
    assert flag in answer["flags"]
    assert call("interval", "--temps", ramp_log(tmp_path, c_per_h), *by_hand) == 0
    text = capsys.readouterr().out
    assert "By temperature: never." in text
    assert flag in text


def test_the_sample_season(capsys):
    words = ("interval", "--temps", SEASON / "temperatures.csv", "--runs", SEASON / "runs.csv")
    answer = ask(capsys, *words)
    truth = json.loads((SEASON / "truth.json").read_text(encoding="utf-8"))
    assert answer["steps_per_c"] == pytest.approx(truth["steps_per_c"], abs=4.0 * answer["steps_per_c_err"])
    assert answer["run_cost_s"]["L"] == pytest.approx(95.0, rel=0.1)
    # The last night has runs in G, B and Ha one after another: it goes on in Ha, and was not for G and B.
    assert set(answer["run_cost_s"]) == set(truth["offset_steps"]) - {"B", "G"}
    assert answer["nights"]["count"] == 15
    gain = {p["policy"]: p["depth_gained_pct"] for p in answer["policies"]}
    assert gain["now"] == 0.0
    assert gain[answer["recommended"]] > 5.0
    assert gain["clock_quick"] > gain["filter_change"]
    assert answer["nights"]["gain_kept_on_other_nights_pct"] >= 95.0
    # the first hours cool fastest
    hours = answer["over_the_night"]
    assert hours[0]["every_min"] < hours[-1]["every_min"]
    assert answer == ask(capsys, *words)
    assert call(*words) == 0
    text = capsys.readouterr().out
    assert answer["advice"] in text
    assert "hangs most on" in text
    for policy in answer["policies"]:
        assert f"  {policy['policy']}: {policy['what']}" in text


def test_weather_of_an_airport(capsys):
    words = ("interval", "--temps", WEATHER, "--only", "origin=JFK", "--unit", "F", "--zone", "America/New_York")
    answer = ask(capsys, *words, "--night", "19:00-05:00", *BY_HAND)
    # twice four days from midnight to midnight: three whole nights and two halves each
    assert answer["nights"]["count"] == 10
    assert [row["why"] for row in answer["rows_not_used"]] == ["jumps away from its neighbours and back"]
    assert answer["refocus_every_min"] > 0.0
    columns = ("--temps-columns", "time=year+month+day+hour,temperature=temp")
    assert ask(capsys, *words, *columns, "--night", "19:00-05:00", *BY_HAND)["policies"] == answer["policies"]


def test_a_plan_of_the_night_and_costs_by_filter(capsys, tmp_path):
    plan = tmp_path / "plan.csv"
    plan.write_text("filter,minutes,sub_s\nL,60,120\nHa,120,300\n")
    words = ["interval", "--temps", ramp_log(tmp_path, -1.0), "--blocks", plan, *BY_HAND]
    words[words.index("95")] = "L=95,Ha=480"
    answer = ask(capsys, *words)
    assert answer["run_cost_s"] == {"L": 95.0, "Ha": 480.0}
    assert [b["filter"] for b in answer["plan"]] == ["L", "Ha"]
    assert "run_at_each_change" in answer["flags"]
    words[words.index("L=95,Ha=480")] = "L=95"
    with pytest.raises(FocuskitError, match="does not tell of filter Ha"):
        call(*words)


@pytest.mark.parametrize(
    "words",
    [
        ("interval",),
        ("interval", "--temps", "x.csv", "--run-cost", "-3"),
        ("interval", "--temps", "x.csv", "--best-hfd", "nan"),
        ("interval", "--temps", "x.csv", "--slope", "0"),
        ("interval", "--temps", "x.csv", "--steps-per-c", "many"),
        ("interval", "--temps", "x.csv", "--unit", "R"),
        ("interval", "--temps", "x.csv", "--only", "origin"),
        ("interval", "--temps", "x.csv", "--temps-columns", "temp=air"),
        ("interval", "--temps", "x.csv", "--columns", "focus=position"),
        ("interval", "--temps", "x.csv", "--zone", "Skarvdal"),
        ("plan", "--at", "warm"),
    ],
)
def test_a_wrong_command_line_ends_with_2(words, capsys):
    with pytest.raises(SystemExit) as stop:
        call(*words)
    assert stop.value.code == 2


def test_what_is_missing_is_named(tmp_path, capsys, monkeypatch):
    log = ramp_log(tmp_path, -1.0)
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    with pytest.raises(FocuskitError, match=r"by hand --slope, --position-err; .*example: focuskit interval --t"):
        call("interval", "--temps", log, *BY_HAND[:4])
    with pytest.raises(FocuskitError, match="no logbook yet"):
        call("interval", "--temps", log, "--logbook", tmp_path / "none.sqlite")
    with pytest.raises(FocuskitError, match="cannot be read"):
        call("interval", "--temps", tmp_path / "none.csv", *BY_HAND)
    runs = tmp_path / "runs.csv"
    lines = (SEASON / "runs.csv").read_text(encoding="utf-8").splitlines()
    runs.write_text("\n".join(",".join(line.split(",")[:5]) for line in lines))
    with pytest.raises(
        FocuskitError, match=r"least size, the slope of the wings: give best_hfd_px, slope_px_per_step;"
    ):
        call("interval", "--temps", log, "--runs", runs)
    with pytest.raises(SystemExit) as stop:
        call("interval")
    assert stop.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert all(
        word in line for word in ("--temps LOG.csv", "--runs FILE.csv", "--steps-per-c", "--best-hfd", "--slope")
    )
    # What it suggests works.
    suggested = shlex.split(line.split("For example: focuskit ")[1].replace("LOG.csv", str(log)))
    assert ask(capsys, *suggested)["refocus_every_min"] > 0.0
    answer = ask(capsys, "interval", "--temps", log, "--runs", runs, "--best-hfd", "5.9", "--slope", "0.114")
    assert "run_cost_assumed" in answer["flags"]
    assert call("interval", "--temps", log, *BY_HAND, "--plots", tmp_path / "plots") == 0
    assert {path.name for path in (tmp_path / "plots").iterdir()} == {"interval.png", "interval.svg"}
    assert (tmp_path / "plots" / "interval.png").stat().st_size > 10_000
    with pytest.raises(FocuskitError, match="cannot be written"):
        call("interval", "--temps", log, *BY_HAND, "--plots", runs / "plots")


def test_each_help_has_an_example_that_works(capsys, monkeypatch):
    for command in ("interval", "plan"):
        with pytest.raises(SystemExit) as stop:
            call(command, "--help")
        assert stop.value.code == 0
        text = capsys.readouterr().out
        example = text.split("example:")[1].split("\n")[1].split()
        assert example[:2] == ["focuskit", command]
        monkeypatch.chdir(SAMPLE.parent)
        assert call(*example[1:]) == 0
        assert capsys.readouterr().out


def test_plan_of_the_sample_season(capsys):
    words = ("plan", "--runs", SEASON / "runs.csv", "--rig", SAMPLE / "heron.toml")
    sweeps = {s["filter"]: s for s in ask(capsys, *words)["sweeps"]}
    truth = json.loads((SEASON / "truth.json").read_text(encoding="utf-8"))
    assert set(sweeps) == set(truth["offset_steps"])
    for sweep in sweeps.values():
        assert 2.5 <= sweep["outer_size"] <= 3.0
        assert sweep["frames"] == len(sweep["positions"])
        assert 0 <= min(sweep["positions"]) <= max(sweep["positions"]) <= 20000
        assert sweep["position_err"] > 0.0
    assert sweeps["L"]["by_offset"] is None
    assert sweeps["Ha"]["better"] == "offset"
    assert sweeps["Ha"]["by_offset"]["cost_s"] < sweeps["Ha"]["cost_s"]
    # 10 °C warmer: the centre moves by ten times the drift
    cold, warm = (ask(capsys, *words, "--at", c, "--filter", "ha")["sweeps"][0]["centre"] for c in (0, 10))
    assert warm - cold == pytest.approx(10.0 * truth["steps_per_c"], abs=3.0)
    with pytest.raises(FocuskitError, match="good runs in X that are logged"):
        call(*words, "--filter", "X")
    assert call(*words) == 0
    assert "within the travel of 0 to 20000" in capsys.readouterr().out
    assert call(*words[:3]) == 0
    assert "Positions are not checked against the focuser's travel" in capsys.readouterr().out
    assert len(read_runs(SEASON / "runs.csv")) > 100


@pytest.mark.parametrize("count", [1, 2, 5])
def test_plan_of_the_first_runs_ever(capsys, tmp_path, count):
    lines = (SEASON / "runs.csv").read_text(encoding="utf-8").splitlines()
    (tmp_path / "runs.csv").write_text("\n".join(lines[: count + 1]) + "\n", encoding="utf-8")
    sweeps = ask(capsys, "plan", "--runs", tmp_path / "runs.csv")["sweeps"]
    assert {s["filter"] for s in sweeps} == {line.split(",")[1] for line in lines[1 : count + 1]}
    assert all(s["position_err"] > 0.0 for s in sweeps)
    # without a drift there is no prediction
    if count < 5:
        with pytest.raises(FocuskitError, match="do not tell its focus at 30"):
            call("plan", "--runs", tmp_path / "runs.csv", "--at", "30")


def test_plots_draw_into_the_axes_they_are_given(tmp_path):
    from matplotlib.figure import Figure

    log = read_temperatures(ramp_log(tmp_path, -1.0))
    plan = NightPlan((Block("L", 600.0, 120.0),))
    found = find_interval(log, plan=plan, known=Known(-6.5, None, 5.93, 0.114, 95.0, 1.5))
    figure = Figure()
    night, clock = figure.subplots(2)
    assert draw_picture(found.night_picture(), night) is night
    assert night.lines[0].get_xydata() == pytest.approx(np.array([(m / 60, 12.0 - m / 60) for m in range(361)]))
    errors = next(ax for ax in figure.axes if ax not in (night, clock))
    labels = [text.get_text() for ax in (night, errors) if ax.get_legend() for text in ax.get_legend().get_texts()]
    assert labels == ["tolerance", *(w.policy.words for w in found.answer.worths)]
    assert plots.plot_effective_hours(found, clock) is clock
    hours = clock.lines[0].get_ydata()
    assert np.all(hours <= 6.0)
    # the mark stands at the setting, and the ends of the curve are worse than its middle
    assert clock.lines[1].get_xdata()[0] == found.answer.every_min
    assert hours[len(hours) // 2] > max(hours[0], hours[-1])
    assert isinstance(plots.plot_effective_hours(found), Axes)


def test_runs_without_temperatures_and_no_log_give_the_interval_of_their_motion(capsys, tmp_path, monkeypatch):
    """Focus moves by 4 steps an hour in every night: τ = (3 t h0²/(2 s² v²))^(1/3) = 113 min (by hand)."""
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    rng = np.random.default_rng(51)
    lines = ["time,filter,position,position_err"]
    for day in range(1, 13):
        for minutes in range(0, 480, 60):
            position = 8000.0 + 30.0 * day + 4.0 * minutes / 60.0 + rng.normal()
            lines.append(f"2031-03-{day:02d}T{minutes // 60 + 14:02d}:00:00Z,L,{position:.2f},1.0")
    runs = tmp_path / "runs.csv"
    runs.write_text("\n".join(lines))
    words = ["interval", "--runs", runs, "--best-hfd", 5.93, "--slope", 0.114, "--run-cost", 95]
    answer = ask(capsys, *words)
    assert answer["refocus_every_c"] is None
    assert "no_thermometer" in answer["flags"] and "no_drift" not in answer["flags"]
    assert answer["refocus_every_min"] == pytest.approx(113.0, rel=0.15)
    assert [one["policy"] for one in answer["policies"]] == ["now", "clock"]
    assert (answer["steps_per_c"], answer["steps_per_c_err"]) == (None, None)
    page = tmp_path / "interval.html"
    assert call(*words, "--report", page) == 0
    out = capsys.readouterr().out
    shown = out.split("no_thermometer")[0] + page.read_text(encoding="utf-8").split("<main")[1]
    for of_heat in ("°C per hour", "by temperature, when", "By temperature", "temperature (°C)",
                    "nights of temperatures", "of your log", "(a tenth below"):  # fmt: skip
        assert of_heat not in shown
    # The runs have no sizes: the next command is given those that this one was given.
    following = shlex.split(out.splitlines()[-1])
    assert call(*following[following.index("plan") :]) == 0


HERON = "focal_length_mm = 1400\naperture_mm = 200\nobstruction = 0.36\npixel_um = 3.76\num_per_step = 4.0\n"
# By hand: 206265 · 3.76e-3 / 1400 = 0.55397″ a pixel, so 3″ are 5.4155 px; √((1 + 0.36²)/2) / 7 · 4 / 3.76 = 0.11422.
HERON_SIZE, HERON_SLOPE = 5.4155, 0.11422


def test_optics_and_a_usual_seeing_stand_in_where_no_size_is_logged(capsys, tmp_path, monkeypatch):
    """The interval is the one of the size and slope that the optics have, given by hand."""
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    rig = tmp_path / "rig.toml"
    rig.write_text(HERON)
    log = ramp_log(tmp_path, -1.0)
    runs = tmp_path / "runs.csv"
    lines = (SEASON / "runs.csv").read_text(encoding="utf-8").splitlines()
    runs.write_text("\n".join(",".join(line.split(",")[:5]) for line in lines))
    by_hand = ["--best-hfd", HERON_SIZE, "--slope", HERON_SLOPE]
    expected = ask(capsys, "interval", "--temps", log, "--runs", runs, *by_hand)
    answer = ask(capsys, "interval", "--temps", log, "--runs", runs, "--rig", rig)
    assert answer["refocus_every_min"] == pytest.approx(expected["refocus_every_min"], rel=0.01)
    assert "sizes_from_optics" in answer["flags"]
    assert "sizes_from_optics" not in expected["flags"]
    # Without any run: a run's error is a sixth of the tolerance, h0/(20 s).
    words = ["interval", "--temps", log, "--steps-per-c", "-6.5"]
    expected = ask(capsys, *words, *by_hand, "--position-err", HERON_SIZE / HERON_SLOPE / 20.0)
    answer = ask(capsys, *words, "--rig", rig)
    assert answer["refocus_every_min"] == pytest.approx(expected["refocus_every_min"], rel=0.01)
    assert "sizes_from_optics" in answer["flags"]


def test_plan_works_from_the_optics_where_no_size_is_logged(capsys, tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text(HERON)
    runs = tmp_path / "runs.csv"
    lines = (SEASON / "runs.csv").read_text(encoding="utf-8").splitlines()
    runs.write_text("\n".join(",".join(line.split(",")[:5]) for line in lines))
    sweeps = ask(capsys, "plan", "--runs", runs, "--rig", rig)["sweeps"]
    assert all("sizes_from_optics" in sweep["flags"] for sweep in sweeps)
    # 5 % in HFD: √(1.05² − 1) · 5.4155/0.11422 = 15.18 steps (by hand).
    assert [sweep["tolerance_steps"] for sweep in sweeps] == pytest.approx([15.18] * len(sweeps), abs=0.02)
    # By hand the same, and it goes before what is logged.
    sizes = ("--best-hfd", HERON_SIZE, "--slope", HERON_SLOPE)
    for table in (runs, SEASON / "runs.csv"):
        answer = ask(capsys, "plan", "--runs", table, *sizes)
        assert answer["position_unit"] == "step"
        given = [sweep["tolerance_steps"] for sweep in answer["sweeps"]]
        assert given == pytest.approx([15.18] * len(sweeps), abs=0.02)
    with pytest.raises(FocuskitError, match=r"^missing: .* For example: focuskit plan --runs .* --best-hfd 5.9"):
        call("plan", "--runs", runs)


def test_with_everything_missing_plan_asks_for_it_at_once(monkeypatch, tmp_path):
    monkeypatch.setattr(cli_sources, "default_logbook", lambda: tmp_path / "none.sqlite")
    with pytest.raises(FocuskitError, match=r"--runs FILE.csv.*--best-hfd PX and --slope.*rig file.*For example"):
        call("plan")
