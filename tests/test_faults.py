"""Faults of the machine: processes that die, disks that are full, a user who stops the work."""

import json
import multiprocessing
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
from small_nights import analyse, take_run, write_run

from focuskit.core.errors import FocuskitError
from focuskit.core.workers import Workers, process_lost
from focuskit.logbook import Logbook
from focuskit.logbook.migrations import MIGRATIONS
from focuskit.night import analyse as night_of
from focuskit.night import shapes
from focuskit.scenes import Passband
from focuskit.stars import measure
from focuskit.waves import stack_files

sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))
import kill_test


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_run(tmp_path_factory.mktemp("faults") / "night", take_run(frames=5, step=45))


@pytest.fixture(scope="module")
def full_disk():
    """A device that is always full."""
    if not Path("/dev/full").exists():
        pytest.skip("needs /dev/full")
    return "/dev/full"


# Processes ---------------------------------------------------------------------------------------


def square(number, folder, deadly, times):
    """Return a square, or end the process the first ``times`` times that a deadly number comes."""
    if number in deadly:
        seen = folder / f"{number}"
        count = len(seen.read_text()) if seen.exists() else 0
        if count < times:
            seen.write_text("x" * (count + 1))
            os._exit(9)
    return number * number


def lost(number):
    return f"{number} is lost"


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_work_is_done_in_order_whoever_does_it(tmp_path, workers):
    told = []
    with Workers(count=workers) as pool:
        for _ in range(2):
            done = pool.map(
                partial(square, folder=tmp_path, deadly=(), times=0), range(20), lost, lambda *step: told.append(step)
            )
            assert done == [k * k for k in range(20)]
    assert told == [(k + 1, 20) for k in range(20)] * 2


def test_a_task_that_ends_its_process_twice_is_lost_alone(tmp_path):
    told = []
    with Workers(count=2) as pool:
        work = partial(square, folder=tmp_path, deadly=(3, 11), times=99)
        done = pool.map(work, range(15), lost, lambda *step: told.append(step))
        assert done == [lost(k) if k in (3, 11) else k * k for k in range(15)]
        # the pool goes on working
        assert pool.map(work, [1, 2], lost) == [1, 4]
    assert told == [(k + 1, 15) for k in range(15)]


@pytest.mark.parametrize("deadly", [0, 7, 14])  # one each: else one may die by another's fault, then by its own
def test_a_task_whose_process_died_once_is_not_lost(tmp_path, deadly):
    with Workers(count=2) as pool:
        done = pool.map(partial(square, folder=tmp_path, deadly=(deadly,), times=1), range(15), lost)
    assert done == [k * k for k in range(15)]


def test_an_executor_that_breaks_costs_its_task_only(tmp_path):
    with ProcessPoolExecutor(2) as executor, Workers(executor, count=2) as pool:
        work = partial(square, folder=tmp_path, deadly=(4,), times=99)
        assert pool.map(work, range(9), lost) == [lost(k) if k == 4 else k * k for k in range(9)]
        # it is broken for good, and is done without
        assert pool.map(work, [5, 6], lost) == [25, 36]


class Moody(Executor):
    """An executor that does some tasks, loses some, and forgets some."""

    def __init__(self):
        self.given = []

    def submit(self, work, task):
        job = Future()
        self.given.append(job)
        if task % 3 == 0:
            job.set_result(work(task))
        elif task % 3 == 1:
            job.set_exception(ConnectionError("the worker is gone"))
        else:
            job.cancel()
            job.set_running_or_notify_cancel()
        return job


def test_what_an_executor_loses_is_done_here(tmp_path):
    work = partial(square, folder=tmp_path, deadly=(4,), times=99)
    with Workers(Moody(), count=2) as pool:
        assert pool.map(work, range(9), lost) == [lost(k) if k == 4 else k * k for k in range(9)]


def test_an_executor_that_has_ended_is_said_in_one_line():
    threads = ThreadPoolExecutor(1)
    threads.shutdown()
    with Workers(threads) as pool, pytest.raises(FocuskitError, match="the executor takes no work"):
        pool.map(str, [1, 2], lost)


def test_an_executor_is_relieved_of_what_nobody_waits_for(tmp_path):
    class Slow(Executor):
        given: ClassVar = []

        def submit(self, work, task):
            self.given.append(Future())
            if task == 0:
                self.given[-1].set_result(0)
            return self.given[-1]

    def stop(*_):
        raise KeyboardInterrupt

    with Workers(Slow()) as pool, pytest.raises(KeyboardInterrupt):
        pool.map(str, range(5), lost, stop)
    assert [job.cancelled() for job in Slow.given] == [False, True, True, True, True]


@pytest.mark.parametrize("problem", [OSError(11, "Resource temporarily unavailable"), BrokenProcessPool("died")])
def test_no_process_at_all_is_said_in_one_line(monkeypatch, problem):
    class Nobody(ProcessPoolExecutor):
        def submit(self, *_, **__):
            raise problem

    monkeypatch.setattr("focuskit.core.workers.ProcessPoolExecutor", Nobody)
    with Workers(count=2) as pool, pytest.raises(FocuskitError, match=r"no process can be started .*--workers 1"):
        pool.map(str, [1, 2], lost)


def _hold(folder):
    (folder / f"{os.getpid()}").write_text("")
    time.sleep(300.0)


def _lead(folder):
    with Workers(count=2) as pool:
        pool.map(_hold, [folder] * 2, lost)


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks into /proc")
def test_no_worker_outlives_its_parent(tmp_path):
    leader = multiprocessing.get_context("spawn").Process(target=_lead, args=(tmp_path,))
    leader.start()
    _wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
    os.kill(leader.pid, signal.SIGKILL)
    leader.join()
    workers = [int(path.name) for path in tmp_path.iterdir()]
    _wait_until(lambda: not any(kill_test.is_alive(pid) for pid in workers))


def _wait_until(true):
    """Wait as long as it takes on a busy machine, but not for ever."""
    for _ in range(3000):
        if true():
            return
        time.sleep(0.02)
    raise AssertionError("waited in vain")


# The command on a machine in trouble ---------------------------------------------------------------


def focuskit(*words, before="", env=None, rights=(), **files):
    """Run the command in a process of its own, after some Python of ours; ``rights`` stand before it."""
    code = f"import sys\n{before}\nfrom focuskit.cli.run import main\nsys.exit(main(sys.argv[1:]))"
    files = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | files
    return subprocess.run([*rights, sys.executable, "-c", code, *map(str, words)], text=True, env=env, **files)


def one_line(done, status=1):
    assert done.returncode == status
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert done.stderr.startswith("focuskit: ")
    return done.stderr


@pytest.mark.parametrize("option, name", [("--report", "night.html"), ("--logbook", "b.sqlite")])
def test_a_full_disk_costs_one_line_and_not_the_answer(night, tmp_path, option, name):
    # A file size limit is what a full disk looks like without one at hand.
    small = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))"
    done = focuskit("analyse", night, "--json", "--workers", 1, option, tmp_path / name, before=small)
    one_line(done, 0 if option == "--logbook" else 1)
    assert json.loads(done.stdout)["runs"][0]["best_position"] is not None
    left = [path for path in tmp_path.rglob("*") if path.is_file() and path.stat().st_size and path.suffix != ".sqlite"]
    assert left == []


@pytest.mark.parametrize("words", [("--json",), ()])
def test_output_that_cannot_be_written_is_one_line(tmp_path, full_disk, words):
    with Path(full_disk).open("w") as full:
        done = focuskit("logbook", "list", "--logbook", tmp_path / "book.sqlite", *words, stdout=full)
    assert "No space left" in one_line(done)


def test_a_reader_that_leaves_is_no_fault(tmp_path):
    read, write = os.pipe()
    os.close(read)
    done = focuskit("logbook", "list", "--logbook", tmp_path / "book.sqlite", stdout=write)
    os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


def test_closed_output_is_no_fault(tmp_path):
    words = ("logbook", "list", "--logbook", tmp_path / "book.sqlite")
    done = focuskit(*words, before="sys.stdout.close(); sys.stdout = None")
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("option", ["--report", "--tables", "--plots", "--logbook"])
def test_a_place_that_cannot_be_written_costs_one_line_and_not_the_answer(night, tmp_path, capsys, option):
    (tmp_path / "file").write_text("mine")
    place = tmp_path / "file" / ("x.html" if option == "--report" else "x")
    status, answer, err = analyse(capsys, night, option, place)
    assert status == (0 if option == "--logbook" else 1)
    assert answer["runs"]
    assert len(err.splitlines()) == 1
    assert (tmp_path / "file").read_text() == "mine"


@pytest.fixture(scope="module")
def without_rights():
    """What to put before a command so that it may not do everything: root passes by all permissions."""
    if os.name != "posix":
        pytest.skip("needs permissions of files")
    if os.geteuid() != 0:
        return ()
    if not shutil.which("setpriv"):
        pytest.skip("root can read and write everywhere, and there is no setpriv")
    return ("setpriv", "--bounding-set=-all", "--inh-caps=-all")


def test_what_may_not_be_read_is_named(night, tmp_path, without_rights):
    folder = shutil.copytree(night, tmp_path / "night")
    want = json.loads(json.dumps(night_of(folder, workers=1).to_json()))
    whole = (folder / "frame_05.fits").read_bytes()
    for name in ("shut", "no_search"):
        (folder / name).mkdir()
        (folder / name / "a.fits").write_bytes(whole)
    (folder / "mine.fits").write_bytes(whole)
    (folder / "link.fits").symlink_to(folder / "shut" / "a.fits")
    (folder / "folder").symlink_to(folder / "shut" / "sub")
    shut = {"shut": 0o000, "no_search": 0o444, "mine.fits": 0o000}
    for name, mode in shut.items():
        (folder / name).chmod(mode)
    try:
        done = focuskit("analyse", folder, "--json", "--workers", 1, rights=without_rights)
    finally:
        for name in shut:
            (folder / name).chmod(0o755)
    assert (done.returncode, done.stderr) == (0, "")
    got = json.loads(done.stdout)
    assert got["runs"] == want["runs"]
    assert [row["file"] for row in got["not_used"]] == ["folder", "link.fits", "mine.fits", "no_search/a.fits", "shut/"]
    assert all("Permission denied" in row["why"] for row in got["not_used"])


@pytest.mark.parametrize("option", ["--report", "--tables", "--plots", "--logbook"])
def test_a_folder_that_is_read_only_is_one_line(night, tmp_path, without_rights, option):
    (tmp_path / "shut").mkdir(mode=0o500)
    name = "a.html" if option == "--report" else "a"
    words = ("analyse", night, "--json", "--workers", 1, option, tmp_path / "shut" / name)
    done = focuskit(*words, rights=without_rights)
    assert f"{name}" in one_line(done, 0 if option == "--logbook" else 1)
    assert json.loads(done.stdout)["runs"]


def test_a_logbook_of_the_first_version_on_a_read_only_disk_is_read(tmp_path, without_rights):
    """A book of the first version has fewer columns: they cannot be added where nothing may be written."""
    (tmp_path / "shut").mkdir()
    path = tmp_path / "shut" / "book.sqlite"
    with closing(sqlite3.connect(path)) as raw, raw:
        for step in MIGRATIONS[:2]:
            raw.execute(step)
        raw.execute("PRAGMA user_version = 2")
        raw.execute("INSERT INTO runs (key, time, position) VALUES ('k', 1e9, 5000.0)")
    path.chmod(0o444)
    (tmp_path / "shut").chmod(0o555)
    done = focuskit("logbook", "list", "--json", "--logbook", path, rights=without_rights)
    assert (done.returncode, done.stderr) == (0, f"focuskit: using logbook {path}\n")
    assert [run["position"] for run in json.loads(done.stdout)["runs"]] == [5000.0]
    assert "folder is read-only" in one_line(
        focuskit("logbook", "note", 1, "wind", "--logbook", path, rights=without_rights)
    )


def test_a_process_that_the_system_stops_is_said_to_be_that():
    """What stops a process from outside is most often the system, for want of memory."""
    with Workers(count=2) as pool:
        (reason,) = pool.map(_stopped, [0], process_lost)
    assert reason.code == "lost"
    assert "stopped by the system" in reason.text
    assert "lack of memory; try --workers 1" in reason.text


def lose(monkeypatch, module, ending, fault):
    """Lose a frame that ``module`` reads again: gone, out of memory, or killed by the workers that are returned."""
    read = module.read_pixels

    def read_pixels(path, *rest):
        if path.endswith(ending) and fault == "gone":
            raise FocuskitError(f"{path}: is gone")
        if path.endswith(ending) and fault == "memory":
            raise MemoryError
        return read(path, *rest)

    class Pool(Workers):
        def map(self, work, tasks, lost, keys):
            paths = [(task[0] if isinstance(task, tuple) else task).path for task in tasks]
            killed = [fault == "killed" and path.endswith(ending) for path in paths]
            return [lost(task) if gone else work(task) for task, gone in zip(tasks, killed, strict=True)]

    monkeypatch.setattr(module, "read_pixels", read_pixels)
    return Pool()


@pytest.mark.parametrize("fault", ["gone", "memory", "killed"])
def test_a_frame_lost_while_its_stars_are_stacked_is_said(tmp_path, capsys, monkeypatch, fault):
    """The sizes are those of all frames, the shapes are fitted without it, and a flag says so."""
    folder = write_run(tmp_path / "night", take_run(frames=7))
    stack_all, workers = stack_files.stack_frames, lose(monkeypatch, stack_files, "_05.fits", fault)
    monkeypatch.setattr(shapes, "stack_frames", lambda tasks, pool, limits: stack_all(tasks, workers, limits))
    status, answer, _ = analyse(capsys, folder)
    (run,) = answer["runs"]
    assert status == 0 and "shapes_incomplete" in run["flags"]
    assert run["fits"]["profile"]["points"] == 6 and sum(point["used"] for point in run["points"]) == 7
    assert run["method"] == "profile" and abs(run["best_position"] - 10000.0) < 4.0 * run["best_position_err"]


@pytest.mark.parametrize(
    ("fault", "code", "text"),
    [
        ("gone", "unreadable", "is gone"),
        ("memory", "memory", "--workers 1"),
        ("killed", "lost", "stopped by the system"),
    ],
)
def test_a_frame_lost_while_faint_stars_are_measured_again_is_named(tmp_path, monkeypatch, fault, code, text):
    """Its point says why it has no size; that its stars do not show would be wrong."""
    faint = take_run(passbands={"L": Passband(transmission=0.004, sky_e_per_s=25.0)})
    folder = write_run(tmp_path / "night", faint)
    workers = lose(monkeypatch, measure, "_06.fits", fault)
    frames = [measure.measure_frame(path) for path in sorted(folder.iterdir())]
    _, sizes, unread = measure.compare_frames(frames, workers)
    assert np.isfinite(sizes.hfd_px).tolist() == [k != 5 for k in range(9)]
    assert [why is not None for why in unread] == [k == 5 for k in range(9)]
    assert unread[5].code == code and text in unread[5].text
    if fault == "gone":
        (run,) = night_of(folder, workers=1).runs
        assert run.fit.why_not_used[5] == unread[5]


def _stopped(_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_no_home_is_no_fault(night, tmp_path, without_rights):
    # Costs 10 s and more: without a home matplotlib makes its list of all fonts again.
    env = os.environ | dict.fromkeys(("HOME", "XDG_DATA_HOME"), str(tmp_path / "none" / "x"))
    (tmp_path / "none").mkdir(mode=0o500)
    words = ("analyse", night, "--json", "--workers", 1)
    done = focuskit(*words, "--plots", tmp_path / "plots", rights=without_rights, env=env)
    assert (done.returncode, done.stderr) == (0, "")
    done = focuskit(*words, "--record", rights=without_rights, env=env)
    assert "cannot be made" in one_line(done, 0)
    assert json.loads(done.stdout)["runs"]


def test_an_input_is_never_the_output(night, tmp_path, capsys):
    before = {path: path.read_bytes() for path in night.iterdir()}
    frame = night / "frame_01.fits"
    for words in (("--report", frame), ("--tables", frame), ("--plots", frame)):
        with pytest.raises(SystemExit):
            analyse(capsys, night, *words)
        assert frame.name in capsys.readouterr().err
    status, _, err = analyse(capsys, night, "--logbook", frame)
    assert (status, len(err.splitlines())) == (1, 1)
    assert analyse(capsys, night, "--tables", night, "--plots", night)[0] == 0
    assert {path: path.read_bytes() for path in before} == before
    for path in set(night.iterdir()) - set(before):
        path.unlink()


def test_stopping_is_one_line_and_leaves_no_process(tmp_path):
    image, facts = take_run()[4]
    folder = write_run(tmp_path / "night", [(image + number, facts) for number in range(150)], "{:03d}.fits")
    code = "import sys; from focuskit.cli.run import main; sys.exit(main(sys.argv[1:]))"
    words = ["analyse", str(folder), "--workers", "2", "--logbook", str(tmp_path / "book.sqlite")]
    work = subprocess.Popen(
        [sys.executable, "-c", code, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip
    _wait_until(lambda: kill_test.children(work.pid))
    workers = kill_test.children(work.pid)
    os.killpg(work.pid, signal.SIGINT)
    out, err = work.communicate()
    assert (work.returncode, out, err) == (130, "", "focuskit: stopped\n")
    _wait_until(lambda: not any(kill_test.is_alive(pid) for pid in workers))


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="needs signals that can wait")
def test_stopping_while_modules_load_is_one_line(night):
    # numpy, scipy and others load compiled modules, which would make an ImportError of it
    before = (
        "import os, signal, importlib.abc\n"
        "class Late(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'scipy.optimize':\n"
        "            try:\n"
        "                os.kill(os.getpid(), signal.SIGINT)\n"
        "            except KeyboardInterrupt:\n"
        "                raise ImportError('initialization failed')\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "sys.meta_path.insert(0, Late())\n"
    )
    assert one_line(focuskit("analyse", night, before=before), 130) == "focuskit: stopped\n"


def test_files_that_vanish_and_grow_are_named(night, tmp_path, capsys, monkeypatch):
    folder = write_run(tmp_path / "night", take_run())
    want = analyse(capsys, folder)[1]
    real = measure.read_frame

    def slow(path, *rest):
        if Path(path).name == "gone.fits":
            Path(path).unlink()
        if Path(path).name == "grows.fits":
            with Path(path).open("ab") as stream:
                stream.write(bytes(100))
        return real(path, *rest)

    monkeypatch.setattr(measure, "read_frame", slow)
    whole = (folder / "frame_05.fits").read_bytes()
    (folder / "gone.fits").write_bytes(whole)
    (folder / "grows.fits").write_bytes(whole[:-20000])
    status, got, _ = analyse(capsys, folder)
    assert status == 0
    assert got["runs"] == want["runs"]
    reasons = {row["file"]: row["why"] for row in got["not_used"]}
    assert "cannot be read" in reasons["gone.fits"]
    assert "cut short" in reasons["grows.fits"]


# Killed at any moment ---------------------------------------------------------------------------


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="looks into /proc")
def test_killed_work_leaves_everything_whole(tmp_path):
    assert kill_test.kill_often(2, seed=1, folder=tmp_path, names=("import",)) == []


def test_two_analyses_at_once_write_each_run_once(night, tmp_path):
    book = tmp_path / "book.sqlite"
    words = [sys.executable, "-m", "focuskit", "analyse", str(night), "--workers", "1", "--logbook", str(book)]
    both = [subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(2)]
    said = [work.communicate() for work in both]
    assert [work.returncode for work in both] == [0, 0]
    assert [err for _, err in said] == [f"focuskit: using logbook {book}\n"] * 2
    assert sorted("1 new run " in out for out, _ in said) == [False, True]
    assert len(Logbook(book).runs()) == 1


def test_a_logbook_is_not_kept_in_a_folder_called_tilde(tmp_path, monkeypatch):
    # what is left of ~ where nobody has a home
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FocuskitError, match="no home folder"):
        Logbook("~/.local/share/focuskit/logbook.sqlite")
    assert list(tmp_path.iterdir()) == []
