"""How right `focuskit analyse` is on whole rendered frames of whole nights, case by case.

    python scripts/bench_nights.py [CASE ...] --runs 24 --seed 1 [--size 1500x2000] [--keep FOLDER]

Each night is drawn frame by frame, written, and analysed as a user's folder would be; the best positions
are compared with the truth. A line for each case: rms error of the best position reported, of the
hyperbola and of the parabola, in µm; the error quoted; how often the truth lay within one and two quoted
errors; the verdicts; and which estimate was reported.
"""

from __future__ import annotations

import argparse
import collections
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from focuskit.night import analyse
from focuskit.optics import Rig
from focuskit.rigfile import RigFile
from focuskit.simulate import Passband, Scene, Sweep, write_night

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
# Stars, their mean electrons in a frame (fluxes spread over a factor of 30), sky in e/px, and what
# differs from 3" of seeing with 12 % jitter.
CASES: dict[str, tuple[int, float, float, dict]] = {
    "plain": (200, 2e4, 50.0, {}),
    "calm": (200, 2e4, 50.0, {"seeing_jitter": 0.0}),
    "gusty": (200, 2e4, 50.0, {"seeing_jitter": 0.2}),
    "bright": (100, 2.6e4, 50.0, {"seeing_arcsec": 2.6}),
    "rich": (300, 2.0e4, 50.0, {"seeing_arcsec": 2.0}),
    "poor": (30, 1.7e3, 50.0, {"seeing_arcsec": 4.0}),
    "dire": (30, 2.2e3, 200.0, {"seeing_arcsec": 4.0}),
    "faint": (30, 3.0e2, 50.0, {"seeing_arcsec": 2.6}),
    "moffat": (200, 2e4, 50.0, {"seeing": "moffat", "moffat_beta": 2.5}),
    "aberrated": (200, 2e4, 50.0, {"spherical_waves": 0.03}),
    "tilted": (200, 2e4, 50.0, {"tilt_x_um": 60.0, "tilt_y_um": -40.0, "curvature_um": 30.0}),
    "annulus": (200, 2e4, 50.0, {"optics": "annulus"}),
    "few": (200, 2e4, 50.0, {"frames": 5}),
    "lopsided": (200, 2e4, 50.0, {"lopsided": True}),
}
EXPOSURE_S = 2.0


def draw_night(folder: Path, case: str, runs: int, shape_px: tuple[int, int], rng: np.random.Generator) -> list[float]:
    """Write the frames of a night and return the true best positions of its runs."""
    count, mean, sky, how = CASES[case]
    how = dict(how)
    frames, lopsided = how.pop("frames", 9), how.pop("lopsided", False)
    flux = 1.0 / (1.0 - (np.arange(count) + 0.5) / count * (1.0 - 1.0 / 30.0))
    flux *= mean / EXPOSURE_S / flux.mean()
    x, y = (rng.uniform(40.0, side - 40.0, count) for side in shape_px[::-1])
    how = {"seeing_arcsec": 3.0, "seeing_jitter": 0.12, **how}
    band = {"L": Passband(sky_e_per_s=sky / EXPOSURE_S)}
    scene = Scene(RIG, shape_px, x, y, flux, passbands=band, steps_per_c=-6.5, **how)
    step = 125.0 * (how["seeing_arcsec"] / 2.7) / (frames // 2)
    sweeps = []
    for k in range(runs):
        temperature = 8.0 - 0.37 * k
        centre = scene.true_position("L", temperature) + rng.uniform(-step / 2, step / 2)
        first = -(frames // 4 if lopsided else frames // 2)
        positions = [round(centre + step * (first + j)) for j in range(frames)]
        start = datetime(2031, 3, 4, 18, tzinfo=UTC) + timedelta(minutes=20 * k)
        sweeps.append(Sweep("L", start, temperature, EXPOSURE_S, positions))
    return [run["best_position"] for run in write_night(folder, scene, sweeps, rng)["runs"]]


def report(case: str, runs: int, shape_px: tuple[int, int], seed: int, folder: Path) -> str:
    """Draw and analyse one night; return its line."""
    truth = draw_night(folder, case, runs, shape_px, np.random.default_rng(seed))
    begun = time.perf_counter()
    night = analyse(folder, rig_file=RigFile(rig=replace(RIG, name="Heron")))
    seconds = time.perf_counter() - begun
    if len(night.runs) != runs:
        return f"{case:10} {len(night.runs)} runs found of {runs}"
    fits = [run.fit for run in night.runs]
    told = np.array([[f.best_position or np.nan, f.best_position_err or np.nan] for f in fits])
    error = (told[:, 0] - truth) * RIG.um_per_step
    quoted = told[:, 1] * RIG.um_per_step
    sure = np.isfinite(error)
    others = [
        [(f.fits[name].best_position - t) * RIG.um_per_step for f, t in zip(fits, truth, strict=True) if name in f.fits]
        for name in ("hyperbola", "parabola")
    ]
    ratio = np.abs(error[sure]) / quoted[sure]
    verdicts, methods = (collections.Counter(getattr(f, name) for f in fits) for name in ("verdict", "method"))
    return (
        f"{case:10} {_rms(error[sure]):8.2f} {error[sure].mean():8.2f} {_rms(quoted[sure]):8.2f}"
        f" {_rms(others[0]):9.2f} {_rms(others[1]):9.2f}"
        f" {np.mean(ratio < 1):7.0%} {np.mean(ratio < 2):5.0%} {seconds:6.1f} s  {dict(verdicts)} {dict(methods)}"
    )


def _rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def main() -> None:
    """Run the cases named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", choices=[*CASES, []], default=list(CASES))
    parser.add_argument("--runs", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--size", default="1500x2000", help="rows and columns of the frames")
    parser.add_argument("--keep", type=Path, help="leave the frames here, in a folder for each case")
    options = parser.parse_args()
    rows, columns = (int(part) for part in options.size.split("x"))
    print("case         rms µm     bias   quoted hyperbola  parabola   in 1σ    2σ")
    for case in options.cases:
        with tempfile.TemporaryDirectory() as scratch:
            folder = (options.keep or Path(scratch)) / case
            print(report(case, options.runs, (rows, columns), options.seed, folder), flush=True)


if __name__ == "__main__":
    main()
