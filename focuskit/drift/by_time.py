"""Filter offsets from runs without temperatures: what is compared are runs close in time.

    position = base of the night + offset of the filter + curve over the time of night
             + slope of the night · hours + random walk within the night

The curve is common to all nights. How far the slopes of single nights differ from it and how far focus walks is not
chosen: fits for all sizes on a grid are averaged by restricted likelihood (Patterson & Thompson 1971) and a prior, so
that what may have drifted between two runs is in the error of an offset. Rebuilds between nights cost nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import unit_of_positions
from focuskit.core.reasons import Reason
from focuskit.core.text import two_digits
from focuskit.core.times import HOUR_S
from focuskit.drift.checks import FEWEST_SHIFTS, is_apart
from focuskit.drift.choose import filter_key
from focuskit.drift.linear import Array, GroupedFit
from focuskit.drift.nights import NightFit, Nights, fit_nights
from focuskit.drift.outliers import OUTLIER_SIGMA, SoundRuns, find_sound
from focuskit.drift.result import ByTime, Drift, FilterOffset, SetAside, likely_tolerance
from focuskit.drift.scatter import AveragedFit
from focuskit.drift.season import Season, Terms

_DAY_H = 24.0
# Prior of the curve: its slope in the middle of the night is normal about 0 with one tolerance an hour (half a
# tolerance per °C, an aluminium tube of 1.4 m at f/7, times 2 °C an hour, a fast dusk; from memory); the change of the
# slope is such that it fades within the hours of a dusk.
_TOLERANCES_PER_H, _FADES_H = 1.0, 3.0
# A tolerance in scatters of a run where no run tells its own (chosen: runs of a night reach a sixth of it).
_TOLERANCE = 6.0
# Priors of what differs from night to night, log-normal with this width: spread of the slopes about a fifth of the
# above; the walk about a scatter of a run in a root of an hour, none with a probability of 0.2 (chosen on seasons whose
# tubes cool by 2 to 7 °C a night, where both show; with two nights the errors rest on them).
_SPREAD_OF_LOG, _MIDDLE_SLOPE, _MIDDLE_WALK, _NO_WALK = 1.0, 0.2, 1.0, 0.2
_SLOPES = np.geomspace(0.01, 2.0, 8)  # of the prior of the curve; below the first errors hardly change
_WALKS = np.append(0.0, np.geomspace(0.1, 12.8, 8))  # in scatters of a run, as those of a season with temperatures
_NEGLIGIBLE = 1e-4
_OUT = 1e6  # times the variance of a run that is set aside: it bears on nothing, and what speaks of it is kept
_MOST_TURNS = 6  # of setting runs aside; seasons end after two or three


@dataclass(frozen=True)
class _Averaged:
    """Fits on the grid that bear on the answer, the weight of each, and the variance of runs in it."""

    trials: list[NightFit]
    weight: Array
    scale: Array

    @property
    def likely(self) -> NightFit:
        """The fit of the highest weight."""
        return self.trials[int(np.argmax(self.weight))]

    def offsets(self, filters: int, out: int) -> AveragedFit:
        """Return the fits of the offsets alone, from all runs but ``out``."""
        return AveragedFit(
            fits=tuple(_as_fit(one, s, filters) for one, s in zip(self.trials, self.scale, strict=True)),
            weight=self.weight,
            shift=np.zeros(len(self.weight)),
            walk=self.scale * [one.walk for one in self.trials],
            scale=self.scale,
            degrees=float(max(self.likely.free - out, 0)),
        )


def _average(nights: Nights, variance: Array, out: int, floor: float, typical: float, steps_per_h: float) -> _Averaged:
    """Weigh fits with all spreads of the slopes and all walks.

    ``out`` runs bear on nothing; ``floor`` is the least factor on the variances.
    """
    trials, log_weight, scales = [], [], []
    for slope in _SLOPES.tolist():
        for walk in _WALKS.tolist():
            trial = fit_nights(nights, variance, (slope * steps_per_h) ** 2, walk**2 * typical)
            free = trial.free - out
            scale = max(trial.chi2 / free, floor, 1e-100) if free > 0 else 1.0
            restricted = trial.log_determinant + max(free, 0) * math.log(scale) + trial.chi2 / scale
            log_weight.append(_log_prior(slope, walk) - 0.5 * restricted)
            trials.append(trial)
            scales.append(scale)
    weight = np.exp(np.array(log_weight) - max(log_weight))
    kept = np.flatnonzero(weight > _NEGLIGIBLE)
    return _Averaged([trials[i] for i in kept], weight[kept] / weight[kept].sum(), np.array(scales)[kept])


def _log_prior(slope: float, walk: float) -> float:
    """Log of the prior at one place of the grid, which is even in the logarithms, up to a constant."""
    of_slope = -0.5 * (math.log(slope / _MIDDLE_SLOPE) / _SPREAD_OF_LOG) ** 2
    if walk == 0.0:
        return of_slope + math.log(_NO_WALK)
    step = math.log(_WALKS[2] / _WALKS[1]) / _SPREAD_OF_LOG / math.sqrt(2.0 * math.pi)
    of_walk = -0.5 * (math.log(walk / _MIDDLE_WALK) / _SPREAD_OF_LOG) ** 2
    return of_slope + of_walk + math.log((1.0 - _NO_WALK) * step)


def fit_by_time(
    chosen: Sequence[LoggedRun],
    names: Sequence[str | None],
    season: Season,
    tolerance_steps: float | None,
    raised: list[str],
    aside: list[SetAside],
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
    """
    middle_h, hours = _hours_of_night(season.time_s)
    season = season.cut(np.flatnonzero(np.diff(season.block)) + 1)  # each night has a base of its own
    offsets = (season.filter_index[:, None] == np.arange(1, len(names))).astype(float)
    columns = np.column_stack([offsets, hours, hours**2])
    runs = find_sound(season, columns)
    extra = runs.extra_variance
    has_error = bool(np.all(season.variance + extra > 0.0))
    variance = season.variance + extra if has_error else np.ones(len(hours))
    typical = float(np.median(variance))
    steps_per_h = _TOLERANCES_PER_H * (tolerance_steps or _TOLERANCE * math.sqrt(typical))
    prior = np.append(np.zeros(len(names) - 1), [1.0 / steps_per_h, 2.0 * _FADES_H / steps_per_h])
    nights = Nights.of(season, columns, hours, prior)
    sound, found = _find_sound(nights, runs, variance, float(extra == 0.0), typical, steps_per_h)
    likely = found.likely
    scale = float(found.weight @ found.scale)
    aside += [_outlier(chosen[i], likely.off[i], scale * variance[i]) for i in np.flatnonzero(~sound).tolist()]
    fit = found.offsets(len(names), int(np.sum(~sound)))
    used = tuple(run for run, good in zip(chosen, sound, strict=True) if good)
    filters = _filters(names, used, fit, has_error)
    by_time = _by_time(found, season, columns, middle_h, hours, sound)
    kept = season.only(sound)
    flags = [*raised, *_flags(filters, kept, fit.degrees, bool(np.any(~sound)))]
    return Drift(
        rig=chosen[0].rig,
        reference_filter=names[0],
        reference_c=0.0,
        steps_per_c=None,
        steps_per_c_err=None,
        range_c=None,
        filters=filters,
        rebuilds=(),
        scatter_steps=math.sqrt(scale * typical) if has_error and fit.degrees else None,
        extra_scatter_steps=math.sqrt(max(scale * typical - float(np.median(season.variance)), 0.0))
        if has_error
        else None,
        night_scatter_steps=None,
        tolerance_steps=tolerance_steps,
        used=used,
        residuals_steps=(variance * likely.unlike)[sound],
        set_aside=tuple(sorted(aside, key=lambda one: one.run.time)),
        models=(),
        advice=(),
        flags=check(flags),
        terms=Terms(0.0),
        fit=fit,
        by_time=by_time,
        position_unit=unit_of_positions(None, likely_tolerance(used, tolerance_steps, math.sqrt(scale * typical))),
    )


def _hours_of_night(time_s: Array) -> tuple[float, Array]:
    """Return the hour (UTC) about which the runs lie, and hours of the night from there."""
    turn = np.exp(2j * np.pi * time_s / (_DAY_H * HOUR_S))
    middle = float(np.angle(turn.mean())) / (2.0 * np.pi) * _DAY_H % _DAY_H
    return middle, (time_s / HOUR_S - middle + _DAY_H / 2.0) % _DAY_H - _DAY_H / 2.0


def _find_sound(
    nights: Nights, runs: SoundRuns, variance: Array, floor: float, typical: float, steps_per_h: float
) -> tuple[NDArray[np.bool_], _Averaged]:
    """Set aside runs far off the fit to all others, what may have drifted included; return the final fits.

    The first guess does not know that nights drift apart: runs come back, too.
    """
    sound, seen = runs.sound, set[bytes]()
    for _ in range(_MOST_TURNS):
        seen.add(sound.tobytes())
        grown = np.zeros(nights.taken.shape)
        grown[nights.taken] = np.where(sound, variance, _OUT * typical)
        out = int(np.sum(~sound))
        found = _average(nights, grown, out, floor, typical, steps_per_h)
        likely = found.likely
        own = np.where(sound, 0.0, _OUT * typical - variance)
        err2 = np.maximum(1.0 / np.maximum(likely.precision, 1e-300) - own, variance) * float(
            found.weight @ found.scale
        )
        limit = float(stats.t.isf(stats.norm.sf(OUTLIER_SIGMA), max(likely.free - out, 1)))
        now = likely.off**2 <= limit**2 * err2
        if now.tobytes() in seen:
            break
        sound = now
    return sound, found


def _outlier(run: LoggedRun, off: float, variance: float) -> SetAside:
    moved = ("+" if off >= 0.0 else "-") + two_digits(abs(off))
    return SetAside(
        run, Reason("outlier", f"wild: {moved} steps off, {abs(off) / math.sqrt(variance):.0f} standard errors")
    )


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


def _by_time(
    found: _Averaged, season: Season, columns: Array, middle_h: float, hours: Array, sound: NDArray[np.bool_]
) -> ByTime:
    """Sum up how focus moved over the nights."""
    curves = np.array([one.coefficients[-2:] for one in found.trials])
    variance = np.array([np.diag(one.covariance)[-2:] for one in found.trials]) * found.scale[:, None]
    curve = found.weight @ curves
    err = np.sqrt(found.weight @ (variance + (curves - curve) ** 2))
    slope, walk = (
        found.weight @ (found.scale * [getattr(one, name) for one in found.trials]) for name in ("slope", "walk")
    )
    likely = found.likely
    moved = season.position - likely.bases[season.block] - columns[:, :-2] @ likely.coefficients[:-2]
    return ByTime(
        middle_h,
        float(curve[0]),
        float(err[0]),
        float(curve[1]),
        math.sqrt(slope),
        math.sqrt(walk),
        hours[sound],
        moved[sound],
    )


def _flags(filters: Sequence[FilterOffset], season: Season, degrees: float, has_outliers: bool) -> list[str]:
    raised = {
        "no_thermometer": True,
        "wild_runs": has_outliers,
        "too_few_runs": degrees <= 0.0,
        "one_run_filter": any(one.runs == 1 for one in filters) and len(filters) > 1,
        "offset_unknown": any(one.offset_steps is None for one in filters[1:]),
        "no_shared_night": is_apart(season),
        "shifts_assumed": np.sum(np.bincount(season.block) > 1) < FEWEST_SHIFTS,
    }
    return [name for name, is_so in raised.items() if is_so]
