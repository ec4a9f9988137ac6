"""The field fit's algebra and errors against brute force, closed forms and numerical integrals."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from focuskit.core.optics import wing_slope
from focuskit.field import likely_height, pool_maps
from focuskit.field.fit import _fit, _model, _solve, _stretch, _Table
from focuskit.field.map import Corner, FieldMap
from focuskit.field.report import FieldFit, Telescope, _own_blur, report, sensor_places
from focuskit.field.sizes import star_sizes
from focuskit.waves import profile_model

SHAPE = (4176, 6248)


def regress(weight, design, values, stars):
    """All terms at once: the changes, a term for every frame but the first, and one for every star."""
    count, frames, changes = design.shape
    rows, level = [], []
    for i in stars:
        for k in range(frames):
            row = np.zeros(changes + frames - 1 + count)
            row[:changes] = design[i, k]
            if k:
                row[changes + k - 1] = 1.0
            row[changes + frames - 1 + i] = 1.0
            rows.append(row * math.sqrt(weight[i, k]))
            level.append(values[i, k] * math.sqrt(weight[i, k]))
    return np.linalg.lstsq(np.array(rows), np.array(level), rcond=None)[0][:changes]


def test_changes_and_their_jackknife_are_those_of_the_whole_regression():
    rng = np.random.default_rng(51)
    count, frames = 14, 5
    design, values = rng.standard_normal((count, frames, 3)), rng.standard_normal((count, frames))
    weight = rng.uniform(0.2, 2.0, (count, frames))
    found = _solve(weight, design, values)
    np.testing.assert_allclose(found.step, regress(weight, design, values, range(count)), rtol=1e-8)
    without = np.array([regress(weight, design, values, [j for j in range(count) if j != i]) for i in range(count)])
    off = without - without.mean(axis=0)
    # Jackknife: (n - 1)/n Σ (x - mean)(x - mean)ᵀ.
    np.testing.assert_allclose(found.covariance, 13.0 / 14.0 * off.T @ off, rtol=1e-6)
    # What is left is orthogonal to every term; own terms have a median of 0.
    np.testing.assert_allclose((weight * found.left).sum(axis=1), 0.0, atol=1e-9)
    np.testing.assert_allclose((weight * found.left).sum(axis=0), 0.0, atol=1e-9)
    assert np.median(found.own) == pytest.approx(0.0, abs=1e-12)


def test_model_changes_as_its_gradient_says():
    sizes = star_sizes(7.0, 0.36, 3.76, 0.55, 22.0, 700.0)
    away, aperture, seeing = np.array([-400.0, -30.0, 250.0]), np.array([np.inf, 25.0, 60.0]), np.array([0.9, 1.0, 1.2])
    best = np.repeat([[-60.0], [3.0], [40.0]], 3, axis=1)
    _, gradient = _model(sizes, away, aperture, best, seeing)
    up, down = (_model(sizes, away, aperture, best + step, seeing)[0] for step in (0.01, -0.01))
    np.testing.assert_allclose(gradient, (up - down) / 0.02, rtol=1e-4, atol=1e-4)


def test_a_sweep_that_is_longer_than_thought_shows_in_the_seeing():
    # Squares of sizes go as least² + (wing · true distance)²; what the shorter sweep lacks goes into the seeing.
    away, wing, stretch = np.linspace(-400.0, 400.0, 9), wing_slope(7.0, 0.36), 1.05
    left = 400.0 + wing**2 * (stretch**2 - 1.0) * away**2
    found, err = _stretch(away, left + 3.0 * away / 400.0, wing)
    assert found == pytest.approx(stretch, rel=1e-9)
    assert err == pytest.approx(0.0, abs=1e-9)
    rng = np.random.default_rng(52)
    drawn = [_stretch(away, left + 20.0 * rng.standard_normal(9), wing) for _ in range(400)]
    scatter = np.std([one for one, _ in drawn])
    # A parabola through nine values leaves six degrees of freedom, of which Student's law takes two.
    assert np.sqrt(np.mean([error**2 for _, error in drawn])) == pytest.approx(scatter * math.sqrt(6.0 / 4.0), rel=0.1)


def test_errors_of_a_map_are_those_of_stars_model_and_students_law():
    rng = np.random.default_rng(53)
    x, y = rng.uniform(0, 6247, 24), rng.uniform(0, 4175, 24)
    places = sensor_places(x, y, SHAPE)
    sizes = star_sizes(7.0, 0.36, 3.76, 0.55, 22.0, 700.0)
    changes, covariance = np.array([60.0, -20.0, 10.0]), np.diag([4.0, 9.0, 25.0])
    fit = FieldFit(changes, covariance, sizes, 22.0, np.zeros(24), places, np.median(places, axis=0), 1.0, 0.02)
    telescope = Telescope(7.0, 0.36, 3.76, 0.55, 4.0, False, 0.0)
    found = report(fit, telescope, SHAPE, 9000.0, 0.5)
    length = math.sqrt(60.0**2 + 20.0**2 + 10.0**2)
    spread = 20.0 / 18.0  # 24 stars less tilt, curvature and the middle; Student's variance is ν/(ν - 2)
    for value, err, variance in (
        (60.0, found.tilt_x_um_err, 4.0),
        (-20.0, found.tilt_y_um_err, 9.0),
        (10.0, found.curvature_um_err, 25.0),
    ):
        model = (0.04 * value) ** 2 + (0.005 * length) ** 2 + 0.2**2
        assert err == pytest.approx(math.sqrt((variance + model) * spread), rel=1e-9)
    curvature = 25.0 + (0.04 * 10.0) ** 2 + (0.005 * length) ** 2 + 0.2**2
    # One value: the chance of Student's law, both sides counted.
    chance = 2.0 * stats.t.sf(10.0 / math.sqrt(curvature), 20)
    assert found.curvature_sigma == pytest.approx(stats.norm.isf(0.5 * chance), rel=1e-6)
    # Two values: the chance of F is (1 + 2 x / ν)^(-ν/2), in closed form.
    wald = sum(
        value**2 / (variance + (0.04 * value) ** 2 + (0.005 * length) ** 2 + 0.2**2)
        for value, variance in ((60.0, 4.0), (20.0, 9.0))
    )
    assert found.tilt_sigma == pytest.approx(stats.norm.isf(0.5 * (1.0 + wald / 20.0) ** -10.0), rel=1e-6)
    unsure = report(fit, replace(telescope, from_curve=True), SHAPE, 9000.0, 0.5)
    more = unsure.tilt_x_um_err**2 - found.tilt_x_um_err**2
    assert more == pytest.approx((0.02 * 60.0) ** 2 * spread, rel=1e-6)
    # Lengths along the axis go with the optics' scale.
    unsure = report(fit, replace(telescope, scale_err=0.03), SHAPE, 9000.0, 0.5)
    assert unsure.tilt_y_um_err**2 - found.tilt_y_um_err**2 == pytest.approx((0.03 * 20.0) ** 2 * spread, rel=1e-6)
    # The typical star's best position is given; the middle of the sensor lies off it by the changes at its place.
    away = float(np.median(places, axis=0) @ changes)
    assert found.best_position_middle == pytest.approx(9000.0 - away / 4.0)
    top_left = found.corners[0]
    assert top_left.best_position - found.best_position_middle == pytest.approx((-30.0 + 10.0 + 10.0) / 4.0)
    assert len(repr(found)) < 1200
    assert found == replace(found) and found != unsure


def map_of(tilt, err, middle=5.0, **changes):
    corner = Corner("top left", 1.2 * middle, 1.1 * middle, 0.02 * middle, 9000.0)
    numbers = {"tilt_sigma": 0.0, "curvature_sigma": 0.0, "tilt_growth": 1.0, "curvature_growth": 1.0} | changes
    return FieldMap(
        tilt, err, 0.0, 2.0, 5.0, 1.0, **numbers, best_position_whole_field=9000.0, best_position_middle=9000.0,
        hfd_middle_px=middle, corners=(corner,), width_mm=23.5, height_mm=15.7, stars=40,
    )  # fmt: skip


def test_maps_are_pooled_by_their_errors():
    pooled = pool_maps([map_of(10.0, 1.0), map_of(12.0, 2.0, middle=4.0)])
    assert pooled.tilt_x_um == pytest.approx((10.0 + 12.0 / 4.0) / 1.25)
    assert pooled.tilt_x_um_err == pytest.approx(1.0 / math.sqrt(1.25))  # 2² / (1 + 4) < 1: no widening
    assert pooled.tilt_y_um_err == pytest.approx(2.0 / math.sqrt(2.0))
    # Two components of the normal law: the chance is exp(-χ²/2).
    chi2 = (pooled.tilt_x_um / pooled.tilt_x_um_err) ** 2
    assert pooled.tilt_sigma == pytest.approx(stats.norm.isf(0.5 * math.exp(-0.5 * chi2)), rel=1e-6)
    assert pooled.curvature_sigma == pytest.approx(5.0 * math.sqrt(2.0), rel=1e-9)
    assert (pooled.corners[0].hfd_px, pooled.corners[0].hfd_own_best_px) == pytest.approx((4.8, 4.4))
    assert pooled.corners[0].hfd_own_best_px_err == pytest.approx(0.02 * 4.0 / math.sqrt(2.0))
    apart = pool_maps([map_of(10.0, 1.0), map_of(20.0, 1.0)])
    assert apart.tilt_x_um_err == pytest.approx(math.sqrt(50.0) / math.sqrt(2.0))  # χ² = 50 for one difference


def test_a_pooled_tilt_counts_both_directions():
    along = replace(map_of(6.0, 2.0), tilt_y_um=5.0)
    pooled = pool_maps([along, along])
    chi2 = 2.0 * ((6.0 / 2.0) ** 2 + (5.0 / 2.0) ** 2)
    assert pooled.tilt_sigma == pytest.approx(stats.norm.isf(0.5 * math.exp(-0.5 * chi2)), rel=1e-6)


def test_colours_of_a_field_do_not_show_its_noise():
    def reach(field):
        return replace(field, corners=field.corners * 4).picture("Heron").panels[0].layers[0].most

    # Three errors of a tilt or curvature fill the colours; a larger tilt fills them itself.
    assert reach(map_of(1.0, 7.0)) == pytest.approx(21.0)
    assert reach(replace(map_of(0.0, 1.0), curvature_um=0.0, curvature_um_err=9.0)) == pytest.approx(27.0)
    assert reach(map_of(300.0, 2.0)) == pytest.approx(150.0, rel=0.03)


def test_blur_of_the_stars_own_has_the_error_of_its_scatter():
    rng = np.random.default_rng(54)
    truth, pulls = np.array([30.0, -12.0, 20.0]), []
    for _ in range(150):
        places = sensor_places(rng.uniform(0, 6247, 60), rng.uniform(0, 4175, 60), SHAPE)
        typical = np.median(places, axis=0)
        own = (places - typical) @ truth + 4.0 * rng.standard_normal(60)
        own[:4] += 300.0  # close pairs of stars
        fit = FieldFit(truth, np.eye(3), None, 22.0, own, places, typical, 1.0, 0.02)
        found, covariance = _own_blur(fit)
        pulls.append((found - truth) / np.sqrt(np.diag(covariance)))
    # 450 pulls: five other seeds had a spread of 0.90 to 1.03.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(0.98, abs=0.1)
    assert np.abs(np.mean(pulls, axis=0)).max() < 0.3


@pytest.mark.parametrize(("value", "err"), [(30.0, 10.0), (-8.0, 3.0), (60.0, 25.0)])
def test_likely_height_is_that_of_the_laws_of_telescopes(value, err):
    """By integration over the height. Half of all telescopes are flat to 1 µm, one in ten is drawn from 100 µm."""
    height = np.linspace(-700.0, 700.0, 140001)
    laws = {1.0: 0.5, 3.0: 0.15, 10.0: 0.15, 30.0: 0.1, 100.0: 0.1}
    prior = sum(share * stats.norm.pdf(height, 0.0, width) for width, share in laws.items())
    like = stats.norm.pdf(value, height, err) * prior
    total = like.sum()
    mean = (like @ height) / total
    square = (like @ height**2) / total
    assert likely_height(value, err) == pytest.approx((mean, math.sqrt(square - mean**2)), rel=1e-6)


def test_an_error_of_no_tilt_is_the_larger_one():
    still = replace(map_of(0.0, 1.0), tilt_y_um_err=3.0)
    assert still.tilt_um_err == 3.0
    assert still.tilt_limit_um == 6.0
    # To first order of the root of both squares elsewhere.
    moved = replace(still, tilt_x_um=30.0, tilt_y_um=40.0)
    assert moved.tilt_um_err == pytest.approx(math.hypot(0.6 * 1.0, 0.8 * 3.0))


# Sizes and the whole fit ---------------------------------------------------------------------


@pytest.mark.parametrize(("typical", "aperture", "scale"), [(0.0, 14.0, 1.0), (150.0, 45.0, 1.2), (30.0, 30.0, 0.9)])
def test_a_size_in_an_aperture_is_that_of_the_light_in_it(typical, aperture, scale):
    sizes = star_sizes(7.0, 0.36, 3.76, 0.55, 22.0, 300.0)
    wide = 2.0 * 4.0 * float(np.sqrt(sizes.squares(300.0))) / 3.76
    model = profile_model(7.0, 0.36, 3.76, 0.55, wide)
    width = brentq(lambda w: model.hfd_um(0.0, w) ** 2 - float(sizes.squares(0.0)), 5.0, 40.0)

    def light(radius, dz):
        return float(model.encircled_energy(np.array([radius]), dz, width)[0])

    # The total is the light in the aperture over the part of it that the typical star has there.
    whole = light(aperture / scale, typical / scale)
    for dz in (0.0, 60.0, 220.0):
        half = 0.5 * light(aperture / scale, dz) / whole
        expected = 2.0 * brentq(lambda r, dz=dz, half=half: light(r, dz) - half, 0.5, 120.0)
        assert math.sqrt(sizes.measured(typical, aperture, scale)(dz)) == pytest.approx(expected, rel=0.004)
    assert sizes.measured(typical, math.inf, scale)(60.0) == sizes.squares(60.0)


def test_sizes_are_those_of_the_seeing_that_was_seen():
    for least in (9.0, 22.0, 55.0):
        sizes = star_sizes(7.0, 0.36, 3.76, 0.55, least, 300.0)
        assert 0.5 * math.log(float(sizes.squares(0.0)) / least**2) == pytest.approx(0.0, abs=0.05)
        assert sizes.defocus_um[-1] >= 300.0


TELESCOPE = Telescope(7.0, 0.36, 3.76, 0.55, 4.0, False, 0.0)
TRUE_CHANGES = np.array([80.0, -40.0, 50.0])


def table_of(rng, stars=40, err=0.02, scatter=0.0, seeing=None):
    """Sizes of stars in nine frames of known seeing, with the errors that are quoted and more."""
    x, y = rng.uniform(0, 6247, stars), rng.uniform(0, 4175, stars)
    places = sensor_places(x, y, SHAPE)
    typical, steps = np.median(places, axis=0), np.linspace(-100.0, 100.0, 9)
    sizes = star_sizes(7.0, 0.36, 3.76, 0.55, 22.0, 1.15 * 400.0 + 75.0)
    seeing = rng.normal(1.0, 0.1, 9) if seeing is None else seeing
    aperture = np.full(9, np.inf)
    tracks = np.repeat(places[:, None], 9, axis=1)  # the sky stands still
    square, _ = _model(sizes, steps * 4.0, aperture, (tracks - typical) @ TRUE_CHANGES, seeing)
    square = square * (1.0 + scatter * rng.standard_normal(square.shape))
    hfd = np.sqrt(square)
    noise = err * np.abs(hfd) * (1.0 if err else 0.0)
    return _Table(
        steps, hfd + noise * rng.standard_normal(hfd.shape), np.maximum(noise, 1e-6), aperture, tracks, typical
    )


def test_changes_are_found_in_seeing_that_varies():
    rng = np.random.default_rng(61)
    seeing = np.array([1.0, 0.72, 1.4, 1.0, 1.1, 0.9, 1.55, 0.8, 1.0])
    found = _fit(table_of(rng, err=0.0, seeing=seeing), TELESCOPE)
    np.testing.assert_allclose(found.changes, TRUE_CHANGES, atol=1.5)
    # A third of one frame's and of some stars' sizes far off: they are set aside.
    table = table_of(rng, err=0.005)
    table.hfd[rng.random(table.hfd.shape) < 0.15] *= 1.5
    np.testing.assert_allclose(_fit(table, TELESCOPE).changes, TRUE_CHANGES, atol=4.0)


@pytest.mark.parametrize(("err", "scatter"), [(0.02, 0.0), (0.005, 0.08)])
def test_errors_of_changes_are_their_scatter(err, scatter):
    rng = np.random.default_rng(62)
    pulls, off, quoted = [], [], []
    for _ in range(40):
        found = _fit(table_of(rng, err=err, scatter=scatter), TELESCOPE)
        off.append(found.changes - TRUE_CHANGES)
        quoted.append(np.sqrt(np.diag(found.covariance)))
        pulls.append(off[-1] / quoted[-1])
    # Three values of each of 40 fields: the spread of 120 pulls is known to 7 %.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.25)
    assert np.all(np.abs(np.mean(off, axis=0)) < 4.0 * np.mean(quoted, axis=0) / math.sqrt(40))
    # As good as least squares with the true weights, to 10 %: the noise and the scatter are weighed as they are.
    table = table_of(rng, err=0.0)
    assert np.mean(quoted) < 1.15 * _best_err(table, err, scatter)


def _best_err(table, err, scatter):
    """Mean error of the changes by least squares with known variances and seeing, a term for every frame and star."""
    sizes = star_sizes(7.0, 0.36, 3.76, 0.55, 22.0, 1.15 * 400.0 + 75.0)
    best = (table.places - table.typical) @ TRUE_CHANGES
    square, gradient = _model(sizes, table.steps * 4.0, table.aperture, best, np.ones(9))
    root = 1.0 / (square * math.hypot(2.0 * err, scatter))
    stars, frames = square.shape
    rows = []
    for i in range(stars):
        for k in range(frames):
            row = np.zeros(3 + frames + stars)
            row[:3] = gradient[i, k] * table.places[i, k]
            row[3 + k] = row[3 + frames + i] = 1.0
            rows.append(row * root[i, k])
    covariance = np.linalg.pinv(np.array(rows).T @ np.array(rows))
    return float(np.mean(np.sqrt(np.diag(covariance)[:3])))
