"""Waves: stacked stars become defocus, seeing and aberrations, by wave optics.

In: pixels of the stars of a run's frames, or of one frame. Out: `ProfileFit` of a run, `Defocus` of one frame,
`TrainShapes` (coma, astigmatism, smear).
"""

from focuskit.waves.aberration_fit import measure_shapes
from focuskit.waves.aberrations import TrainShapes, pool_shapes
from focuskit.waves.fit import SPHERICAL_PRIOR, ProfileFit, fit_profiles, model_for
from focuskit.waves.model import profile_model
from focuskit.waves.shared import (
    LEAST_RADIUS_PX,
    RunProfiles,
    Spherical,
    fit_night,
    pool_spherical,
    stack_tasks,
    stacked_mean,
    star_weights,
    told_before,
)
from focuskit.waves.single import Defocus, measure_defocus
from focuskit.waves.stacking import StackTask, stack_frames, stack_or_nothing

__all__ = [
    "LEAST_RADIUS_PX",
    "SPHERICAL_PRIOR",
    "Defocus",
    "ProfileFit",
    "RunProfiles",
    "Spherical",
    "StackTask",
    "TrainShapes",
    "fit_night",
    "fit_profiles",
    "measure_defocus",
    "measure_shapes",
    "model_for",
    "pool_shapes",
    "pool_spherical",
    "profile_model",
    "stack_frames",
    "stack_or_nothing",
    "stack_tasks",
    "stacked_mean",
    "star_weights",
    "told_before",
]
