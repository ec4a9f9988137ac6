"""The small picture of a notebook: its points stand where the numbers say."""

import math
import xml.etree.ElementTree as ET

import pytest

from focuskit.core.notebook import draw_points

SVG = "{http://www.w3.org/2000/svg}"


def test_points_and_lines_share_one_scale():
    root = ET.fromstring(draw_points([0.0, 1.0, 4.0], [2.0, 6.0, 10.0], lines=[([0, 4], [2, 10]), ([2, 2], [2, 10])]))
    dots = [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter(f"{SVG}circle")]
    across = dots[2][0] - dots[0][0]
    up = dots[0][1] - dots[2][1]
    assert across > 300 and up > 100
    assert dots[1][0] - dots[0][0] == pytest.approx(across / 4, abs=0.2)
    assert dots[0][1] - dots[1][1] == pytest.approx(up / 2, abs=0.2)
    lines = [
        [tuple(map(float, p.split(","))) for p in way.get("points").split()] for way in root.iter(f"{SVG}polyline")
    ]
    assert lines[0] == [dots[0], dots[2]]
    assert lines[1][0] == (pytest.approx(dots[0][0] + across / 2, abs=0.2), dots[0][1])


def test_error_bars_reach_one_error_to_each_side():
    root = ET.fromstring(draw_points([0.0, 1.0], [0.0, 10.0], [5.0, math.nan]))
    dots = [float(c.get("cy")) for c in root.iter(f"{SVG}circle")]
    low, high = (float(v) for v in root.findall(f".//{SVG}path")[1].get("d").split(",")[1].split("V"))
    assert low - dots[0] == pytest.approx((dots[0] - dots[1]) / 2, abs=0.2)
    assert dots[0] - high == pytest.approx((dots[0] - dots[1]) / 2, abs=0.2)


def test_what_is_not_known_is_left_out_and_text_is_escaped():
    assert draw_points([1.0, math.nan], [math.nan, 1.0]) == ""
    shown = draw_points([1.0, 2.0], [3.0, math.nan], x_label="<b>", x_text=lambda v: f"<{v:.0f}>")
    assert "<b>" not in shown and "&lt;b&gt;" in shown
    root = ET.fromstring(shown)
    assert len(root.findall(f".//{SVG}circle")) == 1
    assert "<1>" in [t.text for t in root.iter(f"{SVG}text")]
