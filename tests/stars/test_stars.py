"""Stars of frames with a known truth: GalSim draws them and tells their size, photutils measures beside us.

The size of a star here is that of its image as the sensor records it, one pixel included.
"""

from __future__ import annotations

import math
from functools import cache

import galsim
import numpy as np
import pytest
from photutils.profiles import CurveOfGrowth
from star_images import star_image

from focuskit.core.errors import FocuskitError
from focuskit.frames import Pixels
from focuskit.scenes.psf import StarShape, star_hfd_um
from focuskit.stars.catalogue import STAR_FLAGS, MeasuredImage, typical_size
from focuskit.stars.image import measure_pixels

PIXEL = galsim.Pixel(1.0)
BIT = {name: bit for bit, name, _ in STAR_FLAGS}


def donut(outer_px: float, seeing: galsim.GSObject, obstruction: float = 0.36) -> galsim.GSObject:
    """Return seeing blurred by an evenly lit annulus."""
    light = 1.0 - obstruction**2
    disc = galsim.TopHat(outer_px / 2, flux=1 / light)
    hole = galsim.TopHat(obstruction * outer_px / 2, flux=-(obstruction**2) / light)
    return galsim.Convolve(seeing, disc + hole)


SEEING = galsim.Kolmogorov(fwhm=4.7)
SHAPES = {
    "pin-sharp": galsim.Kolmogorov(fwhm=2.0),
    "gaussian": galsim.Gaussian(fwhm=3.0),
    "moffat": galsim.Moffat(beta=3.5, fwhm=4.0),
    "kolmogorov": SEEING,
    "donut 8": donut(8.0, SEEING),
    "donut 16": donut(16.0, SEEING),
    "donut 25": donut(25.0, SEEING),
    "donut 45": donut(45.0, SEEING),
    "donut 80": donut(80.0, SEEING),
}


@cache
def fine_image(name: str) -> galsim.Image:
    """Return a star of unit flux as a pixel records it, drawn finely out to 2.5 half-flux diameters."""
    rough = 2.0 * SHAPES[name].calculateHLR(scale=0.3)
    return galsim.Convolve(SHAPES[name], PIXEL).drawImage(
        nx=501, ny=501, scale=rough / 100.0, method="no_pixel", dtype=float
    )


@cache
def true_sizes(name: str) -> tuple[float, float]:
    """Return half-flux diameter and outermost full width at half maximum."""
    image = fine_image(name)
    line = image.array[250, 250:]
    half = 0.5 * line.max()
    last = np.flatnonzero(line > half)[-1]
    share = (line[last] - half) / (line[last] - line[last + 1])
    return 2.0 * image.calculateHLR(flux=1.0), 2.0 * float(last + share) * image.scale


# All places on a pixel alike: stars sharper than the pixels look different on each.
OFFSETS = np.stack(np.meshgrid(np.arange(-2, 3) / 5.0, np.arange(-2, 3) / 5.0), axis=-1).reshape(25, 2) + 0.03


@cache
def stamps(name: str) -> tuple[np.ndarray, ...]:
    """Return a star of unit flux at 25 places within a pixel, wings and all."""
    size = 2 * int(6 * true_sizes(name)[0]) + 21
    return tuple(
        SHAPES[name].drawImage(nx=size, ny=size, scale=1.0, offset=tuple(offset), dtype=float).array
        for offset in OFFSETS
    )


def put_stars(image: np.ndarray, name: str, places: list[tuple[int, int]], flux: np.ndarray | list[float]) -> None:
    """Add stars about (x, y) to an image, in place; what lies outside is lost."""
    rows, columns = image.shape
    for k, ((x, y), light) in enumerate(zip(places, flux, strict=True)):
        stamp = stamps(name)[k % 25]
        half = stamp.shape[0] // 2
        top, left = max(0, y - half), max(0, x - half)
        bottom, right = min(rows, y + half + 1), min(columns, x + half + 1)
        image[top:bottom, left:right] += (
            light * stamp[top - y + half : bottom - y + half, left - x + half : right - x + half]
        )


def grid(shape: tuple[int, int], across: int) -> list[tuple[int, int]]:
    """Return ``across``² places, far from each other and from the edges."""
    ys, xs = (np.linspace(n / (2 * across), n - n / (2 * across), across).astype(int) for n in shape)
    return [(int(x), int(y)) for y in ys for x in xs]


def add_noise(image: np.ndarray, sky: float, rng: np.random.Generator) -> np.ndarray:
    """Return a 16-bit frame with sky, photon and read noise, one electron an ADU."""
    light = image + sky
    return np.clip(np.rint(rng.normal(light, np.sqrt(light + 9.0)) + 500.0), 0, 65535).astype(np.uint16)


@cache
def plain_frame(name: str, seed: int = 1) -> np.ndarray:
    """Return a frame of 25 stars, bright and not so bright, S/N above 100."""
    side = max(600, int(5.0 * 4.5 * true_sizes(name)[0]))
    image = np.zeros((side, side))
    rng = np.random.default_rng(seed)
    hfd = true_sizes(name)[0]
    bright = 300.0 * hfd * 20.0 * np.geomspace(1.0, 8.0, 25)
    put_stars(image, name, grid(image.shape, 5), rng.permutation(bright))
    return add_noise(image, 300.0, rng)


def measure(image: np.ndarray, **options: object) -> MeasuredImage:
    return measure_pixels(Pixels(image), **options)


def good_near(field: MeasuredImage, x: float, y: float, reach: float) -> int:
    stars = field.measured.take(field.measured.good)
    return int(np.sum(np.hypot(stars.x_px - x, stars.y_px - y) < reach))


@pytest.mark.parametrize("name", SHAPES)
def test_sizes_are_those_of_galsim(name):
    hfd, fwhm = true_sizes(name)
    field = measure(plain_frame(name))
    assert field.count >= 23
    assert field.measured.snr.min() > 100
    assert field.hfd_px == pytest.approx(hfd, rel=0.01)
    assert field.fwhm_px == pytest.approx(fwhm, rel=0.02)


@pytest.mark.parametrize("name", SHAPES)
def test_one_object_a_star(name):
    assert len(measure(plain_frame(name)).measured) == 25


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
def test_sizes_of_few_faint_stars(name):
    hfd = true_sizes(name)[0]
    rng = np.random.default_rng(8)
    image = np.zeros((1100, 1300))
    flux = 25.0 * hfd * 17.0 * 8.0 ** rng.uniform(0, 1, 25)
    put_stars(image, name, grid(image.shape, 5), flux)
    field = measure(add_noise(image, 300.0, rng))
    assert field.count >= 15
    assert np.median(field.measured.snr) < 100
    assert field.hfd_px == pytest.approx(hfd, rel=0.02)


@pytest.mark.parametrize("defocus_um, seeing_px", [(0.0, 3.0), (0.0, 4.7), (160.0, 4.7), (640.0, 4.7)])
def test_wings_of_diffraction_belong_to_the_star(defocus_um, seeing_px):
    # Exact wave optics, all light to infinity: a fifth of the light lies beyond the aperture in focus.
    star = StarShape(3.76, 7.0, 0.36, defocus_um, 3.76 * seeing_px)
    size = 2 * int(8 * star_hfd_um(star) / 3.76) + 1
    image, half = np.full((1050, 1050), 500.0), size // 2
    stamp = 3e5 * star_image(size, 3.76, 7.0, 0.36, defocus_um, 3.76 * seeing_px, dx=0.2, dy=-0.3)
    for x, y in grid(image.shape, 3):
        image[y - half : y + half + 1, x - half : x + half + 1] += stamp
    field = measure(np.random.default_rng(4).normal(image, 2.0).astype(np.float32))
    assert field.hfd_px == pytest.approx(star_hfd_um(star) / 3.76, rel=0.006)
    assert np.median(field.measured.flux_adu) == pytest.approx(3e5, rel=0.01)


# HFD/FWHM = √((2^(1/(β-1)) - 1) / (2^(1/β) - 1)) for a Moffat profile, 1 for a Gaussian: closed forms.
@pytest.mark.parametrize("beta", [2.5, 3.5, 4.765, None])
def test_hfd_over_fwhm(beta):
    shape = galsim.Moffat(beta=beta, fwhm=9.0) if beta else galsim.Gaussian(fwhm=9.0)
    expected = math.sqrt((2 ** (1 / (beta - 1)) - 1) / (2 ** (1 / beta) - 1)) if beta else 1.0
    image = np.full((900, 900), 300.0)
    for x, y in grid(image.shape, 3):
        image[y - 140 : y + 141, x - 140 : x + 141] += shape.drawImage(nx=281, ny=281, scale=1.0).array * 1e6
    field = measure(np.random.default_rng(3).normal(image, 5.0).astype(np.float32))
    assert field.hfd_px / field.fwhm_px == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("obstruction", [0.0, 0.3, 0.5])
def test_hfd_of_an_annulus(obstruction):
    # geometry: HFD = D √((1+ε²)/2)
    shape = donut(60.0, galsim.Gaussian(fwhm=2.0), obstruction) if obstruction else galsim.Convolve(
        galsim.Gaussian(fwhm=2.0), galsim.TopHat(30.0))  # fmt: skip
    image = np.full((1000, 1000), 300.0)
    for x, y in grid(image.shape, 3):
        image[y - 60 : y + 61, x - 60 : x + 61] += shape.drawImage(nx=121, ny=121, scale=1.0).array * 1e6
    field = measure(np.random.default_rng(3).normal(image, 10.0).astype(np.float32))
    assert field.hfd_px == pytest.approx(60.0 * math.sqrt((1.0 + obstruction**2) / 2.0), rel=0.01)


@pytest.mark.parametrize("name", ["kolmogorov", "donut 16", "donut 45"])
def test_agreement_with_the_growth_curves_of_photutils(name):
    frame = plain_frame(name)
    field = measure(frame)
    hfd = true_sizes(name)[0]
    sky = field.sky_adu
    image = fine_image(name)
    y, x = np.mgrid[-250:251, -250:251] * image.scale
    within = float(np.sum(image.array[np.hypot(x, y) < 2.2 * hfd]))
    ours, theirs = [], []
    for k in np.flatnonzero(field.measured.good & (field.measured.snr > 200)):
        x, y = field.measured.x_px[k], field.measured.y_px[k]
        curve = CurveOfGrowth(frame - sky, (x, y), np.linspace(0.05, 2.2, 60) * hfd)
        # The flux within 2.2 HFD falls short of the whole; how far is told by GalSim's own image.
        curve.normalize(method="max")
        # Exact apertures take each pixel as evenly filled: the pixel blurs twice (0.6 px² in HFD² in the seeing).
        theirs.append(2.0 * float(curve.calc_radius_at_ee(0.5 / within)))
        ours.append(math.sqrt(field.measured.hfd_px[k] ** 2 + (0.6 if name == "kolmogorov" else 0.0)))
    assert len(ours) >= 5
    assert np.median(np.array(ours) / np.array(theirs)) == pytest.approx(1.0, abs=0.01)


def test_errors_of_single_stars_are_honest():
    hfd = true_sizes("kolmogorov")[0]
    pulls = []
    for seed in range(8):
        stars = measure(plain_frame("kolmogorov", seed), gain_e_per_adu=1.0).measured
        pulls += ((stars.hfd_px - np.median(stars.hfd_px)) / stars.hfd_err_px)[stars.good].tolist()
    assert hfd == pytest.approx(np.median(stars.hfd_px), rel=0.01)
    assert 0.7 < 1.4826 * np.median(np.abs(pulls)) < 1.4


def test_fluxes_and_places():
    image = np.zeros((600, 600))
    places = grid(image.shape, 3)
    put_stars(image, "gaussian", places, [1e5] * 9)
    stars = measure(add_noise(image, 100.0, np.random.default_rng(1))).measured
    assert stars.flux_adu == pytest.approx(1e5, rel=0.02)
    expected = np.array([np.array(place) + OFFSETS[k] for k, place in enumerate(places)])
    found = np.stack([stars.x_px, stars.y_px], axis=1)
    distance = np.linalg.norm(found[:, None] - expected[None], axis=2).min(axis=1)
    assert distance.max() < 0.05


# What must not enter -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["pin-sharp", "kolmogorov", "donut 45"])
def test_hot_pixels_and_cosmic_rays_do_not_enter(name):
    rng = np.random.default_rng(11)
    frame = plain_frame(name).copy()
    clean = measure(frame)
    hot = rng.integers(0, frame.size, frame.size // 20_000)
    frame.ravel()[hot] = np.minimum(frame.ravel()[hot] + 10 ** rng.uniform(2.5, 4.5, hot.size), 65000).astype(np.uint16)
    for _ in range(8):
        x, y = rng.integers(20, frame.shape[0] - 20, 2)
        angle, length = rng.uniform(0, math.pi), int(rng.integers(2, 9))
        for step in range(length):
            frame[int(y + step * math.sin(angle)), int(x + step * math.cos(angle))] += 3000
    field = measure(frame)
    assert field.hfd_px == pytest.approx(clean.hfd_px, rel=0.01)
    assert 18 <= field.count <= 25


def test_only_cosmic_rays():
    rng = np.random.default_rng(2)
    frame = add_noise(np.zeros((600, 600)), 300.0, rng)
    for _ in range(80):
        x, y = rng.integers(10, 580, 2)
        frame[y, x : x + int(rng.integers(1, 3))] += 5000
        frame[y + 1, x] += int(rng.integers(0, 3000))
    assert measure(frame).count == 0


@pytest.mark.parametrize("name", ["kolmogorov", "donut 8", "donut 16"])
def test_a_trail_is_passed_over(name):
    hfd = true_sizes(name)[0]
    image = np.zeros((700, 900))
    places = grid(image.shape, 5)
    put_stars(image, name, places, [3000.0 * hfd] * 25)
    y, x = np.mgrid[:700, :900]
    across = (x * 0.3 + y - 480.0) / math.hypot(1.0, 0.3)
    light = 1500.0 * np.exp(-0.5 * (across / (hfd / 2.3)) ** 2)
    field = measure(add_noise(image + light, 300.0, np.random.default_rng(6)))
    near = [abs(x * 0.3 + y - 480.0) < 3.0 * hfd for x, y in places]
    assert field.hfd_px == pytest.approx(true_sizes(name)[0], rel=0.015)
    assert 25 - sum(near) <= field.count <= 25
    # What is good is a star: nothing along the trail away from stars.
    stars = field.measured.take(field.measured.good)
    off = [min(math.hypot(x - a, y - b) for a, b in places) for x, y in zip(stars.x_px, stars.y_px, strict=True)]
    assert max(off) < hfd


def test_saturated_stars_do_not_enter():
    image = np.zeros((600, 600))
    places = grid(image.shape, 4)
    put_stars(image, "kolmogorov", places, [2e5] * 13 + [2e7] * 3)
    field = measure(add_noise(image, 300.0, np.random.default_rng(1)))
    assert all(good_near(field, x, y, 10.0) == 0 for x, y in places[13:])
    assert field.count >= 12
    assert field.hfd_px == pytest.approx(true_sizes("kolmogorov")[0], rel=0.01)
    # A level from the header counts, too.
    limited = measure(plain_frame("kolmogorov"), saturation_adu=3000.0)
    assert 0 < limited.count < 25
    assert (limited.measured.flag & BIT["saturated"]).any()


@pytest.mark.parametrize("raw, zero, scale", [("<u2", 0.0, 1.0), (">i2", 32768.0, 1.0), ("<i4", 0.0, 2.0**-15)])
def test_one_star_at_the_end_of_the_integers_is_saturated(raw, zero, scale):
    image = np.zeros((600, 600))
    places = grid(image.shape, 3)
    put_stars(image, "kolmogorov", places, [1.3e6] * 8 + [2.2e6])
    light = add_noise(image, 300.0, np.random.default_rng(1)).astype(float)
    assert light.max() == 65535
    info = np.iinfo(raw)
    stored = np.clip(np.rint((light - zero) / scale), info.min, info.max).astype(raw)
    stars = measure_pixels(Pixels(stored, zero, scale)).measured
    bright = np.hypot(stars.x_px - places[8][0], stars.y_px - places[8][1]) < 5.0
    assert ((stars.flag & BIT["saturated"]) > 0).tolist() == bright.tolist()


@pytest.mark.parametrize("apart", [0.8, 1.1, 1.4])
@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
def test_crowded_stars_do_not_enter(name, apart):
    hfd = true_sizes(name)[0]
    image = np.zeros((1000, 1000))
    places = grid(image.shape, 4)
    put_stars(image, name, places, [9000.0 * hfd] * 16)
    beside = [(x + round(apart * hfd), y) for x, y in places[:4]]
    put_stars(image, name, beside, [3600.0 * hfd] * 4)
    field = measure(add_noise(image, 300.0, np.random.default_rng(1)))
    assert all(good_near(field, x, y, 0.6 * hfd) == 0 for x, y in places[:4])
    assert field.count >= 10
    assert field.hfd_px == pytest.approx(hfd, rel=0.01)


def test_stars_cut_by_the_edge_do_not_enter():
    image = np.zeros((900, 900))
    places = grid(image.shape, 3)
    put_stars(image, "donut 45", places, [2e5] * 9)
    edge = [(3, 300), (896, 500), (450, 8), (300, 890), (15, 15)]
    put_stars(image, "donut 45", edge, [4e5] * 5)
    field = measure(add_noise(image, 300.0, np.random.default_rng(1)))
    assert field.count == 9
    assert field.hfd_px == pytest.approx(true_sizes("donut 45")[0], rel=0.01)


# Hard skies ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
@pytest.mark.parametrize("sky", ["gradient", "vignetting", "galaxy"])
def test_uneven_skies(name, sky):
    hfd = true_sizes(name)[0]
    image = np.zeros((1200, 1400))
    rng = np.random.default_rng(9)
    put_stars(image, name, grid(image.shape, 6), 4000.0 * hfd * rng.uniform(0.5, 2.0, 36))
    y, x = np.mgrid[:1200, :1400] / 1300.0 - 0.5
    image += {
        "gradient": 600.0 * x + 400.0 * y + 500.0,
        "vignetting": -900.0 * (x**2 + y**2) + 900.0,
        "galaxy": 800.0 * np.exp(-(x**2 + 3.0 * y**2) / 0.01) + 9000.0 * np.exp(-np.hypot(x, y) / 0.008),
    }[sky]
    field = measure(add_noise(image, 300.0, rng))
    assert field.count >= 20
    assert field.hfd_px == pytest.approx(hfd, rel=0.015)


def test_a_dense_field():
    image = np.zeros((1000, 1000))
    rng = np.random.default_rng(21)
    flux = 5e3 * 60.0 ** rng.uniform(0, 1, 120) ** 1.5
    put_stars(image, "kolmogorov", [(int(x), int(y)) for x, y in rng.integers(0, 1000, (120, 2))], flux)
    field = measure(add_noise(image, 300.0, rng))
    assert field.count > 40
    assert field.hfd_px == pytest.approx(true_sizes("kolmogorov")[0], rel=0.01)


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25", "donut 80"])
@pytest.mark.parametrize("count", [1, 3])
def test_hardly_any_star(name, count):
    hfd = true_sizes(name)[0]
    image = np.zeros((800, 900))
    put_stars(image, name, [(400, 400), (650, 620), (180, 200)][:count], [6000.0 * hfd] * count)
    field = measure(add_noise(image, 300.0, np.random.default_rng(1)))
    assert field.count == count
    assert field.hfd_px == pytest.approx(hfd, rel=0.02)
    assert field.hfd_err_px > 0


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
def test_thin_stars_through_cloud(name):
    hfd = true_sizes(name)[0]
    image = np.zeros((900, 900))
    rng = np.random.default_rng(2)
    put_stars(image, name, grid(image.shape, 4), 17.0 * hfd * np.geomspace(15.0, 60.0, 16))
    field = measure(add_noise(image, 300.0, rng))
    assert 3 <= field.count < 16
    assert abs(field.hfd_px - hfd) < 4.0 * field.hfd_err_px + 0.02 * hfd


# Kinds of frames -----------------------------------------------------------------------------


def test_bayer_sizes_are_in_sensor_pixels():
    name = "donut 16"
    hfd = true_sizes(name)[0]
    image = np.zeros((900, 900))
    places = grid(image.shape, 4)
    put_stars(image, name, places, [1e6] * 16)
    colours = np.ones((900, 900))
    colours[0::2, 0::2], colours[1::2, 1::2] = 0.55, 0.35
    frame = add_noise(image * colours, 300.0, np.random.default_rng(1))
    field = measure(frame, bayer="RGGB")
    assert field.count == 16
    assert field.hfd_px == pytest.approx(hfd, rel=0.01)
    x, y = places[0]
    assert good_near(field, x, y, 1.0) == 1
    with pytest.raises(FocuskitError, match="Bayer"):
        measure(frame, bayer="RGBW")


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
@pytest.mark.parametrize(
    "kind",
    ["u1", ">i2", "<u2", ">i4", ">f4", "f8"],
)
def test_kinds_of_numbers(name, kind):
    frame = plain_frame(name).astype(float)
    reference = measure(plain_frame(name))
    zero, scale = {"u1": (500.0, 16.0), ">i2": (32768.0, 1.0), ">i4": (0.0, 0.01)}.get(kind, (0.0, 1.0))
    stored = (frame - zero) / scale
    if np.dtype(kind).kind in "iu":
        info = np.iinfo(kind)
        stored = np.clip(np.rint(stored), info.min, info.max)
    field = measure_pixels(Pixels(stored.astype(kind), zero, scale))
    rel = 0.01 if kind == "u1" else 1e-4
    assert field.hfd_px == pytest.approx(reference.hfd_px, rel=rel)
    assert field.sky_adu == pytest.approx(reference.sky_adu, rel=0.02)
    rounding = scale / math.sqrt(12.0)
    expected = math.hypot(reference.noise_adu, rounding)
    assert field.noise_adu == pytest.approx(expected, rel=0.15 if kind == "u1" else 0.02)


@pytest.mark.parametrize("side", [800, 1500])
def test_pixels_without_a_value(side):
    rng = np.random.default_rng(1)
    image = np.zeros((side, side))
    put_stars(image, "kolmogorov", grid(image.shape, 5), [1e5] * 25)
    whole = add_noise(image, 300.0, rng)
    holes = np.zeros(whole.shape, bool)
    holes[: side // 3, : side // 3] = True
    holes[rng.integers(0, side, 500), rng.integers(0, side, 500)] = True
    hfd = true_sizes("kolmogorov")[0]
    blank = np.where(holes, 65535, whole).astype(np.uint16)
    floats = np.where(holes, np.nan, whole).astype(np.float32)
    for pixels in (Pixels(blank, blank=65535), Pixels(floats)):
        field = measure_pixels(pixels)
        assert 10 <= field.count <= 25
        assert field.hfd_px == pytest.approx(hfd, rel=0.01)
        assert np.isfinite(field.noise_adu)


@pytest.mark.parametrize("value", [0.0, 1000.0, np.nan])
@pytest.mark.parametrize("shape", [(40, 64), (1500, 1500)])
def test_frames_of_one_value(value, shape):
    with pytest.raises(FocuskitError, match=r"same value|no value"):
        measure(np.full(shape, value, np.float32))


@pytest.mark.parametrize("shape", [(32, 32), (33, 500), (47, 61)])
def test_tiny_frames(shape):
    # The wings do not fit in: how much light they hold is taken from usual seeing.
    image = np.zeros(shape)
    put_stars(image, "moffat", [(shape[1] // 2, 16)], [5e4])
    field = measure(add_noise(image, 100.0, np.random.default_rng(1)))
    assert field.count == 1
    assert field.hfd_px == pytest.approx(true_sizes("moffat")[0], rel=0.02)


def test_frames_that_are_too_small():
    with pytest.raises(FocuskitError, match="32 × 32"):
        measure(np.zeros((31, 500), np.uint16))


def test_nothing_but_noise():
    field = measure(add_noise(np.zeros((1500, 1600)), 300.0, np.random.default_rng(1)))
    assert field.count == 0
    assert field.noise_adu == pytest.approx(math.sqrt(309.0), rel=0.02)
    assert field.sky_adu == pytest.approx(800.0, abs=0.5)


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
def test_noise_of_about_one_adu(name):
    hfd = true_sizes(name)[0]
    image = np.zeros((1000, 1000))
    put_stars(image, name, grid(image.shape, 4), [200.0 * hfd] * 16)
    light = image + 12.3
    rng = np.random.default_rng(3)
    field = measure(np.rint(light + rng.normal(0.0, 0.8, light.shape)).astype(np.uint16))
    assert field.count >= 14
    assert field.hfd_px == pytest.approx(hfd, rel=0.01)
    assert field.noise_adu == pytest.approx(math.hypot(0.8, 1.0 / math.sqrt(12.0)), rel=0.05)


# Properties ----------------------------------------------------------------------------------

TURNS = {
    "flip": lambda a: a[:, ::-1],
    "upside down": lambda a: a[::-1],
    "quarter turn": lambda a: np.rot90(a),
    "half turn": lambda a: np.rot90(a, 2),
    "transposed": lambda a: a.T,
}


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
@pytest.mark.parametrize("turn", TURNS)
def test_turning_the_frame_turns_the_stars(name, turn):
    frame = plain_frame(name)
    straight, turned = measure(frame), measure(np.ascontiguousarray(TURNS[turn](frame)))
    assert turned.count == straight.count
    assert turned.hfd_px == pytest.approx(straight.hfd_px, rel=2e-3)
    assert turned.fwhm_px == pytest.approx(straight.fwhm_px, rel=3e-3)
    ys, xs = np.mgrid[: frame.shape[0], : frame.shape[1]]
    stars = turned.measured
    columns = TURNS[turn](xs)[np.rint(stars.y_px).astype(int), np.rint(stars.x_px).astype(int)]
    rows = TURNS[turn](ys)[np.rint(stars.y_px).astype(int), np.rint(stars.x_px).astype(int)]
    for x, y in zip(columns, rows, strict=True):
        assert good_near(straight, x, y, 1.0) == 1


@pytest.mark.parametrize("name", ["kolmogorov", "donut 25"])
@pytest.mark.parametrize("shift", [(1, 0), (2, 3), (5, -7)])
def test_moving_the_frame_moves_the_stars(name, shift):
    frame = plain_frame(name)
    before, after = measure(frame), measure(np.roll(frame, shift, axis=(0, 1)))
    assert after.hfd_px == pytest.approx(before.hfd_px, rel=2e-3)
    order, moved = np.argsort(before.measured.flux_adu), np.argsort(after.measured.flux_adu)
    assert after.measured.x_px[moved] == pytest.approx(before.measured.x_px[order] + shift[1], abs=0.1)
    assert after.measured.y_px[moved] == pytest.approx(before.measured.y_px[order] + shift[0], abs=0.1)


@pytest.mark.parametrize("factor, offset", [(0.01, 0.0), (7.0, 0.0), (1.0, 5000.0), (300.0, -2e5)])
def test_units_of_brightness_do_not_matter(factor, offset):
    frame = plain_frame("donut 16").astype(np.float64)
    before, after = measure(frame), measure(frame * factor + offset)
    assert after.count == before.count
    assert after.hfd_px == pytest.approx(before.hfd_px, rel=1e-3)
    assert after.noise_adu == pytest.approx(factor * before.noise_adu, rel=1e-3)
    assert np.sort(after.measured.flux_adu) == pytest.approx(factor * np.sort(before.measured.flux_adu), rel=3e-3)


def test_the_same_frame_gives_the_same_answer():
    first, second = measure(plain_frame("donut 25")), measure(plain_frame("donut 25"))
    assert first.hfd_px == second.hfd_px
    assert np.array_equal(first.measured.x_px, second.measured.x_px)


def test_table_of_stars():
    field = measure(plain_frame("kolmogorov"))
    table = field.stars
    units = {"x_centroid": "pix", "y_centroid": "pix", "hfd": "pix", "hfd_err": "pix", "fwhm": "pix", "flux": "adu",
             "peak": "adu", "orientation": "deg"}  # fmt: skip
    assert {name: str(table[name].unit) for name in units} == units
    assert table.colnames == ["id", *list(units)[:6], "snr", "peak", "ellipticity", "orientation", "flags"]
    assert table["id"].tolist() == list(range(1, len(field.measured) + 1))
    assert set(table.meta["star_flags"]) == set(BIT)


def test_rounding_does_not_order_stars_of_the_same_size():
    # A star's own factor may come from this very frame: then its size is that of others, but for rounding.
    sizes = np.array([5.9, 6.0, 6.0, 6.0, 6.1, 6.3])
    errors = np.array([0.02, 0.01, 0.2, 0.05, 0.03, 0.02])
    rounding = np.array([0, 1, -1, 0, 0, 0]) * 1e-15
    one, other = typical_size(sizes + rounding, errors), typical_size(sizes - rounding, errors)
    assert one == pytest.approx(other, rel=1e-12)
    assert 5.95 < one[0] < 6.1
