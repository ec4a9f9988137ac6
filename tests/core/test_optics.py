"""Optics against closed forms, quadrature and published values."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j0

from focuskit.core import optics
from focuskit.core.optics import Rig


def test_half_the_light_of_an_annulus_lies_within_its_half_flux_diameter():
    for obstruction in (0.0, 0.36, 0.5):
        # even light from ε to 1 (outer radius): the radius r with (r² - ε²)/(1 - ε²) = 1/2, found numerically
        radius = brentq(lambda r, e=obstruction: (r**2 - e**2) / (1.0 - e**2) - 0.5, obstruction, 1.0)
        assert optics.donut_hfd(20.0, obstruction) == pytest.approx(20.0 * radius, rel=1e-12)
    # Without an obstruction, D/√2.
    assert optics.donut_hfd(1.0) == pytest.approx(math.sqrt(0.5))


def test_wings_rise_as_the_donut_grows_with_defocus():
    # At f/7 a defocus of 700 µm is a cone of 100 µm; four µm a step and pixels of 3.76 µm.
    slope_px_per_step = optics.donut_hfd(100.0, 0.36) / 700.0 * 4.0 / 3.76
    assert optics.wing_slope(7.0, 0.36) == pytest.approx(optics.donut_hfd(100.0, 0.36) / 700.0)
    assert optics.um_per_step(slope_px_per_step, 3.76, 7.0, 0.36) == pytest.approx(4.0)


def test_the_critical_focus_zone_is_a_quarter_wave_at_the_edge():
    # W = dz/(8 N²) at the edge of the pupil (sagitta of a sphere); a quarter of 0.6563 µm at f/5 by hand: 32.8 µm.
    zone = optics.critical_focus_zone_um(5.0, 656.3)
    assert zone == pytest.approx(32.815)
    assert zone / (8.0 * 5.0**2) == pytest.approx(0.6563 / 4.0)


def test_a_rig_knows_its_ratio_and_scale_where_it_can():
    rig = Rig(focal_length_mm=1400.0, aperture_mm=200.0, pixel_um=3.76)
    assert rig.f_ratio == 7.0
    # 206265″ a radian: 3.76 µm at 1400 mm
    assert rig.scale_arcsec_per_px == pytest.approx(math.degrees(math.atan(0.00376 / 1400.0)) * 3600.0, rel=1e-6)
    assert (Rig(focal_length_mm=1400.0).f_ratio, Rig(pixel_um=3.76).scale_arcsec_per_px) == (None, None)


def test_kolmogorovs_constants_agree_with_their_definition():
    # Fried 1966: MTF = exp(-3.44 (λf/r0)^(5/3)), 6.88/2 with 6.88 = 2 (24/5 Γ(6/5))^(5/6).
    assert pytest.approx((24.0 / 5.0 * math.gamma(1.2)) ** (5.0 / 6.0), abs=1e-3) == optics.KOLMOGOROV_MTF

    # The FWHM of its Fourier transform, in units of λ/r0, by quadrature.
    def image(angle):
        power, exponent = optics.KOLMOGOROV_MTF, optics.KOLMOGOROV_EXPONENT
        return quad(lambda f: f * np.exp(-power * f**exponent) * j0(2.0 * math.pi * f * angle), 0.0, 5.0)[0]

    half = brentq(lambda angle: image(angle) - 0.5 * image(0.0), 0.3, 0.7)
    assert pytest.approx(2.0 * half, rel=1e-4) == optics.KOLMOGOROV_FWHM


def test_nolls_spherical_aberration_has_unit_rms_and_no_piston_or_defocus():
    # Noll 1976: orthonormal over the circle, with Z1 = 1 and Z4 = √3 (2ρ² - 1).
    def mean(function):
        return quad(lambda r: 2.0 * r * function(r), 0.0, 1.0)[0]

    assert mean(lambda r: optics.noll_z11(r) ** 2) == pytest.approx(1.0)
    assert mean(optics.noll_z11) == pytest.approx(0.0, abs=1e-12)
    assert mean(lambda r: optics.noll_z11(r) * math.sqrt(3.0) * (2.0 * r**2 - 1.0)) == pytest.approx(0.0, abs=1e-12)
    assert optics.noll_z11(1.0) == pytest.approx(math.sqrt(5.0))


def test_the_usual_obstruction_changes_the_slope_by_what_its_comment_says():
    assert optics.USUAL_OBSTRUCTION == 0.3
    usual = optics.wing_slope(7.0, optics.USUAL_OBSTRUCTION)
    assert 100.0 * (optics.wing_slope(7.0, 0.5) / usual - 1.0) == pytest.approx(7.0, abs=0.2)
    assert 100.0 * (optics.wing_slope(7.0, 0.2) / usual - 1.0) == pytest.approx(-2.3, abs=0.1)


@pytest.mark.parametrize(
    ("tolerance", "decimals"), [(None, 0), (0.0, 0), (12.0, 0), (0.5, 0), (0.49, 2), (0.03, 3), (0.001, 4)]
)
def test_positions_in_millimetres_have_decimals_to_a_tenth_of_the_tolerance(tolerance, decimals):
    assert optics.decimals_of(tolerance) == decimals


def test_what_is_not_known_of_the_optics_is_a_share_of_every_defocus():
    # The wings' slope goes as √(1 + ε²) / N: an obstruction of 0.36 ± 0.02 beside a focal ratio known to 2.5 %.
    by_obstruction = math.log(math.sqrt(1.0 + 0.38**2) / math.sqrt(1.0 + 0.34**2)) / 2.0
    assert optics.scale_err(0.36) == pytest.approx(math.hypot(0.025, by_obstruction), rel=1e-3)
    assert optics.scale_err(0.0) == 0.025
    # Not given, it is taken for 0.3 ± 0.1.
    by_obstruction = math.log(math.sqrt(1.0 + 0.4**2) / math.sqrt(1.0 + 0.2**2)) / 2.0
    assert optics.scale_err(None) == pytest.approx(math.hypot(0.025, by_obstruction), rel=2e-2)
