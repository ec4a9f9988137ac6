"""What more the data may ask for than one drift and fixed offsets, weighed by AICc.

Coefficients of their own for the filters, a bend with temperature, a lag of the tube behind the air,
shifts from night to night: each is tried on top of the plain model, and taken up only if it lowers
AICc (Sugiura 1978; Hurvich & Tsai 1989) by more than `MARGIN`, so that a plain season hardly ever
pays for one: a needless coefficient of its own costs a filter that was used at one temperature its offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from focuskit.drift.linear import Array, SoundRuns, extra_variance, find_sound, fit_grouped
from focuskit.drift.night_shifts import sum_nights

# Beyond this the plain model has essentially no support (Burnham & Anderson 2002, section 2.6; from memory).
MARGIN = 10.0
LONGEST_LAG_MIN = 240.0
# After a break in the log this long the tube is taken to be as warm as the air.
LOG_BREAK_S = 3.0 * 3600.0
Groups = NDArray[np.intp]


@dataclass(frozen=True)
class Season:
    """The usable runs of one rig as arrays, in order of time.

    Attributes
    ----------
    time_s : (n,) array
        Unix seconds.
    temperature_c, position, variance : (n,) arrays
        ``variance`` is the runs' own, 0 where none is known.
    filter_index : (n,) integers
        Into the list of filters; 0 is the reference.
    filters : int
        Number of filters.
    night : (n,) integers
    log : (time_s, temperature_c) or None
        Temperatures of the air.
    """

    time_s: Array
    temperature_c: Array
    position: Array
    variance: Array
    filter_index: Groups
    filters: int
    night: Groups
    log: tuple[Array, Array] | None = None


@dataclass(frozen=True)
class Shape:
    """Which terms the model has besides bases, offsets and one drift.

    Attributes
    ----------
    reference_c : float
    own_coefficients : bool
    bend : (float, float) or None
        What is taken off the square of the temperature, constant and per °C, so that the drift
        itself stays the mean over the runs.
    lag_min : float
    """

    reference_c: float
    own_coefficients: bool = False
    bend: tuple[float, float] | None = None
    lag_min: float = 0.0

    def bent(self, warmth: Array) -> Array:
        """Return the column of the bend for temperatures counted from the reference."""
        level, slope = self.bend or (0.0, 0.0)
        return warmth**2 - level - slope * warmth


@dataclass(frozen=True)
class Weighed:
    """One richer model and what AICc says of it.

    Attributes
    ----------
    name : str
        ``own_coefficients``, ``bend``, ``lag`` or ``night_shifts``.
    aicc_change : float or None
        AICc less that of the plain model; None where it could not be fitted.
    taken : bool
        Whether the answer rests on it.
    value : float or None
        Bend in steps/°C², lag in minutes, night shifts in steps (one standard deviation).
    """

    name: str
    aicc_change: float | None
    taken: bool
    value: float | None


def columns_of(season: Season, shape: Shape) -> Array:
    """Return the columns: offsets of all filters but the first, drift, and what else ``shape`` has."""
    index, f = season.filter_index, season.filters
    warmth = felt_temperature(season, shape.lag_min) - shape.reference_c
    parts = [(index[:, None] == np.arange(1, f)).astype(float), warmth[:, None]]
    if shape.own_coefficients:
        # so that the drift itself is the mean over all runs
        count = np.bincount(index, minlength=f)
        share = np.where(index == 0, 1.0, 0.0)[:, None] * count[1:] / max(count[0], 1)
        parts.append(warmth[:, None] * (parts[0] - share))
    if shape.bend:
        parts.append(shape.bent(warmth)[:, None])
    return np.hstack(parts)


def felt_temperature(season: Season, lag_min: float) -> Array:
    """Temperature of a tube that follows the air with a lag, first order, at each run."""
    if season.log is None or lag_min <= 0.0:
        return season.temperature_c
    time_s, air = season.log
    behind = np.interp(season.time_s, time_s, follow(time_s, air, lag_min) - air, left=0.0, right=0.0)
    return season.temperature_c + behind


def follow(time_s: Array, air_c: Array, lag_min: float) -> Array:
    """Solve dT/dt = (air - T)/lag for air that is linear between its readings.

    Starts, also after a break of three hours, with T = air.
    """
    lag_s = lag_min * 60.0
    tube = np.empty_like(air_c)
    tube[0] = air_c[0]
    step = np.diff(time_s)
    decay = np.exp(-step / lag_s)
    slope = np.diff(air_c) / step
    for i in range(len(step)):
        if step[i] > LOG_BREAK_S:
            tube[i + 1] = air_c[i + 1]
        else:
            tube[i + 1] = (tube[i] - air_c[i] + slope[i] * lag_s) * decay[i] + air_c[i + 1] - slope[i] * lag_s
    return tube


def weigh_models(
    season: Season, group: Groups, plain: SoundRuns, plain_shape: Shape
) -> tuple[Shape, bool, tuple[Weighed, ...]]:
    """Try the richer models and keep those the data ask for.

    Returns
    -------
    shape : Shape
        With the fixed terms that were taken.
    night_shifts : bool
        Whether shifts from night to night were taken.
    weighed : tuple of Weighed
        AICc of each against the plain model.
    """
    nights, _ = _night_gain(season, plain_shape, group, plain)
    # were shifts from night to night left out here, a bend or a lag could stand in for them
    shifts = nights is not None and nights < -MARGIN
    base, _ = _aicc(season, plain_shape, group, plain, shifts)
    shape, best = plain_shape, base
    first: dict[str, tuple[float | None, float | None]] = {}
    while True:
        tried = {}
        for name in ("own_coefficients", "bend", "lag"):
            richer = _richer(season, shape, group, plain, name, shifts)
            if richer is not None:
                tried[name] = (richer, *_aicc(season, richer, group, plain, shifts))
            if shape == plain_shape:
                value = tried[name][2] if name in tried else None
                change = tried[name][1] - base if name in tried else math.nan
                first[name] = (change if math.isfinite(change) else None, value)
        name = min(tried, key=lambda key: tried[key][1] + _margin(season, key), default="")
        if not name or not tried[name][1] < best - _margin(season, name):
            break
        shape, best, _ = tried[name]
    nights, shift = _night_gain(season, shape, group, plain)
    taken = {
        "own_coefficients": shape.own_coefficients,
        "bend": shape.bend is not None,
        "lag": shape.lag_min > 0.0,
    }
    night_shifts = nights is not None and bool(nights < -MARGIN)
    weighed = [Weighed(name, change, taken[name], value) for name, (change, value) in first.items()]
    weighed.append(Weighed("night_shifts", nights, night_shifts, shift))
    return shape, night_shifts, tuple(weighed)


def _margin(season: Season, name: str) -> float:
    """How far AICc must fall: two more for each parameter of the model beyond its first."""
    return MARGIN + 2.0 * (season.filters - 2 if name == "own_coefficients" else 0)


def _richer(season: Season, shape: Shape, group: Groups, plain: SoundRuns, name: str, shifts: bool) -> Shape | None:
    """Return the shape with one more term, or None where it has it or it cannot be tried."""
    if name == "own_coefficients":
        return None if shape.own_coefficients or season.filters < 2 else replace(shape, own_coefficients=True)
    if name == "bend":
        if shape.bend:
            return None
        warmth = felt_temperature(season, shape.lag_min) - shape.reference_c
        off = warmth - warmth.mean()
        slope = float(off @ warmth**2) / max(float(off @ off), 1e-12)
        return replace(shape, bend=(float(np.mean(warmth**2)) - slope * float(warmth.mean()), slope))
    if season.log is None or shape.lag_min > 0.0:
        return None

    def of_lag(lag_min: float) -> float:
        return _aicc(season, replace(shape, lag_min=lag_min), group, plain, shifts)[0]

    grid = np.array([5.0, 10.0, 20.0, 40.0, 60.0, 90.0, 120.0, 180.0, LONGEST_LAG_MIN])
    at = int(np.argmin([of_lag(float(lag)) for lag in grid]))
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    found = optimize.minimize_scalar(of_lag, bounds=(float(low), float(high)), method="bounded",
                                     options={"xatol": 0.5})  # fmt: skip
    return replace(shape, lag_min=float(found.x))


def _aicc(season: Season, shape: Shape, group: Groups, plain: SoundRuns, shifts: bool) -> tuple[float, float | None]:
    """AICc of a model over the runs that the plain one finds sound; and its bend or lag.

    Were each model to choose its runs, a richer one could bend towards a wild run.
    """
    sound = plain.sound
    known = season.variance[sound]
    every_column = columns_of(season, shape)
    columns, position = every_column[sound], season.position[sound]
    stretch = np.unique(group[sound], return_inverse=True)[1]
    extra, n = plain.extra_variance, len(position)
    for _ in range(3):
        fit = fit_grouped(columns, position, np.maximum(known + extra, 1e-12), stretch)
        extra = extra_variance(fit.residuals, known, float(n))
    parameters = fit.rank + 1 + (shape.lag_min > 0.0)
    if n - parameters - 1 <= 0:
        return math.inf, None
    variance = np.maximum(known + extra, 1e-12)
    deviance = float(np.sum(np.log(variance) + fit.residuals**2 / variance))
    if shifts:
        _, deviance, _ = split_scatter(season, every_column, plain, group, shifts=True, restricted=False)
        parameters += 1
    value = shape.lag_min if shape.lag_min > 0.0 else None
    value = float(fit.coefficients[-1]) if shape.bend else value
    return deviance + 2.0 * parameters * n / (n - parameters - 1), value


def _night_gain(season: Season, shape: Shape, group: Groups, plain: SoundRuns) -> tuple[float | None, float | None]:
    """Change of AICc by shifts from night to night, and their standard deviation."""
    columns = columns_of(season, shape)
    runs = find_sound(columns, season.position, season.variance, group, plain.sound)
    sound = runs.sound
    n = int(np.sum(sound))
    parameters = runs.fit.rank + 1
    nights = len(np.unique(season.night[sound]))
    if nights < 4 or n < nights + parameters + 3:
        return None, None
    _, plain_deviance, _ = split_scatter(season, columns, runs, group, shifts=False, restricted=False)
    _, deviance, shift = split_scatter(season, columns, runs, group, shifts=True, restricted=False)
    # one parameter more
    cost = 2.0 * n * ((parameters + 1) / (n - parameters - 2) - parameters / (n - parameters - 1))
    return float(deviance - plain_deviance + cost), math.sqrt(shift)


def split_scatter(
    season: Season, columns: Array, runs: SoundRuns, group: Groups, shifts: bool, restricted: bool = True
) -> tuple[float, float, float]:
    """Split the scatter into that of the runs and that of the nights, by (restricted) likelihood.

    Returns
    -------
    extra, deviance, shift : float
        Extra variance of the runs, -2 log likelihood, variance of the nights' shifts.
    """

    def of(extra: float) -> tuple[float, float]:
        variance = season.variance + extra
        sums = sum_nights(columns, season.position, variance, runs.sound, season.night, group)
        if shifts:
            shift, deviance = sums.best_shift(restricted=restricted)
            return deviance, shift
        return sums.deviance(0.0, restricted=restricted), 0.0

    typical = max(runs.extra_variance, 0.01 * float(np.median(season.variance)), 1e-9)
    found = optimize.minimize_scalar(lambda log: of(typical * math.exp(log))[0], bounds=(-6.0, 1.5),
                                     method="bounded", options={"xatol": 0.001})  # fmt: skip
    extra = typical * math.exp(float(found.x))
    deviance, shift = of(extra)
    if float(np.min(season.variance)) > 0.0:
        none, none_shift = of(0.0)
        if none <= deviance:
            return 0.0, none, none_shift
    return extra, deviance, shift
