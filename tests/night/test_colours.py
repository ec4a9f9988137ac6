"""Focus runs of cameras with a Bayer matrix: the best position is that of green."""

import pytest
from colour_frames import HERON, take_mosaics
from small_nights import write_run

from focuskit.frames import RigFile
from focuskit.night import analyse, measure_single_frames

RIG_FILE = RigFile(rig=HERON)
BEST = 10000.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    run = take_mosaics(12, "GBRG", best=BEST, stars=25, shape_px=(420, 560), step=35)
    return write_run(tmp_path_factory.mktemp("matrix"), run)


def test_shapes_of_green_stars_place_the_focus_of_green(folder):
    """Red focuses 36 µm further out and blue 20 µm further in: green is right within 2.5 errors."""
    (run,) = analyse(folder, rig_file=RIG_FILE, workers=1).runs
    result = run.to_json()
    assert result["method"] == "profile" and result["verdict"] == "good"
    assert result["best_position_err"] < 0.7
    assert abs(result["best_position"] - BEST) < 2.5 * result["best_position_err"]
    assert run.profile.matches


def test_single_frames_of_a_matrix_say_how_far_from_focus_they_were(folder):
    frames, not_used = measure_single_frames(folder, rig_file=RIG_FILE, workers=1)
    assert not not_used
    for frame in (frames[0], frames[-1]):
        truth = 4.0 * abs(frame.info.position - BEST)
        assert frame.defocus.defocus_um == pytest.approx(truth, abs=4.0 * frame.defocus.defocus_err_um + 6.0)
