"""The nights of a log, how far their temperature moves away with time, and the interval that this asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from focuskit.core.errors import FocuskitError
from focuskit.core.times import HOUR_S
from focuskit.frames import TemperatureLog
from focuskit.refocus.behaviour import FloatArray

LONGEST_MIN = 60.0 * 24 * 60  # an interval of sixty days is called never
FLAT = 3.0  # a mean square change below so many times what noise makes is flat (chosen, not tuned)
_MOST_LAGS = 120  # search: points of the curve, one in five minutes of ten hours (chosen: a year takes a second)
_GRID = 240  # search: intervals from half a minute to never, 5 % apart: the least lies between
_MOST_POINTS = 20_000_000  # search: points of the grid: fifty years of nights


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


@dataclass(frozen=True)
class TemperatureChange:
    """How far temperature moves away in a given time: root mean square over all starting times.

    Parameters
    ----------
    lag_min : ndarray, shape (n,)
        Rising, from 0.
    change_c : ndarray, shape (n,)
    power : float
        Beyond the last lag the change goes on as lag**power (1 for a steady ramp, 0 where it stays).
    """

    lag_min: FloatArray
    change_c: FloatArray
    power: float

    def mean_square(self, interval_min: FloatArray) -> FloatArray:
        """Mean square change (°C²) over the time since a run, for runs ``interval_min`` apart."""
        a, b, width = self.change_c[:-1], self.change_c[1:], np.diff(self.lag_min)
        total = np.concatenate([[0.0], np.cumsum((a * a + a * b + b * b) / 3.0 * width)])
        tau = np.asarray(interval_min, dtype=float)
        i = np.clip(np.searchsorted(self.lag_min, tau, side="right") - 1, 0, len(width) - 1)
        rest = np.minimum(tau, self.lag_min[-1]) - self.lag_min[i]
        stop = a[i] + (b[i] - a[i]) * rest / width[i]
        inside = total[i] + (a[i] ** 2 + a[i] * stop + stop**2) / 3.0 * rest
        far = np.maximum(tau / self.lag_min[-1], 1.0)
        more = 2.0 * self.power + 1.0
        beyond = self.change_c[-1] ** 2 * self.lag_min[-1] * (far**more - 1.0) / more
        return (inside + beyond) / tau


def measure_change(nights: Nights, noise_c: float = 0.0) -> TemperatureChange:
    """Measure how far the temperature of these nights moves away with time.

    Single values scatter by ``noise_c``, which is taken out. Few pairs are as far apart as a night
    is long, so that over the last quarter and beyond a power of the lag stands in, fitted to the
    last three quarters by the number of pairs.
    """
    points = (nights.length_s / nights.step_s + 1e-6).astype(int) + 1
    longest = max(int(np.median(points)) - 1, 1)
    lags = np.unique(np.round(np.linspace(1, longest, min(longest, _MOST_LAGS))).astype(int))
    heat = np.where(np.arange(nights.temperature_c.shape[1]) < points[:, None], nights.temperature_c, np.nan)
    square = np.array([np.nanmean((heat[:, lag:] - heat[:, :-lag]) ** 2) for lag in lags])
    change_c = np.sqrt(np.maximum(square - 2.0 * noise_c**2, 0.0))
    lag_min = lags * nights.step_s / 60.0
    pairs = np.maximum(points[:, None] - lags, 0).sum(axis=0)
    far = (lags >= 0.25 * longest) & (change_c > 0.0)
    power = 0.0
    if far.sum() >= 2:
        x, y = np.log(lag_min[far] / lag_min[-1]), np.log(change_c[far])
        power = np.polyfit(x, y, 1, w=np.sqrt(pairs[far]))[0]
        power = min(max(float(power), 0.0), 1.0)
        last = float(np.average(y - power * x, weights=pairs[far]))
        end = lags > 0.75 * longest
        change_c[end] = math.exp(last) * (lag_min[end] / lag_min[-1]) ** power
    elif change_c.any():
        power = 1.0
    return TemperatureChange(np.append(0.0, lag_min), np.append(0.0, change_c), power)


def best_interval_min(
    change: TemperatureChange, loss_per_c2: float, run_cost_s: float, loss_per_h: float = 0.0
) -> float | None:
    """Time between runs of least loss, in minutes; None where runs never pay.

    For a steady drift of v steps per hour it is (3·t·h0² / (2·s²·v²))^(1/3), for a random walk of w steps per root of
    an hour (2·t·h0² / (s²·w²))^(1/2).

    Parameters
    ----------
    change : TemperatureChange
    loss_per_c2 : float
        Loss of depth per °C² away from the temperature of the last run: (s·k/h0)².
    run_cost_s : float
    loss_per_h : float
        Loss of depth per hour since the last run by a random walk: (s·w/h0)².
    """
    if loss_per_h <= 0.0 and (loss_per_c2 <= 0.0 or not change.change_c.any()):
        return None

    def loss(log_tau: FloatArray) -> FloatArray:
        tau = np.exp(log_tau)
        return loss_per_c2 * change.mean_square(tau) + loss_per_h * tau / 120.0 + run_cost_s / 60.0 / tau

    grid = np.linspace(math.log(0.5), math.log(LONGEST_MIN), _GRID)
    least = int(np.argmin(loss(grid)))
    if least == len(grid) - 1:
        return None
    bounds = (grid[max(least - 1, 0)], grid[least + 1])
    return float(np.exp(minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-6}).x))


def matching_change_c(change: TemperatureChange, every_min: float) -> float:
    """Change of temperature (°C) that asks for as many runs as the best interval does: √3 times the
    root mean square change over that interval.

    For a steady ramp it is exactly the change over the interval. On a year of hourly temperatures of
    three airports, and for a random walk by calculation, the change of least loss is up to 15 %
    smaller, which is worth 0.2 % of depth at most.
    """
    return math.sqrt(3.0 * float(change.mean_square(np.array(every_min))))


def log_noise_c(time_s: FloatArray, temperature_c: FloatArray) -> float:
    """Scatter (°C) of single values in a log, from the bend between a value and its neighbours."""
    if len(time_s) < 3:
        return 0.0
    wait = np.diff(time_s)
    even = np.abs(wait[1:] - wait[:-1]) < 0.1 * np.median(wait)  # else the bend is not of noise alone
    bend = np.diff(temperature_c, 2)[even]
    return float(np.sqrt(np.mean(bend**2) / 6.0)) if len(bend) else 0.0


def is_flat(change: TemperatureChange, noise_c: float) -> bool:
    """Tell whether all change in a log is what the scatter of its single values makes."""
    return float(change.change_c.max()) ** 2 <= FLAT * 2.0 * noise_c**2
