"""Backlash of the focuser, from paths whose slack is known."""

import numpy as np
import pytest
from small_nights import HERON, analyse, take_run, without_optics, write_run

from focuskit.core import flags
from focuskit.night.backlash import find_backlash

DOWN = [10100.0 - 25.0 * i for i in range(9)]


def true_path(sent, slack, begin):
    """Walk as a nut on a screw: it is pushed along once the slack is used up (the play operator of mechanics)."""
    place, path = begin, []
    for x in sent:
        place = min(max(place, x), x + slack)
        path.append(place)
    return np.array(path)


def told(sent, slack, begin, err_um, rng):
    """Return squares of the distance from focus in µm², 4 µm a step, with their errors."""
    distance = np.abs(
        4.0 * (true_path(sent, slack, begin) - 10000.0 - slack / 2.0) + rng.normal(0.0, err_um, len(sent))
    )
    squares, errors = distance**2, 2.0 * distance * err_um
    return np.where(distance > 20.0 * err_um, squares, np.nan), errors


@pytest.mark.parametrize("way", ["down", "up", "both", "both, repeated"])
@pytest.mark.parametrize("slack", [1.0, 12.0, 40.0])
def test_slack_is_found_within_its_error(way, slack):
    sent = {"down": DOWN, "up": DOWN[::-1], "both": DOWN + DOWN[::-1], "both, repeated": (DOWN + DOWN[::-1]) * 2}[way]
    begin = sent[0] if way != "up" else sent[0] + slack
    rng = np.random.default_rng(5)
    found = [find_backlash(sent, *told(sent, slack, begin, 0.3, rng), [1 if way == "up" else -1]) for _ in range(30)]
    pulls = np.array([(f.steps - slack) / f.err for f in found])
    assert all(f.seen for f in found)
    assert all(f.whole is way.startswith("both") for f in found)
    assert np.abs(pulls).max() < 4.0
    assert 0.6 < np.sqrt(np.mean(pulls**2)) < 1.4


def test_no_slack_is_seen_where_there_is_none():
    rng = np.random.default_rng(6)
    found = [
        find_backlash(sent, *told(sent, 0.0, 10100.0, 0.3, rng))
        for sent in (DOWN, DOWN + DOWN[::-1])
        for _ in range(100)
    ]
    # 3 standard deviations: 1 in 370 of two-sided chance
    assert sum(f.seen for f in found) <= 2
    assert all(f.limit < 1.0 for f in found)
    assert not any(any(f.why_not_used()) for f in found if not f.seen)


def test_a_sweep_that_begins_with_the_slack_taken_up_does_not_tell_it():
    found = find_backlash(DOWN, *told(DOWN, 40.0, 10140.0, 0.3, np.random.default_rng(7)))
    assert not found.seen
    assert not found.whole


def test_too_few_frames_or_no_order_tell_nothing():
    assert find_backlash(DOWN[:4], [1.0, 2.0, 3.0, 4.0], [0.1] * 4) is None
    assert find_backlash([10000.0] * 9, np.ones(9), np.ones(9)) is None
    assert find_backlash(DOWN, np.full(9, np.nan), np.ones(9)) is None


def test_frames_inside_the_slack_are_set_aside_and_named(tmp_path, capsys):
    sent = [10060 - 25 * i for i in range(9)]
    run = take_run(positions=sent, moved_to=true_path(sent, 40.0, 10060.0))
    status, answer, _ = analyse(capsys, write_run(tmp_path, run), "--rig", _rig_file(tmp_path))
    (told_run,) = answer["runs"]
    assert status == 0
    assert "backlash_seen" in told_run["flags"]
    assert [p["used"] for p in told_run["points"]] == [False] * 2 + [True] * 7
    assert "40 steps were left" in told_run["points"][0]["why_not_used"]
    # What is quoted holds for the direction of the sweep: there the camera is 40 steps above what is told.
    assert abs(told_run["best_position"] - 9960.0) < 3.0 * told_run["best_position_err"]
    assert told_run["fits"]["profile"]["params"]["um_per_step"] == pytest.approx(4.0, rel=0.03)
    flags.describe("backlash_seen")


def test_the_way_back_is_set_aside_without_optics_too(tmp_path, capsys):
    sent = [10100 - 25 * i for i in range(9)]
    sent += sent[::-1]
    run = without_optics(take_run(positions=sent, moved_to=true_path(sent, 60.0, 10160.0), seed=4))
    _, answer, _ = analyse(capsys, write_run(tmp_path, run))
    (told_run,) = answer["runs"]
    assert "backlash_seen" in told_run["flags"]
    # To the shapes, a hundredth of a step of slack left at the first frame counts.
    assert all(p["used"] for p in told_run["points"][1:9])
    assert all("other direction" in p["why_not_used"] for p in told_run["points"][11:])
    assert abs(told_run["best_position"] - 9940.0) < 3.0 * told_run["best_position_err"]


def _rig_file(folder):
    path = folder / "rig.toml"
    path.write_text(f"obstruction = {HERON.obstruction}\num_per_step = {HERON.um_per_step}\n")
    return path
