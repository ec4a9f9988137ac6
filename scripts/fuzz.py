"""Feed focuskit mutated FITS files, tables, rig files and logbooks, and watch that it keeps its promises.

    python scripts/fuzz.py --seed 1 --cases 20000

For every file: no exception but FocuskitError, exit status 0 or 1, a few printable lines on stderr, JSON
without NaN, no warning, no more than 10 s of work (a handful: 30 s) or 2 min of waiting, and no more than
the memory allowed. Frames
are also put in handfuls beside a sound focus run, whose results must stay the same to the last bit.
A file that breaks a promise is kept in the folder of findings. Exit status: 1 if there are any.
"""

from __future__ import annotations

import argparse
import bz2
import gzip
import io
import json
import math
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from odd_skies import odd_run

from focuskit.cli import run as cli
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig
from focuskit.frames import Limits, read_rig_file
from focuskit.frames.frame import read_frame_info
from focuskit.logbook import Logbook
from focuskit.scenes import Passband, Scene, Sweep, simulate_run, write_frame
from focuskit.stars import measure_frame

MOST_SECONDS = 10  # of the processor's time: a busy machine is not a hang
MOST_WAITED = 120
MOST_BYTES = 3 * 2**30
HANDFUL = 40
# Of the aperture, less its obstruction of 0.36: a search for an obstruction that is not known takes most of the time.
AREA_MM2 = math.pi / 4.0 * 200.0**2 * (1.0 - 0.36**2)
MOST_LINES = 30  # on stderr
START = datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
# What a header card, a cell or a key should not hold, and one day will.
NASTY = (
    "", "0", "-0", "-1", "1", "1e308", "-1e308", "1e999", "NaN", "nan", "inf", "-Infinity", "1e-320", "1E5", "1D5",
    "9223372036854775807", "-9223372036854775808", "18446744073709551616", "1" * 400, "0x10", "1_000", "1,5", "1;5",
    "T", "F", "true", "'text'", "'", "''", "'it''s", "\"", "\"\"\"", "[", "[[", "{}", "=", "=1+1", "@SUM(A1)", "+1",
    "\x1b[31mred\x1b[0m", "\x1b]0;title\x07", "\x9b31m", "\u202eevil", "../../etc/passwd", "a/b\\c", "<script>",
    "&amp;", "'; DROP TABLE runs; --", "\0", "\r", "\n", "\t", "é", "光", "\ud7ff", "H\u03b1", "-9999-99-99",
    "9999-12-31T23:59:60", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2031-03-04", "2031-02-30",
    "0000-00-00", "04/03/31", "24:00",
    "2031-03-04T20:10:00.99999999999", "1" * 5000, "x" * 70,
)  # fmt: skip
KEYWORDS = (
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND", "BZERO", "BSCALE", "BLANK", "PCOUNT", "GCOUNT",
    "XTENSION", "TFIELDS", "TFORM1", "TTYPE1", "ZIMAGE", "ZCMPTYPE", "ZBITPIX", "ZNAXIS", "ZNAXIS1", "ZTILE1", "ZTILE2",
    "ZBLANK", "ZVAL1", "THEAP", "FOCUSPOS", "FOCTEMP", "FILTER", "EXPTIME", "DATE-OBS", "TIME-OBS", "MJD-OBS",
    "INSTRUME", "TELESCOP", "XBINNING", "XPIXSZ", "FOCALLEN", "APTDIA", "APTAREA", "EGAIN", "SATURATE", "BAYERPAT",
    "XBAYROFF", "IMAGETYP", "OBJECT", "CONTINUE", "HIERARCH", "COMMENT", "END", "ROTATANG", "PIERSIDE", "CCDSUM",
)  # fmt: skip


class BrokenPromiseError(Exception):
    """What focuskit did that it must not."""


def take_frames(filter_name: str = "L", stars: tuple[int, int] = (3, 4)) -> list:
    """Return the frames of a small sound focus run: stars in rows and columns that do not touch."""
    rng = np.random.default_rng(3)
    y, x = (np.mgrid[0 : stars[0], 0 : stars[1]] * 62.0 + 42.0).reshape(2, -1)
    rig = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
    scene = Scene(
        rig, (stars[0] * 62 + 22, stars[1] * 62 + 22), x, y, rng.uniform(4e4, 2e5, x.size), drift_px=0.0,
        passbands={filter_name: Passband()},
    )  # fmt: skip
    begin = START + timedelta(days=0 if filter_name == "L" else 2)
    positions = [10000 + 25 * k for k in range(-4, 5)]
    return list(simulate_run(scene, Sweep(filter_name, begin, 8.0, 2.0, positions), rng))


def make_frames(folder: Path) -> list[bytes]:
    """Return small frames as files of every kind that is read."""
    frame = take_frames("R", (1, 1))[4]
    facts = dict(frame.facts)
    plain = folder / "base.fits"
    write_frame(plain, frame.image, facts)
    files = [plain.read_bytes()] * 2
    files += [gzip.compress(files[0]), bz2.compress(files[0])]
    header = fits.Header()
    for key, value in facts.items():
        header[key] = value
    for kind in ("RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1"):
        out = io.BytesIO()
        image = frame.image if kind != "PLIO_1" else np.minimum(frame.image, 30000).astype("i2")
        fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(image, header, compression_type=kind)]).writeto(out)
        files.append(out.getvalue())
    for dtype in ("f4", "f8", "i4", "u1"):
        out = io.BytesIO()
        image = np.minimum(frame.image, 255) if dtype == "u1" else frame.image
        fits.PrimaryHDU(image.astype(dtype), header).writeto(out)
        files.append(out.getvalue())
    plain.unlink()
    return files


def mutate_bytes(data: bytearray, rng: random.Random) -> None:
    """Damage bytes in place the way cards, cables and careless copies do."""
    for _ in range(rng.choice((1, 1, 2, 8, 40))):
        if not data:
            return
        at = rng.randrange(len(data))
        kind = rng.randrange(7)
        if kind == 0:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 1:
            data[at] = rng.randrange(256)
        elif kind == 2:
            del data[at:]
        elif kind == 3:
            del data[at : at + rng.choice((1, 80, 2880))]
        elif kind == 4:
            data[at:at] = rng.randbytes(rng.choice((1, 80, 2880)))
        elif kind == 5:
            size = rng.choice((16, 512, 4096))
            data[at : at + size] = bytes((rng.choice((0, 255)),)) * min(size, len(data) - at)
        else:
            other = rng.randrange(len(data))
            size = rng.choice((80, 512))
            data[at : at + size] = data[other : other + size]


def mutate_frame(data: bytes, rng: random.Random) -> bytes:
    """Return a FITS file with damaged cards, or damaged anywhere."""
    out = bytearray(data)
    if not data.startswith(b"SIMPLE") or rng.random() < 0.3:
        mutate_bytes(out, rng)
        return bytes(out)
    length = min(len(out), 2 * 2880) if b"XTENSION" not in data[:5760] else min(len(out), 4 * 2880)
    for _ in range(rng.choice((1, 1, 2, 6))):
        at = rng.randrange(length // 80) * 80
        kind = rng.randrange(6)
        keyword = bytes(out[at : at + 8]) if rng.random() < 0.4 else rng.choice(KEYWORDS).ljust(8).encode()
        known = out.find(keyword)
        if 0 <= known < length and rng.random() < 0.8:
            at = known
        if kind < 4:
            word = rng.choice(NASTY).encode(rng.choice(("utf-8", "latin-1")), "replace")
            if kind < 2:
                word = b"'" + word + b"'"
            out[at : at + 80] = (keyword + b"= " + word)[:80].ljust(80)
        elif kind == 4:
            out[at : at + 80] = bytes(out[length - 80 : length])
        else:
            out[at : at + 80] = rng.randbytes(80)
    return bytes(out)


def mutate_text(text: str, rng: random.Random) -> bytes:
    """Return a CSV or TOML file with odd cells, or damaged anywhere."""
    for _ in range(rng.choice((1, 1, 2, 5))):
        rows = text.split("\n")
        at = rng.randrange(len(rows))
        kind = rng.randrange(8)
        separator = next((c for c in ("=", ",") if c in rows[at]), ",")
        if kind < 4:
            cells = rows[at].split(separator)
            cells[rng.randrange(len(cells))] = rng.choice(NASTY)
            rows[at] = separator.join(cells)
        elif kind == 4:
            rows[at] = rng.choice(rows)
        elif kind == 5:
            del rows[at]
        elif kind == 6:
            rows.insert(at, rng.choice(NASTY))
        else:
            cells = rows[at].split(separator)
            cells[rng.randrange(len(cells))] = f"{rng.choice((1, -1)) * 10 ** rng.uniform(-12, 15):.17g}"
            rows[at] = separator.join(cells)
        text = "\n".join(rows)
    out = bytearray(text.encode(rng.choice(("utf-8",) * 8 + ("utf-16", "latin-1")), "replace"))
    if rng.random() < 0.25:
        mutate_bytes(out, rng)
    return bytes(out)


def run_command(*words: str) -> tuple[int, dict | None, str]:
    """Run one command in this process and check what holds for every command."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = cli.main(list(words))
    said, told = err.getvalue(), out.getvalue()
    lines = said.splitlines()
    if status not in (0, 1) or (status == 1 and not said):
        raise BrokenPromiseError(f"exit status {status} with '{said[:200]}' on stderr")
    # Besides the reason of a refusal, rows that are left out and names of filters that look alike are named.
    if not all(line.startswith("focuskit: ") and line.isprintable() for line in lines) or len(lines) > MOST_LINES:
        raise BrokenPromiseError(f"stderr is not a few printable lines: {said[:300]!r}")
    answer = None
    if "--json" in words and status == 0:
        answer = json.loads(told, parse_constant=_refuse)
    elif any(c != "\n" and not c.isprintable() for c in told):
        raise BrokenPromiseError("the text for the terminal holds what steers it")
    return status, answer, told


def _refuse(word: str) -> None:
    raise BrokenPromiseError(f"{word} in the JSON")


def _late(*_: object) -> None:
    raise BrokenPromiseError("took too long")


class Fuzzer:
    """Makes and tries the files; ``findings`` tells what went wrong."""

    def __init__(self, folder: Path, seed: int, keep: Path | None = None) -> None:
        self.folder, self.seed, self.keep = folder, seed, keep
        self.findings: list[str] = []
        self.tried = dict.fromkeys(("fits", "night", "csv", "toml", "logbook"), 0)
        self.outcomes: dict[str, int] = {}

    def try_one(self, kind: str, number: int, content: bytes, suffix: str, trial) -> None:
        """Write a file and let ``trial`` use it; note what breaks."""
        path = self.folder / f"{kind}_{number}{suffix}"
        path.write_bytes(content)
        try:
            self._guard(kind, number, content, suffix, lambda: trial(path))
        finally:
            path.unlink(missing_ok=True)
        self.tried[kind] += 1

    def _guard(self, kind: str, number: int, content: bytes, suffix: str, action) -> bool:
        signal.signal(signal.SIGALRM, _late)
        signal.signal(signal.SIGPROF, _late)
        signal.setitimer(signal.ITIMER_REAL, MOST_WAITED)
        signal.setitimer(signal.ITIMER_PROF, MOST_SECONDS * (3 if kind == "night" else 1))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                outcome = action()
        except FocuskitError as problem:
            outcome = "refused"
            if not str(problem).isprintable():
                self._note(kind, number, content, suffix, f"message is not printable: {problem!r}")
        except Exception:  # noqa: BLE001  whatever it is, it is what is sought
            last = traceback.format_exc(limit=-3).strip()
            self._note(kind, number, content, suffix, last)
            return False
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.setitimer(signal.ITIMER_PROF, 0)
        self.outcomes[f"{kind}: {outcome}"] = self.outcomes.get(f"{kind}: {outcome}", 0) + 1
        return True

    def _note(self, kind: str, number: int, content: bytes, suffix: str, what: str) -> None:
        self.findings.append(f"{kind} {number} (seed {self.seed}): {what}")
        print(self.findings[-1], end="\n\n", flush=True)
        if self.keep:
            self.keep.mkdir(parents=True, exist_ok=True)
            (self.keep / f"{kind}_{self.seed}_{number}{suffix}").write_bytes(content)

    # One trial for each kind of file ---------------------------------------------------------

    def frames(self, count: int) -> None:
        """Mutated frames, each measured by itself."""
        bases = make_frames(self.folder)
        limits = Limits(pixels=10**6, unpacked_bytes=10**8)

        def trial(path: Path) -> str:
            return "no stars" if measure_frame(path, limits=limits).hfd_px is None else "measured"

        for number in range(count):
            rng = random.Random(f"{self.seed} fits {number}")
            self.try_one("fits", number, mutate_frame(rng.choice(bases), rng), ".fits", trial)

    def nights(self, count: int) -> None:
        """Handfuls of mutated frames beside a sound run, through the command."""
        bases = make_frames(self.folder)
        night = self.folder / "night"
        night.mkdir()
        rig = self.folder / "rig.toml"
        rig.write_text("obstruction = 0.36\n", encoding="utf-8")
        for number, frame in enumerate(take_frames(), 1):
            write_frame(night / f"frame_{number:02d}.fits", frame.image, frame.facts | {"APTAREA": AREA_MM2})
        words = ("analyse", str(night), "--json", "--workers", "1", "--no-cache", "--limit", "pixels=1000000")
        _, sound, _ = run_command(*words)
        assert sound and sound["runs"][0]["best_position"] is not None
        for number in range(0, count, HANDFUL):
            rng = random.Random(f"{self.seed} night {number}")
            files = []
            for k in range(min(HANDFUL, count - number)):
                files.append(night / f"bad_{k:02d}.fits")
                files[-1].write_bytes(mutate_frame(rng.choice(bases), rng))

            def trial(files: list[Path] = files, number: int = number) -> str:
                _, answer, _ = run_command(*words)
                assert answer
                named = {row["file"] for row in answer["not_used"]}
                named |= {point["file"] for run in answer["runs"] for point in run["points"]}
                if sound["runs"][0] not in answer["runs"]:
                    raise BrokenPromiseError("the sound run beside it came out otherwise")
                if missing := {path.name for path in files} - named:
                    raise BrokenPromiseError(f"{len(missing)} files are nowhere in the answer")
                if number % (10 * HANDFUL) == 0:
                    run_command("diagnose", *words[1:])
                if number % (3 * HANDFUL) == 0:
                    _, answer, _ = run_command("defocus", *words[1:], "--rig", str(rig))
                    assert answer
                    told = {row["file"] for part in ("frames", "not_used") for row in answer[part]}
                    if missing := {path.name for path in files} - told:
                        raise BrokenPromiseError(f"defocus names {len(missing)} files nowhere")
                return "same beside it"

            joined = b"".join(len(p.read_bytes()).to_bytes(4, "big") + p.read_bytes() for p in files)
            self._guard("night", number, joined, ".handful", trial)
            self.tried["night"] += len(files)
            for path in files:
                path.unlink()

    def skies(self, count: int) -> None:
        """Whole focus runs of odd but legal pixels, with and without optics, through the commands."""
        for number in range(count):
            night = self.folder / f"sky_{number}"
            night.mkdir()
            what, run = odd_run(1000 * self.seed + number)
            for k, (image, facts) in enumerate(run):
                header = fits.Header(list(facts.items()))
                fits.PrimaryHDU(image, header).writeto(night / f"frame_{k}.fits")

            def trial(night: Path = night) -> str:
                for command in ("analyse", "diagnose", "defocus"):
                    run_command(command, str(night), "--json", "--workers", "1", "--no-cache")
                return "answered"

            self._guard("night", number, what.encode(), ".sky", trial)
            self.tried["night"] += 1
            shutil.rmtree(night)

    def tables(self, count: int) -> None:
        """Mutated tables of runs and of temperatures."""
        rows = ["time,filter,temperature_c,position,position_err,rig,frames,excluded,note"]
        for k in range(24):
            when = (START + timedelta(days=k // 4, hours=k % 4)).strftime("%Y-%m-%dT%H:%M:%SZ")
            celsius = 12.0 - 0.5 * k
            position = 5000 - 6.5 * celsius + 60 * (k % 2) + ((k * 7) % 5 - 2)
            rows.append(f"{when},{('L', 'Ha')[k % 2]},{celsius},{position:.1f},2.5,Heron,9,no,clear")
        runs = "\n".join(rows) + "\n"
        rows = ["time,temperature_c"]
        rows += [f"{(START + timedelta(minutes=5 * k)):%Y-%m-%dT%H:%M:%SZ},{10 - 0.02 * k:.2f}" for k in range(60)]
        log = "\n".join(rows) + "\n"
        known = (
            "--steps-per-c",
            "-6.5",
            "--best-hfd",
            "4",
            "--slope",
            "0.05",
            "--run-cost",
            "90",
            "--position-err",
            "3",
        )

        def as_runs(path: Path) -> str:
            book = self.folder / "book.sqlite"
            book.unlink(missing_ok=True)
            status, _, _ = run_command("logbook", "import", str(path), "--logbook", str(book))
            if status == 0:
                run_command("logbook", "list", "--logbook", str(book))
                run_command("logbook", "export", str(self.folder / "out.csv"), "--logbook", str(book))
                if Logbook(book).record([]) != 0:
                    raise BrokenPromiseError("a run was written twice")
            if len(path.name) % 2 == 0:
                run_command("offsets", "--runs", str(path), "--json")
                run_command("offsets", "--runs", str(path), "--declared-only")
            return ("read", "refused")[status]

        def as_log(path: Path) -> str:
            return ("read", "refused")[run_command("interval", "--temps", str(path), *known, "--json")[0]]

        for number in range(count):
            rng = random.Random(f"{self.seed} csv {number}")
            base, trial = rng.choice(((runs, as_runs), (runs, as_runs), (log, as_log)))
            text = base.replace(",", rng.choice((",", ",", ";", "\t")))
            self.try_one("csv", number, mutate_text(text, rng), ".csv", trial)

    def rig_files(self, count: int) -> None:
        """Mutated rig files."""
        text = (
            'name = "Heron"\naperture_mm = 200\nfocal_length_mm = 1400\nobstruction = 0.36\npixel_um = 3.76\n'
            'um_per_step = 4.0\ntravel = [0, 20000]\nposition_pattern = "*_{position}.fits"\n'
            'rebuilds = ["2031-03-04T18:00:00Z"]\n[filters]\nL = 550\n'
            '"H\\u03b1" = {wavelength_nm = 656.3, also = ["Ha"]}\n'
            '[keywords]\nposition = "MYFOC"\ntemperature = ["MYTEMP", "OTHER"]\n[columns]\nposition = "focus"\n'
        )
        frame = self.folder / "rig_5000.fits"
        frame.write_bytes(make_frames(self.folder)[0])

        def trial(path: Path) -> str:
            rig_file = read_rig_file(path)
            info = read_frame_info(frame, rig_file=rig_file)
            info.rig(rig_file)
            run_command("analyse", str(frame), "--rig", str(path), "--workers", "1", "--no-cache")
            return "read"

        for number in range(count):
            rng = random.Random(f"{self.seed} toml {number}")
            self.try_one("toml", number, mutate_text(text, rng), ".toml", trial)

    def logbooks(self, count: int) -> None:
        """Mutated logbooks, and sound ones with unsound values in them."""
        import sqlite3

        whole = self.folder / "whole.sqlite"
        runs = [
            LoggedRun(START + timedelta(hours=k), 5000.0 + k, ("L", "Ha")[k % 2], 8.0 - k, 2.0, "Heron",
                      "good", 4.0, 0.05, 16.0, 2.0, 9, 95.0, f"k{k}", details='{"a": 1}')
            for k in range(30)
        ]  # fmt: skip
        Logbook(whole).record(runs)
        base = whole.read_bytes()
        columns = (
            "number",
            "key",
            "rig",
            "time",
            "filter",
            "temperature_c",
            "position",
            "frames",
            "excluded",
            "details",
        )

        def trial(path: Path) -> str:
            first, _, _ = run_command("logbook", "list", "--json", "--logbook", str(path))
            run_command("logbook", "list", "--logbook", str(path))
            run_command("logbook", "show", "3", "--json", "--logbook", str(path))
            run_command("logbook", "note", "3", "wind", "--logbook", str(path))
            if len(path.name) % 2 == 0:
                run_command("offsets", "--json", "--logbook", str(path))
            return ("read", "refused")[first]

        for number in range(count):
            rng = random.Random(f"{self.seed} logbook {number}")
            content = bytearray(base)
            if rng.random() < 0.5:
                mutate_bytes(content, rng)
            else:
                path = self.folder / "odd.sqlite"
                path.write_bytes(base)
                value = rng.choice((*NASTY, None, b"\xff\x00", 2**62, -(2**62), 1e300, float("inf"), "光"))
                with sqlite3.connect(path) as book:
                    try:
                        column = rng.choice(columns)
                        book.execute(f"UPDATE runs SET {column} = ? WHERE number = ?", (value, rng.randrange(1, 31)))
                        if rng.random() < 0.1:
                            book.execute("CREATE TRIGGER t AFTER UPDATE ON runs BEGIN DELETE FROM runs; END")
                    except sqlite3.Error:
                        pass  # SQLite itself refuses this value
                book.close()
                content = bytearray(path.read_bytes())
            self.try_one("logbook", number, bytes(content), ".sqlite", trial)
            for beside in self.folder.glob("logbook_*"):
                beside.unlink()


def fuzz(seed: int, cases: int, keep: Path | None = None, only: str | None = None) -> Fuzzer:
    """Try ``cases`` files of all kinds together, or of one kind."""
    shares = {"frames": 0.4, "nights": 0.2, "tables": 0.15, "rig_files": 0.15, "logbooks": 0.1, "skies": 0.01}
    with tempfile.TemporaryDirectory() as folder:
        fuzzer = Fuzzer(Path(folder), seed, keep)
        for name, share in shares.items():
            if only in (None, name):
                getattr(fuzzer, name)(cases if only else max(1, round(share * cases)))
    return fuzzer


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Feed focuskit mutated files.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=20000)
    parser.add_argument("--only", choices=("frames", "nights", "tables", "rig_files", "logbooks", "skies"))
    parser.add_argument("--keep", type=Path, help="folder for files that break a promise")
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    begun = time.monotonic()
    fuzzer = fuzz(args.seed, args.cases, args.keep, args.only)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{sum(fuzzer.tried.values())} files {fuzzer.tried} in {time.monotonic() - begun:.0f} s, {peak:.0f} MB at most"
    )
    print(f"outcomes {dict(sorted(fuzzer.outcomes.items()))}; {len(fuzzer.findings)} findings")
    return 1 if fuzzer.findings else 0


if __name__ == "__main__":
    sys.exit(main())
