"""What a frame shows of its defocus: one sharp peak on either side far from focus, one broad hill over both near it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from focuskit.waves.model import ProfileModel
from focuskit.waves.solve import (
    BEST,
    EXPONENT,
    EXPONENT_PRIOR,
    EXPONENT_RANGE,
    SEEING,
    Data,
    State,
    linearise,
)
from focuskit.waves.start import coarse_grid, grid_chi2

Array = NDArray[np.float64]

# Steps of a fit at most, and the change of chi² that ends it: a sixth of an error at most.
_STEPS, _SETTLED = 40, 0.03
_LONGEST = np.array([0.3, 0.3, 0.1])  # of ln(seeing), waves and exponent in one step, as in the fit of a run
# Near focus: points over the distance, as many on each side, and how often the window about it is narrowed at most.
_PLACES, _CLOSER = 48, 8
_NEGLIGIBLE = 25.0  # chi² above the least from which a place is left out: 4 in 10⁶
# Three-point Gauss-Hermite rule over what is known of the spherical term: places in standard deviations, weights.
_NODES, _RULE = np.array([0.0, -math.sqrt(3.0), math.sqrt(3.0)]), np.array([4.0, 1.0, 1.0]) / 6.0
_KNOWN = 1e-4  # waves: an error below moves nothing


@dataclass(frozen=True)
class Peak:
    """Where the fit of one side ends: waves of defocus (signed), its variance, ln(seeing) and exponent, chi².

    ``evidence`` is the logarithm of the integral of the likelihood about the peak.
    """

    waves: float
    variance: float
    log_seeing: float
    exponent: float
    chi2: float
    evidence: float


@dataclass(frozen=True, eq=False)
class Hill:
    """Density of the signed distance from least HFD, in waves, and the distance in waves where it is highest.

    ``is_far`` says that focus itself lies outside of it: then there are two peaks, which the places do not resolve.
    """

    places: Array
    density: Array
    peak: float
    is_far: bool


def first_look(model: ProfileModel, data: Data) -> tuple[Array, Array, Array]:
    """Look at a coarse grid without aberration: distances in waves, the least chi² of each, and its ln(seeing)."""
    waves, log_seeing = coarse_grid(model)
    chi2 = grid_chi2(model, data, 0, waves, log_seeing, 0.0)
    return waves, chi2.min(axis=1), log_seeing[chi2.argmin(axis=1)]


def over_spherical(spherical: tuple[float, float]) -> tuple[list[float], Array]:
    """Return spherical terms that stand for what is known of it, the likeliest first, and their weights."""
    value, err = spherical
    return ([value], np.ones(1)) if err < _KNOWN else ((value + err * _NODES).tolist(), _RULE)


def fit_peak(
    model: ProfileModel, data: Data, start: tuple[float, float, float], spherical: float,
    usual: tuple[float, float] = EXPONENT_PRIOR,
) -> Peak:  # fmt: skip
    """Fit defocus (signed, in waves), ln(seeing) and its exponent together, from a start in this order.

    ``usual`` is what is known of the exponent: value and standard deviation.
    """
    waves, log_seeing, exponent = start
    state = State(
        -waves, math.log(model.um_per_wave), spherical, exponent, np.array([log_seeing]), log_seeing, 0.0
    )  # fmt: skip
    free, damping = [SEEING, BEST, EXPONENT], 1e-2
    centre, width = usual

    def cost_of(chi2: float, exponent: float) -> float:
        return chi2 + ((exponent - centre) / width) ** 2

    normal = linearise(model, data, state)
    cost = cost_of(float(normal.chi2[0]), exponent)
    for _ in range(_STEPS):
        hessian, gradient = normal.matrix[0][np.ix_(free, free)], normal.gradient[0][free].copy()
        hessian[[1, 2], [1, 2]] += 1.0 / model.waves_max**2, 1.0 / width**2
        gradient[2] -= (state.exponent - centre) / width**2
        move = np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
        move = np.clip(move, -_LONGEST, _LONGEST)
        trial = replace(
            state, log_seeing=state.log_seeing + move[0], best=state.best + float(move[1]),
            exponent=float(np.clip(state.exponent + move[2], *EXPONENT_RANGE)),
        )  # fmt: skip
        now = linearise(model, data, trial)
        gained = cost - cost_of(float(now.chi2[0]), trial.exponent)
        if gained >= 0.0:
            state, normal, cost, damping = trial, now, cost - gained, 0.2 * damping
        else:
            damping *= 8.0
        if 0.0 <= gained < _SETTLED or damping > 1e9:
            break
    hessian = normal.matrix[0][np.ix_(free, free)]
    hessian[[1, 2], [1, 2]] += 1.0 / model.waves_max**2, 1.0 / width**2
    covariance = np.linalg.inv(hessian)
    return Peak(
        waves=-state.best,
        variance=float(covariance[1, 1]),
        log_seeing=float(state.log_seeing[0]),
        exponent=state.exponent,
        chi2=float(normal.chi2[0]),
        evidence=-0.5 * cost + 0.5 * float(np.linalg.slogdet(covariance)[1]),
    )


def hill_near(
    model: ProfileModel, data: Data, start: Callable[[Array], Array], reach: float, spherical: tuple[float, float],
    usual: tuple[float, float], shift: float, freedom: int,
) -> Hill:  # fmt: skip
    """Return what a frame near focus shows, any distance alike before it.

    ``start`` gives the ln(seeing) to begin with at distances in waves, ``reach`` how far to look first; ``spherical``
    and ``usual`` are what is known of the spherical term and of the seeing's exponent; ``shift`` is the defocus of
    least HFD per wave of the former. Where chi² exceeds its ``freedom``, the density is as much wider.
    """
    nodes, rule = over_spherical(spherical)

    def fits(places: Array, known: float) -> tuple[Array, Array]:
        return _profile(model, data, places + shift * known, start(np.abs(places)), known, usual)

    for _ in range(_CLOSER):
        places = np.linspace(-reach, reach, _PLACES)
        first = fits(places, nodes[0])
        excess = max(1.0, float(first[0].min()) / freedom)
        density = _density(*first, excess)
        wide = np.abs(places[density > math.exp(-0.5 * _NEGLIGIBLE) * density.max()])
        if wide.max() > 0.5 * reach:
            break
        reach = 1.2 * max(float(wide.max()), float(places[-1] - places[-2]))
    total = rule @ np.array([density, *(_density(*fits(places, known), excess) for known in nodes[1:])])
    peak, step = float(abs(places[total.argmax()])), float(places[1] - places[0])
    is_far = bool(peak > step and wide.min() > 0.5 * peak)
    return Hill(places, total / (float(total.sum()) * step), peak, is_far)


def _density(chi2: Array, logdet: Array, excess: float) -> Array:
    logs = -0.5 / excess * (chi2 - chi2.min()) - 0.5 * logdet
    density = np.exp(logs - logs.max())
    return np.asarray(density / density.sum())


def _profile(
    model: ProfileModel, data: Data, waves: Array, log_seeing: Array, spherical: float, usual: tuple[float, float]
) -> tuple[Array, Array]:
    """Fit seeing and its exponent at each defocus in waves, all at once, from ``log_seeing`` on.

    Returns
    -------
    chi2, logdet : arrays, shape (places,)
        Least chi², with the prior of the exponent, and the logarithm of the determinant of its Hessian.
    """
    otf, flux = model.optics(waves, spherical).otf, data.fluxes[0]
    centre, width = usual
    longest = _LONGEST[[0, 2], None]
    state = kept = np.stack((log_seeing, np.full(waves.size, centre)))
    damping, best = np.full(waves.size, 1e-2), np.full(waves.size, np.inf)
    matrix, gradient = np.zeros((waves.size, 2, 2)), np.zeros((waves.size, 2))
    for _ in range(_STEPS):
        transfers = model.seeing(np.exp(state[0]), state[1])
        shape, *slopes = (data.kernels[0] @ (otf * part) for part in transfers)
        square = (shape**2).sum(axis=0)
        bright = np.maximum(flux @ shape / square, 0.0)
        residual = flux[:, None] - bright * shape
        by_parameter = np.stack([bright * (one - shape * ((shape * one).sum(axis=0) / square)) for one in slopes])
        off = (state[1] - centre) / width
        chi2 = (residual**2).sum(axis=0) + off**2
        better = chi2 <= best
        settled = bool(np.where(better, best - chi2 < _SETTLED, damping > 1e6).all())
        now = np.einsum("iap,jap->pij", by_parameter, by_parameter)
        now[:, 1, 1] += 1.0 / width**2
        pull = np.einsum("iap,ap->pi", by_parameter, residual)
        pull[:, 1] -= off / width
        kept = np.where(better, state, kept)
        matrix, gradient = np.where(better[:, None, None], now, matrix), np.where(better[:, None], pull, gradient)
        best, damping = np.where(better, chi2, best), np.where(better, 0.2 * damping, 8.0 * damping)
        if settled:
            break
        damped = matrix * (1.0 + damping[:, None, None] * np.eye(2))
        move = np.linalg.solve(damped, gradient[..., None])[..., 0].T
        state = kept + np.clip(move, -longest, longest)
        state[1] = np.clip(state[1], *EXPONENT_RANGE)
    return best, np.linalg.slogdet(matrix)[1]
