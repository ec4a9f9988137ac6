"""What is kept is found again as it was, only where all is the same, and never at the price of an answer."""

import os
import pickle
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from focuskit.core import cache as module
from focuskit.core.cache import NOTHING, Cache, digest


@dataclass(frozen=True)
class Told:
    name: str
    value: object


@pytest.fixture
def frame(tmp_path):
    path = tmp_path / "frame.fits"
    path.write_bytes(np.random.default_rng(5).bytes(400_000))
    return path


def entries(folder):
    return sorted(folder.glob("*.kept"))


def test_an_answer_is_found_again_by_another_cache_and_only_with_the_same_parts(tmp_path, frame):
    answer = {"x": np.array([1.0, np.nan, -0.0]), "none": None}
    first, again = Cache(tmp_path / "kept"), Cache(tmp_path / "kept")
    first.save(first.key("a", [str(frame)], 1.0, None), answer)
    found = again.load(again.key("a", [str(frame)], 1.0, None))
    assert found["x"].tobytes() == answer["x"].tobytes() and found["none"] is None
    for other in (("b", [str(frame)], 1.0, None), ("a", [], 1.0, None), ("a", [str(frame)], 1, None),
                  ("a", [str(frame)], 1.0)):  # fmt: skip
        assert again.load(again.key(*other)) is NOTHING
    first.save(first.key("none", []), None)
    assert again.load(again.key("none", [])) is None


def test_values_that_differ_have_different_hashes_and_equal_ones_the_same():
    name = "".join(["He", "ron"])
    values = [
        0, 0.0, -0.0, False, None, "", b"", (), ("",), ((), ()), ((),), "0", np.float64(0.0), np.zeros(2),
        np.zeros((2, 1)), np.zeros(2, np.float32), np.array([0.0, -0.0]), {"a": 1}, {"a": 2}, {"b": 1}, Path("a"),
        Told("a", 1), Told("a", (1, 2)), Told("a", None), frozenset({"a"}), frozenset({"a", "b"}), len, digest,
        float("nan"), "\udcff",
    ]  # fmt: skip
    assert len({digest(value) for value in values}) == len(values)
    assert digest(Told("Heron", ["Heron", "Heron"])) == digest(Told(name, ["He" + "ron", name]))
    assert digest(np.arange(6.0).reshape(2, 3)) == digest(np.asfortranarray(np.arange(6.0).reshape(2, 3)))
    assert digest(frozenset("abcdef")) == digest(frozenset("fedcba"))
    for unknown in (object(), np.array([None])):
        with pytest.raises(TypeError, match="no hash of"):
            digest(unknown)


def test_every_change_of_a_file_is_seen(tmp_path, frame, monkeypatch):
    """Its place, its size, its times; where the system shows none, its first and last bytes, all of a small one."""

    def key(path=frame):
        return Cache(tmp_path / "kept").key("a", [str(path)])

    before, status, content = key(), frame.stat(), frame.read_bytes()
    assert key() == before
    os.utime(frame, ns=(status.st_atime_ns, status.st_mtime_ns + 1))
    later = key()
    (tmp_path / "copy.fits").write_bytes(content)
    frame.write_bytes(content + b"x")
    assert len({before, later, key(), key(tmp_path / "copy.fits")}) == 4
    for size in (len(content), 8 * 2**14):
        blind = replace_size(status, size)
        monkeypatch.setattr(module, "os", SimpleNamespace(stat=lambda _, blind=blind: blind, path=os.path))
        places = (0, 2880, size - 1) if size == len(content) else (*range(0, size, 9973), size - 1)
        seen = set()
        for place in (None, *places):
            changed = bytearray(content[:size])
            if place is not None:
                changed[place] ^= 1
            frame.write_bytes(changed)
            seen.add(key())
        assert len(seen) == 1 + len(places)


def replace_size(status, size):
    return SimpleNamespace(st_size=size, st_mtime_ns=status.st_mtime_ns, st_ctime_ns=status.st_ctime_ns)


def test_what_is_damaged_cut_short_or_foreign_counts_as_nothing(tmp_path):
    kept = Cache(tmp_path / "kept")
    key, other = kept.key("a", []), kept.key("b", [])
    kept.save(key, list(range(1000)))
    (path,) = entries(tmp_path / "kept")
    content = path.read_bytes()
    flipped = bytearray(content)
    flipped[500] ^= 1
    evil = pickle.dumps(Told("a", 1))
    for wrong in (b"", content[:10], content[:-1], content + b"x", bytes(flipped), evil, b"\0" * 16 + evil):
        path.write_bytes(wrong)
        assert kept.load(key) is NOTHING
    (tmp_path / "kept" / f"{other}.kept").write_bytes(content)
    assert kept.load(other) is NOTHING  # an entry under another's name
    kept.save(key, "new")
    assert kept.load(key) == "new"


def test_what_was_not_asked_for_longest_goes_first_and_nothing_else_does(tmp_path):
    kept = Cache(tmp_path / "kept", most_bytes=5000)
    (tmp_path / "kept" / "mine.fits").write_bytes(bytes(9000))
    (tmp_path / "kept" / ".gone.kept.part").write_bytes(bytes(2000))
    keys = [kept.key("a", [], number) for number in range(6)]
    for number, key in enumerate(keys):
        kept.save(key, bytes(1000))
        os.utime(tmp_path / "kept" / f"{key}.kept", (number + 1e9, number + 1e9))
    os.utime(tmp_path / "kept" / ".gone.kept.part", (1e9 - 1, 1e9 - 1))
    kept.save(kept.key("large", []), bytes(1500))
    assert kept.load(kept.key("large", [])) is NOTHING
    assert kept.load(keys[0]) == bytes(1000)
    kept.tidy()
    left = [number for number, key in enumerate(keys) if kept.load(key) is not NOTHING]
    assert left == [0, 3, 4, 5]
    assert sorted(path.suffix for path in (tmp_path / "kept").iterdir()) == [".fits"] + [".kept"] * 4
    for path in entries(tmp_path / "kept"):
        path.unlink()
    kept.tidy()


def test_a_folder_that_cannot_be_used_costs_nothing(tmp_path):
    (tmp_path / "file").touch()
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    for folder in (tmp_path / "file", tmp_path / "file" / "below", None, *[tmp_path / "open"] * hasattr(os, "getuid")):
        kept = Cache(folder)
        assert not kept.keeps and kept.key("a", []) is None and kept.load(None) is NOTHING
        kept.save(None, 1)
        kept.tidy()
    own = Cache(tmp_path / "own")
    key = own.key("a", [])
    assert own.key("a", [str(tmp_path / "gone.fits")]) is None
    (tmp_path / "own").rmdir()
    (tmp_path / "own").touch()
    own.save(key, 1)
    assert own.load(key) is NOTHING
    own.tidy()
    if hasattr(os, "getuid"):
        assert (Cache(tmp_path / "new"), (tmp_path / "new").stat().st_mode & 0o777)[1] == 0o700


def test_many_processes_use_one_folder_at_once(tmp_path):
    """Whatever one deletes while another reads and writes: an answer is right or not there."""
    code = (
        "import sys, types\n"
        "sys.modules['scipy'] = sys.modules['astropy'] = types.SimpleNamespace(__version__='')\n"
        "from focuskit.core.cache import *\n"
        "for turn in range(60):\n"
        "    kept = Cache(sys.argv[1], most_bytes=30_000)\n"
        "    for number in range(8):\n"
        "        key = kept.key('a', [], number)\n"
        "        found = kept.load(key)\n"
        "        assert found is NOTHING or found == bytes([number]) * 5000\n"
        "        kept.save(key, bytes([number]) * 5000)\n"
        "    kept.tidy()\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", code, str(tmp_path)]) for _ in range(2)]
    assert [one.wait() for one in both] == [0, 0]
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 30_000
    assert not list(tmp_path.glob(".*"))
