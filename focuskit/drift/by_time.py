"""Filter offsets from runs without temperatures, by comparing runs close in time.

    position = base of the night + offset of the filter + curve over the time of night
             + slope of the night · hours + random walk within the night

The curve is common to all nights. How much the slopes of single nights differ from it and how far focus walks is not
chosen: fits for all sizes on a grid are averaged by restricted likelihood (Patterson & Thompson 1971) and a prior, so
that the error of an offset includes how far focus may have drifted between two runs. Rebuilds between nights have no
effect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import TOLERANCE_SCATTERS, unit_of_positions
from focuskit.core.times import HOUR_S
from focuskit.drift.checks import FEWEST_SHIFTS, is_apart
from focuskit.drift.choose import filter_key
from focuskit.drift.linear import Array, GroupedFit
from focuskit.drift.nights import NightFit, Nights, fit_nights
from focuskit.drift.outliers import OUTLIER_SIGMA, SoundRuns, find_sound
from focuskit.drift.result import ByTime, Drift, FilterOffset, SetAside, likely_tolerance, outlier
from focuskit.drift.scatter import NEGLIGIBLE, AveragedFit
from focuskit.drift.season import Season, Terms

_DAY_H = 24.0  # by definition
# Prior of the curve: its slope in the middle of the night is normal about 0 with one tolerance an hour (half a
# tolerance per °C, an aluminium tube of 1.4 m at f/7, times 2 °C an hour, a fast dusk; from memory); the change of the
# slope is such that it fades within the hours of a dusk.
_TOLERANCES_PER_H, _FADES_H = 1.0, 3.0
# Priors of what differs from night to night, log-normal with this width: spread of the slopes about a fifth of the
# above; the walk about a scatter of a run in a root of an hour, none with a probability of 0.2 (chosen on seasons whose
# tubes cool by 2 to 7 °C a night, where both show; with two nights the errors rest on them).
_SPREAD_OF_LOG, _MIDDLE_SLOPE, _MIDDLE_WALK, _NO_WALK = 1.0, 0.2, 1.0, 0.2
_SLOPES = np.geomspace(0.01, 2.0, 8)  # of the prior of the curve; below the first errors hardly change
_WALKS = np.append(0.0, np.geomspace(0.1, 12.8, 8))  # in scatters of a run, as those of a season with temperatures
_OUT = 1e6  # factor on the variance of a run that is set aside: it has no influence, and its distance is still known
_LEAST_FREE = 0.5  # degrees of freedom: fewer, part of one that the prior leaves, say nothing of the scatter (chosen)
_MOST_TURNS = 6  # of setting runs aside; seasons end after two or three


@dataclass(frozen=True)
class _Setup:
    """What is fitted, and the priors.

    Attributes
    ----------
    season : Season
        Cut so that each night has a base of its own.
    columns : (n, filters + 1) array
        Offsets, and the curve over the hours of the night.
    middle_h, hours : float, (n,) array
        Time of day (UTC hours) about which the runs were made, and hours from there.
    nights : Nights
    first : SoundRuns
        The first guess of which runs are sound, as if nights did not drift apart.
    variance : (n,) array
        Of single runs, up to a common factor, which is ``floor`` or more.
    has_error : bool
        False where neither the runs' errors nor their scatter say anything.
    steps_per_h : float
        Standard deviation of the prior of the curve's slope.
    """

    season: Season
    columns: Array
    middle_h: float
    hours: Array
    nights: Nights
    first: SoundRuns
    variance: Array
    floor: float
    has_error: bool
    steps_per_h: float

    @classmethod
    def of(cls, season: Season, filters: int, tolerance_steps: float | None) -> _Setup:
        middle_h, hours = _hours_of_night(season.time_s)
        season = season.cut(np.flatnonzero(np.diff(season.block)) + 1)
        offsets = (season.filter_index[:, None] == np.arange(1, filters)).astype(float)
        columns = np.column_stack([offsets, hours, hours**2])
        first = find_sound(season, columns)
        variance = season.variance + first.extra_variance
        has_error = bool(np.all(variance > 0.0))
        variance = variance if has_error else np.ones(len(hours))
        usual = TOLERANCE_SCATTERS * math.sqrt(float(np.median(variance)))
        steps_per_h = _TOLERANCES_PER_H * (tolerance_steps or usual)
        prior = np.append(np.zeros(filters - 1), [1.0 / steps_per_h, 2.0 * _FADES_H / steps_per_h])
        nights = Nights.of(season, columns, hours, prior)
        floor = float(first.extra_variance == 0.0)
        return cls(season, columns, middle_h, hours, nights, first, variance, floor, has_error, steps_per_h)

    @property
    def typical(self) -> float:
        """Variance of a typical run."""
        return float(np.median(self.variance))


@dataclass(frozen=True)
class _Averaged:
    """The fits on the grid whose weight counts, their weights, and the factor on the variances of runs in each."""

    trials: list[NightFit]
    weight: Array
    scale: Array

    @property
    def likely(self) -> NightFit:
        """The fit of the highest weight."""
        return self.trials[int(np.argmax(self.weight))]

    def offsets(self, filters: int, out: int) -> AveragedFit:
        """Return the fits of the offsets alone; ``out`` runs have no influence."""
        return AveragedFit(
            fits=tuple(_as_fit(one, s, filters) for one, s in zip(self.trials, self.scale, strict=True)),
            weight=self.weight,
            shift=np.zeros(len(self.weight)),
            walk=self.scale * [one.walk for one in self.trials],
            scale=self.scale,
            degrees=float(max(self.likely.free - out, 0)),
        )


def fit_by_time(
    chosen: Sequence[LoggedRun],
    names: Sequence[str | None],
    season: Season,
    tolerance_steps: float | None,
    raised: list[str],
    aside: list[SetAside],
    position_unit: str | None = None,
) -> Drift:
    """Learn the filter offsets of runs without temperatures.

    Parameters
    ----------
    chosen : sequence of LoggedRun
        The usable runs in order of time, those of ``season``, which is cut at rebuilds that are known.
    names : sequence of str or None
        The filters, the reference first.
    tolerance_steps : float or None
    raised, aside
        Flags and runs set aside so far.
    position_unit : str, optional
        As in `fit_drift`.
    """
    setup = _Setup.of(season, len(names), tolerance_steps)
    sound, found = _find_sound(setup)
    likely, variance = found.likely, float(found.weight @ found.scale) * setup.variance
    typical = float(np.median(variance))
    fit = found.offsets(len(names), int(np.sum(~sound)))
    used = tuple(run for run, good in zip(chosen, sound, strict=True) if good)
    unit = unit_of_positions(position_unit, likely_tolerance(used, tolerance_steps, math.sqrt(typical)))
    aside += [outlier(chosen[i], likely.off[i], variance[i], unit) for i in np.flatnonzero(~sound).tolist()]
    filters = _filters(names, used, fit, setup.has_error)
    extra = max(typical - float(np.median(setup.season.variance)), 0.0)
    flags = [*raised, *_flags(filters, setup.season.only(sound), fit.degrees, bool(np.any(~sound)))]
    return Drift(
        rig=chosen[0].rig,
        reference_filter=names[0],
        reference_c=0.0,
        steps_per_c=None,
        steps_per_c_err=None,
        range_c=None,
        filters=filters,
        rebuilds=(),
        scatter_steps=math.sqrt(typical) if setup.has_error and fit.degrees else None,
        extra_scatter_steps=math.sqrt(extra) if setup.has_error else None,
        night_scatter_steps=None,
        tolerance_steps=tolerance_steps,
        used=used,
        residuals_steps=(setup.variance * likely.unlike)[sound],
        set_aside=tuple(sorted(aside, key=lambda one: one.run.time)),
        models=(),
        advice=(),
        flags=check(flags),
        terms=Terms(0.0),
        fit=fit,
        by_time=_by_time(setup, found, sound),
        position_unit=unit,
    )


def _hours_of_night(time_s: Array) -> tuple[float, Array]:
    """Return the time of day (UTC hours) about which the runs were made, and hours of the night from there."""
    turn = np.exp(2j * np.pi * time_s / (_DAY_H * HOUR_S))
    middle = float(np.angle(turn.mean())) / (2.0 * np.pi) * _DAY_H % _DAY_H
    return middle, (time_s / HOUR_S - middle + _DAY_H / 2.0) % _DAY_H - _DAY_H / 2.0


def _find_sound(setup: _Setup) -> tuple[NDArray[np.bool_], _Averaged]:
    """Set aside runs far off the fit to all others, where focus may have drifted too; return the final fits.

    The first guess does not know that nights drift apart: runs come back, too.
    """
    nights, typical, sound, seen = setup.nights, setup.typical, setup.first.sound, set[bytes]()
    for _ in range(_MOST_TURNS):
        seen.add(sound.tobytes())
        grown = np.zeros(nights.taken.shape)
        grown[nights.taken] = np.where(sound, setup.variance, _OUT * typical)
        found = _average(setup, grown, int(np.sum(~sound)))
        likely = found.likely
        own = np.where(sound, 0.0, _OUT * typical - setup.variance)
        err2 = np.maximum(1.0 / np.maximum(likely.precision, 1e-300) - own, setup.variance)
        err2 *= float(found.weight @ found.scale)
        limit = -float(stdtrit(max(likely.free - int(np.sum(~sound)), 1), ndtr(-OUTLIER_SIGMA)))
        now = likely.off**2 <= limit**2 * err2
        if now.tobytes() in seen:
            break
        sound = now
    return sound, found


def _average(setup: _Setup, variance: Array, out: int) -> _Averaged:
    """Weigh fits with all spreads of the slopes and all walks; ``out`` runs have no influence."""
    trials, log_weight, scales = [], [], []
    for slope in _SLOPES.tolist():
        for walk in _WALKS.tolist():
            trial = fit_nights(setup.nights, variance, (slope * setup.steps_per_h) ** 2, walk**2 * setup.typical)
            free = trial.free - out
            scale = max(trial.chi2 / free, setup.floor, 1e-100) if free > _LEAST_FREE else 1.0
            restricted = trial.log_determinant + max(free, 0.0) * math.log(scale) + trial.chi2 / scale
            log_weight.append(_log_prior(slope, walk) - 0.5 * restricted)
            trials.append(trial)
            scales.append(scale)
    weight = np.exp(np.array(log_weight) - max(log_weight))
    kept = np.flatnonzero(weight > NEGLIGIBLE)
    return _Averaged([trials[i] for i in kept], weight[kept] / weight[kept].sum(), np.array(scales)[kept])


def _log_prior(slope: float, walk: float) -> float:
    """Log of the prior at one place of the grid, up to a constant; places are at equal distances in the logarithms."""
    of_slope = -0.5 * (math.log(slope / _MIDDLE_SLOPE) / _SPREAD_OF_LOG) ** 2
    if walk == 0.0:
        return of_slope + math.log(_NO_WALK)
    step = math.log(_WALKS[2] / _WALKS[1]) / _SPREAD_OF_LOG / math.sqrt(2.0 * math.pi)
    of_walk = -0.5 * (math.log(walk / _MIDDLE_WALK) / _SPREAD_OF_LOG) ** 2
    return of_slope + of_walk + math.log((1.0 - _NO_WALK) * step)


def _as_fit(trial: NightFit, scale: float, filters: int) -> GroupedFit:
    """Return a fit with the offsets, and with a drift with temperature that is not determined."""
    offsets = filters - 1

    def framed(matrix: Array) -> Array:
        out = np.zeros((filters, filters))
        out[:offsets, :offsets] = matrix[:offsets, :offsets]
        return out

    lost = np.linalg.qr(trial.undetermined[:offsets])[0] if trial.undetermined.size else np.zeros((offsets, 0))
    undetermined = np.zeros((filters, lost.shape[1] + 1))
    undetermined[:offsets, 1:], undetermined[offsets, 0] = lost, 1.0
    return GroupedFit(
        coefficients=np.append(trial.coefficients[:offsets], 0.0),
        covariance=scale * framed(trial.covariance),
        undetermined=undetermined,
        scale=np.append(trial.scale_of[:offsets], 1.0),
        bases=trial.bases,
        base_weight=trial.base_weight / scale,
        centre=np.column_stack([trial.centre[:, :offsets], np.zeros(len(trial.bases))]),
        residuals=trial.unlike,
        leverage=trial.precision,
        white=np.zeros((0, 0)),
        log_determinant=trial.log_determinant,
        log_variance=0.0,
        chi2=trial.chi2,
    )


def _filters(
    names: Sequence[str | None], used: Sequence[LoggedRun], fit: AveragedFit, has_error: bool
) -> tuple[FilterOffset, ...]:
    filters = []
    for i, name in enumerate(names):
        value, err = (0.0, 0.0) if i == 0 else fit.contrast(np.arange(len(names)) == i - 1)
        runs = sum(filter_key(run.filter) == filter_key(name) for run in used)
        known = has_error and (runs > 0 or i == 0)
        filters.append(FilterOffset(name, value if known else None, err if known else None, runs, None, None))
    return tuple(filters)


def _by_time(setup: _Setup, found: _Averaged, sound: NDArray[np.bool_]) -> ByTime:
    """Sum up how focus moved over the nights."""
    curves = np.array([one.coefficients[-2:] for one in found.trials])
    variance = np.array([np.diag(one.covariance)[-2:] for one in found.trials]) * found.scale[:, None]
    curve = found.weight @ curves
    err = np.sqrt(found.weight @ (variance + (curves - curve) ** 2))
    slope, walk = (
        found.weight @ (found.scale * [getattr(one, name) for one in found.trials]) for name in ("slope", "walk")
    )
    likely, season = found.likely, setup.season
    moved = season.position - likely.bases[season.block] - setup.columns[:, :-2] @ likely.coefficients[:-2]
    return ByTime(
        setup.middle_h,
        float(curve[0]),
        float(err[0]),
        float(curve[1]),
        math.sqrt(slope),
        math.sqrt(walk),
        setup.hours[sound],
        moved[sound],
    )


def _flags(filters: Sequence[FilterOffset], season: Season, degrees: float, has_outliers: bool) -> list[str]:
    raised = {
        "no_thermometer": True,
        "wild_runs": has_outliers,
        "too_few_runs": degrees <= _LEAST_FREE,
        "one_run_filter": any(one.runs == 1 for one in filters) and len(filters) > 1,
        "offset_unknown": any(one.offset_steps is None for one in filters[1:]),
        "no_shared_night": is_apart(season),
        "shifts_assumed": np.sum(np.bincount(season.block) > 1) < FEWEST_SHIFTS,
    }
    return [name for name, is_so in raised.items() if is_so]
