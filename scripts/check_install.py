"""Install the wheel on every Python here, with the newest and the lowest dependencies, and compare the answers.

    python scripts/check_install.py [--tests]

The wheel must hold every file of the package. For each Python from 3.11 on that this machine has: an empty virtual
environment, the wheel with the newest dependencies, the self-check, and the three jobs on the sample data with the page
of the night, from outside the checkout. On the oldest Python
the same with the lowest versions that pyproject.toml allows; ``--tests`` runs the tests there too, but for those that
need more than pytest and hypothesis. All answers must agree to 1e-6, of the value or of its error.
Pythons that are not here are named. Exit status 0 if all is well.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
SAMPLE = ROOT / "sample_data"
SUPPORTED = ("3.11", "3.12", "3.13", "3.14")
# Pixels are summed in single precision, where versions round differently.
AGREEMENT = 1e-6
JOBS = {
    "analyse": ["analyse", SAMPLE / "night", "--rig", SAMPLE / "heron.toml", "--report", "night.html", "--json",
                "--no-cache"],
    "offsets": ["offsets", "--runs", SAMPLE / "season" / "runs.csv", "--at", "4.5", "--json"],
    "interval": [
        "interval", "--temps", SAMPLE / "season" / "temperatures.csv", "--runs", SAMPLE / "season" / "runs.csv",
        "--json",
    ],
}  # fmt: skip
# Modules of the tests' extra, and the browser, that tests with the lowest versions do without.
BEYOND = re.compile(r"^\s*(?:import|from) (galsim|sep|statsmodels|distributed|photutils|sphinx|browser)\b", re.M)
SLOW = ("test_hostile.py", "test_faults.py")  # broken files and machines, not versions


@dataclass(frozen=True)
class Case:
    """One environment: a Python, and the pins of its dependencies (none: the newest)."""

    version: str
    python: Path
    pins: tuple[str, ...]

    @property
    def name(self) -> str:
        return f"Python {self.version}, {'lowest' if self.pins else 'newest'}"


def find_pythons() -> dict[str, Path]:
    """Return the supported Pythons of this machine, from the path and from pyenv."""
    found = {}
    for version in SUPPORTED:
        pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
        kept = sorted(pyenv.glob(f"{version}.*/bin/python"), key=lambda path: int(path.parts[-3].split(".")[2]))
        for python in (*reversed(kept), shutil.which(f"python{version}"), sys.executable):
            if python and _version(python) == version:
                found[version] = Path(python)
                break
    return found


def _version(python: str | Path) -> str | None:
    ask = [python, "-c", "import sys, venv; print('%d.%d' % sys.version_info[:2])"]
    try:
        return subprocess.run(ask, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return None


def lowest_pins() -> tuple[str, ...]:
    """Return the lower bounds of the dependencies, and of the tools of the tests, as exact versions."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    tools = [one for one in project["optional-dependencies"]["test"] if one.startswith(("pytest", "hypothesis"))]
    return tuple(one.replace(">=", "==") for one in (*project["dependencies"], *tools))


def missing_from(wheel: Path) -> list[str]:
    """Return the files of the package, as git knows them, that are not in the wheel."""
    known = run("git", "ls-files", "focuskit", where=ROOT).splitlines()
    with zipfile.ZipFile(wheel) as packed:
        return sorted(set(known) - set(packed.namelist()))


def run(*command: object, where: Path, **more: Any) -> str:
    """Run a command without this checkout on its path; return what it printed; stop with its words if it fails."""
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [str(word) for word in command], cwd=where, env=environment, capture_output=True, text=True, encoding="utf-8",
        **more,
    )  # fmt: skip
    if done.returncode:
        print(done.stdout[-3000:], done.stderr[-3000:], sep="\n")
        raise SystemExit(f"failed: {' '.join(map(str, command))}")
    return done.stdout


def answers(case: Case, wheel: Path, place: Path, tests: bool) -> dict[str, Any]:
    """Install the wheel in an empty environment and return the answers of the three jobs."""
    home = place / case.name.replace(" ", "_").replace(",", "")
    run(case.python, "-m", "venv", home, where=place)
    folder = home / ("Scripts" if os.name == "nt" else "bin")
    python = folder / "python"
    install = ("-m", "pip", "install", "-q", "--no-compile", "--disable-pip-version-check")
    run(python, *install, wheel, *case.pins, where=place)
    print(f"{case.name}:")
    print("  " + run(python, "-m", "focuskit", "self-check", where=place).strip().replace("\n", "\n  "), flush=True)
    if tests and case.pins:
        modules = sorted((ROOT / "tests").rglob("test_*.py"))
        chosen = [p for p in modules if p.name not in SLOW and not BEYOND.search(p.read_text("utf-8"))]
        # Old libraries warn of what newer Pythons no longer like; that is theirs.
        told = run(folder / "pytest", "-q", "-W", "default", "-p", "no:cacheprovider", *chosen, where=ROOT)
        print("  tests: " + told.strip().splitlines()[-1], flush=True)
    told = {name: json.loads(run(folder / "focuskit", *words, where=home)) for name, words in JOBS.items()}
    page = (home / "night.html").read_text(encoding="utf-8")
    if not all(part in page for part in ("<style>", "<script>", "What the words mean")):
        raise SystemExit("the page of the night lacks its style, its script or its words")
    return told


def numbers(answer: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every leaf of an answer with its path."""
    if isinstance(answer, dict):
        for key, value in answer.items():
            yield from numbers(value, f"{path}.{key}")
    elif isinstance(answer, list):
        for place, value in enumerate(answer):
            yield from numbers(value, f"{path}[{place}]")
    else:
        yield path, answer


def departure(one: dict[str, Any], other: dict[str, Any]) -> tuple[float, str]:
    """Return the largest relative difference of two answers, and where it is; infinite where they differ in kind."""
    first, second = dict(numbers(one)), dict(numbers(other))
    if first.keys() != second.keys():
        return float("inf"), "the answers have different fields"
    worst = (0.0, "")
    for path, a in first.items():
        b = second[path]
        if isinstance(a, int | float) and isinstance(b, int | float) and not isinstance(a, bool):
            err = first.get(f"{path}_err") or 0.0  # a value near zero is known to its error, not to its size
            worst = max(worst, (abs(a - b) / max(abs(a), abs(b), err, 1e-300), path))
        elif a != b:
            # Words hold rounded numbers.
            return float("inf"), f"{path}: {a!r} and {b!r}"
    return worst


def main() -> int:
    """Check all environments that can be made here."""
    if set(sys.argv[1:]) - {"--tests"}:
        print(__doc__)
        return 2
    pythons = find_pythons()
    missing = [version for version in SUPPORTED if version not in pythons]
    cases = [Case(version, python, ()) for version, python in pythons.items()]
    cases.insert(0, Case(cases[0].version, cases[0].python, lowest_pins()))
    good = True
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        run(cases[0].python, "-m", "pip", "wheel", "-q", "--no-deps", "-w", place, ROOT, where=place)
        (wheel,) = place.glob("focuskit-*.whl")
        print(f"{wheel.name}, {wheel.stat().st_size / 1e3:.0f} kB")
        if missing_from(wheel):
            raise SystemExit(f"not in the wheel: {', '.join(missing_from(wheel))}")
        told = {case.name: answers(case, wheel, place, "--tests" in sys.argv) for case in cases}
    reference = told[cases[-1].name]
    print(f"against {cases[-1].name}:")
    for case in cases[:-1]:
        for job in JOBS:
            apart, where = departure(reference[job], told[case.name][job])
            good = good and apart <= AGREEMENT
            print(f"  {case.name}, {job}: largest difference {apart:.1e} {where}")
    for version in missing:
        print(f"Python {version} is not on this machine: not checked")
    print("all answers agree" if good else f"ANSWERS DIFFER by more than {AGREEMENT:g}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
