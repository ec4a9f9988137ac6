"""The least error of a best position that any estimate from the same stars can have."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.waves.fit import best_per_log_seeing, model_for
from focuskit.waves.model import KOLMOGOROV_EXPONENT
from focuskit.waves.solve import BEST, SLOPE_UNKNOWN, Priors, State, least_hfd_shift, linearise, prepare, reduce_normal
from focuskit.waves.stack import FrameProfile


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
