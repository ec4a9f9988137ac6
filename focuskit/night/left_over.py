"""What the frames of a run, each measured as a single frame, leave of the distances that the whole run gives them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from focuskit.core.calibration import SeenSide, SeenWings
from focuskit.night.runs import ShapedRun
from focuskit.waves import RunProfiles, distance_on_side

# Nearer than this a frame by itself is not to be had with a side of its own: chosen, from there on 60 stars of 2 s show
# their distance to 3 µm.
_NEAREST_UM = 200.0
_LEAST_ERR_UM = 0.1  # chosen: half of what bright stars without noise leave between a frame and its run


def with_left_over(run: ShapedRun, stack: RunProfiles | None) -> ShapedRun:
    """Add to what a run shows the exponent of its seeing, and what its frames on either side leave."""
    profile = run.profile
    if stack is None or profile is None or not profile.errors.in_um:
        return run
    wings = SeenWings(profile.seeing_exponent, profile.seeing_exponent_err)
    usual = wings.exponent, wings.err
    way = profile.um_per_step
    sides: dict[str, SeenSide] = {}
    for name, sign in (("outside", 1.0), ("inside", -1.0)):
        rest, noise, distances, directions = [], [], [], []
        for k, frame, one in zip(stack.frames, stack.profiles, profile.frames, strict=True):
            away = sign * one.defocus_um
            if one.used and away > _NEAREST_UM:
                found = distance_on_side(
                    frame, profile.rig, stack.wavelength_um, profile.spherical_waves, usual, sign, away
                )
                rest.append(found.distance_um - away)
                noise.append(found.noise_um)
                distances.append(away)
                directions.append(_direction(run, k))
        if rest:
            by_noise = float(np.mean(np.square(noise)))
            excess = float(np.var(rest, ddof=1)) - by_noise if len(rest) > 1 else 0.0
            err = math.hypot(math.sqrt((by_noise + max(excess, 0.0)) / len(rest)), profile.err * way)
            sides[name] = SeenSide(
                float(np.mean(rest)), max(err, _LEAST_ERR_UM), float(len(rest)), excess, min(distances), max(distances),
                float(np.mean(directions)), stack.wavelength_um,
            )  # fmt: skip
    return replace(run, shown=replace(run.shown, wings=wings, outside=sides.get("outside"), inside=sides.get("inside")))


def in_the_middle(side: SeenSide | None, sign: float, to_middle_um: float) -> SeenSide | None:
    """Return what is left against the best position in the middle of the sensor, so far from that of the stars."""
    return side and replace(side, mean_um=side.mean_um + sign * to_middle_um)


def _direction(run: ShapedRun, k: int) -> float:
    """Return the direction in which the focuser came to a frame, 0 for the first."""
    return float(np.sign(run.positions[k] - run.positions[k - 1])) if k else 0.0
