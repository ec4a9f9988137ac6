"""Field: the sizes of each star over a run become tilt, curvature and the best position over the sensor.

In: `StarMatch` of one run. Out: `FieldMap`.
"""

from focuskit.field.fit import map_field
from focuskit.field.map import Corner, FieldMap, likely_height, pool_maps

__all__ = ["Corner", "FieldMap", "likely_height", "map_field", "pool_maps"]
