"""One frame: stars, sky and detector, linear up to 65535 ADU."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from focuskit.core.errors import FocuskitError
from focuskit.scenes.psf import StarShape, star_spectrum

ADU_MAX = 65535
_CHUNK_ROWS = 256  # rows of noise drawn at a time, to spare memory; another number gives other frames


def render_frame(
    shape_px: tuple[int, int],
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
    flux_e: NDArray[np.float64],
    star: StarShape,
    rng: np.random.Generator,
    *,
    defocus_um: NDArray[np.float64] | None = None,
    sky_e: float = 50.0,
    read_noise_e: float = 1.5,
    gain_e_per_adu: float = 0.25,
    offset_adu: float = 500.0,
    hot_pixels: int = 0,
    cosmic_rays: int = 0,
    trail_e: float = 0.0,
) -> NDArray[np.uint16]:
    """Return one frame of stars in ADU, shape ``shape_px`` = (rows, columns).

    Parameters
    ----------
    x_px, y_px, flux_e : arrays of one length
        Positions (the centre of the first pixel is 0, 0) and total fluxes in electrons.
    star : StarShape
        Shape of all stars; ``defocus_um``, where given, replaces the shape's own, star by star.
    sky_e : float
        Electrons of sky in a pixel.
    hot_pixels, cosmic_rays : int
        How many of each to strew.
    trail_e : float
        Electrons per pixel of length of a satellite trail across the frame; 0 for none.

    Raises
    ------
    FocuskitError
        If the gain is not above 0.
    """
    if not gain_e_per_adu > 0:
        raise FocuskitError(f"gain_e_per_adu = {gain_e_per_adu}: give a number above 0")
    image = np.full(shape_px, sky_e, dtype=np.float32)
    if len(flux_e):
        _add_stars(image, x_px, y_px, flux_e, star, defocus_um)
    if trail_e:
        _add_trail(image, trail_e, star, rng)
    for first in range(0, shape_px[0], _CHUNK_ROWS):
        rows = image[first : first + _CHUNK_ROWS]
        rows[...] = rng.poisson(np.maximum(rows, 0.0))
        rows += np.float32(read_noise_e) * rng.standard_normal(rows.shape, dtype=np.float32)
    _add_cosmic_rays(image, cosmic_rays, rng)
    hot = rng.integers(0, image.size, hot_pixels)
    image.ravel()[hot] += rng.exponential(5000.0, hot_pixels).astype(np.float32)
    image /= np.float32(gain_e_per_adu)
    image += np.float32(offset_adu + 0.5)
    return np.clip(image, 0, ADU_MAX, out=image).astype(np.uint16)


def _add_stars(
    image: NDArray[np.float32],
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
    flux_e: NDArray[np.float64],
    star: StarShape,
    defocus_um: NDArray[np.float64] | None,
) -> None:
    farthest_um = abs(star.defocus_um) if defocus_um is None else float(np.abs(defocus_um).max())
    core_um = math.hypot(star.seeing_fwhm_um, star.wavelength_um * star.f_ratio)
    # Far enough for the wings of the brightest star to sink into the noise; they fall as r^-3 or faster.
    reach_um = 0.5 * farthest_um / star.f_ratio + 12.0 * core_um + 3.0 * star.shake_um
    reach_px = reach_um / star.pixel_um * min(3.0, max(1.0, (float(np.max(flux_e)) / 1e6) ** (1.0 / 3.0)))
    size_px = 2 * math.ceil(reach_px) + 1
    field_px = int(fft.next_fast_len(math.ceil(0.75 * size_px), real=True)) * 2
    # Templates a little apart in defocus are mixed linearly; this spacing keeps HFD right to 0.05 %.
    spacing_um = 0.06 * star.f_ratio * core_um
    origin_um = star.defocus_um if defocus_um is None else 0.0
    place = np.zeros(len(flux_e)) if defocus_um is None else np.asarray(defocus_um) / spacing_um
    node = np.floor(place).astype(int)
    for low in np.unique(node).tolist():
        shapes = (replace(star, defocus_um=origin_um + k * spacing_um) for k in (low, low + 1))
        below, above = (star_spectrum(shape, field_px) for shape in shapes)
        first = below.values.astype(np.complex64)
        change = above.values.astype(np.complex64) - first
        for i in np.flatnonzero(node == low).tolist():
            column, row = round(float(x_px[i])), round(float(y_px[i]))
            spectrum = replace(below, values=first + np.float32(place[i] - low) * change)
            stamp = spectrum.image(size_px, float(x_px[i]) - column, float(y_px[i]) - row)
            _add_stamp(image, float(flux_e[i]) * stamp, column, row)


def _add_stamp(image: NDArray[np.float32], stamp: NDArray[np.floating], column: int, row: int) -> None:
    top, left = row - stamp.shape[0] // 2, column - stamp.shape[1] // 2
    bottom, right = min(top + stamp.shape[0], image.shape[0]), min(left + stamp.shape[1], image.shape[1])
    first_row, first_column = max(top, 0), max(left, 0)
    if first_row < bottom and first_column < right:
        part = stamp[first_row - top : bottom - top, first_column - left : right - left]
        image[first_row:bottom, first_column:right] += part.astype(np.float32)


def _add_trail(image: NDArray[np.float32], trail_e: float, star: StarShape, rng: np.random.Generator) -> None:
    """Draw a straight trail through the middle of the frame, about as wide as the stars are."""
    rows, columns = image.shape
    angle = rng.uniform(-0.6, 0.6)
    middle = rows * rng.uniform(0.35, 0.65)
    sigma_px = 0.5 + math.hypot(star.seeing_fwhm_um / 2.355, 0.35 * star.donut_um) / star.pixel_um
    y, x = np.ogrid[:rows, :columns]
    distance = (y - middle) * math.cos(angle) - (x - columns / 2) * math.sin(angle)
    profile = np.exp(-0.5 * (distance / sigma_px) ** 2) / (sigma_px * math.sqrt(2.0 * math.pi))
    image += (trail_e * profile).astype(np.float32)


def _add_cosmic_rays(image: NDArray[np.float32], count: int, rng: np.random.Generator) -> None:
    """Add tracks one pixel wide and up to 12 pixels long."""
    rows, columns = image.shape
    for _ in range(count):
        along = np.arange(rng.integers(1, 13))
        angle = rng.uniform(0.0, 2.0 * math.pi)
        x = np.rint(rng.uniform(0, columns) + along * math.cos(angle)).astype(int)
        y = np.rint(rng.uniform(0, rows) + along * math.sin(angle)).astype(int)
        inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
        image[y[inside], x[inside]] += np.float32(rng.uniform(300.0, 3000.0))
