"""What more the data may ask for than one drift and fixed offsets, weighed by AICc.

Drifts of their own for the filters, a bend with temperature, a lag of the tube behind the air, a creep with
time or a slip with every run: each is tried on top of the plain model, and taken up only if it lowers AICc
(Sugiura 1978; Hurvich & Tsai 1989) by more than `MARGIN`, so that a plain season hardly ever pays for one: a
needless drift of its own costs a filter that was used at one temperature its offset. Shifts from night to
night are always in the fit, here as large as is most likely: else a bend or a lag could stand in for them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from focuskit.core.statistics import SEEN_SIGMA
from focuskit.drift.linear import Array
from focuskit.drift.scatter import Trial, average_shifts, highest, likely_walk, try_shift
from focuskit.drift.season import CREEPS, Season, Terms, between_nights, by_stretch, columns_of, felt_temperature

# Beyond this the plain model has essentially no support (Burnham & Anderson 2002, section 2.6; from memory).
MARGIN = 10.0
# Minutes; a tube that lags by more follows the mean of a night rather than its air (chosen).
_LAGS_MIN = (5.0, 10.0, 20.0, 40.0, 60.0, 90.0, 120.0, 180.0, 240.0)
# Fewer nights do not tell a variance of their shifts (chosen).
_FEWEST_NIGHTS = 4
# With fewer nights a creep looks like their shifts (measured: with 6 nights that shift by three scatters a
# false one was taken in 3 of 40 seasons).
_FEWEST_OF_A_CREEP = 10
# Two runs of a filter lie on any line of its own, and of three an outlier takes it along.
_FEWEST_OF_A_FILTER = 4


# What may look like a richer model, and raises a flag of its own: it is taken only where it explains more. Errors of
# the temperatures draw the slope within nights to zero, and what is left between them looks like a creep through the
# season; a drift that changed at a rebuild looks like a bend.
_RIVALS = {"creep": between_nights, "slip": between_nights, "bend": by_stretch}


@dataclass(frozen=True)
class Weighed:
    """One richer model and what AICc says of it.

    Attributes
    ----------
    name : str
        ``own_coefficients``, ``bend``, ``lag``, ``creep``, ``slip`` or ``night_shifts``.
    aicc_change : float or None
        AICc less that of the plain model; None where it could not be fitted.
    taken : bool
        Whether the answer rests on it; shifts from night to night always are, and are taken where they show.
    value : float or None
        Bend in steps/°C², lag in minutes, creep in steps a day, slip in steps a run, night shifts in steps (one
        standard deviation).
    """

    name: str
    aicc_change: float | None
    taken: bool
    value: float | None


def corrected_aic(deviance: float, parameters: int, n: int) -> float:
    """Return AICc: deviance + 2k + 2k(k + 1)/(n - k - 1); infinite where n is too small for it."""
    if n - parameters - 1 <= 0:
        return math.inf
    return deviance + 2.0 * parameters * n / (n - parameters - 1)


def weigh_models(season: Season, variance: Array, floor: float, plain: Terms) -> tuple[Terms, tuple[Weighed, ...]]:
    """Try the richer models and keep those the data ask for.

    Parameters
    ----------
    season : Season
        Of the runs that are sound.
    variance : (n,) array
        Of single runs, see `average_shifts`, as ``floor``.

    Returns
    -------
    terms : Terms
        With the terms that were taken.
    weighed : tuple of Weighed
        AICc of each against the plain model.
    """

    walk = likely_walk(season, columns_of(season, plain), variance, floor)

    def trial(terms: Terms, shifts: bool = True) -> Trial:
        return highest(season, columns_of(season, terms), variance, floor, shifts=shifts, walk=walk)

    def aicc(terms: Terms, found: Trial, shifts: bool = True) -> float:
        parameters = found.rank + 1 + (terms.lag_min > 0.0) + shifts
        return corrected_aic(found.deviance, parameters, len(variance))

    def rival(terms: Terms, more: Callable[[Season, Array], Array]) -> float:
        columns = columns_of(season, terms)
        columns = np.column_stack([columns, more(season, columns[:, season.filters - 1])])
        return aicc(terms, highest(season, columns, variance, floor, walk=walk))

    first = trial(plain)
    best = base = aicc(plain, first)
    terms, weighed = plain, []
    while True:
        tried: dict[str, tuple[Terms, float]] = {}
        for name in ("own_coefficients", "bend", "lag", *CREEPS):
            richer = _richer(season, terms, name, variance, first)
            change, value = None, None
            if richer is not None:
                found = trial(richer)
                tried[name] = richer, aicc(richer, found)
                change = tried[name][1] - base if math.isfinite(tried[name][1] - base) else None
                value = _value(richer, found, name)
            if terms == plain:
                weighed.append(Weighed(name, change, False, value))
        for name, more in _RIVALS.items():
            if name in tried and not tried[name][1] < rival(terms, more):
                del tried[name]
        lower = {key: tried[key][1] + _margin(season, key) for key in tried}
        ranked = [key for key in sorted(lower, key=lambda key: lower[key]) if lower[key] < best]
        name = next((key for key in ranked if _is_seen(season, tried[key][0], key, variance, floor)), "")
        if not name:
            break
        terms, best = tried[name]
    # a bend that AICc prefers without proving it is weighed in the fit, not taken
    if "bend" in tried and tried["bend"][1] < best:
        terms = replace(tried["bend"][0], bend_open=True)
    taken = dict(zip(("own_coefficients", "bend", "lag"), terms.kinds[:3], strict=True))
    settled = [replace(one, taken=taken.get(one.name, one.name == terms.creep)) for one in weighed]
    shifted, level = trial(terms), trial(terms, shifts=False)
    change = aicc(terms, shifted) - aicc(terms, level, shifts=False)
    return terms, (*settled, _night_shifts(season, change, math.sqrt(shifted.shift * shifted.scale)))


def _night_shifts(season: Season, change: float, shift_steps: float) -> Weighed:
    """Return what AICc says of shifts between nights; nothing with few nights, or one run in each."""
    nights = season.block[-1] - season.stretch[-1]
    if nights < _FEWEST_NIGHTS - 1 or nights == len(season.block) - 1:
        return Weighed("night_shifts", None, False, None)
    return Weighed("night_shifts", change if math.isfinite(change) else None, -math.inf < change < -MARGIN, shift_steps)


def _is_seen(season: Season, terms: Terms, name: str, variance: Array, floor: float) -> bool:
    """Whether a bend or a creep is significant with shifts of all sizes, not only with the likeliest.

    A few nights lie near a line by chance, and with that line their likeliest shifts are too small.
    """
    if name not in ("bend", *CREEPS):
        return True
    columns = columns_of(season, terms)
    place = columns.shape[1] + _place_from_end(terms, name)
    fit = average_shifts(season, columns, variance, floor)
    return fit.significance(np.arange(columns.shape[1]) == place) > SEEN_SIGMA


def _place_from_end(terms: Terms, name: str) -> int:
    """Place of the column of a bend or a creep, from the end."""
    return terms.bend_from_end if name == "bend" else -1


def _margin(season: Season, name: str) -> float:
    """How far AICc must fall: two more for each parameter of the model beyond its first."""
    return MARGIN + 2.0 * (season.filters - 2 if name == "own_coefficients" else 0)


def _richer(season: Season, terms: Terms, name: str, variance: Array, first: Trial) -> Terms | None:
    """Return the terms with one more, or None where it is among them or cannot be tried."""
    if name in CREEPS:
        nights = season.block[-1] - season.stretch[-1] + 1
        return replace(terms, creep=name) if terms.creep is None and nights >= _FEWEST_OF_A_CREEP else None
    if name == "own_coefficients":
        runs = np.bincount(season.filter_index, minlength=season.filters)
        if terms.own_drift is not None or season.filters < 2 or runs.min() < _FEWEST_OF_A_FILTER:
            return None
        return replace(terms, own_drift=tuple(runs[1:] / max(runs[0], 1)))
    if name == "bend":
        if terms.bend is not None:
            return None
        warmth = felt_temperature(season, terms.lag_min) - terms.reference_c
        off = warmth - warmth.mean()
        slope = float(off @ warmth**2) / max(float(off @ off), 1e-12)
        return replace(terms, bend=(float(np.mean(warmth**2)) - slope * float(warmth.mean()), slope))
    if season.log is None or terms.lag_min > 0.0:
        return None

    def of_lag(lag_min: float) -> float:
        columns = columns_of(season, replace(terms, lag_min=lag_min))
        return try_shift(season, columns, variance, first.shift, walk=first.walk).deviance

    at = int(np.argmin([of_lag(lag) for lag in _LAGS_MIN]))
    bounds = _LAGS_MIN[max(at - 1, 0)], _LAGS_MIN[min(at + 1, len(_LAGS_MIN) - 1)]
    found = optimize.minimize_scalar(of_lag, bounds=bounds, method="bounded", options={"xatol": 0.5})
    return replace(terms, lag_min=float(found.x))


def _value(terms: Terms, found: Trial, name: str) -> float | None:
    """Bend, lag or creep of a model."""
    if name == "lag":
        return terms.lag_min
    if name == "own_coefficients":
        return None
    return float(found.fit.coefficients[_place_from_end(terms, name)])
