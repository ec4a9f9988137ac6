"""Gauss-Newton solution of the joint profile fit, with the seeing of each frame eliminated.

Parameters of a run: best position, ln(way per step), spherical term, exponent of the seeing; and for
each frame ln(seeing), which is drawn from a normal law whose mean and width are found as well.
Brightness and sky of a frame are linear and projected out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import Rig
from focuskit.waves.model import KOLMOGOROV_EXPONENT, ProfileModel
from focuskit.waves.stack import FrameProfile

Array = NDArray[np.float64]

# Frame-to-frame scatter of ln(seeing): 12 % is customary, twice or half of it nothing special.
SCATTER_GRID = np.geomspace(0.0005, 0.6, 21)
_USUAL_SCATTER, _SCATTER_WIDTH = 0.1, 1.0
# A few runs have steadier or wilder seeing than this tells: any width of the grid alike, in its logarithm.
_UNUSUAL = 0.05
# Seeing is seldom Kolmogorov's to the letter: an outer scale and guiding narrow its wings, domes widen
# them. One exponent for the run takes that in.
_EXPONENT_PRIOR = (KOLMOGOROV_EXPONENT, 0.1)
_ITERATIONS = 60
_SETTLED = 20
_OWN_ITERATIONS = 20
# The way per step a user gives is seldom wrong by more (backlash, backfocus added later).
_SLOPE_PRIOR = 0.1
SLOPE_UNKNOWN = 1.0


@dataclass(frozen=True)
class Data:
    """Frames with noise scaled to 1 and the sky projected out: model profiles are kernel @ transfer."""

    position: Array
    kernels: list[Array]
    fluxes: list[Array]

    @property
    def dof(self) -> NDArray[np.int64]:
        return np.array([flux.size - 2 for flux in self.fluxes])

    def pick(self, keep: NDArray[np.bool_]) -> Data:
        chosen = np.flatnonzero(keep)
        return Data(self.position[keep], [self.kernels[i] for i in chosen], [self.fluxes[i] for i in chosen])


@dataclass(frozen=True)
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
    log_slope: tuple[float, float]
    spherical: tuple[float, float]
    exponent: tuple[float, float] = _EXPONENT_PRIOR


NO_PRIORS = Priors((0.0, math.inf), (0.0, math.inf), (0.0, math.inf))


@dataclass(frozen=True)
class NormalEquations:
    """Normal equations of each frame in (ln seeing, best, ln slope, spherical, exponent), and its chi²."""

    chi2: Array
    matrix: Array
    gradient: Array


@dataclass(frozen=True)
class Solution:
    state: State
    normal: NormalEquations
    tau: float
    cost: float
    converged: bool


def prepare(model: ProfileModel, frames: Sequence[FrameProfile]) -> Data:
    kernels, fluxes = [], []
    for frame in frames:
        scale = 1.0 / np.sqrt(frame.variance)
        sky = scale / np.linalg.norm(scale)
        kernel = scale[:, None] * model.kernel(frame.bins)
        flux = scale * frame.flux
        kernels.append(kernel - np.outer(sky, sky @ kernel))
        fluxes.append(flux - sky * (sky @ flux))
    return Data(np.array([frame.position for frame in frames]), kernels, fluxes)


def start(model: ProfileModel, data: Data, rig: Rig, spherical: tuple[float, float]) -> tuple[State, Priors]:
    """Scan best position and way per step against the frames' own curves of chi² over |defocus|."""
    waves, log_seeing = coarse_grid(model, data)
    curves, seeing_at = [], []
    for i in range(data.position.size):
        chi2 = grid_chi2(model, data, i, waves, log_seeing, 0.0)
        curve = chi2.min(axis=1)
        # Tempered, so that one spoilt frame cannot outweigh the others.
        curves.append(np.log1p((curve - curve.min()) / max(1.0, curve.min() / max(data.dof[i] - 2, 1))))
        seeing_at.append(log_seeing[chi2.argmin(axis=1)])
    low, high = float(data.position.min()), float(data.position.max())
    best = np.linspace(low - 0.5 * (high - low), high + 0.5 * (high - low), 161)
    if rig.um_per_step is None:
        own = np.array([waves[curve.argmin()] for curve in curves])
        slope = max(float(own[data.position.argmin()] + own[data.position.argmax()]), waves[1])
        slopes = slope / (high - low) * np.geomspace(0.4, 2.5, 25)
    else:
        slopes = rig.um_per_step / model.um_per_wave * np.array([0.9, 0.95, 1.0, 1.05, 1.1])
    total = np.zeros((slopes.size, best.size))
    for position, curve in zip(data.position, curves, strict=True):
        total += np.interp(np.abs(slopes[:, None] * (position - best)), waves, curve, right=curve.max() + 1.0)
    at_slope, at_best = np.unravel_index(total.argmin(), total.shape)
    distance = np.abs(slopes[at_slope] * (data.position - best[at_best]))
    seeing = np.array([np.interp(d, waves, s) for d, s in zip(distance, seeing_at, strict=True)])
    log_slope = math.log(slopes[at_slope] * model.um_per_wave)
    priors = Priors((log_slope, SLOPE_UNKNOWN), spherical)
    if rig.um_per_step is not None:
        priors = Priors((math.log(rig.um_per_step), _SLOPE_PRIOR), spherical)
    middle = float(np.median(seeing))
    return State(float(best[at_best]), log_slope, spherical[0], KOLMOGOROV_EXPONENT, seeing, middle, 0.0), priors


def solve(model: ProfileModel, data: Data, state: State, priors: Priors, tau: float | None = None) -> Solution:
    """Levenberg-Marquardt steps, the seeing scatter brought up to date along the way.

    ``state`` with its scatter ``tau`` may be the solution for other priors, or for more frames.
    """
    first = 3 if tau is None else 0
    if tau is None:
        tau = _USUAL_SCATTER
        state = replace(state, shift=least_hfd_shift(model, state))
    normal = linearise(model, data, state)
    damping = 1e-3
    for iteration in range(_ITERATIONS):
        # Two neighbours of the grid may take turns for ever.
        if first <= iteration < _SETTLED:
            tau = float(SCATTER_GRID[np.argmax(scatter_weights(normal, state, priors))])
        before = cost_of(normal, state, priors, tau)
        trial = _step(normal, state, priors, tau, damping)
        trial_normal = linearise(model, data, trial)
        after = cost_of(trial_normal, trial, priors, tau)
        if after <= before:
            state, normal, damping = trial, trial_normal, max(0.2 * damping, 1e-9)
            converged = iteration > first and before - after < 1e-3
        else:
            damping *= 8.0
            converged = damping > 1e9
        if converged:
            break
    # With the seeing known, say the same model again by the shift that belongs to it.
    shift = least_hfd_shift(model, state)
    moved = (shift - state.shift) * state.spherical * model.um_per_wave / math.exp(state.log_slope)
    state = replace(state, shift=shift, best=state.best + moved)
    normal = linearise(model, data, state)
    return Solution(state, normal, tau, cost_of(normal, state, priors, tau), converged)


def linearise(model: ProfileModel, data: Data, state: State) -> NormalEquations:
    slope = math.exp(state.log_slope) / model.um_per_wave
    distance = slope * (data.position - state.best)
    optics = model.optics(distance + state.shift * state.spherical, state.spherical)
    mtf, by_width, by_exponent = model.seeing(np.exp(state.log_seeing), state.exponent)
    count = data.position.size
    chi2, matrix, gradient = np.empty(count), np.empty((count, 5, 5)), np.empty((count, 5))
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
        residual = flux - brightness * profile
        # Derivatives with the brightness refitted (variable projection after Kaufman 1975).
        slopes = brightness * (shapes[:, 1:] - np.outer(profile, profile @ shapes[:, 1:]) / square)
        chain = np.zeros((4, 5))
        chain[0, 0] = chain[2, 3] = chain[3, 4] = 1.0
        chain[1, 1:4] = -slope, distance[i], state.shift
        jacobian = slopes @ chain
        chi2[i] = residual @ residual
        matrix[i] = jacobian.T @ jacobian
        gradient[i] = jacobian.T @ residual
    return NormalEquations(chi2, matrix, gradient)


def reduce_normal(
    normal: NormalEquations, state: State, priors: Priors, tau: float, damping: float = 0.0
) -> tuple[Array, Array, Array, Array]:
    """Eliminate the seeing of each frame.

    Returns the Hessian and gradient in (mean ln seeing, best, ln slope, spherical, exponent), then each
    frame's own diagonal and gradient with which its seeing follows.
    """
    precision = 1.0 / tau**2
    pull = (state.log_seeing - state.mean_log_seeing) * precision
    own = normal.matrix[:, 0, 0] * (1.0 + damping) + precision
    own_gradient = normal.gradient[:, 0] - pull
    cross = normal.matrix[:, 0, :].copy()
    cross[:, 0] = -precision
    hessian = normal.matrix.sum(axis=0)
    hessian[0, :] = hessian[:, 0] = 0.0
    hessian[0, 0] = precision * normal.chi2.size
    gradient = normal.gradient.sum(axis=0)
    gradient[0] = pull.sum()
    for place, value, (mean, sigma) in (
        (2, state.log_slope, priors.log_slope),
        (3, state.spherical, priors.spherical),
        (4, state.exponent, priors.exponent),
    ):
        hessian[place, place] += 1.0 / sigma**2
        gradient[place] -= (value - mean) / sigma**2
    hessian[np.diag_indices(5)] *= 1.0 + damping
    hessian -= np.einsum("i,ij,ik->jk", 1.0 / own, cross, cross)
    gradient = gradient - (own_gradient / own) @ cross
    return hessian, gradient, own, own_gradient


def cost_of(normal: NormalEquations, state: State, priors: Priors, tau: float) -> float:
    pull = (state.log_seeing - state.mean_log_seeing) / tau
    slope = (state.log_slope - priors.log_slope[0]) / priors.log_slope[1]
    spherical = (state.spherical - priors.spherical[0]) / priors.spherical[1]
    exponent = (state.exponent - priors.exponent[0]) / priors.exponent[1]
    return float(normal.chi2.sum() + pull @ pull + slope**2 + spherical**2 + exponent**2)


def _step(normal: NormalEquations, state: State, priors: Priors, tau: float, damping: float) -> State:
    hessian, gradient, own, own_gradient = reduce_normal(normal, state, priors, tau, damping)
    move = np.linalg.solve(hessian, gradient)
    cross = normal.matrix[:, 0, :].copy()
    cross[:, 0] = -1.0 / tau**2
    seeing_move = np.clip((own_gradient - cross @ move) / own, -0.3, 0.3)
    return replace(
        state,
        best=state.best + float(move[1]),
        log_slope=state.log_slope + float(np.clip(move[2], -0.2, 0.2)),
        spherical=state.spherical + float(np.clip(move[3], -0.03, 0.03)),
        exponent=min(max(state.exponent + float(np.clip(move[4], -0.1, 0.1)), 0.8), 2.2),
        log_seeing=state.log_seeing + seeing_move,
        mean_log_seeing=state.mean_log_seeing + float(np.clip(move[0], -0.3, 0.3)),
    )


def scatter_weights(normal: NormalEquations, state: State, priors: Priors) -> Array:
    """Return the probabilities of the seeing scatters of the grid, all else integrated out."""
    deviance = np.empty(SCATTER_GRID.size)
    for k, tau in enumerate(SCATTER_GRID):
        hessian, gradient, own, own_gradient = reduce_normal(normal, state, priors, tau)
        gained = gradient @ np.linalg.solve(hessian, gradient) + np.sum(own_gradient**2 / own)
        deviance[k] = (
            cost_of(normal, state, priors, tau) - gained
            + 2.0 * normal.chi2.size * math.log(tau) + np.log(own).sum() + np.linalg.slogdet(hessian)[1]
            - 2.0 * math.log(_scatter_density(tau))
        )  # fmt: skip
    weights = np.exp(-0.5 * (deviance - deviance.min()))
    return weights / weights.sum()


def _scatter_density(tau: float) -> float:
    """Return the probability density of the scatter's logarithm before a run is seen."""
    sigmas = math.log(tau / _USUAL_SCATTER) / _SCATTER_WIDTH
    usual = math.exp(-0.5 * sigmas**2) / (_SCATTER_WIDTH * math.sqrt(2.0 * math.pi))
    return (1.0 - _UNUSUAL) * usual + _UNUSUAL / math.log(SCATTER_GRID[-1] / SCATTER_GRID[0])


def least_hfd_shift(model: ProfileModel, state: State) -> float:
    """Return the defocus of least HFD per wave of spherical, at the run's mean seeing."""
    amount = math.copysign(max(abs(state.spherical), 0.01), state.spherical)
    return model.least_hfd_waves(math.exp(state.mean_log_seeing), amount, state.exponent) / amount


def coarse_grid(model: ProfileModel, data: Data) -> tuple[Array, Array]:
    """Return the defocuses in waves, from 0, and the ln(seeing) that are scanned first."""
    widest = 1.5 * model.radius_px * model.pixel_um
    least = 0.7 * max(model.pixel_um, 0.5 * model.unit_um)
    seeing = np.linspace(math.log(least), math.log(widest), math.ceil(math.log(widest / least) / 0.2))
    return model.scan_waves, seeing


def grid_chi2(model: ProfileModel, data: Data, i: int, waves: Array, log_seeing: Array, spherical: float) -> Array:
    """Return chi² of frame ``i``, shape (waves, seeings): three dot products for each node."""
    otf = model.scan_otf if waves is model.scan_waves else model.optics(waves, spherical).otf
    mtf = model.seeing(np.exp(log_seeing))[0]
    nodes = (otf[:, :, None] * mtf[:, None, :]).reshape(otf.shape[0], -1)
    shapes = data.kernels[i] @ nodes
    match = np.maximum(data.fluxes[i] @ shapes, 0.0)
    chi2 = data.fluxes[i] @ data.fluxes[i] - match**2 / np.einsum("ij,ij->j", shapes, shapes)
    return chi2.reshape(waves.size, log_seeing.size)


def own_positions(model: ProfileModel, data: Data, state: State, tau: float, log_seeing: Array) -> tuple[Array, Array]:
    """Return the position at which each frame's stars put it, whatever the focuser tells, and its error.

    Spherical term, exponent and way per step are those of the run; the seeing of each frame is free
    within the run's scatter ``tau``, and is sought from ``log_seeing``. Where a frame departs from the
    model by more than its noise, its error is as much larger.
    """
    reach = float(np.ptp(data.position))
    position = data.position.copy()
    damping = np.full(position.size, 1e-3)

    def look(position: Array, log_seeing: Array) -> tuple[NormalEquations, Array]:
        normal = linearise(model, replace(data, position=position), replace(state, log_seeing=log_seeing))
        return normal, normal.chi2 + ((log_seeing - state.mean_log_seeing) / tau) ** 2

    normal, cost = look(position, log_seeing)
    for _ in range(_OWN_ITERATIONS):
        matrix = normal.matrix[:, :2, :2] * np.array([[1.0, -1.0], [-1.0, 1.0]])
        matrix[:, 0, 0] += 1.0 / tau**2
        gradient = normal.gradient[:, :2] * np.array([1.0, -1.0])
        gradient[:, 0] -= (log_seeing - state.mean_log_seeing) / tau**2
        matrix[:, [0, 1], [0, 1]] *= 1.0 + damping[:, None]
        matrix[:, 1, 1] += 1.0 / reach**2  # in focus a frame tells nothing of its place
        move = np.linalg.solve(matrix, gradient[..., None])[..., 0]
        seeing = log_seeing + np.clip(move[:, 0], -0.3, 0.3)
        place = position + np.clip(move[:, 1], -0.1 * reach, 0.1 * reach)
        trial, after = look(place, seeing)
        better = after <= cost
        settled = bool(np.all(np.where(better, cost - after < 0.03, damping > 1.0)))
        position, log_seeing = np.where(better, place, position), np.where(better, seeing, log_seeing)
        cost, damping = np.where(better, after, cost), np.where(better, 0.2 * damping, 8.0 * damping)
        normal = NormalEquations(
            np.where(better, trial.chi2, normal.chi2),
            np.where(better[:, None, None], trial.matrix, normal.matrix),
            np.where(better[:, None], trial.gradient, normal.gradient),
        )
        if settled:
            break
    matrix = normal.matrix
    told = matrix[:, 1, 1] - matrix[:, 0, 1] ** 2 / (matrix[:, 0, 0] + 1.0 / tau**2)
    misfit = np.maximum(1.0, normal.chi2 / np.maximum(data.dof - 2, 1))
    return position, np.sqrt(misfit / np.maximum(told, 1e-6 / reach**2))
