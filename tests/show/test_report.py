"""The report of the sample night: what it says, that it is harmless, and how it behaves in a browser."""

import hashlib
import re
from base64 import b64encode
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from browser import CHROMIUM, Page
from outline import Outline, assert_sound

from focuskit.core import flags
from focuskit.core.errors import FocuskitError
from focuskit.core.palette import COLOURS, PAGE_SCHEMES, SCHEMES
from focuskit.core.picture import round_values
from focuskit.field import pool_maps
from focuskit.show import answer_sentence, write_report
from focuskit.show.report import render_report

SAMPLE = Path(__file__).parents[2] / "sample_data"
HOSTILE = "<script>alert(1)</script>\x1b[31m\" onload='x' {{ 7*7 }} $\\frac{"


@pytest.fixture(scope="module")
def page(night):
    return render_report(night)


@pytest.fixture(scope="module")
def failed_page(failed_night):
    """The page of a night with values that are not known."""
    return render_report(failed_night)


def renamed(night, text):
    """Return the night with a foreign text wherever a header or a file name has its say."""
    runs = []
    for run in night.runs:
        infos = tuple(replace(info, filter=text, instrument=text, name=text) for info in run.sweep.frames)
        frames = tuple(replace(f, info=replace(f.info, filter=text, name=text)) for f in run.frames)
        runs.append(replace(run, sweep=replace(run.sweep, frames=infos), frames=frames))
    return replace(night, rig=replace(night.rig, name=text), runs=tuple(runs), not_used=((text, text),))


@pytest.fixture(scope="module")
def outline(page):
    outline = Outline()
    outline.feed(page)
    outline.close()
    return outline


def judged(run, verdict):
    """Return a run that did not fail with another verdict."""
    return run if run.fit.verdict == "failed" else replace(run, fit=replace(run.fit, verdict=verdict))


def test_answer_comes_first_and_names_the_failed_run(night, failed_night, page):
    assert page.index(answer_sentence(night.runs)) < page.index("<table")
    assert answer_sentence([judged(run, "good") for run in failed_night.runs]) == (
        "Focus was good in 6 of 7 runs; the R run at 21:47 failed, and was repeated with success at 21:52."
    )


def test_answers_of_other_nights(failed_night):
    night = failed_night
    good = [judged(run, "good") for run in night.runs if run.fit.verdict != "failed"]
    failed = [run for run in night.runs if run.fit.verdict == "failed"]
    usable = judged(good[0], "usable")
    assert answer_sentence(good[:3]) == "Focus was good in all 3 runs."
    assert answer_sentence(failed) == "The focus run failed."
    assert answer_sentence([usable, good[1]]) == "Focus was good in 1 of 2 runs; 1 is usable with care."
    assert answer_sentence([good[0], *failed]) == "Focus was good in 1 of 2 runs; the R run at 21:47 failed."


def test_every_run_frame_flag_and_unused_file_is_told(night, page):
    for run in night.to_json()["runs"]:
        for point in run["points"]:
            assert point["file"] in page
            assert point["why_not_used"] is None or point["why_not_used"] in page
        for name in run["flags"]:
            assert flags.describe(name).meaning in page
            assert flags.describe(name).advice in page
    for name, why in night.not_used:
        assert name in page
        assert str(why) in page
    assert not re.search(r"\bnan\b", re.sub(r"base64,[A-Za-z0-9+/=]*", "", page), re.IGNORECASE)
    assert "None" not in page


def test_page_stands_alone_and_is_small(page):
    assert len(page.encode()) < 3e6
    without_data = re.sub(r'href="data:image/png;base64,[A-Za-z0-9+/=]*"', "", page)
    assert not re.findall(r"(?:src|href)=\"(?!#)|@import|https?:|//[a-z]", without_data)
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL)[1]
    assert b64encode(hashlib.sha256(script.encode()).digest()).decode() in page


def test_markup_is_sound(outline):
    assert_sound(outline)


def test_seeing_of_each_frame_is_drawn_over_the_night(night, page):
    seen = [p["seeing_arcsec"] for run in night.to_json()["runs"] for p in run["points"]]
    tips = re.findall(r"UTC\nseeing (\d+\.\d\d)″</title>", page)
    assert sorted(tips) == sorted(f"{s:.2f}" for s in seen if s is not None)


def test_map_of_the_sensor_says_what_was_found(night, page):
    fields = [run.field for run in night.runs if run.field]
    assert fields
    together = pool_maps(fields)
    for hint in together.hints:
        assert hint[1:] in page
    assert "Best position over the sensor" in page


def test_pictures_state_the_result(night, failed_night, outline):
    (failed,) = (run for run in failed_night.runs if run.fit.verdict == "failed")
    assert "no best position" in failed.picture().label
    labels = [a["aria-label"] for tag, a in outline.tags if tag == "svg" and "aria-label" in a]
    first = f"{int(night.runs[0].fit.best_position)}."
    assert any("least, " in label and first in label for label in labels)


def test_hostile_text_is_shown_as_text(night):
    page = render_report(renamed(night, HOSTILE))
    assert page.count("<script>") == 1
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "{{ 7*7 }}" in page
    assert "\x1b" not in page
    assert "[31m" not in page
    outline = Outline()
    outline.feed(page)
    assert not [name for _, attrs in outline.tags for name in attrs if name.startswith("on")]


def test_same_night_gives_the_same_bytes(night, page):
    assert render_report(night) == page


def test_pictures_of_stars_are_left_out_when_frames_are_gone(night):
    gone = tuple(
        replace(run, frames=tuple(replace(f, info=replace(f.info, path="/nowhere/x.fits")) for f in run.frames))
        for run in night.runs
    )
    page = render_report(replace(night, runs=gone))
    assert "data:image" not in page


def test_report_goes_only_into_html_files(night, tmp_path):
    frame = tmp_path / "frame_0001.fits"
    frame.write_bytes(b"kept")
    with pytest.raises(FocuskitError, match=r"ends in \.html"):
        write_report(night, frame)
    assert frame.read_bytes() == b"kept"
    path = write_report(night, tmp_path / "new" / "night.html")
    assert path.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert list(path.parent.iterdir()) == [path]
    (tmp_path / "folder.html").mkdir()
    with pytest.raises(FocuskitError, match="cannot be written"):
        write_report(night, tmp_path / "folder.html")
    assert not list(tmp_path.glob("*.part"))
    with pytest.raises(FocuskitError, match="no focus run"):
        write_report(replace(night, runs=()), tmp_path / "empty.html")


def luminance(colour):
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    """Contrast ratio as WCAG 2.2 defines it."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", PAGE_SCHEMES)
def test_contrast_is_that_of_wcag_aa(name):
    # 4.5 to 1 for text, 3 to 1 for what must be seen in pictures (WCAG 2.2, 1.4.3 and 1.4.11).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    scheme = SCHEMES[name]
    for ground in ("paper", "panel", "band"):
        for text in ("ink", "quiet", "accent", "good", "usable", "failed"):
            assert contrast(scheme[text], scheme[ground]) >= 4.5, (text, ground)
        for line in ("accent", "second", "third", "fourth", "failed"):
            assert contrast(scheme[line], scheme[ground]) >= 3.0, (line, ground)


def test_pictures_of_notebooks_can_be_seen_on_white_and_on_black():
    for line in ("accent", "good", "usable", "failed", "second", "third", "fourth"):
        assert min(contrast(SCHEMES["any"][line], ground) for ground in ("#ffffff", "#111111")) >= 3.0, line


# What red-blind, green-blind and blue-blind eyes see, in linear RGB (Machado, Oliveira & Fernandes 2009,
# IEEE TVCG 15, 1291, severity 1; numbers from memory).
BLIND = {
    "red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def lab(linear):
    """Return CIE L*a*b* (D65) of linear sRGB."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    share = to_xyz @ np.clip(linear, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(share > 0.008856, np.cbrt(share), 7.787 * share + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("eye", BLIND)
def test_first_colours_stay_apart_for_colour_blind_eyes(eye):
    matrix = np.array(BLIND[eye])
    seen = []
    for colour in list(COLOURS.values())[:6]:
        parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        seen.append(lab(matrix @ linear))
    apart = [np.linalg.norm(a - b) for i, a in enumerate(seen) for b in seen[:i]]
    # A distance of 2.3 is just noticeable (Mahy et al. 1994); the marks differ in shape besides.
    assert min(apart) > 4 * 2.3


@pytest.mark.parametrize(("low", "high"), [(0, 1), (8900, 9204), (-13.2, 13.2), (0.0, 40.3), (9043.1, 9043.9)])
def test_ticks_are_few_round_and_inside(low, high):
    ticks = round_values(low, high)
    assert 2 <= len(ticks) <= 6
    assert low <= min(ticks) + 1e-9
    assert max(ticks) - 1e-9 <= high


needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: apt-get install chromium")


@needs_browser
@pytest.mark.parametrize(("width", "phone"), [(1280, False), (375, True)])
def test_report_in_a_browser(night, failed_page, tmp_path, width, phone):
    path = tmp_path / "night.html"
    path.write_text(failed_page, encoding="utf-8")
    with Page(width, 900, phone) as shown:
        shown.open(path)
        shown.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert shown.run("document.documentElement.scrollWidth") <= width

        assert shown.words_out_of_place() == []

        # The keyboard: one stop for a picture, arrow keys within it, what a frame is in the tip.
        shown.run("document.querySelector('#run-3 g.mark[tabindex=\"0\"]').focus()")
        assert "frame_0019" in shown.run("document.querySelector('#tip').textContent")
        shown.press("ArrowRight")
        assert "frame_0020" in shown.run("document.querySelector('#tip').textContent")
        assert shown.run("document.querySelectorAll('#run-3 tr.lit').length") == 1
        shown.press("Escape")
        assert shown.run("document.querySelector('#tip').hidden")

        # Sorting, unknown values last both ways.
        column = "[...document.querySelectorAll('table.runs tbody tr')].map(r => r.cells[4].dataset.value)"
        button = "document.querySelectorAll('table.runs thead button')[4].click()"
        for order in ("ascending", "descending"):
            shown.run(button)
            values = shown.run(column)
            assert values[-1] == ""
            numbers = [float(v) for v in values[:-1]]
            assert numbers == sorted(numbers, reverse=order == "descending")
            assert shown.run("document.querySelectorAll('table.runs thead th')[4].getAttribute('aria-sort')") == order

        # Copying says what was copied; a curve is shown on request; the colours change.
        shown.run("document.querySelector('#run-1 button.copy').click()")
        shown.run("new Promise(r => setTimeout(r, 300))")
        assert f"{int(night.runs[0].fit.best_position)}." in shown.run("document.querySelector('#said').textContent")
        line = "getComputedStyle(document.querySelector('#run-1 [data-line^=parabola]')).visibility"
        assert shown.run(line) == "hidden"
        shown.run("document.querySelectorAll('#run-1 li.switch button')[1].click()")
        assert shown.run(line) == "visible"
        before = shown.run("getComputedStyle(document.body).backgroundColor")
        shown.run("document.querySelector('.top button').click()")
        assert shown.run("getComputedStyle(document.body).backgroundColor") != before
        assert shown.complaints() == []


@needs_browser
def test_hostile_text_does_nothing_in_a_browser(night, tmp_path):
    path = write_report(renamed(night, HOSTILE + "x" * 60), tmp_path / "night.html")
    with Page(375, 900, True) as page:
        page.open(path)
        page.run("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert page.run("document.querySelector('h1').textContent").startswith("<script>alert(1)</script>")
        assert page.run("document.documentElement.scrollWidth") <= 375
        assert page.complaints() == []
