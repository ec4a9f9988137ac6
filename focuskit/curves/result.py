"""What a focus run's sizes are fitted with, and what comes out: `SizeFit`, `CurveFit` and its verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core.reasons import Reason
from focuskit.core.text import plus_minus
from focuskit.curves.shape import CurveShape

Array = NDArray[np.float64]

# Two estimates disagree beyond three times their common error: by chance in one run of 370 ...
_DISAGREE_SIGMA = 3.0
# ... and beyond a quarter of the tolerance: so small a move costs a sixteenth of the tolerated growth, which goes as
# its square (0.3 % in size).
_DISAGREE_TOLERANCE = 0.25
_SPOILS_GOOD = ("poor_fit", "lopsided", "shallow_sweep", "unsure_position", "fits_disagree", "few_stars")


@dataclass(frozen=True)
class SizeFit:
    """One curve fitted to the sizes of a run.

    Parameters
    ----------
    name : str
    best_position, best_position_err : float
        In steps; over many runs 68 % of the true values lie within the error.
    best_position_err_95 : float
        Half width that holds the truth in 95 % of runs; more than twice the error, for few frames.
    size_best : float
        Least size, in the seeing typical of the run.
    slope_per_step : float
        Growth of the size per step in the far wings; of a parabola, the square root of the least
        size times its second derivative.
    seeing_jitter : float
        Relative scatter from frame to frame that the measuring errors do not explain.
    chi2_reduced : float or None
        From the measuring errors alone: far above 1 where the seeing changed. None without errors.
    points : int
        Number of frames.
    """

    name: str
    best_position: float
    best_position_err: float
    best_position_err_95: float
    size_best: float
    slope_per_step: float
    seeing_jitter: float
    chi2_reduced: float | None
    points: int
    shape: CurveShape = field(repr=False, compare=False)

    @property
    def estimate(self) -> tuple[float, float]:
        """Best position and error."""
        return self.best_position, self.best_position_err

    @property
    def params(self) -> dict[str, float]:
        """The parameters of the curve, by name."""
        return {
            "best_position": self.best_position,
            "least_px": self.size_best,
            "slope_px_per_step": self.slope_per_step,
        }

    def size_at(self, positions: ArrayLike) -> Array:
        """Return the curve at ``positions``, any shape."""
        away = np.abs(np.asarray(positions, float) - self.best_position)
        return self.size_best * self.shape.at(self.slope_per_step * away / self.size_best)[0]


@dataclass(frozen=True, repr=False)
class CurveFit:
    """What the sizes of a focus run tell.

    Parameters
    ----------
    verdict : {"good", "usable", "failed"}
    flags : tuple of str
    why_not_used : tuple of (Reason or None)
        One for each frame; None where it is on the curve.
    best_position, best_position_err, best_position_err_95 : float or None
        In steps, with the half widths that hold the truth in 68 % and 95 % of runs; None if failed.
    look_near, look_near_err : float or None
        For a failed run, where to centre the next sweep, if the frames show it, and its standard deviation.
    method, reason : str or None
        Which estimate the best position is, and why that one.
    hfd_best_px : float or None
        Least half-flux diameter, in the seeing typical of the run.
    fwhm_best_px : float or None
    hfd_slope_px_per_step : float or None
        Of the far wings.
    tolerance_steps : float or None
        Move from the best position that costs 5 % in half-flux diameter.
    um_per_step : float or None
        From the slope of the wings, the f-ratio and the pixel size.
    critical_focus_zone_steps : float or None
        Half width of ±2λN² at the wavelength given.
    seeing_jitter : float or None
        Relative scatter of the seeing from frame to frame.
    fits : dict of str to SizeFit
        "squared sizes", "hyperbola", "parabola", and "fwhm" where it was given; empty if failed.
    """

    verdict: str
    flags: tuple[str, ...]
    why_not_used: tuple[Reason | None, ...]
    best_position: float | None = None
    best_position_err: float | None = None
    best_position_err_95: float | None = None
    look_near: float | None = None
    look_near_err: float | None = None
    method: str | None = None
    reason: str | None = None
    hfd_best_px: float | None = None
    fwhm_best_px: float | None = None
    hfd_slope_px_per_step: float | None = None
    tolerance_steps: float | None = None
    um_per_step: float | None = None
    critical_focus_zone_steps: float | None = None
    seeing_jitter: float | None = None
    fits: dict[str, SizeFit] = field(default_factory=dict)

    @property
    def used(self) -> tuple[bool, ...]:
        """Whether each frame is on the curve."""
        return tuple(why is None for why in self.why_not_used)

    def __repr__(self) -> str:
        best = "no best position"
        if self.best_position is not None and self.best_position_err is not None:
            best = f"best position {plus_minus(self.best_position, self.best_position_err)} steps by {self.method}"
        return f"<CurveFit: {self.verdict}, {best}, {sum(self.used)} of {len(self.used)} frames, flags {self.flags}>"


def disagree(one: tuple[float, float], other: tuple[float, float], tolerance: float) -> bool:
    """Return whether two best positions, each with its error, differ by more than chance and by enough to matter."""
    allowed = _DISAGREE_SIGMA * np.hypot(one[1], other[1])
    return bool(abs(one[0] - other[0]) > max(allowed, _DISAGREE_TOLERANCE * tolerance))


def verdict_of(raised: Sequence[str]) -> str:
    """Return the verdict on a run that has a best position and these flags."""
    return "usable" if any(name in _SPOILS_GOOD for name in raised) else "good"
