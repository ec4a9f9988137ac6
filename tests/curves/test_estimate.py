"""The statistics of one curve, where it is linear in disguise: Student's t, statsmodels and closed forms."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from focuskit.curves import checks, estimate
from focuskit.curves.checks import is_curve, is_upside_down
from focuskit.curves.estimate import Nodes, Points, estimate_curve, first_look, scale_points, square_weights
from focuskit.curves.frames import read_frames
from focuskit.curves.result import disagree
from focuskit.curves.shape import Hyperbola, Parabola, _half_height, seeing_donut_shape


def on_parabola(rng, frames=10, jitter=0.02, best=0.13):
    """Squares of sizes on a parabola with equal scatter: ordinary least squares in disguise."""
    x = np.linspace(-1.0, 1.0, frames)
    squares = 1.0 + 4.0 * (x - best) ** 2 + 2.0 * jitter * rng.normal(size=frames)
    return Points(x, np.sqrt(squares), np.full(frames, 1e-9), 0.0, 1.0, 1.0)


@pytest.fixture
def seeing_only(monkeypatch):
    """Let all scatter be the seeing's, from 0.1 % on, with nodes as close as an integral wants them."""
    monkeypatch.setattr(estimate, "_ALIKE_PRIOR", 1e-12)
    monkeypatch.setattr(estimate, "_LEAST_JITTER", 1e-3)
    monkeypatch.setattr(estimate, "_FINE_NODES", 60)
    monkeypatch.setattr(estimate, "_COARSE_NODES", 60)


@pytest.mark.parametrize("frames", [6, 10, 20])
def test_errors_are_those_of_students_t(frames, seeing_only):
    """Averaged over scatters alike in ln, a normal law is Student's t with n − 3 degrees of freedom."""
    points = on_parabola(np.random.default_rng(frames), frames)
    found = estimate_curve(points, Hyperbola(), first_look(points), squared=True)
    (bend, slope, _), covariance = np.polyfit(points.x, points.size**2, 2, cov=True)  # scaled by RSS / (n − 3)
    gradient = np.array([slope / (2.0 * bend**2), -1.0 / (2.0 * bend), 0.0])
    sigma = math.sqrt(gradient @ covariance @ gradient)
    assert found.best == pytest.approx(-slope / (2.0 * bend), abs=0.05 * sigma)
    assert found.err == pytest.approx(sigma * stats.t.ppf(0.5 + 0.5 * 0.6827, frames - 3), rel=0.03)
    assert found.err_95 == pytest.approx(sigma * stats.t.ppf(0.975, frames - 3), rel=0.05)
    parabola = np.polyval(np.polyfit(points.x, points.size**2, 2), points.x)
    spread = 2.0 * np.sqrt(parabola) * points.sigma  # an error of the size, as one of its square
    assert found.chi2 == pytest.approx(np.sum(((points.size**2 - parabola) / spread) ** 2), rel=0.01)


def test_likelihood_is_restricted():
    """Three parameters cost as many degrees of freedom: ln L goes as −(n − 3) ln s − RSS / 2s², not as −n ln s."""
    rng = np.random.default_rng(2)
    x = np.linspace(-1.0, 1.0, 9)
    points = Points(x, np.hypot(1.0, 2.0 * x) + 0.03 * rng.normal(size=9), np.zeros(9), 0.0, 1.0, 1.0)
    nodes = Nodes.over(np.empty(0), np.array([0.02, 0.05, 0.3]), 1.0)
    start = np.tile([0.0, 0.0, math.log(2.0)], (3, 1))
    found = estimate._solve(points, Hyperbola(), nodes, start, False, 1e-10)
    least = np.exp(found.parameters[0, 1])
    scatter = nodes.jitter * least
    rss = float(np.sum(found.residual[0] ** 2))
    expected = -(9 - 3) * np.log(scatter) - rss / (2.0 * scatter**2)
    assert np.diff(found.log_likelihood) == pytest.approx(np.diff(expected), rel=1e-6)


@pytest.mark.parametrize("frames", [6, 9, 15])
def test_mixture_of_normal_laws_is_students_t(frames):
    """Normal laws whose variances follow an inverse gamma law make Student's t: both half widths and their shares."""
    freedom = frames - 3
    sd = np.exp(np.linspace(-4.0, 4.0, 4001))
    share = stats.invgamma.pdf(sd**2, freedom / 2.0, scale=freedom / 2.0) * sd**2
    err, err_95 = estimate._half_widths(np.zeros_like(sd), sd, share / share.sum())
    assert err == pytest.approx(stats.t.ppf(0.5 + 0.5 * 0.6827, freedom), rel=1e-3)
    assert err_95 == pytest.approx(stats.t.ppf(0.975, freedom), rel=1e-3)


def test_half_widths_count_what_lies_off_the_mean():
    # Half of the truths 3 to either side with scatter 1: |x| is 3 in the middle, and 95 % lie below 3 + 1.645.
    err, err_95 = estimate._half_widths(np.array([-3.0, 3.0]), np.ones(2), np.full(2, 0.5))
    assert err == pytest.approx(3.0 + stats.norm.ppf(0.6827), abs=1e-3)
    assert err_95 == pytest.approx(3.0 + stats.norm.ppf(0.95), abs=1e-3)


def test_each_node_stands_for_its_stretch_of_ln_jitter():
    """With flat likelihood the shares are the priors: three hundredths for scatter that is alike in all frames."""
    nodes = Nodes.over(np.geomspace(0.042, 1.2, 7), np.geomspace(0.004, 1.2, 5), 0.03)
    share, log_mean = nodes.weigh(np.zeros(12))
    # The prior has a probability of 1, of which each end node counts half a stretch too much.
    assert log_mean == pytest.approx(math.log(0.97 * 7 / 6 + 0.03 * 5 / 4))
    assert nodes.weigh(np.full(12, 3.0))[1] == pytest.approx(log_mean + 3.0)
    assert share[7:].sum() / share[:7].sum() == pytest.approx((0.03 * 5 / 4) / (0.97 * 7 / 6), rel=1e-9)
    assert np.ptp(share[:7]) == pytest.approx(0.0, abs=1e-12)
    likelier, _ = nodes.weigh(np.eye(12)[3] * math.log(5.0))
    assert likelier[3] / likelier[2] == pytest.approx(5.0)


def test_typical_seeing_is_the_median():
    """Lognormal seeing of 20 % makes the mean square 8 % larger than the median's square; the size is the median's."""
    rng = np.random.default_rng(11)
    x = np.tile(np.linspace(-1.0, 1.0, 40), 25)
    seeing = np.exp(0.2 * rng.normal(size=x.size))
    points = Points(x, np.hypot(seeing, 2.5 * x), np.full(x.size, 1e-4), 0.0, 1.0, 1.0)
    found = estimate_curve(points, Hyperbola(), first_look(points), squared=True)
    assert found.least == pytest.approx(1.0, abs=0.02)  # a thousand frames know it to 0.7 %
    assert found.slope == pytest.approx(2.5, rel=0.02)
    assert found.jitter == pytest.approx(0.2, rel=0.12)


@pytest.mark.parametrize("seed", range(4))
def test_no_curve_is_the_f_test_of_the_squares(seed, monkeypatch):
    """Best position, least size and slope against a constant: the F test of a parabola, as statsmodels has it."""
    points = on_parabola(np.random.default_rng(seed), 9, jitter=0.3)
    found = estimate_curve(points, Hyperbola(), first_look(points), squared=True)
    chance = sm.OLS(points.size**2, np.vander(points.x, 3)).fit().f_pvalue
    fitted = np.sqrt(np.maximum(np.polyval(np.polyfit(points.x, points.size**2, 2), points.x), 0.0))
    found = estimate.Estimate(**{**vars(found), "fitted": fitted})
    for left_out, factor in ((0, 1.0), (1, 1.0 / 0.3)):
        monkeypatch.setattr(checks, "_BY_CHANCE", 1.02 * factor * chance)
        assert is_curve(points, found, left_out)
        monkeypatch.setattr(checks, "_BY_CHANCE", 0.98 * factor * chance)
        assert not is_curve(points, found, left_out)


def test_upside_down_is_the_t_test_of_the_bend(monkeypatch):
    rng = np.random.default_rng(3)
    x = np.linspace(-1.0, 1.0, 9)
    points = Points(x, 5.0 - x**2 + 0.4 * rng.normal(size=9), np.zeros(9), 0.0, 1.0, 1.0)
    chance = sm.OLS(points.size, np.vander(x, 3)).fit().pvalues[0]
    monkeypatch.setattr(checks, "_BY_CHANCE", 1.01 * chance)
    assert is_upside_down(points)
    monkeypatch.setattr(checks, "_BY_CHANCE", 0.99 * chance)
    assert not is_upside_down(points)


def test_first_look_is_the_parabola_of_the_squares():
    x = np.linspace(-1.0, 1.0, 11)
    found = first_look(scale_points(1000.0 + 50.0 * x, 6.0 * np.hypot(1.0, 2.0 * (x - 0.2)), np.zeros(11)))
    unit = np.median(np.hypot(1.0, 2.0 * (x - 0.2)))
    assert found == pytest.approx((0.2, 1.0 / unit, 2.0 / unit))


def test_first_look_stays_within_three_half_sweeps():
    """Beyond, it is the weighted regression of the squares on the distance from three half sweeps, squared."""
    x = np.linspace(-1.0, 1.0, 11)
    points = Points(x, np.hypot(1.0, 2.0 * (x - 5.0)), np.zeros(11), 0.0, 1.0, 1.0)
    rise, base = np.polyfit((x - 3.0) ** 2, points.size**2, 1, w=np.sqrt(square_weights(points)))
    assert base > 1.0
    assert first_look(points) == pytest.approx((3.0, math.sqrt(base), math.sqrt(rise)), rel=1e-9)
    assert first_look(Points(x, np.sqrt(9.0 - x - x**2), np.zeros(11), 0.0, 1.0, 1.0))[0] == 3.0


def test_scaled_points_go_from_minus_one_to_one():
    points = scale_points(np.array([10.0, 40.0, 30.0]), np.array([8.0, 4.0, 5.0]), np.array([0.4, 0.2, 0.5]))
    assert points.x == pytest.approx([-1.0, 1.0, 1.0 / 3.0])
    assert (points.centre, points.half_range, points.unit) == (25.0, 15.0, 5.0)
    assert points.sigma == pytest.approx([0.08, 0.04, 0.1])


def test_disagreement_is_beyond_chance_and_beyond_what_matters():
    """Three times the common error, 3 × √(3² + 4²) = 15, or a quarter of the tolerance, whichever is larger."""
    assert disagree((0.0, 3.0), (15.1, 4.0), 40.0)
    assert not disagree((0.0, 3.0), (14.9, 4.0), 40.0)
    assert disagree((0.0, 0.1), (-10.1, 0.1), 40.0)
    assert not disagree((0.0, 0.1), (-9.9, 0.1), 40.0)


@pytest.mark.parametrize("shape", [Hyperbola(), Parabola(), seeing_donut_shape(0.36)])
@pytest.mark.parametrize("squared", [False, True])
def test_derivatives_of_the_model(shape, squared):
    nodes = Nodes.over(np.array([0.1]), np.empty(0), 0.03)
    points = Points(np.linspace(-0.9, 1.0, 7), np.ones(7), np.full(7, 0.01), 0.0, 1.0, 1.0)
    at = np.array([[0.07, -0.2, 0.6]])
    _, jacobian, reach, _ = estimate._model(points, shape, at, nodes, squared)
    for k in range(3):
        step = 1e-3 * np.eye(3)[k]
        up, down = (estimate._model(points, shape, at + s, nodes, squared)[0] for s in (step, -step))
        assert jacobian[0, :, k] == pytest.approx((up - down)[0] / 2e-3, abs=5e-3)
    if squared:  # seeing reaches size² by its derivative in ln(least size), and a little of it at least
        assert reach[0] == pytest.approx(np.maximum(jacobian[0, :, 1], 0.1 * np.exp(-0.4)))


# Checks and thresholds -----------------------------------------------------------------------


def judged(monkeypatch, size, best=0.0, err=0.01, slope=3.0, jitter=0.1, fitted=None):
    """Judge a curve of least size 1 on nine frames from -1 to 1, taken for a curve."""
    monkeypatch.setattr(checks, "is_curve", lambda *_: True)
    points = Points(np.linspace(-1.0, 1.0, 9), size, np.full(9, 0.01), 0.0, 1.0, 1.0)
    facts = {"best": best, "err": err, "err_95": 2.0 * err, "least": 1.0, "slope": slope, "jitter": jitter}
    nothing = dict.fromkeys(("chi2", "nodes", "share", "parameters", "covariance", "log_evidence"))
    found = estimate.Estimate(**facts, fitted=size if fitted is None else fitted, **nothing)
    return checks.judge_curve(points, Hyperbola(), found, 0)


def test_thresholds_of_the_verdict(monkeypatch):
    """Each flag is raised on one side of its threshold and not on the other."""
    size = np.hypot(1.0, 3.0 * np.linspace(-1.0, 1.0, 9))

    def judge(**facts):
        return judged(monkeypatch, size, **facts)

    assert judge() == checks.Health(False, (), told=True)
    # 0.3 of the sweep from -1 to 1 ends at 0.4.
    assert [judge(best=b).flags for b in (-0.41, -0.39, 0.39, 0.41)] == [("lopsided",), (), (), ("lopsided",)]
    # Growth to the outermost frame: √(1 + slope²) of 1.15 and 1.6.
    growths = {g: judge(slope=math.sqrt(g**2 - 1.0)) for g in (1.14, 1.16, 1.59, 1.61)}
    assert [growths[g].failed for g in growths] == [True, False, False, False]
    # The sizes themselves grow, so that they are not said to be flat.
    assert [growths[g].flags for g in growths] == [("no_minimum",), ("shallow_sweep",), ("shallow_sweep",), ()]
    assert [judge(jitter=j).flags for j in (0.24, 0.26)] == [(), ("poor_fit",)]
    assert [judge(err=e).failed for e in (0.24, 0.26)] == [False, True]
    assert [judge(best=b, err=0.2).flags for b in (-0.81, 0.81)] == [("minimum_outside",)] * 2
    assert not judge(best=0.79, err=0.2).failed
    # Scatter of ln(size) with n − 3 degrees of freedom: all nine off by s make s √(9/6).
    for scatter, failed in ((0.29, False), (0.31, True)):
        assert judge(fitted=size * math.exp(scatter / math.sqrt(1.5))).failed is failed


def test_each_frame_left_out_makes_a_curve_harder_to_believe(monkeypatch):
    points = on_parabola(np.random.default_rng(0), 9, jitter=0.3)
    found = estimate_curve(points, Hyperbola(), first_look(points), squared=True)
    believed = [is_curve(points, found, left_out) for left_out in range(8)]
    assert believed[0] and not believed[-1]
    assert believed == sorted(believed, reverse=True)


def test_an_error_that_is_not_known_is_that_of_the_others():
    x = np.linspace(0.0, 400.0, 9)
    size = np.hypot(5.0, 0.1 * (x - 190.0))
    sigma = np.linspace(0.02, 0.1, 9)
    sigma[3] = np.nan
    frames = read_frames(x, size, sigma, None, None, None)
    assert frames.sigma[3] == pytest.approx(np.nanmedian(sigma))
    assert not read_frames(x, size, None, None, None, None).sigma.any()


def test_clouds_are_judged_against_the_other_frames():
    """Light below 0.6 of the median is a cloud, unless more than a third of the frames lost as much."""

    def clouded(flux):
        frames = read_frames(np.arange(9.0), np.full(9, 5.0), None, flux, None, None)
        return [k for k, why in enumerate(checks.find_spoilt(frames)) if why]

    assert clouded([1, 1, 0.59, 1, 1, 0.61, 1, 1, 1]) == [2]
    assert clouded([1, 1, 0.3, 1, 1, 0.3, 1, 0.3, 1]) == [2, 5, 7]
    assert clouded([1, 0.3, 0.3, 1, 1, 0.3, 1, 0.3, 1]) == []


def test_outermost_half_height_of_a_ring():
    """A Gaussian ring of radius 5.25 and σ 1 on a grid of 0.5, whose crest lies between two nodes."""
    radii = np.arange(0.0, 12.0, 0.5)
    profile = np.exp(-0.5 * (radii - 5.25) ** 2)
    expected = 2.0 * (5.25 + math.sqrt(2.0 * math.log(2.0)))
    assert _half_height(radii, profile) == pytest.approx(expected, abs=0.01)
