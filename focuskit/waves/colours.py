"""Focus of the other colours of a camera with a matrix, against that of green: the same stars stacked in each colour.

Stars and frames are those of the green fit. Each star has its own brightness in a colour; all are shifted alike against
green, by dispersion in the air and lateral colour of the optics.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.matrix import ColourOffset, cell_masks
from focuskit.core.reasons import Reason
from focuskit.core.workers import Workers
from focuskit.frames import FrameInfo, Limits, Pixels
from focuskit.waves.fit import LEAST_FRAMES, solve_profiles
from focuskit.waves.result import ProfileFit, RunProfiles
from focuskit.waves.stack import FrameProfile, StackTask
from focuskit.waves.stack_files import stack_frames

# By how much the spherical term of a colour may differ from that of green, after scaling by wavelength: waves rms.
# Chosen, not measured on a telescope: less for correctors, more for simple lenses; one run measures it to 0.005.
_SPHERICAL_ERR = 0.003
# The sky of a colour is taken between these radii, in that of the stack (chosen: a ring of as many pixels).
_RING = (0.85, 1.15)
_CENTRE_ROUNDS = 3  # of the search for the centre; chosen: by then it has settled
_QUARTILES_TO_SIGMA = 1.349  # of a normal law: from one quartile to the other
_ROUNDING = 12**-0.5  # standard deviation of the rounding to whole numbers
_LEAST_STARS = 3  # chosen: a median of two is either of them


def measure_colours(
    infos: Sequence[FrameInfo],
    tasks: Sequence[tuple[int, StackTask]],
    green: RunProfiles,
    fit: ProfileFit,
    wavelengths_um: Mapping[str, float],
    pool: Workers,
    limits: Limits | None = None,
) -> tuple[tuple[ColourOffset, ...], set[int]]:
    """Return by how much the focus of other colours differs from that of green, and the frames lost while stacking.

    Colours that the frames do not show well enough are left out.

    Parameters
    ----------
    infos : sequence of FrameInfo
        The frames of the run.
    tasks : sequence of (int, StackTask)
        How green was stacked, and in which frame.
    green, fit
        Its stacked profiles and their fit.
    wavelengths_um : mapping
        Of the colours ``R``, ``G`` and ``B``.
    """
    colours = [colour for colour in wavelengths_um if colour != "G"]
    of_colour = [
        (colour, k, replace(task, sites=infos[k].sites(colour), plane=infos[k].plane(colour)))
        for colour in colours
        for k, task in tasks
    ]
    outcomes = stack_frames([task for _, _, task in of_colour], pool, limits, _seen_in_colour)
    stacked: dict[str, dict[int, FrameProfile]] = {colour: {} for colour in colours}
    lost = set()
    for (colour, k, _), outcome in zip(of_colour, outcomes, strict=True):
        if isinstance(outcome, Reason):
            lost.add(k)
        elif outcome:
            stacked[colour][k] = outcome
    reference = _fit_colour("G", dict(zip(green.frames, green.profiles, strict=True)), green, fit, wavelengths_um)
    found = []
    for colour, profiles in stacked.items():
        own = _fit_colour(colour, profiles, green, fit, wavelengths_um)
        if reference and own and math.isfinite(own.err) and own.err > 0.0:
            offset = own.best_position - reference.best_position
            found.append(ColourOffset(colour, offset, math.hypot(own.err, reference.err)))
    return tuple(found), lost


def _fit_colour(
    colour: str,
    profiles: Mapping[int, FrameProfile],
    green: RunProfiles,
    fit: ProfileFit,
    wavelengths_um: Mapping[str, float],
) -> ProfileFit | None:
    """Fit the profiles of a colour, by frame, with the step size and spherical term of green; None if that fails."""
    if len(profiles) < LEAST_FRAMES:
        return None
    aside = dict(zip(green.frames, green.aside or (False,) * len(green.frames), strict=True))
    rig = replace(fit.rig, um_per_step=fit.um_per_step)
    spherical = fit.spherical_waves * wavelengths_um["G"] / wavelengths_um[colour]
    try:
        solved = solve_profiles(
            list(profiles.values()),
            rig,
            wavelengths_um[colour],
            (spherical, _SPHERICAL_ERR),
            [aside.get(k, True) for k in profiles],
        )
    except FocuskitError:
        return None
    return solved.report() if solved.solution.converged else None


def _seen_in_colour(pixels: Pixels, task: StackTask) -> StackTask:
    """Return the task with positions, brightness, sky and noise of the stars in the colour, in the numbers stored.

    Raises
    ------
    FocuskitError
        If fewer than three stars show.
    """
    image = pixels.raw
    half = math.ceil(_RING[1] * task.radius_px) + 1
    column, row = np.rint(task.x_px).astype(int), np.rint(task.y_px).astype(int)
    whole = (column >= half) & (row >= half) & (column < image.shape[1] - half) & (row < image.shape[0] - half)
    x, y = task.x_px, task.y_px
    masks = cell_masks(task.sites, 2 * half + 1)
    down, across = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    moved = np.zeros((x.size, 2))
    flux, sky, noise = np.zeros(x.size), np.zeros(x.size), np.zeros(x.size)
    shift = np.zeros(2)
    for _ in range(_CENTRE_ROUNDS):
        for j in np.flatnonzero(whole):
            counts = masks[(row[j] - half) % 2, (column[j] - half) % 2]
            square = (slice(row[j] - half, row[j] + half + 1), slice(column[j] - half, column[j] + half + 1))
            values = image[square][counts].astype(float)
            off_x = across[counts] - (x[j] + shift[0] - column[j])
            off_y = down[counts] - (y[j] + shift[1] - row[j])
            distance = np.hypot(off_x, off_y) / task.radius_px
            if not noise[j]:
                ring = values[(distance > _RING[0]) & (distance < _RING[1])]
                low, sky[j], high = np.percentile(ring, (25.0, 50.0, 75.0))
                noise[j] = max((high - low) / _QUARTILES_TO_SIGMA, _ROUNDING if image.dtype.kind in "iu" else 0.0)
            # Within one half-flux diameter, with a soft edge, so that the pixel grid does not matter.
            light = (values - sky[j]) * np.clip((0.5 - distance) * 0.5 * task.radius_px + 0.5, 0.0, 1.0)
            flux[j] = light.sum() / counts.mean()
            moved[j] = np.array([light @ off_x, light @ off_y]) / max(light.sum(), 1e-9)
        seen = flux > 0.0
        if seen.sum() < _LEAST_STARS:
            raise FocuskitError(f"position {task.position:.10g}: it shows {seen.sum()} stars in this colour")
        bright = seen & (flux >= np.median(flux[seen]))
        shift += np.median(moved[bright], axis=0)
    return replace(
        task,
        x_px=x + shift[0],
        y_px=y + shift[1],
        flux=np.maximum(flux, 0.0),  # none of those that do not show
        sky=sky,
        noise=float(np.median(noise[seen])),
        gain=(task.gain or 1.0) * pixels.scale,
        known=None if task.known is None else task.known + shift,
    )
