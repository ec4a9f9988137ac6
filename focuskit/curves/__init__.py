"""Curves: sizes of stars against position become a best position with an error and a verdict.

In: positions and sizes of one run. Out: `CurveFit`. Only sizes are judged here; `night` combines them with shapes.
"""

from focuskit.curves.fit import fit_run, least_size
from focuskit.curves.result import CurveFit, SizeFit, disagree, verdict_of
from focuskit.curves.shape import growth_distance, seeing_donut_shape

__all__ = [
    "CurveFit",
    "SizeFit",
    "disagree",
    "fit_run",
    "growth_distance",
    "least_size",
    "seeing_donut_shape",
    "verdict_of",
]
