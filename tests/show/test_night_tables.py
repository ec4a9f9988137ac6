"""Tables of the sample night: they come back from ECSV as they went, with units."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable

from focuskit.show import write_tables
from focuskit.show.night_tables import points_table, runs_table

SAMPLE = Path(__file__).parents[2] / "sample_data"


def test_ecsv_comes_back_with_values_units_and_gaps(night, tmp_path):
    paths = write_tables(night, tmp_path / "out")
    assert [p.name for p in paths] == ["runs.ecsv", "points.ecsv"]
    runs, points = (QTable.read(path, format="ascii.ecsv") for path in paths)
    told = night.to_json()["runs"]
    assert len(runs) == len(told)
    assert len(points) == sum(len(run["points"]) for run in told)
    assert runs["hfd_best_px"].unit == u.pix
    assert runs["exposure_s"].unit == u.s
    assert runs["temperature_c"].unit == u.deg_C
    assert points["seeing_arcsec"].unit == u.arcsec
    for k, run in enumerate(told):
        assert runs["verdict"][k] == run["verdict"]
        if run["best_position"] is None:
            assert np.ma.is_masked(runs["best_position"][k])
            assert runs["hfd_best_px"].mask[k]
        else:
            assert runs["best_position"][k] == pytest.approx(run["best_position"], rel=1e-14)
            assert float(runs["hfd_best_px"].unmasked.value[k]) == pytest.approx(run["hfd_best_px"], rel=1e-14)
    rows = [(k, point) for k, run in enumerate(told, 1) for point in run["points"]]
    assert list(points["run"]) == [k for k, _ in rows]
    assert list(points["file"]) == [point["file"] for _, point in rows]
    assert list(points["used"]) == [point["used"] for _, point in rows]
    for name in ("hfd_px", "defocus_um"):
        assert list(points[name].mask) == [point[name] is None for _, point in rows]


def test_every_column_says_what_it_is(night):
    for table in (runs_table(night), points_table(night)):
        for name in table.colnames:
            assert table[name].info.description


def test_text_that_a_spreadsheet_would_run_is_made_harmless(night, tmp_path):
    run = night.runs[0]
    infos = tuple(replace(info, filter="=HYPERLINK(1)", instrument="@x\x1b[31m") for info in run.sweep.frames)
    frames = tuple(replace(f, info=replace(f.info, name="-2+3.fits")) for f in run.frames)
    odd = replace(night, runs=(replace(run, sweep=replace(run.sweep, frames=infos), frames=frames),))
    runs, points = (QTable.read(path, format="ascii.ecsv") for path in write_tables(odd, tmp_path))
    assert runs["filter"][0] == "'=HYPERLINK(1)"
    assert runs["instrument"][0] == "'@x"
    assert points["file"][0] == "'-2+3.fits"


def test_a_night_without_runs_gives_empty_tables(night, tmp_path):
    runs, points = (QTable.read(p, format="ascii.ecsv") for p in write_tables(replace(night, runs=()), tmp_path))
    assert len(runs) == len(points) == 0
