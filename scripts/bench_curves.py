"""How well the best position follows from sizes: scatter, honesty of errors, bad frames, speed.

Runs are drawn at the level of half-flux diameters: exact seeing ⊗ annulus, lognormal seeing from frame
to frame, measuring noise; telescope of 1400 mm at f/7, obstruction 0.36, 4 µm a step, sweep centred
to half a step. `python scripts/bench_curves.py [RUNS]` (default 400 a cell) prints the tables.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np
from scipy.interpolate import CubicSpline

from focuskit.core.optics import ARCSEC_PER_RADIAN, Rig, wing_slope
from focuskit.curves import CurveFit, fit_run, growth_distance, seeing_donut_shape
from focuskit.curves.shape import seeing_donut_sizes

RIG = Rig(focal_length_mm=1400.0, aperture_mm=200.0, obstruction=0.36, pixel_um=3.76)
UM_PER_STEP = 4.0
TRUTH = 5000.0
_DIAMETERS = np.concatenate([np.linspace(0.0, 4.0, 41), np.geomspace(4.3, 20.0, 24)])
_SIZES = CubicSpline(_DIAMETERS, seeing_donut_sizes(_DIAMETERS, 0.36))

# name: seeing in arcsec, and the frame's error of the HFD relative to it at focus
CASES = {"bright": (2.6, 0.003), "rich": (2.0, 0.002), "poor": (4.0, 0.01), "faint": (2.6, 0.06)}


def hfd_um(defocus_um: np.ndarray, seeing_um: np.ndarray) -> np.ndarray:
    """Return the true half-flux diameter, of one value a frame."""
    return seeing_um * _SIZES(np.abs(defocus_um) / 7.0 / seeing_um)


def draw_run(
    rng: np.random.Generator,
    frames: int = 9,
    jitter: float = 0.12,
    case: str = "bright",
    off_centre: float | None = None,
    gust: tuple[int, float] | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return positions, sizes in px and their errors."""
    arcsec, error = CASES[case]
    seeing = arcsec / ARCSEC_PER_RADIAN * 1.4e6
    least = seeing * float(_SIZES(0.0))
    half = growth_distance(seeing_donut_shape(0.36), 2.75) * least / wing_slope(7.0, 0.36)
    step = 2.0 * half / (frames - 1)
    defocus = np.linspace(-half, half, frames) + step * (rng.uniform(-0.5, 0.5) if off_centre is None else off_centre)
    own = seeing * np.exp(jitter * rng.normal(size=frames))
    if gust is not None:
        own[gust[0]] *= gust[1]
    size = hfd_um(defocus, own)
    sigma = error * size
    return TRUTH + defocus / UM_PER_STEP, (size + sigma * rng.normal(size=frames)) / 3.76, sigma / 3.76


def spoil(
    run: tuple[np.ndarray, np.ndarray, np.ndarray], bad: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the run with so many sizes 1.4 to 2.5 times too large."""
    size = run[1].copy()
    size[rng.choice(size.size, bad, replace=False)] *= rng.uniform(1.4, 2.5, bad)
    return run[0], size, run[2]


def summary(fits: list[CurveFit]) -> str:
    """Return rms errors in µm, coverage, and how often a frame was set aside."""
    found = [fit for fit in fits if fit.best_position is not None]
    off = np.array([abs(fit.best_position - TRUTH) for fit in found])
    err = np.array([fit.best_position_err for fit in found])
    err_95 = np.array([fit.best_position_err_95 for fit in found])
    rms = [
        UM_PER_STEP * np.sqrt(np.mean([(fit.fits[name].best_position - TRUTH) ** 2 for fit in found]))
        for name in ("squared sizes", "hyperbola", "parabola")
    ]
    aside = 100.0 * np.mean([not used for fit in fits for used in fit.used])
    within = [100.0 * np.mean(held) for held in (off < err, off < err_95, off > 3 * err)]
    verdicts = dict(Counter(fit.verdict for fit in fits))
    return (
        f"{rms[0]:6.2f} {rms[1]:6.2f} {rms[2]:6.2f}   {within[0]:4.0f} {within[1]:4.0f} {within[2]:5.1f}"
        f"   {aside:5.2f}   {verdicts}"
    )


def main() -> None:
    """Print the tables."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    rng = np.random.default_rng(2031)
    print(f"{runs} runs a row; rms error in µm of squared sizes, hyperbola, parabola; % of truths within")
    print("1 error, within the 95 % error, beyond 3 errors; % of frames set aside; verdicts\n")
    for case in CASES:
        for jitter in (0.0, 0.05, 0.12, 0.2):
            fits = [fit_run(*draw_run(rng, 9, jitter, case), rig=RIG) for _ in range(runs)]
            print(f"{case:7s} 9 frames, jitter {jitter:4.2f}  {summary(fits)}", flush=True)
    for frames in (5, 7, 15):
        for jitter in (0.05, 0.12, 0.2):
            fits = [fit_run(*draw_run(rng, frames, jitter), rig=RIG) for _ in range(runs)]
            print(f"bright {frames:2d} frames, jitter {jitter:4.2f}  {summary(fits)}", flush=True)
    for off_centre in (2.0, 3.0, 5.0):
        fits = [fit_run(*draw_run(rng, jitter=0.05, off_centre=off_centre), rig=RIG) for _ in range(runs)]
        if any(fit.best_position is not None for fit in fits):
            print(f"{off_centre:.0f} steps off centre, jitter 0.05 {summary(fits)}", flush=True)
        else:
            look = [fit.look_near - TRUTH for fit in fits if fit.look_near is not None]
            rms_steps = np.sqrt(np.mean(np.square(look)))
            print(f"{off_centre:.0f} steps off centre: all failed, look_near to {rms_steps:.1f} steps rms", flush=True)
    for frame in (0, 1, 4):
        for strength in (1.5, 2.0):
            fits = [fit_run(*draw_run(rng, jitter=0.08, gust=(frame, strength)), rig=RIG) for _ in range(runs)]
            caught = 100.0 * np.mean([not fit.used[frame] for fit in fits])
            print(f"gust x{strength} in frame {frame}: {caught:3.0f} % caught  {summary(fits)}", flush=True)
    for frames, bad in ((7, 1), (9, 1), (9, 2), (13, 2), (21, 3)):
        fits = [fit_run(*spoil(draw_run(rng, frames), bad, rng), rig=RIG) for _ in range(runs)]
        failed = 100.0 * np.mean([fit.best_position is None for fit in fits])
        print(f"{frames:2d} frames, {bad} with sizes x1.4-2.5: {failed:3.0f} % failed  {summary(fits)}", flush=True)
    for frames in (6, 9, 13, 21):
        flat = [(50.0 * np.arange(frames), rng.uniform(3.0, 10.0, frames)) for _ in range(runs)]
        passed = 100.0 * np.mean([fit_run(*run).best_position is not None for run in flat])
        print(f"{frames:2d} sizes that know nothing of the position: {passed:4.1f} % pass for a curve", flush=True)
    many = [draw_run(rng) for _ in range(100)]
    start = time.perf_counter()
    for run in many:
        fit_run(*run, rig=RIG)
    print(f"\n{10.0 * (time.perf_counter() - start):.1f} ms a run")


if __name__ == "__main__":
    main()
