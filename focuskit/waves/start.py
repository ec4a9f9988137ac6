"""Where the profile fit begins: a coarse scan of |defocus| and seeing, frame by frame."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import KOLMOGOROV_EXPONENT, Rig
from focuskit.waves.model import ProfileModel
from focuskit.waves.solve import SLOPE_UNKNOWN, Data, Priors, State

Array = NDArray[np.float64]

# Relative error of the µm per step that a user gives; seldom larger (backlash, backfocus added later): common practice,
# no source.
UM_PER_STEP_ERR = 0.1


def start(model: ProfileModel, data: Data, rig: Rig, spherical: tuple[float, float]) -> tuple[State, Priors]:
    """Scan best position and step size against the frames' own curves of chi² over |defocus|."""
    waves, log_seeing = coarse_grid(model)
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
        ends = own[data.position.argmin()], own[data.position.argmax()]
        # For a sweep across focus, and for one on a single side of it.
        across, aside = (max(float(path), waves[1]) / (high - low) for path in (sum(ends), abs(ends[0] - ends[1])))
        slopes = np.geomspace(0.4 * min(across, aside), 2.5 * across, 25 if aside > 0.8 * across else 50)
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
        priors = Priors((math.log(rig.um_per_step), UM_PER_STEP_ERR), spherical)
    middle = float(np.median(seeing))
    return State(float(best[at_best]), log_slope, spherical[0], KOLMOGOROV_EXPONENT, seeing, middle, 0.0), priors


def coarse_grid(model: ProfileModel) -> tuple[Array, Array]:
    """Return the defocuses in waves, from 0, and the ln(seeing) that are scanned first."""
    widest = 1.5 * model.radius_px * model.pixel_um
    least = 0.7 * max(model.pixel_um, 0.5 * model.unit_um)
    seeing = np.linspace(math.log(least), math.log(widest), math.ceil(math.log(widest / least) / 0.2))
    return model.scan_waves, seeing


def grid_chi2(
    model: ProfileModel, data: Data, i: int, waves: Array, log_seeing: Array, spherical: float,
    exponent: float = KOLMOGOROV_EXPONENT,
) -> Array:  # fmt: skip
    """Return chi² of frame ``i``, shape (waves, seeings): three dot products for each node."""
    otf = model.scan_otf if waves is model.scan_waves else model.optics(waves, spherical).otf
    mtf = model.seeing(np.exp(log_seeing), exponent)[0]
    nodes = (otf[:, :, None] * mtf[:, None, :]).reshape(otf.shape[0], -1)
    shapes = data.kernels[i] @ nodes
    match = np.maximum(data.fluxes[i] @ shapes, 0.0)
    chi2 = data.fluxes[i] @ data.fluxes[i] - match**2 / np.einsum("ij,ij->j", shapes, shapes)
    return chi2.reshape(waves.size, log_seeing.size)
