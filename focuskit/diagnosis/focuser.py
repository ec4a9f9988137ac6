"""What the runs of a night tell of the focuser: backlash, step size, uneven steps, a run that did not move."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from focuskit.core import optics
from focuskit.core.statistics import SEEN_SIGMA, as_sigma, chi2_chance, student_sigma, weighted_mean
from focuskit.core.text import plus_minus, two_digits
from focuskit.diagnosis.finding import Finding
from focuskit.night import Backlash, RunResult

Array = NDArray[np.float64]

# Of the step size from the wings of a curve, over the jitter of the seeing and the root of the number of
# frames (found on curves of 9 to 15 frames with a jitter of 6 % to 20 %: 0.61 to 0.72).
_WINGS_ERR = 0.65
_UNEVEN_MATTERS = 0.03  # of a move: the model of the stars' shapes has small errors of its own (chosen, not tuned)
_SHARP = 0.05  # as in the search for slack: a frame nearer to focus does not tell its distance
_LEAST_FRAMES = 5  # as for a curve: two to spare beyond three parameters
# A sweep that should not change the sizes by more cannot show that the focuser stands still. Chosen: three times the
# change of the seeing of a usual night, 10 %.
_EXPECTED_GROWTH = 1.3
_WARMER_C = 0.3  # a smaller range of temperatures is that of the sensor's noise (chosen)


def focuser_findings(runs: Sequence[RunResult]) -> list[Finding]:
    """Return what the runs of one camera tell of the focuser, each with its error; empty where they do not tell."""
    found = [_backlash(runs), _way_per_step(runs), _uneven_steps(runs)]
    return [finding for finding in (*found, *_standing_still(runs)) if finding]


# Backlash ------------------------------------------------------------------------------------


def _backlash(runs: Sequence[RunResult]) -> Finding | None:
    told = [run.backlash for run in runs if run.backlash and (run.fit.best_position is not None or run.backlash.seen)]
    whole, starts = [s for s in told if s.whole], [s for s in told if not s.whole]
    between, unit = _between_runs(runs), runs[0].unit
    if whole and (_any_seen(whole) or not between):
        return _whole_backlash(whole, unit)
    if between and between[2] > SEEN_SIGMA:
        return _between_backlash(*between, unit)
    if _any_seen(starts):
        return _backlash_at_start(starts, unit)
    if between:
        return _between_backlash(*between, unit)
    if not starts:
        return None
    limit = max(s.limit for s in starts)
    text = f"no lag seen at the start of any sweep, below {limit:.2g} {unit}; how much slack there is, no run tells"
    return Finding("backlash", None, None, unit, max(s.sigma for s in starts), text, "")


def _any_seen(told: Sequence[Backlash]) -> bool:
    """Tell whether any slack stands out, the number of runs that had the chance considered."""
    return bool(told) and _of_many(told) > SEEN_SIGMA


def _of_many(told: Sequence[Backlash]) -> float:
    chance = math.erfc(max(s.sigma for s in told) / math.sqrt(2.0))
    return as_sigma(-math.expm1(len(told) * math.log1p(-min(chance, 1.0 - 1e-12))))


def _advice(steps: float, unit: str) -> str:
    return (
        "Approach every position from the same side as the sweep did: go at least "
        f"{two_digits(1.5 * steps)} {unit} past it and come back; or set that much in the focuser's own compensation."
    )


def _whole_backlash(whole: Sequence[Backlash], unit: str) -> Finding:
    steps, err = weighted_mean([s.steps for s in whole], [s.err for s in whole])
    sigma = _of_many(whole)
    if sigma <= SEEN_SIGMA:
        limit = steps + 2.0 * err
        return Finding("backlash", steps, err, unit, sigma, f"no backlash seen, below {limit:.2g} {unit}", "")
    text = f"backlash of {plus_minus(steps, err)} {unit}, from {_count(len(whole), 'run')} that went both ways"
    return Finding("backlash", steps, err, unit, sigma, text, _advice(steps, unit))


def _backlash_at_start(starts: Sequence[Backlash], unit: str) -> Finding:
    most = max((s for s in starts if s.seen), key=lambda s: s.steps)
    text = (
        f"backlash of at least {plus_minus(most.steps, most.err)} {unit}: so much was left to take up at the start "
        "of a sweep; a run that goes both ways would tell all of it"
    )
    return Finding("backlash", most.steps, most.err, unit, _of_many(starts), text, _advice(most.steps, unit))


def _between_backlash(steps: float, err: float, sigma: float, unit: str) -> Finding:
    if sigma <= SEEN_SIGMA or steps < 0.0:
        limit = abs(steps) + 2.0 * err
        text = f"no backlash seen between runs in opposite directions, below {limit:.2g} {unit}"
        return Finding("backlash", steps, err, unit, sigma, text, "")
    text = f"backlash of {plus_minus(steps, err)} {unit}, from the best positions of runs in opposite directions"
    return Finding("backlash", steps, err, unit, sigma, text, _advice(steps, unit))


def _between_runs(runs: Sequence[RunResult]) -> tuple[float, float, float] | None:
    """Return slack, error and significance from the best positions of runs in opposite directions.

    Filters and the drift with temperature, or time where that is not told, are fitted along. A sweep
    towards larger positions finds its best position higher, by the slack.
    """
    able = [r for r in runs if r.fit.best_position is not None and r.fit.best_position_err and _direction(r)]
    if len(able) < 3:
        return None
    y, err = (np.array([getattr(r.fit, name) for r in able], float) for name in ("best_position", "best_position_err"))
    columns = [np.array([0.5 * _direction(r) for r in able])]
    columns += [np.array([float(r.filter == name) for r in able]) for name in {r.filter for r in able}]
    drift = _drift_measure(able)
    if drift is not None:
        columns.append(drift)
    design = np.column_stack(columns)
    freedom = len(able) - design.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    scaled = design / err[:, None]
    inverse = np.linalg.inv(scaled.T @ scaled)
    solution = inverse @ scaled.T @ (y / err)
    scatter = float(np.sum((y / err - scaled @ solution) ** 2)) / freedom
    sigma = math.sqrt(float(inverse[0, 0]) * max(1.0, scatter))
    return float(solution[0]), sigma, student_sigma(float(solution[0]) / sigma, freedom)


def _direction(run: RunResult) -> int:
    """Return the direction for which a run's best position holds, 0 where it has none."""
    if run.backlash and run.backlash.seen:
        return run.backlash.direction
    ways = set(run.directions)
    return ways.pop() if len(ways) == 1 else 0


def _drift_measure(runs: Sequence[RunResult]) -> Array | None:
    """Return the temperatures of runs, their times where these are not told; None where neither changes."""
    warmth = [run.temperature_c for run in runs]
    if all(value is not None for value in warmth):
        values = np.array(warmth, float)
        return values - values.mean() if np.ptp(values) > _WARMER_C else None
    starts = [run.start for run in runs]
    if any(start is None for start in starts):
        return None
    seconds = np.array([start.timestamp() for start in starts if start])
    return (seconds - seconds.mean()) / 3600.0 if np.ptp(seconds) > 0 else None


# Way per step --------------------------------------------------------------------------------


def step_of(run: RunResult) -> tuple[float, float] | None:
    """Return the way of the focal plane per step with its error, in µm, as a run tells it; None if it does not."""
    if run.profile:
        return (run.profile.um_per_step, run.profile.um_per_step_err) if run.profile.errors.in_um else None
    if run.fit.um_per_step is None or run.fit.seeing_jitter is None:
        return None
    wings = _WINGS_ERR * run.fit.seeing_jitter / math.sqrt(sum(run.fit.used))
    return run.fit.um_per_step, run.fit.um_per_step * math.hypot(wings, optics.scale_err(run.rig.obstruction))


def _way_per_step(runs: Sequence[RunResult]) -> Finding | None:
    shaped = [run for run in runs if run.profile] or list(runs)
    told = [step for step in map(step_of, shaped) if step]
    if not told:
        return None
    value, err = weighted_mean(*zip(*told, strict=True))
    err = max(err, min(one for _, one in told))  # what is not known of the optics is the same in all runs
    how = "from the shapes of the stars" if shaped[0].profile else "from the wings of the curves"
    text = f"one step moves the focal plane by {plus_minus(value, err)} µm, {how}, the f-ratio and the obstruction"
    given = next((run.rig.um_per_step for run in runs if run.rig.um_per_step), None)
    if given is None:
        advice = f"Put um_per_step = {value:.4g} into the rig file: then the frames need not tell it each time."
        return Finding("um_per_step", value, err, "µm", None, text, advice)
    off = given / value - 1.0
    sigma = abs(value - given) / err
    if sigma <= SEEN_SIGMA:
        return Finding("um_per_step", value, err, "µm", sigma, f"{text}; the {given:g} µm given agree", "")
    text += f"; {given:g} µm are given, {abs(100.0 * off):.0f} % {'more' if off > 0 else 'less'}"
    advice = (
        "Check um_per_step in the rig file or header; a wrong focal length, aperture or reducer, or a focuser that "
        "loses steps, looks the same."
    )
    return Finding("um_per_step", value, err, "µm", sigma, text, advice)


# Uneven steps --------------------------------------------------------------------------------


def _uneven_steps(runs: Sequence[RunResult]) -> Finding | None:
    """Return by how much the camera's true places scatter about even steps, beyond the frames' errors."""
    squares = freedom = 0.0
    weights, moves = 0.0, []
    for run in runs:
        off = _off_even_steps(run)
        if off is None:
            continue
        squares, weights, freedom = squares + off[0], weights + off[1], freedom + off[2]
        positions = np.unique([x for x, used in zip(run.positions, run.fit.used, strict=True) if used])
        moves.append(float(np.median(np.diff(positions))))
    if not freedom:
        return None
    scatter = math.sqrt(max(squares - freedom, 0.0) / weights)
    known = math.sqrt(freedom / weights) / math.sqrt(2.0 * freedom)  # of the scatter, were it all noise
    sigma = as_sigma(chi2_chance(squares, freedom))
    move, unit = float(np.median(moves)), runs[0].unit
    if sigma <= SEEN_SIGMA or scatter < _UNEVEN_MATTERS * move:
        limit = scatter + 2.0 * known
        text = f"steps are even: no scatter of the true places seen, below {limit:.2g} {unit}, in moves of {move:g}"
        return Finding("uneven_steps", scatter, known, unit, min(sigma, SEEN_SIGMA), text, "")
    text = f"the true places scatter by {scatter:.2g} {unit} about even steps, in moves of {move:g}"
    advice = "Look for a slipping coupling or clutch, a loose screw, or a load that is too heavy for the motor."
    return Finding("uneven_steps", scatter, known, unit, sigma, text, advice)


def _off_even_steps(run: RunResult) -> tuple[float, float, float] | None:
    """Return chi² of the frames' own places about even steps, what a scatter² of 1 adds to it, and its freedom.

    The second is that of DerSimonian & Laird (1986, Controlled Clinical Trials 7, 177), as known from memory.
    """
    if run.profile is None:
        return None
    best, step = run.profile.best_position, run.profile.um_per_step
    x, place, err = [], [], []
    for k, frame in zip(run.profile_frames, run.profile.frames, strict=True):
        if run.fit.used[k] and frame.used and frame.own_defocus_err_um < _SHARP * abs(frame.own_defocus_um):
            x.append(frame.position)
            place.append(math.copysign(frame.own_defocus_um, frame.position - best) / step)
            err.append(frame.own_defocus_err_um / step)
    if len(x) < _LEAST_FRAMES:
        return None
    weight = 1.0 / np.array(err) ** 2
    design = np.column_stack([np.ones(len(x)), np.array(x) - best])
    inverse = np.linalg.inv(design.T @ (weight[:, None] * design))
    left = np.array(place) - design @ (inverse @ design.T @ (weight * np.array(place)))
    taken = np.trace(inverse @ design.T @ (weight[:, None] ** 2 * design))
    return float(weight @ left**2), float(weight.sum() - taken), float(len(x) - 2)


# A run that did not move -----------------------------------------------------------------------


def _standing_still(runs: Sequence[RunResult]) -> list[Finding]:
    return [finding for finding in (_still(run, _usual_slope(runs, run)) for run in runs) if finding]


def _usual_slope(runs: Sequence[RunResult], run: RunResult) -> float | None:
    """Return the growth of the size per step, in px, that the other runs or the optics lead to expect."""
    told = [r.fit.hfd_slope_px_per_step for r in runs if r.fit.hfd_slope_px_per_step is not None]
    if told:
        return float(np.median(told))
    rig = run.rig
    if not (rig.um_per_step and rig.f_ratio and rig.pixel_um):
        return None
    return optics.wing_slope(rig.f_ratio, rig.likely_obstruction) * rig.um_per_step / rig.pixel_um


def _still(run: RunResult, slope: float | None) -> Finding | None:
    x, size = np.array(run.positions, float), run.sizes.hfd_px
    told = np.isfinite(size)
    if slope is None or "flat_curve" not in run.fit.flags or told.sum() < _LEAST_FRAMES:
        return None
    x, y = x[told] - np.median(x[told]), size[told] ** 2
    # Wherever the best position lies, the squares bend by the slope's square.
    growth = math.sqrt(1.0 + float((0.5 * slope * np.ptp(x)) ** 2 / np.median(y)))
    design = np.vander(x / np.ptp(x), 3)
    inverse = np.linalg.pinv(design.T @ design)
    solution = inverse @ design.T @ y
    scatter = math.sqrt(float(np.sum((y - design @ solution) ** 2)) / (x.size - 3))
    moved, err = (float(v) / np.ptp(x) ** 2 / slope**2 for v in (solution[0], scatter * math.sqrt(inverse[0, 0])))
    sigma = student_sigma((1.0 - moved) / max(err, 1e-9), x.size - 3) if moved < 1.0 else 0.0
    if growth < _EXPECTED_GROWTH or sigma <= SEEN_SIGMA:
        return None
    when = f" at {run.start:%H:%M}" if run.start else ""
    share = math.sqrt(max(moved + 2.0 * err, 0.0))
    text = (
        f"the focuser did not move in the run{when}, or by less than {100.0 * share:.0f} % of its "
        f"{np.ptp(x):g} {run.unit}: its stars should have grown {growth:.1f} times"
    )
    advice = "Check that the focuser is connected and not at the end of its travel, and that its clutch grips."
    return Finding("did_not_move", 0.0, share * float(np.ptp(x)) / 2.0, run.unit, sigma, text, advice)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
