"""Waves: stacked stars become defocus, seeing and aberrations, by wave optics.

In: the stars of a run's frames, or of one frame, whose pixels are read again. Out: `ProfileFit` of each run,
`Defocus` of one frame, `Aberrations` (coma, astigmatism, smear).

A run goes `star_weights` → `stack_tasks` → `stack_frames` → `RunProfiles` → `fit_night` → `measure_aberrations`,
`measure_colours`, a single frame `stack_single` → `measure_defocus`. `profile_model` makes profiles for any telescope.
"""

from focuskit.waves.aberration_fit import measure_aberrations
from focuskit.waves.aberrations import Aberrations, pool_aberrations
from focuskit.waves.colours import measure_colours
from focuskit.waves.model import profile_model
from focuskit.waves.result import ProfileFit, RunProfiles
from focuskit.waves.shared import (
    fit_night,
    stack_tasks,
    star_weights,
)
from focuskit.waves.single import Defocus, distance_on_side, measure_defocus, stack_single
from focuskit.waves.stack_files import stack_frames

__all__ = [
    "Aberrations",
    "Defocus",
    "ProfileFit",
    "RunProfiles",
    "distance_on_side",
    "fit_night",
    "measure_aberrations",
    "measure_colours",
    "measure_defocus",
    "pool_aberrations",
    "profile_model",
    "stack_frames",
    "stack_single",
    "stack_tasks",
    "star_weights",
]
