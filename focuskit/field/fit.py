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

from focuskit.core import optics
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import Rig
from focuskit.field.map import FieldMap
from focuskit.field.report import BISQUARE, FieldFit, Telescope, report, sensor_places
from focuskit.field.sizes import StarSizes, star_sizes
from focuskit.stars import StarMatch

Array = NDArray[np.float64]

# Chosen: the jackknife over stars has eight degrees of freedom beside tilt, curvature and the middle, and a star's
# own term and the changes leave two frames over. A frame's own term takes one of its stars.
_LEAST_STARS = 12
_LEAST_FRAMES = 5
_LEAST_SEEN = 5
# Of the flux aperture's radius, in half-flux diameters: it is set before the size is known to 15 %, on
# the average a little small (found on rendered frames).
_USUAL_APERTURE = 0.95
# µm per step of rig and curve, relative: curves are a few per cent short of the limit of their wings, and an
# obstruction that is not known adds 5 %; what differs by more is a mistake in the rig file (chosen).
_SCALES_AGREE = 0.15
_USUAL_CHANGE_UM = 75.0  # of the best position over the sensor; beyond it curves are extended
# Of a star's square, relative: the brightest few are not to decide alone.
_LEAST_SCATTER = 0.01
_SEEING_RANGE = (0.6, 1.7)  # of a frame's seeing against the run's: four times its usual scatter of 12 %
_HUBER = 1.345  # 95 % as good as least squares on normal errors (Huber 1981, from memory)
_ROUNDS = 8  # search: rounds
_STRETCHES = 2  # the second changes the step size by the square of the first, a few per cent
_HUBER_ROUNDS = 3  # search: then the weights of outliers go to zero
# Stars along one line leave tilt and curvature open; evenly spread ones have a condition of 1.3 (chosen).
_WORST_CONDITION = 30.0


# Long for its parameters, each with its unit: the steps are in `_table`, `_fit` and `report`.
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
        None where the step size is not known, or fewer than five frames or twelve stars spread over
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
    if telescope is None:
        return None
    table = _table(x - best_position, match, chosen, telescope.pixel_um, shape, aperture_px, weights)
    if table is None:
        return None
    fit = _fit(table, telescope)
    for _ in range(_STRETCHES if telescope.from_curve else 0):
        # The slope of the wings is a few per cent short of its limit; the seeing tells by how much.
        telescope = replace(telescope, um_per_step=telescope.um_per_step * fit.stretch)
        fit = _fit(table, telescope)
    return report(fit, telescope, shape, best_position, best_position_err)


def _table(
    steps: Array, match: StarMatch, chosen: NDArray[np.bool_], pixel_um: float, shape: tuple[int, int],
    aperture_px: ArrayLike | None, weights: ArrayLike | None,
) -> _Table | None:  # fmt: skip
    """Return the sizes that count; None with too few, and where the stars leave tilt and curvature open."""
    rows = chosen & np.isfinite(steps) & (np.isfinite(match.hfd_px[:, match.sound]).sum(axis=1) >= _LEAST_SEEN)
    if rows.sum() < _LEAST_FRAMES:
        return None
    hfd, err = match.hfd_px[rows], match.hfd_err_px[rows]
    seen = (np.isfinite(hfd) & np.isfinite(err)).sum(axis=0)
    stars = match.sound & (seen >= max(_LEAST_FRAMES - 1, 0.5 * rows.sum()))
    x_px, y_px = match.places_px[np.ix_(rows, stars)].T
    tracks = sensor_places(x_px, y_px, shape)
    places = tracks.mean(axis=1)
    if len(places) < _LEAST_STARS or np.linalg.cond(places - places.mean(axis=0)) > _WORST_CONDITION:
        return None
    hfd, err = hfd[:, stars].T * pixel_um, err[:, stars].T * pixel_um
    aperture = np.full(steps.shape, np.nan) if aperture_px is None else np.asarray(aperture_px, float)
    aperture = aperture[rows] * pixel_um
    aperture = np.where(np.isnan(aperture), _USUAL_APERTURE * np.nanmedian(hfd, axis=0), aperture)
    typical = np.median(places, axis=0)
    if weights is not None:
        typical = np.average(places, axis=0, weights=np.nan_to_num(np.asarray(weights, float)[stars]))
    return _Table(steps[rows], hfd, err, aperture, tracks, typical)


def _telescope(rig: Rig, slope: float, wavelength_nm: float) -> Telescope | None:
    """Fill the gaps of the rig from the slope of the curve; None where too little is known."""
    if not (rig.pixel_um and slope > 0):
        return None
    obstruction = rig.likely_obstruction
    f_ratio = rig.f_ratio
    if f_ratio is None:
        if rig.um_per_step is None:
            return None
        f_ratio = optics.donut_hfd(1.0, obstruction) * rig.um_per_step / (slope * rig.pixel_um)
    from_curve = optics.um_per_step(slope, rig.pixel_um, f_ratio, obstruction)
    # A step size that the curve belies is wrongly noted.
    known = rig.um_per_step is not None and abs(math.log(from_curve / rig.um_per_step)) < _SCALES_AGREE
    um_per_step = rig.um_per_step if known and rig.um_per_step else from_curve
    scale_err = optics.scale_err(rig.obstruction)
    return Telescope(f_ratio, obstruction, rig.pixel_um, wavelength_nm * 1e-3, um_per_step, not known, scale_err)


@dataclass(frozen=True, eq=False, repr=False)
class _Table:
    """Sizes of stars and their errors, shape (stars, frames), NaN where unseen; lengths in µm.

    ``steps`` are the frames' distances from the best position of a star at the place ``typical``,
    ``aperture`` their flux aperture's radius; ``places`` are those of the stars in each frame, shape (stars, frames,
    3), since a sky that turns carries them over the sensor.
    """

    steps: Array
    hfd: Array
    err: Array
    aperture: Array
    places: Array
    typical: Array


def _fit(table: _Table, telescope: Telescope) -> FieldFit:
    """Fit by Gauss and Newton, with weights that set aside what lies far off."""
    seen = np.isfinite(table.hfd) & np.isfinite(table.err)
    squares = np.where(seen, table.hfd, 1.0) ** 2
    noise = (2.0 * np.where(seen, table.hfd * table.err, 1.0)) ** 2
    places, away = table.places - table.typical, table.steps * telescope.um_per_step
    least_um = float(np.median(np.nanmin(table.hfd, axis=1)))
    reach = 1.15 * float(np.abs(away).max()) + _USUAL_CHANGE_UM
    sizes = star_sizes(
        telescope.f_ratio, telescope.obstruction, telescope.pixel_um, telescope.wavelength_um, least_um, reach
    )
    seeing = np.ones(away.size)
    changes, scatter, trust = np.zeros(3), 0.02, np.ones(squares.shape)
    for number in range(_ROUNDS):
        model, gradient = _model(sizes, away, table.aperture, places @ changes, seeing)
        variance = noise + (scatter * squares) ** 2
        solved = _solve(seen * trust / variance, gradient[:, :, None] * places, squares - model)
        changes = changes + solved.step
        levels = seeing**2 + solved.frames / float(sizes.squares(0.0))
        seeing = np.sqrt(np.clip(levels, _SEEING_RANGE[0] ** 2, _SEEING_RANGE[1] ** 2))
        left = solved.left[seen]
        excess = (1.4826 * np.median(np.abs(left) / squares[seen])) ** 2 - np.median((noise / squares**2)[seen])
        scatter = math.sqrt(max(excess, _LEAST_SCATTER**2))
        pull = np.abs(solved.left) / np.sqrt(noise + (scatter * squares) ** 2)
        if number < _HUBER_ROUNDS:
            trust = np.minimum(1.0, _HUBER / np.maximum(pull, 1e-9))
        else:
            trust = np.maximum(0.0, 1.0 - (pull / BISQUARE) ** 2) ** 2
    least = float(sizes.squares(0.0)) * levels
    stretch, stretch_err = _stretch(away, least, optics.wing_slope(telescope.f_ratio, telescope.obstruction))
    return FieldFit(
        changes, solved.covariance, sizes, math.sqrt(float(np.median(least))), solved.own, table.places.mean(axis=1),
        table.typical, stretch, stretch_err,
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


def _model(sizes: StarSizes, away: Array, aperture: Array, best: Array, seeing: Array) -> tuple[Array, Array]:
    """Return the measured squares and their change with the stars' best positions, shape (stars, frames)."""
    model = np.empty(best.shape)
    gradient = np.empty_like(model)
    for k, (distance, radius, scale) in enumerate(zip(away, aperture, seeing, strict=True)):
        measured = sizes.measured(abs(distance), radius, scale)
        off = (distance - best[:, k]) / scale
        model[:, k] = scale**2 * measured(np.abs(off))
        gradient[:, k] = -scale * measured(np.abs(off), 1) * np.sign(off)
    return model, gradient


@dataclass(frozen=True, eq=False, repr=False)
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
