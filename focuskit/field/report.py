"""What the fit of the stars' sizes says of the sensor: tilt, curvature, and sizes in the corners."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from focuskit.core import optics
from focuskit.core.statistics import as_sigma, f_chance
from focuskit.field.map import Corner, FieldMap
from focuskit.field.sizes import StarSizes

Array = NDArray[np.float64]

# What the measured sizes and the seeing's profile are off by, found on rendered frames.
_MODEL_ERR = 0.04  # share of a change itself: 2 % to 4 %, 8 % where stars are crowded
_MODEL_CROSS_ERR = 0.005  # share of another change
_MODEL_LEAST_ERR_UM = 0.2  # of every change, also of none
BISQUARE = 4.685  # 95 % as good as least squares on normal errors (Holland & Welsch 1977, from memory)
_ROUNDS = 8  # search: rounds
_CORNERS = (("top left", -0.5, -0.5), ("top right", 0.5, -0.5), ("bottom left", -0.5, 0.5), ("bottom right", 0.5, 0.5))


@dataclass(frozen=True)
class Telescope:
    """What the sizes follow from, with the relative error of the optics' scale.

    ``from_curve`` where the step size is found from the run itself.
    """

    f_ratio: float
    obstruction: float
    pixel_um: float
    wavelength_um: float
    um_per_step: float
    from_curve: bool
    scale_err: float


@dataclass(frozen=True, eq=False, repr=False)
class FieldFit:
    """Tilt in x and y and curvature in µm; what the frames and the stars have of their own.

    ``least_um`` is the least size in the seeing typical of the run, ``own`` by what a star's square is
    larger than that of the typical star, which lies at the place ``typical``. ``stretch`` is how much
    longer the sweep is than was thought, as far as the seeing tells.
    """

    changes: Array
    covariance: Array
    sizes: StarSizes
    least_um: float
    own: Array
    places: Array
    typical: Array
    stretch: float
    stretch_err: float


def sensor_places(x_px: Array, y_px: Array, shape: tuple[int, int]) -> Array:
    """Return the shares of tilt in x, tilt in y and curvature at places on the sensor, shape (…, 3)."""
    wide, high = shape[1] - 1, shape[0] - 1
    across, along = x_px / wide - 0.5, y_px / high - 0.5
    corner = ((across * wide) ** 2 + (along * high) ** 2) / (0.25 * (wide**2 + high**2))
    return np.stack([across, along, corner], axis=-1)


def report(
    fit: FieldFit, telescope: Telescope, shape: tuple[int, int], best_position: float, best_position_err: float
) -> FieldMap:
    """Return the map of the field, and what its changes do to sizes in the corners.

    ``shape`` are rows and columns of the frames; ``best_position`` is that of the typical star, with its error.
    """
    value, step_um, pixel_um = fit.changes, telescope.um_per_step, telescope.pixel_um
    freedom = len(fit.own) - 4
    model = (_MODEL_ERR * value) ** 2 + (_MODEL_CROSS_ERR * np.linalg.norm(value)) ** 2 + _MODEL_LEAST_ERR_UM**2
    covariance = fit.covariance + np.diag(model) + np.outer(value, value) * telescope.scale_err**2
    if telescope.from_curve:
        covariance = covariance + np.outer(value, value) * fit.stretch_err**2
    err = np.sqrt(np.diag(covariance) * freedom / (freedom - 2))  # as Student's law spreads
    middle_um = -float(fit.typical @ value)  # from the run's best position
    blur, blur_covariance = _own_blur(fit)
    wing = optics.wing_slope(telescope.f_ratio, telescope.obstruction)
    whole_um = middle_um + _whole_field_um(fit, shape)
    corners = []
    for name, across, along in _CORNERS:
        place = np.array([across, along, 1.0])
        best_um = middle_um + float(place @ value)
        size, own = _size_um(fit, whole_um - best_um, place, blur), _size_um(fit, 0.0, place, blur)
        moved = place - fit.typical
        # With the run's best position a little off, a change of focus looks like a blur of its own.
        astray = 2.0 * wing**2 * best_position_err * step_um * float(moved @ value)
        own_err = 0.5 * math.sqrt(float(moved @ blur_covariance @ moved) + astray**2) / own
        best = best_position + best_um / step_um
        corners.append(Corner(name, size / pixel_um, own / pixel_um, own_err / pixel_um, best))
    return FieldMap(
        tilt_x_um=float(value[0]),
        tilt_x_um_err=float(err[0]),
        tilt_y_um=float(value[1]),
        tilt_y_um_err=float(err[1]),
        curvature_um=float(value[2]),
        curvature_um_err=float(err[2]),
        tilt_sigma=_sigmas(float(value[:2] @ np.linalg.solve(covariance[:2, :2], value[:2])), 2, freedom),
        curvature_sigma=_sigmas(float(value[2] ** 2 / covariance[2, 2]), 1, freedom),
        tilt_growth=_growth(fit, 0.5 * float(np.abs(value[:2]).sum())),
        curvature_growth=_growth(fit, float(value[2]) * 2.0 / 3.0),  # the whole field's best lies at a third
        best_position_whole_field=best_position + whole_um / step_um,
        best_position_middle=best_position + middle_um / step_um,
        hfd_middle_px=_size_um(fit, 0.0, np.zeros(3), blur) / pixel_um,
        corners=tuple(corners),
        width_mm=shape[1] * pixel_um * 1e-3,
        height_mm=shape[0] * pixel_um * 1e-3,
        stars=len(fit.own),
    )


def _size_um(fit: FieldFit, defocus_um: float, place: Array, blur: Array) -> float:
    """Return the size at a place on the sensor at a distance from its own best position."""
    own = float((place - fit.typical) @ blur)
    least = float(fit.sizes.squares(0.0))
    scale = fit.least_um / math.sqrt(least)
    square = scale**2 * float(fit.sizes.squares(abs(defocus_um) / scale))
    return math.sqrt(max(square + own, 0.1 * fit.least_um**2))


def _sigmas(wald: float, values: int, freedom: int) -> float:
    """Return the significance of a Wald statistic whose covariance comes from the scatter itself."""
    return as_sigma(f_chance(wald / values, values, freedom))


def _own_blur(fit: FieldFit) -> tuple[Array, Array]:
    """Return how the squares of the stars' own blur change over the field, and the covariance of that."""
    design = np.column_stack([fit.places - fit.typical, np.ones(len(fit.own))])
    trust = np.ones(len(fit.own))
    for _ in range(_ROUNDS):
        weighted = design * trust[:, None]
        inverse = np.linalg.inv(weighted.T @ design)
        left = fit.own - design @ (inverse @ (weighted.T @ fit.own))
        spread = 1.4826 * float(np.median(np.abs(left))) + 1e-12
        trust = np.maximum(0.0, 1.0 - (left / (BISQUARE * spread)) ** 2) ** 2
    values = inverse @ (weighted.T @ fit.own)
    return values[:3], np.asarray(spread**2 * inverse[:3, :3], float)


def _growth(fit: FieldFit, defocus_um: float) -> float:
    nowhere = np.zeros(3)
    return _size_um(fit, defocus_um, fit.typical, nowhere) / _size_um(fit, 0.0, fit.typical, nowhere)


def _whole_field_um(fit: FieldFit, shape: tuple[int, int]) -> float:
    """Return where the mean of HFD² over the sensor is least, from the best position of its middle."""
    nodes, weights = np.polynomial.legendre.leggauss(8)
    weight = np.outer(weights, weights).ravel()
    x, y = (
        (0.5 * grid.ravel() + 0.5) * (n - 1) for grid, n in zip(np.meshgrid(nodes, nodes), shape[::-1], strict=True)
    )
    best = sensor_places(x, y, shape) @ fit.changes
    scale = fit.least_um / math.sqrt(float(fit.sizes.squares(0.0)))

    def mean_square(position: float) -> float:
        return float(weight @ fit.sizes.squares(np.abs(position - best) / scale))

    near = float(minimize_scalar(mean_square, bounds=(best.min() - 1.0, best.max() + 1.0), method="bounded").x)
    # A search knows where the least value is to half the digits only; the parabola about it knows them all.
    before, least, after = (mean_square(near + step_um) for step_um in (-1.0, 0.0, 1.0))
    return near + 0.5 * (before - after) / (before - 2.0 * least + after)
