"""``focuskit self-check``: versions, and a small night with a known answer."""

from __future__ import annotations

import argparse
import platform
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np

from focuskit import __version__
from focuskit.cli.sources import cache_folder, default_logbook, rigs_folder
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.night import analyse
from focuskit.scenes import Scene, Sweep, write_night

NEEDED = ("numpy", "scipy", "astropy", "matplotlib", "jinja2", "lazy-loader", "platformdirs", "shtab", "threadpoolctl")
# Chosen: between two positions of the sweep, in steps of 100 µm, whose outermost stars stand clear of one another.
TRUE_POSITION = 10003.0
STEP = 25


def run_check(_: argparse.Namespace) -> int:
    """Print versions and a self-check; returns 0 if all is well, else 1."""
    print(f"focuskit {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}")
    print(", ".join(f"{name} {_version(name)}" for name in NEEDED))
    print(f"installed in {Path(__file__).parents[1]}")
    print(f"logbook      {_where(default_logbook, _if_made)}")
    print(f"rig files    {_where(rigs_folder, _rig_files)}")
    print(f"cache        {_where(cache_folder, _megabytes)}")
    result = analyse_small_night()
    print(f"self-check   {result}")
    return 0 if result.startswith("passed") else 1


def analyse_small_night() -> str:
    """Render nine frames with a known best position, analyse them, and say how that went."""
    rng = np.random.default_rng(1)
    y, x = (np.mgrid[0:3, 0:4] * 62.0 + 42.0).reshape(2, -1)
    rig = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
    scene = Scene(rig, (208, 270), x, y, rng.uniform(4e4, 2e5, x.size), best_position=TRUE_POSITION)
    positions = [10000 + STEP * k for k in range(-4, 5)]
    with tempfile.TemporaryDirectory() as folder:
        night = Path(folder)
        write_night(night, scene, [Sweep("L", datetime(2031, 3, 4, 20, tzinfo=UTC), 8.0, 2.0, positions)], rng)
        runs = analyse(night, workers=1).runs
    if not runs or runs[0].fit.best_position is None or runs[0].fit.best_position_err is None:
        return "FAILED: no best position was found in a focus run made for this check; install focuskit anew"
    off, err = runs[0].fit.best_position - TRUE_POSITION, runs[0].fit.best_position_err
    told = f"best position found {off:+.2f} steps from the true one, error {err:.2f}"
    return f"passed: {told}" if abs(off) < 5.0 * err + 0.1 else f"FAILED: {told}; install focuskit anew"


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "is missing"


def _where(find: Callable[[], Path], inside: Callable[[Path], str]) -> str:
    """Return where something of the user's is kept, and how much is there."""
    try:
        path = find()
    except FocuskitError as problem:
        return str(problem)
    return f"{path}{inside(path)}"


def _if_made(path: Path) -> str:
    return "" if path.exists() else " (not made yet)"


def _rig_files(folder: Path) -> str:
    return f", {len(list(folder.glob('*.toml')))} in it"


def _megabytes(folder: Path) -> str:
    return f", {sum(path.stat().st_size for path in folder.glob('*.kept')) / 1e6:.0f} MB in it"
