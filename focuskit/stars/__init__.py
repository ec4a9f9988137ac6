"""Stars: pixels become stars, and the frames of a run share them.

In: files, or an image in memory. Out: `MeasuredFrame`, or `MeasuredImage`, with its stars; `StarMatch` and
`CommonSizes`, the stars that the frames of a run have in common and how large they are.
"""

from focuskit.stars.arrays import measure_image
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.match import CommonSizes, StarMatch
from focuskit.stars.measure import MeasuredFrame, compare_frames, measure_frame, measure_frames, run_key

__all__ = [
    "CommonSizes",
    "MeasuredFrame",
    "MeasuredImage",
    "StarMatch",
    "compare_frames",
    "measure_frame",
    "measure_frames",
    "measure_image",
    "run_key",
]
