"""What the frames of a run, each measured as a single frame, leave of the distances that the whole run gives them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from focuskit.core.calibration import SeenSide, SeenWings
from focuskit.night.runs import ShapedRun
from focuskit.waves import ProfileFit, RunProfiles, distance_on_side

# Nearer than this a frame by itself is not to be had with a side of its own: chosen, from there on 60 stars of 2 s show
# their distance to 3 µm.
_NEAREST_UM = 200.0
_LEAST_ERR_UM = 0.1  # chosen: half of what bright stars without noise leave between a frame and its run


def with_left_over(run: ShapedRun, stack: RunProfiles | None) -> ShapedRun:
    """Add to what a run shows the exponent of its seeing, and what its frames on either side leave."""
    if stack is None or run.profile is None or not run.profile.errors.in_um:
        return run
    return replace(run, shown=replace(run.shown, **left_over(stack, run.profile, run.positions)))


def left_over(stack: RunProfiles, profile: ProfileFit, positions: Sequence[float]) -> dict[str, Any]:
    """Return the exponent of a run's seeing and what its frames leave, as `Shown` names them.

    ``positions`` are those of all frames of the run, in order of time.
    """
    wings = SeenWings(profile.seeing_exponent, profile.seeing_exponent_err)
    usual = wings.exponent, wings.err
    moved = np.sign(np.diff(positions, prepend=positions[0]))
    sides: dict[str, SeenSide | None] = {}
    for name, sign in (("outside", 1.0), ("inside", -1.0)):
        found = []
        for k, frame, one in zip(stack.frames, stack.profiles, profile.frames, strict=True):
            away = sign * one.defocus_um
            if one.used and away > _NEAREST_UM:
                own = distance_on_side(
                    frame, profile.rig, stack.wavelength_um, profile.spherical_waves, usual, sign, away
                )
                found.append((own.distance_um - away, own.noise_um, away, moved[k]))
        sides[name] = _summary(np.array(found), profile.err * profile.um_per_step, stack.wavelength_um)
    return {"wings": wings, **sides}


def _summary(found: NDArray[np.float64], run_err_um: float, wavelength_um: float) -> SeenSide | None:
    """Sum up the frames of one side: what each leaves, its noise, its distance, and the direction it was come to in."""
    if not found.size:
        return None
    rest, noise, away, moved = found.T
    by_noise = float(np.mean(noise**2))
    excess = float(np.var(rest, ddof=1)) - by_noise if rest.size > 1 else 0.0
    err = math.hypot(math.sqrt((by_noise + max(excess, 0.0)) / rest.size), run_err_um)
    return SeenSide(
        float(rest.mean()), max(err, _LEAST_ERR_UM), float(rest.size), excess, float(away.min()), float(away.max()),
        float(moved.mean()), wavelength_um,
    )  # fmt: skip


def in_the_middle(side: SeenSide | None, sign: float, to_middle_um: float) -> SeenSide | None:
    """Return what is left against the best position in the middle of the sensor, so far from that of the stars."""
    return side and replace(side, mean_um=side.mean_um + sign * to_middle_um)
