"""Pictures: axes with sensible ticks, and an SVG in which everything stands where the numbers say."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from focuskit.core.picture import Axis, Band, Cells, Images, Line, Panel, Picture, Points, Text, axis_of
from focuskit.core.svg import draw_svg

SVG = "{http://www.w3.org/2000/svg}"
WHOLE = [-math.inf, math.inf]


def drawn(*layers, x=None, y=None, height=200.0, **more):
    """Return the elements of the picture that has these layers in one panel."""
    x, y = x or Axis("x (m)", 0.0, 10.0), y or Axis("y (s)", 0.0, 10.0)
    picture = Picture("title", "label", x, (Panel(y, layers, height),), **more)
    text = draw_svg(picture).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ')
    return ET.fromstring(f"<figure>{text}</figure>")


def corners(element):
    """Return the corners of a path of straight lines."""
    return [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.]+)", element.get("d"))]


def dots(root):
    """Return where the marks stand."""
    return [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter(f"{SVG}circle")]


def named(root, name):
    return next(e for e in root.iter(f"{SVG}path") if e.get("data-line") == name)


def words(root):
    return [e.text for e in root.iter(f"{SVG}text")]


def test_points_and_lines_share_one_scale():
    root = drawn(
        Points([0.0, 2.5, 10.0], [0.0, 5.0, 8.0], tips=["a", "b", "c"]), Line([0.0, 10.0], [0.0, 8.0], name="straight")
    )
    low, middle, far = dots(root)
    assert far[0] - low[0] > 300 and low[1] - far[1] > 100
    assert middle[0] - low[0] == pytest.approx(0.25 * (far[0] - low[0]), abs=0.2)
    start, end = corners(named(root, "straight"))
    assert start[0] == pytest.approx(low[0], abs=0.1)
    assert end == pytest.approx(far, abs=0.1)


def test_error_bars_reach_one_error_to_each_side():
    root = drawn(Points([2.0, 8.0], [2.0, 8.0], err=[1.0, math.nan], x_err=[3.0, math.nan], tips=["a", "b"]))
    (bar,) = [e for e in root.iter(f"{SVG}path") if e.get("class") == "bar"]
    x, low, high, left, y, right = map(float, re.findall(r"[\d.]+", bar.get("d")))
    first, second = dots(root)
    unit = (second[0] - first[0]) / 6.0, (first[1] - second[1]) / 6.0
    assert (x, y) == pytest.approx(first, abs=0.1)
    assert (low - y, y - high) == pytest.approx((unit[1], unit[1]), abs=0.2)
    assert (x - left, right - x) == pytest.approx((2.0 * unit[0], 3.0 * unit[0]), abs=0.2)  # cut at the edge


def test_what_is_not_known_is_left_out_and_text_is_escaped():
    root = drawn(
        Points([1.0, math.nan, 2.0], [3.0, 1.0, math.nan], tips=["<i>", "b", "c"], name="<b>"),
        Line([0.0, 1.0, 2.0, 3.0], [1.0, math.nan, 1.0, 2.0], name="broken"),
        Text(5.0, 5.0, "<u>\nsecond line"),
        y=Axis("<y>", 0.0, 10.0),
        notes=("<note>",),
    )
    assert len(dots(root)) == 1
    assert named(root, "broken").get("d").count("M") == 2
    assert {"<u>", "second line", "<y>"} <= set(words(root))
    assert [e.text or e[0].tail.strip() for e in root.iter("li")] == ["<b>", "broken", "<note>"]


def test_what_lies_beyond_stands_at_the_edge():
    root = drawn(
        Points([5.0, 5.0, 5.0], [-math.inf, 99.0, 0.0], tips=["a", "b", "c"]),
        Line([4.0, 4.0], WHOLE, name="upright"),
        Band([2.0, 3.0], -math.inf, math.inf, name="band"),
    )
    below, above, floor = dots(root)
    assert below == floor
    (x, top), (same, bottom) = sorted(corners(named(root, "upright")), key=lambda p: p[1])
    assert x == same and bottom - top == pytest.approx(200.0)
    assert top < above[1] < top + 10 and bottom - 10 < below[1] < bottom
    band = next(e for e in root.iter(f"{SVG}path") if "--band" in e.get("fill", ""))
    assert {y for _, y in corners(band)} == {top, bottom}


def test_an_axis_can_count_from_above_in_logarithms_in_names_and_in_time():
    assert Axis("", 8.0, 0.0).share([0.0, 2.0, 8.0]) == pytest.approx([1.0, 0.75, 0.0])
    minutes = Axis("", 10.0, 1000.0, "log", at=(5, 30, 100))
    assert minutes.share([10.0, 100.0, 1000.0]) == pytest.approx([0.0, 0.5, 1.0])
    assert minutes.ticks(6) == [(30, "30"), (100, "100")]
    assert Axis("", -0.5, 1.5, "names", ("L", "A very long name")).ticks(1) == [(0.0, "L"), (1.0, "A very long…")]
    evening = axis_of("", [1.9e9, 1.9e9 + 4 * 3600.0], kind="time")
    assert [word for _, word in evening.ticks(6)] == ["18:00", "19:00", "20:00", "21:00"]
    year = axis_of("", [1.9e9, 1.9e9 + 350 * 86400.0], kind="time")
    assert [word for _, word in year.ticks(6)] == ["Apr 2030", "Jul 2030", "Oct 2030", "Jan 2031"]
    assert [word for _, word in Axis("", -1.5, 1234567.0).ticks(3)] == ["0", "500000", "1000000"]


def test_long_numbers_of_an_axis_have_room():
    for high in (10.0, 1e6):
        root = drawn(Points([1.0], [1.0], tips=["a"]), y=Axis("y", 0.0, high))
        ends = [(float(e.get("x")), e.text) for e in root.iter(f"{SVG}text") if e.get("text-anchor") == "end"]
        # a digit is 11.5 px wide where letters are largest
        assert all(x - 11.5 * len(word) >= 0.0 for x, word in ends if word != "x (m)")


def test_words_above_do_not_run_into_each_other():
    near = [Line([x, x], WHOLE, "advice", word="rebuild") for x in (5.0, 5.1, 9.9)]
    places = [(float(e.get("x")), e.get("text-anchor")) for e in drawn(*near).iter(f"{SVG}text") if e.text == "rebuild"]
    assert len(places) == 2 and places[1][1] == "end"


def test_a_map_shows_side_and_size_and_keeps_its_shape():
    cells = Cells(np.array([[-2.0, 1.0], [0.0, 2.0]]), 4.0)
    root = drawn(cells, x=Axis("x", 0.0, 4.0), y=Axis("y", 2.0, 0.0), height=None)
    below, above = [g for g in root.iter(f"{SVG}g") if g.get("shape-rendering")]
    assert [float(r.get("opacity")) for r in below] == [pytest.approx(0.3)]
    assert [float(r.get("opacity")) for r in above] == pytest.approx([0.15, 0.3])
    box = [float(above[0].get(name)) for name in ("width", "height")]
    assert box[0] == pytest.approx(2.0 * box[1], abs=0.2)


def test_images_stand_side_by_side_as_far_as_there_is_room():
    strip = Images([1.0, 1.2, 5.0], ["data:a", "data:b", "data:c"], ["a", "b", "c"])
    root = drawn(strip, y=Axis("", 0.0, 1.0))
    shown = [(e.get("href"), float(e.get("width")), float(e.get("height"))) for e in root.iter(f"{SVG}image")]
    assert [source for source, *_ in shown] == ["data:a", "data:c"]
    assert all(high == 2.0 * wide for _, wide, high in shown)


def test_a_strip_without_an_axis_has_words_in_its_bands():
    root = drawn(Band([0.0, 5.0], 0.0, 1.0, words="L"), Band([5.0, 10.0], 0.0, 1.0, words="R"), y=Axis("", 0.0, 1.0))
    assert {"L", "R", "x (m)"} <= set(words(root))


def test_the_tab_key_stops_once_and_repeated_points_are_passed_over():
    points = Points([1.0, 2.0], [1.0, 2.0], tips=["a\nb", "c"], index=[7, 8])
    again = Points([1.0, 2.0], [3.0, 4.0], tips=["a", "c"], index=[7, 8], again=True)
    marks = [e for e in drawn(points, again).iter(f"{SVG}g") if e.get("class") == "mark"]
    assert [e.get("tabindex") for e in marks] == ["0", "-1", None, None]
    assert [e.get("data-index") for e in marks] == ["7", "8", "7", "8"]
    assert marks[0].get("aria-label") == "a, b" and marks[2].get("aria-hidden") == "true"
