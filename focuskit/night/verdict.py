"""The verdict on a run: its field mapped, and the best position chosen from the sizes of its stars and their shapes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from focuskit.core import flags, optics
from focuskit.core.statistics import weighted_mean
from focuskit.curves import CurveFit, disagree, growth_distance, least_size, seeing_donut_shape, verdict_of
from focuskit.field import FieldMap, likely_height, map_field
from focuskit.night.results import RunResult
from focuskit.night.runs import ShapedRun
from focuskit.waves import ProfileFit, star_weights

# The sizes of few frames give their own error only roughly, and among many runs the luckiest would be believed:
# their error has to be less than half that of the shapes. Chosen, not tuned.
_SURER = 0.5
# Stars at several heights in one stack look a little like an aberration: the best position of the stack lies off
# their mean height by so much of their scatter (measured on rendered nights, scripts/bench_nights.py, up to 0.035).
_UNEVEN = 0.025
# Of the step size, in its logarithm: twice what the fit takes for the error of the one given (`waves.start`). Shapes
# that ask for more show that the focuser did not move as it reports, as one that stands still does in a shallow sweep.
_WAY_DIFFERS = 0.2


def judge_runs(runs: Sequence[ShapedRun]) -> list[RunResult]:
    """Map the field of each run, and choose the best position that is reported.

    Tilt and curvature are those of all runs with the camera turned alike.
    """
    fields = [_map(run) for run in runs]
    results = []
    for run, field in zip(runs, fields, strict=True):
        alike = [f for r, f in zip(runs, fields, strict=True) if f and r.camera_setting == run.camera_setting]
        result = RunResult(**vars(run), field=field)
        if run.profile:
            result = replace(result, to_middle=_to_middle(run, run.profile, alike))
            assert result.in_the_middle
            if run.fit.best_position is not None:
                fit = combine(run.fit, *result.in_the_middle)
            else:
                fit = _by_shapes_alone(run, run.profile, *result.in_the_middle)
            result = replace(result, fit=_in_um(fit, run.profile, run.wavelength_nm))
            if not run.profile.errors.in_um:
                # The map has served to reach the middle; its lengths have no scale.
                result = replace(result, field=None)
        results.append(result)
    return results


def _in_um(fit: CurveFit, profile: ProfileFit, wavelength_nm: float) -> CurveFit:
    """Return the fit with the step size and the critical focus zone of optics that were found from the frames."""
    errors, rig = profile.errors, profile.rig
    if not (errors.found & {"f_ratio", "pixel_um"} and rig.f_ratio):
        return fit
    # The zone in steps is the same whatever the unit of length.
    zone = optics.critical_focus_zone_um(rig.f_ratio, wavelength_nm) / profile.um_per_step
    return replace(
        fit,
        um_per_step=profile.um_per_step if errors.in_um else None,
        critical_focus_zone_steps=zone if errors.shows_diffraction else None,
    )


def _map(run: ShapedRun) -> FieldMap | None:
    """Map the field from the run's star tracks, about the surest best position."""
    sizes = run.fit.fits.get("squared sizes")
    if sizes is None:
        return None
    profile = run.profile
    rig = profile.rig if profile else run.rig
    if profile and rig.um_per_step is None:
        rig = replace(rig, um_per_step=profile.um_per_step)
    return map_field(
        run.positions,
        run.match,
        run.fit.used,
        rig,
        run.frames[0].info.shape,
        best_position=profile.best_position if profile else sizes.best_position,
        best_position_err=profile.err if profile else sizes.best_position_err,
        slope_px_per_step=sizes.slope_per_step,
        wavelength_nm=run.wavelength_nm,
        weights=_star_shares(run, profile).sum(axis=0) if profile else None,
    )


def _to_middle(run: ShapedRun, profile: ProfileFit, maps: Sequence[FieldMap]) -> tuple[float, float]:
    """Return how many steps the best position in the middle of the sensor lies off that of the shapes, and the error.

    A profile fit finds the best position of the stars that it stacked, by their weight; in a tilted
    or curved field that is not the middle's.
    """
    shares = _star_shares(run, profile)
    rows, columns = run.frames[0].info.shape
    x, y = np.moveaxis(np.nan_to_num((run.match.places_px + 0.5) / (columns, rows) - 0.5), -1, 0)
    heights, variance = np.zeros(x.shape), 0.0
    square = 4.0 * ((x * columns) ** 2 + (y * rows) ** 2) / (columns**2 + rows**2)
    for place, name in ((x, "tilt_x_um"), (y, "tilt_y_um"), (square, "curvature_um")):
        if maps:
            values, errors = [getattr(m, name) for m in maps], [getattr(m, f"{name}_err") for m in maps]
            height, err = likely_height(*weighted_mean(values, errors))
            heights += height * place
            variance += (float(np.sum(shares * place)) * err) ** 2
    shift_um = float(np.sum(shares * heights))
    uneven_um = math.sqrt(float(np.average((heights - shift_um) ** 2, weights=np.maximum(shares, 0.0))))
    variance += (_UNEVEN * uneven_um) ** 2
    return -shift_um / profile.um_per_step, math.sqrt(variance) / profile.um_per_step


def _star_shares(run: ShapedRun, profile: ProfileFit) -> np.ndarray:
    """Return by how much the best position of the shapes moves with the focus of each star, shape (frames, stars)."""
    stacked = star_weights(run.frames, run.match) > 0.0
    shares = np.zeros((len(run.frames), stacked.size))
    shares[np.ix_(np.array(run.profile_frames), stacked)] = profile.star_shares
    return shares


def combine(fit: CurveFit, best_position: float, best_position_err: float) -> CurveFit:
    """Return ``fit``, that of the sizes, with the best position of the shapes where theirs is the surer one.

    Where the two differ by more than three times their common error, and by more than a quarter of the
    tolerance, the flag ``fits_disagree`` is raised and the reason says which one is believed. A failed
    run stays as it is.
    """
    if fit.best_position is None or fit.best_position_err is None or fit.method is None:
        return fit
    sizes, shapes = (fit.best_position, fit.best_position_err), (best_position, best_position_err)
    raised = list(fit.flags)
    if _SURER * best_position_err < fit.best_position_err:
        name, other, (best, err), other_err = "profile", fit.method, shapes, fit.best_position_err
        err_95: float | None = 1.96 * err
        # What the scatter of the sizes says of their own estimate does not apply to that of the shapes.
        raised = [flag for flag in raised if flag not in ("poor_fit", "unsure_position")]
    else:
        name, other, (best, err), other_err = fit.method, "profile", sizes, best_position_err
        err_95 = fit.best_position_err_95
    reason = _compare_errors(name, err, other, other_err)
    if disagree(sizes, shapes, fit.tolerance_steps or 0.0):
        raised.append("fits_disagree")
        reason += f"; they differ by {_steps(abs(sizes[0] - shapes[0]))}, and {name} is believed"
    return replace(
        fit,
        verdict=verdict_of(raised),
        best_position=best,
        best_position_err=err,
        best_position_err_95=err_95,
        method=name,
        reason=reason,
        flags=flags.check(raised),
    )


def _by_shapes_alone(run: ShapedRun, profile: ProfileFit, best_position: float, best_position_err: float) -> CurveFit:
    """Return the fit of a run whose sizes give no best position, with that of the shapes if it is within the tolerance.

    Else the shapes say where to look, where they know it better.
    """
    fit, rig = run.fit, profile.rig
    assert rig.pixel_um and rig.f_ratio
    if rig.um_per_step and abs(math.log(profile.um_per_step / rig.um_per_step)) > _WAY_DIFFERS:
        return fit
    slope = optics.wing_slope(rig.f_ratio, rig.likely_obstruction) * profile.um_per_step / rig.pixel_um
    sizes = np.where(fit.used, run.sizes.hfd_px, np.nan)
    least = least_size(np.array(run.positions) - best_position, sizes, slope, rig.obstruction)
    tolerance = None
    if least is not None:
        shape = seeing_donut_shape(round(rig.likely_obstruction, 2))
        tolerance = growth_distance(shape, optics.TOLERATED_GROWTH) * least / slope
    if tolerance is None or not best_position_err < tolerance:
        if fit.look_near_err is not None and fit.look_near_err < best_position_err:
            return fit
        return replace(fit, look_near=best_position, look_near_err=best_position_err)
    return replace(
        fit,
        verdict="usable",
        best_position=best_position,
        best_position_err=best_position_err,
        best_position_err_95=1.96 * best_position_err,
        look_near=None,
        look_near_err=None,
        method="profile",
        reason=f"the sizes give none, and the error of the shapes, {_steps(best_position_err)}, is below the tolerance",
        hfd_best_px=least,
        hfd_slope_px_per_step=slope,
        tolerance_steps=tolerance,
        um_per_step=profile.um_per_step,
        critical_focus_zone_steps=optics.critical_focus_zone_um(rig.f_ratio, run.wavelength_nm) / profile.um_per_step,
    )


def _compare_errors(name: str, err: float, other: str, other_err: float) -> str:
    """Say how the errors of two estimates compare, in as many digits as show it."""
    if err < other_err:
        says, holds = "is smaller than", lambda a, b: a < b
    else:
        says, holds = "is less than twice", lambda a, b: b <= a < 2.0 * b
    for digits in range(2, 18):
        shown = [
            np.format_float_positional(v, digits, unique=False, fractional=False).rstrip(".") for v in (err, other_err)
        ]
        if holds(*map(float, shown)):
            break
    text = f"the error of {name}, {shown[0]} steps, {says} that of {other}, {shown[1]} steps"
    return text if err < other_err else f"{text}, and the sizes of few frames show their own error only roughly"


def _steps(value: float) -> str:
    return f"{value:.2g} steps" if value < 10 else f"{value:.0f} steps"
