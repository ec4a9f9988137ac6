"""What must follow when frames are moved, turned, scaled, renumbered or renamed.

Each property is tried on a few small focus runs with known truth. Where the pixels are the same numbers in
another order or scale, the best position may move by no more than a fifth of its standard deviation;
where nothing that is measured changes, not even the last bit may.
"""

import gzip
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from small_nights import analyse, take_run, write_run

import focuskit

FEW = settings(max_examples=3)
seeds = st.integers(0, 3)
RUNS = {}


def run_of(seed):
    """Return one of a few runs, rendered once."""
    if seed not in RUNS:
        RUNS[seed] = take_run(best_position=10000, seed=seed)
    return RUNS[seed]


def measured(run, names="{:02d}.fits", workers=1):
    """Return the answer for a run, as the command gives it."""
    with tempfile.TemporaryDirectory() as folder:
        write_run(Path(folder) / "night", run, names)
        answer = focuskit.analyse(Path(folder) / "night", workers=workers).to_json()
    assert answer["not_used"] == []
    (result,) = answer["runs"]
    assert result["best_position"] is not None
    return result


BASE = {}


def base_of(seed):
    if seed not in BASE:
        BASE[seed] = measured(run_of(seed))
    return BASE[seed]


def sizes(result):
    return np.array([point["hfd_px"] for point in result["points"]])


def agrees(result, base, scale=1.0, offset=0.0):
    """Check that a result is the base's in other positions, to a fifth of its error."""
    expected = scale * base["best_position"] + offset
    err = abs(scale) * base["best_position_err"]
    assert abs(result["best_position"] - expected) < 0.2 * err
    assert result["best_position_err"] == pytest.approx(err, rel=0.2)
    assert result["verdict"] == base["verdict"]


@FEW
@given(seeds, st.sampled_from(["left-right", "up-down", "90", "180", "270"]))
def test_turned_and_mirrored_frames_give_the_same(seed, turn):
    turns = {"left-right": np.fliplr, "up-down": np.flipud, "90": np.rot90}
    turns |= {"180": lambda image: np.rot90(image, 2), "270": lambda image: np.rot90(image, 3)}
    result = measured([(turns[turn](image), facts) for image, facts in run_of(seed)])
    agrees(result, base_of(seed))
    np.testing.assert_allclose(sizes(result), sizes(base_of(seed)), rtol=0.005)


@FEW
@given(seeds, st.integers(-12, 12), st.integers(-12, 12))
def test_shifted_frames_give_the_same(seed, down, right):
    # No star lies within 12 px and its radius of the border: only sky comes in on the other side.
    result = measured([(np.roll(image, (down, right), (0, 1)), facts) for image, facts in run_of(seed)])
    agrees(result, base_of(seed))
    np.testing.assert_allclose(sizes(result), sizes(base_of(seed)), rtol=0.005)


@FEW
@given(seeds, st.sampled_from([0.01, 0.25, 4.0, 1000.0]), st.sampled_from([-400.0, 0.0, 5000.0]))
def test_scaled_light_gives_the_same(seed, scale, pedestal):
    run = [
        ((image * scale + pedestal).astype("f4"), {**facts, "EGAIN": facts["EGAIN"] / scale})
        for image, facts in run_of(seed)
    ]
    result = measured(run)
    agrees(result, base_of(seed))
    np.testing.assert_allclose(sizes(result), sizes(base_of(seed)), rtol=0.005)


@FEW
@given(
    seeds,
    st.sampled_from([1.0, -1.0, 0.004, 1e-3, 300.0, -0.37]),
    st.sampled_from([0.0, -10000.0, 3e6, 50.0, -2.5e6]),
)
def test_renumbered_positions_give_the_same_place(seed, scale, offset):
    assume(abs(scale) * 100.0 > 1e-5 * abs(offset))  # as far as a header's digits go
    run = [
        (image, {**facts, "FOCUSPOS": scale * (facts["FOCUSPOS"] - 10000.0) + offset}) for image, facts in run_of(seed)
    ]
    result = measured(run)
    agrees(result, base_of(seed), scale, offset - scale * 10000.0)
    assert result["hfd_best_px"] == pytest.approx(base_of(seed)["hfd_best_px"], rel=1e-3)


@settings(max_examples=1)
@given(seeds, st.sampled_from([(0.01, 50.0), (300.0, 3e6), (-1.0, 0.0)]))
def test_the_profile_fit_follows_renumbered_positions(seed, change):
    scale, offset = change
    base = measured(run_of(seed))
    run = [
        (image, {**facts, "FOCUSPOS": scale * (facts["FOCUSPOS"] - 10000.0) + offset}) for image, facts in run_of(seed)
    ]
    result = measured(run)
    assert (result["method"], base["method"]) == ("profile", "profile")
    agrees(result, base, scale, offset - scale * 10000.0)


@FEW
@given(seeds, st.permutations(range(9)))
def test_names_and_their_order_change_nothing(seed, order):
    """The headers tell the order; files may be called and sorted as they like."""
    run = run_of(seed)
    result = measured([run[k] for k in order], "light_{:03d}.fit")
    for answer in (result, base := dict(base_of(seed))):
        answer["points"] = [{**point, "file": None} for point in answer["points"]]
    assert result == base


@FEW
@given(st.sampled_from([-40.0, -0.01, 0.0, 45.0]), st.sampled_from([0, 37, 3_000_000, -5000]))
def test_any_temperature_and_position_is_told_as_it_is(temperature_c, best_position):
    run = take_run(best_position=best_position, temperature_c=temperature_c)
    result = measured(run)
    assert result["temperature_c"] == pytest.approx(temperature_c, abs=0.005)
    assert abs(result["best_position"] - best_position) < 4.0 * result["best_position_err"]


HOSTILE = {
    "empty.fits": lambda good: b"",
    "cut.fits": lambda good: good[:-20_000],
    "bitpix.fits": lambda good: good.replace(b"BITPIX  =                   16", b"BITPIX  =                   13"),
    "text.fits": lambda good: b"Dear observer," * 400,
    "bomb.fits.gz": lambda good: gzip.compress(bytes(10_000_000)),
    "constant.fits": lambda good: good[:-112_320] + b"\x01" * 112_320,  # all of its pixels
    "terabytes.fits": lambda good: good.replace(b"NAXIS1  =                  270", b"NAXIS1  =        1000000000000"),
}  # fmt: skip


@settings(max_examples=2)
@given(st.sets(st.sampled_from(sorted(HOSTILE)), min_size=3), st.sampled_from([1, 2, 3]))
def test_hostile_files_beside_it_change_no_bit(names, workers):
    run = run_of(0)
    with tempfile.TemporaryDirectory() as name:
        folder = write_run(Path(name) / "night", run)
        good = (folder / "frame_05.fits").read_bytes()
        (folder / "more").mkdir()
        for k, hostile in enumerate(sorted(names)):
            (folder / ("more" if k % 2 else ".") / hostile).write_bytes(HOSTILE[hostile](good))
        answer = focuskit.analyse(folder, workers=workers).to_json()
    assert {Path(row["file"]).name for row in answer["not_used"]} == names
    (got,) = answer["runs"]
    for point in got["points"]:
        point["file"] = point["file"].removeprefix("frame_")
    assert got == base_of(0)


def test_processes_change_nothing(tmp_path, capsys):
    folder = write_run(tmp_path / "night", run_of(0))
    one, three = (analyse(capsys, folder, workers=workers)[1] for workers in (1, 3))
    assert one == three
