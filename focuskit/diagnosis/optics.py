"""What the runs of a night tell of the optics: tilt, curvature, corners, and the shape of the stars."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from focuskit.core import flags
from focuskit.core.calibration import pool_spherical
from focuskit.core.statistics import SEEN_SIGMA
from focuskit.core.text import plain_text, round_pair
from focuskit.diagnosis.finding import Finding
from focuskit.field import FieldMap, pool_maps
from focuskit.night import RunResult
from focuskit.waves import Aberrations, pool_aberrations

# Spherical aberration that is not told from seeing of another profile (found on rendered frames).
_SPHERICAL_ERR_WAVES = 0.001
# Up to here optics pass for perfect: Maréchal's criterion, 1/14 wave rms (Born & Wolf, Principles of Optics, 9.3).
_PERFECT_WAVES = 1.0 / 14.0


def optics_findings(runs: Sequence[RunResult]) -> list[Finding]:
    """Return what the runs tell of the optics, each with its error; empty where they do not tell.

    Runs of one camera, turned alike and on one side of the pier, are pooled. With several such settings each
    has its own findings, whose text begins with the setting.
    """
    settings: dict[tuple[object, ...], list[RunResult]] = {}
    for result in runs:
        settings.setdefault(result.camera_setting, []).append(result)
    told = [(own, _of_setting(own)) for own in settings.values()]
    named = sum(bool(findings) for _, findings in told) > 1
    return [
        replace(finding, text=f"{camera_words(own[0])}: {finding.text}") if named else finding
        for own, findings in told
        for finding in findings
    ]


def camera_words(run: RunResult) -> str:
    """Name the camera of a run and how it was turned."""
    telescope, camera, _, turned, pier = run.camera_setting
    words = [plain_text(word) for word in (telescope, camera) if word]
    words += [f"rotator at {turned}°"] if turned is not None else []
    words += [f"pier side {plain_text(pier)}"] if pier else []
    return ", ".join(words) or "camera not told"


def _of_setting(runs: Sequence[RunResult]) -> list[Finding]:
    maps = [run.field for run in runs if run.field]
    shapes = [run.aberrations for run in runs if run.aberrations]
    found = []
    if maps:
        found += _field_findings(pool_maps(maps), next(run for run in reversed(runs) if run.field))
    if shapes:
        found += _shape_findings(pool_aberrations(shapes))
    return found + _spherical_finding(runs)


def _advice(flag: str, raised: Sequence[str]) -> str:
    return flags.describe(flag).advice if flag in raised else ""


def _field_findings(field: FieldMap, run: RunResult) -> list[Finding]:
    tilt, curvature, corners = field.hints
    found = [
        Finding("tilt", field.tilt_um, field.tilt_um_err, "µm", field.tilt_sigma, tilt,
                _advice("tilt_seen", field.flags)),
        Finding("field_curvature", field.curvature_um, field.curvature_um_err, "µm", field.curvature_sigma, curvature,
                _advice("curvature_seen", field.flags)),
    ]  # fmt: skip
    um_per_step = run.profile.um_per_step if run.profile else run.rig.um_per_step or run.fit.um_per_step
    if um_per_step:
        away = field.best_position_whole_field - field.best_position_middle
        err = field.curvature_um_err / 3.0 / um_per_step  # the mean of (r / corner)² over a rectangle is 1/3
        value, digits = round_pair(abs(away), err)
        side = "above" if away > 0 else "below"
        text = f"the whole field is served best {value} ± {digits} {run.unit} {side} the best position of the middle"
        if abs(away) < SEEN_SIGMA * err:
            limit = abs(away) + 2.0 * err
            text = f"the whole field is served best where the middle is, within {limit:.2g} {run.unit}"
        found.append(Finding("whole_field_position", away, err, run.unit, abs(away) / err, text, ""))
    worst = max(field.corners, key=lambda c: c.hfd_own_best_px)
    _, rest, err = field.larger_pct(worst)
    found.append(
        Finding("corner_blur", rest, err, "%", max(rest, 0.0) / err, corners, _advice("corners_blurred", field.flags))
    )
    return found


def _shape_findings(shapes: Aberrations) -> list[Finding]:
    coma, astigmatism, smear = shapes.hints
    longer = shapes.elongation.times(100.0)
    return [
        Finding("coma", shapes.coma.size, shapes.coma.err, "waves rms", shapes.coma.sigma, coma,
                _advice("coma_seen", shapes.flags)),
        Finding("astigmatism", shapes.astigmatism.size, shapes.astigmatism.err, "waves rms",
                shapes.astigmatism.sigma, astigmatism, _advice("astigmatism_seen", shapes.flags)),
        Finding("elongation", longer.size, longer.err, "%", longer.sigma, smear,
                _advice("stars_drawn_out", shapes.flags)),
    ]  # fmt: skip


def _spherical_finding(runs: Sequence[RunResult]) -> list[Finding]:
    """Return the finding on what differs between inside and outside focus, from all runs together."""
    told = [run.spherical for run in runs if run.spherical]
    if not told:
        return []
    value, err = pool_spherical(told, told[0].wavelength_um)
    err = math.hypot(err, _SPHERICAL_ERR_WAVES)
    sigma = abs(value) / err
    words, digits = round_pair(abs(value), err)
    if sigma <= SEEN_SIGMA:
        text = f"no spherical aberration seen, below {abs(value) + 2.0 * err:.2g} waves rms"
        return [Finding("spherical", value, err, "waves rms", sigma, text, "")]
    text = (
        f"a hint of spherical aberration, {words} ± {digits} waves rms: stars differ between the two sides of focus, "
        "or the aperture or obstruction given is wrong"
    )
    harm = abs(value) >= _PERFECT_WAVES
    text += "" if harm else "; it does no harm"
    advice = "Check the obstruction and aperture given, then the distances of mirrors and corrector." if harm else ""
    return [Finding("spherical", value, err, "waves rms", sigma, text, advice)]
