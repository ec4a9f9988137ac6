"""Joint profile fit against the Cramér-Rao bound, on runs drawn afresh.

    python scripts/bench_bounds.py --runs 100 --jitter 0 0.05 0.12 0.2 --seed 1

Stars are drawn as images (wave optics, Kolmogorov, pixel, noise), registered by one shift per frame
measured on the images, stacked and fitted. For each of five cases one line tells the rms error of the
best position in µm, the error quoted, the bound, and how often the truth lay within one and two of the
quoted errors; spherical aberration is drawn with 0.03 waves rms and is known, or not.

The truth is the position of least half-flux diameter in the seeing that the runs' seeing scatters about.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
from position_bound import position_bound
from scipy.optimize import brentq

from focuskit.core.optics import ARCSEC_PER_RADIAN, Rig
from focuskit.core.workers import Workers
from focuskit.scenes.psf import StarShape, field_for, star_spectrum
from focuskit.waves import profile_model
from focuskit.waves.fit import solve_profiles
from focuskit.waves.stack import StackTask, stack_profile

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
WAVELENGTH_UM = 0.55
# Stars, seeing in arcsec, mean electrons of a star (fluxes spread over a factor of 30), sky in e/px.
CASES = {
    "bright": (100, 2.6, 2.6e4, 50.0),
    "rich": (300, 2.0, 2.0e4, 50.0),
    "poor": (30, 4.0, 1.7e3, 50.0),
    "dire": (30, 4.0, 2.2e3, 200.0),
    "faint": (30, 2.6, 3.0e2, 50.0),
}
FRAMES = 9
GROWTH = 2.75
SPHERICAL_RMS = 0.03
# Stars lie on a grid of 4 × 4 places within a pixel, so that each needs no transform of its own.
PLACES = (np.arange(4) - 1.5) / 4.0
# Where stars scatter: so many standard deviations, all as often, with a variance of one.
OWN_SEEING = np.array([0.0, -1.38, -0.71, 0.71, 1.38]) * math.sqrt(5.0 / 4.81)


def draw_run(case: str, jitter: float, spherical: float, rng: np.random.Generator, scatter: float = 0.0):
    """Return the stacked frames of one run, its best position in steps, and its seeings in µm.

    ``scatter`` is that of ln(seeing) from star to star.
    """
    stars, arcsec, mean_flux, sky = CASES[case]
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 60.0)
    nominal_um = arcsec * RIG.focal_length_mm * 1e3 / ARCSEC_PER_RADIAN
    least = model.hfd_um(0.0, nominal_um)
    outer = model.um_per_wave * brentq(lambda w: model.hfd_um(w, nominal_um) - GROWTH * least, 0.1, 9.0)
    zero = 10000.0 + rng.uniform(-0.125, 0.125) * outer / RIG.um_per_step
    positions = np.round(10000.0 + np.linspace(-outer, outer, FRAMES) / RIG.um_per_step)
    seeing_um = nominal_um * np.exp(jitter * rng.standard_normal(FRAMES))
    shift_um = model.least_hfd_waves(nominal_um, spherical) * model.um_per_wave
    rank = (np.arange(stars) + 0.5) / stars
    flux = 1.0 / (1.0 - rank * (1.0 - 1.0 / 30.0))
    flux *= mean_flux / flux.mean()
    place = rng.integers(0, 4, (2, stars))
    own = rng.integers(0, len(OWN_SEEING) if scatter else 1, stars)
    frames = []
    for position, seeing in zip(positions, seeing_um, strict=True):
        defocus = RIG.um_per_step * (position - zero)
        hfd_px = model.hfd_um(defocus / model.um_per_wave, seeing) / RIG.pixel_um
        shape = StarShape(RIG.pixel_um, RIG.f_ratio, RIG.obstruction, defocus, seeing, WAVELENGTH_UM)
        shape = replace(shape, spherical_waves=spherical)
        radius = max(8, math.ceil(2.0 * hfd_px))
        shapes = [replace(shape, seeing_fwhm_um=seeing * math.exp(scatter * z)) for z in OWN_SEEING[: own.max() + 1]]
        image, x, y = draw_stars(shapes, radius, flux, place, own, sky, rng)
        dx, dy = measure_shift(image - sky, x, y, flux, hfd_px)
        frames.append(stack_profile(image, StackTask(x + dx, y + dy, flux, sky, math.sqrt(sky), radius, position)))
    return frames, zero + shift_um / RIG.um_per_step, seeing_um


def draw_stars(
    shapes: list[StarShape], radius: int, flux, place, own, sky: float, rng: np.random.Generator
):  # fmt: skip
    """Return an image of stars side by side with its noise, and their true centres; each has one of the shapes."""
    size = 2 * (radius + 3) + 1
    # What is no shape draws itself.
    spectra = [star_spectrum(one, field_for(one, size)) if isinstance(one, StarShape) else one for one in shapes]
    drawn = [[[spectrum.image(size, dx, dy) for dx in PLACES] for dy in PLACES] for spectrum in spectra]
    across = math.ceil(math.sqrt(flux.size))
    image = np.zeros((math.ceil(flux.size / across) * size, across * size))
    row, column = np.divmod(np.arange(flux.size), across)
    for k in range(flux.size):
        top, left = row[k] * size, column[k] * size
        image[top : top + size, left : left + size] = flux[k] * drawn[own[k]][place[1, k]][place[0, k]]
    image += sky + rng.standard_normal(image.shape) * np.sqrt(image + sky)
    return image, column * size + size // 2 + PLACES[place[0]], row * size + size // 2 + PLACES[place[1]]


def measure_shift(image, x, y, flux, hfd_px: float) -> tuple[float, float]:
    """Return the common shift of all stars by a Gaussian-weighted centroid, weighted by brightness."""
    half = math.ceil(hfd_px)
    dy_grid, dx_grid = np.mgrid[-half : half + 1, -half : half + 1]
    dx = dy = 0.0
    for _ in range(4):
        sums = np.zeros(3)
        for x0, y0 in zip(x, y, strict=True):
            column, row = round(x0), round(y0)
            stamp = image[row - half : row + half + 1, column - half : column + half + 1]
            off_x, off_y = dx_grid - (x0 + dx - column), dy_grid - (y0 + dy - row)
            light = stamp * np.exp(-0.5 * (off_x**2 + off_y**2) / (0.45 * hfd_px) ** 2)
            sums += (light * off_x).sum(), (light * off_y).sum(), light.sum()
        dx, dy = dx + 1.5 * sums[0] / sums[2], dy + 1.5 * sums[1] / sums[2]
    return dx, dy


def fit_run(task: tuple[int, str, float, int, float]) -> list[tuple[float, float, float, bool]]:
    """Draw and fit one run; return error, quoted error, bound and mismatch, with spherical known and unknown."""
    seed, case, jitter, number, scatter = task
    rng = np.random.default_rng([seed, list(CASES).index(case), round(1000 * jitter), number])
    spherical = SPHERICAL_RMS * rng.standard_normal()
    frames, truth, seeing_um = draw_run(case, jitter, spherical, rng, scatter)
    told = []
    for known, err in ((spherical, 1e-4), (0.0, SPHERICAL_RMS)):
        fit = solve_profiles(frames, RIG, WAVELENGTH_UM, (known, err)).report()
        bound = position_bound(
            frames, RIG, WAVELENGTH_UM, best_position=truth, seeing_um=seeing_um,
            spherical_waves=spherical, spherical_err=err, seeing_scatter=max(jitter, 0.0005),
        )  # fmt: skip
        told.append((fit.best_position - truth, fit.err, bound, not fit.matches))
    return told


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--jitter", type=float, nargs="+", default=[0.12])
    parser.add_argument("--cases", nargs="+", choices=list(CASES), default=list(CASES))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scatter", type=float, default=0.0, help="of ln(seeing) from star to star")
    parser.add_argument("--workers", type=int, help="processes; as many as there are cores otherwise")
    options = parser.parse_args()
    print("case    jitter spherical   rms_um quoted  bound  ratio  68 %  95 %  mismatch")
    with Workers(count=options.workers) as pool:
        for case in options.cases:
            for jitter in options.jitter:
                tasks = [(options.seed, case, jitter, k, options.scatter) for k in range(options.runs)]
                # Runs, the two priors, and what is told of them.
                table = np.array(pool.map(fit_run, tasks, lambda _: [(np.nan,) * 4] * 2))
                for row, name in enumerate(("known", "unknown")):
                    print(f"{case:7s} {jitter:6.2f} {name:9s} {line(table[:, row])}", flush=True)


def line(table: np.ndarray) -> str:
    """Return rms error, quoted error, bound, their ratio, the shares within one and two errors, and mismatches."""
    off, err = RIG.um_per_step * np.abs(table[:, 0]), RIG.um_per_step * table[:, 1]
    rms, quoted = math.sqrt(np.mean(off**2)), math.sqrt(np.mean(err**2))
    bound = RIG.um_per_step * math.sqrt(np.mean(table[:, 2] ** 2))
    within = np.mean(off < err), np.mean(off < 2.0 * err)
    mismatches = int(table[:, 3].sum())
    return f"{rms:8.3f} {quoted:6.3f} {bound:6.3f} {rms / bound:6.2f} {within[0]:5.2f} {within[1]:5.2f} {mismatches:5d}"


if __name__ == "__main__":
    main()
