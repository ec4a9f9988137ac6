"""The profile model against GalSim's wave optics and against the Airy pattern."""

import galsim
import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import j0, j1, jv

from focuskit.core.errors import FocuskitError
from focuskit.waves import profile_model
from focuskit.waves.harmonics import _j2
from focuskit.waves.model import BINS_PER_PX, ProfileModel, fwhm_factor

F_RATIO, OBSTRUCTION, PIXEL_UM, WAVELENGTH_UM = 7.0, 0.36, 3.76, 0.55


@pytest.fixture(scope="module")
def model() -> ProfileModel:
    return profile_model(F_RATIO, OBSTRUCTION, PIXEL_UM, WAVELENGTH_UM, 45.0)


def galsim_star(defocus_um: float, seeing_um: float, spherical_waves: float) -> galsim.GSObject:
    waves = defocus_um / (8.0 * F_RATIO**2 * WAVELENGTH_UM)
    optics = galsim.OpticalPSF(
        lam_over_diam=WAVELENGTH_UM * F_RATIO, defocus=waves / (2.0 * np.sqrt(3.0)), spher=spherical_waves,
        obscuration=OBSTRUCTION, oversampling=2.0, pad_factor=3.0, suppress_warning=True,
    )  # fmt: skip
    return galsim.Convolve(optics, galsim.Kolmogorov(fwhm=seeing_um), galsim.Pixel(PIXEL_UM))


@pytest.mark.parametrize(
    ("defocus_um", "seeing_um", "spherical_waves"),
    [(0.0, 17.6, 0.0), (150.0, 13.6, 0.0), (-430.0, 17.6, 0.03), (430.0, 17.6, 0.03), (200.0, 27.0, -0.05)],
)
def test_profile_and_encircled_energy_are_galsims(model, defocus_um, seeing_um, spherical_waves):
    size = 161
    image = galsim.Image(size, size, scale=PIXEL_UM)
    galsim_star(defocus_um, seeing_um, spherical_waves).drawImage(image, method="no_pixel")
    y, x = np.mgrid[:size, :size] - size // 2
    radius = np.hypot(x, y)
    near = radius < 40.0
    profile = model.profile(defocus_um, seeing_um, spherical_waves)
    ours = CubicSpline(np.arange(profile.size) / BINS_PER_PX, profile)(radius)
    # GalSim folds its transforms at 0.5 % of the light, hence the tolerance.
    assert np.abs(image.array - ours)[near].max() < 1e-3 * profile.max()
    for limit in (4.0, 8.0, 16.0, 32.0):
        assert image.array[radius < limit].sum() == pytest.approx(ours[radius < limit].sum(), abs=5e-3)


def test_airy_pattern_without_seeing():
    # Born & Wolf, Principles of Optics, 8.5: first dark ring at 1.22 λN holds 83.8 % of the light.
    # A pixel far smaller than the pattern leaves it as it is.
    clear = ProfileModel(7.0, 0.0, 0.2, 0.55, 64.0)
    dark_ring = 1.2197 * 0.55 * 7.0
    energy = clear.encircled_energy(dark_ring, 0.0, 1e-3)[0]
    x = np.pi * 1.2197
    assert energy == pytest.approx(1.0 - j0(x) ** 2 - j1(x) ** 2, abs=1e-3)
    assert energy == pytest.approx(0.838, abs=1e-3)


def test_derivatives_are_those_of_the_profile(model):
    waves, spherical, step = np.array([-1.3, 0.0, 0.4, 2.1]), 0.04, 1e-5
    optics = model.optics(waves, spherical)
    by_wave = (model.optics(waves + step, spherical).otf - model.optics(waves - step, spherical).otf) / (2 * step)
    np.testing.assert_allclose(optics.per_wave, by_wave, atol=1e-7)
    up, down = model.optics(waves, spherical + step).otf, model.optics(waves, spherical - step).otf
    np.testing.assert_allclose(optics.per_spherical, (up - down) / (2 * step), atol=1e-6)
    _, by_width, by_exponent = model.seeing(17.6, 1.6)
    wider, narrower = model.seeing(17.6 * np.exp(step), 1.6)[0], model.seeing(17.6 * np.exp(-step), 1.6)[0]
    np.testing.assert_allclose(by_width, (wider - narrower) / (2 * step), atol=1e-8)
    more, less = model.seeing(17.6, 1.6 + step)[0], model.seeing(17.6, 1.6 - step)[0]
    np.testing.assert_allclose(by_exponent, (more - less) / (2 * step), atol=1e-8)


def test_mirrored_aberrations_give_the_same_star(model):
    np.testing.assert_allclose(model.profile(250.0, 17.6, 0.05), model.profile(-250.0, 17.6, -0.05), atol=1e-12)
    assert np.abs(model.profile(250.0, 17.6, 0.05) - model.profile(-250.0, 17.6, 0.05)).max() > 1e-4


def test_spherical_moves_the_least_hfd(model):
    assert model.least_hfd_waves(17.6, 0.0) == pytest.approx(0.0, abs=1e-4)
    fine = np.linspace(-0.4, 0.4, 81)
    sizes = [model.hfd_um(w, 17.6, 0.03) for w in fine]
    vertex = fine[int(np.argmin(sizes))]
    assert model.least_hfd_waves(17.6, 0.03) == pytest.approx(vertex, abs=0.011)


def test_width_of_the_seeing(model):
    assert fwhm_factor(5.0 / 3.0) == pytest.approx(1.0, abs=1e-4)
    # exp(-(cf)²) is the transform of a Gaussian of FWHM 2 c √(ln 2)/π; c = 3.442^0.6/0.97586.
    assert fwhm_factor(2.0) == pytest.approx(2.0 * np.sqrt(np.log(2.0)) / np.pi * 3.442**0.6 / 0.9758634, rel=1e-4)


def test_models_are_kept_and_bad_values_refused(model):
    assert profile_model(F_RATIO, OBSTRUCTION, PIXEL_UM, WAVELENGTH_UM, 44.0) is model
    with pytest.raises(FocuskitError, match="f_ratio = 0"):
        profile_model(0.0, 0.3, 3.76, 0.55, 20.0)
    with pytest.raises(FocuskitError, match="obstruction = 1"):
        profile_model(7.0, 1.0, 3.76, 0.55, 20.0)


def test_sizes_without_diffraction_are_those_of_the_annulus_in_seeing():
    # HFD of an annulus of outer diameter D in Kolmogorov seeing of FWHM 1, by convolution in two dimensions. What
    # diffraction adds goes with the wavelength, so two of them lead to none; pixels of 2 µm add 0.2 %.
    long, short = (ProfileModel(7.0, 0.33, 2.0, wavelength, 20.0) for wavelength in (0.2, 0.1))
    for diameter, hfd in ((0.0, 1.13707), (1.0, 1.332), (2.0, 1.82086)):
        defocus_um = diameter * 17.6 * 7.0  # D = dz / N
        sizes = [model.hfd_um(defocus_um / model.um_per_wave, 17.6) / 17.6 for model in (long, short)]
        assert 2.0 * sizes[1] - sizes[0] == pytest.approx(hfd, rel=2.5e-3)
        assert sizes[1] > hfd


@pytest.mark.parametrize(("obstruction", "radius"), [(0.0, 0.534832), (0.3, 0.595220), (0.4, 0.670730)])
def test_half_of_the_light_of_an_airy_pattern(obstruction, radius):
    # Of I = [2J1(x)/x - ε² 2J1(εx)/(εx)]²/(1 - ε²)² (Schroeder, Astronomical Optics), in λN, by quadrature.
    sharp = ProfileModel(7.0, obstruction, 0.2, 0.55, 64.0)
    assert sharp.encircled_energy(radius * 0.55 * 7.0, 0.0, 1e-3)[0] == pytest.approx(0.5, abs=1e-3)


def test_bessel_function_of_the_second_order_is_scipys():
    x = np.concatenate([[0.0, 1e-5, 9e-4, 1.1e-3], np.linspace(0.01, 200.0, 400)])
    np.testing.assert_allclose(_j2(x), jv(2, x), atol=1e-9)
