"""How the best position changes over the sensor: what was found, in numbers and in plain words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from focuskit import flags

_SEEN_SIGMA = 3.0
_GROWTH_THAT_MATTERS = 1.05  # in half-flux diameter, as for the tolerance of the focuser
_DIRECTIONS = ("right", "bottom right", "bottom", "bottom left", "left", "top left", "top", "top right")


@dataclass(frozen=True)
class Corner:
    """Sizes in one corner of the sensor, in px; top is the first row of the image, left the first column.

    Parameters
    ----------
    name : str
    hfd_px : float
        Half-flux diameter with the focuser at the best position for the whole field.
    hfd_own_best_px, hfd_own_best_px_err : float
        With the focuser at the corner's own best position: what focus cannot mend.
    best_position : float
        The corner's own, in steps.
    """

    name: str
    hfd_px: float
    hfd_own_best_px: float
    hfd_own_best_px_err: float
    best_position: float


@dataclass(frozen=True)
class FieldMap:
    """How the best position changes over the sensor.

    All differences are positive where the focuser has to go to larger positions; errors are one
    standard deviation. x runs along the rows of the image from its first column, y down its rows from
    the first, as they are stored.

    Parameters
    ----------
    tilt_x_um, tilt_x_um_err : float
        Best position at the last column less that at the first, in µm of the focal plane.
    tilt_y_um, tilt_y_um_err : float
        At the last row less that at the first.
    curvature_um, curvature_um_err : float
        Mean of the corners less the middle of the sensor.
    tilt_sigma, curvature_sigma : float
        Significance: the chance of as much without any, told in standard deviations.
    tilt_growth, curvature_growth : float
        By which factor tilt, or curvature, alone enlarges the half-flux diameter in the corner that it
        harms most, with the focuser at the best position for the whole field.
    tilt_angle_arcmin, tilt_direction_deg : float
        Angle of the plane of best focus against the sensor, and the direction in which it rises to
        larger positions, from +x towards +y.
    best_position_whole_field, best_position_middle : float
        Where the mean of HFD² over the sensor is least, and the best position of its middle; in steps.
    hfd_middle_px : float
        Least half-flux diameter in the middle, in the seeing typical of the run.
    corners : tuple of Corner
        Top left, top right, bottom left, bottom right.
    half_diagonal_mm : float
        From the middle of the sensor to a corner.
    stars : int
        Stars that the map rests on.
    """

    tilt_x_um: float
    tilt_x_um_err: float
    tilt_y_um: float
    tilt_y_um_err: float
    curvature_um: float
    curvature_um_err: float
    tilt_sigma: float
    curvature_sigma: float
    tilt_growth: float
    curvature_growth: float
    tilt_angle_arcmin: float
    tilt_direction_deg: float
    best_position_whole_field: float
    best_position_middle: float
    hfd_middle_px: float
    corners: tuple[Corner, ...]
    half_diagonal_mm: float
    stars: int

    @property
    def tilt_um(self) -> float:
        """Both tilts together: √(x² + y²)."""
        return math.hypot(self.tilt_x_um, self.tilt_y_um)

    @property
    def tilt_limit_um(self) -> float:
        """A tilt above this would have been seen (two standard deviations above what was found)."""
        return self.tilt_um + 2.0 * max(self.tilt_x_um_err, self.tilt_y_um_err)

    @property
    def curvature_limit_um(self) -> float:
        """A curvature above this would have been seen."""
        return abs(self.curvature_um) + 2.0 * self.curvature_um_err

    @property
    def tilt_seen(self) -> bool:
        """Whether the tilt stands out of its errors."""
        return self.tilt_sigma > _SEEN_SIGMA

    @property
    def curvature_seen(self) -> bool:
        """Whether the curvature stands out of its error."""
        return self.curvature_sigma > _SEEN_SIGMA

    @property
    def curvature_radius_mm(self) -> float | None:
        """Radius of the sphere of best focus: r²/(2c) + c/2 for the sag c at r; None where none is seen."""
        if not self.curvature_seen:
            return None
        sag_mm = abs(self.curvature_um) * 1e-3
        return self.half_diagonal_mm**2 / (2.0 * sag_mm) + 0.5 * sag_mm

    @property
    def blurred_corners(self) -> tuple[Corner, ...]:
        """Corners whose stars stay larger than those of the middle at their own best position."""
        least = _GROWTH_THAT_MATTERS * self.hfd_middle_px
        return tuple(
            c for c in self.corners if c.hfd_own_best_px - _SEEN_SIGMA * c.hfd_own_best_px_err > least
        )  # fmt: skip

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of what is seen and costs at least 5 % in size, from the registry."""
        raised = []
        if self.tilt_seen and self.tilt_growth >= _GROWTH_THAT_MATTERS:
            raised.append("tilt_seen")
        if self.curvature_seen and self.curvature_growth >= _GROWTH_THAT_MATTERS:
            raised.append("curvature_seen")
        if self.blurred_corners:
            raised.append("corners_blurred")
        return flags.check(raised)

    @property
    def hints(self) -> tuple[str, ...]:
        """What the numbers say, in plain words, one sentence each."""
        return (self._tilt_hint(), self._curvature_hint(), *self._corner_hints())

    def _tilt_hint(self) -> str:
        if not self.tilt_seen:
            return f"no tilt seen, below {_um(self.tilt_limit_um)} from edge to edge"
        towards = _DIRECTIONS[round(self.tilt_direction_deg / 45.0) % 8]
        return (
            f"tilt of {_um(self.tilt_um)} ({self.tilt_angle_arcmin:.1f}′): best positions grow towards the {towards} "
            f"of the image; it {_cost(self.tilt_growth)}"
        )

    def _curvature_hint(self) -> str:
        radius = self.curvature_radius_mm
        if radius is None:
            return f"no field curvature seen, below {_um(self.curvature_limit_um)} from the middle to the corners"
        side = "larger" if self.curvature_um > 0 else "smaller"
        return (
            f"field curvature of {_um(abs(self.curvature_um))} from the middle to the corners, which focus at "
            f"{side} positions (radius {radius:.0f} mm); it {_cost(self.curvature_growth)}"
        )

    def _corner_hints(self) -> tuple[str, ...]:
        if not self.blurred_corners:
            return ()
        worst = max(self.blurred_corners, key=lambda c: c.hfd_own_best_px)
        larger, own = (_percent(size / self.hfd_middle_px) for size in (worst.hfd_px, worst.hfd_own_best_px))
        return (
            f"{worst.name}: stars are {larger} larger than in the middle; at their own best position {own}, "
            "which focus cannot mend",
        )

    def to_json(self) -> dict[str, Any]:
        """Return the map as the public JSON describes it."""
        return {
            "tilt_x_um": self.tilt_x_um,
            "tilt_x_um_err": self.tilt_x_um_err,
            "tilt_y_um": self.tilt_y_um,
            "tilt_y_um_err": self.tilt_y_um_err,
            "curvature_um": self.curvature_um,
            "curvature_um_err": self.curvature_um_err,
            "best_position_whole_field": self.best_position_whole_field,
            "best_position_middle": self.best_position_middle,
            "tilt_sigma": self.tilt_sigma,
            "curvature_sigma": self.curvature_sigma,
            "tilt_angle_arcmin": self.tilt_angle_arcmin,
            "tilt_direction_deg": self.tilt_direction_deg,
            "hfd_middle_px": self.hfd_middle_px,
            "corners": [
                {
                    "corner": c.name,
                    "hfd_px": c.hfd_px,
                    "hfd_own_best_px": c.hfd_own_best_px,
                    "hfd_own_best_px_err": c.hfd_own_best_px_err,
                    "best_position": c.best_position,
                }
                for c in self.corners
            ],
            "stars": self.stars,
            "hints": list(self.hints),
        }


def _um(value: float) -> str:
    return f"{value:.1f} µm" if value < 10.0 else f"{value:.0f} µm"


def _percent(ratio: float) -> str:
    return f"{100.0 * (ratio - 1.0):.0f} %"


def _cost(growth: float) -> str:
    if growth < _GROWTH_THAT_MATTERS:
        return "does no harm"
    return f"costs {_percent(growth)} in size in the worst corner"
