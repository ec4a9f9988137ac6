"""Stars: pixels become stars, and the frames of a run share them.

In: `Pixels` of one frame, or frames of one run. Out: `MeasuredFrame` with its stars; `StarMatch` and `CommonSizes`, the
stars that the frames of a run have in common and how large they are.
"""

from focuskit.stars.arrays import measure_image
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.faint import join_registered, search_plan
from focuskit.stars.match import CommonSizes, StarMatch, compare_frames, match_stars
from focuskit.stars.measure import (
    MeasuredFrame,
    lost_frame,
    measure_found,
    measure_frame,
    measure_frames,
    register_frames,
    run_key,
)

__all__ = [
    "CommonSizes",
    "MeasuredFrame",
    "MeasuredImage",
    "StarMatch",
    "compare_frames",
    "join_registered",
    "lost_frame",
    "match_stars",
    "measure_found",
    "measure_frame",
    "measure_frames",
    "measure_image",
    "register_frames",
    "run_key",
    "search_plan",
]
