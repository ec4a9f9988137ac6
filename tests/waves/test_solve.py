"""The algebra of the profile solver against differences, dense matrices and closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest
from profile_runs import POSITIONS, RIG, SEEING_UM, WAVELENGTH_UM, ZERO, synthetic_frame, synthetic_run
from scipy import stats
from scipy.optimize import minimize_scalar

from focuskit.core.optics import F_RATIO_ERR, OpticsErrors
from focuskit.waves.each_frame import displacements, influences, jackknife, own_positions
from focuskit.waves.fit import model_for, solve_profiles
from focuskit.waves.model import KOLMOGOROV_EXPONENT, fwhm_factor
from focuskit.waves.solve import (
    BEST,
    LOG_SLOPE,
    NO_PRIORS,
    SCATTER_GRID,
    SEEING,
    Parameter,
    Priors,
    State,
    cost_of,
    linearise,
    obstruction_moves,
    over_scatters,
    prepare,
    reduce_normal,
    solve,
)

PRIORS = Priors((math.log(4.1), 0.05), (0.01, 0.02), (1.6, 0.08))
TAU = 0.15


@pytest.fixture(scope="module")
def solved():
    """A run of noisy frames with spherical aberration, solved; its focuser shook by half a step."""
    rng = np.random.default_rng(21)
    frames, _ = synthetic_run(rng, noise=2e-4, spherical_waves=0.02)
    frames = [replace(f, position=f.position + 0.5 * rng.standard_normal()) for f in frames]
    return solve_profiles(frames, RIG, WAVELENGTH_UM, (0.0, 0.03))


@pytest.fixture(scope="module")
def exact():
    """Frames without noise, their model and state."""
    seeing = SEEING_UM * np.array([0.9, 1.0, 1.1, 1.05])
    places = POSITIONS[[0, 3, 5, 8]]
    frames = [
        synthetic_frame(x, 4.0 * (x - ZERO), s, None, spherical_waves=0.02) for x, s in zip(places, seeing, strict=True)
    ]
    model = model_for(frames, RIG, WAVELENGTH_UM)
    drawn = [model.profile(4.0 * (f.position - ZERO), s, 0.02) for f, s in zip(frames, seeing, strict=True)]
    frames = [replace(f, flux=f.bins @ one[: f.bins.shape[1]]) for f, one in zip(frames, drawn, strict=True)]
    state = State(ZERO, math.log(4.0), 0.02, KOLMOGOROV_EXPONENT, np.log(seeing), math.log(SEEING_UM), 0.0)
    return model, prepare(model, frames), state


def moved(state, move):
    """The state with a move in the order of the parameters, of all frames' seeing alike."""
    return replace(
        state,
        log_seeing=state.log_seeing + move[0],
        best=state.best + move[1],
        log_slope=state.log_slope + move[2],
        spherical=state.spherical + move[3],
        exponent=state.exponent + move[4],
    )


def test_gradient_is_that_of_chi2(exact):
    model, data, state = exact
    off = replace(moved(state, (0.05, 2.0, 0.01, 0.01, 0.05)), shift=0.7)
    gradient = linearise(model, data, off).gradient
    for place, step in enumerate((1e-4, 1e-3, 1e-5, 1e-5, 1e-4)):
        move = step * np.eye(5)[place]
        up, down = (linearise(model, data, moved(off, sign * move)).chi2 for sign in (1.0, -1.0))
        np.testing.assert_allclose(gradient[:, place], -0.5 * (up - down) / (2 * step), rtol=1e-4)


def test_matrix_is_the_curvature_of_chi2_at_the_truth(exact):
    model, data, state = exact
    matrix = linearise(model, data, state).matrix
    steps = np.array([1e-3, 0.1, 1e-3, 1e-4, 1e-3])
    for i in range(5):
        for j in range(5):
            a, b = steps[i] * np.eye(5)[i], steps[j] * np.eye(5)[j]
            same, other = (
                linearise(model, data, moved(state, a + sign * b)).chi2
                + linearise(model, data, moved(state, -a - sign * b)).chi2
                for sign in (1.0, -1.0)
            )
            curvature = (same - other) / (8 * steps[i] * steps[j])
            unit = np.sqrt(matrix[:, i, i] * matrix[:, j, j])
            np.testing.assert_allclose(curvature / unit, matrix[:, i, j] / unit, atol=2e-3)


# Dense matrices: all frames' seeings, then the mean, best, ln slope, spherical, exponent ----------


def dense(normal, state, priors, tau, keep=None, displaced=None):
    """Hessian and gradient of half the cost; ``displaced`` adds a displacement of one frame at the end."""
    keep = range(normal.chi2.size) if keep is None else keep
    n = len(keep)
    hessian, gradient = np.zeros((n + 6, n + 6)), np.zeros(n + 6)
    for row, i in enumerate(keep):
        copies = [[row, n + 1, n + 2, n + 3, n + 4]]
        jacobian = np.zeros((5, n + 6))
        jacobian[range(5), copies[0]] = 1.0
        if i == displaced:
            jacobian[1, n + 5] = 1.0
        hessian += jacobian.T @ normal.matrix[i] @ jacobian
        gradient += jacobian.T @ normal.gradient[i]
        pull = np.zeros(n + 6)
        pull[row], pull[n] = 1.0, -1.0
        hessian += np.outer(pull, pull) / tau**2
        gradient -= pull * (state.log_seeing[i] - state.mean_log_seeing) / tau**2
    for place, value, (mean, sigma) in (
        (n + 2, state.log_slope, priors.log_slope),
        (n + 3, state.spherical, priors.spherical),
        (n + 4, state.exponent, priors.exponent),
    ):
        hessian[place, place] += sigma**-2
        gradient[place] -= (value - mean) / sigma**2
    size = n + 5 if displaced is None else n + 6
    return hessian[:size, :size], gradient[:size]


def test_elimination_of_the_seeings_is_that_of_the_dense_matrix(solved):
    normal, state = solved.solution.normal, solved.solution.state
    reduced = reduce_normal(normal, state, PRIORS, TAU)
    hessian, gradient = dense(normal, state, PRIORS, TAU)
    n = normal.chi2.size
    np.testing.assert_allclose(np.linalg.inv(reduced.hessian), np.linalg.inv(hessian)[n:, n:], rtol=1e-6)
    move = np.linalg.solve(hessian, gradient)
    np.testing.assert_allclose(np.linalg.solve(reduced.hessian, reduced.gradient), move[n:], rtol=1e-6)
    np.testing.assert_allclose((reduced.own_gradient - reduced.cross @ move[n:]) / reduced.own, move[:n], rtol=1e-6)


def test_cost_is_that_of_frames_seeings_and_priors(solved):
    normal, state = solved.solution.normal, solved.solution.state
    expected = normal.chi2.sum() + sum(((s - state.mean_log_seeing) / TAU) ** 2 for s in state.log_seeing)
    expected += ((state.log_slope - math.log(4.1)) / 0.05) ** 2 + ((state.spherical - 0.01) / 0.02) ** 2
    expected += ((state.exponent - 1.6) / 0.08) ** 2
    assert cost_of(normal, state, PRIORS, TAU) == pytest.approx(expected, rel=1e-12)


def test_scatters_are_weighted_by_their_evidence(solved):
    normal, state = solved.solution.normal, solved.solution.state
    logs = []
    for tau in SCATTER_GRID:
        hessian, gradient = dense(normal, state, PRIORS, tau)
        # All parameters integrated out of exp(-cost/2); n seeings drawn from a normal law of width tau.
        least = cost_of(normal, state, PRIORS, tau) - gradient @ np.linalg.solve(hessian, gradient)
        evidence = -0.5 * least - normal.chi2.size * math.log(tau) - 0.5 * np.linalg.slogdet(hessian)[1]
        # Nineteen runs in twenty scatter by 10 % within a factor of e, one by anything.
        usual = stats.norm.pdf(math.log(tau), math.log(0.1), 1.0)
        logs.append(evidence + math.log(0.95 * usual + 0.05 / math.log(0.6 / 0.0005)))
    expected = np.exp(np.array(logs) - max(logs))
    weights, _, _ = over_scatters(normal, state, PRIORS)
    np.testing.assert_allclose(weights, expected / expected.sum(), rtol=1e-5, atol=1e-12)
    assert 0.5 < weights @ SCATTER_GRID / np.std(state.log_seeing) < 2.0


# What each frame says ---------------------------------------------------------------------------


def test_displacement_of_a_frame_is_what_a_parameter_for_it_gains(solved):
    solution = solved.solution
    args = solution.normal, solution.state, solution.priors, solution.tau
    hessian, gradient = dense(*args)
    before = gradient @ np.linalg.solve(hessian, gradient)
    gained = []
    for i in range(solution.normal.chi2.size):
        hessian, gradient = dense(*args, displaced=i)
        gained.append(gradient @ np.linalg.solve(hessian, gradient) - before)
    np.testing.assert_allclose(displacements(solution) ** 2, gained, rtol=1e-3, atol=1e-3)
    assert max(gained) > 4.0
    # Positions in a unit 10,000 times smaller or larger: the same displacements in their standard errors.
    for unit in (1e-4, 1e4):
        normal = replace(
            solution.normal, matrix=solution.normal.matrix.copy(), gradient=solution.normal.gradient.copy()
        )
        normal.matrix[:, BEST, :] *= unit
        normal.matrix[:, :, BEST] *= unit
        normal.gradient[:, BEST] *= unit
        other = displacements(replace(solution, normal=normal))
        np.testing.assert_allclose(other, displacements(solution), rtol=1e-6, atol=1e-9)


def test_influences_are_how_the_best_position_follows_the_places_of_frames(solved):
    """By solving again with one frame moved by half a step to either side; all of them moved move it as far."""
    shares = influences(solved.solution)
    assert shares.sum() == pytest.approx(1.0, abs=1e-6)
    before = solved.solution
    for k in (0, 3, 6):
        step = 0.5 * (np.arange(POSITIONS.size) == k)
        low, high = (
            solve(solved.model, replace(solved.data, position=place), before.state, before.priors, before.tau)
            for place in (solved.data.position - step, solved.data.position + step)
        )
        # The curvature of the residuals is left out of Gauss-Newton steps: shares lie between -0.2 and 0.5.
        assert high.state.best - low.state.best == pytest.approx(shares[k], abs=0.04)
    assert np.ptp(shares) > 0.1


def test_jackknife_leaves_out_pairs_as_far_from_focus(solved):
    solution, position = solved.solution, solved.data.position
    assert position.size == 9 and solved.used.all()
    outwards = np.argsort(np.abs(position - solution.state.best))
    best = []
    for pair in (outwards[:1], outwards[1:3], outwards[3:5], outwards[5:7], outwards[7:9]):
        keep = [i for i in range(9) if i not in pair]
        hessian, gradient = dense(solution.normal, solution.state, solution.priors, solution.tau, keep)
        best.append(np.linalg.solve(hessian, gradient)[len(keep) + 1])
    # Jackknife of five groups: (n - 1)/n Σ(x - mean)².
    expected = math.sqrt(4.0 / 5.0 * np.sum((np.array(best) - np.mean(best)) ** 2))
    assert jackknife(solution, position) == (pytest.approx(expected, rel=1e-5), 3)


def test_own_position_and_error_are_those_of_the_frames_likelihood(solved):
    state, data = solved.solution.state, solved.data
    keep = np.arange(9) == 7
    one = data.pick(keep)
    own, err = own_positions(solved.model, data, state, TAU, state.log_seeing)

    def cost(position):
        def in_seeing(log_seeing):
            here = replace(one, position=np.array([position]))
            normal = linearise(solved.model, here, replace(state, log_seeing=np.array([log_seeing])))
            return normal.chi2[0] + ((log_seeing - state.mean_log_seeing) / TAU) ** 2

        near = state.log_seeing[7]
        return minimize_scalar(
            in_seeing, bounds=(near - 0.3, near + 0.3), method="bounded", options={"xatol": 1e-6}
        ).fun

    below, least, above = (cost(own[7] + k * err[7]) for k in (-1.0, 0.0, 1.0))
    misfit = max(1.0, linearise(solved.model, one, replace(state, log_seeing=state.log_seeing[keep])).chi2[0] / 26.0)
    # One standard deviation off, -2 ln L is 1 higher, or as much more as the frame misfits.
    assert 0.5 * (below + above) - least == pytest.approx(misfit, rel=0.1)
    assert abs(above - below) < 0.7  # the minimum lies within a sixth of the error


# The report -------------------------------------------------------------------------------------


def test_report_mixes_the_scatters_and_adds_what_the_seeing_leaves_open(solved):
    solution, fit = solved.solution, solved.report(OpticsErrors(obstruction=0.0))
    weights, moves, covariances = over_scatters(solution.normal, solution.state, solution.priors)
    mean = np.average(moves, axis=0, weights=weights)
    # The law of total variance.
    total = np.average(covariances, axis=0, weights=weights) + np.cov(moves.T, aweights=weights, ddof=0)
    # Noise counts as much more as the frames scatter, what the priors leave open stays; the focal ratio adds its own.
    inverse = np.linalg.inv(solution.reduced().hessian)
    noise = inverse @ reduce_normal(solution.normal, solution.state, NO_PRIORS, solution.tau).hessian @ inverse
    excess = max(fit.chi2_reduced, float(np.mean(displacements(solution) ** 2)))
    others = [place for place in Parameter if place != BEST]
    noise_of_best = noise[BEST, BEST]
    total[np.ix_(others, others)] += (excess - 1.0) * noise[np.ix_(others, others)]
    total[LOG_SLOPE, LOG_SLOPE] += F_RATIO_ERR**2
    assert excess > 2.0
    assert fit.spherical_err == pytest.approx(math.sqrt(total[3, 3]), rel=1e-9)
    assert fit.um_per_step_err == pytest.approx(fit.um_per_step * math.sqrt(total[2, 2]), rel=1e-9)
    assert fit.best_position == pytest.approx(solution.state.best + mean[1], rel=1e-12)
    assert fit.seeing_scatter == pytest.approx(np.average(SCATTER_GRID, weights=weights), rel=1e-12)
    assert fit.log_seeing_err == pytest.approx(fit.seeing_scatter / 3.0, rel=1e-12)
    # Annuli less brightness, sky and seeing of each frame, less what the run has: best, slope, spherical, exponent.
    assert fit.chi2_reduced == pytest.approx(solution.normal.chi2.sum() / (9 * (30 - 3) - 4), rel=1e-12)
    state = solution.state
    low, high = (
        solved.model.least_hfd_waves(math.exp(state.mean_log_seeing + move), state.spherical, state.exponent)
        for move in (0.0, 0.1)
    )
    per_log = (high - low) / 0.1 * solved.model.um_per_wave / fit.um_per_step
    assert fit.best_per_log_seeing == pytest.approx(per_log, rel=1e-4)
    assert fit.log_seeing == pytest.approx(state.mean_log_seeing + math.log(fwhm_factor(state.exponent)), rel=1e-12)
    apart, degrees = jackknife(solution, solved.data.position)
    assert not fit.matches  # the focuser shook
    # Student's t as wide as one standard deviation, in place of the noise's part of the variance.
    widened = total[BEST, BEST] + (stats.t.ppf(stats.norm.cdf(1.0), degrees) * apart) ** 2 - noise_of_best
    assert widened > total[BEST, BEST]
    total[BEST, BEST] = widened
    assert fit.err == pytest.approx(math.hypot(math.sqrt(widened), per_log * fit.seeing_scatter / 3.0), rel=1e-9)
    # A frame's defocus errs as best position and step size do together.
    far = fit.frames[0]
    assert far.defocus_um == pytest.approx(fit.um_per_step * (far.position - fit.best_position), rel=1e-9)
    by_parameter = np.array([0.0, -fit.um_per_step, far.defocus_um, 0.0, 0.0])
    assert far.defocus_err_um == pytest.approx(math.sqrt(by_parameter @ total @ by_parameter), rel=1e-9)
    assert far.dof == 27
    assert far.chi2 == pytest.approx(solution.normal.chi2[0])


def test_parameters_move_with_the_obstruction_as_a_refit_does():
    rng = np.random.default_rng(8)
    frames, _ = synthetic_run(rng, spherical_waves=0.02)
    narrow, wide = (solve_profiles(frames, replace(RIG, obstruction=e), WAVELENGTH_UM) for e in (0.35, 0.36))
    expected = 0.01 * obstruction_moves(narrow.model, narrow.data, narrow.solution)
    before, after = narrow.solution.state, wide.solution.state
    # The telescope has more than the model: the model with more gives the opposite.
    assert before.log_slope - after.log_slope == pytest.approx(expected[LOG_SLOPE], rel=0.03)
    assert abs(expected[LOG_SLOPE]) > 0.004
    # In quadrature, the error of the step size holds it, and no more.
    exact, unsure = (narrow.report(OpticsErrors(obstruction=err)).um_per_step_err / 4.0 for err in (0.0, 0.01))
    assert math.sqrt(unsure**2 - exact**2) == pytest.approx(abs(expected[LOG_SLOPE]), rel=0.03)


def test_typical_seeing_that_is_known_better_moves_the_best_position(solved):
    fit = replace(solved.report(), best_per_log_seeing=-3.0, err=0.5, log_seeing=2.9, log_seeing_err=0.04)
    better = fit.in_seeing(3.0, 0.01)
    assert better.best_position == pytest.approx(fit.best_position - 0.3)
    assert better.err == pytest.approx(math.sqrt(0.25 + 9.0 * (0.01**2 - 0.04**2)))
    assert (better.log_seeing, better.log_seeing_err) == (3.0, 0.01)
    for before, after in zip(fit.frames, better.frames, strict=True):
        assert after.defocus_um == pytest.approx(before.defocus_um + 0.3 * fit.um_per_step)
        assert after.own_defocus_um == pytest.approx(before.own_defocus_um + 0.3 * fit.um_per_step)
    assert [after.defocus_err_um for after in better.frames] == [before.defocus_err_um for before in fit.frames]


def test_results_are_short_to_read_and_compare(solved):
    fit = solved.report()
    assert len(repr(fit)) < 1000
    assert fit == solved.report()
    frame = synthetic_frame(0.0, 0.0, SEEING_UM, None)
    assert len(repr(frame)) < 100
    assert frame != synthetic_frame(0.0, 0.0, SEEING_UM, None)
    assert list(Parameter)[:2] == [SEEING, BEST]
