"""What a stack says of its own noise, and which pixels lie where, against counts and known noise."""

import math

import numpy as np
import pytest
from astropy.io import fits
from scipy.special import ndtr

from focuskit.frames import read_pixels
from focuskit.waves.annuli import annulus_maps, harmonic_bins, sub_pixel
from focuskit.waves.stack import ZONES, StackTask, stack_profile, stack_radius_px, stack_weight
from focuskit.waves.stack_files import stack_or_say


@pytest.fixture(scope="module")
def faint():
    """180 stars, twenty a zone, with known light, sky noise of 7 and gain of 2; their stack."""
    rng = np.random.default_rng(31)
    size, count = 600, 180
    column, row = np.unravel_index(np.arange(count) % 9, (3, 3))
    x = column * 200 + 25 + rng.uniform(0.0, 150.0, count)
    y = row * 200 + 25 + rng.uniform(0.0, 150.0, count)
    flux = rng.uniform(2000.0, 8000.0, count)
    rows, columns = np.indices((size, size))
    clean = np.zeros((size, size))
    for x0, y0, light in zip(x, y, flux, strict=True):
        clean += light * np.exp(-((columns - x0) ** 2 + (rows - y0) ** 2) / 18.0) / (18.0 * math.pi)
    image = clean + np.sqrt(49.0 + clean / 2.0) * rng.standard_normal((size, size))
    return stack_profile(image, StackTask(x, y, flux, 0.0, 7.0, 12.0, 5.0, 2.0, np.stack((x, y), axis=1)))


def test_variance_of_angular_changes_is_that_of_the_noise(faint):
    # Round stars: what is left beside the round profile is noise, in the outer annuli of sky alone.
    _, pixels = harmonic_bins(12)
    pull = faint.harmonics * np.sqrt(pixels / faint.harmonic_variance[:, None, :])
    assert pull.shape == (ZONES**2, 4, 12)
    outer = pull[:, :, 6:]
    # 216 values: one standard deviation of their mean square is 0.1.
    assert np.mean(outer**2) == pytest.approx(1.0, abs=0.3)
    assert np.mean(pull[:, :, 2:6] ** 2) == pytest.approx(1.0, abs=0.35)


def test_variance_of_the_profile_is_that_of_the_noise(faint):
    radii = np.arange(faint.bins.shape[1]) / 8.0
    truth = faint.bins @ (np.exp(-(radii**2) / 18.0) / (18.0 * math.pi))
    pull = (faint.flux - truth) / np.sqrt(faint.variance)
    # Centres are rounded to an eighth of a pixel, which widens the star a little; 12 values.
    assert np.mean((pull[3:] - pull[-4:].mean()) ** 2) < 3.0
    assert faint.stars == 180


def test_pixels_are_counted_in_their_annuli():
    annulus, (shares,) = annulus_maps(6)
    bins, pixels = harmonic_bins(6)
    offset = np.arange(-7, 8)
    distance = np.hypot(*np.meshgrid(offset, offset))
    middle = int(sub_pixel(np.zeros(1), np.zeros(1))[0])
    for a in range(6):
        inside = (distance >= a) & (distance < a + 1)
        assert (annulus[middle] == a).sum() == inside.sum()
        assert shares[middle, a].sum() == pytest.approx(inside.sum())
        # The mean distance from the star, in bins of an eighth of a pixel.
        assert shares[middle, a] @ np.arange(9) / 8.0 + a * inside.sum() == pytest.approx(distance[inside].sum())
        # Squares of cosine and sine of an angle share the pixels, but for the one in the middle.
        count = inside.sum() - (a == 0)
        assert pixels[0, a] + pixels[1, a] == pytest.approx(count)
        assert pixels[2, a] + pixels[3, a] == pytest.approx(count)
        assert pixels[0, a] == pytest.approx(pixels[1, a])
    np.testing.assert_allclose(bins[:, 1:].sum(axis=2), 1.0)
    # A star a quarter of a pixel to the right, then an eighth up: places are of eighths, rows of nine.
    assert sub_pixel(np.array([0.25]), np.array([0.0]))[0] == middle + 2
    assert sub_pixel(np.array([0.0]), np.array([-0.125]))[0] == middle - 9


def test_stars_count_by_light_over_the_variance_of_a_pixel():
    # Half of the light lies within a quarter of the radius, which is twice the half-flux diameter.
    spread = 0.5 / (math.pi * (0.25 * 16.0) ** 2)
    assert stack_weight(300.0, 7.0, 16.0, 2.0) == pytest.approx(300.0 / (49.0 + spread * 150.0))
    assert stack_radius_px(3.0) == 8.0
    assert stack_radius_px(6.5) == 13.0


def test_scale_and_zero_of_a_file_do_not_matter(tmp_path):
    """A star with a neighbour half as bright, whose light is taken off, in two ways of writing the same image."""
    rows, columns = np.indices((96, 96))
    places = np.array([[40.0, 48.0], [57.0, 48.0]])
    light = np.array([40000.0, 20000.0])
    image = np.full((96, 96), 300.0)
    for (x, y), flux in zip(places, light, strict=True):
        image += flux * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / 18.0) / (18.0 * math.pi)
    image += np.random.default_rng(5).normal(0.0, 4.0, image.shape)
    image = np.rint(4.0 * image) / 4.0
    profiles = []
    for name, zero, scale in (("plain", 0.0, 1.0), ("scaled", 1000.0, 0.25)):
        stored = ((image - zero) / scale).astype("f4" if scale == 1.0 else "i2")
        hdu = fits.PrimaryHDU(stored)
        hdu.header["BZERO"], hdu.header["BSCALE"] = zero, scale
        hdu.writeto(tmp_path / f"{name}.fits")
        assert read_pixels(tmp_path / f"{name}.fits").scale == scale
        task = StackTask(
            places[:1, 0], places[:1, 1], light[:1], 300.0, 4.0, 12.0, 0.0, 1.5, places,
            path=str(tmp_path / f"{name}.fits"),
        )  # fmt: skip
        profiles.append(stack_or_say(task, None))
    plain, scaled = profiles
    assert scaled.flux == pytest.approx(plain.flux, rel=1e-5, abs=1e-9)
    assert scaled.variance == pytest.approx(plain.variance, rel=1e-4)
    # The neighbour is gone: it would add 1e-4 to the outer annuli.
    radii = np.arange(plain.bins.shape[1]) / 8.0
    truth = plain.bins @ (np.exp(-(radii**2) / 18.0) / (18.0 * math.pi))
    assert plain.flux[8:] == pytest.approx(truth[8:], abs=6e-5)


def crowd(rng, count=12, size=200):
    """Stars of 3 px sigma, sky noise of 4; half of them near to one another. Return the image, places and fluxes."""
    x, y = np.meshgrid(np.arange(40.0, size, 60.0), np.arange(30.0, size, 45.0))
    x, y = (place.ravel()[:count] + rng.uniform(-2.0, 2.0, count) for place in (x, y))
    x[1::2] = x[::2] + rng.uniform(12.0, 18.0, count // 2)
    y[1::2] = y[::2]
    flux = rng.uniform(2e4, 8e4, count)
    image = gaussians(x, y, flux, size) + 4.0 * rng.standard_normal((size, size))
    return image, x, y, flux


def gaussians(x, y, flux, size):
    rows, columns = np.indices((size, size))
    return sum(
        light * np.exp(-((columns - x0) ** 2 + (rows - y0) ** 2) / 18.0) / (18.0 * math.pi)
        for x0, y0, light in zip(x, y, flux, strict=True)
    )


def test_hot_pixels_far_out_do_not_add_light_to_neighbours():
    """A hot pixel in the outermost annulus of each stacked star; one peak among the known stars is none."""
    image, x, y, flux = crowd(np.random.default_rng(17))
    places = np.concatenate((np.stack((x, y), axis=1), [[5.0, 190.0]]))
    stacked = [
        stack_profile(frame, StackTask(x[::2], y[::2], flux[::2], 0.0, 4.0, 14.0, 5.0, 2.0, known))
        for frame, known in (
            (image, places),
            (hit_at(image, x[::2], y[::2] + 13.0), np.concatenate((places, np.stack((x + 9.0, y - 9.0), axis=1)))),
        )
    ]
    radii = np.arange(stacked[0].bins.shape[1]) / 8.0
    truth = stacked[0].bins @ (np.exp(-(radii**2) / 18.0) / (18.0 * math.pi))
    for profile in stacked:
        off = (profile.flux - truth)[2:] / np.sqrt(profile.variance[2:])
        assert np.mean((off - off[-4:].mean()) ** 2) < 3.0


def hit_at(image, x, y):
    hit = image.copy()
    hit[np.rint(y).astype(int), np.rint(x).astype(int)] += 3000.0
    return hit


@pytest.mark.parametrize(("moved", "noise", "seed"), [(6.0, 4.0, 0), (6.0, 4.0, 3), (0.0, 0.0, 2)])
def test_stars_beside_their_places_or_without_noise_leave_a_variance(moved, noise, seed):
    """The field has turned, or nothing scatters: each annulus keeps a variance that is a number above 0."""
    rng = np.random.default_rng(seed)
    image, x, y, flux = crowd(rng, 4 if seed else 2)
    if not noise:
        image = gaussians(x, y, flux, 200)
    angle = rng.uniform(0.0, 2.0 * math.pi, x.size)
    task = StackTask(x + moved * np.cos(angle), y + moved * np.sin(angle), flux, 4.0, noise, 16.0, 5.0, 2.0)
    profile = stack_profile(image, task)
    assert np.all(np.isfinite(profile.flux))
    assert np.all(profile.variance > 0.0)
    assert np.all(np.isfinite(profile.variance))


def test_stars_smaller_than_a_pixel_lose_no_light():
    """Gaussian stars of 0.5 px FWHM, in pixels that integrate them exactly: all their light is in the stack.

    A pixel beside the middle may have half of a star or a hundredth: neither is a blemish.
    """
    rng = np.random.default_rng(3)
    size, sigma, flux = 240, 0.5 / 2.3548, 5e4
    # Every place of a centre on its pixel once, in eighths.
    x, y = (place.ravel() * (28 + 1 / 8) + 19.5 for place in np.indices((8, 8)))
    edges = np.arange(size + 1) - 0.5
    across, along = (np.diff(ndtr((edges - centre[:, None]) / sigma), axis=1) for centre in (x, y))
    image = flux * along.T @ across + 7.0 * rng.standard_normal((size, size))
    stack = stack_profile(image, StackTask(x, y, np.full(64, flux), 0.0, 7.0, 8.0, 5.0, 2.0, np.stack((x, y), axis=1)))
    off = (np.arange(-10, 11)[:, None] - (np.arange(8) - 4) / 8).ravel()  # of all pixels from all centres, each way
    pixels = np.histogram(np.hypot(*np.meshgrid(off, off)), np.arange(9))[0] / 64
    assert np.cumsum(stack.flux * pixels)[2] == pytest.approx(1.0, abs=0.02)
    assert (stack.flux > -3.0 * np.sqrt(stack.variance)).all()
