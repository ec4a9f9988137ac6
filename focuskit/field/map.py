"""How the best position changes over the sensor: what was found, in numbers and in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from focuskit.core import flags
from focuskit.core.optics import TOLERATED_GROWTH
from focuskit.core.picture import Axis, Cells, Layer, Panel, Picture, Text
from focuskit.core.statistics import SEEN_SIGMA, as_sigma, chi2_chance, weighted_mean
from focuskit.core.text import number, round_pair

# Prior of tilt and curvature: widths of normal laws, and the share of telescopes with each. Assumed, fitted to no set
# of telescopes: half of them are flat to 1 µm, and among the others small heights are more frequent than large ones.
_HEIGHTS_UM, _TELESCOPES = np.array([1.0, 3.0, 10.0, 30.0, 100.0]), np.array([0.5, 0.15, 0.15, 0.1, 0.1])
_COLUMNS = 18  # of cells in the picture of a map
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
    best_position_whole_field, best_position_middle : float
        Where the mean of HFD² over the sensor is least, and the best position of its middle; in steps.
    hfd_middle_px : float
        Least half-flux diameter in the middle, in the seeing typical of the run.
    corners : tuple of Corner
        Top left, top right, bottom left, bottom right.
    width_mm, height_mm : float
        Of the sensor.
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
    best_position_whole_field: float
    best_position_middle: float
    hfd_middle_px: float
    corners: tuple[Corner, ...] = field(repr=False)
    width_mm: float
    height_mm: float
    stars: int

    @property
    def half_diagonal_mm(self) -> float:
        """From the middle of the sensor to a corner."""
        return 0.5 * math.hypot(self.width_mm, self.height_mm)

    @property
    def tilt_angle_arcmin(self) -> float:
        """Angle of the plane of best focus against the sensor."""
        rise = math.hypot(self.tilt_x_um / self.width_mm, self.tilt_y_um / self.height_mm)
        return math.degrees(math.atan(1e-3 * rise)) * 60.0

    @property
    def tilt_direction_deg(self) -> float:
        """Direction in which the plane of best focus rises to larger positions, from +x towards +y."""
        return math.degrees(math.atan2(self.tilt_y_um / self.height_mm, self.tilt_x_um / self.width_mm))

    def away_um(self, across: ArrayLike, along: ArrayLike) -> NDArray[np.float64]:
        """Return how far the best position of places lies from that of the middle, towards larger positions.

        ``across`` and ``along`` run from -0.5 at the first column or row to 0.5 at the last.
        """
        u, v = np.asarray(across, float), np.asarray(along, float)
        square = ((u * self.width_mm) ** 2 + (v * self.height_mm) ** 2) / self.half_diagonal_mm**2
        return self.tilt_x_um * u + self.tilt_y_um * v + self.curvature_um * square

    @property
    def tilt_um(self) -> float:
        """Both tilts together: √(x² + y²)."""
        return math.hypot(self.tilt_x_um, self.tilt_y_um)

    @property
    def tilt_um_err(self) -> float:
        """Standard deviation of ``tilt_um``."""
        if self.tilt_um == 0.0:
            return max(self.tilt_x_um_err, self.tilt_y_um_err)
        return math.hypot(self.tilt_x_um * self.tilt_x_um_err, self.tilt_y_um * self.tilt_y_um_err) / self.tilt_um

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
        return self.tilt_sigma > SEEN_SIGMA

    @property
    def curvature_seen(self) -> bool:
        """Whether the curvature stands out of its error."""
        return self.curvature_sigma > SEEN_SIGMA

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
        least = TOLERATED_GROWTH * self.hfd_middle_px
        return tuple(
            c for c in self.corners if c.hfd_own_best_px - SEEN_SIGMA * c.hfd_own_best_px_err > least
        )  # fmt: skip

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of what is seen and costs at least 5 % in size, from the registry."""
        raised = []
        if self.tilt_seen and self.tilt_growth >= TOLERATED_GROWTH:
            raised.append("tilt_seen")
        if self.curvature_seen and self.curvature_growth >= TOLERATED_GROWTH:
            raised.append("curvature_seen")
        if self.blurred_corners:
            raised.append("corners_blurred")
        return flags.check(raised)

    @property
    def hints(self) -> tuple[str, str, str]:
        """What the numbers say of tilt, curvature and corners, in plain words, one sentence each."""
        return self._tilt_hint(), self._curvature_hint(), self._corner_hint()

    def _tilt_hint(self) -> str:
        if not self.tilt_seen:
            return f"no tilt seen, below {_um(self.tilt_limit_um)} from edge to edge"
        towards = _DIRECTIONS[round(self.tilt_direction_deg / 45.0) % 8]
        return (
            f"tilt of {_pair(self.tilt_um, self.tilt_um_err)} µm ({self.tilt_angle_arcmin:.1f}′): best positions grow "
            f"towards the {towards} of the image; it {_cost(self.tilt_growth)}"
        )

    def _curvature_hint(self) -> str:
        radius = self.curvature_radius_mm
        if radius is None:
            return f"no field curvature seen, below {_um(self.curvature_limit_um)} from the middle to the corners"
        side = "larger" if self.curvature_um > 0 else "smaller"
        return (
            f"field curvature of {_pair(abs(self.curvature_um), self.curvature_um_err)} µm from the middle to the "
            f"corners, which focus at {side} positions (radius {radius:.0f} mm); it {_cost(self.curvature_growth)}"
        )

    def larger_pct(self, corner: Corner) -> tuple[float, float, float]:
        """Return by how much stars of a corner are larger than the middle's, at its own best position, and its error.

        All in per cent; the first with the focuser at the best position for the whole field.
        """
        whole, own = (100.0 * (size / self.hfd_middle_px - 1.0) for size in (corner.hfd_px, corner.hfd_own_best_px))
        return whole, own, 100.0 * corner.hfd_own_best_px_err / self.hfd_middle_px

    def _corner_hint(self) -> str:
        worst = max(self.blurred_corners or self.corners, key=lambda c: c.hfd_px)
        larger, own, err = self.larger_pct(worst)
        rest = _pair(own, err)
        if self.blurred_corners:
            return (
                f"{worst.name}: stars are {larger:.0f} % larger than in the middle; at their own best position "
                f"{rest} %, which focus cannot mend"
            )
        if worst.hfd_px >= TOLERATED_GROWTH * self.hfd_middle_px:
            return (
                f"{worst.name}: stars are {larger:.0f} % larger than in the middle, because of focus: at their own "
                f"best position {rest} %"
            )
        most = max(math.ceil(larger), 1)
        return f"stars in the corners are at most {most} % larger than in the middle ({worst.name})"

    def picture(self, title: str, in_corners: bool = False) -> Picture:
        """Describe the best position over the sensor, in µm from that of its middle, as the image shows it.

        Where ``in_corners``, each corner says by how much its stars are larger than in the middle, and what of it stays
        at its own best position.
        """
        rows = max(round(_COLUMNS * self.height_mm / self.width_mm), 1)
        along, across = np.meshgrid((np.arange(rows) + 0.5) / rows - 0.5, (np.arange(_COLUMNS) + 0.5) / _COLUMNS - 0.5,
                                    indexing="ij")  # fmt: skip
        away = self.away_um(across, along)
        # A flat field is shown as flat, not as its noise.
        most = max(float(np.abs(away).max()), 3.0 * self.tilt_um_err, 3.0 * self.curvature_um_err)
        layers: list[Layer] = [Cells(away, most)]
        corners = dict(zip([(v, u) for v in (-1, 1) for u in (-1, 1)], self.corners, strict=True))
        for v, u in ((v, u) for v in (-1, 0, 1) for u in (-1, 0, 1)):
            words, to = number(float(self.away_um(0.42 * u, 0.42 * v)), sign=True), "middle"
            if in_corners and (v, u) in corners:
                larger, own, err = self.larger_pct(corners[v, u])
                words = f"HFD {number(larger)} % larger\n{_pair(own, err)} % at its own best"
                to = "start" if u < 0 else "end"
            edge = 0.48 if to != "middle" else 0.42
            layers.append(Text((0.5 + edge * u) * self.width_mm, (0.5 + 0.42 * v) * self.height_mm, words, to))
        label = f"Map of the sensor as the image shows it: {self.hints[0]}; {self.hints[1]}."
        notes = tuple(f"{hint[0].upper()}{hint[1:]}." for hint in self.hints)
        panel = Panel(Axis("down the columns of the image (mm)", self.height_mm, 0.0), tuple(layers), None)
        return Picture(title, label, Axis("along its rows (mm)", 0.0, self.width_mm), (panel,), notes)

    def to_json(self) -> dict[str, Any]:
        """Return the map as the public JSON describes it."""
        names = (
            "tilt_x_um", "tilt_x_um_err", "tilt_y_um", "tilt_y_um_err", "curvature_um", "curvature_um_err",
            "best_position_whole_field", "best_position_middle", "tilt_sigma", "curvature_sigma",
            "tilt_angle_arcmin", "tilt_direction_deg", "hfd_middle_px",
        )  # fmt: skip
        sizes = ("hfd_px", "hfd_own_best_px", "hfd_own_best_px_err", "best_position")
        corners = [{"corner": c.name} | {name: getattr(c, name) for name in sizes} for c in self.corners]
        own = {name: getattr(self, name) for name in names}
        return own | {"corners": corners, "stars": self.stars, "hints": list(self.hints)}


def pool_maps(maps: Sequence[FieldMap]) -> FieldMap:
    """Return the mean map of runs with the camera turned alike, weighted by their errors.

    Where runs differ by more than their errors, the error of the mean is widened. Positions are those of
    the last run, since focus drifts from one to the next.
    """
    last = maps[-1]
    if len(maps) == 1:
        return last
    pooled = {}
    for name in ("tilt_x_um", "tilt_y_um", "curvature_um"):
        values, errors = [getattr(m, name) for m in maps], [getattr(m, f"{name}_err") for m in maps]
        pooled[name], pooled[f"{name}_err"] = weighted_mean(values, errors)
    x, y, curvature = (pooled[name] / pooled[f"{name}_err"] for name in ("tilt_x_um", "tilt_y_um", "curvature_um"))
    return replace(
        last,
        **pooled,
        # Each map rests on a dozen stars at least, and with several of them the normal law will do.
        tilt_sigma=as_sigma(chi2_chance(x**2 + y**2, 2)),
        curvature_sigma=as_sigma(2.0 * float(ndtr(-abs(curvature)))),
        corners=tuple(_pool_corners([m.corners[k] for m in maps], maps) for k in range(len(last.corners))),
        stars=max(m.stars for m in maps),
    )


def _pool_corners(corners: Sequence[Corner], maps: Sequence[FieldMap]) -> Corner:
    """Return the mean of one corner of several runs, by its sizes against the middle's."""
    middle = np.array([m.hfd_middle_px for m in maps])
    size, own, own_err = np.array([(c.hfd_px, c.hfd_own_best_px, c.hfd_own_best_px_err) for c in corners]).T / middle
    own_mean, err = weighted_mean(own, own_err)
    last = maps[-1].hfd_middle_px
    return replace(
        corners[-1], hfd_px=float(size.mean()) * last, hfd_own_best_px=own_mean * last, hfd_own_best_px_err=err * last
    )


def likely_height(value: float, err: float) -> tuple[float, float]:
    """Return the best estimate of a tilt or curvature in µm, with its error: a flat field until stars show more.

    The height is drawn from one of a few normal laws; what is measured decides between them. So a map that shows
    little moves nothing, and a height that is as large as its error leaves an error of that size.
    """
    variances = err**2 + _HEIGHTS_UM**2
    odds = np.log(_TELESCOPES) - 0.5 * (value**2 / variances + np.log(variances))
    odds = np.exp(odds - odds.max())
    odds /= odds.sum()
    shares = _HEIGHTS_UM**2 / variances
    mean = float(odds @ shares) * value
    return mean, math.sqrt(float(odds @ (shares * err**2 + (shares * value - mean) ** 2)))


def _um(value: float) -> str:
    return f"{value:.1f} µm" if value < 10.0 else f"{value:.0f} µm"


def _pair(value: float, err: float) -> str:
    return " ± ".join(part for part in round_pair(value, err) if part)


def _cost(growth: float) -> str:
    if growth < TOLERATED_GROWTH:
        return "does no harm"
    return f"costs {100.0 * (growth - 1.0):.0f} % in size in the worst corner"
