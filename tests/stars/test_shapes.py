"""The shape of stars on stamps: closed forms, exact apertures of photutils, GalSim's profiles; and the light beyond."""

from __future__ import annotations

import math

import galsim
import numpy as np
import pytest
from photutils.aperture import CircularAperture

from focuskit.stars.growth import REACH_SHARP, REACH_WIDE, fit_growth, usual_growth
from focuskit.stars.stamps import (
    cut_stamps,
    elongation,
    find_centroids,
    half_flux_radius,
    half_maximum_width,
    pixel_excess,
    sum_in_circles,
)

OFFSETS = np.array([(0.0, 0.0), (0.3, -0.2), (-0.45, 0.1), (0.21, 0.44), (-0.3, -0.37)])


def draw(profile: galsim.GSObject, size: int) -> np.ndarray:
    """Return stamps with the profile moved by each offset from the middle."""
    return np.stack(
        [profile.drawImage(nx=size, ny=size, scale=1.0, offset=tuple(offset), dtype=float).array for offset in OFFSETS]
    ).astype(np.float32)


def ring(outer: float, inner: float) -> galsim.GSObject:
    area = outer**2 - inner**2
    sharp = galsim.TopHat(outer, flux=outer**2 / area) + galsim.TopHat(inner, flux=-(inner**2) / area)
    return galsim.Convolve(sharp, galsim.Gaussian(fwhm=3.0))


def test_stamps_are_cut_about_whole_places():
    image = np.arange(400.0).reshape(20, 20).astype(">i2")
    stamps = cut_stamps(image, np.array([5, 12]), np.array([7, 3]), 2)
    assert stamps.dtype == np.float32
    assert np.array_equal(stamps[0], image[5:10, 3:8])
    assert np.array_equal(stamps[1], image[1:6, 10:15])


@pytest.mark.parametrize("profile", [galsim.Gaussian(fwhm=5.0), galsim.Kolmogorov(fwhm=4.0), ring(12.0, 4.0)])
def test_centroids(profile):
    stamps = draw(profile, 81)
    # Up to two pixels off at the start, as a peak on a grid of sums is.
    stamps = np.roll(stamps, (2, -1), axis=(1, 2))
    dx, dy = find_centroids(stamps, 18.0)
    assert dx == pytest.approx(OFFSETS[:, 0] - 1, abs=0.02)
    assert dy == pytest.approx(OFFSETS[:, 1] + 2, abs=0.02)


@pytest.mark.parametrize("fine, tolerance", [(1, 4e-3), (2, 1.5e-3), (4, 6e-4)])
def test_sums_are_those_of_exact_apertures(fine, tolerance):
    stamps = draw(galsim.Moffat(beta=3.0, fwhm=6.0), 61)
    sums = sum_in_circles(stamps, OFFSETS[:, 0], OFFSETS[:, 1], 25.0, fine)
    for radius in (3.0, 4.7, 8.0, 15.5, 24.0):
        ours = sums.at(np.full(len(stamps), radius))
        for stamp, (dx, dy), flux in zip(stamps, OFFSETS, ours, strict=True):
            exact = CircularAperture((30.0 + dx, 30.0 + dy), radius).do_photometry(stamp.astype(float), method="exact")
            assert flux == pytest.approx(float(exact[0][0]), abs=tolerance)


def test_areas_are_those_of_circles():
    sums = sum_in_circles(np.zeros((5, 61, 61), np.float32), OFFSETS[:, 0], OFFSETS[:, 1], 25.0, 2)
    radius = np.arange(sums.area.shape[1]) * sums.step
    assert sums.area[:, 6:] == pytest.approx(np.tile(math.pi * radius[6:] ** 2, (5, 1)), rel=0.02)


def test_many_stars_are_summed_like_one():
    stamps = np.random.default_rng(1).normal(size=(40, 41, 41)).astype(np.float32)
    dx, dy = np.random.default_rng(2).uniform(-0.5, 0.5, (2, 40))
    together = sum_in_circles(stamps, dx, dy, 18.0, 2)
    for k in (0, 17, 39):
        alone = sum_in_circles(stamps[k : k + 1], dx[k : k + 1], dy[k : k + 1], 18.0, 2)
        assert together.flux[k] == pytest.approx(alone.flux[0], abs=1e-6)


def test_half_flux_radius_of_a_gaussian():
    stamps = draw(galsim.Gaussian(fwhm=9.0), 61)
    sums = sum_in_circles(stamps, OFFSETS[:, 0], OFFSETS[:, 1], 25.0, 2)
    radius, slope = half_flux_radius(sums, np.full(5, 0.5), np.zeros(5))
    # FWHM = half-flux diameter; two pixels blur it: 2 × 8 ln2 / 12 px² in its square
    blurred = math.sqrt(81.0 + 2.0 * 8.0 * math.log(2.0) / 12.0)
    assert 2.0 * radius == pytest.approx(blurred, rel=2e-3)
    # dF/dr = ln2/r at the half-flux radius of a Gaussian
    assert slope == pytest.approx(math.log(2.0) / radius, rel=0.01)
    none, _ = half_flux_radius(sums, np.array([0.5, 2.0, -1.0, 0.5, 0.5]), np.zeros(5))
    assert np.isnan(none).tolist() == [False, True, True, False, False]


def test_a_pedestal_is_added_back():
    stamps = draw(galsim.Gaussian(fwhm=6.0), 61)
    sums = sum_in_circles(stamps - np.float32(1e-4), OFFSETS[:, 0], OFFSETS[:, 1], 25.0, 2)
    whole = sum_in_circles(stamps, OFFSETS[:, 0], OFFSETS[:, 1], 25.0, 2)
    with_pedestal, _ = half_flux_radius(sums, np.full(5, 0.5), np.full(5, 1e-4))
    assert with_pedestal == pytest.approx(half_flux_radius(whole, np.full(5, 0.5), np.zeros(5))[0], rel=1e-3)


# Blur by a square of side 1 adds 8 ln2/12 = 0.462 to HFD² of a Gaussian; nothing where light is even.
@pytest.mark.parametrize(
    "profile, expected, tolerance",
    [(galsim.Gaussian(fwhm=8.0), 0.462, 0.03), (galsim.Gaussian(fwhm=4.0), 0.462, 0.05), (ring(14.0, 5.0), 0.0, 0.2)],
)
def test_what_a_pixel_adds(profile, expected, tolerance):
    sums = sum_in_circles(draw(profile, 81), OFFSETS[:, 0], OFFSETS[:, 1], 30.0, 2)
    radius, _ = half_flux_radius(sums, np.full(5, 0.5), np.zeros(5))
    assert pixel_excess(sums, radius, np.ones(5, bool)) == pytest.approx(expected, abs=tolerance)
    assert pixel_excess(sums, radius, np.zeros(5, bool)) == 0.5


@pytest.mark.parametrize("profile, width", [(galsim.Gaussian(fwhm=7.0), 7.0), (ring(14.0, 5.0), 28.0)])
def test_outermost_width_at_half_maximum(profile, width):
    sums = sum_in_circles(draw(profile, 81), OFFSETS[:, 0], OFFSETS[:, 1], 38.0, 2)
    radius, _ = half_flux_radius(sums, np.full(5, 0.5), np.zeros(5))
    found = half_maximum_width(sums, radius, np.ones(5, bool))
    blur = 2.0 * 8.0 * math.log(2.0) / 12.0 if width < 10.0 else 0.0
    assert found == pytest.approx(math.sqrt(width**2 + blur), rel=0.012)
    assert np.isnan(half_maximum_width(sums, radius, np.zeros(5, bool))).all()


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0, 140.0])
@pytest.mark.parametrize("ratio", [0.9, 0.6])
def test_elongation(angle, ratio):
    profile = galsim.Gaussian(fwhm=6.0).shear(q=ratio, beta=angle * galsim.degrees)
    stamps = draw(profile, 81)
    e, direction = elongation(stamps, OFFSETS[:, 0], OFFSETS[:, 1], 30.0)
    # second moments add the pixel: σ² + 1/12 along both axes
    sigma = 6.0 / 2.35482
    major, minor = sigma**2 / ratio + 1 / 12, sigma**2 * ratio + 1 / 12
    assert e == pytest.approx(1.0 - math.sqrt(minor / major), abs=0.01)
    off = (direction - angle + 90.0) % 180.0 - 90.0
    assert np.abs(off).max() < 1.5


def test_round_stars_are_not_elongated():
    e, _ = elongation(draw(galsim.Gaussian(fwhm=6.0), 81), OFFSETS[:, 0], OFFSETS[:, 1], 20.0)
    assert e.max() < 0.01


# Light beyond one half-flux diameter, sky taken from a ring that lies on the wings.
@pytest.mark.parametrize(
    "profile",
    [
        galsim.Kolmogorov(fwhm=4.0),
        galsim.Moffat(beta=3.5, fwhm=4.0),
        galsim.Moffat(beta=2.5, fwhm=4.0),
        galsim.Gaussian(fwhm=5.0),
        galsim.Convolve(galsim.Kolmogorov(fwhm=3.0), galsim.Airy(lam_over_diam=1.0, obscuration=0.36)),
    ],
)
@pytest.mark.parametrize("noise", [1e-9, 2e-6])
def test_growth_finds_all_the_light(profile, noise):
    hfd = 2.0 * profile.calculateHLR(scale=0.1)
    size = 2 * int(7 * hfd) + 1
    stamps = draw(profile, size)
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:size, :size] - size // 2
    ring_sky = stamps[:, (np.hypot(x, y) > 2.2 * hfd) & (np.hypot(x, y) < 3.5 * hfd)].mean(axis=1)
    stamps = stamps - ring_sky[:, None, None] + rng.normal(0.0, noise, stamps.shape).astype(np.float32)
    sums = sum_in_circles(stamps, OFFSETS[:, 0], OFFSETS[:, 1], REACH_SHARP * hfd, 2)
    flux = sums.at(np.full(5, hfd))
    growth, pedestal, _ = fit_growth(sums, flux, noise, hfd)
    assert np.median(growth * flux) == pytest.approx(1.0, abs=0.012)
    assert np.median(pedestal * flux) == pytest.approx(
        float(np.median(ring_sky)), abs=float(0.35 * np.median(ring_sky)) + 1e-5
    )


def test_growth_of_a_wide_star():
    profile = galsim.Convolve(ring(12.0, 4.0), galsim.Kolmogorov(fwhm=4.0))
    hfd = 2.0 * profile.calculateHLR(scale=0.3)
    stamps = draw(profile, 2 * int(4 * hfd) + 1)
    sums = sum_in_circles(stamps, OFFSETS[:, 0], OFFSETS[:, 1], REACH_WIDE * hfd, 1)
    flux = sums.at(np.full(5, hfd))
    growth, _, _ = fit_growth(sums, flux, 1e-7, hfd)
    assert np.median(growth * flux) == pytest.approx(1.0, abs=0.005)


def test_one_object_that_is_no_star_does_not_decide():
    hfd = 2.0 * galsim.Kolmogorov(fwhm=4.0).calculateHLR(scale=0.1)
    stamps = draw(galsim.Kolmogorov(fwhm=4.0), 81)
    galaxy = galsim.Gaussian(fwhm=30.0).drawImage(nx=81, ny=81, scale=1.0, dtype=np.float32).array
    both = np.concatenate([stamps, 1000.0 * galaxy[None]])
    offsets = np.concatenate([OFFSETS, [[0.0, 0.0]]])
    growths = []
    for images, places in ((stamps, OFFSETS), (both, offsets)):
        sums = sum_in_circles(images, places[:, 0], places[:, 1], REACH_SHARP * hfd, 2)
        growths.append(fit_growth(sums, sums.at(np.full(len(images), hfd)), 1e-7, hfd)[0])
    assert growths[1] == pytest.approx(growths[0], rel=0.01)


def test_usual_growth_is_that_of_seeing():
    hfd = 2.0 * galsim.Kolmogorov(fwhm=4.0).calculateHLR(scale=0.1)
    sums = sum_in_circles(draw(galsim.Kolmogorov(fwhm=4.0), 41), OFFSETS[:, 0], OFFSETS[:, 1], 15.0, 2)
    assert usual_growth() * np.median(sums.at(np.full(5, hfd))) == pytest.approx(1.0, abs=0.02)
