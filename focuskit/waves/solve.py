"""Gauss-Newton solution of the joint profile fit, with the seeing of each frame eliminated.

Brightness and sky of a frame are linear and projected out. Its ln(seeing) is drawn from a normal law whose mean
and width are found with the parameters of the run.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import KOLMOGOROV_EXPONENT
from focuskit.waves.model import ProfileModel
from focuskit.waves.stack import FrameProfile

Array = NDArray[np.float64]


class Parameter(IntEnum):
    """Place of each parameter in normal equations; ``SEEING`` is a frame's ln(seeing), or the run's mean of it."""

    SEEING = 0
    BEST = 1
    LOG_SLOPE = 2
    SPHERICAL = 3
    EXPONENT = 4


SEEING, BEST, LOG_SLOPE, SPHERICAL, EXPONENT = Parameter
_COUNT = len(Parameter)

# Frame-to-frame scatter of ln(seeing): 12 % is customary, twice or half of it nothing special. The grid runs from
# less than any run can show to far more than a night has, in steps of 43 %; nine frames tell it to 25 %.
SCATTER_GRID = np.geomspace(0.0005, 0.6, 21)
_USUAL_SCATTER, _SCATTER_WIDTH = 0.1, 1.0
# A few runs have steadier or wilder seeing than this tells: any width of the grid alike, in its logarithm.
_UNUSUAL = 0.05
# Seeing is seldom Kolmogorov's to the letter: an outer scale and guiding narrow its wings, domes widen
# them. One exponent for the run takes that in.
EXPONENT_PRIOR = (KOLMOGOROV_EXPONENT, 0.1)
# Steps at most. The scatter is brought up to date after the first three, when the state is near, and no
# longer after the 20th, since two neighbours of the grid may take turns for ever.
_ITERATIONS = 60
_FIRST, _SETTLED = 3, 20
# A change of chi² by which no parameter moves by more than 0.03 of its error ends the search.
_CONVERGED = 1e-3
# No step is longer, for beyond these the model is far from linear; the exponent stays within what seeing can have.
_LONGEST_STEP = {SEEING: 0.3, LOG_SLOPE: 0.2, SPHERICAL: 0.03, EXPONENT: 0.1}
EXPONENT_RANGE = (0.8, 2.2)
# Width of a prior that says nothing, in ln: a factor of e.
SLOPE_UNKNOWN = 1.0


@dataclass(frozen=True, eq=False, repr=False)
class Data:
    """Frames with noise scaled to 1 and the sky projected out: model profiles are kernel @ transfer."""

    position: Array
    kernels: list[Array]
    fluxes: list[Array]
    shares: Array  # of each star in the stack of each frame, shape (frames, stars)
    own: list[Array]  # what each star adds to the fluxes by differing from the others, shape (stars, annuli)
    places: Array  # of the stars in the first frame, shape (stars, 2)

    @property
    def dof(self) -> NDArray[np.int64]:
        """Return the annuli of each frame less brightness and sky."""
        return np.array([flux.size - 2 for flux in self.fluxes])

    def pick(self, keep: NDArray[np.bool_]) -> Data:
        """Return some of the frames."""
        chosen = np.flatnonzero(keep)
        kernels, fluxes = [self.kernels[i] for i in chosen], [self.fluxes[i] for i in chosen]
        own = [self.own[i] for i in chosen]
        return Data(self.position[keep], kernels, fluxes, self.shares[keep], own, self.places)


@dataclass(frozen=True, eq=False, repr=False)
class State:
    """Parameters of the fit; ``shift`` is the defocus in waves of least HFD per wave of spherical."""

    best: float
    log_slope: float
    spherical: float
    exponent: float
    log_seeing: Array
    mean_log_seeing: float
    shift: float


@dataclass(frozen=True)
class Priors:
    """What is known of parameters before the run: value and standard deviation."""

    log_slope: tuple[float, float]
    spherical: tuple[float, float]
    exponent: tuple[float, float] = EXPONENT_PRIOR

    def pulls(self, state: State) -> tuple[tuple[Parameter, float, float], ...]:
        """Return for each known parameter how far it is from what was known, and the standard deviation of that."""
        return (
            (LOG_SLOPE, state.log_slope - self.log_slope[0], self.log_slope[1]),
            (SPHERICAL, state.spherical - self.spherical[0], self.spherical[1]),
            (EXPONENT, state.exponent - self.exponent[0], self.exponent[1]),
        )


NO_PRIORS = Priors((0.0, math.inf), (0.0, math.inf), (0.0, math.inf))


@dataclass(frozen=True, eq=False, repr=False)
class NormalEquations:
    """Normal equations of each frame in the order of `Parameter`, shape (frames, 5, 5), and its chi²."""

    chi2: Array
    matrix: Array
    gradient: Array

    def pick(self, chosen: NDArray[np.int64]) -> NormalEquations:
        """Return those of some frames."""
        return NormalEquations(self.chi2[chosen], self.matrix[chosen], self.gradient[chosen])


@dataclass(frozen=True, eq=False, repr=False)
class Reduced:
    """Normal equations of a run with the seeing of each frame eliminated, in the order of `Parameter`.

    A frame's seeing follows from its diagonal element ``own``, its gradient ``own_gradient`` and its coupling
    ``cross`` to the run's parameters, shape (frames, 5).
    """

    hessian: Array
    gradient: Array
    own: Array
    own_gradient: Array
    cross: Array


@dataclass(frozen=True, eq=False, repr=False)
class Solution:
    """State at the minimum of the cost, with the scatter ``tau`` of ln(seeing)."""

    state: State
    normal: NormalEquations
    priors: Priors
    tau: float
    cost: float
    converged: bool

    def reduced(self) -> Reduced:
        """Return the normal equations of the run."""
        return reduce_normal(self.normal, self.state, self.priors, self.tau)


def prepare(model: ProfileModel, frames: Sequence[FrameProfile]) -> Data:
    """Scale the noise of all frames to 1, and project their sky out."""
    kernels, fluxes, differ = [], [], []
    for frame in frames:
        scale = 1.0 / np.sqrt(frame.variance)
        sky = scale / np.linalg.norm(scale)
        kernel = scale[:, None] * model.kernel(frame.bins)
        flux = scale * frame.flux
        kernels.append(kernel - np.outer(sky, sky @ kernel))
        fluxes.append(flux - sky * (sky @ flux))
        own = np.zeros((frame.shares.size, flux.size)) if frame.own is None else scale * frame.own
        differ.append(own - np.outer(own @ sky, sky))
    shares = np.array([frame.shares for frame in frames])
    places = np.zeros((shares.shape[1], 2)) if frames[0].places is None else frames[0].places
    return Data(np.array([frame.position for frame in frames]), kernels, fluxes, shares, differ, places)


def solve(
    model: ProfileModel, data: Data, state: State, priors: Priors, tau: float | None = None, *, keep: bool = False
) -> Solution:
    """Levenberg-Marquardt steps, the seeing scatter brought up to date along the way.

    ``state`` with its scatter ``tau`` may be the solution for other priors, or for more frames; with ``keep`` scatter
    and shift stay, for a fit of which only the cost is used.
    """
    first = _FIRST if tau is None else 0
    if tau is None:
        tau = _USUAL_SCATTER
        state = replace(state, shift=least_hfd_shift(model, state))
    normal = linearise(model, data, state)
    damping = 1e-3
    for iteration in range(_ITERATIONS):
        if first <= iteration < _SETTLED and not keep:
            tau = float(SCATTER_GRID[np.argmax(over_scatters(normal, state, priors)[0])])
        before = cost_of(normal, state, priors, tau)
        trial = _step(normal, state, priors, tau, damping)
        trial_normal = linearise(model, data, trial)
        after = cost_of(trial_normal, trial, priors, tau)
        if after <= before:
            state, normal, damping = trial, trial_normal, max(0.2 * damping, 1e-9)
            converged = iteration > first and before - after < _CONVERGED
        else:
            damping *= 8.0
            converged = damping > 1e9
        if converged:
            break
    if keep:
        return Solution(state, normal, priors, tau, cost_of(normal, state, priors, tau), converged)
    # With the seeing known, say the same model again by the shift that belongs to it.
    shift = least_hfd_shift(model, state)
    moved = (shift - state.shift) * state.spherical * model.um_per_wave / math.exp(state.log_slope)
    state = replace(state, shift=shift, best=state.best + moved)
    normal = linearise(model, data, state)
    return Solution(state, normal, priors, tau, cost_of(normal, state, priors, tau), converged)


def linearise(model: ProfileModel, data: Data, state: State) -> NormalEquations:
    """Return the normal equations of the frames about a state."""
    count = data.position.size
    chi2, matrix, gradient = np.empty(count), np.empty((count, _COUNT, _COUNT)), np.empty((count, _COUNT))
    for i, (jacobian, residual) in enumerate(_slopes(model, data, state)):
        chi2[i] = residual @ residual
        matrix[i] = jacobian.T @ jacobian
        gradient[i] = jacobian.T @ residual
    return NormalEquations(chi2, matrix, gradient)


def _slopes(model: ProfileModel, data: Data, state: State) -> Iterator[tuple[Array, Array]]:
    """Yield for each frame the derivatives of the profile, shape (annuli, parameters), and its residuals."""
    slope = math.exp(state.log_slope) / model.um_per_wave
    distance = slope * (data.position - state.best)
    optics = model.optics(distance + state.shift * state.spherical, state.spherical)
    mtf, by_width, by_exponent = model.seeing(np.exp(state.log_seeing), state.exponent)
    for i, (kernel, flux) in enumerate(zip(data.kernels, data.fluxes, strict=True)):
        transfer = np.stack((
            optics.otf[:, i] * mtf[:, i],
            optics.otf[:, i] * by_width[:, i],
            optics.per_wave[:, i] * mtf[:, i],
            optics.per_spherical[:, i] * mtf[:, i],
            optics.otf[:, i] * by_exponent[:, i],
        ), axis=1)  # fmt: skip
        shapes = kernel @ transfer
        profile = shapes[:, 0]
        square = profile @ profile
        brightness = (profile @ flux) / square
        # Derivatives with the brightness refitted (variable projection after Kaufman 1975).
        per_width, per_wave, per_spherical, per_exponent = (
            brightness * (shapes[:, 1:] - np.outer(profile, profile @ shapes[:, 1:]) / square)
        ).T
        by_parameter = {
            SEEING: per_width,
            BEST: -slope * per_wave,
            LOG_SLOPE: distance[i] * per_wave,
            SPHERICAL: per_spherical + state.shift * per_wave,
            EXPONENT: per_exponent,
        }
        yield np.stack([by_parameter[one] for one in Parameter], axis=1), flux - brightness * profile


def star_moves(model: ProfileModel, data: Data, solution: Solution) -> Array:
    """Return by how much each star moves each parameter by differing from the others, shape (stars, parameters).

    To first order, at the solution; in the order of `Parameter`, the run's mean of ln(seeing) in place of ``SEEING``.
    """
    slopes = _slopes(model, data, solution.state)
    by_frame = np.stack([own @ jacobian for own, (jacobian, _) in zip(data.own, slopes, strict=True)])
    reduced = solution.reduced()
    gradient = by_frame.sum(axis=0)
    gradient[:, SEEING] = 0.0
    gradient -= np.einsum("fs,fj->sj", by_frame[:, :, SEEING] / reduced.own[:, None], reduced.cross)
    return np.asarray(np.linalg.solve(reduced.hessian, gradient.T).T)


def obstruction_moves(model: ProfileModel, data: Data, solution: Solution) -> Array:
    """Return by how much each parameter moves for each unit of obstruction that the telescope has beyond the model's.

    To first order, at the solution; in the order of `Parameter`, the run's mean of ln(seeing) in place of ``SEEING``.
    """
    state, small = solution.state, 1e-3
    distance = math.exp(state.log_slope) / model.um_per_wave * (data.position - state.best)
    waves, mtf = distance + state.shift * state.spherical, model.seeing(np.exp(state.log_seeing), state.exponent)[0]
    now = model.optics(waves, state.spherical).otf * mtf
    change = model.per_obstruction(waves, state.spherical) * mtf
    fluxes = []
    for i, (kernel, flux) in enumerate(zip(data.kernels, data.fluxes, strict=True)):
        profile = kernel @ now[:, i]
        fluxes.append(flux + small * (profile @ flux) / (profile @ profile) * (kernel @ change[:, i]))
    larger = linearise(model, replace(data, fluxes=fluxes), state)
    reduced = reduce_normal(larger, state, solution.priors, solution.tau)
    before = solution.reduced()
    return np.asarray(np.linalg.solve(before.hessian, reduced.gradient - before.gradient)) / small


def reduce_normal(
    normal: NormalEquations, state: State, priors: Priors, tau: float, damping: float = 0.0
) -> Reduced:  # fmt: skip
    """Eliminate the seeing of each frame, drawn from a law of width ``tau`` about the run's mean."""
    precision = 1.0 / tau**2
    pull = (state.log_seeing - state.mean_log_seeing) * precision
    own = normal.matrix[:, SEEING, SEEING] * (1.0 + damping) + precision
    own_gradient = normal.gradient[:, SEEING] - pull
    cross = normal.matrix[:, SEEING, :].copy()
    cross[:, SEEING] = -precision
    hessian = normal.matrix.sum(axis=0)
    hessian[SEEING, :] = hessian[:, SEEING] = 0.0
    hessian[SEEING, SEEING] = precision * normal.chi2.size
    gradient = normal.gradient.sum(axis=0)
    gradient[SEEING] = pull.sum()
    for place, off, sigma in priors.pulls(state):
        hessian[place, place] += 1.0 / sigma**2
        gradient[place] -= off / sigma**2
    hessian[np.diag_indices(_COUNT)] *= 1.0 + damping
    hessian -= np.einsum("i,ij,ik->jk", 1.0 / own, cross, cross)
    return Reduced(hessian, gradient - (own_gradient / own) @ cross, own, own_gradient, cross)


def cost_of(normal: NormalEquations, state: State, priors: Priors, tau: float) -> float:
    """Return chi² of the frames, of their seeings about the mean, and of the priors."""
    pull = (state.log_seeing - state.mean_log_seeing) / tau
    return float(normal.chi2.sum() + pull @ pull) + sum((off / sigma) ** 2 for _, off, sigma in priors.pulls(state))


def _step(normal: NormalEquations, state: State, priors: Priors, tau: float, damping: float) -> State:
    reduced = reduce_normal(normal, state, priors, tau, damping)
    move = np.linalg.solve(reduced.hessian, reduced.gradient)
    seeing_move = (reduced.own_gradient - reduced.cross @ move) / reduced.own
    for place, longest in _LONGEST_STEP.items():
        move[place] = np.clip(move[place], -longest, longest)
    longest = _LONGEST_STEP[SEEING]
    return replace(
        state,
        best=state.best + float(move[BEST]),
        log_slope=state.log_slope + float(move[LOG_SLOPE]),
        spherical=state.spherical + float(move[SPHERICAL]),
        exponent=float(np.clip(state.exponent + move[EXPONENT], *EXPONENT_RANGE)),
        log_seeing=state.log_seeing + np.clip(seeing_move, -longest, longest),
        mean_log_seeing=state.mean_log_seeing + float(move[SEEING]),
    )


def over_scatters(normal: NormalEquations, state: State, priors: Priors) -> tuple[Array, Array, Array]:
    """Return for each seeing scatter of the grid its probability, the move to its minimum, and the covariance.

    Shapes (scatters,), (scatters, 5) and (scatters, 5, 5). The probability has all parameters integrated out.
    """
    deviance, moves, covariances = [], [], []
    for tau in SCATTER_GRID:
        reduced = reduce_normal(normal, state, priors, tau)
        move = np.linalg.solve(reduced.hessian, reduced.gradient)
        gained = reduced.gradient @ move + np.sum(reduced.own_gradient**2 / reduced.own)
        deviance.append(
            cost_of(normal, state, priors, tau) - gained
            + 2.0 * normal.chi2.size * math.log(tau) + np.log(reduced.own).sum()
            + np.linalg.slogdet(reduced.hessian)[1] - 2.0 * math.log(_scatter_density(tau))
        )  # fmt: skip
        moves.append(move)
        covariances.append(np.linalg.inv(reduced.hessian))
    weights = np.exp(-0.5 * (np.array(deviance) - min(deviance)))
    return weights / weights.sum(), np.array(moves), np.array(covariances)


def _scatter_density(tau: float) -> float:
    """Return the probability density of the scatter's logarithm before a run is seen."""
    sigmas = math.log(tau / _USUAL_SCATTER) / _SCATTER_WIDTH
    usual = math.exp(-0.5 * sigmas**2) / (_SCATTER_WIDTH * math.sqrt(2.0 * math.pi))
    return (1.0 - _UNUSUAL) * usual + _UNUSUAL / math.log(SCATTER_GRID[-1] / SCATTER_GRID[0])


def least_hfd_shift(model: ProfileModel, state: State) -> float:
    """Return the defocus of least HFD per wave of spherical, at the run's mean seeing."""
    amount = math.copysign(max(abs(state.spherical), 0.01), state.spherical)
    return model.least_hfd_waves(math.exp(state.mean_log_seeing), amount, state.exponent) / amount


def best_per_log_seeing(model: ProfileModel, state: State) -> float:
    """Return by how many µm the best position moves with the mean of ln(seeing)."""
    other = replace(state, mean_log_seeing=state.mean_log_seeing + 0.1)
    waves = (least_hfd_shift(model, other) - state.shift) / 0.1 * state.spherical
    return waves * model.um_per_wave
