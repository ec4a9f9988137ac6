"""Defocus of single frames: rendered light frames with a known truth."""

import json
import math
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits

from focuskit.cli.run import main
from focuskit.core.calibration import Calibration, SeenOptics, SeenSide, Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.filters import FilterTable, OwnFilter
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.frames import RigFile
from focuskit.night import measure_single_frames
from focuskit.night.single import single_frame
from focuskit.scenes import Scene, Sweep, strew_stars, write_night
from focuskit.scenes.psf import StarShape
from focuskit.scenes.scene import least_hfd_defocus_um
from focuskit.stars import measure_frame
from focuskit.waves import stack_files

HERON = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
# In steps from the best position, in no order, as light frames come.
AWAY = (0, 60, -45, 110, -130, 20)
RIG_FILE = RigFile(rig=HERON)
# By how much the seeing is measured too wide on the mean and its scatter, by steps away: 6 seeds of these frames. Near
# focus a smaller seeing and more defocus match as well.
SEEING_EXCESS = {
    0: (-0.014, 0.049),
    20: (-0.069, 0.035),
    -45: (-0.006, 0.016),
    60: (-0.002, 0.006),
    110: (-0.001, 0.005),
    -130: (0.005, 0.011),
}


def light_frames(folder, spherical_waves=0.0):
    """Write light frames; return by file name what is true of them."""
    rng = np.random.default_rng(808)
    x, y, flux = strew_stars(60, (500, 700), rng, faintest_e_per_s=2000.0, brightest_e_per_s=1e5)
    scene = Scene(HERON, (500, 700), x, y, flux, best_position=9000.0, spherical_waves=spherical_waves)
    lights = Sweep("L", datetime(2031, 3, 4, 20, tzinfo=UTC), 0.0, 2.0, [9000 + k for k in AWAY], image_type="LIGHT")
    truth = write_night(folder, scene, [lights], rng)
    return {frame["file"]: frame for frame in truth["runs"][0]["frames"]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("lights")


@pytest.fixture(scope="module")
def truth(folder):
    return light_frames(folder)


def test_defocus_and_seeing_lie_within_their_errors(folder, truth):
    frames, not_used = measure_single_frames(folder, rig_file=RIG_FILE, workers=1)
    assert not not_used
    assert [frame.info.name for frame in frames] == sorted(truth)
    for frame in frames:
        away_um = 4.0 * abs(truth[frame.info.name]["position"] - 9000)
        assert abs(frame.defocus.defocus_um - away_um) < 3.0 * frame.defocus.defocus_err_um
        excess, scatter = SEEING_EXCESS[truth[frame.info.name]["position"] - 9000]
        ratio = frame.defocus.seeing_arcsec / truth[frame.info.name]["seeing_arcsec"]
        assert ratio == pytest.approx(1.0 + excess, abs=3.0 * scatter)
        # Nothing is known of the aberration, but frames at other positions of the same minute tell the side.
        away = truth[frame.info.name]["position"] - 9000
        assert frame.side in (("outside" if away > 0 else "inside"), *([None] if abs(away) < 40 else []))
        assert frame.focus.side_from in ("sweep", None)
        if frame.side:
            assert abs(frame.focus.best_position - 9000.0) < 3.0 * frame.focus.best_position_err
    in_focus, farthest = frames[0], frames[4]
    assert in_focus.growth < 1.02
    # Seeing and donut of 74 µm together, over the seeing alone: D √((1+ε²)/2) = 56 µm against about 20 µm.
    assert 2.4 < farthest.growth < 3.4


def test_with_the_aberration_known_the_distance_is_right_and_focus_a_limit(folder, truth):
    """0.3 to 0.7 µm of scatter far from focus; in focus and 80 µm from it only a limit, which contains the truth."""
    none = Calibration(spherical=(Spherical(0.0, 1e-5, 0.55),))
    for name in truth:
        away_um = 4.0 * abs(truth[name]["position"] - 9000)
        found = single_frame(measure_frame(folder / name, rig_file=RIG_FILE), RIG_FILE, calibration=none).defocus
        if away_um > 200.0:
            assert found.limit_um() is None
            for side in found.sides:
                assert abs(side.distance_um - away_um) < 3.0 * min(side.err_um, 0.7)
            assert found.within(found.tolerance_um) < 1e-6
        elif away_um < 100.0:
            assert away_um < found.limit_um() < 170.0
            assert found.within(found.limit_um()) == pytest.approx(0.95, abs=0.01)


def test_a_known_aberration_tells_the_side(tmp_path):
    truth = light_frames(tmp_path, spherical_waves=0.05)
    known = Calibration(spherical=(Spherical(0.05 * 0.55, 0.001 * 0.55, 0.55),))
    told = {}
    for name in sorted(truth):
        told[name] = single_frame(measure_frame(tmp_path / name, rig_file=RIG_FILE), RIG_FILE, calibration=known)
    for name, frame in told.items():
        away = truth[name]["position"] - 9000
        # From where the HFD is least in the seeing of this frame.
        seeing_um = truth[name]["seeing_arcsec"] * 1400e3 / 206264.8
        star = StarShape(3.76, 7.0, 0.36, seeing_fwhm_um=seeing_um, spherical_waves=0.05)
        away_um = abs(truth[name]["defocus_um"] - least_hfd_defocus_um(star))
        assert abs(frame.defocus.defocus_um - away_um) < 3.5 * frame.defocus.defocus_err_um
        assert frame.side in (None, "outside" if away > 0 else "inside")
    assert sum(frame.side is not None for frame in told.values()) >= 4


def test_a_run_that_a_frame_belongs_to_changes_nothing_of_its_answer(folder, truth):
    """A logged run with much left over: of those minutes it is left out, of another night not."""
    left = SeenSide(30.0, 0.5, 4.0, 0.0, 200.0, 600.0, 1.0, 0.55)
    run = LoggedRun(
        datetime(2031, 3, 4, 20, tzinfo=UTC), 9000.0, "L", rig="Heron", seconds=60.0, tolerance_steps=18.0,
        spherical=Spherical(0.0, 1e-3, 0.55), outside=left, inside=left, key="own",
    )  # fmt: skip
    (name,) = [name for name in truth if truth[name]["position"] == 9110]

    def look(*history):
        ((frame,), _) = measure_single_frames(
            folder / name, rig_file=RIG_FILE, workers=1, history=history, side="outside"
        )
        return frame.to_json()

    alone, own, other = look(), look(run), look(replace(run, time=run.time - timedelta(days=1)))
    assert own == alone
    assert not alone["calibrated"] and other["calibrated"]
    assert other["best_position_err"] < alone["best_position_err"]
    # 30 µm that frames of such a telescope say too much.
    assert other["best_position"] - alone["best_position"] > 25.0 / 4.0


def test_the_rig_files_wavelength_goes_before_the_usual_one(folder, truth):
    frame = measure_frame(folder / sorted(truth)[0], rig_file=RIG_FILE)
    usual = single_frame(frame, RIG_FILE).defocus
    same, infrared = (
        single_frame(frame, replace(RIG_FILE, filters=FilterTable({"L": OwnFilter(nm)}))).defocus
        for nm in (550.0, 900.0)
    )
    assert (same.sides, same.seeing_arcsec) == (usual.sides, usual.seeing_arcsec)
    # More of the same width is diffraction, so less of it is seeing.
    assert infrared.seeing_arcsec < 0.99 * usual.seeing_arcsec


def test_logged_optics_stand_in_for_those_not_given_where_they_have_a_scale(folder, truth):
    """520 µm out: with the pixel and the runs' focal ratio over pixel within its 7 %; without a pixel no length is."""
    (name,) = (name for name, one in truth.items() if one["position"] == 9000 + AWAY[4])
    frame = measure_frame(folder / name, rig_file=RIG_FILE)
    nothing = dict.fromkeys(("pixel_um", "focal_length_mm", "aperture_mm", "obstruction", "um_per_step"))
    known = Calibration(optics=(SeenOptics(math.log(7.0 / 3.76), 0.01, 0.36, 0.01, 0.0),))
    found = single_frame(replace(frame, info=replace(frame.info, **nothing | {"pixel_um": 3.76})), calibration=known)
    assert abs(found.defocus.defocus_um) == pytest.approx(abs(truth[name]["defocus_um"]), rel=0.07)
    with pytest.raises(FocuskitError, match="pixel_um"):
        single_frame(replace(frame, info=replace(frame.info, **nothing)), calibration=known)


def test_what_cannot_be_told_is_named(folder, truth, tmp_path):
    unknown = RigFile(rig=replace(HERON, obstruction=None))
    frames, not_used = measure_single_frames(folder, rig_file=unknown, workers=1)
    assert not frames
    assert {str(why) for _, why in not_used} == {"its telescope is not known (obstruction); give a rig file with --rig"}
    with pytest.raises(FocuskitError, match="no FITS files"):
        measure_single_frames(tmp_path)


def test_a_frame_that_is_gone_when_its_stars_are_stacked_is_said_to_be_that(folder, truth, tmp_path, monkeypatch):
    """Not that it shows too few stars."""
    name = sorted(truth)[0]
    shutil.copy(folder / name, tmp_path)

    def lose(path, *_):
        raise FocuskitError(f"{path}: is gone")

    monkeypatch.setattr(stack_files, "read_pixels", lose)
    frames, not_used = measure_single_frames(tmp_path, rig_file=RIG_FILE, workers=1)
    assert frames == []
    ((lost, why),) = not_used
    assert (lost, why.code, str(why)) == (name, "unreadable", "is gone")


def test_a_frame_of_another_telescope_does_not_take_the_rig_file(folder, truth, tmp_path):
    """Its header says another name and focal length: what the rig file says of the obstruction is not about it."""
    names = sorted(truth)[:2]
    for name in names:
        shutil.copy(folder / name, tmp_path)
    with fits.open(tmp_path / names[1], mode="update") as file:
        file[0].header.update(TELESCOP="Stork", FOCALLEN=400.0)
    frames, not_used = measure_single_frames(tmp_path, rig_file=RIG_FILE, workers=1)
    assert [(one.info.name, one.rig.name) for one in frames] == [(names[0], "Heron")]
    assert [(name, "obstruction" in str(why)) for name, why in not_used] == [(names[1], True)]


def test_the_command_answers_people_and_scripts(folder, truth, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    rig = tmp_path / "heron.toml"
    rig.write_text('name = "Heron"\nobstruction = 0.36\num_per_step = 4.0\n', encoding="utf-8")
    (folder / "cut.fits").write_bytes(b"SIMPLE  =")
    try:
        assert main(["defocus", str(folder), "--rig", str(rig), "--workers", "1", "--json"]) == 0
        answer = json.loads(capsys.readouterr().out)
        assert main(["defocus", str(folder), "--rig", str(rig), "--workers", "1"]) == 0
        text = capsys.readouterr().out
    finally:
        (folder / "cut.fits").unlink()
    assert answer["schema"] == "focuskit.defocus/1"
    assert [one["file"] for one in answer["not_used"]] == ["cut.fits"]
    first = answer["frames"][1]
    assert first["position"] == 9060
    assert first["defocus_steps"] == pytest.approx(first["defocus_um"] / 4.0)
    assert abs(first["defocus_steps"] - 60.0) < 3.0 * first["defocus_err_steps"]
    assert first["hfd_growth_pct"] > 20.0
    assert "cut.fits" in text and "of 6 frames lost more than 5 %" in text
    assert main(["defocus", str(folder), "--workers", "1"]) == 1
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and "--rig" in told
    assert main(["defocus", str(folder), "--rig", str(rig), "--logbook", str(tmp_path / "none.sqlite")]) == 1
    assert "none.sqlite" in capsys.readouterr().err
