"""Diagnosis: what the runs of a night say about focuser, optics and camera.

In: `Night`. Out: findings, each with value, error, significance and advice.
"""

from focuskit.diagnosis.finding import Finding
from focuskit.diagnosis.focuser import step_of
from focuskit.diagnosis.optics import setting_words
from focuskit.diagnosis.parts import PART_NAMES, Train, examine_train

__all__ = ["PART_NAMES", "Finding", "Train", "examine_train", "setting_words", "step_of"]
