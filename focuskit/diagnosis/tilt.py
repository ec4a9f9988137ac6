"""Tilt of the camera or of the tube: what turns with the rotator, and what changes with the side of the pier.

In the image, a tilt of the camera always looks the same. What lies before the rotator stands still when
the camera turns, so that in the image it turns the other way. What gives way under its own weight changes
with the side of the pier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import ARCSEC_PER_RADIAN
from focuskit.core.statistics import SEEN_SIGMA, as_sigma, f_chance
from focuskit.core.text import plus_minus
from focuskit.diagnosis.finding import Finding
from focuskit.night import RunResult

Array = NDArray[np.float64]

_TURNED_DEG = 10.0  # chosen: less is no turn of the camera, and separates camera and tube badly
# Of the design; beyond, the parts cannot be separated. Chosen: two runs 10° apart have 23, half a turn has 1.
_WORST_CONDITION = 30.0
_AMBIGUOUS = 9.0  # chi² by which one sense of the rotator's angle must beat the other: three standard deviations
_ALIKE = 0.5  # part of their common error by which both senses may differ and still say the same (chosen)
# The errors of the maps count for as many values as this when their scatter is judged.
_PRIOR_FREEDOM = 4.0
_DIRECTIONS = ("right", "bottom right", "bottom", "bottom left", "left", "top left", "top", "top right")
_PARTS = {
    "camera": (
        "tilt_of_camera",
        "the tilt that stays with the camera when it turns",
        "Adjust the tilt between rotator and sensor: a tilt plate, shims, or a seat that is not clean.",
    ),
    "tube": (
        "tilt_of_tube",
        "the tilt that stays with the tube when the camera turns",
        "Look at what lies before the rotator: the focuser, how it is fastened, the alignment of the optics.",
    ),
    "side": (
        "tilt_by_side",
        "the tilt that changes with the side of the pier",
        "Something gives way under its own weight: tighten the focuser and every joint up to the camera.",
    ),
}


def tilt_findings(runs: Sequence[RunResult]) -> list[Finding]:
    """Return where the tilt of one camera's images comes from; empty where the runs cannot tell.

    They can where they were taken at several rotator angles or on both sides of the pier, as their
    headers tell. Angles count as in the header; the sense in which they turn the image is found from
    the runs where that makes a difference.
    """
    mapped = [run for run in runs if run.field and run.rig.pixel_um]
    angles = [run.frames[0].info.rotator_deg for run in mapped]
    sides = [run.frames[0].info.pier_side for run in mapped]
    turned = None not in angles and _spread_deg([a for a in angles if a is not None]) > _TURNED_DEG
    flipped = set(sides) == {"east", "west"}
    if not (turned or flipped):
        return []
    tilt, err = _gradients(mapped)
    angle = np.radians([a or 0.0 for a in angles]) if turned else np.zeros(len(mapped))
    side = np.array([{"east": 0.5, "west": -0.5}[s or ""] for s in sides]) if flipped else None
    fits = [_fit(tilt, err, sense * angle, turned, side) for sense in (1.0, -1.0)]
    fits.sort(key=lambda fit: fit.chi2 if fit else math.inf)
    best, other = fits
    if best is None:
        return [_open("rotator and side of the pier changed together: take a run with only one of them changed")]
    if turned and other and other.chi2 - best.chi2 < _AMBIGUOUS and not _say_the_same(best, other):
        return [_open("take another run with the camera turned by half a turn")]
    width_mm = mapped[0].frames[0].info.shape[1] * (mapped[0].rig.pixel_um or 0.0) * 1e-3
    return [_finding(best, name, width_mm) for name in best.names]


def _spread_deg(angles: Sequence[float]) -> float:
    """Return the largest difference between angles on the circle."""
    return max((abs((a - b + 180.0) % 360.0 - 180.0) for a in angles for b in angles), default=0.0)


def _gradients(runs: Sequence[RunResult]) -> tuple[Array, Array]:
    """Return the tilt of each run's image in x and y with its errors, in µm per mm, shape (runs, 2)."""
    tilt, err = np.empty((len(runs), 2)), np.empty((len(runs), 2))
    for k, run in enumerate(runs):
        field, (rows, columns) = run.field, run.frames[0].info.shape
        assert field and run.rig.pixel_um
        size_mm = np.array([columns, rows]) * run.rig.pixel_um * 1e-3
        tilt[k] = np.array([field.tilt_x_um, field.tilt_y_um]) / size_mm
        err[k] = np.array([field.tilt_x_um_err, field.tilt_y_um_err]) / size_mm
    return tilt, err


@dataclass(frozen=True)
class _Fit:
    """Parts by name, their tilt in x and y in µm per mm, the covariance of all, and how they were judged."""

    names: tuple[str, ...]
    tilt: Array
    covariance: Array
    chi2: float
    freedom: float

    def part(self, name: str) -> tuple[Array, Array]:
        at = 2 * self.names.index(name)
        return self.tilt[at : at + 2], self.covariance[at : at + 2, at : at + 2]


def _fit(tilt: Array, err: Array, angle: Array, turned: bool, side: Array | None) -> _Fit | None:
    """Fit the parts; None where they cannot be told apart."""
    names, blocks = ["camera"], [np.tile(np.eye(2), (len(tilt), 1, 1))]
    if turned:
        # The tube as the camera sees it: turned back by the angle of the camera.
        cosine, sine = np.cos(angle), np.sin(angle)
        blocks.append(np.stack([np.stack([cosine, sine], axis=-1), np.stack([-sine, cosine], axis=-1)], axis=1))
        names.append("tube")
    if side is not None:
        blocks.append(side[:, None, None] * np.eye(2))
        names.append("side")
    design = np.concatenate(blocks, axis=2).reshape(2 * len(tilt), -1)
    if len(design) < design.shape[1] or np.linalg.cond(design) > _WORST_CONDITION:
        return None
    scaled = design / err.ravel()[:, None]
    inverse = np.linalg.inv(scaled.T @ scaled)
    solution = np.asarray(inverse @ scaled.T @ (tilt / err).ravel(), float)
    chi2 = float(np.sum(((tilt / err).ravel() - scaled @ solution) ** 2))
    freedom = _PRIOR_FREEDOM + len(design) - design.shape[1]
    scale = max(1.0, (_PRIOR_FREEDOM + chi2) / freedom)
    return _Fit(tuple(names), solution, np.asarray(scale * inverse, float), chi2, freedom)


def _say_the_same(one: _Fit, other: _Fit) -> bool:
    """Tell whether both fits give the same but for the direction of the tube's tilt, which is not told."""
    apart = []
    for name in one.names:
        (tilt, covariance), (other_tilt, _) = one.part(name), other.part(name)
        off = np.hypot(*tilt) - np.hypot(*other_tilt) if name == "tube" else np.hypot(*(tilt - other_tilt))
        apart.append(abs(float(off)) / math.sqrt(float(np.trace(covariance))))
    return max(apart) < _ALIKE


def _open(advice: str) -> Finding:
    text = "whether the tilt comes from the camera or the tube, the runs do not tell"
    return Finding("tilt_of_camera", None, None, "µm", None, text, f"{advice[0].upper()}{advice[1:]}.")


def _finding(fit: _Fit, name: str, width_mm: float) -> Finding:
    key, what, advice = _PARTS[name]
    if name == "camera" and "tube" not in fit.names:
        what, advice = "the tilt that is the same on both sides of the pier", "Adjust the tilt of the camera."
    tilt, covariance = fit.part(name)
    amount = float(np.hypot(*tilt))
    along = tilt / amount if amount > 0 else np.array([1.0, 0.0])
    err = math.sqrt(float(along @ covariance @ along))
    sigma = as_sigma(f_chance(float(tilt @ np.linalg.solve(covariance, tilt)) / 2.0, 2, fit.freedom))
    value, err = amount * width_mm, err * width_mm
    if sigma <= SEEN_SIGMA:
        text = f"{what}: none seen, below {value + 2.0 * err:.2g} µm over the width of the image"
        return Finding(key, value, err, "µm", sigma, text, "")
    arcmin = amount * 1e-3 * ARCSEC_PER_RADIAN / 60.0
    towards = _DIRECTIONS[round(math.degrees(math.atan2(tilt[1], tilt[0])) / 45.0) % 8]
    text = f"{what}: {plus_minus(value, err)} µm over the width of the image ({arcmin:.1f}′)"
    if name == "camera":
        text += f", best positions grow towards the {towards}"
    return Finding(key, value, err, "µm", sigma, text, advice)
