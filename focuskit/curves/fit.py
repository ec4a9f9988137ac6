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
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core import flags, optics
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import TOLERATED_GROWTH, Rig
from focuskit.curves import checks
from focuskit.curves.estimate import Estimate, Points, estimate_curve, first_look, scale_points
from focuskit.curves.shape import CurveShape, Hyperbola, Parabola, growth_distance, seeing_donut_shape

Array = NDArray[np.float64]

# Where the obstruction is not known; between none and 0.5 the curve changes by 0.6 %.
_PARABOLA_GROWTHS = (1.5, 2.0, np.inf)
_DISAGREE_SIGMA = 3.0
_DISAGREE_TOLERANCE = 0.25  # differences that do not matter are no disagreement
_FEW_STARS = 5
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


@dataclass(frozen=True)
class CurveFit:
    """What the sizes of a focus run tell.

    Parameters
    ----------
    verdict : {"good", "usable", "failed"}
    best_position, best_position_err, best_position_err_95 : float or None
        In steps, with the half widths that hold the truth in 68 % and 95 % of runs; None if failed.
    look_near : float or None
        For a failed run, where to centre the next sweep, if the frames tell.
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
        Half width of ±2λN² at 550 nm.
    seeing_jitter : float or None
        Relative scatter of the seeing from frame to frame.
    fits : dict of str to SizeFit
        "squared sizes", "hyperbola", "parabola", and "fwhm" where it was given; empty if failed.
    flags : tuple of str
    used : tuple of bool
        One for each frame, as the following.
    why_not_used : tuple of (str or None)
    """

    verdict: str
    best_position: float | None
    best_position_err: float | None
    best_position_err_95: float | None
    look_near: float | None
    method: str | None
    reason: str | None
    hfd_best_px: float | None
    fwhm_best_px: float | None
    hfd_slope_px_per_step: float | None
    tolerance_steps: float | None
    um_per_step: float | None
    critical_focus_zone_steps: float | None
    seeing_jitter: float | None
    fits: dict[str, SizeFit]
    flags: tuple[str, ...]
    used: tuple[bool, ...]
    why_not_used: tuple[str | None, ...]


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
    set_aside: Sequence[str | None] | None = None,
) -> CurveFit:
    """Find the best position of a focus run.

    Parameters
    ----------
    positions : array_like, shape (n,)
        Focuser positions in steps, in any order, repeated or not.
    sizes : array_like, shape (n,)
        Half-flux diameters in px; NaN for a frame without stars.
    errors : array_like, shape (n,), optional
        Measuring errors of the sizes, 1σ, without the seeing's changes. Without them all scatter is
        taken for seeing.
    fluxes : array_like, shape (n,), optional
        Light of the same stars in every frame, in any unit: tells clouds.
    stars : array_like, shape (n,), optional
        Number of stars measured in every frame.
    fwhm : array_like, shape (n,), optional
        Full widths at half maximum in px.
    rig : Rig, optional
        Gives the obstruction, and with f-ratio and pixel size the µm per step.
    wavelength_nm : float
        For the critical focus zone.
    set_aside : sequence of (str or None), length n, optional
        Why a frame is to be left out, None for the others.

    Returns
    -------
    CurveFit

    Raises
    ------
    FocuskitError
        If the arrays do not match, or a position or an error is no number.
    """
    x, size, sigma = _read_points(positions, sizes, errors)
    flux = _read_optional("fluxes", fluxes, x.size)
    count = _read_optional("stars", stars, x.size)
    width = _read_optional("fwhm", fwhm, x.size)
    rig = rig or Rig()
    why = checks.find_unmeasured(size, count)
    if set_aside is not None:
        if len(set_aside) != x.size:
            raise FocuskitError(f"set_aside has {len(set_aside)} values for {x.size} positions: give one a frame")
        why = [given or own for given, own in zip(set_aside, why, strict=True)]
    if flux is not None:
        dimmed = checks.find_dimmed(flux, x, np.array([w is None for w in why], bool))
        why = [a or b for a, b in zip(why, dimmed, strict=True)]
    used = np.array([w is None for w in why], bool)
    raised = []
    if count is not None and used.any() and np.nanmedian(count[used]) < _FEW_STARS:
        raised.append("few_stars")
    distinct = checks.distinct_positions(x[used])
    if distinct < checks.LEAST_POSITIONS:
        look = _look_near(x[used], size[used], rig) if distinct >= 3 else None
        return _failed(why, [*raised, "too_few_points"], look)

    points = scale_points(x[used], size[used], sigma[used])
    shape = seeing_donut_shape(_obstruction(rig))
    start = first_look(points)
    if start is None or checks.is_upside_down(points):
        upside_down = checks.is_upside_down(points)
        return _failed(why, [*raised, "upside_down" if upside_down else "flat_curve"], None)
    estimate, kept, odd = checks.fit_without_gusts(points, shape, start, None if flux is None else flux[used])
    points = points.only(kept)
    health = checks.judge_curve(points, shape, estimate, int(np.sum(~kept)))
    raised.extend(health.flags)
    if health.failed and "minimum_outside" not in raised:
        return _failed(why, raised, None)  # where there is no curve, no frame is off it
    for i, reason in zip(np.flatnonzero(used), odd, strict=True):
        why[i] = reason
    used[used] = kept
    if health.failed:
        return _failed(why, raised, _bounded(estimate.best, points, rig))
    return _report(points, shape, estimate, width, used, why, raised, rig, wavelength_nm)


def _report(
    points: Points,
    shape: CurveShape,
    estimate: Estimate,
    width: Array | None,
    used: NDArray[np.bool_],
    why: list[str | None],
    raised: list[str],
    rig: Rig,
    wavelength_nm: float,
) -> CurveFit:
    start = (estimate.best, estimate.least, estimate.slope)
    squares = _size_fit("squared sizes", points, shape, estimate)
    hyperbola = estimate_curve(points, Hyperbola(), start, squared=False)
    fits = {
        "squared sizes": squares,
        "hyperbola": _size_fit("hyperbola", points, Hyperbola(), hyperbola),
        "parabola": _fit_parabola(points, squares, start),
    }
    fwhm_fit = _fit_fwhm(points, width[used], squares, rig) if width is not None else None
    if fwhm_fit is not None:
        fits["fwhm"] = fwhm_fit
    tolerance = growth_distance(shape, TOLERATED_GROWTH) * squares.size_best / squares.slope_per_step
    if squares.best_position_err > tolerance:
        raised.append("unsure_position")
    reason = "it weighs every frame by its error and by the seeing's changes"
    apart = [name for name in ("hyperbola", "parabola") if disagree(squares.estimate, fits[name].estimate, tolerance)]
    if apart:
        raised.append("fits_disagree")
        reason += f"; the {' and the '.join(apart)} disagree, and are bent by a sweep that is not even"
    if any(w is not None for w in why):
        raised.append("frames_set_aside")
    um_per_step = None
    if rig.pixel_um and rig.f_ratio:
        um_per_step = optics.um_per_step(squares.slope_per_step, rig.pixel_um, rig.f_ratio, _obstruction(rig))
    um = rig.um_per_step or um_per_step
    zone = optics.critical_focus_zone_um(rig.f_ratio, wavelength_nm) / um if rig.f_ratio and um else None
    return CurveFit(
        verdict=verdict_of(raised),
        best_position=squares.best_position,
        best_position_err=squares.best_position_err,
        best_position_err_95=squares.best_position_err_95,
        look_near=None,
        method=squares.name,
        reason=reason,
        hfd_best_px=squares.size_best,
        fwhm_best_px=None if fwhm_fit is None else fwhm_fit.size_best,
        hfd_slope_px_per_step=squares.slope_per_step,
        tolerance_steps=tolerance,
        um_per_step=um_per_step,
        critical_focus_zone_steps=zone,
        seeing_jitter=squares.seeing_jitter,
        fits=fits,
        flags=flags.check(raised),
        used=tuple(bool(u) for u in used),
        why_not_used=tuple(why),
    )


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
    best: SizeFit | None = None
    tried = set()
    for limit in _PARABOLA_GROWTHS:
        number = max(int(np.sum(growth <= limit)), checks.LEAST_POSITIONS)
        while checks.distinct_positions(points.x[nearest[:number]]) < checks.LEAST_POSITIONS:
            number += 1
        if number in tried:
            continue
        tried.add(number)
        near = points.only(np.isin(np.arange(points.x.size), nearest[:number]))
        fit = _size_fit("parabola", near, Parabola(), estimate_curve(near, Parabola(), start, squared=False))
        if best is None or fit.best_position_err < best.best_position_err:
            best = fit
    assert best is not None
    return best


def _fit_fwhm(points: Points, width: Array, squares: SizeFit, rig: Rig) -> SizeFit | None:
    known = np.isfinite(width) & (width > 0)
    if checks.distinct_positions(points.x[known]) < checks.LEAST_POSITIONS:
        return None
    relative = points.sigma[known] / points.size[known]
    unit = float(np.median(width[known]))
    curve = Points(
        points.x[known], width[known] / unit, relative * width[known] / unit,
        points.centre, points.half_range, unit,
    )  # fmt: skip
    shape = seeing_donut_shape(_obstruction(rig), "fwhm")
    start = first_look(curve)
    if start is None:
        return None
    estimate = estimate_curve(curve, shape, start, squared=True)
    return _size_fit("fwhm", curve, shape, estimate)


def _failed(why: list[str | None], raised: list[str], look_near: float | None) -> CurveFit:
    if any(w is not None for w in why):
        raised = [*raised, "frames_set_aside"]
    nothing: dict[str, Any] = dict.fromkeys(
        (
            "best_position", "best_position_err", "best_position_err_95", "method", "reason", "hfd_best_px",
            "fwhm_best_px", "hfd_slope_px_per_step", "tolerance_steps", "um_per_step",
            "critical_focus_zone_steps", "seeing_jitter",
        )
    )  # fmt: skip
    return CurveFit(
        verdict="failed",
        look_near=look_near,
        fits={},
        flags=flags.check(raised),
        used=tuple(w is None for w in why),
        why_not_used=tuple(why),
        **nothing,
    )


def _look_near(positions: Array, sizes: Array, rig: Rig) -> float | None:
    points = scale_points(positions, sizes, np.zeros_like(sizes))
    start = first_look(points)
    return None if start is None else _bounded(start[0], points, rig)


def _bounded(best: float, points: Points, rig: Rig) -> float:
    """Return a position at most one sweep beyond the end of this one, and within the travel."""
    near = points.centre + points.half_range * min(max(best, -3.0), 3.0)
    if rig.travel is not None:
        near = min(max(near, rig.travel[0]), rig.travel[1])
    return near


def disagree(one: tuple[float, float], other: tuple[float, float], tolerance: float) -> bool:
    """Return whether two best positions, each with its error, differ by more than chance and by enough to matter."""
    allowed = _DISAGREE_SIGMA * np.hypot(one[1], other[1])
    return bool(abs(one[0] - other[0]) > max(allowed, _DISAGREE_TOLERANCE * tolerance))


def verdict_of(raised: Sequence[str]) -> str:
    """Return the verdict on a run that has a best position and these flags."""
    return "usable" if any(name in _SPOILS_GOOD for name in raised) else "good"


def _obstruction(rig: Rig) -> float:
    return optics.USUAL_OBSTRUCTION if rig.obstruction is None else round(rig.obstruction, 2)


def _read_points(positions: ArrayLike, sizes: ArrayLike, errors: ArrayLike | None) -> tuple[Array, Array, Array]:
    x = _read("positions", positions)
    if not np.isfinite(x).all():
        raise FocuskitError(f"positions[{int(np.flatnonzero(~np.isfinite(x))[0])}] is not a number: leave it out")
    size = _read("sizes", sizes, x.size)
    if errors is None:
        return x, size, np.zeros_like(size)
    sigma = _read("errors", errors, x.size)
    if (sigma < 0).any():
        raise FocuskitError(f"errors[{int(np.flatnonzero(sigma < 0)[0])}] is negative: give 1σ errors")
    known = np.isfinite(sigma)
    return x, size, np.where(known, sigma, np.median(sigma[known]) if known.any() else 0.0)


def _read(name: str, values: ArrayLike, length: int | None = None) -> Array:
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise FocuskitError(f"{name}: not a list of numbers ({error})") from error
    if array.ndim != 1:
        raise FocuskitError(f"{name} has {array.ndim} dimensions: give one number a frame")
    if length is not None and array.size != length:
        raise FocuskitError(f"{name} has {array.size} values for {length} positions: give one a frame")
    return array


def _read_optional(name: str, values: ArrayLike | None, length: int) -> Array | None:
    return None if values is None else _read(name, values, length)
