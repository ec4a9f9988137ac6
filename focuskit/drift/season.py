"""A season of runs as arrays, and the columns of a model of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from focuskit.core.times import HOUR_S
from focuskit.drift.linear import Array, Integers

# After a break in the log this long the tube is taken to be as warm as the air: it begins each night so.
LOG_BREAK_S = 3.0 * HOUR_S
# Air changes by some tenths of a degree in half an hour: a log further away says nothing of a run (chosen).
NEAR_LOG_S = 1800.0
# A value this part of a step off the others' multiples is not rounded as they are: floats of tables are closer.
_ODD_STEP = 0.01
# With what focus may creep: steps a day, steps a run.
CREEPS = ("creep", "slip")


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
        Ascending.
    stretch : (n,) integers
        Ascending from 0: which runs share a base, between rebuilds.
    since : (n, 2) array
        Days and runs from the last run, 0 or less.
    log : (time_s, temperature_c) or None
        Temperatures of the air.
    """

    time_s: Array
    temperature_c: Array
    position: Array
    variance: Array
    filter_index: Integers
    filters: int
    night: Integers
    stretch: Integers
    since: Array
    log: tuple[Array, Array] | None = None

    @property
    def starts(self) -> list[int]:
        """Index of the first run after each rebuild."""
        return [int(i) for i in np.flatnonzero(np.diff(self.stretch)) + 1]

    @cached_property
    def block(self) -> Integers:
        """Number of each night, cut where a stretch ends within one."""
        return np.cumsum(np.r_[0, (np.diff(self.night) != 0) | (np.diff(self.stretch) != 0)])

    @cached_property
    def hours_since(self) -> Array:
        """Hours of each run since the one before in its night, 0 for the first."""
        return np.diff(self.time_s, prepend=self.time_s[0]) / HOUR_S * (np.diff(self.block, prepend=-1) == 0)

    def cut(self, starts: object) -> Season:
        """Return the season with rebuilds before the runs at ``starts``."""
        marks = np.zeros(len(self.position), dtype=np.intp)
        marks[np.array(starts, dtype=np.intp)] = 1
        return replace(self, stretch=np.cumsum(marks))

    def only(self, kept: NDArray[np.bool_]) -> Season:
        """Return the season of some of its runs."""
        names = ("time_s", "temperature_c", "position", "variance", "filter_index", "night", "since")
        stretch = np.unique(self.stretch[kept], return_inverse=True)[1]
        return replace(self, stretch=stretch, **{name: getattr(self, name)[kept] for name in names})


def rounding_c(temperature_c: Array) -> float:
    """Step to which temperatures are rounded, 0 where none shows: then values repeat, at even distances."""
    values = np.unique(temperature_c)
    if len(values) < 3 or len(values) > len(temperature_c) / 2:
        return 0.0
    step = float(np.diff(values).min())
    steps = (values - values[0]) / step
    return step if bool(np.all(np.abs(steps - np.round(steps)) < _ODD_STEP)) else 0.0


@dataclass(frozen=True)
class Terms:
    """Which terms the model has besides bases, offsets and one drift.

    Attributes
    ----------
    reference_c : float
    own_drift : (filters - 1,) floats or None
        Runs of each filter over those of the reference filter, where each has a drift of its own: the
        drift itself stays the mean over the runs.
    bend : (float, float) or None
        What is taken off the square of the temperature, constant and per °C, for the same reason.
    lag_min : float
    creep : str or None
        One of `CREEPS`: focus moves evenly with time or with each run; it counts from the last run.
    gap_s : float or None
        First run (unix seconds) after a long gap in which a rebuild may be or not; its step counts from the runs after.
    within : bool
        Whether the slope within nights may be another, as errors of the temperatures make it: the drift is then that
        between nights.
    bend_open : bool
        Whether the bend is open: the runs favour it, but do not prove it.
    """

    reference_c: float
    own_drift: tuple[float, ...] | None = None
    bend: tuple[float, float] | None = None
    lag_min: float = 0.0
    creep: str | None = None
    gap_s: float | None = None
    within: bool = False
    bend_open: bool = False

    @property
    def chosen(self) -> Terms:
        """The terms without those that are weighed."""
        bend = None if self.bend_open else self.bend
        return replace(self, gap_s=None, within=False, bend=bend, bend_open=False)

    def places(self, filters: int) -> tuple[int | None, int | None]:
        """Numbers of the columns of the step in the gap and of the slope within nights, None where there is none.

        They follow those of the filters and of the drift.
        """
        gap = None if self.gap_s is None else filters
        return gap, filters + (gap is not None) if self.within else None

    @property
    def bend_from_end(self) -> int:
        """Number of the bend's column from the end: the last, or the one before that of a creep."""
        return -1 if self.creep is None else -2

    @property
    def kinds(self) -> tuple[bool, bool, bool, str | None]:
        """Which terms are chosen, whatever their settings."""
        return self.own_drift is not None, self.chosen.bend is not None, self.lag_min > 0.0, self.creep

    def columns(self, filter_index: Integers, temperature_c: Array, filters: int) -> Array:
        """Return the columns at (n,) filters and temperatures of the tube.

        They are the offsets of all filters but the first, the drift, then what is weighed, own drifts, the bend and
        the creep; what is weighed and the creep are 0 here: as of the last run, at a true temperature.
        """
        warmth = (temperature_c - self.reference_c)[:, None]
        offsets = (filter_index[:, None] == np.arange(1, filters)).astype(float)
        parts = [offsets, warmth]
        parts += [np.zeros_like(warmth) for place in self.places(filters) if place is not None]
        if self.own_drift is not None:
            parts.append(warmth * (offsets - (filter_index[:, None] == 0) * np.array(self.own_drift)))
        if self.bend is not None:
            parts.append(warmth**2 - self.bend[0] - self.bend[1] * warmth)
        if self.creep is not None:
            parts.append(np.zeros_like(warmth))
        return np.hstack(parts)


def columns_of(season: Season, terms: Terms) -> Array:
    """Return the columns of a model at the runs of a season."""
    columns = terms.columns(season.filter_index, felt_temperature(season, terms.lag_min), season.filters)
    if terms.creep is not None:
        columns[:, -1] = season.since[:, CREEPS.index(terms.creep)]
    gap, within = terms.places(season.filters)
    if terms.gap_s is not None:
        columns[:, gap] = -1.0 * (season.time_s < terms.gap_s)
    if within is not None:
        warmth = columns[:, season.filters - 1]
        columns[:, within] = warmth - between_nights(season, warmth)
    return columns


def between_nights(season: Season, warmth: Array) -> Array:
    """Mean temperature of each run's night: its coefficient is the slope between nights less that within."""
    return (np.bincount(season.block, warmth) / np.bincount(season.block))[season.block]


def by_stretch(season: Season, warmth: Array) -> Array:
    """Columns of the temperature in each stretch but the first: their coefficients are changes of the drift."""
    return warmth[:, None] * (season.stretch[:, None] == np.arange(1, season.stretch[-1] + 1))


def felt_temperature(season: Season, lag_min: float) -> Array:
    """Temperature of a tube that follows the air with a lag, first order, at each run."""
    if season.log is None or lag_min <= 0.0:
        return season.temperature_c
    time_s, air = season.log
    behind = np.interp(season.time_s, time_s, follow(time_s, air, lag_min) - air, left=0.0, right=0.0)
    return season.temperature_c + behind


def near_log(moment: float, time_s: Array, temperature_c: Array) -> float | None:
    """Return the temperature of a log at a moment, None if the nearest reading is over half an hour away."""
    nearest = float(np.min(np.abs(time_s - moment)))
    return float(np.interp(moment, time_s, temperature_c)) if nearest <= NEAR_LOG_S else None


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
