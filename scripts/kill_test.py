"""Kill focuskit at random moments, and let two of it write into one logbook; all must stay whole.

    python scripts/kill_test.py --times 200 --minutes 2

Each time one of these is started on a small night and killed (SIGKILL) at a random moment: an analysis
with logbook, report, tables and pictures; an import into the logbook; an export from it. After each the
logbook is sound and holds all runs of a command or none of them, every output file is whole or not
there, no process is left, and at the end the same commands run to their end. Exit status: 1 if not.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import fuzz

from focuskit.logbook import Logbook
from focuskit.scenes import write_frame

IMPORTED = 300


def is_alive(pid: int) -> bool:
    """Tell whether a process runs; one that has ended and is not yet taken note of does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except OSError:
        return False


def children(pid: int) -> list[int]:
    """Return the child processes of a process."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*"):
        with contextlib.suppress(OSError):
            found += map(int, (task / "children").read_text().split())
    return found


def _prepare(folder: Path) -> dict[str, list[str]]:
    """Make a night and a table of runs; return the commands."""
    night = folder / "night"
    night.mkdir()
    for number, frame in enumerate(fuzz.take_frames(), 1):
        write_frame(night / f"frame_{number:02d}.fits", frame.image, frame.facts)
    rows = [
        f"2030-{1 + k // 28 % 12:02d}-{1 + k % 28:02d}T20:{k // 336:02d}:00Z,L,8,{5000 + k}" for k in range(IMPORTED)
    ]
    (folder / "runs.csv").write_text("\n".join(["time,filter,temperature_c,position", *rows]) + "\n")
    out, book = folder / "out", str(folder / "book.sqlite")
    out.mkdir()
    return {
        "analyse": [
            "analyse", str(night), "--workers", "2", "--no-cache", "--logbook", book,
            "--report", str(out / "night.html"), "--tables", str(out), "--plots", str(out),
        ],
        "import": ["logbook", "import", str(folder / "runs.csv"), "--logbook", book],
        "export": ["logbook", "export", str(out / "runs.csv"), "--logbook", book],
    }  # fmt: skip


def _start(words: list[str]) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "focuskit", *words]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def _is_whole(path: Path) -> bool:
    content = path.read_bytes()
    if path.suffix == ".html":
        return content.rstrip().endswith(b"</html>")
    if path.suffix == ".png":
        return content.endswith(b"IEND\xaeB`\x82")
    if path.suffix == ".svg":
        return content.rstrip().endswith(b"</svg>")
    return content.endswith(b"\n")


def _faults(folder: Path, what: str) -> list[str]:
    """Return what is not whole after a kill."""
    faults = []
    for path in (folder / "out").iterdir():
        # What a killed process was writing lies beside it under a hidden name, and is nobody's output.
        if not path.name.startswith(".") and not _is_whole(path):
            faults.append(f"{what}: {path.name} is half written")
    book = folder / "book.sqlite"
    if book.exists():
        with contextlib.closing(sqlite3.connect(book)) as raw:
            verdict = raw.execute("PRAGMA integrity_check").fetchone()[0]
        if verdict != "ok":
            faults.append(f"{what}: the logbook is damaged: {verdict}")
        count = len(Logbook(book).runs())
        if count not in (0, 1, IMPORTED, IMPORTED + 1):
            faults.append(f"{what}: the logbook holds {count} runs")
    return faults


def kill_often(
    times: int, seed: int, folder: Path, names: tuple[str, ...] = ("analyse", "import", "export"), tell: bool = False
) -> list[str]:
    """Kill one of the named commands ``times`` times; return what broke."""
    rng = random.Random(seed)
    commands = {name: words for name, words in _prepare(folder).items() if name in names}
    lasts, faults = {}, []
    for name, words in commands.items():
        begun = time.monotonic()
        work = _start(words)
        _, err = work.communicate()
        lasts[name] = time.monotonic() - begun
        if work.returncode != 0:
            faults.append(f"{name}: ended with {work.returncode}: {err.decode()}")
    for number in range(times):
        if rng.random() < 0.3:
            (folder / "book.sqlite").unlink(missing_ok=True)
            for path in (folder / "out").iterdir():
                path.unlink()
            if rng.random() < 0.5:
                _start(commands["import"]).communicate()
        name = names[0] if rng.random() < 0.6 else rng.choice(names)
        work = _start(commands[name])
        # Later moments more often: most of the first second is spent on loading Python's modules.
        time.sleep(lasts[name] * rng.uniform(0.2, 1.05))
        workers = children(work.pid)
        work.send_signal(signal.SIGKILL)
        work.communicate()
        faults += _faults(folder, f"{name}, kill {number}")
        until = time.monotonic() + 20.0
        while any(map(is_alive, workers)) and time.monotonic() < until:
            time.sleep(0.02)
        faults += [f"{name}, kill {number}: process {pid} is left" for pid in workers if is_alive(pid)]
        if tell and (number + 1) % 20 == 0:
            print(f"{number + 1} kills, {len(faults)} faults", flush=True)
    for name, words in commands.items():
        work = _start(words)
        _, err = work.communicate()
        if work.returncode != 0:
            faults.append(f"{name}: does not complete afterwards: {err.decode()}")
    faults += _faults(folder, "afterwards")
    if len(Logbook(folder / "book.sqlite").runs()) != IMPORTED + ("analyse" in names):
        faults.append("afterwards: a run is missing or there twice")
    return faults


def write_together(minutes: float, folder: Path) -> list[str]:
    """Let two analyses write into one logbook again and again; return what broke."""
    commands = _prepare(folder)
    until = time.monotonic() + 60.0 * minutes
    faults, rounds = [], 0
    while time.monotonic() < until:
        rounds += 1
        both = [_start(commands["analyse"][:7]), _start(commands["analyse"][:7]), _start(commands["import"])]
        for work in both:
            _, err = work.communicate()
            if work.returncode != 0:
                faults.append(f"round {rounds}: {err.decode()}")
        count = len(Logbook(folder / "book.sqlite").runs())
        if count != IMPORTED + 1:
            faults.append(f"round {rounds}: {count} runs")
        faults += _faults(folder, f"round {rounds}")
        if rounds % 3 == 0:
            (folder / "book.sqlite").unlink()
    print(f"{rounds} rounds of two analyses and an import at once")
    return faults


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Kill focuskit at random moments.")
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=2.0, help="of two processes on one logbook")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        faults = kill_often(args.times, args.seed, Path(one), tell=True)
        faults += write_together(args.minutes, Path(two))
    for fault in faults:
        print(fault)
    print(f"{args.times} kills, {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
