"""What the full runs of a telescope tell of its single frames, at one wavelength."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from focuskit.core.calibration import SPHERICAL_PRIOR, Calibration, SeenSide, SeenWings, pool_spherical
from focuskit.core.optics import KOLMOGOROV_EXPONENT, Rig

# Of the exponent of the seeing before any run has shown it, as in the fit of a run.
_EXPONENT_PRIOR = (KOLMOGOROV_EXPONENT, 0.1)
# Single nights differ by so much however many runs show the exponent: chosen, as guiding and an outer scale change it.
_EXPONENT_NIGHTS = 0.02
# Relative error of the µm per step that a user gives, as in the fit of a run.
_STEP_GIVEN_ERR = 0.1
# What is left of a frame's distance, before any run has shown it. Chosen: twice the 4 µm that coma, astigmatism, a
# spider, wide wings and an obstruction wrong by 0.06 leave at most (scripts/bench_single.py).
_LEFT_PRIOR_UM = 8.0
# Colours of light that differ by more are another filter's: chosen, a third of a usual band.
_SAME_COLOUR = 0.06
# Fewer runs in one colour do not show how far runs differ; then those in other colours are taken too (chosen).
_FEW_RUNS = 4


@dataclass(frozen=True)
class Left:
    """What is left of the distances of frames on one side.

    ``mean_um`` is over the runs. ``err_um`` is its error for another run, and so contains how far runs differ;
    ``common_um`` is what aberrations that no run has shown leave, the same on both sides; ``scatter_um`` is that of
    the frames of one run, beside their noise. ``nearest_um`` and ``farthest_um`` are the
    distances that it is known for; ``runs`` is 0 where it is not known.
    """

    mean_um: float = 0.0
    err_um: float = 0.0
    scatter_um: float = 0.0
    nearest_um: float = 0.0
    farthest_um: float = 0.0
    direction: float = 0.0
    runs: int = 0
    common_um: float = _LEFT_PRIOR_UM

    @property
    def whole_err_um(self) -> float:
        """Error of a frame on this side alone."""
        return math.hypot(self.err_um, self.common_um)

    @property
    def is_calibrated(self) -> bool:
        """Whether runs have shown it: its error is below half of what it was before any."""
        return self.whole_err_um < 0.5 * _LEFT_PRIOR_UM


@dataclass(frozen=True)
class Known:
    """What single frames of a telescope are judged by, at one wavelength.

    Parameters
    ----------
    spherical, exponent : (float, float)
        Spherical aberration in waves rms, exponent of the seeing, each with its error.
    log_step : (float, float) or None
        ln(µm per step) and its error; None where nothing tells the step.
    outside, inside : Left
    """

    spherical: tuple[float, float]
    exponent: tuple[float, float]
    log_step: tuple[float, float] | None
    outside: Left
    inside: Left

    @property
    def is_calibrated(self) -> bool:
        """Whether runs have shown the aberration and what is left: errors are below half of what they were before."""
        return self.spherical[1] < 0.5 * SPHERICAL_PRIOR[1] and self.outside.is_calibrated and self.inside.is_calibrated


def known_of(calibration: Calibration, rig: Rig, wavelength_um: float) -> Known:
    """Return what the runs of a rig tell of its single frames."""
    log_step = None
    if calibration.step and rig.f_ratio and rig.pixel_um:
        # Distances are in the same µm as the steps, so that the errors of the optics do not count.
        value, err, apart = _pooled([(math.log(one.um(rig)), one.err) for one in calibration.step])
        log_step = value, math.hypot(err, apart)
    elif rig.um_per_step:
        log_step = math.log(rig.um_per_step), _STEP_GIVEN_ERR
    return Known(
        pool_spherical(calibration.spherical, wavelength_um),
        _pool_exponents(calibration.wings),
        log_step,
        _pool_left(calibration.outside, wavelength_um),
        _pool_left(calibration.inside, wavelength_um),
    )


def _pool_exponents(known: Sequence[SeenWings]) -> tuple[float, float]:
    """Return the exponent of the seeing that runs have shown, and how far that of a night may be from it."""
    if not known:
        return _EXPONENT_PRIOR
    mean, err, scatter = _pooled([(one.exponent, one.err) for one in known])
    return mean, min(math.sqrt(err**2 + scatter**2 + _EXPONENT_NIGHTS**2), _EXPONENT_PRIOR[1])


def _pool_left(known: Sequence[SeenSide], wavelength_um: float) -> Left:
    """Return what is left on one side, from runs in this colour of light; else from all, with half of what was open."""
    same = [one for one in known if abs(math.log(one.wavelength_um / wavelength_um)) < _SAME_COLOUR]
    use = same or list(known)
    if not use:
        return Left()
    mean, err, apart = _pooled([(one.mean_um, one.err_um) for one in use])
    if len(use) < _FEW_RUNS:
        apart = max(apart, _pooled([(one.mean_um, one.err_um) for one in known])[2])
    other = 0.0 if same else 0.5 * _LEFT_PRIOR_UM
    within = sum(one.excess_um2 * (one.frames - 1.0) for one in use) / max(sum(one.frames - 1.0 for one in use), 1.0)
    own = math.hypot(err, apart)
    share = _LEFT_PRIOR_UM**2 / (_LEFT_PRIOR_UM**2 + own**2 + other**2)
    return Left(
        mean_um=share * mean,
        err_um=min(own, _LEFT_PRIOR_UM),
        scatter_um=math.sqrt(max(within, 0.0)),
        nearest_um=min(one.nearest_um for one in use),
        farthest_um=max(one.farthest_um for one in use),
        direction=sum(one.direction for one in use) / len(use),
        runs=len(use),
        common_um=other,
    )


def _pooled(values: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Return the weighted mean of values with errors, its error, and by how much more than these they scatter.

    The scatter is the moment estimate of DerSimonian and Laird 1986 (from memory), 0 for a single value.
    """
    weights = [err**-2 for _, err in values]
    total = sum(weights)
    mean = sum(w * value for w, (value, _) in zip(weights, values, strict=True)) / total
    excess = sum(w * (value - mean) ** 2 for w, (value, _) in zip(weights, values, strict=True)) - (len(values) - 1)
    room = total - sum(w**2 for w in weights) / total
    variance = max(excess / room, 0.0) if room > 0.0 else 0.0
    weights = [1.0 / (err**2 + variance) for _, err in values]
    mean = sum(w * value for w, (value, _) in zip(weights, values, strict=True)) / sum(weights)
    return mean, 1.0 / math.sqrt(sum(weights)), math.sqrt(variance)
