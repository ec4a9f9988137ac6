"""What several runs show together, against the same laws worked out another way (normal laws as matrices)."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from focuskit.core.calibration import Seeing, Spherical, pool_spherical
from focuskit.core.optics import ARCSEC_PER_RADIAN
from focuskit.stars import StarMatch
from focuskit.waves import stack_tasks, star_weights
from focuskit.waves.fit import SPHERICAL_PRIOR
from focuskit.waves.shared import _RUN_WIDTHS, _in_typical_seeing, _spherical_of, pool_seeing


def logged(path_um, err_um, wavelength_um):
    """Return what a run logs whose data alone say so: with the wide prior of its own wavelength in it."""
    prior = SPHERICAL_PRIOR[1] * wavelength_um
    precision = 1.0 / err_um**2 + 1.0 / prior**2
    return Spherical(path_um / err_um**2 / precision, precision**-0.5, wavelength_um)


def test_spherical_terms_are_pooled_as_normal_laws_with_one_prior():
    runs = [(0.020, 0.004, 0.55), (0.026, 0.012, 0.656), (0.022, 0.006, 0.5)]
    at = 0.5
    precision = sum(1.0 / err**2 for _, err, _ in runs) + 1.0 / (SPHERICAL_PRIOR[1] * at) ** 2
    mean = sum(path / err**2 for path, err, _ in runs) / precision
    value, err = pool_spherical([logged(*run) for run in runs], at)
    assert value * at == pytest.approx(mean, rel=1e-9)
    assert err * at == pytest.approx(precision**-0.5, rel=1e-9)
    assert pool_spherical([], at) == pytest.approx(SPHERICAL_PRIOR)


def test_spherical_terms_that_disagree_widen_the_error_by_their_reduced_chi2():
    runs = [(0.010, 0.001, 0.55), (0.016, 0.002, 0.55), (0.030, 0.004, 0.55)]
    path, err = np.array(runs)[:, :2].T
    mean = np.average(path, weights=err**-2)
    own = np.sum(err**-2) / (np.sum(((path - mean) / err) ** 2) / 2.0)
    total = own + 1.0 / (SPHERICAL_PRIOR[1] * 0.55) ** 2
    value, found = pool_spherical([logged(*run) for run in runs], 0.55)
    assert value * 0.55 == pytest.approx(mean * own / total, rel=1e-9)
    assert found * 0.55 == pytest.approx(total**-0.5, rel=1e-9)


def worked_out(value, variance):
    """Return mean and variance of each run's seeing: one normal law per width, its common mean unknown."""
    n, weights, means, variances = value.size, [], [], []
    for width in _RUN_WIDTHS:
        # Own values and their common mean together: precision matrix of the joint normal law.
        precision = np.diag([*(1.0 / variance + width**-2), n * width**-2])
        precision[-1, :-1] = precision[:-1, -1] = -(width**-2)
        covariance = np.linalg.inv(precision)
        means.append((covariance @ [*(value / variance), 0.0])[:-1])
        variances.append(np.diag(covariance)[:-1])
        # A common mean of which nothing is known: a very wide law.
        spread = np.diag(variance + width**2) + 1e4
        weights.append(multivariate_normal(np.zeros(n), spread).logpdf(value))
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    mean = share @ np.array(means)
    return mean, share @ (np.array(variances) + (np.array(means) - mean) ** 2)


@pytest.mark.parametrize(
    "value, err",
    [
        ([0.9, 1.0, 1.3], [0.02, 0.10, 0.05]),
        ([0.90, 0.91, 0.89, 0.9], [0.03, 0.01, 0.02, 0.3]),
        ([0.5, 1.4], [0.01, 0.4]),
    ],
)
def test_seeing_of_runs_is_pooled_as_draws_from_one_law(value, err):
    value, variance = np.array(value), np.array(err) ** 2
    found = pool_seeing([Seeing(v, w) for v, w in zip(value, variance, strict=True)])
    mean, spread = worked_out(value, variance)
    assert [one.log_arcsec for one in found] == pytest.approx(mean, abs=1e-5)
    assert [one.variance for one in found] == pytest.approx(spread, rel=1e-3)


def test_a_sure_run_keeps_its_seeing_and_an_unsure_one_takes_that_of_the_others():
    sure, unsure, other = pool_seeing([Seeing(0.9, 1e-6), Seeing(1.3, 0.25), Seeing(0.92, 1e-6)])
    assert sure.log_arcsec == pytest.approx(0.9, abs=1e-3) and other.log_arcsec == pytest.approx(0.92, abs=1e-3)
    assert abs(unsure.log_arcsec - 0.91) < 0.05 and unsure.variance < 0.05


class Fit(SimpleNamespace):
    """Enough of a profile fit to see what it is told of the seeing."""

    def in_seeing(self, log_seeing, err):
        return log_seeing, err


def run_at(wavelength_um):
    return SimpleNamespace(rig=SimpleNamespace(focal_length_mm=1400.0), wavelength_um=wavelength_um)


def test_seeing_is_compared_at_one_wavelength():
    """Kolmogorov turbulence: FWHM goes with the wavelength to the power of -1/5."""
    arcsec = {0.5: 2.0, 0.656: 2.0 * (0.656 / 0.5) ** -0.2}
    fits = [
        Fit(log_seeing=math.log(size * 1.4e6 / ARCSEC_PER_RADIAN), log_seeing_err=0.02 + 0.01 * k)
        for k, size in enumerate(arcsec.values())
    ]
    out = _in_typical_seeing(fits, [run_at(w) for w in arcsec], ())
    for fit, (log_seeing, err) in zip(fits, out, strict=True):
        assert log_seeing == pytest.approx(fit.log_seeing, abs=1e-9)
        assert err < fit.log_seeing_err  # two runs that agree know more than one
    alone = _in_typical_seeing(fits[:1], [run_at(0.5)], ())
    assert alone == fits[:1]
    # A logged run says the same as a run of this night.
    helped = _in_typical_seeing(fits[:1], [run_at(0.5)], [Seeing.seen_at(0.656, math.log(arcsec[0.656]), 0.03**2)])
    assert helped[0] == pytest.approx(out[0], rel=1e-9)


def frame(hfd_px=4.0, noise=5.0, gain=2.0):
    info = SimpleNamespace(gain=gain)
    return SimpleNamespace(info=info, hfd_px=hfd_px, image=SimpleNamespace(noise_adu=noise))


def match(brightness, seen=None):
    light = np.array(brightness, float)
    sizes = np.ones((3, light.size)) if seen is None else np.where(seen, 1.0, np.nan)
    return SimpleNamespace(sound=light > 0, brightness=light, hfd_px=sizes)


def test_stars_weigh_as_the_square_of_their_signal_over_noise():
    light = np.array([9000.0, 3000.0, 4000.0, 0.0])
    # Noise of the sky in the circle of half the light, and of the star's own electrons: ADU², two electrons each.
    expected = light**2 / (math.pi * 2.0**2 * 5.0**2 + light / 2.0)
    assert star_weights([frame()] * 3, match(light)) == pytest.approx(expected)
    assert not star_weights([frame()] * 3, match([5000.0, 0.0, 0.0])).any()


def test_stars_that_one_frame_alone_shows_are_left_out_where_enough_are_left():
    seen = np.array([[1, 1, 1, 1], [1, 1, 1, 0], [0, 1, 1, 0]], bool)
    weights = star_weights([frame()] * 3, match([4000.0] * 4, seen))
    assert list(weights > 0) == [True, True, True, False]
    few = star_weights([frame()] * 3, match([4000.0] * 3, seen[:, 1:]))
    assert list(few > 0) == [True, True, True]


def test_faint_stars_that_add_little_are_not_stacked():
    light = np.linspace(1e3, 1e4, 200)
    every = light**2 / (math.pi * 2.0**2 * 5.0**2 + light / 2.0)
    weights = star_weights([frame()] * 3, match(light))
    left_out = int((weights == 0).sum())
    assert not weights[:left_out].any()  # the faintest
    assert every[:left_out].sum() < 0.2 * every.sum() <= every[: left_out + 1].sum()
    light = np.concatenate([np.full(20, 1e4), np.full(100, 1e2)])
    assert (star_weights([frame()] * 3, match(light)) > 0).sum() == 60


class Stars(SimpleNamespace):
    """Enough of a table of stars to know where they are."""

    def take(self, which):
        return Stars(**{name: value[which] for name, value in vars(self).items()})

    def __len__(self):
        return self.x_px.size


def image(count, x, y, flux):
    measured = Stars(x_px=np.array(x), y_px=np.array(y), flux_adu=np.array(flux))
    return SimpleNamespace(count=count, measured=measured, noise_adu=5.0, sky=SimpleNamespace(at=lambda x, y: 0.0 * x))


def test_every_frame_is_stacked_at_the_places_and_beside_the_stars_that_are_its_own():
    """The third frame lies (3, -2) px from the common places; it shows one star of the second, and a new one."""
    few = image(2, [13.0, 90.0], [18.0, 90.0], [250.0, 1.0])
    most = image(9, [11.0, 51.0], [21.0, 61.0], [500.0, 100.0])
    info = SimpleNamespace(path="a.fits", gain=2.0, position=5000.0, sites=lambda: None, plane=lambda: None)
    frames = [SimpleNamespace(info=info, image=one) for one in (few, most, few)]
    shared = StarMatch(
        *[np.full((3, 2), 4.0)] * 3, np.array([10.0, 50.0]), np.array([20.0, 60.0]),
        np.array([[np.nan, np.nan], [1.0, 1.0], [3.0, -2.0]]), np.array([1.0, 0.5, 0.25]), np.array([1000.0, 200.0]),
        np.ones(2, bool),
    )  # fmt: skip
    (k, _), (last, task) = stack_tasks(frames, shared, np.array([4.0, 4.0, 4.0]), np.array([1.0, 0.0]))
    assert (k, last) == (1, 2)
    assert (list(task.x_px), list(task.y_px), list(task.flux)) == ([13.0], [18.0], [1000.0])
    assert task.known.tolist() == [[13.0, 18.0]]


def test_a_run_logs_its_aberration_as_a_length():
    own = _spherical_of(run_at(0.656), SimpleNamespace(spherical=(0.03, 0.01)))
    assert (own.path_um, own.err_um, own.wavelength_um) == pytest.approx((0.03 * 0.656, 0.01 * 0.656, 0.656))
