"""Waves: stacked stars become defocus, seeing and aberrations, by wave optics.

In: pixels of the stars of a run's frames, or of one frame. Out: `ProfileFit` of a run, `Defocus` of one frame,
`Aberrations` (coma, astigmatism, smear).
"""

from focuskit.waves.aberration_fit import measure_aberrations
from focuskit.waves.aberrations import Aberrations, pool_aberrations
from focuskit.waves.fit import SPHERICAL_PRIOR, ProfileFit, fit_profiles, model_for
from focuskit.waves.model import profile_model
from focuskit.waves.shared import (
    LEAST_RADIUS_PX,
    RunProfiles,
    fit_night,
    pool_spherical,
    seeing_of,
    stack_tasks,
    stacked_mean,
    star_weights,
)
from focuskit.waves.single import Defocus, measure_defocus
from focuskit.waves.stacking import StackTask, stack_frames, stack_or_nothing

__all__ = [
    "LEAST_RADIUS_PX",
    "SPHERICAL_PRIOR",
    "Aberrations",
    "Defocus",
    "ProfileFit",
    "RunProfiles",
    "StackTask",
    "fit_night",
    "fit_profiles",
    "measure_aberrations",
    "measure_defocus",
    "model_for",
    "pool_aberrations",
    "pool_spherical",
    "profile_model",
    "seeing_of",
    "stack_frames",
    "stack_or_nothing",
    "stack_tasks",
    "stacked_mean",
    "star_weights",
]
