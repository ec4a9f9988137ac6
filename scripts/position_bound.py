"""The least error of a best position that any estimate from the same stars can have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.waves.fit import SPHERICAL_PRIOR, ProfileFit, model_for
from focuskit.waves.model import KOLMOGOROV_EXPONENT
from focuskit.waves.solve import (
    BEST,
    SLOPE_UNKNOWN,
    Priors,
    State,
    best_per_log_seeing,
    least_hfd_shift,
    linearise,
    prepare,
    reduce_normal,
    solve,
)
from focuskit.waves.stack import FrameProfile

_RATIO_STEP, _HOLE_STEP = 0.03, 0.03  # of ln(focal ratio) and of the obstruction, for differences


def position_bound(
    frames: Sequence[FrameProfile],
    rig: Rig,
    wavelength_um: float,
    *,
    best_position: float,
    seeing_um: NDArray[np.float64],
    spherical_waves: float = 0.0,
    spherical_err: float = 0.0,
    seeing_scatter: float | None = None,
) -> float:
    """Return the least standard deviation of the best position any estimate can have (Cramér-Rao).

    Of ``frames``, only bins and variances count; ``flux`` sets the scale of the brightness. The
    seeing is free in every frame, or has the lognormal scatter given; with it, the best position is that in the
    seeing which the frames scatter about, and theirs tells it only so well. The step size is free, the
    kernel of the seeing is Kolmogorov's.
    """
    if rig.um_per_step is None:
        raise FocuskitError("um_per_step: the bound needs the step size")
    model = model_for(frames, rig, wavelength_um)
    data = prepare(model, frames)
    log_seeing = np.log(seeing_um)
    mean = float(log_seeing.mean())
    state = State(best_position, math.log(rig.um_per_step), spherical_waves, KOLMOGOROV_EXPONENT, log_seeing, mean, 0.0)
    state = replace(state, shift=least_hfd_shift(model, state))
    priors = Priors(
        (state.log_slope, SLOPE_UNKNOWN),
        (spherical_waves, max(spherical_err, 1e-9)),
        (KOLMOGOROV_EXPONENT, 1e-9),
    )
    normal = linearise(model, data, state)
    hessian = reduce_normal(normal, state, priors, seeing_scatter or 1e3).hessian
    typical = best_per_log_seeing(model, state) / rig.um_per_step * (seeing_scatter or 0.0)
    return math.sqrt(float(np.linalg.inv(hessian)[BEST, BEST]) + typical**2 / len(frames))


def optics_moves(
    frames: Sequence[FrameProfile], rig: Rig, wavelength_um: float, fit: ProfileFit, seeing_um: Sequence[float]
) -> tuple[np.ndarray, np.ndarray]:
    """Return what frames without noise show of the optics, and what it matters.

    Returns
    -------
    moves : ndarray, shape (2,)
        By how many steps the best position moves with the logarithm of the focal ratio, and with the obstruction.
    shown : ndarray, shape (2, 2)
        The information on these two, in inverse variances, with all else of the run free.
    """
    model = model_for(frames, rig, wavelength_um)
    data = prepare(model, frames)
    log_seeing = np.log(seeing_um)
    way = math.log(rig.um_per_step or fit.um_per_step)
    mean = float(log_seeing.mean())
    state = State(fit.best_position, way, fit.spherical_waves, KOLMOGOROV_EXPONENT, log_seeing, mean, 0.0)
    state = replace(state, shift=least_hfd_shift(model, state))
    priors = Priors((way, SLOPE_UNKNOWN), (fit.spherical_waves, SPHERICAL_PRIOR[1]))
    distance = math.exp(way) / model.um_per_wave * (data.position - state.best)
    otf = model.optics(distance + state.shift * state.spherical, state.spherical).otf
    transfers = (otf * model.seeing(np.exp(log_seeing), state.exponent)[0]).T
    clean = []
    for frame, kernel, flux, transfer in zip(frames, data.kernels, data.fluxes, transfers, strict=True):
        profile = kernel @ transfer
        # In the frame's own numbers, its sky 0.
        bright = (profile @ flux) / (profile @ profile)
        clean.append(replace(frame, flux=bright * (model.kernel(frame.bins) @ transfer)))

    def at(ratio: float, obstruction: float) -> tuple[float, float]:
        other = Rig(pixel_um=rig.pixel_um, focal_ratio=math.exp(ratio) * (rig.f_ratio or 1.0), obstruction=obstruction)
        there = model_for(clean, other, wavelength_um)
        near = replace(state, log_slope=way + ratio, spherical=state.spherical * math.exp(-ratio))
        wanted = replace(priors, log_slope=(way + ratio, SLOPE_UNKNOWN))
        solution = solve(there, prepare(there, clean), near, wanted, max(fit.seeing_scatter, 0.001), keep=True)
        return solution.state.best, solution.cost

    hole = rig.likely_obstruction
    # Without a hole both steps are towards one.
    low = 0.0 if hole < 2.0 * _HOLE_STEP else hole - _HOLE_STEP
    here, up, down = at(0.0, hole), at(_RATIO_STEP, hole), at(-_RATIO_STEP, hole)
    wide, small, both = at(0.0, hole + _HOLE_STEP), at(0.0, low), at(_RATIO_STEP, hole + _HOLE_STEP)
    span = hole + _HOLE_STEP - low
    moves = np.array([(up[0] - down[0]) / (2.0 * _RATIO_STEP), (wide[0] - small[0]) / span])
    along = 0.5 * (up[1] + down[1] - 2.0 * here[1]) / _RATIO_STEP**2
    across = (wide[1] - here[1] + (small[1] - here[1] if low else 0.0)) / (_HOLE_STEP**2 * (2.0 if low else 1.0))
    mixed = (both[1] - up[1] - wide[1] + here[1]) / (2.0 * _RATIO_STEP * _HOLE_STEP)
    # Differences over steps of this size contain higher derivatives, but no information is negative.
    along, across = max(along, 0.0), max(across, 0.0)
    mixed = float(np.clip(mixed, -math.sqrt(along * across), math.sqrt(along * across)))
    return moves, np.array([[along, mixed], [mixed, across]])
