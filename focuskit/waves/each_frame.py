"""What each frame of a solved run says by itself: whether it belongs to the run, and where its stars put it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.reasons import Reason
from focuskit.waves.model import ProfileModel
from focuskit.waves.solve import (
    BEST,
    NO_PRIORS,
    SEEING,
    Data,
    NormalEquations,
    Parameter,
    Solution,
    State,
    linearise,
    reduce_normal,
    star_moves,
)

Array = NDArray[np.float64]

# Frames beyond these are tried without; the refit decides. Chosen, not tuned: a lower limit costs a refit only.
_OUTLIER_SIGMA = 5.0
_ODD_SHAPE = 4.0  # times the noise, and the run's typical misfit
_TRIED = 3  # the most displaced of the frames
_OWN_ITERATIONS = 20
# Frames are moved by no more than this in one step: of ln(seeing), and of the length of the sweep.
_LONGEST_STEP = np.array([0.3, 0.1])
# Of chi²: what is left moves a position by a sixth of its error at most.
_SETTLED = 0.03
# Parameters of a paraboloid over the field. Chosen: with twice as many stars or fewer, their scatter means little.
# Where a star alone determines the paraboloid, it has no residual; no residual is enlarged by more than 2 (chosen).
_PARABOLOID, _MOST_LOST = 4, 0.75


def displacements(solution: Solution) -> Array:
    """Return the studentised displacement of each frame against what the other frames say of it.

    It is a score test: each frame is tried with a displacement of its own.
    """
    normal, reduced = solution.normal, solution.reduced()
    inverse = np.linalg.inv(reduced.hessian)
    score = np.zeros(normal.chi2.size)
    for i, row in enumerate(_coupling(solution)):
        information = row[BEST] - row @ inverse @ row
        # In focus a star does not move the fit, and a frame without rivals cannot be tested.
        if information > 1e-6 * row[BEST] > 0.0:
            pull = normal.gradient[i, BEST] - reduced.cross[i, BEST] / reduced.own[i] * reduced.own_gradient[i]
            score[i] = pull / math.sqrt(information)
    return score


def influences(solution: Solution) -> Array:
    """Return by how much the best position moves with the place of each frame, shape (frames,); they sum to 1."""
    return np.asarray(np.linalg.solve(solution.reduced().hessian, _coupling(solution).T)[BEST])


def _coupling(solution: Solution) -> Array:
    """Return how a displacement of each frame couples to the run's parameters, shape (frames, parameters)."""
    reduced = solution.reduced()
    rows = solution.normal.matrix[:, BEST, :].copy()
    rows[:, SEEING] = 0.0
    return np.asarray(rows - (reduced.cross[:, BEST] / reduced.own)[:, None] * reduced.cross)


def suspects(data: Data, solution: Solution) -> dict[int, Reason]:
    """Return the frames that may not belong to the run, each with what is wrong with it."""
    score = displacements(solution)
    chi2 = solution.normal.chi2
    reduced = chi2 / np.maximum(data.dof - 2, 1)
    odd = reduced > _ODD_SHAPE**2 * max(1.0, float(np.median(reduced)))
    reasons = {}
    for k in {*np.argsort(-np.abs(score))[:_TRIED], *np.flatnonzero(odd)}:
        if score[k] ** 2 > max(_OUTLIER_SIGMA**2, 0.5 * chi2[k] if odd[k] else 0.0):
            reasons[int(k)] = Reason("displaced", "its stars put it at another position than the focuser reports")
        elif odd[k]:
            text = "the shape of its stars departs from the model far more than in the other frames"
            reasons[int(k)] = Reason("odd_shape", text)
    return reasons


def jackknife(solution: Solution, position: Array) -> tuple[float, int]:
    """Return the standard deviation of the best position from leaving out frames, and its degrees of freedom.

    Frames are left out in pairs as far from focus: what the model misses alike on both sides (light of
    neighbours, the obstruction) moves their own best positions apart, and not that of the run.
    """
    state, reduced = solution.state, solution.reduced()
    outwards = np.argsort(np.abs(position - state.best))
    first = outwards.size % 2
    pairs = [outwards[:first], *(outwards[k : k + 2] for k in range(first, outwards.size, 2))]
    left_out = []
    for pair in pairs:
        own = replace(state, log_seeing=state.log_seeing[pair])
        part = reduce_normal(solution.normal.pick(pair), own, NO_PRIORS, solution.tau)
        left_out.append(np.linalg.solve(reduced.hessian - part.hessian, reduced.gradient - part.gradient)[BEST])
    count = len(pairs)
    return math.sqrt((count - 1) * float(np.var(left_out))), max(count - 2, 1)


def scatter_of_stars(model: ProfileModel, data: Data, solution: Solution) -> tuple[Array, NDArray[np.int64], Array]:
    """Return by how much each star moves the parameters, without a paraboloid over the field.

    The paraboloid is no error: the map of the field corrects for it.

    Returns
    -------
    moves : array, shape (n, parameters)
        The sum of their squares is the variance of the parameters. Empty with too few stars.
    stars, shares : arrays, shape (n,)
        Which stars they are, and their part in the stack.
    """
    share = data.shares.mean(axis=0)
    use = np.flatnonzero(share > 0.0)
    if use.size <= 2 * _PARABOLOID:
        return np.zeros((0, len(Parameter))), use[:0], share[:0]
    weight = np.sqrt(share[use])[:, None]
    x, y = ((data.places - share @ data.places) / max(float(np.ptp(data.places)), 1.0))[use].T
    basis = np.linalg.qr(weight * np.stack((np.ones(x.size), x, y, x**2 + y**2), axis=1))[0]
    moves = star_moves(model, data, solution)[use] / weight
    # Residuals have lost what the paraboloid took of them (MacKinnon & White 1985, from memory).
    lost = np.minimum((basis**2).sum(axis=1), _MOST_LOST)
    return (moves - basis @ (basis.T @ moves)) * weight / np.sqrt(1.0 - lost)[:, None], use, share[use]


def own_positions(model: ProfileModel, data: Data, state: State, tau: float, log_seeing: Array) -> tuple[Array, Array]:
    """Return the position at which each frame's stars put it, whatever the focuser tells, and its error.

    Spherical term, exponent and step size are those of the run; the seeing of each frame is free
    within the run's scatter ``tau``, and is sought from ``log_seeing``. Where a frame departs from the
    model by more than its noise, its error is as much larger.
    """
    reach = float(np.ptp(data.position))
    position = data.position.copy()
    damping = np.full(position.size, 1e-3)
    pair = np.ix_(range(position.size), (SEEING, BEST), (SEEING, BEST))
    signs = np.array([1.0, -1.0])  # a frame moved outwards is a best position moved inwards

    def look(position: Array, log_seeing: Array) -> tuple[NormalEquations, Array]:
        normal = linearise(model, replace(data, position=position), replace(state, log_seeing=log_seeing))
        return normal, normal.chi2 + ((log_seeing - state.mean_log_seeing) / tau) ** 2

    normal, cost = look(position, log_seeing)
    for _ in range(_OWN_ITERATIONS):
        matrix = normal.matrix[pair] * np.outer(signs, signs)
        matrix[:, 0, 0] += 1.0 / tau**2
        gradient = normal.gradient[:, (SEEING, BEST)] * signs
        gradient[:, 0] -= (log_seeing - state.mean_log_seeing) / tau**2
        matrix[:, [0, 1], [0, 1]] *= 1.0 + damping[:, None]
        matrix[:, 1, 1] += 1.0 / reach**2  # in focus a frame tells nothing of its place
        move = np.linalg.solve(matrix, gradient[..., None])[..., 0] / np.array([1.0, reach])
        seeing_move, place_move = np.clip(move, -_LONGEST_STEP, _LONGEST_STEP).T
        place, seeing = position + reach * place_move, log_seeing + seeing_move
        trial, after = look(place, seeing)
        better = after <= cost
        settled = bool(np.all(np.where(better, cost - after < _SETTLED, damping > 1.0)))
        position, log_seeing = np.where(better, place, position), np.where(better, seeing, log_seeing)
        cost, damping = np.where(better, after, cost), np.where(better, 0.2 * damping, 8.0 * damping)
        normal = NormalEquations(
            np.where(better, trial.chi2, normal.chi2),
            np.where(better[:, None, None], trial.matrix, normal.matrix),
            np.where(better[:, None], trial.gradient, normal.gradient),
        )
        if settled:
            break
    own = normal.matrix[:, SEEING, SEEING] + 1.0 / tau**2
    information = normal.matrix[:, BEST, BEST] - normal.matrix[:, SEEING, BEST] ** 2 / own
    misfit = np.maximum(1.0, normal.chi2 / np.maximum(data.dof - 2, 1))
    return position, np.sqrt(misfit / np.maximum(information, 1e-6 / reach**2))
