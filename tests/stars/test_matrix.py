"""Stars under a Bayer matrix: measured on the green pixels at their places, as if all pixels were green."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from colour_frames import HERON, SHARES, WAVELENGTHS_UM, mosaic

from focuskit.core.errors import FocuskitError
from focuskit.core.matrix import cell_masks
from focuskit.core.optics import Rig
from focuskit.frames import Pixels
from focuskit.scenes.psf import StarShape, star_hfd_um
from focuskit.scenes.render import render_frame
from focuskit.stars.image import measure_pixels

FAST = Rig("Lens", 200.0, 100.0, 0.0, 3.76, 1.0)
# Rig, seeing in px, defocus in µm: HFD of 3.1, 6.5 and 15.7 px.
KINDS = {"sharp": (FAST, 2.5, 0.0), "soft": (HERON, 5.0, 0.0), "donut": (HERON, 5.0, 530.0)}


@cache
def planes(kind):
    """42 stars in each colour, red and blue blurred by their own focus, and the true HFD of green in pixels."""
    rig, seeing_px, defocus_um = KINDS[kind]
    rng = np.random.default_rng(7)
    y, x = np.mgrid[0:6, 0:7].reshape(2, -1) * 95.0 + 60.0 + rng.uniform(-20.0, 20.0, (2, 42))
    flux = 8e4 * rng.uniform(0.4, 3.0, x.size)
    star = StarShape(rig.pixel_um, rig.f_ratio, rig.obstruction, seeing_fwhm_um=seeing_px * rig.pixel_um)
    taken = {}
    for colour, shift in (("R", 40.0), ("G", 0.0), ("B", -25.0)):
        shape = replace(star, wavelength_um=WAVELENGTHS_UM[colour], defocus_um=defocus_um + shift)
        taken[colour] = render_frame(
            (600, 700), x, y, SHARES[colour] * flux, shape, np.random.default_rng(ord(colour)), gain_e_per_adu=1.0
        )
        if colour == "G":
            truth = star_hfd_um(shape) / rig.pixel_um
    return taken, truth


@pytest.mark.parametrize("kind", KINDS)
def test_sizes_are_those_of_green_light_on_every_order(kind):
    """HFD within 1 % of the truth plus its error, in all four orders, and as near to that of a frame all green."""
    taken, truth = planes(kind)
    mono = measure_pixels(Pixels(taken["G"]), gain_e_per_adu=1.0)
    for pattern in ("RGGB", "GRBG", "BGGR", "GBRG"):
        measured = measure_pixels(Pixels(mosaic(taken, pattern)), bayer=pattern, gain_e_per_adu=1.0)
        assert measured.count > 35
        assert measured.hfd_px == pytest.approx(truth, rel=0.01, abs=2.0 * measured.hfd_err_px)
        assert measured.hfd_px == pytest.approx(mono.hfd_px, rel=0.01, abs=3.0 * measured.hfd_err_px)
        # The width at half maximum of stars of 3 px hangs on where they lie among the green pixels.
        assert measured.fwhm_px == pytest.approx(mono.fwhm_px, rel=0.09 if kind == "sharp" else 0.03)
        # The noise of a pixel is that of a pixel, and half of the light is seen.
        assert measured.noise_adu == pytest.approx(mono.noise_adu, rel=0.03)
        assert np.median(mono.measured.snr) == pytest.approx(2**0.5 * np.median(measured.measured.snr), rel=0.06)


def test_places_and_light_are_those_of_a_frame_all_green():
    taken, _ = planes("soft")
    mono = measure_pixels(Pixels(taken["G"]), gain_e_per_adu=1.0).measured
    green = measure_pixels(Pixels(mosaic(taken, "GBRG")), bayer="GBRG", gain_e_per_adu=1.0).measured
    off = np.hypot(green.x_px[:, None] - mono.x_px, green.y_px[:, None] - mono.y_px)
    same = off.argmin(axis=1)
    assert np.median(off.min(axis=1)) < 0.05
    assert np.median(green.flux_adu / mono.flux_adu[same]) == pytest.approx(1.0, rel=0.01)


def test_gaps_and_saturation_are_those_of_green():
    """Red pixels without a value, or beyond the limit, leave the green stars alone; green ones do not."""
    taken, _ = planes("soft")
    raw = mosaic(taken, "RGGB").astype(float)
    plain = measure_pixels(Pixels(raw), bayer="RGGB", saturation_adu=60000.0)
    red, green = raw.copy(), raw.copy()
    red[0::2, 0::2] = np.where(raw[0::2, 0::2] > 1500.0, 65000.0, raw[0::2, 0::2])
    green[1::2, 0::2] = np.where(raw[1::2, 0::2] > 1500.0, 65000.0, raw[1::2, 0::2])
    assert measure_pixels(Pixels(red), bayer="RGGB", saturation_adu=60000.0).hfd_px == plain.hfd_px
    assert measure_pixels(Pixels(green), bayer="RGGB", saturation_adu=60000.0).count < plain.count
    # What is filled comes from pixels of the same colour.
    holes = np.random.default_rng(3).uniform(size=raw.shape) < 0.004
    filled = Pixels(np.where(holes, np.nan, raw)).of_colour("RGGB").filled()
    sky = holes & (np.abs(raw - np.median(raw)) < 60.0)
    for row, column in np.ndindex(2, 2):
        part = (slice(row, None, 2), slice(column, None, 2))
        assert np.median(filled.raw[part][sky[part]]) == pytest.approx(np.median(raw[part]), abs=3.0)
    assert measure_pixels(Pixels(np.where(holes, np.nan, raw)), bayer="RGGB").hfd_px == pytest.approx(
        plain.hfd_px, rel=0.01
    )


def test_masks_say_which_pixels_count():
    masks = cell_masks(((0, 1), (1, 0)), 3)
    assert masks[0, 0].tolist() == [[False, True, False], [True, False, True], [False, True, False]]
    assert masks[1, 0].tolist() == (~masks[0, 0]).tolist() and masks[1, 1].tolist() == masks[0, 0].tolist()
    assert cell_masks(((1, 1),), 3)[0, 0].sum() == 1 and cell_masks(((1, 1),), 3)[1, 1].sum() == 4
    assert cell_masks(None, 3).all()
    with pytest.raises(FocuskitError, match="RGBW"):
        Pixels(np.zeros((40, 40))).of_colour("RGBW")
