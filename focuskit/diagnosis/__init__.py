"""Diagnosis: what the runs of a night say about focuser, optics and camera.

In: `Night`. Out: `Diagnosis`, findings in parts, each with value, error, significance and advice. `step_of` returns
what one run tells of the µm per step, `camera_words` names its camera and how it was turned.
"""

from focuskit.diagnosis.finding import Finding
from focuskit.diagnosis.focuser import step_of
from focuskit.diagnosis.optics import camera_words
from focuskit.diagnosis.parts import PART_TITLES, Diagnosis, diagnose

__all__ = ["PART_TITLES", "Diagnosis", "Finding", "camera_words", "diagnose", "step_of"]
