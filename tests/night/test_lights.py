"""Light frames of a night: frames in no run, how far from focus each was, and what each lost to what."""

from datetime import timedelta

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d
from small_nights import HERON, START, take_run, write_run

from focuskit.frames import RigFile
from focuskit.night import analyse
from focuskit.night.losses import Losses

RIG_FILE = RigFile(rig=HERON)
BIAS = 500  # of the simulated camera, ADU
# What befalls the light frames, in order of time: position, seeing.
LIGHTS = {
    "sharp": (10_000, 2.6),
    "outside": (10_070, 2.6),
    "inside": (9_960, 2.6),
    "seeing": (10_000, 4.6),
    "cloud": (10_000, 2.6),
    "smear": (10_000, 2.6),
}


def light(number, position, seeing, what):
    """Return one light frame of two minutes, which shows the light of 2 s."""
    start = START + timedelta(minutes=5 + 3 * number)
    ((image, facts),) = take_run(
        positions=[position], start=start, seeing_arcsec=seeing, seeing_jitter=0.0, seed=3, temperature_c=8.0
    )
    stars = image.astype(float) - BIAS
    if what == "cloud":
        stars *= 0.5
    if what == "smear":
        stars = uniform_filter1d(stars, 9, axis=1)  # drawn out along the rows: rms 2.6 px
    image = np.round(stars + BIAS).astype(np.uint16)
    return image, facts | {"EXPTIME": 120.0, "IMAGETYP": "LIGHT"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    write_run(folder, take_run(seeing_jitter=0.05), "run_{:02d}.fits")
    frames = [light(k, *facts, what) for k, (what, facts) in enumerate(LIGHTS.items())]
    write_run(folder, frames, "light_{:02d}.fits")
    blank = (np.full((208, 270), BIAS) + np.random.default_rng(1).normal(0, 3, (208, 270))).astype(np.uint16)
    write_run(folder, [(blank, frames[0][1] | {"DATE-OBS": "2031-03-04T20:40:00"})], "blank_{:02d}.fits")
    short = take_run(positions=[10_500], start=START + timedelta(hours=1))
    write_run(folder, short, "lone_{:02d}.fits")
    return folder


@pytest.fixture(scope="module")
def night(folder):
    return analyse(folder, rig_file=RIG_FILE, workers=1)


def test_light_frames_say_how_far_from_focus_they_were_and_to_what_they_lost(night):
    """Signed distances within 3 errors of the truth where they can be told, else a limit; the cause of each loss."""
    assert len(night.runs) == 1
    lights = dict(zip(LIGHTS, night.to_json()["lights"], strict=True))
    for name, (position, _) in LIGHTS.items():
        one, away = lights[name], position - 10_000
        assert one["file"] == f"light_{list(LIGHTS).index(name) + 1:02d}.fits"
        if one["from_focus_steps"] is None:
            assert abs(away) < one["from_focus_limit_steps"]
        else:
            assert abs(one["from_focus_steps"] - away) < 3.0 * one["from_focus_err_steps"]
    told = {name: (one["lost_to"], one["from_focus_limit_steps"] is None) for name, one in lights.items()}
    assert told == {
        "sharp": (None, False),
        "outside": ("focus", True),
        "inside": ("focus", True),
        "seeing": ("seeing", False),
        "cloud": ("cloud", False),
        "smear": ("smear", False),
    }
    assert lights["sharp"]["depth_lost_pct"] < 10.0 < lights["seeing"]["depth_lost_pct"]
    least = night.runs[0].fit.hfd_best_px
    lost = 100.0 * (1.0 - (least / lights["outside"]["hfd_px"]) ** 2)
    assert lights["outside"]["depth_lost_pct"] == pytest.approx(lost)
    # Smear looks like defocus, so that it shows no distance.
    assert lights["smear"]["within_tolerance"] is None and lights["smear"]["from_focus_steps"] is None
    assert lights["outside"]["within_tolerance"] < 0.01 < 0.5 < lights["sharp"]["within_tolerance"]


def test_what_is_neither_in_a_run_nor_a_light_frame_is_named(night):
    """A frame without a star and a lone short one are not used, and nothing else is."""
    assert {name: why.code for name, why in night.not_used} == {
        "blank_01.fits": "no_stars",
        "lone_01.fits": "no_sweep",
    }


def test_light_frames_are_logged_as_they_are_given(night):
    """Distance, error or limit, and side of the logged frames are those of the JSON, in µm."""
    for light in night.lights:
        logged, answer = light.logged(), light.to_json()
        assert logged.problem() is None
        if logged.defocus_limit_um is not None:
            assert answer["from_focus_limit_steps"] == pytest.approx(logged.defocus_limit_um / 4.0)
        else:
            assert abs(answer["from_focus_steps"]) == pytest.approx(logged.defocus_um / 4.0)
            assert logged.side == ("outside" if answer["from_focus_steps"] > 0.0 else "inside")
    assert len({light.logged().key for light in night.lights}) == len(LIGHTS)


def test_without_a_fit_of_the_shapes_defocus_and_seeing_are_not_told_apart():
    """What is known to be larger than all else is named, and nothing where the rest may be the largest."""
    assert Losses(0.9, 0.6, 0.1, 0.0).lost_to == "focus" and Losses(0.9, 0.2, 0.1, 0.0).lost_to == "seeing"
    assert Losses(0.9, None, 0.1, 0.0).lost_to is None
    assert Losses(0.9, None, 0.5, 0.0).lost_to == "smear" and Losses(0.9, None, 0.1, 1.0).lost_to == "cloud"
    assert Losses(0.09, 0.09, 0.0, None).lost_to is None and Losses(None, None, 0.0, 0.5).lost_to == "cloud"
