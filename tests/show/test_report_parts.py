"""The reports of offsets, of the interval, and of all together: what they say, and how they behave in a browser."""

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from browser import CHROMIUM, Page
from outline import assert_sound, read_outline
from small_nights import take_run, write_run

import focuskit
from focuskit.cli.run import main
from focuskit.core import flags
from focuskit.core.errors import FocuskitError
from focuskit.core.picture import Points, axis_of
from focuskit.core.reasons import Reason
from focuskit.drift import MOST_MARKS, fit_drift
from focuskit.frames import read_temperatures
from focuskit.logbook import read_runs
from focuskit.refocus import Known, find_interval
from focuskit.show import drift_sentence, write_report
from focuskit.show.report import render_report

SEASON = Path(__file__).parents[2] / "sample_data" / "season"
HOSTILE = "<script>alert(1)</script>\x1b[31m\" onload='x' {{ 7*7 }}"
KINDS = ("offsets", "interval", "all")


@pytest.fixture(scope="module")
def drift():
    return fit_drift(read_runs(SEASON / "runs.csv"))


@pytest.fixture(scope="module")
def interval(drift):
    return find_interval(read_temperatures([SEASON / "temperatures.csv"]), drift)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = write_run(tmp_path_factory.mktemp("small") / "night", take_run())
    return focuskit.analyse(folder, workers=1)


@pytest.fixture(scope="module")
def parts(drift, interval, night):
    return {"offsets": drift, "interval": interval, "all": [night, drift, interval]}


@pytest.fixture(scope="module")
def pages(parts):
    return {kind: render_report(part) for kind, part in parts.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_page_stands_alone_is_small_and_sound(pages, kind):
    page = pages[kind]
    assert len(page.encode()) < 3e6
    without_data = re.sub(r'href="data:image/png;base64,[A-Za-z0-9+/=]*"', "", page)
    assert not re.findall(r"(?:src|href)=\"(?!#)|@import|https?:|//[a-z]", without_data)
    assert not re.search(r"\bnan\b|\bNone\b", without_data)
    assert_sound(read_outline(page))


def test_offsets_are_told_with_what_to_type_in(drift, pages):
    page = pages["offsets"]
    assert page.index(drift_sentence(drift)) < page.index("<table")
    for one in drift.filters[1:]:
        assert f'data-copy="{round(one.offset_steps):+d}"' in page
    for one in drift.set_aside:
        shown = str(one.reason).replace(" -", " −")
        assert any(words in page for words in (shown, shown.replace("+", "&#43;")))
    for name in drift.flags:
        assert flags.describe(name).meaning in page
    position = drift.predict("Ha", 5.0)[0]
    assert f'data-copy="{position:.0f}"' in page
    assert "−6.48 steps per °C" not in drift_sentence(drift)
    assert "−6.48 ± 0.10 steps per °C" in drift_sentence(drift)


def test_interval_is_told_with_every_way(interval, pages):
    page = pages["interval"]
    answer = interval.answer
    assert f'data-copy="{answer.every_min:.0f}"' in page
    assert f'data-copy="{answer.every_c:.2g}"' in page
    for worth in answer.worths:
        assert worth.policy.name.replace("_", " ") in page
    assert page.count("(recommended)") == 1


def test_answers_come_before_runs_and_words(pages):
    order = ['id="night-1"', 'id="offsets"', 'id="interval"', 'id="run-1"', 'id="drift-title"', 'id="ways-title"',
             'id="words"']  # fmt: skip
    places = [pages["all"].index(mark) for mark in order]
    assert places == sorted(places)


def test_a_first_run_and_a_flat_log_are_told_too(tmp_path):
    runs = read_runs(SEASON / "runs.csv")[:1]
    page = render_report(fit_drift(runs))
    assert "The runs do not tell a drift with temperature yet" in page
    assert_sound(read_outline(page))
    rows = "".join(f"2031-03-04T{20 + m // 60:02d}:{m % 60:02d}:00Z,8.0\n" for m in range(0, 180, 10))
    (tmp_path / "flat.csv").write_text("time,temperature_c\n" + rows)
    known = Known(-6.5, None, 5.9, 0.114, 95.0, 1.5)
    flat = find_interval(read_temperatures([tmp_path / "flat.csv"]), known=known)
    assert flat.answer.every_min is None
    page = render_report(flat)
    assert '<span class="big">never</span>' in page
    assert_sound(read_outline(page))


def test_many_runs_are_thinned_evenly(drift):
    often = 1 + 2 * MOST_MARKS // len(drift.used)
    many = replace(drift, used=drift.used * often, residuals_steps=list(drift.residuals_steps) * often, set_aside=())
    for picture in (many.picture(), many.residuals_picture()):
        points = [layer for layer in picture.panels[0].layers if isinstance(layer, Points)]
        assert sum(len(layer.x) for layer in points) == MOST_MARKS
        first = many.filters[0].filter
        assert sum(run.filter == first for run in many.used) / len(many.used) == pytest.approx(
            len(points[0].x) / MOST_MARKS, abs=0.05
        )


def test_nothing_is_no_report(tmp_path):
    with pytest.raises(FocuskitError, match="nothing to report"):
        render_report([])
    with pytest.raises(FocuskitError, match=r"ends in \.html"):
        write_report([], tmp_path / "x.txt")


@pytest.mark.parametrize("days", [0.3, 1.9, 3.0, 12.0, 300.0, 4000.0])
def test_dates_on_an_axis_are_few_and_inside(days):
    axis = axis_of("time (UTC)", [1.9e9, 1.9e9 + 86400.0 * days], 0.04, kind="time")
    ticks = axis.ticks(6)
    assert 1 <= len(ticks) <= 6
    assert all(axis.low <= at <= axis.high for at, _ in ticks)


def renamed(drift, text):
    """Return the drift with a foreign text wherever a table has its say."""
    return replace(
        drift,
        rig=text,
        reference_filter=text,
        filters=tuple(replace(one, filter=text if i == 0 else one.filter) for i, one in enumerate(drift.filters)),
        used=tuple(replace(run, filter=text if run.filter == "L" else run.filter) for run in drift.used),
        set_aside=tuple(
            replace(one, reason=Reason("outlier", text), run=replace(one.run, filter=text)) for one in drift.set_aside
        ),
    )


def test_hostile_text_is_shown_as_text(drift, interval):
    named = replace(interval, notes=(HOSTILE,))
    page = render_report([renamed(drift, HOSTILE), named])
    assert page.count("<script>") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "{{ 7*7 }}" in page
    assert "\x1b" not in page
    assert not [name for _, attrs in read_outline(page).tags for name in attrs if name.startswith("on")]


def test_results_show_themselves_in_a_notebook(night, drift, interval):
    for result in (night, night.runs[0], drift, interval):
        shown = result._repr_html_()
        assert shown.startswith("<table>")
        assert read_outline(shown).open == []
    hostile = replace(night, rig=replace(night.rig, name=HOSTILE))
    for shown in (hostile._repr_html_(), renamed(drift, HOSTILE)._repr_html_()):
        assert "<script" not in shown
        assert "&lt;script&gt;" in shown
        assert "\x1b" not in shown


def test_commands_write_the_pages(tmp_path, capsys):
    runs = ["--runs", str(SEASON / "runs.csv")]
    temps = ["--temps", str(SEASON / "temperatures.csv")]
    for words in (["offsets", *runs], ["interval", *runs, *temps]):
        assert main([*words, "--report", str(tmp_path / f"{words[0]}.html"), "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["schema"].startswith("focuskit.")
        assert (tmp_path / f"{words[0]}.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    folder = str(write_run(tmp_path / "night", take_run()))
    page = str(tmp_path / "all.html")
    assert main(["report", folder, "--workers", "1", *runs, *temps, "--to", page]) == 0
    said = capsys.readouterr().out
    assert "The focus run is good." in said
    assert f"Written: {page}" in said
    assert main(["report", *runs, "--json", "--to", page]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["schema"], answer["night"], answer["interval"]) == ("focuskit.report/1", None, None)
    assert answer["offsets"]["runs_used"] == 118


def test_a_report_of_nothing_is_one_line(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    for words in (["report"], ["report", "--temps", str(SEASON / "temperatures.csv")]):
        assert main(words) == 1
        assert len(capsys.readouterr().err.splitlines()) == 1


needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: apt-get install chromium")


@pytest.fixture(scope="module")
def all_with_a_long_name(drift, interval, night, tmp_path_factory):
    long = replace(drift, rig=HOSTILE + "x" * 60)
    return write_report([night, long, interval], tmp_path_factory.mktemp("report") / "all.html")


@needs_browser
@pytest.mark.parametrize(("width", "phone"), [(1280, False), (375, True)])
def test_reports_in_a_browser(all_with_a_long_name, width, phone):
    path = all_with_a_long_name
    with Page(width, 900, phone) as page:
        page.open(path)
        page.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert page.run("document.documentElement.scrollWidth") <= width
        # every link of the contents leads to a part, and the tip says what a mark is
        assert page.run("[...document.querySelectorAll('nav a')].every(a => document.querySelector(a.hash))")
        page.run("document.querySelector('section[aria-labelledby=drift-title] g.mark[tabindex=\"0\"]').focus()")
        tip = "document.querySelector('#tip').textContent"
        assert "steps off the drift" in page.run(tip)
        first = page.run(tip)
        page.press("ArrowRight")
        assert page.run(tip) != first
        page.press("Escape")
        # every word of a picture lies within it, and no two words of one picture lie on each other
        assert page.words_out_of_place() == []
        # a way that is asked for is shown with its runs
        off = "document.querySelectorAll('section[aria-labelledby=ways-title] .off').length"
        hidden = page.run(off)
        page.run("document.querySelector('section[aria-labelledby=ways-title] li.switch button').click()")
        assert page.run(off) == hidden - 2
        # a column sorts, and a value is copied with the sign that can be typed
        page.run("document.querySelectorAll('table.ways thead button')[7].click()")
        column = "[...document.querySelectorAll('table.ways tbody tr')].map(r => Number(r.cells[7].dataset.value))"
        values = page.run(column)
        assert values == sorted(values)
        page.run("[...document.querySelectorAll('table.offsets button.copy')].at(3).click()")
        page.run("new Promise(r => setTimeout(r, 300))")
        assert "copied -" in page.run("document.querySelector('#said').textContent")
        for _ in range(2):
            page.run("document.querySelector('.top button').click()")
            assert page.run("document.documentElement.scrollWidth") <= width
        assert page.complaints() == []


@needs_browser
@pytest.mark.parametrize("width", [1280, 375])
def test_hostile_text_does_nothing_in_a_browser(drift, tmp_path, width):
    path = write_report(renamed(drift, HOSTILE + "x" * 60), tmp_path / "offsets.html")
    with Page(width, 900, width < 600) as page:
        page.open(path)
        page.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert page.run("document.querySelector('h1').textContent").startswith("<script>alert(1)</script>")
        assert page.run("document.documentElement.scrollWidth") <= width
        assert page.complaints() == []
