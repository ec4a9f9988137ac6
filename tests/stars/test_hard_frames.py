"""Frames with much in them that is no sound star: saturated ones, a giant, lines of the sensor, knots of a nebula.

The size is that of the sound stars all the same, by GalSim, or a flag says that it may not be.
"""

from __future__ import annotations

import tracemalloc

import galsim
import numpy as np
import pytest

from focuskit.frames import Pixels
from focuskit.stars.image import measure_pixels


class Shape:
    """A star in the seeing: its stamps of unit flux, and its half-flux diameter with one pixel, both by GalSim."""

    def __init__(self, fwhm: float, reach: int) -> None:
        star = galsim.Kolmogorov(fwhm=fwhm)
        whole = galsim.Convolve(star, galsim.Pixel(1.0))
        fine = whole.drawImage(nx=401, ny=401, scale=fwhm / 80.0, method="no_pixel", dtype=float)
        self.hfd = 2.0 * float(fine.calculateHLR(flux=1.0))
        self.reach = reach
        offsets = np.random.default_rng(0).uniform(-0.5, 0.5, (5, 2))
        self.stamps = [
            star.drawImage(nx=2 * reach + 1, ny=2 * reach + 1, scale=1.0, offset=tuple(o), dtype=float).array
            for o in offsets
        ]

    def strew(self, image: np.ndarray, count: int, faintest: float, brightest: float, seed: int) -> None:
        """Add stars at random places in place, whole stamps inside."""
        rng = np.random.default_rng(seed)
        size = 2 * self.reach + 1
        for k in range(count):
            x, y = (int(rng.integers(0, n - size)) for n in image.shape[::-1])
            flux = faintest * (brightest / faintest) ** rng.uniform() ** 1.5
            image[y : y + size, x : x + size] += flux * self.stamps[k % 5]


SHARP, SOFT = Shape(3.6, 30), Shape(5.8, 45)


def exposed(light: np.ndarray, seed: int, added: np.ndarray | float = 0.0) -> np.ndarray:
    """Return a frame of 16 bits, an electron an ADU, with a sky of 300 and what the sensor adds by itself."""
    light = light + 300.0
    noisy = np.random.default_rng(seed).normal(light, np.sqrt(light + 9.0)) + 500.0 + added
    return np.clip(np.rint(noisy), 0, 65535).astype(np.uint16)


@pytest.mark.parametrize("saturated", [330, 400])
def test_saturated_stars_leave_room_for_sound_ones(saturated):
    light = np.zeros((2000, 2000))
    SHARP.strew(light, 1500, 2e3, 1e5, 1)
    SHARP.strew(light, saturated, 2e6, 1e7, 2)
    field = measure_pixels(Pixels(exposed(light, 3)))
    assert field.count >= 100
    assert field.hfd_px == pytest.approx(SHARP.hfd, rel=0.015)


def test_a_giant_does_not_decide():
    # a Moffat profile of beta 2.5 clipped at the end of the range, with spikes, a reflection, and a column bled full
    light = np.zeros((900, 1000))
    SOFT.strew(light, 60, 3e3, 3e5, 4)
    down, across = np.ogrid[:900, :1000]
    y, x = down - 430, across - 520
    light += 3e7 * (1.0 + (x**2 + y**2) / 16.0) ** -2.5 + 90.0 * ((x**2 + y**2 < 120**2) & (x**2 + y**2 > 40**2))
    for along, beside in ((x, y), (y, x)):
        light += 6000.0 * np.exp(-np.abs(along) / 60.0 - 0.5 * (beside / 1.5) ** 2)
    light[100:800, 518:523] += 7e4
    field = measure_pixels(Pixels(exposed(light, 5)))
    assert field.count >= 15
    assert field.hfd_px == pytest.approx(SOFT.hfd, rel=0.015)


@pytest.mark.parametrize("columns", [6, 12])
def test_hot_columns_are_no_stars(columns):
    light, hot = np.zeros((1000, 1100)), np.zeros((1000, 1100))
    SOFT.strew(light, 80, 3e3, 3e5, 6)
    rng = np.random.default_rng(7)
    for column in rng.integers(20, 1080, columns):
        first = int(rng.integers(0, 300))
        hot[first : first + 700, column] += 20_000.0
    field = measure_pixels(Pixels(exposed(light, 8, hot)))
    assert field.count >= 35
    assert field.hfd_px == pytest.approx(SOFT.hfd, rel=0.01)
    stars = field.measured.take(field.measured.good)
    apart = np.abs(stars.x_px[:, None] - np.flatnonzero(hot.any(axis=0))[None])
    on_one = (apart < 2.0) & hot.any(axis=0).any()
    rows = np.rint(stars.y_px).astype(int)
    assert not any(hot[rows[k], np.flatnonzero(hot.any(axis=0))[j]] for k, j in np.argwhere(on_one))


def test_steps_between_amplifiers_are_no_stars():
    light, step = np.zeros((1000, 1100)), np.zeros((1000, 1100))
    SOFT.strew(light, 80, 3e3, 3e5, 9)
    step[:, 550:] += 400.0
    step[500:] += 150.0
    step[700] += 500.0
    field = measure_pixels(Pixels(exposed(light, 10, step)))
    assert field.count >= 25
    assert field.hfd_px == pytest.approx(SOFT.hfd, rel=0.01)


def test_a_gain_that_the_noise_contradicts_is_not_used():
    light = np.zeros((900, 900))
    SOFT.strew(light, 100, 3e3, 3e5, 11)
    frame = exposed(light, 12)
    plain = measure_pixels(Pixels(frame), gain_e_per_adu=1.0)
    scaled = measure_pixels(Pixels((frame / 65535.0).astype(np.float32)), gain_e_per_adu=1.0)
    assert plain.flags == ()
    assert scaled.flags == ("gain_contradicted",)
    assert scaled.count == pytest.approx(plain.count, abs=5)
    assert scaled.hfd_px == pytest.approx(SOFT.hfd, rel=0.01)


def test_knots_of_a_nebula_do_not_decide():
    light = np.zeros((1000, 1100))
    SHARP.strew(light, 60, 2e3, 2e5, 13)
    rng = np.random.default_rng(14)
    y, x = np.ogrid[:1000, :1100]
    for _ in range(120):
        right, down, width = rng.normal(550, 150), rng.normal(500, 150), rng.uniform(4, 14)
        bump = np.exp(-0.5 * ((x - right) / width) ** 2) * np.exp(-0.5 * ((y - down) / width) ** 2)
        light += rng.uniform(50, 500) * bump
    field = measure_pixels(Pixels(exposed(light, 15)))
    assert field.flags == ()
    assert field.count >= 20
    assert field.hfd_px == pytest.approx(SHARP.hfd, rel=0.015)


def test_knots_alone_are_said_to_be_no_stars():
    # narrow cores on something wide: the half-flux diameter is several times the width at half maximum
    rng = np.random.default_rng(16)
    light = np.zeros((600, 600))
    y, x = np.ogrid[:600, :600]
    for _ in range(25):
        right, down = rng.uniform(80, 520, 2)
        r2 = (x - right) ** 2 + (y - down) ** 2
        light += 3e3 * np.exp(-0.5 * r2 / 1.3**2) + 700.0 * np.exp(-np.sqrt(r2) / 6.0)
    field = measure_pixels(Pixels(exposed(light, 17)))
    assert field.count == 0 or "no_star_shapes" in field.flags


def test_a_dark_frame_of_8_bits_is_measured_and_said_to_be_coarse():
    light = np.zeros((700, 800))
    SOFT.strew(light, 60, 3e2, 3e4, 18)
    counts = np.random.default_rng(19).poisson(light + 2.0) / 8.0
    field = measure_pixels(Pixels(np.clip(np.rint(counts), 0, 255).astype(np.uint8)))
    assert field.count >= 20
    assert field.flags == ("coarse_values",)
    assert field.hfd_px == pytest.approx(SOFT.hfd, rel=0.08)


def test_green_pixels_are_taken_before_anything_is_converted():
    frame = np.zeros((3000, 3200), np.uint16)
    light = np.zeros(frame.shape)
    SOFT.strew(light, 40, 2e4, 2e6, 20)
    frame[...] = exposed(light, 21)
    tracemalloc.start()
    field = measure_pixels(Pixels(frame), bayer="RGGB")
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert field.hfd_px == pytest.approx(SOFT.hfd, rel=0.03)
    assert most < 2.5 * frame.nbytes  # converting all of it first takes 8 times its size
