"""The temperatures of a log, night by night on one even grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.times import HOUR_S
from focuskit.frames import TemperatureLog
from focuskit.refocus.behaviour import FloatArray

_MOST_POINTS = 20_000_000  # of the grid: fifty years of nights


@dataclass(frozen=True, eq=False)
class Nights:
    """Temperatures of several nights on one even grid.

    Parameters
    ----------
    temperature_c : ndarray, shape (nights, points)
        Beyond the end of a night its last value.
    step_s : float
    length_s : ndarray, shape (nights,)
    """

    temperature_c: FloatArray
    step_s: float
    length_s: FloatArray

    def part(self, which: slice | NDArray[np.intp]) -> Nights:
        """Return only some of the nights."""
        return Nights(self.temperature_c[which], self.step_s, self.length_s[which])

    def middle(self) -> Nights:
        """Return the one night whose temperature changes by the middle amount."""
        reach = np.ptp(self.temperature_c, axis=1)
        return self.part(np.argsort(reach, kind="stable")[[len(reach) // 2]])


def lay_out_nights(log: TemperatureLog, step_s: float = 60.0, lag_min: float = 0.0) -> Nights:
    """Put the nights of a log on an even grid, linear between the rows.

    With ``lag_min`` the result is what a tube feels that follows the air with that time constant:
    dT/dt = (air − T)/lag, solved exactly for air that changes linearly between grid points.

    Raises
    ------
    FocuskitError
        If the nights are too long and many to be replayed.
    """
    spans = [log.night(i) for i in range(len(log.nights))]
    length_s = np.array([t[-1] - t[0] for t, _ in spans])
    points = int(np.ceil(length_s.max() / step_s)) + 2
    if points * len(spans) > _MOST_POINTS:
        raise FocuskitError(
            f"the nights of the log are up to {length_s.max() / HOUR_S:.0f} h long, too long to replay: give their "
            "hours, like --night 19:00-05:00"
        )
    grid_s = np.arange(points) * step_s
    air = np.array([np.interp(grid_s, t - t[0], c) for t, c in spans])
    return Nights(_felt_by_tube(air, step_s, 60.0 * lag_min) if lag_min > 0.0 else air, step_s, length_s)


def _felt_by_tube(air: FloatArray, step_s: float, lag_s: float) -> FloatArray:
    fade = np.exp(-step_s / lag_s)
    tube = air.copy()
    for i in range(1, air.shape[1]):
        slope = (air[:, i] - air[:, i - 1]) / step_s
        steady = air[:, i - 1] - slope * lag_s
        tube[:, i] = steady + slope * step_s + (tube[:, i - 1] - steady) * fade
    return tube
