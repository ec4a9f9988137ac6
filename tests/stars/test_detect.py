"""Sky, noise, blocks and peaks: on arrays with a known answer."""

from __future__ import annotations

import numpy as np
import pytest

from focuskit.frames import Pixels
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.detect import SkyMap, block_side, clipped_means, find_peaks, pyramid, sum_blocks
from focuskit.stars.first_look import saturation_level
from focuskit.stars.hot import brightest_alone

SHAPES = [(300, 400), (1500, 1600), (2900, 3000)]  # blocks of 1, 2 and 4 pixels


def noisy(shape: tuple[int, int], sky: float, sigma: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(sky, sigma, shape)


@pytest.mark.parametrize("shape, side", [((1000, 1999), 1), ((1000, 2000), 2), ((2999, 2600), 2), ((4176, 6248), 4)])
def test_side_of_blocks(shape, side):
    assert block_side(shape) == side


@pytest.mark.parametrize("shape", SHAPES)
def test_blocks_are_sums_less_the_sky(shape):
    image = np.rint(noisy((shape[0] + 3, shape[1] + 1), 1000.0, 10.0)).astype(np.uint16)
    blocks = sum_blocks(Pixels(image))
    side = blocks.side
    rows, columns = shape[0] + 3 - (shape[0] + 3) % side, shape[1] + 1 - (shape[1] + 1) % side
    sums = image[:rows, :columns].astype(float).reshape(rows // side, side, columns // side, side).sum(axis=(1, 3))
    y, x = np.mgrid[: sums.shape[0], : sums.shape[1]]
    middle = (side - 1) / 2.0
    sky = blocks.sky.at(x.ravel() * side + middle, y.ravel() * side + middle).reshape(sums.shape)
    off = np.abs(blocks.level + sky * side**2 - sums)
    # Single hot blocks may have been replaced; all else is exact to the single precision of the sums.
    assert np.mean(off > 0.02) < 1e-4


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sigma", [0.5, 3.0, 40.0])
def test_sky_and_noise(shape, sigma):
    image = np.rint(noisy(shape, 812.3, sigma)).astype(">i2")
    blocks = sum_blocks(Pixels(image, zero=32768.0))
    assert np.median(blocks.sky.mesh) == pytest.approx(32768.0 + 812.3, abs=0.05 * sigma)
    # rounding to whole numbers adds a twelfth to the variance
    assert blocks.noise == pytest.approx(np.sqrt(sigma**2 + 1.0 / 12.0), rel=0.04)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_sky_follows_a_curved_sky(shape):
    y, x = np.mgrid[: shape[0], : shape[1]]
    curved = 3000.0 - 140.0 * ((x / shape[1] - 0.5) ** 2 + (y / shape[0] - 0.4) ** 2) + 200.0 * x / shape[1]
    blocks = sum_blocks(Pixels((curved + noisy(shape, 0.0, 5.0)).astype(np.float32)))
    xs, ys = np.random.default_rng(3).uniform(0, 1, (2, 500)) * np.array([[shape[1] - 1], [shape[0] - 1]])
    true = 3000.0 - 140.0 * ((xs / shape[1] - 0.5) ** 2 + (ys / shape[0] - 0.4) ** 2) + 200.0 * xs / shape[1]
    assert np.std(blocks.sky.at(xs, ys) - true) < 2.5
    assert abs(np.mean(blocks.sky.at(xs, ys) - true)) < 1.0


def test_the_sky_between_cells():
    # a plane stays a plane, also beyond the outermost cells; one cell is one value
    mesh = np.add.outer(np.arange(4) * 10.0, np.arange(6) * 3.0)
    sky = SkyMap(mesh, (400, 600), 2)
    x, y = np.array([0.0, 99.5, 700.0, 1199.0]), np.array([0.0, 99.5, 310.0, 799.0])
    assert sky.at(x, y) == pytest.approx(((y + 0.5) / 200.0 - 0.5) * 10.0 + ((x + 0.5) / 200.0 - 0.5) * 3.0)
    assert SkyMap(np.array([[7.0]]), (50, 50), 1).at(x, y) == pytest.approx([7.0] * 4)


@pytest.mark.parametrize("shape", SHAPES[:2])
def test_bright_stars_leave_the_noise_alone(shape):
    image = noisy(shape, 500.0, 10.0)
    rng = np.random.default_rng(5)
    for x, y in zip(rng.integers(0, shape[1] - 12, 60), rng.integers(0, shape[0] - 12, 60), strict=True):
        image[y : y + 12, x : x + 12] += 2000.0
    blocks = sum_blocks(Pixels(image.astype(np.float32)))
    assert blocks.noise == pytest.approx(10.0, rel=0.1)
    assert np.median(blocks.sky.mesh) == pytest.approx(500.0, abs=1.0)


@pytest.mark.parametrize("shape", SHAPES)
def test_hot_pixels_are_cleaned(shape):
    image = noisy(shape, 500.0, 10.0)
    rng = np.random.default_rng(5)
    image[rng.integers(10, shape[0] - 10, 40), rng.integers(10, shape[1] - 10, 40)] += 20_000.0
    blocks = sum_blocks(Pixels(image.astype(np.float32)))
    assert blocks.level.max() < 8.0 * blocks.noise * blocks.side


def test_a_pixel_is_alone_where_its_neighbours_have_a_twenty_fifth_of_its_height():
    """The brightest pixel of each block stands at its corner; the sky of green ones is 100, of red 40, of blue 60."""
    image = np.random.default_rng(9).normal(100.0, 3.0, (60, 60))
    image[::2, ::2] -= 60.0
    image[1::2, 1::2] -= 40.0
    image[0, 5] = image[59, 4] = 1100.0  # on the border a pixel is its own neighbour
    around = {(11, 20): (0, 0, 0, 0), (21, 30): (164, 0, 0, 0), (31, 40): (220, 5, 5, 5), (41, 10): (50, 50, 50, 50)}
    for (row, column), light in around.items():
        image[row, column] = 1100.0
        for (down, across), more in zip(((-1, 0), (1, 0), (0, -1), (0, 1)), light, strict=True):
            image[row + down, column + across] = (40.0 if (row + down) % 2 == 0 else 60.0) + more
    places = [*around, (0, 5), (59, 4)]
    blocks = np.array([row // 2 * 30 + column // 2 for row, column in places])
    alone, step = brightest_alone(Pixels(image.astype(np.float32), sites=((0, 1), (1, 0))), blocks, 30, 2)
    assert alone.tolist() == [True, True, False, False, False, False]
    assert step == pytest.approx(-50.0, abs=0.5)


def test_clipped_means():
    rng = np.random.default_rng(1)
    rows = rng.normal(100.0, 5.0, (50, 800))
    rows[:, :80] += 400.0
    rows[3, 100:400] = np.nan
    rows[7] = np.nan
    found = clipped_means(rows)
    assert np.isnan(found[7])
    assert np.delete(found, 7) == pytest.approx(100.0, abs=1.5)
    # whole numbers: the mean does not jump from one to the next
    assert clipped_means(np.rint(rng.normal(10.3, 0.7, (1, 20_000))))[0] == pytest.approx(10.3, abs=0.05)


def test_a_pyramid_keeps_the_light():
    blocks = sum_blocks(Pixels(noisy((512, 512), 100.0, 3.0).astype(np.float32)))
    images = pyramid(blocks, 5)
    assert [image.shape for image in images] == [(512, 512), (256, 256), (128, 128), (64, 64), (32, 32)]
    for image in images[1:]:
        assert image.sum(dtype=float) == pytest.approx(images[0].sum(dtype=float), rel=1e-4)
    assert len(pyramid(sum_blocks(Pixels(noisy((40, 200), 9.0, 1.0).astype(np.float32))), 5)) == 4


def test_one_peak_for_a_ring():
    image = noisy((800, 800), 0.0, 1.0)
    y, x = np.mgrid[:800, :800]
    places = [(200.0, 200.0), (560.0, 300.0), (350.0, 640.0)]
    for a, b in places:
        r = np.hypot(x - a, y - b)
        image += 6.0 * ((r < 40.0) & (r > 15.0))
    blocks = sum_blocks(Pixels(image.astype(np.float32)))
    peaks = find_peaks(pyramid(blocks, 5), blocks.side, blocks.noise, 0.8)
    first = np.stack([peaks.x, peaks.y], axis=1)[:3]
    for place in places:
        assert np.min(np.linalg.norm(first - place, axis=1)) < 20.0
    assert np.all(np.diff(peaks.significance) <= 0)
    # On the level that fits, there is nothing else.
    peaks = find_peaks(pyramid(blocks, 5)[4:], 16 * blocks.side, blocks.noise, 1.2)
    assert len(peaks.x) == 3


def test_peaks_of_points():
    image = np.zeros((100, 120), np.float32)
    image += np.random.default_rng(1).normal(0.0, 1.0, image.shape).astype(np.float32)
    image[50, 60] += 100.0
    image[20, 30] += 60.0
    image[20, 33] += 30.0
    peaks = find_peaks([image], 1, 1.0, 2.0)
    assert len(peaks.x) == 2
    assert abs(peaks.x[0] - 60) <= 1.5
    assert abs(peaks.y[0] - 50) <= 1.5
    assert len(find_peaks([np.zeros((20, 20), np.float32)], 1, 1.0, 2.0).x) == 0


def clipped_at(level, stars, width):
    """Return a frame with a sky of 1000 whose stars of one width, on the middle of their pixels, end at a level."""
    y, x = np.mgrid[:200, :300]
    image = np.random.default_rng(8).normal(1000.0, 5.0, (200, 300))
    for k in range(stars):
        image += 20_000.0 * np.exp(-0.5 * ((x - 50 - 60 * k) ** 2 + (y - 100) ** 2) / width**2)
    return np.minimum(image, level).astype(np.float32)


@pytest.mark.parametrize(
    ("level", "stars", "width", "shows"),
    [(19_000.0, 3, 1.5, True), (19_000.0, 1, 1.5, False), (15_000.0, 1, 4.0, True), (np.inf, 3, 4.0, False)],
)
def test_the_level_of_saturation_is_what_three_stars_or_a_plateau_share(level, stars, width, shows):
    """Only the brightest pixel of a star of 1.5 px ends at 19,000 ADU; at 15,000 some 37 of one of 4 px."""
    pixels = Pixels(clipped_at(level, stars, width))
    assert np.sum(pixels.raw == np.float32(level)) == {19_000.0: stars, 15_000.0: 37, np.inf: 0}[level]
    image = prepare_image(pixels, None, 1.0)
    peaks = find_peaks(image.levels, image.blocks.side, image.blocks.noise, 0.8)
    assert saturation_level(image, pixels, peaks) == (pytest.approx(level) if shows else np.inf)
