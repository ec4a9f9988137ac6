"""What a night's runs tell of the optics together: pooled maps and shapes, findings, and the map of the report."""

import math
from dataclasses import replace

import numpy as np
import pytest
from small_nights import HERON, take_run, write_run

import focuskit
from focuskit.core.calibration import Shown, Spherical
from focuskit.core.optics import critical_focus_zone_um
from focuskit.diagnosis.optics import optics_findings
from focuskit.field import FieldMap, pool_maps
from focuskit.field.map import Corner
from focuskit.frames import RigFile
from focuskit.show.report_night import field_views

CORNERS = ("top left", "top right", "bottom left", "bottom right")
FLAT = FieldMap(
    1.0, 2.0, -1.0, 2.0, 0.5, 2.0, 0.4, 0.2, 1.0, 1.0, 10000.0, 10000.0, 6.0,
    tuple(Corner(name, 6.02, 6.01, 0.05, 10000.0) for name in CORNERS), 24.0, 16.0, 150,
)  # fmt: skip
TILTED = replace(
    FLAT, tilt_x_um=150.0, tilt_sigma=20.0, tilt_growth=1.12, curvature_um=90.0, curvature_sigma=15.0,
    best_position_whole_field=10007.5,
    corners=(*FLAT.corners[:3], Corner("bottom right", 7.2, 6.6, 0.05, 10040.0)),
)  # fmt: skip


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = write_run(tmp_path_factory.mktemp("night"), take_run())
    (only,) = focuskit.analyse(folder, rig_file=RigFile(rig=HERON), workers=1).runs
    assert only.aberrations
    return only


def found(runs):
    return {finding.name: finding for finding in optics_findings(runs)}


def test_clean_run_has_an_answer_to_every_question(run):
    told = found([replace(run, field=FLAT)])
    assert list(told) == [
        "tilt", "field_curvature", "whole_field_position", "corner_blur",
        "coma", "astigmatism", "elongation", "spherical",
    ]  # fmt: skip
    for finding in told.values():
        assert not finding.seen
        assert finding.err > 0.0
        assert finding.advice == ""
    assert told["tilt"].text == f"no tilt seen, below {FLAT.tilt_limit_um:.1f} µm from edge to edge"
    assert told["coma"].text.startswith("no coma seen, below 0.0")


def test_what_is_seen_is_stated_with_its_error_and_what_to_do(run):
    told = found([replace(run, field=TILTED)])
    assert told["tilt"].seen
    assert "tilt of 150.0 ± 2.0 µm" in told["tilt"].text
    assert told["tilt"].advice
    assert told["field_curvature"].text.startswith("field curvature of 90.0 ± 2.0 µm")
    # A third of the curvature over some 4 µm per step.
    whole = told["whole_field_position"]
    assert whole.err == pytest.approx(2.0 / 3.0 / 4.0, rel=0.02)
    assert whole.text == "the whole field is served best 7.50 ± 0.17 steps above the best position of the middle"
    assert told["corner_blur"].value == pytest.approx(10.0)
    assert "20 % larger than in the middle; at their own best position 10.00 ± 0.83 %" in told["corner_blur"].text
    assert "mend" in told["corner_blur"].text


def test_spherical_aberration_of_the_runs_together(run):
    # 0.03 and 0.032 waves, each to 0.002: together seen, and harmless by Maréchal's 1/14 wave.
    runs = [replace(run, shown=Shown(Spherical(0.55 * w, 0.55 * 0.002, 0.55))) for w in (0.030, 0.032)]
    spherical = found(runs)["spherical"]
    assert spherical.value == pytest.approx(0.031, rel=0.02)
    assert spherical.err == pytest.approx(math.hypot(0.002 / math.sqrt(2.0), 0.001), rel=0.1)
    assert "a hint of spherical aberration, 0.0311 ± 0.0017 waves rms" in spherical.text
    assert spherical.text.endswith("it does no harm")
    assert not spherical.advice
    strong = replace(run, shown=Shown(Spherical(0.55 * 0.1, 0.55 * 0.002, 0.55)))
    assert found([strong])["spherical"].advice


def test_runs_together_are_surer_and_those_turned_otherwise_stand_apart(run):
    own = [replace(TILTED, tilt_x_um=150.0 + d) for d in (-2.0, 0.0, 2.0)]
    together = pool_maps(own)
    assert together.tilt_x_um == pytest.approx(150.0)
    assert together.tilt_x_um_err == pytest.approx(2.0 / math.sqrt(3.0))
    assert together.corners[3].hfd_own_best_px == pytest.approx(6.6)
    # Runs that disagree by more than their errors widen the error of the mean.
    apart = pool_maps([replace(TILTED, tilt_x_um=value) for value in (130.0, 170.0)])
    assert apart.tilt_x_um_err == pytest.approx(20.0)
    turned = [
        replace(run, field=TILTED, frames=tuple(replace(f, info=replace(f.info, rotator_deg=a)) for f in run.frames))
        for a in (0.0, 0.2, 90.0)
    ]
    told = optics_findings(turned)
    assert [f.name for f in told].count("tilt") == 2
    assert told[0].text.startswith("Heron, Simulated camera, rotator at 0°: tilt of 150.0 ± 1.4 µm")
    assert len(field_views(turned)) == 2


def test_map_of_the_report(run):
    (view,) = field_views([replace(run, field=TILTED)] * 2)
    assert "(2 runs together)" in view["picture"].title
    cells, *words = view["picture"].panels[0].layers
    # Best positions grow to the right; by half the tilt and, in the corner, the curvature.
    assert (cells.values[:, -1] > 0.0).all()
    assert words[4].words == "0"
    assert view["corners"][3] == ("bottom right", "7.20", "+20", "10.00 ± 0.59")
    # A flat field is shown as flat.
    (flat,) = field_views([replace(run, field=FLAT)])
    cells = flat["picture"].panels[0].layers[0]
    assert np.abs(cells.values).max() < 0.4 * cells.most
    assert field_views([replace(run, field=None)]) == []


# Handbook --------------------------------------------------------------------------------------


def test_sag_radius_angle_and_quarter_wave():
    # A sphere of 107 mm over a half diagonal of 14.422 mm sags R - √(R² - r²).
    sag_um = 1e3 * (107.0 - math.sqrt(107.0**2 - FLAT.half_diagonal_mm**2))
    curved = replace(FLAT, curvature_um=sag_um, curvature_sigma=30.0)
    assert curved.curvature_radius_mm == pytest.approx(107.0)
    assert FLAT.half_diagonal_mm == pytest.approx(0.5 * math.hypot(24.0, 16.0))
    # 7 µm over 24 mm is an angle of 7e-3 / 24 radian, one minute of arc 2.909e-4.
    tilted = replace(FLAT, tilt_x_um=7.0, tilt_y_um=0.0)
    assert tilted.tilt_angle_arcmin == pytest.approx(7e-3 / 24.0 / 2.90888e-4, rel=1e-4)
    # As much slope down the columns as along the rows: 45°, though the sensor is less high than wide.
    assert replace(FLAT, tilt_x_um=24.0, tilt_y_um=16.0).tilt_direction_deg == pytest.approx(45.0)
    # A quarter wave at the edge of the pupil: dz / (8 N²) = λ / 4 (Smith, Modern Optical Engineering).
    assert critical_focus_zone_um(7.0, 550.0) / (8.0 * 49.0) == pytest.approx(0.25 * 0.55)


def test_away_from_the_middle():
    assert FLAT.away_um(0.0, 0.0) == 0.0
    assert TILTED.away_um(0.5, 0.5) - TILTED.away_um(-0.5, -0.5) == pytest.approx(150.0 - 1.0)
    corners = np.mean([TILTED.away_um(u, v) for u in (-0.5, 0.5) for v in (-0.5, 0.5)])
    assert corners == pytest.approx(90.0)
