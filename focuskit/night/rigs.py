"""The rigs of a night: their numbers, where each comes from, and what knowing the others would gain."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from focuskit.core.optics import F_RATIO_ERR, UNIT_WORDS, Rig, unit_of_positions
from focuskit.core.statistics import weighted_mean
from focuskit.core.text import listed, plain_text, plus_minus, two_digits
from focuskit.frames import RigFile
from focuskit.night.runs import ShapedRun
from focuskit.waves import ProfileFit

# Numbers of a rig in the public JSON.
OF_RIG = ("name", "focal_length_mm", "aperture_mm", "obstruction", "pixel_um", "um_per_step", "scale_arcsec_per_px",
          "f_ratio")  # fmt: skip
_GIVEN = ("focal_length_mm", "aperture_mm", "obstruction", "pixel_um", "um_per_step")
_NAMES = {"focal_length_mm": "the focal length", "aperture_mm": "the aperture", "pixel_um": "the size of a pixel"}
_HARDLY = 0.9  # chosen: for a smaller gain nobody needs to look up a number


@dataclass(frozen=True)
class NightRig:
    """A rig as a night shows it.

    Parameters
    ----------
    rig : Rig
        What headers and rig file say, its gaps filled with what the frames show.
    um_per_step_err, f_ratio_err : float or None
        Standard errors of what was found from the frames.
    known_from : mapping of str to str or None
        For each number ``header``, ``rig file``, ``fitted``, or None where it is not known.
    notes : tuple of str
        What is not known, and what knowing it would gain.
    position_unit : str
        What positions are in, a key of ``UNIT_WORDS``.
    """

    rig: Rig
    um_per_step_err: float | None
    f_ratio_err: float | None
    known_from: dict[str, str | None]
    notes: tuple[str, ...]
    position_unit: str

    def to_json(self) -> dict[str, Any]:
        """Return the rig as the public JSON describes it."""
        return {
            **{name: getattr(self.rig, name) for name in OF_RIG},
            "um_per_step_err": self.um_per_step_err,
            "f_ratio_err": self.f_ratio_err,
            "position_unit": self.position_unit,
            "known_from": self.known_from,
        }


def rigs_of(runs: Sequence[ShapedRun], rig_file: RigFile | None) -> tuple[NightRig, ...]:
    """Return the rigs of the runs, which their names tell apart, in order of their first one."""
    names = dict.fromkeys(run.rig.name for run in runs)
    return tuple(_filled([run for run in runs if run.rig.name == name], rig_file or RigFile()) for name in names)


def _filled(runs: Sequence[ShapedRun], rig_file: RigFile) -> NightRig:
    rig, file = runs[0].rig, rig_file.of(runs[0].frames[0].info.optics)
    told = replace(file.rig, pixel_um=file.pixel_of(runs[0].instrument))
    known: dict[str, str | None] = {
        name: None if getattr(rig, name) is None else "header" if getattr(told, name) is None else "rig file"
        for name in _GIVEN
    }
    profiles = [run.profile for run in runs if run.profile and run.rig == rig]
    way_err = ratio_err = None
    filled = rig
    if profiles:
        found, errors = profiles[0].rig, profiles[0].errors
        fitted = {"obstruction"} & errors.found
        if errors.in_um and errors.shows_diffraction:
            fitted |= {name for name in _NAMES if getattr(rig, name) is None and getattr(found, name) is not None}
            filled = replace(filled, focal_ratio=found.focal_ratio)
            ratio_err = (found.f_ratio or 0.0) * errors.f_ratio if "f_ratio" in errors.found else None
        filled = replace(filled, **{name: getattr(found, name) for name in fitted})
        if errors.in_um and rig.um_per_step is None:
            fitted |= {"um_per_step"}
            way, way_err = weighted_mean(
                *zip(*((one.um_per_step, one.um_per_step_err) for one in profiles), strict=True)
            )
            # What is not known of the optics is the same in all runs.
            way_err = max(way_err, min(one.um_per_step_err for one in profiles))
            filled = replace(filled, um_per_step=way)
        known |= dict.fromkeys(sorted(fitted), "fitted")
    lengths = {known["focal_length_mm"], known["aperture_mm"]}
    known["f_ratio"] = (
        None
        if filled.f_ratio is None
        else next((source for source in ("fitted", "rig file", "header") if source in lengths), "fitted")
    )
    unit = _position_unit(runs)
    notes = (*_notes(rig, filled, ratio_err, profiles, UNIT_WORDS[unit]), *_matrix_note(runs))
    return NightRig(filled, way_err, ratio_err, known, notes, unit)


def _matrix_note(runs: Sequence[ShapedRun]) -> tuple[str, ...]:
    """Say where the pixels show another matrix of colours than the headers."""
    infos = [frame.info for run in runs for frame in run.frames]
    other = [info for info in infos if info.bayer_said]
    if not other:
        return ()
    of = f"{plain_text(runs[0].rig.name)}: " if runs[0].rig.name else ""
    return (
        f"{of}in {len(other)} of {len(infos)} frames the pixels that headers call green (pattern {other[0].bayer_said} "
        f"as stored) differ, and the others are alike: {other[0].bayer} was used; red and blue are exchanged where the "
        "pattern begins a column further and not a row",
    )


def _position_unit(runs: Sequence[ShapedRun]) -> str:
    """Return what positions are in: as the rig file says, else what a tolerance below half a step shows."""
    tolerances = [run.fit.tolerance_steps for run in runs if run.fit.tolerance_steps]
    return unit_of_positions(runs[0].rig.position_unit, median(tolerances) if tolerances else None)


def _notes(
    rig: Rig, filled: Rig, ratio_err: float | None, profiles: Sequence[ProfileFit], unit: str
) -> tuple[str, ...]:
    """Say what is not known of the optics, what stands for it, and what knowing it would gain."""
    missing = [name for name in _NAMES if getattr(rig, name) is None]
    of = f"{plain_text(rig.name)}: " if rig.name else ""
    another: tuple[str, ...] = ()
    if profiles and profiles[0].errors.unlike_logged:
        another = (
            f"{of}the stars show other optics than the runs in the logbook, which are left aside; where the telescope "
            "has changed, give it another name in the rig file",
        )
    if not missing:
        return another
    text = f"{of}neither headers nor rig file give {listed([_NAMES[name] for name in missing])}"
    give = f"give {listed(missing)} in the rig file"
    if not profiles:
        return (f"{text}, and the shapes of the stars could not be fitted; {give} for lengths in µm and angles",)
    errors = profiles[0].errors
    if not errors.in_um:
        return (
            f"{text}: results are in steps and pixels; {give}, and the step size, defocus, tilt and the seeing "
            f"follow in µm and arcsec{_position_gains(profiles, unit)}",
            *another,
        )
    if filled.f_ratio and ratio_err:
        text += f"; the stars show f/{plus_minus(filled.f_ratio, ratio_err)}"
    elif filled.pixel_um:
        text += f"; the stars show {filled.pixel_um:.2g} µm a pixel"
    now, then = (two_digits(100.0 * err) for err in (errors.f_ratio, F_RATIO_ERR))
    return (
        f"{text}; {give}, and the focal ratio, and with it the step size and all lengths in µm, is known to {then} % "
        f"instead of {now} %, the critical focus zone to twice that{_position_gains(profiles, unit)}",
        *another,
    )


def _position_gains(profiles: Sequence[ProfileFit], unit: str) -> str:
    """Say how the error of the best position changes once focal ratio and pixel are known."""
    now = median(one.err for one in profiles)
    then = median(math.sqrt(max(one.err**2 - one.optics_err**2, 0.0)) for one in profiles)
    before, after = two_digits(now), two_digits(then)
    if then > _HARDLY * now or before == after:
        return f"; the error of the best position, {before} {unit}, hardly changes"
    return f"; the error of the best position shrinks from {before} to {after} {unit}"
