"""What aberrations add to a star's image, against GalSim's wave optics."""

import galsim
import numpy as np
import pytest

from focuskit.waves import profile_model
from focuskit.waves.harmonics import harmonic_model
from focuskit.waves.model import BINS_PER_PX

F_RATIO, OBSTRUCTION, PIXEL_UM, WAVELENGTH_UM, SEEING_UM = 7.0, 0.36, 3.76, 0.55, 17.6
SIZE = 91
Y, X = np.mgrid[:SIZE, :SIZE] - SIZE // 2
RADIUS, ANGLE = np.hypot(X, Y), np.arctan2(Y, X)


@pytest.fixture(scope="module")
def harmonics():
    model = harmonic_model(profile_model(F_RATIO, OBSTRUCTION, PIXEL_UM, WAVELENGTH_UM, 45.0))
    return lambda defocus_um: model.harmonics(defocus_um, SEEING_UM, 5.0 / 3.0, 0.0)


def galsim_star(defocus_um, dx=0.0, shear=0.0, **aberrations):
    waves = defocus_um / (8.0 * F_RATIO**2 * WAVELENGTH_UM)
    optics = galsim.OpticalPSF(
        lam_over_diam=WAVELENGTH_UM * F_RATIO, defocus=waves / np.sqrt(12.0), obscuration=OBSTRUCTION,
        oversampling=1.0, pad_factor=1.5, suppress_warning=True, **aberrations,
    )  # fmt: skip
    parts = [optics, galsim.Kolmogorov(fwhm=SEEING_UM), galsim.Pixel(PIXEL_UM), galsim.Pixel(PIXEL_UM)]
    if shear:
        parts.append(galsim.Gaussian(sigma=2.0 * PIXEL_UM).shear(g1=shear))
    star = galsim.Convolve(parts).shift(dx * PIXEL_UM, 0.0)
    return star.drawImage(galsim.Image(SIZE, SIZE, scale=PIXEL_UM), method="no_pixel").array


@pytest.mark.parametrize(
    ("name", "noll", "trig", "defocus_um"),
    [
        ("coma", "coma2", np.cos(ANGLE), 300.0),
        ("coma", "coma1", np.sin(ANGLE), -300.0),
        ("coma", "coma2", np.cos(ANGLE), 0.0),
        ("astigmatism", "astig2", np.cos(2 * ANGLE), -300.0),
        ("astigmatism", "astig1", np.sin(2 * ANGLE), 150.0),
    ],
)
def test_aberrations_are_galsims(harmonics, name, noll, trig, defocus_um):
    small = 0.01
    theirs = galsim_star(defocus_um, **{noll: small}) - galsim_star(defocus_um, **{noll: -small})
    profile = getattr(harmonics(defocus_um), name)
    ours = np.interp(RADIUS, np.arange(profile.size) / BINS_PER_PX, profile) * trig
    near = RADIUS < 36.0
    assert np.abs(theirs / (2 * small) - ours)[near].max() < 0.02 * np.abs(ours).max()


def test_astigmatism_does_not_show_in_focus_and_turns_through_it(harmonics):
    above, below = harmonics(200.0).astigmatism, harmonics(-200.0).astigmatism
    np.testing.assert_allclose(above, -below, atol=1e-12)
    assert np.abs(harmonics(0.0).astigmatism).max() < 1e-9 * np.abs(above).max()
    np.testing.assert_allclose(harmonics(200.0).coma, harmonics(-200.0).coma, atol=1e-12)


def test_shift_is_galsims(harmonics):
    theirs = (galsim_star(300.0, dx=0.05) - galsim_star(300.0, dx=-0.05)) / 0.1
    profile = harmonics(300.0).shift
    ours = np.interp(RADIUS, np.arange(profile.size) / BINS_PER_PX, profile) * np.cos(ANGLE)
    assert np.abs(theirs - ours)[RADIUS < 36.0].max() < 0.02 * np.abs(ours).max()


def test_smear_has_the_second_moments_of_its_variance(harmonics):
    # ∫ g(r) cos²(2θ) r² = <x² - y²>, which is the variance along less that across: 1 px² for 1 px².
    profile = harmonics(0.0).smear
    r = np.arange(profile.size) / BINS_PER_PX
    assert np.pi * np.trapezoid(profile * r**3, r) == pytest.approx(1.0, rel=0.03)
