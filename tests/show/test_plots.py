"""The pictures of the sample night, looked at through what matplotlib drew."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.dates import date2num
from matplotlib.figure import Figure

from focuskit.core.errors import FocuskitError
from focuskit.core.text import file_word, plain_text, round_pair, write_whole
from focuskit.field import FieldMap
from focuskit.field.map import Corner
from focuskit.show import plot_curve, plot_field, plot_night, plot_residuals, save_night_plots

SAMPLE = Path(__file__).parents[2] / "sample_data"


@pytest.fixture(scope="module")
def cloudy(night):
    return next(r for r in night.runs if r.fit.fits and any(w and w.code == "cloud" for w in r.fit.why_not_used))


@pytest.fixture(scope="module")
def failed(failed_night):
    return next(run for run in failed_night.runs if run.fit.verdict == "failed")


def drawn(ax, label):
    """Return the points of the line with this label."""
    line = next(line for line in ax.get_lines() if line.get_label() == label)
    return np.array(line.get_xydata(), float)


def legend(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def test_curve_shows_frames_curves_best_position_and_tolerance(cloudy):
    ax = plot_curve(cloudy)
    used = np.array(cloudy.fit.used)
    shown = next(c for c in ax.containers if c.get_label() == "frames").lines[0].get_xydata()
    assert shown == pytest.approx(np.column_stack([cloudy.positions, cloudy.sizes.hfd_px])[used])
    assert len(drawn(ax, "set aside")) == np.sum(~used & np.isfinite(cloudy.sizes.hfd_px))
    assert "cloud" in [text.get_text() for text in ax.texts]
    curve = drawn(ax, "curve through the squared sizes")
    assert curve[:, 1] == pytest.approx(cloudy.fit.fits["squared sizes"].size_at(curve[:, 0]))
    assert drawn(ax, "best position")[:, 0] == pytest.approx(cloudy.fit.best_position)
    value, err = round_pair(cloudy.fit.best_position, cloudy.fit.best_position_err)
    assert f"{value} ± {err}" in [text.get_text() for text in ax.texts]
    assert f"tolerance ±{cloudy.fit.tolerance_steps:.0f} steps (5 % in size)" in legend(ax)
    assert ax.get_xlabel().endswith("(steps)")
    assert ax.get_ylabel().endswith("(px)")


def test_failed_run_shows_frames_and_where_to_look(failed):
    ax = plot_curve(failed)
    assert f"centre the next sweep near {failed.fit.look_near:.0f}" in legend(ax)
    assert not any("best position" in label for label in legend(ax))
    assert failed.residuals_pct() is None
    assert "no curve" in plot_residuals(failed).texts[0].get_text()


def test_residuals_are_sizes_less_the_curve(cloudy):
    off = cloudy.residuals_pct()
    curve = cloudy.fit.fits["squared sizes"].size_at(cloudy.positions)
    assert curve * (1 + off / 100) == pytest.approx(cloudy.sizes.hfd_px, nan_ok=True)
    ax = plot_residuals(cloudy)
    low, high = ax.get_ylim()
    used = np.array(cloudy.fit.used)
    assert low < off[used].min() < off[used].max() < high


def test_night_shows_every_run_once_with_temperature_and_seeing(failed_night):
    night = failed_night
    ax = plot_night(night)
    _, warm, seeing = ax.figure.axes
    places = [point for c in ax.containers for point in c.lines[0].get_ydata()]
    assert sorted(places) == pytest.approx(sorted(r.fit.best_position for r in night.runs if r.fit.best_position))
    assert len(drawn(ax, "failed")) == 1
    assert legend(seeing) == ["L", "R", "Ha", "failed"]
    assert warm.lines[0].get_ydata() == pytest.approx([r.temperature_c for r in night.runs])
    seen = [p["seeing_arcsec"] for run in night.to_json()["runs"] for p in run["points"] if p["seeing_arcsec"]]
    assert seeing.lines[0].get_ydata() == pytest.approx(seen)
    # times are dates of matplotlib, so that others can be drawn beside them
    assert drawn(ax, "failed")[0, 0] == pytest.approx(
        date2num(next(r.start for r in night.runs if r.fit.best_position is None))
    )


def test_axes_that_are_given_are_used(cloudy, night):
    for draw, what in ((plot_curve, cloudy), (plot_residuals, cloudy), (plot_night, night)):
        ax = Figure().add_subplot()
        assert draw(what, ax=ax) is ax


def test_files_have_safe_names_whatever_the_filter_is_called(night, cloudy, tmp_path):
    name = "../../_O\\III: $\\frac{ \x1b[31m字"
    frames = tuple(replace(info, filter=name) for info in cloudy.sweep.frames)
    odd = replace(night, runs=(replace(cloudy, sweep=replace(cloudy.sweep, frames=frames)),))
    folder = tmp_path / "a" / "b"
    paths = save_night_plots(odd, folder, ("svg",))
    assert sorted(folder.iterdir()) == sorted(paths)
    assert [p.name for p in paths] == [
        "night.svg",
        "run_01_O-III-frac-字_curve.svg",
        "run_01_O-III-frac-字_residuals.svg",
        "run_01_O-III-frac-字_field.svg",
    ]
    again = save_night_plots(odd, tmp_path / "again", ("svg",))
    assert [p.read_bytes() for p in paths] == [p.read_bytes() for p in again]
    with pytest.raises(FocuskitError, match="png, svg or pdf"):
        save_night_plots(odd, folder, ("exe",))


def test_png_is_a_png(night, tmp_path):
    (path,) = save_night_plots(replace(night, runs=()), tmp_path, ("png",))
    assert path.read_bytes().startswith(b"\x89PNG")


TILTED = FieldMap(
    120.0, 4.0, -40.0, 3.0, 30.0, 2.0, 20.0, 12.0, 1.08, 1.01, 9010.0, 9008.0, 6.0,
    tuple(Corner(name, 6.6, 6.1, 0.03, 9000.0) for name in ("top left", "top right", "bottom left", "bottom right")),
    24.0, 16.0, 150,
)  # fmt: skip


def test_field_is_drawn_with_what_it_says(cloudy):
    ax = plot_field(replace(cloudy, field=TILTED))
    shown = " ".join(ax.get_xlabel().split())
    for hint in TILTED.hints:
        assert hint[1:] in shown
    corners = [text.get_text() for text in ax.texts if "own best" in text.get_text()]
    assert corners == ["HFD 10 % larger\n1.67 ± 0.50 % at its own best"] * 4
    numbers = [text.get_text() for text in ax.texts if "own best" not in text.get_text()]
    assert numbers == [f"{round(TILTED.away_um(0.42 * u, 0.42 * v)):+d}".replace("-", "−").replace("+0", "0")
                       for u, v in ((0, -1), (-1, 0), (0, 0), (1, 0), (0, 1))]  # fmt: skip
    # Towards the right and the top of the image, as the map has it: rows are drawn downwards.
    assert ax.get_ylim()[0] > ax.get_ylim()[1]
    cells = ax.images[0].get_array()
    rows, columns = cells.shape
    assert cells[0, -1] == pytest.approx(TILTED.away_um(0.5 - 0.5 / columns, 0.5 / rows - 0.5))
    assert cells[0, -1] == cells.max() > 50.0
    assert "no map" in plot_field(replace(cloudy, field=None)).texts[0].get_text()


@pytest.mark.parametrize(
    ("value", "err", "written"),
    [
        (9043.148, 0.0924, ("9043.148", "0.092")),
        (9043.148, 12.4, ("9043", "12")),
        (-3.26, 0.5, ("−3.26", "0.50")),
        (5.04, None, ("5.0", None)),
        (None, 0.1, ("–", None)),
    ],
)
def test_numbers_are_rounded_by_their_error(value, err, written):
    assert round_pair(value, err) == written


def test_foreign_text_is_made_plain():
    assert plain_text("a\x1b[31mred\x1b[0m\x1b]0;title\x07\u202eb\n") == "ared b"
    assert file_word("con/../x", "none") == "con-x"
    assert file_word("\x1b[2J", "none") == "none"


def test_files_are_written_whole_and_links_replaced(tmp_path):
    kept = tmp_path / "frame.fits"
    kept.write_bytes(b"kept")
    link = tmp_path / "night.svg"
    link.symlink_to(kept)
    write_whole(link, b"new")
    assert link.read_bytes() == b"new"
    assert kept.read_bytes() == b"kept"
    with pytest.raises(FocuskitError, match="cannot be written"):
        write_whole(kept / "night.svg", b"new")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["frame.fits", "night.svg"]
