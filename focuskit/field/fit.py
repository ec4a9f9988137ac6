"""The best position over the sensor: tilt, curvature of the field, and the sizes at its corners.

Every star of a run has its own best position. The squares of all sizes are fitted together: a free
term for every frame takes up the seeing's changes, a free term for every star what makes it larger
than the others at all positions (aberrations of the field, a close companion), and what is left is a
slope over the field that turns from one side of focus to the other. A plane in it gives the tilt, a
paraboloid about the middle of the sensor the curvature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import f as f_law
from scipy.stats import norm

from focuskit.core import optics
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.field.map import Corner, FieldMap
from focuskit.field.sizes import StarSizes, star_sizes
from focuskit.stars import StarMatch

Array = NDArray[np.float64]

_LEAST_STARS = 12
_LEAST_FRAMES = 5
_LEAST_SEEN = 5  # stars in a frame
# Of the flux aperture's radius, in half-flux diameters: it is set before the size is known to 15 %, on
# the average a little small (found on rendered frames).
_USUAL_APERTURE = 0.95
_SCALES_AGREE = 0.15  # µm per step of rig and curve, relative
_USUAL_CHANGE_UM = 75.0  # of the best position over the sensor; beyond it curves are extended
# What the measured sizes and the seeing's profile are off by shows as a share of a change itself, and
# as a small part of another one (found on rendered frames: 2 % to 4 %, 8 % where stars are crowded).
_MODEL_ERR = 0.04
_MODEL_CROSS_ERR = 0.005
_MODEL_LEAST_ERR_UM = 0.2
# Of a star's square, relative: the brightest few are not to decide alone.
_LEAST_SCATTER = 0.01
_SEEING_RANGE = (0.6, 1.7)  # of a frame's seeing against the run's
_BISQUARE = 4.685  # 95 % as good as least squares on normal errors (Holland & Welsch 1977, from memory)
_HUBER = 1.345
_ROUNDS = 8
_STRETCHES = 2
_HUBER_ROUNDS = 3  # then the weights of outliers go to zero
_WORST_CONDITION = 30.0
_MOST_SIGMAS = 37.0  # a chance below 1e-300
_CORNERS = (("top left", -0.5, -0.5), ("top right", 0.5, -0.5), ("bottom left", -0.5, 0.5), ("bottom right", 0.5, 0.5))


def map_field(
    positions: ArrayLike,
    match: StarMatch,
    used: ArrayLike,
    rig: Rig,
    shape: tuple[int, int],
    *,
    best_position: float,
    best_position_err: float,
    slope_px_per_step: float,
    wavelength_nm: float = optics.DEFAULT_WAVELENGTH_NM,
    aperture_px: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> FieldMap | None:
    """Fit tilt and curvature to the stars of one focus run.

    Parameters
    ----------
    positions : array_like, shape (frames,)
        Focuser positions in steps.
    match : StarMatch
        The stars that the frames share.
    used : array_like of bool, shape (frames,)
        The frames that the run's curve rests on.
    rig : Rig
        Without its ``um_per_step``, that is told from the slope, the f-ratio and the pixel size.
    shape : (int, int)
        Rows and columns of the frames.
    best_position, best_position_err : float
        Best position of the run with its error; of its typical star, in the middle of those used, unless ``weights``
        are given.
    slope_px_per_step : float
        Growth of the half-flux diameter per step in the far wings of the run's curve.
    wavelength_nm : float
        Effective wavelength of the filter.
    aperture_px : array_like, shape (frames,), optional
        Radius of the aperture that the frame's stars were measured with; where it is NaN or not given,
        about the half-flux diameter of the frame's typical star. Infinite for sizes that count all light.
    weights : array_like, shape (stars,), optional
        How much each star of the match counts in ``best_position``.

    Returns
    -------
    FieldMap or None
        None where the way per step is not known, or fewer than five frames or twelve stars spread over
        the sensor can be used.

    Raises
    ------
    FocuskitError
        If the arrays do not match.
    """
    x = np.asarray(positions, float)
    chosen = np.asarray(used, bool)
    if x.shape != chosen.shape or x.shape != match.hfd_px.shape[:1]:
        raise FocuskitError(
            f"positions, used and frames of the match must be as many: {x.size}, {chosen.size}, {len(match.hfd_px)}"
        )
    telescope = _telescope(rig, slope_px_per_step, wavelength_nm)
    rows = chosen & np.isfinite(x) & (np.isfinite(match.hfd_px[:, match.sound]).sum(axis=1) >= _LEAST_SEEN)
    if telescope is None or rows.sum() < _LEAST_FRAMES:
        return None
    hfd, err = match.hfd_px[rows], match.hfd_err_px[rows]
    seen = (np.isfinite(hfd) & np.isfinite(err)).sum(axis=0)
    stars = match.sound & (seen >= max(_LEAST_FRAMES - 1, 0.5 * rows.sum()))
    places = _places(match.x_px[stars], match.y_px[stars], shape)
    # Where the stars leave tilt and curvature open, neither is given.
    if len(places) < _LEAST_STARS or np.linalg.cond(places - places.mean(axis=0)) > _WORST_CONDITION:
        return None
    hfd, err = hfd[:, stars].T * telescope.pixel_um, err[:, stars].T * telescope.pixel_um
    aperture = np.full(x.shape, np.nan) if aperture_px is None else np.asarray(aperture_px, float)
    aperture = aperture[rows] * telescope.pixel_um
    aperture = np.where(np.isnan(aperture), _USUAL_APERTURE * np.nanmedian(hfd, axis=0), aperture)
    steps = x[rows] - best_position
    typical = np.median(places, axis=0)
    if weights is not None:
        typical = np.average(places, axis=0, weights=np.nan_to_num(np.asarray(weights, float)[stars]))
    table = _Table(steps * telescope.um_per_step, hfd, err, aperture, places, typical)
    fit = _fit(table, telescope)
    for _ in range(_STRETCHES if telescope.from_curve else 0):
        # The slope of the wings is a few per cent short of its limit; the seeing tells by how much.
        telescope = replace(telescope, um_per_step=telescope.um_per_step * fit.stretch)
        fit = _fit(replace(table, away=steps * telescope.um_per_step), telescope)
    return _report(fit, telescope, shape, best_position, best_position_err)


def _places(x_px: Array, y_px: Array, shape: tuple[int, int]) -> Array:
    """Return the shares of tilt in x, tilt in y and curvature at places on the sensor, shape (n, 3)."""
    wide, high = shape[1] - 1, shape[0] - 1
    across, along = x_px / wide - 0.5, y_px / high - 0.5
    corner = ((across * wide) ** 2 + (along * high) ** 2) / (0.25 * (wide**2 + high**2))
    return np.column_stack([across, along, corner])


@dataclass(frozen=True)
class _Telescope:
    """What the sizes follow from; ``from_curve`` where the way per step is told by the run itself."""

    f_ratio: float
    obstruction: float
    pixel_um: float
    wavelength_um: float
    um_per_step: float
    from_curve: bool


def _telescope(rig: Rig, slope: float, wavelength_nm: float) -> _Telescope | None:
    """Fill the gaps of the rig from the slope of the curve; None where too little is known."""
    if not (rig.pixel_um and slope > 0):
        return None
    obstruction = optics.USUAL_OBSTRUCTION if rig.obstruction is None else rig.obstruction
    f_ratio = rig.f_ratio
    if f_ratio is None:
        if rig.um_per_step is None:
            return None
        f_ratio = optics.donut_hfd(1.0, obstruction) * rig.um_per_step / (slope * rig.pixel_um)
    from_curve = optics.um_per_step(slope, rig.pixel_um, f_ratio, obstruction)
    # A way per step that the curve belies is wrongly noted.
    known = rig.um_per_step is not None and abs(math.log(from_curve / rig.um_per_step)) < _SCALES_AGREE
    um_per_step = rig.um_per_step if known and rig.um_per_step else from_curve
    return _Telescope(f_ratio, obstruction, rig.pixel_um, wavelength_nm * 1e-3, um_per_step, not known)


# The fit -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Table:
    """Sizes of stars and their errors, shape (stars, frames), NaN where unseen; all lengths in µm.

    ``away`` is the frames' distance from the best position of a star at the place ``typical``,
    ``aperture`` their flux aperture's radius.
    """

    away: Array
    hfd: Array
    err: Array
    aperture: Array
    places: Array
    typical: Array


@dataclass(frozen=True)
class _Fit:
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


def _fit(table: _Table, telescope: _Telescope) -> _Fit:
    """Fit by Gauss and Newton, with weights that set aside what lies far off."""
    seen = np.isfinite(table.hfd) & np.isfinite(table.err)
    squares = np.where(seen, table.hfd, 1.0) ** 2
    noise = (2.0 * np.where(seen, table.hfd * table.err, 1.0)) ** 2
    places = table.places - table.typical
    least_um = float(np.median(np.nanmin(table.hfd, axis=1)))
    reach = 1.15 * float(np.abs(table.away).max()) + _USUAL_CHANGE_UM
    sizes = star_sizes(
        telescope.f_ratio, telescope.obstruction, telescope.pixel_um, telescope.wavelength_um, least_um, reach
    )
    seeing = np.ones(table.away.size)
    changes, scatter, trust = np.zeros(3), 0.02, np.ones(squares.shape)
    for turn in range(_ROUNDS):
        model, gradient = _model(sizes, table, places @ changes, seeing)
        variance = noise + (scatter * squares) ** 2
        solved = _solve(seen * trust / variance, gradient[:, :, None] * places[:, None, :], squares - model)
        changes = changes + solved.step
        levels = seeing**2 + solved.frames / float(sizes.squares(0.0))
        seeing = np.sqrt(np.clip(levels, _SEEING_RANGE[0] ** 2, _SEEING_RANGE[1] ** 2))
        left = solved.left[seen]
        excess = (1.4826 * np.median(np.abs(left) / squares[seen])) ** 2 - np.median((noise / squares**2)[seen])
        scatter = math.sqrt(max(excess, _LEAST_SCATTER**2))
        pull = np.abs(solved.left) / np.sqrt(noise + (scatter * squares) ** 2)
        if turn < _HUBER_ROUNDS:
            trust = np.minimum(1.0, _HUBER / np.maximum(pull, 1e-9))
        else:
            trust = np.maximum(0.0, 1.0 - (pull / _BISQUARE) ** 2) ** 2
    least = float(sizes.squares(0.0)) * levels
    stretch, stretch_err = _stretch(table.away, least, optics.wing_slope(telescope.f_ratio, telescope.obstruction))
    return _Fit(
        changes, solved.covariance, sizes, math.sqrt(float(np.median(least))), solved.own, table.places, table.typical,
        stretch, stretch_err,
    )  # fmt: skip


def _stretch(away: Array, least: Array, wing: float) -> tuple[float, float]:
    """Return how much longer a sweep is than was thought, with the error, from the frames' least squares.

    They should not change along the sweep; an error of the best position makes them rise on one side.
    """
    unit = float(np.abs(away).max())
    design = np.vander(away / unit, 3)
    inverse = np.linalg.inv(design.T @ design)
    bend = inverse @ design.T @ least
    rest = least - design @ bend
    spread = math.sqrt(float(rest @ rest) / max(away.size - 5, 1) * float(inverse[0, 0]))  # as Student's law spreads
    stretch = math.sqrt(min(max(1.0 + float(bend[0]) / (wing * unit) ** 2, 0.5), 2.0))
    return stretch, 0.5 * spread / (wing * unit) ** 2


def _model(sizes: StarSizes, table: _Table, best: Array, seeing: Array) -> tuple[Array, Array]:
    """Return the measured squares and their change with the stars' best positions, shape (stars, frames)."""
    model = np.empty((best.size, table.away.size))
    gradient = np.empty_like(model)
    for k, (away, aperture, scale) in enumerate(zip(table.away, table.aperture, seeing, strict=True)):
        measured = sizes.measured(abs(away), aperture, scale)
        off = (away - best) / scale
        model[:, k] = scale**2 * measured(np.abs(off))
        gradient[:, k] = -scale * measured(np.abs(off), 1) * np.sign(off)
    return model, gradient


@dataclass(frozen=True)
class _Solved:
    step: Array
    covariance: Array
    frames: Array
    own: Array
    left: Array


def _solve(weight: Array, design: Array, values: Array) -> _Solved:
    """Fit a table, shape (stars, frames), by design, a term for every frame and a term for every star.

    The covariance is that of the jackknife over stars: it takes the scatter as it is, also where the
    frames of one star scatter alike.
    """
    count, frames = weight.shape
    dummies = np.broadcast_to(np.eye(frames)[:, 1:], (count, frames, frames - 1))
    columns = np.concatenate([design, dummies], axis=2)
    total = np.maximum(weight.sum(axis=1), 1e-300)[:, None]
    centred = columns - ((weight[:, None, :] @ columns) / total[:, None])
    level = values - (weight * values).sum(axis=1, keepdims=True) / total
    weighted = (centred * weight[:, :, None]).transpose(0, 2, 1)
    normals, rights = weighted @ centred, (weighted @ level[:, :, None])[:, :, 0]
    normal, right = normals.sum(axis=0), rights.sum(axis=0)
    unit = np.sqrt(np.maximum(np.diag(normal), 1e-300))  # steps and squares of px differ much in size
    normals, rights = normals / np.outer(unit, unit), rights / unit
    normal, right = normal / np.outer(unit, unit), right / unit
    best = np.linalg.solve(normal, right)
    without = np.linalg.solve(normal - normals, (right - rights)[:, :, None])[:, :, 0]
    off = ((without - without.mean(axis=0)) / unit)[:, :3]
    best = best / unit
    rest = values - columns @ best
    own = (weight * rest).sum(axis=1) / total[:, 0]
    middle = float(np.median(own))
    return _Solved(
        step=best[:3],
        covariance=(count - 1) / count * off.T @ off,
        frames=np.concatenate([[0.0], best[3:]]) + middle,
        own=own - middle,
        left=rest - own[:, None],
    )


# The report ----------------------------------------------------------------------------------


def _report(
    fit: _Fit, telescope: _Telescope, shape: tuple[int, int], best_position: float, best_position_err: float
) -> FieldMap:
    value, step_um, pixel_um = fit.changes, telescope.um_per_step, telescope.pixel_um
    freedom = len(fit.own) - 4
    model = (_MODEL_ERR * value) ** 2 + (_MODEL_CROSS_ERR * np.linalg.norm(value)) ** 2 + _MODEL_LEAST_ERR_UM**2
    covariance = fit.covariance + np.diag(model)
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


def _size_um(fit: _Fit, defocus_um: float, place: Array, blur: Array) -> float:
    """Return the size at a place on the sensor at a distance from its own best position."""
    own = float((place - fit.typical) @ blur)
    least = float(fit.sizes.squares(0.0))
    scale = fit.least_um / math.sqrt(least)
    square = scale**2 * float(fit.sizes.squares(abs(defocus_um) / scale))
    return math.sqrt(max(square + own, 0.1 * fit.least_um**2))


def _sigmas(wald: float, values: int, freedom: int) -> float:
    """Return the significance of a Wald statistic whose covariance comes from the scatter itself."""
    chance = float(f_law.sf(wald / values, values, freedom))
    return float(norm.isf(0.5 * chance)) if chance > 1e-300 else _MOST_SIGMAS


def _own_blur(fit: _Fit) -> tuple[Array, Array]:
    """Return how the squares of the stars' own blur change over the field, and the covariance of that."""
    design = np.column_stack([fit.places - fit.typical, np.ones(len(fit.own))])
    trust = np.ones(len(fit.own))
    for _ in range(_ROUNDS):
        weighted = design * trust[:, None]
        inverse = np.linalg.inv(weighted.T @ design)
        left = fit.own - design @ (inverse @ (weighted.T @ fit.own))
        spread = 1.4826 * float(np.median(np.abs(left))) + 1e-12
        trust = np.maximum(0.0, 1.0 - (left / (_BISQUARE * spread)) ** 2) ** 2
    values = inverse @ (weighted.T @ fit.own)
    return values[:3], np.asarray(spread**2 * inverse[:3, :3], float)


def _growth(fit: _Fit, defocus_um: float) -> float:
    nowhere = np.zeros(3)
    return _size_um(fit, defocus_um, fit.typical, nowhere) / _size_um(fit, 0.0, fit.typical, nowhere)


def _whole_field_um(fit: _Fit, shape: tuple[int, int]) -> float:
    """Return where the mean of HFD² over the sensor is least, from the best position of its middle."""
    nodes, weights = np.polynomial.legendre.leggauss(8)
    weight = np.outer(weights, weights).ravel()
    x, y = (
        (0.5 * grid.ravel() + 0.5) * (n - 1) for grid, n in zip(np.meshgrid(nodes, nodes), shape[::-1], strict=True)
    )
    best = _places(x, y, shape) @ fit.changes
    scale = fit.least_um / math.sqrt(float(fit.sizes.squares(0.0)))

    def mean_square(position: float) -> float:
        return float(weight @ fit.sizes.squares(np.abs(position - best) / scale))

    near = float(minimize_scalar(mean_square, bounds=(best.min() - 1.0, best.max() + 1.0), method="bounded").x)
    # A search knows where the least value is to half the digits only; the parabola about it knows them all.
    before, least, after = (mean_square(near + step_um) for step_um in (-1.0, 0.0, 1.0))
    return near + 0.5 * (before - after) / (before - 2.0 * least + after)
