"""The best position of a focus run from the sizes of its stars, with an error and a verdict.

Which estimate is what:

- *squared sizes*: the squares of the sizes follow the exact curve of blurred seeing; every frame is
  weighted by its measuring error and by the scatter that changing seeing gives it. The estimate that
  is reported, unless the shapes of the stars give a surer one.
- *hyperbola*: the customary curve through the sizes, with the same scatter in all frames.
- *parabola*: through the frames near focus only, as many as give the smallest error.

Best position means the position of the least half-flux diameter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core import flags, optics
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import TOLERATED_GROWTH, Rig
from focuskit.core.reasons import Reason
from focuskit.curves import checks
from focuskit.curves.estimate import FURTHEST, Estimate, Points, estimate_curve, first_look, scale_points
from focuskit.curves.frames import FrameSizes, plausible, read_frames
from focuskit.curves.outliers import fit_without_odd
from focuskit.curves.result import CurveFit, SizeFit, disagree, verdict_of
from focuskit.curves.shape import CurveShape, Hyperbola, Parabola, growth_distance, seeing_donut_shape

Array = NDArray[np.float64]

# Growth of the size up to which frames count as near focus: where a parabola lies 6 % and 25 % above the
# hyperbola, and all frames. Chosen, not tuned: the window with the smallest error is taken.
_PARABOLA_GROWTHS = (1.5, 2.0, np.inf)
_NOWHERE = (None, None)
_LEAST_GRID = np.geomspace(0.05, 1.0, 300)  # of a frame's size: wider apart than sweeps grow


def fit_run(
    positions: ArrayLike,
    sizes: ArrayLike,
    errors: ArrayLike | None = None,
    *,
    fluxes: ArrayLike | None = None,
    stars: ArrayLike | None = None,
    fwhm: ArrayLike | None = None,
    rig: Rig | None = None,
    wavelength_nm: float = optics.DEFAULT_WAVELENGTH_NM,
    set_aside: Sequence[Reason | None] | None = None,
) -> CurveFit:
    """Find the best position of a focus run.

    Parameters
    ----------
    positions, sizes : array_like, shape (n,)
        Focuser positions in steps, in any order, repeated or not; half-flux diameters in px, NaN for a frame
        without stars.
    errors : array_like, shape (n,), optional
        Measuring errors of the sizes, 1σ, without the seeing's changes. Without them all scatter is
        taken for seeing.
    fluxes, stars, fwhm : array_like, shape (n,), optional
        Of every frame: light of the same stars, in any unit, which shows clouds; number of stars measured; full
        width at half maximum in px.
    rig : Rig, optional
        Gives the obstruction, and with f-ratio and pixel size the µm per step.
    wavelength_nm : float
        For the critical focus zone.
    set_aside : sequence of (Reason or None), length n, optional
        Why a frame is to be left out, None for the others.

    Raises
    ------
    FocuskitError
        If the arrays do not match, or a position or an error is no number.
    """
    frames = read_frames(positions, sizes, errors, fluxes, stars, fwhm)
    if set_aside is not None and len(set_aside) != frames.x.size:
        raise FocuskitError(f"set_aside has {len(set_aside)} values for {frames.x.size} positions: give one a frame")
    return _fit_frames(frames, checks.find_spoilt(frames, set_aside), rig or Rig(), wavelength_nm)


def _fit_frames(frames: FrameSizes, why: list[Reason | None], rig: Rig, wavelength_nm: float) -> CurveFit:
    """Fit the frames that are not spoilt; leave out those that are odd beside the others."""
    used = np.array([reason is None for reason in why], bool)
    usable = frames.only(used)
    raised = ["few_stars"] if checks.shares_few_stars(usable) else []
    distinct = checks.distinct_positions(usable.x)
    if distinct < checks.LEAST_POSITIONS:
        return _failed(why, [*raised, "too_few_points"], _look_near(usable, rig) if distinct >= 3 else _NOWHERE)
    points = scale_points(usable.x, usable.size, usable.sigma)
    shape = seeing_donut_shape(_obstruction(rig))
    found = fit_without_odd(points, shape, usable.flux)
    health = checks.no_curve(points)
    if found:
        estimate, kept, odd = found
        health = checks.judge_curve(points.only(kept), shape, estimate, int(np.sum(~kept)))
    if health.failed and checks.is_upside_down(points):
        health = checks.Health(True, ("upside_down",))
    raised.extend(health.flags)
    if not (found and health.told):
        return _failed(why, raised)  # where there is no curve, no frame is off it
    points = points.only(kept)
    for i, reason in zip(np.flatnonzero(used), odd, strict=True):
        why[i] = reason
    if health.failed:
        return _failed(why, raised, _bounded(estimate.best, estimate.err, points, rig))
    fits = _fit_curves(points, shape, estimate, usable.fwhm[kept], _obstruction(rig))
    return _report(fits, why, raised, rig, wavelength_nm)


def _fit_curves(
    points: Points, shape: CurveShape, estimate: Estimate, width: Array, obstruction: float
) -> dict[str, SizeFit]:
    """Return the estimate as a curve, and the other curves beside it."""
    start = (estimate.best, estimate.least, estimate.slope)
    squares = _size_fit("squared sizes", points, shape, estimate)
    hyperbola = estimate_curve(points, Hyperbola(), start, squared=False)
    fits = {
        "squared sizes": squares,
        "hyperbola": _size_fit("hyperbola", points, Hyperbola(), hyperbola),
        "parabola": _fit_parabola(points, squares, start),
    }
    fwhm = _fit_fwhm(points, width, obstruction)
    return fits if fwhm is None else fits | {"fwhm": fwhm}


def _report(
    fits: dict[str, SizeFit], why: Sequence[Reason | None], raised: list[str], rig: Rig, wavelength_nm: float
) -> CurveFit:
    squares, fwhm = fits["squared sizes"], fits.get("fwhm")
    tolerance = growth_distance(squares.shape, TOLERATED_GROWTH) * squares.size_best / squares.slope_per_step
    if squares.best_position_err > tolerance:
        raised.append("unsure_position")
    reason = "it weighs every frame by its error and by the seeing's changes"
    apart = [name for name in ("hyperbola", "parabola") if disagree(squares.estimate, fits[name].estimate, tolerance)]
    if apart:
        raised.append("fits_disagree")
        reason += f"; the {' and the '.join(apart)} disagree, and are bent by a sweep that is not even"
    um_per_step = None
    if rig.pixel_um and rig.f_ratio:
        um_per_step = optics.um_per_step(squares.slope_per_step, rig.pixel_um, rig.f_ratio, _obstruction(rig))
    um = rig.um_per_step or um_per_step
    return CurveFit(
        verdict=verdict_of(raised),
        flags=_checked(raised, why),
        why_not_used=tuple(why),
        best_position=squares.best_position,
        best_position_err=squares.best_position_err,
        best_position_err_95=squares.best_position_err_95,
        method=squares.name,
        reason=reason,
        hfd_best_px=squares.size_best,
        fwhm_best_px=None if fwhm is None else fwhm.size_best,
        hfd_slope_px_per_step=squares.slope_per_step,
        tolerance_steps=tolerance,
        um_per_step=um_per_step,
        critical_focus_zone_steps=(
            optics.critical_focus_zone_um(rig.f_ratio, wavelength_nm) / um if rig.f_ratio and um else None
        ),
        seeing_jitter=squares.seeing_jitter,
        fits=fits,
    )


def _failed(
    why: Sequence[Reason | None], raised: list[str], near: tuple[float | None, float | None] = _NOWHERE
) -> CurveFit:
    return CurveFit("failed", _checked(raised, why), tuple(why), look_near=near[0], look_near_err=near[1])


def _checked(raised: list[str], why: Sequence[Reason | None]) -> tuple[str, ...]:
    return flags.check([*raised, "frames_set_aside"] if any(why) else raised)


def _size_fit(name: str, points: Points, shape: CurveShape, estimate: Estimate) -> SizeFit:
    steps, unit = points.half_range, points.unit
    return SizeFit(
        name=name,
        best_position=points.centre + steps * estimate.best,
        best_position_err=steps * estimate.err,
        best_position_err_95=steps * estimate.err_95,
        size_best=unit * estimate.least,
        slope_per_step=unit * estimate.slope / steps,
        seeing_jitter=estimate.jitter,
        chi2_reduced=None if estimate.chi2 is None else estimate.chi2 / (points.x.size - 3),
        points=points.x.size,
        shape=shape,
    )


def _fit_parabola(points: Points, squares: SizeFit, start: tuple[float, float, float]) -> SizeFit:
    """Fit the frames near focus: of three windows, the one with the smallest error."""
    distance = np.abs(points.x - start[0])
    growth = squares.size_at(points.centre + points.half_range * points.x) / squares.size_best
    nearest = np.argsort(distance, kind="stable")
    numbers = []
    for limit in _PARABOLA_GROWTHS:
        number = max(int(np.sum(growth <= limit)), checks.LEAST_POSITIONS)
        while checks.distinct_positions(points.x[nearest[:number]]) < checks.LEAST_POSITIONS:
            number += 1
        numbers.append(number)
    fits = []
    for number in dict.fromkeys(numbers):
        near = points.only(np.isin(np.arange(points.x.size), nearest[:number]))
        fits.append(_size_fit("parabola", near, Parabola(), estimate_curve(near, Parabola(), start, squared=False)))
    return min(fits, key=lambda fit: fit.best_position_err)


def _fit_fwhm(points: Points, width: Array, obstruction: float) -> SizeFit | None:
    known = plausible(width)
    if checks.distinct_positions(points.x[known]) < checks.LEAST_POSITIONS:
        return None
    unit = float(np.median(width[known]))
    relative = points.sigma[known] / points.size[known]
    size = width[known] / unit
    curve = replace(points, x=points.x[known], size=size, sigma=relative * size, unit=unit)
    start = first_look(curve)
    if start is None:
        return None
    shape = seeing_donut_shape(obstruction, "fwhm")
    return _size_fit("fwhm", curve, shape, estimate_curve(curve, shape, start, squared=True))


def _look_near(frames: FrameSizes, rig: Rig) -> tuple[float | None, float | None]:
    points = scale_points(frames.x, frames.size, frames.sigma)
    start = first_look(points)
    if start is None:
        return _NOWHERE
    if points.x.size < 4:  # a curve through three points has no error
        return _bounded(start[0], 0.0, points, rig)[0], None
    found = estimate_curve(points, seeing_donut_shape(_obstruction(rig)), start, squared=True)
    return _bounded(found.best, found.err, points, rig)


def _bounded(best: float, err: float, points: Points, rig: Rig) -> tuple[float, float]:
    """Return a position at most one sweep beyond the end of this one, and within the travel, and its error."""
    there = points.centre + points.half_range * best
    near = points.centre + points.half_range * min(max(best, -FURTHEST), FURTHEST)
    low, high = rig.travel or (near, near)
    near = min(max(near, low), high)
    return near, max(points.half_range * err, abs(there - near))


def least_size(distances: ArrayLike, sizes: ArrayLike, slope: float, obstruction: float | None) -> float | None:
    """Return the least size of a run whose best position and slope are known from elsewhere.

    Parameters
    ----------
    distances, sizes : array_like, shape (n,)
        From the best position, in steps, and half-flux diameters; NaN for frames that do not count.
    slope : float
        Of the far wings, size per step.
    obstruction : float or None

    Returns
    -------
    float or None
        Median over the three smallest frames, for far out sizes hardly tell the seeing; None where no frame is
        larger than the wings are without any seeing.
    """
    shape = seeing_donut_shape(_obstruction(Rig(obstruction=obstruction)))
    wings, sizes = slope * np.abs(np.asarray(distances, float)), np.asarray(sizes, float)
    found = []
    for k in np.argsort(sizes)[: min(3, np.isfinite(sizes).sum())]:
        least = sizes[k] * _LEAST_GRID  # the size grows with the least one, at any distance
        there = least * shape.at(wings[k] / least)[0]
        if there[0] < sizes[k]:
            found.append(float(np.interp(sizes[k], there, least)))
    return float(np.median(found)) if found else None


def _obstruction(rig: Rig) -> float:
    # Between no obstruction and 0.5 the curve changes by 0.6 %.
    return round(rig.likely_obstruction, 2)
