"""Make a virtual environment beside this checkout, install focuskit into it, and run one job.

    python scripts/setup_and_run.py demo    analyse the sample night
    python scripts/setup_and_run.py tests   run the linter, the type checker and the tests
    python scripts/setup_and_run.py docs    build the documentation into docs/_build

Needs Python 3.11 or newer and nothing else; works on Windows, macOS and Linux.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOME = ROOT / ".venv"
BIN = HOME / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")

JOBS = {
    "demo": (".", [["-m", "focuskit", "analyse", "sample_data/night", "--rig", "sample_data/heron.toml"]]),
    "tests": (
        ".[test]",
        [
            ["-m", "ruff", "check", "."],
            ["-m", "ruff", "format", "--check", "."],
            ["-m", "mypy"],
            ["-m", "pytest", "-n", "auto", "--dist", "worksteal"],
        ],
    ),
    "docs": (
        ".[docs]",
        [
            ["scripts/make_docs.py"],
            ["-m", "sphinx", "-W", "--keep-going", "-q", "docs", "docs/_build"],
        ],
    ),
}


def install(what: str) -> None:
    """Create the environment if it is missing and install ``what`` if its recipe changed."""
    if not PYTHON.exists():
        print(f"making a virtual environment in {HOME}", flush=True)
        venv.create(HOME, with_pip=True, clear=HOME.exists())
    recipe = hashlib.sha256((ROOT / "pyproject.toml").read_bytes()).hexdigest() + what
    stamp = HOME / "installed.txt"
    if not stamp.exists() or recipe not in stamp.read_text().split("\n"):
        print(f"installing focuskit{what[1:]} (a minute or two, once)", flush=True)
        command = [PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-e", what]
        subprocess.run(command, cwd=ROOT, check=True)
        with stamp.open("a") as lines:
            lines.write(recipe + "\n")


def main() -> int:
    """Run the job named on the command line; return its exit status."""
    if len(sys.argv) != 2 or sys.argv[1] not in JOBS:
        print(__doc__)
        return 2
    if sys.version_info < (3, 11):  # noqa: UP036 - whoever runs this may have an older Python
        print(f"focuskit needs Python 3.11 or newer; this is {sys.version.split()[0]}")
        return 1
    what, commands = JOBS[sys.argv[1]]
    try:
        install(what)
    except subprocess.CalledProcessError as problem:
        print("The installation failed; the lines above say why. Is the network up?")
        return problem.returncode
    for command in commands:
        status = subprocess.run([PYTHON, *command], cwd=ROOT).returncode
        if status:
            return status
    return 0


if __name__ == "__main__":
    sys.exit(main())
