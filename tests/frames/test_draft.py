"""Drafts of rig files on folders of made-up headers and names: missing, wrong and contradicting ones.

Each folder knows its true positions. A draft may find no pattern; it must never find one that reads anything else.
"""

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

import pytest

from focuskit.frames.draft import _drafts
from focuskit.frames.frame import FrameInfo
from focuskit.frames.headers import position_from_name
from focuskit.frames.name_pattern import find_name_pattern
from focuskit.frames.rig_file import rig_from_table

START = datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
SWEEP = [4860 + 40 * k for k in range(9)]
RGB = [name for name in "LRG" for _ in SWEEP]
THREE = SWEEP * 3
OPTICS = {"focal_length_mm": 1400.0, "aperture_mm": 200.0, "pixel_um": 3.76, "telescope": "Heron", "instrument": "Main"}


def frames(names, every_s=12.0, timed=True, **facts):
    """Return frames with these names; a fact that is a list has one value for each."""
    found = []
    for k, name in enumerate(names):
        own = {key: value[k] if isinstance(value, list) else value for key, value in facts.items()}
        time = START + timedelta(seconds=every_s * k) if timed else None
        found.append(FrameInfo(**{"path": name, "name": name, "shape": (9, 9), "time": time, "filter": "L"} | own))
    return found


def clock(k, form):
    return (START + timedelta(seconds=12 * k)).strftime(form)


# The names, the true positions (None: the names do not carry them), whether a pattern is found, what the headers say.
FOLDERS = {
    "a word and a number": ([f"L_{k:04d}_pos{p}.fits" for k, p in enumerate(SWEEP)], SWEEP, True, OPTICS),
    "nothing but the position": ([f"{p}.fit" for p in SWEEP], SWEEP, True, OPTICS),
    "position, then counter": ([f"L_{p}_{k:03d}.fits.fz" for k, p in enumerate(SWEEP)], SWEEP, True, OPTICS),
    "three filters": (
        [f"{f}_{p}_{k}.fits" for k, (f, p) in enumerate(zip(RGB, THREE, strict=True))], THREE, True, {"filter": RGB},
    ),
    "blanks and units": (
        [f"night 1/NGC7000 Ha 7nm focus={p} -10.0C 2s_{k:03d}.fit" for k, p in enumerate(SWEEP)], SWEEP, True, {},
    ),
    "a clock beside a position": (
        [f"L_{clock(k, '%H%M%S')}_foc{p}.fits" for k, p in enumerate(SWEEP)], SWEEP, True, {},
    ),
    "millimetres": ([f"x_pos{p / 1000:.3f}.fits" for p in SWEEP], [p / 1000 for p in SWEEP], True, {}),
    "a counter": ([f"frame_{k:04d}.fits" for k in range(9)], None, False, OPTICS),
    "a counter that is called focus": ([f"focus_{k}.fits" for k in range(1, 10)], None, False, OPTICS),
    "a counter in tens": ([f"x{10 * k}.fits" for k in range(1, 10)], None, False, OPTICS),
    "a counter with leading zeros": ([f"x_{105 + 7 * k:06d}.fits" for k in range(9)], None, False, OPTICS),
    "a counter, filters in turn": (
        [f"{f}_{101 + k}.fits" for k, f in enumerate("LRGBH" * 9)], None, False, {"filter": list("LRGBH" * 9)},
    ),
    "a counter that goes on from filter to filter": (
        [f"{f}_{500 + 20 * k}.fits" for k, f in enumerate(RGB)], None, False, {"filter": RGB},
    ),
    "a clock": ([f"L_{clock(k, '%H%M%S')}.fits" for k in range(9)], None, False, OPTICS),
    "a clock of another zone, without times": (
        [f"L-{clock(k * 50, '%H%M')}.fits" for k in range(9)], None, False, {"time": None},
    ),
    "seconds of Unix": ([f"x_{1_930_000_000 + 12 * k}.fits" for k in range(9)], None, False, OPTICS),
    "seconds since noon": ([f"x_{29_400 + 12 * k}.fits" for k in range(9)], None, False, OPTICS),
    "seconds since noon, without times": ([f"x_{29_400 + 12 * k}.fits" for k in range(9)], None, False, {"time": None}),
    "the air, cooling": ([f"x_{9.8 - 0.1 * k:.1f}.fits" for k in range(9)], None, False, OPTICS),
    "the sensor, cooling": ([f"x_temp{90 - 10 * k}.fits" for k in range(9)], None, False, OPTICS),
    "asked and reached": ([f"x_{p}_{p + 3}.fits" for p in SWEEP], SWEEP, False, OPTICS),
    "a sign that may be a hyphen": ([f"pos{p}.fits" for p in range(-100, 80, 20)], range(-100, 80, 20), False, OPTICS),
    "light frames beside the sweep": (
        [*(f"x_{p}_a.fits" for p in SWEEP), *(f"x_{300}_a{k}.fits" for k in range(3))],
        [*SWEEP, *[None] * 3], False, {},
    ),
    "names without numbers": ([f"{'abcdefghi'[k]}.fits" for k in range(9)], None, False, OPTICS),
}  # fmt: skip


@pytest.mark.parametrize("case", FOLDERS)
def test_no_draft_has_a_wrong_pattern(case):
    names, truth, is_found, facts = FOLDERS[case]
    (draft,) = _drafts(frames(names, **facts))
    pattern = draft.names.pattern
    assert (pattern is not None) == is_found, draft.names
    assert draft.names.why
    if pattern is not None:
        read = [position_from_name(PurePosixPath(name).name, pattern) for name in names]
        assert read == list(truth)
    # What is written is a rig file; the pattern is in it only once a sweep has shown a curve with it.
    assert rig_from_table(tomllib.loads(draft.to_toml(None)), "draft").position_pattern is None
    assert rig_from_table(tomllib.loads(draft.to_toml(pattern)), "draft").position_pattern == pattern


def test_where_headers_have_the_position_names_are_not_asked():
    (draft,) = _drafts(frames([f"{p}.fits" for p in SWEEP], position=[float(p) for p in SWEEP], **OPTICS))
    assert draft.names is None
    assert draft.doubts == {}


def test_positions_that_count_frames_are_doubted():
    (draft,) = _drafts(frames(["abcdefghi"[k] + ".fits" for k in range(9)], position=[float(k) for k in range(1, 10)]))
    assert "count the frames" in draft.doubts["position"]
    assert "# The positions in the headers count the frames" in draft.to_toml(None)


NUMBERS = {
    "all agree": (OPTICS, {"focal_length_mm": 1400.0, "aperture_mm": 200.0, "pixel_um": 3.76}, ()),
    "nothing": ({}, {}, ()),
    "one frame in three says it": ({"aperture_mm": [200.0, None, None] * 3}, {"aperture_mm": 200.0}, ()),
    "two apertures": ({"aperture_mm": [200.0, 150.0, None] * 3}, {}, ("aperture_mm",)),
    "an impossible focal ratio": (
        {"focal_length_mm": 140.0, "aperture_mm": 200.0}, {}, ("focal_length_mm", "aperture_mm"),
    ),
    "an impossible pixel": ({"pixel_um": 0.6}, {}, ("pixel_um",)),
    "binned and not": (
        {"pixel_um": [3.76, 7.52, 3.76] * 3, "binning": [(1, 1), (2, 2), (1, 1)] * 3}, {"pixel_um": 3.76}, (),
    ),
    "the sensor's pixel in all": (
        {"pixel_um": 3.76, "binning": [(1, 1), (2, 2), (1, 1)] * 3}, {}, ("pixel_um",),
    ),
    "a plate-solved focal length": (
        {"focal_length_mm": [1400.2, 1399.8, 1400.1] * 3}, {"focal_length_mm": 1400.1}, (),
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", NUMBERS)
def test_a_number_is_taken_where_the_headers_agree_and_it_can_be(case):
    facts, numbers, doubtful = NUMBERS[case]
    (draft,) = _drafts(frames([f"{p}.fits" for p in SWEEP], **facts))
    assert draft.numbers == numbers
    assert set(draft.doubts) == set(doubtful)
    table = tomllib.loads(draft.to_toml(None))
    assert {key: value for key, value in table.items() if key in numbers} == numbers
    assert set(numbers) | set(draft.missing) == {
        "focal_length_mm", "aperture_mm", "obstruction", "pixel_um", "um_per_step", "travel",
    }  # fmt: skip
    for key in draft.missing:
        assert f"\n# {key} = " in draft.to_toml(None)


def test_rigs_of_one_folder_are_drafted_apart():
    """By telescope, by camera, by focal length; a frame that names none of them is of a rig that it can be of."""
    names = [f"{p}.fits" for p in SWEEP]
    heron = frames(names, **OPTICS)
    reduced = frames(names, **OPTICS | {"focal_length_mm": 980.0})
    egret = frames(names, telescope="Egret", instrument="Main", focal_length_mm=400.0)
    guide = frames(names, telescope="Egret", instrument="Guide", focal_length_mm=400.0)
    unknown = frames(names[:1], telescope="Egret", instrument="Guide")
    darks = frames(names, telescope="Heron", instrument="Main", image_type="Dark Frame")
    drafts = _drafts([*heron, *reduced, *egret, *guide, *unknown, *darks])
    assert {draft.name: len(draft.frames) for draft in drafts} == {
        "Heron 1400 mm": 9, "Heron 980 mm": 9, "Egret Main": 9, "Egret Guide": 10,
    }  # fmt: skip
    assert len({draft.file_name for draft in drafts}) == 4


def test_a_draft_of_odd_names_is_a_rig_file():
    odd = 'He"ron\\ \u00e9 = 1'
    (draft,) = _drafts(frames(["a.fits"], telescope=odd, instrument="../x", filter='"'))
    assert "/" not in draft.file_name
    read = rig_from_table(tomllib.loads(draft.to_toml(None)), "draft")
    assert (read.telescope, read.camera) == (odd, "../x")


def test_a_pattern_says_what_it_rests_on():
    names = find_name_pattern(frames([f"L_{p}_{k:03d}.fits" for k, p in enumerate(SWEEP)]))
    assert names.why == "read from 9 names, by equal steps of 40"
