"""Coma, astigmatism and smear: formulas against rays, pooling and errors against closed forms and dense matrices."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from focuskit.waves import Aberrations, pool_aberrations
from focuskit.waves.aberration_fit import _fit_one, _frame_smear, _likelihood, _without_frame_smear, _zone_scatter
from focuskit.waves.aberrations import _digits, make_amount

NOTHING = make_amount(0.0, 0.0, 0.001, 14)
FOUND = Aberrations(
    NOTHING, NOTHING, NOTHING, frames=8, zones=9, f_ratio=7.0, obstruction=0.36, pixel_um=3.76, wavelength_um=0.55,
    hfd_px=5.0, elongation_per_px2=0.03,
)  # fmt: skip


def spread_px2(wave):
    """Variance along one axis, the mean of both, of the rays of a wavefront W(x, y) in waves, x² + y² < 1."""
    radius = np.sqrt(0.36**2 + (1.0 - 0.36**2) * (np.arange(400) + 0.5) / 400)  # even in area
    angle = 2.0 * np.pi * (np.arange(400) + 0.5) / 400
    x, y = np.outer(radius, np.cos(angle)), np.outer(radius, np.sin(angle))
    step = 1e-5
    slopes = (wave(x + step, y) - wave(x - step, y)) / (2 * step), (wave(x, y + step) - wave(x, y - step)) / (2 * step)
    # A ray of W = w ρ² meets the focal plane 2 λN dW/dρ off the axis: the ring of the edge has the radius 4 w λN.
    unit_px = 2.0 * 0.55 * 7.0 / 3.76
    return 0.5 * sum(np.var(unit_px * slope) for slope in slopes)


def growth(variance_px2):
    """Of the half-flux diameter of a Gaussian, 2.3548 σ, by a variance along either axis."""
    return math.sqrt(1.0 + 2.0 * math.sqrt(2.0 * math.log(2.0)) ** 2 * 2.0 * variance_px2 / 5.0**2)


def test_growth_is_that_of_the_rays():
    coma = replace(FOUND, coma=make_amount(0.06, -0.08, 0.001, 14))
    rays = spread_px2(lambda x, y: 0.1 * math.sqrt(8.0) * (3.0 * (x**2 + y**2) - 2.0) * x)
    assert coma.coma_growth == pytest.approx(growth(rays), rel=1e-4)
    astigmatic = replace(FOUND, astigmatism=make_amount(0.0, 0.1, 0.001, 14))
    assert astigmatic.astigmatism_growth == pytest.approx(
        growth(spread_px2(lambda x, y: 0.1 * math.sqrt(6.0) * 2.0 * x * y)), rel=1e-4
    )
    # All of the variance along one axis, none across: half of it on the mean.
    assert replace(FOUND, smear=make_amount(0.0, 2.0, 0.1, 14)).smear_growth == pytest.approx(growth(1.0), rel=1e-6)
    assert replace(FOUND, obstruction=0.0, coma=coma.coma).hole_px == 0.0


def test_significance_is_fishers():
    # For two components and m degrees of freedom the chance is (1 + r²/m)^(-m/2), in closed form.
    for freedom in (8, 14, 100):
        chance = (1.0 + 5.0**2 / freedom) ** (-freedom / 2.0)
        assert make_amount(3e-3, -4e-3, 1e-3, freedom).sigma == pytest.approx(stats.norm.isf(0.5 * chance), rel=1e-9)
    # A chance that no number can hold is one of 1e-300.
    assert make_amount(1e6, 0.0, 1e-3, 1000).sigma == pytest.approx(stats.norm.isf(0.5e-300), abs=0.1)
    assert make_amount(3.0, 4.0, 2.0, 14).limit == 9.0


def test_pooling_weighs_by_errors_and_widens_by_differences():
    def run(cosine, sine, err, **changes):
        return replace(FOUND, coma=make_amount(cosine, sine, err, 10), **changes)

    mean = pool_aberrations([run(0.010, 0.0, 0.001), run(0.013, 0.0, 0.002)]).coma
    assert mean.cosine == pytest.approx((0.010 + 0.013 / 4.0) / 1.25)
    # Half of χ² = 0.003² / (0.001² + 0.002²) = 1.8 goes to the two components: no widening.
    assert mean.err == pytest.approx(0.001 / math.sqrt(1.25))
    assert mean.freedom == 20
    apart = pool_aberrations([run(0.01, 0.0, 0.001), run(0.01, 0.02, 0.001)]).coma
    # Two components, one difference each: χ² = 0.02² / (2 · 0.001²) = 200 over 2 degrees of freedom.
    assert apart.err == pytest.approx(0.001 / math.sqrt(2.0) * math.sqrt(100.0))
    # What all runs share does not shrink with their number.
    assert pool_aberrations([run(0.01, 0.0, 0.001)] * 16).coma.err == pytest.approx(0.0005)
    assert pool_aberrations([run(0.01, 0.0, 0.001), run(0.01, 0.0, 0.001, hfd_px=7.0)]).hfd_px == 6.0


# The fit -----------------------------------------------------------------------------------------


def test_zones_scatter_by_what_their_values_do_beside_noise():
    values = np.random.default_rng(41).standard_normal((9, 2)) * 3.0
    # With equal weights the estimate is the sample variance less that of the noise.
    assert _zone_scatter(np.full(9, 4.0), 4.0 * values) == pytest.approx(values.var(axis=0, ddof=1).mean() - 0.25)
    assert _zone_scatter(np.full(9, 0.01), 0.01 * values) == 0.0
    assert _zone_scatter(np.array([4.0, 4.0] + [0.0] * 7), 4.0 * values) == 0.0  # two zones tell nothing


def test_error_of_coma_is_that_of_the_mean_of_its_frames():
    values = np.random.default_rng(42).standard_normal((8, 1, 2))
    found = _fit_one(np.full((8, 1, 2), 50.0), 50.0 * values)
    np.testing.assert_allclose(found.value, values.mean(axis=(0, 1)))
    assert found.variance == pytest.approx(values.var(axis=0, ddof=1).mean() / 8.0)
    # Where frames scatter by less than their noise, the noise counts: 8 frames of variance 0.02.
    assert _fit_one(np.full((8, 1, 2), 50.0), 5.0 * values / 100.0).variance == pytest.approx(0.02 / 8.0)


@pytest.fixture(scope="module")
def frames():
    """Equations of ten frames for one component of astigmatism and smear, and their values and covariances."""
    rng = np.random.default_rng(43)
    root = rng.standard_normal((10, 1, 2, 3))
    matrix = root @ root.transpose(0, 1, 3, 2)
    values = rng.standard_normal((10, 1, 2)) + np.array([0.3, -0.2])
    return matrix, np.einsum("fckl,fcl->fck", matrix, values), values[:, 0], np.linalg.inv(matrix[:, 0])


def test_smear_of_frames_is_drawn_from_a_law_as_dense_matrices_have_it(frames):
    matrix, right, values, noise = frames

    def dense(width):
        weight = np.linalg.inv(noise + width**2 * np.diag([0.0, 1.0]))
        whole = weight.sum(axis=0)
        mean = np.linalg.solve(whole, np.einsum("fkl,fl->k", weight, values))
        rest = values - mean
        # Restricted likelihood: -½ (Σ ln|V| + ln|Σ V⁻¹| + Σ r V⁻¹ r).
        chi2 = np.einsum("fk,fkl,fl->", rest, weight, rest)
        log = -0.5 * (-np.linalg.slogdet(weight)[1].sum() + np.linalg.slogdet(whole)[1] + chi2)
        own = width**2 * np.einsum("fl,fl->f", weight[:, 1], rest)
        return log, mean, whole, own

    logs = np.array([(_likelihood(matrix, right, width), dense(width)[0]) for width in (0.0, 0.3, 1.0, 4.0)])
    np.testing.assert_allclose(logs[1:, 0] - logs[0, 0], logs[1:, 1] - logs[0, 1], rtol=1e-9)
    normal, level = _without_frame_smear(matrix, right, 0.7)
    _, mean, whole, own = dense(0.7)
    np.testing.assert_allclose(normal.sum(axis=0)[0], whole, rtol=1e-9)
    np.testing.assert_allclose(np.linalg.solve(normal.sum(axis=0)[0], level.sum(axis=0)[0]), mean, rtol=1e-9)
    np.testing.assert_allclose(_frame_smear(matrix, right, 0.7, mean[None])[:, 0], own, rtol=1e-9)


def test_limits_are_written_to_two_digits():
    assert [_digits(value) for value in (0.0345, 0.5, 2.26, 12.3, 0.0)] == ["0.035", "0.50", "2.3", "12", "0"]
