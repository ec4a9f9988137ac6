"""Grouping: nights as imagers take them, and how an imager would group them (common practice, no source)."""

from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from focuskit.core.reasons import Reason
from focuskit.frames import FrameInfo
from focuskit.sweeps import group_runs

DUSK = datetime(2031, 3, 4, 20, 0, tzinfo=UTC)
SWEEP = list(range(4800, 5201, 50))  # nine positions about 5000


class Night:
    """Takes frames one after the other, as the hut's computer would."""

    def __init__(self):
        self.clock = DUSK
        self.frames = []

    def take(self, position, exposure_s=2.0, filter_name="L", overhead_s=6.0, **facts):
        number = len(self.frames)
        name = facts.pop("name", f"frame_{number:04d}.fits")
        facts = {"time": self.clock, "instrument": "cam", "binning": (1, 1), "shape": (4176, 6248), **facts}
        self.frames.append(
            FrameInfo(path=f"/{name}", name=name, position=position, exposure_s=exposure_s,
                      filter=filter_name, **facts)
        )  # fmt: skip
        self.clock += timedelta(seconds=(exposure_s or 0) + overhead_s)
        return name

    def sweep(self, positions=SWEEP, **facts):
        return [self.take(position, **facts) for position in positions]

    def wait(self, minutes):
        self.clock += timedelta(minutes=minutes)


def grouped(night):
    """Return the names of each run's frames, and the names not used."""
    runs, not_used = group_runs(night.frames)
    used = [frame.name for run in runs for frame in run.frames]
    assert sorted(used + [name for name, _ in not_used]) == sorted(frame.name for frame in night.frames)
    assert all(why.code and "\n" not in why.text for _, why in not_used)
    return [[frame.name for frame in run.frames] for run in runs], [name for name, _ in not_used]


def test_one_sweep_is_one_run():
    night = Night()
    names = night.sweep(temperature_c=8.0)
    (run,), not_used = group_runs(night.frames)
    assert [frame.name for frame in run.frames] == names
    assert not_used == []
    assert run.positions == tuple(SWEEP)
    assert (run.filter, run.instrument, run.binning, run.exposure_s) == ("L", "cam", (1, 1), 2.0)
    assert (run.start, run.end) == (DUSK, DUSK + timedelta(seconds=8 * 8 + 2))
    assert run.temperature_c == 8.0
    assert run.passes == (0,) * 9
    assert run.directions == (1,)


def test_two_sweeps_in_one_direction_are_two_runs():
    night = Night()
    assert grouped_after(night, night.sweep, night.sweep) == 2
    runs, _ = group_runs(night.frames)
    assert "positions start again at 4800" in runs[1].why


def grouped_after(night, *actions):
    names = [action() for action in actions]
    runs, not_used = grouped(night)
    assert runs == names
    assert not_used == []
    return len(runs)


@pytest.mark.parametrize("pause_min", [0, 2])
@pytest.mark.parametrize("back", [SWEEP[::-1], SWEEP[-2::-1], [5230, *SWEEP[::-1]], [5300, *SWEEP[::-1]]])
def test_inward_then_outward_is_one_run_with_two_passes(back, pause_min):
    night = Night()
    night.sweep()
    night.wait(pause_min)
    night.sweep(back)
    (run,), not_used = group_runs(night.frames)
    assert not_used == []
    assert run.directions == (1, -1)
    assert run.passes == (0,) * 9 + (1,) * len(back) or run.positions[9] > 5200


def test_the_turning_point_taken_twice_is_in_both_passes():
    night = Night()
    night.sweep([*SWEEP, *SWEEP[::-1]])
    (run,), _ = group_runs(night.frames)
    assert run.passes == (0,) * 9 + (1,) * 9


def test_two_double_passes_with_a_pause_are_two_runs():
    night = Night()
    first = night.sweep([*SWEEP, *SWEEP[::-1]])
    night.wait(5)
    second = night.sweep([*SWEEP, *SWEEP[::-1]])
    assert grouped(night) == ([first, second], [])


@pytest.mark.parametrize("jitter", [0, 1, 2])
def test_repeated_frames_at_a_position_stay_in_the_sweep(jitter):
    night = Night()
    rng = Random(5)
    names = night.sweep([x + rng.randint(-jitter, jitter) for x in SWEEP for _ in range(3)])
    runs, not_used = group_runs(night.frames)
    assert [[f.name for f in run.frames] for run in runs] == [names]
    assert not_used == []
    assert runs[0].passes == (0,) * 27


@pytest.mark.parametrize("wait_min", [0, 2])
@pytest.mark.parametrize("where", [4980, 5011, 5100])
@pytest.mark.parametrize("count", [1, 2])
def test_a_check_frame_at_the_end_belongs_to_its_run_but_to_no_pass(where, count, wait_min):
    night = Night()
    names = night.sweep()
    night.wait(wait_min)
    names += night.sweep([where] * count)
    (run,), not_used = group_runs(night.frames)
    assert [frame.name for frame in run.frames] == names
    assert not_used == []
    assert run.passes == (0,) * 9 + (None,) * count
    assert "apart from the sweep" in run.why


def test_a_check_frame_between_two_sweeps_belongs_to_the_first_unless_time_says_otherwise():
    night = Night()
    first = night.sweep()
    first.append(night.take(5010))
    second = night.sweep()
    night.wait(3)
    third = [night.take(5010), *night.sweep()]
    assert grouped(night) == ([first, second, third], [])


def test_interleaved_filters_are_a_run_each():
    night = Night()
    names = {"L": [], "R": [], "G": []}
    for position in SWEEP:
        for filter_name in names:
            names[filter_name].append(night.take(position, filter_name=filter_name, overhead_s=9))
    assert grouped(night) == ([names["L"], names["R"], names["G"]], [])


def test_light_frames_are_no_run():
    night = Night()
    first = night.sweep()
    lights = [night.take(5010, exposure_s=300.0) for _ in range(20)]
    second = night.sweep(SWEEP[::-1])
    lights += [night.take(5003, exposure_s=300.0) for _ in range(20)]
    # narrowband: light frames as long as focus frames
    third = night.sweep(exposure_s=40.0, filter_name="Ha")
    lights += [night.take(5062, exposure_s=40.0, filter_name="Ha") for _ in range(30)]
    fourth = night.sweep(exposure_s=40.0, filter_name="Ha")
    assert grouped(night) == ([first, second, third, fourth], sorted(lights))


def test_light_frames_that_follow_the_temperature_are_no_run():
    night = Night()
    position, rng = 5010, Random(3)
    for _ in range(40):
        night.take(position, exposure_s=180.0)
        position -= rng.choice([0, 1, 1, 2])
    assert grouped(night)[0] == []


def test_light_frames_within_the_depth_of_focus_are_no_run():
    night = Night()
    # f/7 and 550 nm: 2 lambda N^2 = 54 um to either side, that is 27 steps of 4 um in all
    optics = {"focal_length_mm": 1400.0, "aperture_mm": 200.0, "um_per_step": 4.0}
    night.sweep(range(5000, 5024, 3), exposure_s=180.0, **optics)
    assert grouped(night)[0] == []
    night = Night()
    night.sweep(exposure_s=180.0, **optics)
    assert len(grouped(night)[0]) == 1


def test_nights_and_long_pauses_part_runs():
    night = Night()
    runs = []
    for minutes in (20, 60, 24 * 60, 300 * 24 * 60):
        runs.append(night.sweep())
        night.wait(minutes)
    assert grouped(night) == (runs, [])
    assert [run.why for run in group_runs(night.frames)[0]][1:] == [
        "after a pause of 20 min", "after a pause of 60 min", "after a pause of 24 h",
    ]  # fmt: skip


def test_part_of_the_night_in_other_settings_is_another_run():
    night = Night()
    runs = [
        night.sweep(),
        night.sweep(SWEEP[::-1], binning=(2, 2)),
        night.sweep(exposure_s=8.0),
        night.sweep(SWEEP[::-1], filter_name="R"),
        night.sweep(shape=(1000, 1000)),
        night.sweep(SWEEP[::-1], filter_name=None),
    ]
    assert grouped(night) == (runs, [])


def test_exposures_that_differ_by_rounding_are_one_run():
    night = Night()
    names = [night.take(x, exposure_s=2.0 + 0.01 * (i % 3)) for i, x in enumerate(SWEEP)]
    assert grouped(night) == ([names], [])


@pytest.mark.parametrize("key", ["instrument", "telescope"])
def test_two_rigs_at_once_are_two_runs(key):
    night = Night()
    one, two = [], []
    for near, far in zip(SWEEP, range(30000, 39000, 1000), strict=True):
        one.append(night.take(near, overhead_s=0, **{key: "one"}))
        two.append(night.take(far, **{key: "two"}))
    assert grouped(night) == ([one, two], [])


def test_without_times_names_give_the_order():
    night = Night()
    names = [night.take(x, name=f"dark_hut/L_{i}.fits", time=None) for i, x in enumerate([*SWEEP, *SWEEP])]
    other = [night.take(x, name=f"heron/L_{i}.fits", time=None) for i, x in enumerate(SWEEP)]
    assert grouped(night) == ([names[:9], names[9:], other], [])
    runs, _ = group_runs(night.frames)
    assert runs[0].start is None
    assert runs[0].end is None


def test_frames_without_a_position_and_calibration_frames_are_named():
    night = Night()
    names = night.sweep()
    lost = night.take(None)
    dark = night.take(5000, image_type="Dark Frame")
    runs, not_used = group_runs(night.frames)
    assert [[f.name for f in run.frames] for run in runs] == [names]
    assert [name for name, _ in not_used] == [lost, dark]
    assert [why.code for _, why in not_used] == ["no_position", "calibration"]
    assert "calibration frame (Dark Frame)" in str(not_used[1][1])


@pytest.mark.parametrize("positions", [[5000], [5000, 5000], [5000] * 12, [5000, 5050], [5000, 5050] * 2])
def test_fewer_than_three_positions_are_no_run(positions):
    night = Night()
    names = night.sweep(positions)
    assert grouped(night) == ([], names)


def test_a_copied_frame_counts_once():
    night = Night()
    names = night.sweep()
    copy = night.take(4800, time=DUSK, name="old/frame_0000.fits")
    runs, not_used = group_runs(night.frames)
    assert [[f.name for f in run.frames] for run in runs] == [names]
    assert not_used == [(copy, Reason("copy", "is a copy of frame_0000.fits: same time and position"))]


def test_a_pause_within_a_sweep_does_not_part_it():
    night = Night()
    names = night.sweep(SWEEP[:5])
    night.wait(4)
    names += night.sweep(SWEEP[5:])
    assert grouped(night) == ([names], [])


@pytest.mark.parametrize(
    "positions",
    [
        [4800, 4850, 4900, 4950, 5100, 5150, 5200],  # two frames lost
        [4800, 4850, 4900, 4900, 4950, 5000, 5050, 5100],  # one taken again at once
        [4800, 4850, 4900, 4850, 4900, 4950, 5000, 5050, 5100],  # one step back
        [4800, 4850, 4900, 4950, 4850, 4900, 4950, 5000, 5050, 5100],  # two steps back
        [4800, 4850, 4900, *SWEEP],  # broken off and begun again
        [*SWEEP, 4850, 4900, 4950],  # three taken again
        [*SWEEP, *range(4450, 4800, 50)],  # extended to the other side
        [4600, 4800, 4900, 4950, 4975, 5000, 5025, 5050, 5100, 5200, 5400],  # denser near focus
    ],
)
def test_irregular_sweeps_stay_one_run(positions):
    night = Night()
    names = night.sweep(positions)
    assert grouped(night) == ([names], [])


@pytest.mark.parametrize("factor", [1, -1, 0.001, 1.5, 10_000])
@pytest.mark.parametrize(
    "first, second",
    [
        (range(4000, 6001, 250), range(4880, 5121, 30)),  # a coarse sweep, then a fine one
        (range(4800, 5201, 50), range(4700, 5101, 50)),  # another centre
        (range(4800, 5201, 50), range(5100, 4699, -50)),  # another centre, from the other side
        (range(4800, 5201, 50), range(5700, 6101, 50)),  # far off
    ],
)
def test_sweeps_one_after_the_other_are_two_runs_in_any_unit(first, second, factor):
    night = Night()
    names = [night.sweep([x * factor for x in sweep]) for sweep in (first, second)]
    assert grouped(night) == (names, [])


@pytest.mark.parametrize("seed", range(20))
def test_positions_in_no_order_are_one_run(seed):
    night = Night()
    names = night.sweep(Random(seed).sample(SWEEP, len(SWEEP)))
    assert grouped(night) == ([names], [])


@pytest.mark.parametrize("seed", range(10))
def test_two_blocks_in_no_order_are_two_runs(seed):
    night = Night()
    rng = Random(seed)
    first = night.sweep(rng.sample(SWEEP, len(SWEEP)))
    night.wait(20)
    second = night.sweep(rng.sample(SWEEP, len(SWEEP)))
    assert grouped(night) == ([first, second], [])


def full_night():
    night = Night()
    for hour in range(4):
        for filter_name, exposure in (("L", 2.0), ("Ha", 40.0)):
            night.sweep([x - 7 * hour for x in SWEEP], exposure_s=exposure, filter_name=filter_name)
            night.take(5000 - 7 * hour, exposure, filter_name)
        for _ in range(8):
            night.take(5000 - 7 * hour, 300.0, "L")
    return night


def test_a_whole_night():
    runs, not_used = grouped(full_night())
    assert [len(run) for run in runs] == [10] * 8
    assert len(not_used) == 32


@settings(deadline=None, max_examples=25)
@given(st.randoms(use_true_random=False))
def test_shuffling_the_files_changes_nothing(random):
    frames = full_night().frames
    expected = group_runs(frames)
    random.shuffle(frames)
    assert group_runs(frames) == expected


@settings(deadline=None, max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0, 1, 50, 5000, -3.5, 3e6]),
            st.sampled_from([0.0, 5.0, 90.0, 1000.0, None]),
            st.sampled_from([2.0, 40.0, 180.0, None]),
            st.sampled_from(["L", "R"]),
        ),
        max_size=30,
    )
)
def test_every_frame_is_either_in_one_run_or_named(choices):
    night = Night()
    for position, pause_s, exposure_s, filter_name in choices:
        night.take(position, exposure_s, filter_name, overhead_s=pause_s or 0.0)
        if pause_s is None:
            night.frames[-1] = FrameInfo(path="/x" + night.frames[-1].name, name="x" + night.frames[-1].name,
                                         shape=(1, 1), position=position, filter=filter_name)  # fmt: skip
    grouped(night)
    runs, _ = group_runs(night.frames)
    for run in runs:
        assert len(set(run.positions)) >= 3
        assert len(run.passes) == len(run.frames)
        assert {p for p in run.passes if p is not None} == set(range(len(run.directions)))
