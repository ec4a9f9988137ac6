"""Drift: logged runs become steps per degree and filter offsets.

In: `LoggedRun`, `LoggedLight`. Out: `Drift` with errors, rebuilds, outliers, and which runs would help most.
"""

from focuskit.drift.learn import fit_drift, learn_drift
from focuskit.drift.pictures import MOST_MARKS
from focuskit.drift.result import MODEL_WORDS, ByTime, Drift, FilterOffset, Rebuild
from focuskit.drift.with_lights import learn_with_lights

__all__ = [
    "MODEL_WORDS",
    "MOST_MARKS",
    "ByTime",
    "Drift",
    "FilterOffset",
    "Rebuild",
    "fit_drift",
    "learn_drift",
    "learn_with_lights",
]
