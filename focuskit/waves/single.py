"""Defocus of a single frame, e.g. an ordinary light frame, from the shape of its stars."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import KOLMOGOROV_EXPONENT, Rig
from focuskit.core.reasons import Reason
from focuskit.frames import Limits
from focuskit.stars import MeasuredFrame
from focuskit.waves.fit import SPHERICAL_PRIOR, in_arcsec, model_for
from focuskit.waves.model import ProfileModel, fwhm_factor
from focuskit.waves.solve import (
    BEST,
    EXPONENT,
    EXPONENT_PRIOR,
    EXPONENT_RANGE,
    SEEING,
    Data,
    State,
    linearise,
    prepare,
)
from focuskit.waves.stack import FrameProfile, StackTask, stack_radius_px
from focuskit.waves.stack_files import stack_or_say
from focuskit.waves.start import coarse_grid, grid_chi2

Array = NDArray[np.float64]

# Grids that close in on a peak: rounds at most, of which each narrows by up to three times, and points.
_CLOSER = 12
_CLOSER_POINTS = 25
# Of the fit of the wings: steps at most, and the change of chi² that ends it.
_WINGS_STEPS, _WINGS_SETTLED = 40, 0.01


@dataclass(frozen=True)
class Defocus:
    """Defocus of one frame by itself: its amount without sign, its seeing, and the match.

    ``outside`` is the probability that the detector lay outside focus: one half where no aberration tells.
    ``growth`` is the half-flux diameter over what it had been in focus, in the same seeing.
    """

    defocus_um: float
    defocus_err_um: float
    outside: float
    growth: float
    seeing_um: float
    seeing_arcsec: float | None
    chi2_reduced: float


def stack_single(frame: MeasuredFrame, limits: Limits | None = None) -> FrameProfile | Reason | None:
    """Read a frame again and stack its good stars; None where no star is whole, the reason where it cannot be read."""
    seen = frame.image.measured
    stars = seen.take(seen.good)
    if frame.hfd_px is None:
        return None
    task = StackTask(
        path=frame.info.path,
        x_px=stars.x_px,
        y_px=stars.y_px,
        flux=stars.flux_adu,
        sky=frame.image.sky.at(stars.x_px, stars.y_px),
        noise=frame.image.noise_adu,
        radius_px=stack_radius_px(frame.hfd_px),
        position=frame.info.position or 0.0,
        gain=frame.info.gain,
        known=np.stack((seen.x_px, seen.y_px), axis=1),
        sites=frame.info.sites(),
        plane=frame.info.plane(),
    )
    return stack_or_say(task, limits)


@dataclass(frozen=True)
class _Side:
    mean: float
    spread: float
    log_seeing: float
    log_evidence: float
    chi2: float


def measure_defocus(
    frame: FrameProfile,
    rig: Rig,
    wavelength_um: float,
    spherical: tuple[float, float] = SPHERICAL_PRIOR,
) -> Defocus:
    """Measure the defocus of a single frame, e.g. an ordinary light frame.

    The sign stays open: an image says how far, hardly to which side. The mean and the standard
    deviation are those of the likelihood over the distance from least HFD, to either side alike and far
    from normal, with the seeing free, so that they hold in focus too; the spherical term is taken as
    known with its error, not learnt from one frame.

    Raises
    ------
    FocuskitError
        If the rig lacks a number the model needs.
    """
    model = model_for([frame], rig, wavelength_um)
    data = prepare(model, [frame])
    freedom = max(int(data.dof[0]) - 2, 1)
    # A first look for the wings and the width of the seeing, which decides where the HFD is smallest, and for what the
    # model does not know of: the error grows with it.
    sides, chance = _both_sides(model, data, (spherical[0], KOLMOGOROV_EXPONENT), 0.0, 1.0)
    best = int(chance.argmax())
    waves = (1.0, -1.0)[best] * sides[best].mean
    exponent, chi2, by_wings = _wings(model, data, waves, sides[best].log_seeing, spherical[0])
    amount = math.copysign(max(abs(spherical[0]), 0.01), spherical[0])
    seeing_um = math.exp(float(chance @ [side.log_seeing for side in sides]))
    shift = model.least_hfd_waves(seeing_um, amount, exponent) / amount
    excess = max(1.0, chi2 / freedom)
    means, squares, seeings, fits, outside = [], [], [], [], []
    for node in (-math.sqrt(3.0), 0.0, math.sqrt(3.0)):
        known = spherical[0] + node * spherical[1]
        sides, chance = _both_sides(model, data, (known, exponent), shift * known, excess)
        means.append(chance @ [side.mean for side in sides])
        squares.append(chance @ [side.mean**2 + side.spread**2 for side in sides])
        seeings.append(float(chance @ [side.log_seeing for side in sides]))
        fits.append(min(side.chi2 for side in sides))
        outside.append(chance[0])
    # Three-point Gauss-Hermite rule over what is known of the spherical term.
    rule = np.array([1.0, 4.0, 1.0]) / 6.0
    mean, side = float(rule @ means), float(rule @ outside)
    seeing_um = math.exp(float(rule @ seeings))
    least = model.least_hfd_waves(seeing_um, spherical[0], exponent)
    inwards, in_focus, outwards = (
        model.hfd_um(waves, seeing_um, spherical[0], exponent) for waves in (least - mean, least, least + mean)
    )
    variance = max(float(rule @ squares) - mean**2, 0.0) + excess * by_wings
    seeing_um *= fwhm_factor(exponent)
    return Defocus(
        defocus_um=mean * model.um_per_wave,
        defocus_err_um=math.sqrt(variance) * model.um_per_wave,
        outside=side,
        growth=max(((1.0 - side) * inwards + side * outwards) / in_focus, 1.0),
        seeing_um=seeing_um,
        seeing_arcsec=in_arcsec(seeing_um, rig),
        chi2_reduced=min(fits) / freedom,
    )


def _wings(
    model: ProfileModel, data: Data, waves: float, log_seeing: float, spherical: float
) -> tuple[float, float, float]:
    """Fit defocus, seeing and its exponent together, from a start with Kolmogorov's.

    Returns
    -------
    exponent, chi2 : float
    by_wings : float
        What the exponent's error adds to the variance of the defocus, in waves squared.
    """
    data = replace(data, position=np.zeros(1))
    state = State(
        -waves, math.log(model.um_per_wave), spherical, KOLMOGOROV_EXPONENT, np.array([log_seeing]), log_seeing, 0.0
    )
    free, damping = [SEEING, BEST, EXPONENT], 1e-2
    normal, cost = linearise(model, data, state), math.inf
    for _ in range(_WINGS_STEPS):
        hessian, gradient = normal.matrix[0][np.ix_(free, free)], normal.gradient[0][free]
        hessian[[1, 2], [1, 2]] += 1.0 / model.waves_max**2, 1.0 / EXPONENT_PRIOR[1] ** 2
        gradient[2] -= (state.exponent - KOLMOGOROV_EXPONENT) / EXPONENT_PRIOR[1] ** 2
        longest = np.array([0.3, 0.3, 0.1])
        move = np.clip(np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient), -longest, longest)
        trial = replace(
            state, log_seeing=state.log_seeing + move[0], best=state.best + float(move[1]),
            exponent=float(np.clip(state.exponent + move[2], *EXPONENT_RANGE)),
        )  # fmt: skip
        now = linearise(model, data, trial)
        after = float(now.chi2[0]) + ((trial.exponent - KOLMOGOROV_EXPONENT) / EXPONENT_PRIOR[1]) ** 2
        gained = cost - after
        if gained >= 0.0:
            state, normal, cost, damping = trial, now, after, 0.2 * damping
        else:
            damping *= 8.0
        if 0.0 <= gained < _WINGS_SETTLED:
            break
    covariance = np.linalg.inv(hessian)
    return state.exponent, float(normal.chi2[0]), float(covariance[1, 2] ** 2 / covariance[2, 2])


def _both_sides(
    model: ProfileModel, data: Data, given: tuple[float, float], least: float, excess: float
) -> tuple[list[_Side], Array]:
    """Return what `_one_side` says of either side, outside first, and the probability of each."""
    sides = [_one_side(model, data, side, given, least, excess) for side in (1.0, -1.0)]
    evidence = np.array([side.log_evidence for side in sides])
    chance = np.exp(evidence - evidence.max())
    return sides, np.asarray(chance / chance.sum())


def _one_side(
    model: ProfileModel, data: Data, side: float, given: tuple[float, float], least: float, excess: float
) -> _Side:
    """Integrate the likelihood of a frame over its seeing and its defocus on one side.

    ``given`` are the spherical term and the exponent of the seeing, ``least`` is the defocus of least HFD, from which
    the distance is counted; ``excess`` is by how much the variance is larger than the noise's. The grid closes in on
    the peak until it resolves it.
    """
    waves, log_seeing = coarse_grid(model)
    for _ in range(_CLOSER):
        chi2 = grid_chi2(model, data, 0, side * waves, log_seeing, *given)
        weight = np.exp(-0.5 / excess * (chi2 - chi2.min()))
        total = float(weight.sum())
        weight /= total
        step, seeing_step = waves[1] - waves[0], log_seeing[1] - log_seeing[0]
        mean, spread = _moments(weight.sum(axis=1), np.abs(side * waves - least))
        seeing, seeing_spread = _moments(weight.sum(axis=0), log_seeing)
        if spread > step and seeing_spread > seeing_step:
            break
        at_waves, at_seeing = np.unravel_index(weight.argmax(), weight.shape)
        waves = _closer(waves, int(at_waves), spread, 0.0)
        log_seeing = _closer(log_seeing, int(at_seeing), seeing_spread, -math.inf)
    evidence = math.log(total * step * seeing_step) - 0.5 / excess * float(chi2.min())
    return _Side(mean, spread, seeing, evidence, float(chi2.min()))


def _moments(weight: Array, values: Array) -> tuple[float, float]:
    mean = float(weight @ values)
    return mean, math.sqrt(float(weight @ (values - mean) ** 2))


def _closer(grid: Array, best: int, spread: float, least: float) -> Array:
    """Return a narrower grid about the best node, not below ``least``.

    It narrows by no more than three times, because a coarse grid misses narrow ridges, and not to
    less than five times the spread to either side.
    """
    reach = max((grid[-1] - grid[0]) / 6.0, 5.0 * spread)
    return np.linspace(max(grid[best] - reach, least), grid[best] + reach, _CLOSER_POINTS)
