"""Star images: published values, closed forms, and GalSim as the outside reference."""

import math
from dataclasses import replace

import galsim
import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from star_images import energy_within, star_image

from focuskit.core.errors import FocuskitError
from focuskit.scenes.psf import StarShape, star_hfd_um, star_spectrum

HERON = StarShape(pixel_um=3.76, f_ratio=7.0, obstruction=0.36, seeing_fwhm_um=17.6)
AIRY_UM = 0.55 * 7.0  # λN


# HFD of the Airy pattern in λN: I = [2J1(x)/x - ε² 2J1(εx)/(εx)]² / (1-ε²)² (Schroeder, Astronomical Optics,
# from memory), checked against GalSim's Airy.
@pytest.mark.parametrize("eps, hfd", [(0.0, 1.06966), (0.2, 1.11723), (0.35, 1.25060), (0.4, 1.34146)])
def test_airy_hfd(eps, hfd):
    sharp = StarShape(0.2, 7.0, eps)
    assert star_hfd_um(sharp) == pytest.approx(hfd * AIRY_UM, rel=1e-3)


def test_airy_energy_in_the_first_rings():
    # Born & Wolf, Principles of Optics, 8.5: 83.8 %, 91.0 %, 93.8 % within the first three dark rings
    energy = energy_within(StarShape(0.2, 7.0, 0.0), np.array([1.2197, 2.2331, 3.2383]) * AIRY_UM)
    assert energy == pytest.approx([0.8378, 0.9099, 0.9376], abs=1e-3)


def test_kolmogorov_hfd_over_fwhm():
    # 2 × 0.5548101137 / 0.9758634299: half-light radius and FWHM in λ/r0 as GalSim has them
    star = StarShape(0.5, 7.0, 0.0, seeing_fwhm_um=17.6, optics="annulus")
    assert star_hfd_um(star) / 17.6 == pytest.approx(1.13707, rel=5e-4)


@pytest.mark.parametrize("beta", [2.5, 3.5, 4.765])
def test_moffat_hfd_over_fwhm(beta):
    # closed form: HFD/FWHM = √((2^(1/(β-1)) - 1) / (2^(1/β) - 1))
    star = StarShape(0.5, 7.0, 0.0, seeing_fwhm_um=17.6, optics="annulus", seeing="moffat", moffat_beta=beta)
    expected = math.sqrt((2 ** (1 / (beta - 1)) - 1) / (2 ** (1 / beta) - 1))
    assert star_hfd_um(star) / 17.6 == pytest.approx(expected, rel=3e-3)


@pytest.mark.parametrize("outer_scale", [20.0, 100.0])
def test_von_karman_as_galsim_has_it(outer_scale):
    star = StarShape(2.0, 7.0, 0.0, seeing_fwhm_um=17.6, optics="annulus", seeing="von_karman", outer_scale=outer_scale)
    values = star_spectrum(star, 64).values[0, :30].real / np.sinc(np.arange(30) / 64)
    aperture_m, wavelength_m = 0.2, 550e-9
    r0_m = 0.9758634299 * AIRY_UM / 17.6 * aperture_m
    baseline_m = AIRY_UM * np.arange(30) / (64 * 2.0) * aperture_m
    outside = galsim.VonKarman(lam=550.0, r0=r0_m, L0=outer_scale * aperture_m)
    per_arcsec = 2 * math.pi * baseline_m / wavelength_m * math.radians(1 / 3600)
    assert values == pytest.approx([outside.kValue(k, 0.0).real for k in per_arcsec], abs=1e-5)


def test_a_band_is_the_mean_of_its_wavelengths():
    star = StarShape(3.76, 7.0, 0.36, 600.0, spherical_waves=0.05, band_um=0.3)
    # 29 wavelengths from 400 to 700 nm; the aberration is a length of path.
    lines = [
        replace(star, band_um=0.0, wavelength_um=w, spherical_waves=0.05 * 0.55 / w)
        for w in 0.4 + 0.3 * (np.arange(29) + 0.5) / 29
    ]
    apart = np.mean([star_spectrum(line, 256).image(45) for line in lines], axis=0)
    assert star_spectrum(star, 256).image(45) == pytest.approx(apart, abs=0.02 * apart.max())


# Kolmogorov seeing of FWHM 1 blurred by an annulus of outer diameter D: HFD by Hankel transforms, made
# independently of this code.
@pytest.mark.parametrize(
    "eps, diameter, hfd",
    [
        (0.0, 1.0, 1.31226),
        (0.0, 5.0, 3.63549),
        (0.33, 1.0, 1.33200),
        (0.33, 2.0, 1.82086),
        (0.33, 8.0, 6.01036),
    ],
)
def test_annulus_with_seeing(eps, diameter, hfd):
    star = StarShape(1.0, 7.0, eps, diameter * 17.6 * 7.0, 17.6, optics="annulus")
    assert star_hfd_um(star) / 17.6 == pytest.approx(hfd, rel=7e-4)


@pytest.mark.parametrize("defocus_um", [1000.0, 2000.0])
def test_far_from_focus_wave_optics_is_the_annulus(defocus_um):
    # D √((1+ε²)/2), geometry; interference at the rims leaves a bounded difference, below λN
    star = StarShape(3.76, 7.0, 0.36, defocus_um, 5.0)
    donut = defocus_um / 7.0 * math.sqrt((1 + 0.36**2) / 2)
    assert star_hfd_um(star) == pytest.approx(donut, abs=AIRY_UM)
    assert star_hfd_um(replace(star, optics="annulus")) == pytest.approx(donut, rel=1e-3)


def galsim_energy(star, radii_um):
    """Encircled energy from GalSim; its arcseconds stand for µm."""
    half_waves = star.defocus_um / (8 * star.f_ratio**2 * star.wavelength_um) / (2 * math.sqrt(3))
    parts = [
        galsim.OpticalPSF(
            lam_over_diam=star.wavelength_um * star.f_ratio,
            obscuration=star.obstruction,
            defocus=half_waves,
            spher=star.spherical_waves,
            astig1=star.astigmatism_waves[0],
            astig2=star.astigmatism_waves[1],
            coma1=star.coma_waves[0],
            coma2=star.coma_waves[1],
            pad_factor=2,
        ),
        galsim.Pixel(star.pixel_um),
    ]
    if star.seeing_fwhm_um:
        parts.append(galsim.Kolmogorov(fwhm=star.seeing_fwhm_um))
    size, fine = 384, 5
    scale = 2.2 * max(radii_um) / size
    image = galsim.Convolve(parts).drawImage(nx=size, ny=size, scale=scale, method="no_pixel").array
    y, x = (np.indices(image.shape) - (size - 1) / 2) * scale
    offsets = (np.arange(fine) - (fine - 1) / 2) / fine * scale
    return [
        np.mean([image[np.hypot(x + a, y + b) < radius].sum() for a in offsets for b in offsets]) for radius in radii_um
    ]


@pytest.mark.parametrize(
    "changes",
    [
        {"seeing_fwhm_um": 0.0},
        {"seeing_fwhm_um": 10.0, "defocus_um": 54.0},
        {"defocus_um": 300.0, "spherical_waves": 0.1},
        {"defocus_um": -300.0, "spherical_waves": 0.1},
        {"defocus_um": 150.0, "astigmatism_waves": (0.07, 0.05)},
        {"defocus_um": 800.0, "seeing_fwhm_um": 10.0},
    ],
)
def test_encircled_energy_as_galsim_has_it(changes):
    star = replace(HERON, **changes)
    radii = star_hfd_um(star) * np.array([0.25, 0.5, 0.75, 1.0, 1.5])
    assert energy_within(star, radii) == pytest.approx(galsim_energy(star, radii), abs=2e-3)


def test_image_with_coma_and_astigmatism_as_galsim_has_it():
    astigmatism, coma = (0.06, -0.04), (0.05, 0.03)
    ours = star_image(33, 3.76, 7.0, 0.36, 120.0, 8.0, astigmatism_waves=astigmatism, coma_waves=coma, dx=0.3, dy=-0.2)
    optics = galsim.OpticalPSF(
        lam_over_diam=AIRY_UM, obscuration=0.36, defocus=120.0 / (8 * 49 * 0.55) / (2 * math.sqrt(3)),
        astig1=astigmatism[0], astig2=astigmatism[1], coma1=coma[0], coma2=coma[1], pad_factor=2,
    )  # fmt: skip
    both = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=8.0))
    theirs = both.drawImage(nx=33, ny=33, scale=3.76, offset=(0.3, -0.2)).array
    assert np.abs(ours - theirs).max() < 3e-3 * ours.max()


def test_spherical_aberration_moves_the_least_hfd_inwards():
    # 553 µm per wave at f/7, obstruction 0.36, 2.6″ of seeing: found by an independent wave-optics
    # calculation for this telescope
    star = replace(HERON, seeing_fwhm_um=2.6 / 206265 * 1400e3, spherical_waves=0.03)
    least = minimize_scalar(lambda dz: star_hfd_um(replace(star, defocus_um=dz)), bounds=(-60, 60), method="bounded")
    assert least.x / 0.03 == pytest.approx(-553.0, rel=0.02)


def test_without_spherical_aberration_both_sides_of_focus_look_alike():
    inside = star_image(48, 3.76, 7.0, 0.36, -300.0, 12.0)
    outside = star_image(48, 3.76, 7.0, 0.36, 300.0, 12.0)
    assert inside == pytest.approx(outside, abs=1e-12)


@pytest.mark.parametrize("seeing_um", [0.0, 6.0])
def test_a_pixel_holds_what_nine_smaller_ones_hold(seeing_um):
    # fails where the sampling lets high frequencies fold
    coarse = star_image(31, 3.0, 7.0, 0.36, 60.0, seeing_um)
    fine = star_image(93, 1.0, 7.0, 0.36, 60.0, seeing_um)
    # centres: pixel 15 of 31, and pixel 46 of 93, in the middle of the former
    assert fine.reshape(31, 3, 31, 3).sum(axis=(1, 3)) == pytest.approx(coarse, abs=2e-6)


def test_shifts_are_exact():
    centred = star_image(65, 3.76, 7.0, 0.36, 200.0, 15.0)
    assert star_image(65, 3.76, 7.0, 0.36, 200.0, 15.0, dx=1.0)[:, 1:] == pytest.approx(centred[:, :-1], abs=1e-12)
    moved = star_image(401, 3.76, 7.0, 0.36, 200.0, 15.0, dx=0.37, dy=-0.21)
    y, x = np.indices(moved.shape) - 200
    assert (x * moved).sum() / moved.sum() == pytest.approx(0.37, abs=1e-3)
    assert (y * moved).sum() / moved.sum() == pytest.approx(-0.21, abs=1e-3)
    assert moved.sum() == pytest.approx(1.0, abs=3e-3)


def test_shake_widens_along_its_axis_only():
    star = replace(HERON, optics="annulus", shake_um=30.0, shake_angle_deg=90.0)
    image = star_spectrum(star, 400).image(201)
    still = star_spectrum(replace(star, shake_um=0.0), 400).image(201)
    y, x = (np.indices(image.shape) - 100) * 3.76
    assert (y**2 * (image - still)).sum() == pytest.approx(900.0, rel=0.02)
    assert (x**2 * (image - still)).sum() == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    "changes, words",
    [
        ({"f_ratio": 0.0}, "f_ratio = 0"),
        ({"obstruction": 1.0}, "obstruction = 1"),
        ({"optics": "rays"}, "optics = 'rays'"),
        ({"seeing": "none"}, "seeing = 'none'"),
        ({"seeing": "moffat", "moffat_beta": 1.0}, "moffat_beta = 1"),
    ],
)
def test_says_what_cannot_be(changes, words):
    with pytest.raises(FocuskitError, match=words):
        replace(HERON, **changes)
