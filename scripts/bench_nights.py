"""How right `focuskit analyse` is on whole rendered frames of whole nights, case by case.

    python scripts/bench_nights.py [CASE ...] --runs 24 --seed 1 [--jitter 0.12] [--per-night 24] [--size 1500x2000]

Each night is drawn frame by frame, written, and analysed as a user's folder would be. The runs of a night learn the
telescope's spherical term together, and share the error of that: their bias is drawn once a night, and the shares
within one and two errors are those of the errors only over many nights, as with ``--per-night 1``, where nothing else
shows anything of the telescope. A line for each case: rms error and bias of
the best position reported and the error quoted, in µm; rms error of the curve through the squared sizes, of
the hyperbola and of the profile fit; how often the truth lay within one and two quoted errors; the
verdicts; and which estimate was reported.
"""

from __future__ import annotations

import argparse
import collections
import shutil
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from focuskit.core.optics import Rig
from focuskit.frames import RigFile
from focuskit.night import analyse
from focuskit.scenes import Passband, Scene, Sweep, write_night

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
# Stars, their mean electrons in a frame (fluxes spread over a factor of 30), sky in e/px, and what
# differs from 3" of seeing with 12 % jitter.
BRIGHT = (100, 2.6e4, 50.0)
CASES: dict[str, tuple[int, float, float, dict]] = {
    "plain": (200, 2e4, 50.0, {}),
    "bright": (*BRIGHT, {"seeing_arcsec": 2.6}),
    "rich": (300, 2.0e4, 50.0, {"seeing_arcsec": 2.0}),
    "poor": (30, 1.7e3, 50.0, {"seeing_arcsec": 4.0}),
    "dire": (30, 2.2e3, 200.0, {"seeing_arcsec": 4.0}),
    "faint": (30, 3.0e2, 50.0, {"seeing_arcsec": 2.6}),
    "few": (*BRIGHT, {"seeing_arcsec": 2.6, "frames": 5}),
    "lopsided": (*BRIGHT, {"seeing_arcsec": 2.6, "lopsided": True}),
    "aberrated": (*BRIGHT, {"seeing_arcsec": 2.6, "spherical_waves": 0.03}),
    "annulus": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"optics": "annulus"}}),
    # What telescopes and skies do that the model does not know of.
    "moffat": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"seeing": "moffat", "moffat_beta": 2.5}}),
    "karman": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"seeing": "von_karman", "outer_scale": 100.0}}),
    "blurred": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"blur_um": 4.0}}),
    "smeared": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"shake_um": 4.0, "shake_angle_deg": 30.0}}),
    "band": (*BRIGHT, {"seeing_arcsec": 2.6, "star": {"band_um": 0.3}}),
    "astigmatic": (*BRIGHT, {"seeing_arcsec": 2.6, "astigmatism_waves": (0.0, 0.07)}),
    "comatic": (*BRIGHT, {"seeing_arcsec": 2.6, "coma_waves": (0.07, 0.0)}),
    "curved": (*BRIGHT, {"seeing_arcsec": 2.6, "curvature_um": 100.0}),
    "tilted": (*BRIGHT, {"seeing_arcsec": 2.6, "tilt_x_um": 60.0, "tilt_y_um": -40.0, "curvature_um": 30.0}),
    "obstructed": (*BRIGHT, {"seeing_arcsec": 2.6, "believed": {"obstruction": 0.30}}),
    "slower": (*BRIGHT, {"seeing_arcsec": 2.6, "believed": {"aperture_mm": 200.0 / 1.03}}),
}
EXPOSURE_S = 2.0


def draw_night(
    folder: Path, case: str, runs: int, jitter: float, shape_px: tuple[int, int], rng: np.random.Generator
) -> list[float]:
    """Write the frames of a night and return the true best positions of its runs."""
    count, mean, sky, how = CASES[case]
    how = {name: value for name, value in how.items() if name != "believed"}
    frames, lopsided = how.pop("frames", 9), how.pop("lopsided", False)
    flux = 1.0 / (1.0 - (np.arange(count) + 0.5) / count * (1.0 - 1.0 / 30.0))
    flux *= mean / EXPOSURE_S / flux.mean()
    x, y = (rng.uniform(40.0, side - 40.0, count) for side in shape_px[::-1])
    how = {"seeing_arcsec": 3.0, "seeing_jitter": jitter, **how}
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


def report(case: str, options: argparse.Namespace, folder: Path) -> str:
    """Draw and analyse the nights; return their line."""
    shape_px = tuple(int(part) for part in options.size.split("x"))
    rng = np.random.default_rng([options.seed, list(CASES).index(case), round(1000 * options.jitter)])
    per_night = options.per_night or options.runs
    starts = range(0, options.runs, per_night)
    nights = [(folder / f"{first}", min(per_night, options.runs - first)) for first in starts]
    rig_file = RigFile(rig=replace(RIG, name="Heron", **CASES[case][3].get("believed", {})))
    truth, found = [], []
    seconds = 0.0
    for place, runs in nights:
        drawn = draw_night(place, case, runs, options.jitter, shape_px, rng)
        begun = time.perf_counter()
        night = analyse(place, rig_file=rig_file)
        seconds += time.perf_counter() - begun
        shutil.rmtree(place)
        if len(night.runs) != runs:
            return f"{case:10} {len(night.runs)} runs found of {runs}"
        truth += drawn
        found += night.runs
    fits = [run.fit for run in found]
    told = np.array([[f.best_position or np.nan, f.best_position_err or np.nan] for f in fits])
    error = (told[:, 0] - truth) * RIG.um_per_step
    quoted = told[:, 1] * RIG.um_per_step
    sure = np.isfinite(error)
    others = [
        [(f.fits[name].best_position - t) * RIG.um_per_step for f, t in zip(fits, truth, strict=True) if name in f.fits]
        for name in ("squared sizes", "hyperbola")
    ]
    others.append(
        [(run.profile.best_position - t) * RIG.um_per_step for run, t in zip(found, truth, strict=True) if run.profile]
    )
    ratio = np.abs(error[sure]) / quoted[sure]
    verdicts, methods = (collections.Counter(getattr(f, name) for f in fits) for name in ("verdict", "method"))
    return (
        f"{case:10} {_rms(error[sure]):8.2f} {error[sure].mean():8.2f} {_rms(quoted[sure]):8.2f}"
        f" {_rms(others[0]):9.2f} {_rms(others[1]):9.2f} {_rms(others[2]):9.2f}"
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
    parser.add_argument("--jitter", type=float, default=0.12, help="standard deviation of ln(seeing)")
    parser.add_argument("--per-night", type=int, help="runs of a night; all in one otherwise")
    parser.add_argument("--size", default="1500x2000", help="rows and columns of the frames")
    options = parser.parse_args()
    print("case         rms µm     bias   quoted   squared hyperbola   profile   in 1σ    2σ")
    for case in options.cases:
        with tempfile.TemporaryDirectory() as scratch:
            print(report(case, options, Path(scratch) / case), flush=True)


if __name__ == "__main__":
    main()
