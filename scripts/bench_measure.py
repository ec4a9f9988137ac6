"""How fast and how right frames are measured, beside sep, photutils and the bare read.

`python scripts/bench_measure.py [ROUNDS]` (default 7) draws four frames of 6248 × 4176 pixels, 16 bit: in
focus, and donuts of 25, 45 and 80 pixels in Kolmogorov seeing of 4.7 pixels, obstruction 0.36, 300 stars,
hot pixels; measures each on one core with a warm cache; prints medians. photutils runs once a frame.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import galsim
import numpy as np
import sep
from astropy.io import fits
from photutils.segmentation import SourceCatalog, detect_sources
from scipy.spatial import cKDTree

from focuskit.stars import measure_frame

SHAPE = (4176, 6248)
DONUTS_PX = (0, 25, 45, 80)
PLACES = 12  # on a pixel, at which a star is drawn


def star_profile(donut_px: float) -> galsim.GSObject:
    """Return seeing, blurred by an annulus where out of focus."""
    seeing = galsim.Kolmogorov(fwhm=4.7)
    if not donut_px:
        return seeing
    light = 1.0 - 0.36**2
    disc = galsim.TopHat(donut_px / 2, flux=1 / light)
    return galsim.Convolve(seeing, disc + galsim.TopHat(0.36 * donut_px / 2, flux=-(0.36**2) / light))


def true_hfd_px(donut_px: float) -> float:
    """Return the half-flux diameter as recorded, one pixel included."""
    recorded = galsim.Convolve(star_profile(donut_px), galsim.Pixel(1.0))
    scale = max(donut_px, 6.0) / 100.0
    image = recorded.drawImage(nx=401, ny=401, scale=scale, method="no_pixel", dtype=float)
    return 2.0 * float(image.calculateHLR(flux=1.0))


def draw_frame(donut_px: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return a frame and the places (x, y) of its stars, shape (300, 2)."""
    profile, hfd = star_profile(donut_px), true_hfd_px(donut_px)
    half = int(6 * hfd) + 10
    size = 2 * half + 1
    offsets = rng.uniform(-0.5, 0.5, (PLACES, 2))
    stamps = [
        profile.drawImage(nx=size, ny=size, scale=1.0, offset=tuple(o), dtype=float).array.astype(np.float32)
        for o in offsets
    ]
    image = np.zeros((SHAPE[0] + 2 * half, SHAPE[1] + 2 * half), np.float32)
    places = rng.integers(0, (SHAPE[1], SHAPE[0]), (300, 2))
    for k, (x, y) in enumerate(places):
        flux = 3e3 * (3e6 / 3e3) ** (rng.uniform() ** 1.5)
        image[y : y + size, x : x + size] += np.float32(flux) * stamps[k % PLACES]
    light = image[half:-half, half:-half] + np.float32(300.0)
    light += np.sqrt(light + 9.0) * rng.standard_normal(SHAPE, np.float32)
    light += 500.0
    light[rng.integers(0, SHAPE[0], 2000), rng.integers(0, SHAPE[1], 2000)] += 10.0 ** rng.uniform(2.0, 4.6, 2000)
    return np.clip(np.rint(light), 0, 65535).astype(np.uint16), places + offsets[np.arange(300) % PLACES]


def measure_with_sep(path: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y and half-flux diameters of all objects."""
    data = fits.getdata(path).astype(np.float32)
    sky = sep.Background(data)
    sky.subfrom(data)
    sep.set_extract_pixstack(5_000_000)
    found = sep.extract(data, 5.0, err=sky.globalrms)
    radius, _ = sep.flux_radius(data, found["x"], found["y"], 6.0 * found["a"], 0.5, normflux=found["flux"], subpix=5)
    return found["x"], found["y"], 2.0 * radius


def measure_with_photutils(path: str) -> int:
    """Return the number of segments whose half-light radius was measured."""
    data = fits.getdata(path).astype(np.float32)
    sample = data[::7, ::7]
    sky, noise = float(np.median(sample)), 1.4826 * float(np.median(np.abs(sample - np.median(sample))))
    data -= sky
    segments = detect_sources(data, 5.0 * noise, n_pixels=5)
    catalogue = SourceCatalog(data, segments)
    return int(np.sum(np.isfinite(catalogue.flux_radius(0.5).value)))


def median_ms(work: Callable[[], object], rounds: int) -> float:
    """Return the median time of a call after one to warm up."""
    work()
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1e3 * float(np.median(times))


def objects_a_star(x: np.ndarray, y: np.ndarray, places: np.ndarray, reach: float) -> float:
    """Return how many objects lie on a star that has any, on average."""
    near = cKDTree(np.stack([x, y], axis=1)).query_ball_point(places, reach)
    counts = np.array([len(found) for found in near])
    return float(counts[counts > 0].mean())


def peak_mb(path: str) -> float:
    """Return the most memory that measuring takes beyond the imports, in a process of its own (Linux)."""
    code = (
        "import sys, pathlib; from focuskit.stars.measure import measure_frame; import scipy.spatial, scipy.optimize\n"
        "def peak(): return int(pathlib.Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])\n"
        "before = peak(); measure_frame(sys.argv[1]); print(peak() - before)"
    )
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    return float(done.stdout) / 1024.0


def main() -> None:
    """Print the table."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    print(f"{SHAPE[1]} x {SHAPE[0]} pixels, 16 bit ({SHAPE[0] * SHAPE[1] * 2 / 2**20:.0f} MB), medians of {rounds}\n")
    print("donut   read   ours  ours/   sep  sep/  photutils  HFD true  bias  scatter  stars  objects a star   peak")
    print("   px     ms     ms   read    ms  ours         ms        px     %        %         ours  sep         MB")
    with tempfile.TemporaryDirectory() as folder:
        for donut_px in DONUTS_PX:
            path = str(Path(folder, f"donut_{donut_px}.fits"))
            image, places = draw_frame(donut_px, np.random.default_rng(100 + donut_px))
            fits.writeto(path, image)
            del image
            read = median_ms(lambda path=path: fits.getdata(path), rounds)
            ours = median_ms(lambda path=path: measure_frame(path), rounds)
            theirs = median_ms(lambda path=path: measure_with_sep(path), min(rounds, 3))
            start = time.perf_counter()
            measure_with_photutils(path)
            photutils = 1e3 * (time.perf_counter() - start)
            true, field = true_hfd_px(donut_px), measure_frame(path).image
            stars = field.measured.take(field.measured.good & (field.measured.snr > 100))
            x, y, _ = measure_with_sep(path)
            reach = 0.5 * max(donut_px, 8)
            scatter = 1.4826 * np.median(np.abs(stars.hfd_px - np.median(stars.hfd_px))) / true
            print(
                f"{donut_px:5d} {read:6.0f} {ours:6.0f} {ours / read:6.1f} {theirs:5.0f} {theirs / ours:5.1f}"
                f" {photutils:10.0f} {true:9.2f} {100 * (field.hfd_px / true - 1):+5.2f} {100 * scatter:8.2f}"
                f" {field.count:6d} {objects_a_star(field.measured.x_px, field.measured.y_px, places, reach):6.2f}"
                f" {objects_a_star(x, y, places, reach):5.2f} {peak_mb(path):9.0f}",
                flush=True,
            )


if __name__ == "__main__":
    one_core = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
    if os.environ.get("OMP_NUM_THREADS") != "1":
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, **one_core})
    main()
