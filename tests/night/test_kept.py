"""Known frames and nights are not measured again, and the answer is that of a fresh analysis, bit for bit."""

import json
import os
from dataclasses import replace

import pytest
from small_nights import HERON, take_run, write_frame, write_run

import focuskit
from focuskit.cli import run as cli
from focuskit.diagnosis import diagnose
from focuskit.frames import RigFile
from focuskit.night import analyse
from focuskit.night import analysis as night_module
from focuskit.night import single as single_module
from focuskit.show import star_strip
from focuskit.show.report import render_report
from focuskit.stars import measure
from focuskit.waves import stack_files

KNOWN = RigFile(rig=HERON)


@pytest.fixture(scope="module")
def frames():
    return take_run(frames=5)


@pytest.fixture
def done(monkeypatch):
    """Count what is measured, stacked and fitted."""
    counts = dict.fromkeys(("measured", "stacked", "judged", "placed"), 0)

    def count(module, name, what):
        really = getattr(module, name)

        def counted(*values, **named):
            counts[what] += 1
            return really(*values, **named)

        monkeypatch.setattr(module, name, counted)

    count(measure, "measure_pixels", "measured")
    count(stack_files, "stack_profile", "stacked")
    count(night_module, "judge_runs", "judged")
    count(single_module, "measure_defocus", "placed")

    def since():
        found = tuple(counts.values())
        counts.update(dict.fromkeys(counts, 0))
        return found

    return since


def look(folder, rig_file=KNOWN, **settings):
    """Analyse with known optics: a search for them takes long."""
    return analyse(folder, rig_file=rig_file, workers=1, **settings)


def as_text(night):
    return json.dumps(night.to_json())


def test_only_what_changed_is_done_again(frames, tmp_path, monkeypatch, done):
    folder, kept = write_run(tmp_path / "night", frames), tmp_path / "kept"
    first = look(folder, cache=kept)
    fresh = as_text(first)
    assert done() == (5, 5, 1, 0)
    again = look(folder, cache=kept)
    assert (as_text(again), done()) == (fresh, (0, 0, 0, 0))
    assert diagnose(again).to_json() == diagnose(first).to_json()
    page = render_report(first, kept)
    with monkeypatch.context() as patch:
        patch.setattr(star_strip, "read_pixels", None)
        assert render_report(again, kept) == page

    # Its own runs in the logbook show nothing new of them; another run does.
    own = [run.logged() for run in again.runs]
    assert as_text(look(folder, cache=kept, history=own)) == fresh
    assert done() == (0, 0, 0, 0)
    other = [replace(own[0], key="other", spherical=replace(own[0].spherical, err_um=1e-3))]
    assert as_text(look(folder, cache=kept, history=[*own, *other])) != fresh
    assert done() == (0, 0, 1, 0)

    # A rig file changes the fits, not what was measured in the pixels.
    other_rig = RigFile(rig=replace(HERON, obstruction=0.3))
    now = as_text(look(folder, rig_file=other_rig, cache=kept))
    assert done() == (0, 0, 1, 0)
    assert now == as_text(look(folder, rig_file=other_rig)) != fresh
    done()

    # Other pixels in a file of the same size and time.
    path = sorted(folder.iterdir())[2]
    status = path.stat()
    write_frame_again(path, frames[2][0] + 1, frames[2][1])
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (status.st_size, status.st_mtime_ns)
    look(folder, cache=kept)
    measured, _, judged, _ = done()
    assert (measured, judged) == (1, 1)


def write_frame_again(path, image, facts):
    path.unlink()
    write_frame(path, image, facts)


def test_what_may_go_well_the_next_time_is_not_kept(frames, tmp_path, monkeypatch, done):
    """A damaged frame stays damaged; one for which there was no memory does not."""
    folder, kept = write_run(tmp_path / "night", frames), tmp_path / "kept"
    first, second = sorted(folder.iterdir())[:2]
    first.write_bytes(first.read_bytes()[:9000])
    fresh = as_text(look(folder))
    with monkeypatch.context() as patch:
        read = stack_files.read_pixels

        def lose(path, *rest):
            if path == str(second):
                raise MemoryError
            return read(path, *rest)

        patch.setattr(stack_files, "read_pixels", lose)
        (run,) = look(folder, cache=kept).runs
        assert run.lost_stacks == (0,)
    done()
    assert as_text(look(folder, cache=kept)) == fresh
    assert done() == (0, 1, 1, 0)
    assert as_text(look(folder, cache=kept)) == fresh
    assert done() == (0, 0, 0, 0)


@pytest.mark.parametrize(
    ("problem", "code"), [(OSError(5, "Input/output error"), "not_read"), (OSError("x"), "unreadable")]
)
def test_errors_of_the_system_are_not_taken_for_damage(problem, code):
    """The first may be gone the next time; packed files that are damaged raise the second."""
    try:
        raise focuskit.FocuskitError("a.fits: cannot be read") from problem
    except focuskit.FocuskitError as error:
        assert measure._unreadable(error, "a.fits", "/a.fits").code == code


def test_every_command_says_the_same_fresh_and_from_what_was_kept(frames, tmp_path, monkeypatch, capsys, done):
    """On both streams; `--no-cache` neither reads nor writes. What one command measured no other measures again."""
    folder = write_run(tmp_path / "night", frames)
    rig = tmp_path / "heron.toml"
    rig.write_text("focal_length_mm = 1400\naperture_mm = 200\nobstruction = 0.36\npixel_um = 3.76\num_per_step = 4\n")
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "cache"))

    def say(*words):
        for path in (tmp_path / "rigs").glob("*"):
            path.unlink()
        assert cli.main([words[0], str(folder), *words[1:], "--json", "--workers", "1"]) == 0
        return capsys.readouterr()

    fresh = say("analyse", "--rig", str(rig), "--no-cache")
    assert done() == (5, 5, 1, 0)
    assert not (tmp_path / "cache").exists()
    assert [say("analyse", "--rig", str(rig)) for _ in range(2)] == [fresh, fresh]
    assert done() == (5, 5, 1, 0)
    say("diagnose", "--rig", str(rig))
    say("report", "--rig", str(rig), "--to", str(tmp_path / "page.html"))
    assert done() == (0, 0, 0, 0)
    fresh = say("defocus", "--rig", str(rig), "--no-cache")
    assert done() == (5, 5, 0, 5)
    assert [say("defocus", "--rig", str(rig)) for _ in range(2)] == [fresh, fresh]
    assert done() == (0, 5, 0, 5)
    first = say("setup", "--to", str(tmp_path / "rigs"))
    assert done() == (0, 0, 1, 0)
    assert say("setup", "--to", str(tmp_path / "rigs")) == first
    assert done() == (0, 0, 0, 0)
