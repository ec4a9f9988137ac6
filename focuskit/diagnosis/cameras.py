"""Two cameras at once: how far the best position of a guide camera lies from that of the main camera."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from focuskit.core.statistics import SEEN_SIGMA, weighted_mean
from focuskit.core.text import plain_text, plus_minus, two_digits
from focuskit.diagnosis.finding import Finding
from focuskit.diagnosis.focuser import step_of
from focuskit.night import RunResult
from focuskit.sweeps import camera_of, main_camera

# Between the end of one run and the start of the other. Chosen: long enough for clocks that differ, too short for the
# focus to drift.
_TOGETHER = timedelta(minutes=2)


def split_cameras(runs: Sequence[RunResult]) -> tuple[list[RunResult], dict[str, list[RunResult]]]:
    """Return the runs of the main camera and, by name, those of each other one on the same telescope."""
    main = main_camera([result.sweep for result in runs])
    others: dict[str, list[RunResult]] = {}
    for result in runs:
        if camera_of(result.sweep) != main and result.telescope == main[0]:
            others.setdefault(result.instrument or "a camera without a name", []).append(result)
    return [result for result in runs if camera_of(result.sweep) == main], others


def camera_findings(main: Sequence[RunResult], others: dict[str, list[RunResult]]) -> list[Finding]:
    """Return for each other camera how far its best position lies from the main camera's, filter by filter."""
    found = []
    for camera, runs in sorted(others.items()):
        pairs: dict[str | None, list[tuple[RunResult, RunResult]]] = {}
        for run in runs:
            together = [own for own in main if _together(own, run)]
            if together:
                beside = min(together, key=lambda own: _apart_s(own, run))
                pairs.setdefault(beside.filter, []).append((beside, run))
        found += [_finding(camera, name, told) for name, told in sorted(pairs.items(), key=lambda p: str(p[0]))]
    return found


def _together(one: RunResult, other: RunResult) -> bool:
    """Tell whether two runs with a best position went over the same positions at the same time."""
    if one.fit.best_position is None or other.fit.best_position is None:
        return False
    times = one.start, one.end, other.start, other.end
    if all(times):
        start, end, other_start, other_end = (t for t in times if t)
        if start > other_end + _TOGETHER or other_start > end + _TOGETHER:
            return False
    places, others = one.positions, other.positions
    return min(max(places), max(others)) > max(min(places), min(others))


def _apart_s(one: RunResult, other: RunResult) -> float:
    start, other_start = one.start, other.start
    return abs((start - other_start).total_seconds()) if start and other_start else 0.0


def _finding(camera: str, filter_name: str | None, pairs: Sequence[tuple[RunResult, RunResult]]) -> Finding:
    apart = [(other.fit.best_position or 0.0) - (own.fit.best_position or 0.0) for own, other in pairs]
    errors = [
        ((other.fit.best_position_err or 0.0) ** 2 + (own.fit.best_position_err or 0.0) ** 2) ** 0.5
        for own, other in pairs
    ]
    steps, err = weighted_mean(apart, errors)
    unit = pairs[0][0].unit
    sigma = abs(steps) / err
    way = step_of(pairs[0][0])
    um = pairs[0][0].rig.um_per_step or (way[0] if way else None)
    who = plain_text(camera) + (f" beside the main camera in {plain_text(filter_name)}" if filter_name else "")
    if sigma <= SEEN_SIGMA:
        text = f"{who} focuses where the main camera does, within {abs(steps) + 2.0 * err:.2g} {unit}"
        return Finding("camera_apart", steps, err, unit, sigma, text, "")
    side = "larger" if steps > 0 else "smaller"
    text = f"{who} is best {plus_minus(abs(steps), err)} {unit} towards {side} positions"
    amount = f"{two_digits(abs(steps))} {unit}"
    if um:
        text += f", {plus_minus(abs(steps) * um * 1e-3, err * um * 1e-3)} mm"
        amount = f"{abs(steps) * um * 1e-3:.2f} mm"
    tolerance = min((own.fit.tolerance_steps or float("inf")) for _, own in pairs)
    if abs(steps) < tolerance:
        return Finding("camera_apart", steps, err, unit, sigma, text + "; it does no harm", "")
    away, towards = ("away from", "larger") if steps > 0 else ("towards", "smaller")
    advice = (
        f"Move that camera {amount} {away} the telescope's optics, where larger positions move the focuser outwards "
        f"(the other way where they move it inwards): the way the focuser goes towards {towards} positions."
    )
    return Finding("camera_apart", steps, err, unit, sigma, text, advice)
