"""What ``focuskit defocus`` says of a frame, and that it waits for a file that is still being written."""

import os
import time
from dataclasses import replace

import pytest

from focuskit.cli import defocus
from focuskit.core.optics import Rig
from focuskit.frames import FrameInfo
from focuskit.night.known import Known, Left
from focuskit.night.single import SingleFrame
from focuskit.night.where import find_focus
from focuskit.waves.single import Defocus, SideDefocus

BLOCK = 2880


@pytest.fixture
def sleeps(monkeypatch):
    """Return how often was waited; no time passes, but what is in the list of actions happens."""
    actions = []
    monkeypatch.setattr(defocus.time, "sleep", lambda _: actions.pop(0)())
    return actions


def test_a_file_that_grows_is_waited_for_until_it_is_whole(tmp_path, sleeps):
    file = tmp_path / "frame.fits"
    file.write_bytes(b" " * BLOCK)
    sleeps += [
        lambda: file.write_bytes(b" " * (2 * BLOCK + 7)),
        lambda: file.write_bytes(b" " * 4 * BLOCK),
        lambda: None,
    ]
    defocus.wait_until_written([file])
    assert sleeps == []
    assert file.stat().st_size == 4 * BLOCK


def test_an_old_file_a_folder_and_a_file_that_stays_cut_keep_nobody_waiting(tmp_path, sleeps):
    old = tmp_path / "old.fits"
    old.write_bytes(b" " * 7)
    os.utime(old, (time.time() - 60.0,) * 2)
    defocus.wait_until_written([old, tmp_path, tmp_path / "none.fits"])
    # Cut in two, and left so: the wait ends ten seconds after the last change.
    cut = tmp_path / "cut.fits"
    cut.write_bytes(b" " * 7)
    sleeps += [lambda: None, lambda: os.utime(cut, (time.time() - 10.5,) * 2)]
    defocus.wait_until_written([cut])
    assert sleeps == []


LEFT = Left(0.0, 0.3, 0.0, 200.0, 700.0, -1.0, 3, common_um=0.0)
KNOWN = Known((0.0, 0.001), (5 / 3, 0.02), (1.386294, 1e-4), LEFT, LEFT)


def frame(known=KNOWN, side=None, travel=None):
    one = SideDefocus(400.0, 0.4, 0.2)
    info = FrameInfo(path="a.fits", name="a.fits", shape=(9, 9), position=5100.0)
    measured = Defocus(0.5, (one, one), 1.5, 20.0, 3.0, 1.0, 72.0)
    rig = Rig("Heron", um_per_step=4.0, travel=travel)
    single = SingleFrame(info, 8.0, 60, measured, rig, known)
    return replace(single, answer=find_focus([single.single(0)], side)[0])


def test_one_line_says_where_focus_is_and_which_move_leads_there():
    first, why, approach = defocus.answer_of(frame(side="outside"), "steps")
    assert first == "a.fits: focus is at 5000.00 ± 0.14; move 100 steps down from 5100."
    assert "400 µm outside of focus, according to --side" in why
    assert "Arrive there moving downwards" in approach


def test_an_open_side_and_the_end_of_the_travel_give_no_move():
    lines = defocus.answer_of(frame(), "steps")
    assert "the side is open" in lines[0]
    assert "If outside (50 %): focus at 5000.00 ± 0.14." in lines[1]
    assert not any("move" in line for line in lines)
    (first, *_) = defocus.answer_of(frame(side="inside", travel=(4000.0, 5150.0)), "steps")
    assert "No move: 5200 lies beyond the travel of 4000 to 5150." in first
    no_runs = defocus.answer_of(frame(known=replace(KNOWN, outside=Left(), inside=Left()), side="outside"), "steps")
    assert any("--record" in line for line in no_runs)
