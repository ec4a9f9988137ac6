"""What more the data may ask for than one drift and fixed offsets, weighed by AICc.

Drifts of their own for the filters, a bend with temperature, a lag of the tube behind the air,
shifts from night to night: each is tried on top of the plain model, and taken up only if it lowers
AICc (Sugiura 1978; Hurvich & Tsai 1989) by more than `MARGIN`, so that a plain season hardly ever
pays for one: a needless drift of its own costs a filter that was used at one temperature its offset.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from focuskit.drift.linear import fit_grouped
from focuskit.drift.scatter import split_scatter
from focuskit.drift.season import Season, Terms, columns_of, felt_temperature

# Beyond this the plain model has essentially no support (Burnham & Anderson 2002, section 2.6; from memory).
MARGIN = 10.0
# Minutes; a tube that lags by more follows the mean of a night rather than its air (chosen).
_LAGS_MIN = (5.0, 10.0, 20.0, 40.0, 60.0, 90.0, 120.0, 180.0, 240.0)
# Fewer nights do not tell a variance of their shifts (chosen).
_FEWEST_NIGHTS = 4


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


def corrected_aic(deviance: float, parameters: int, n: int) -> float:
    """Return AICc: deviance + 2k + 2k(k + 1)/(n - k - 1); infinite where n is too small for it."""
    if n - parameters - 1 <= 0:
        return math.inf
    return deviance + 2.0 * parameters * n / (n - parameters - 1)


def weigh_models(season: Season, extra: float, plain: Terms) -> tuple[Terms, bool, tuple[Weighed, ...]]:
    """Try the richer models and keep those the data ask for.

    Parameters
    ----------
    season : Season
        Of the runs that the plain model finds sound: were each model to choose its runs, a richer one
        could bend towards an outlier.
    extra : float
        Their extra variance, roughly.

    Returns
    -------
    terms : Terms
        With the fixed terms that were taken.
    night_shifts : bool
        Whether shifts from night to night were taken.
    weighed : tuple of Weighed
        AICc of each against the plain model.
    """
    # were shifts from night to night left out here, a bend or a lag could stand in for them
    nights = _night_shifts(season, plain, extra)
    best = base = _aicc(season, plain, extra, nights.taken)[0]
    terms, weighed = plain, []
    while True:
        tried: dict[str, tuple[Terms, float]] = {}
        for name in ("own_coefficients", "bend", "lag"):
            richer = _richer(season, terms, extra, name, nights.taken)
            if richer is not None:
                tried[name] = richer, _aicc(season, richer, extra, nights.taken)[0]
            if terms == plain:
                change = tried[name][1] - base if name in tried else math.inf
                value = _value(season, tried[name][0], extra, name) if name in tried else None
                weighed.append(Weighed(name, change if math.isfinite(change) else None, False, value))
        name = min(tried, key=lambda key: tried[key][1] + _margin(season, key), default="")
        if not name or not tried[name][1] < best - _margin(season, name):
            break
        terms, best = tried[name]
    if terms != plain:
        nights = _night_shifts(season, terms, extra)
    taken = {"own_coefficients": terms.own_drift is not None, "bend": terms.bend is not None, "lag": terms.lag_min > 0}
    return terms, nights.taken, (*(replace(one, taken=taken[one.name]) for one in weighed), nights)


def _margin(season: Season, name: str) -> float:
    """How far AICc must fall: two more for each parameter of the model beyond its first."""
    return MARGIN + 2.0 * (season.filters - 2 if name == "own_coefficients" else 0)


def _richer(season: Season, terms: Terms, extra: float, name: str, shifts: bool) -> Terms | None:
    """Return the terms with one more, or None where it is among them or cannot be tried."""
    if name == "own_coefficients":
        if terms.own_drift is not None or season.filters < 2:
            return None
        runs = np.bincount(season.filter_index, minlength=season.filters)
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
        return _aicc(season, replace(terms, lag_min=lag_min), extra, shifts)[0]

    at = int(np.argmin([of_lag(lag) for lag in _LAGS_MIN]))
    bounds = _LAGS_MIN[max(at - 1, 0)], _LAGS_MIN[min(at + 1, len(_LAGS_MIN) - 1)]
    found = optimize.minimize_scalar(of_lag, bounds=bounds, method="bounded", options={"xatol": 0.5})
    return replace(terms, lag_min=float(found.x))


def _value(season: Season, terms: Terms, extra: float, name: str) -> float | None:
    """Bend or lag of a model."""
    if name != "bend":
        return terms.lag_min if name == "lag" else None
    variance = np.maximum(season.variance + extra, 1e-12)
    return float(fit_grouped(columns_of(season, terms), season.position, variance, season.stretch).coefficients[-1])


def _aicc(season: Season, terms: Terms, extra: float, shifts: bool) -> tuple[float, float]:
    """AICc of a model, and the variance of the nights' shifts in it."""
    columns = columns_of(season, terms)
    found = split_scatter(season, columns, extra, shifts, restricted=False)
    rank = fit_grouped(columns, season.position, np.maximum(season.variance + extra, 1e-12), season.stretch).rank
    parameters = rank + 1 + (terms.lag_min > 0.0) + shifts
    return corrected_aic(found.deviance, parameters, len(season.position)), found.shift


def _night_shifts(season: Season, terms: Terms, extra: float) -> Weighed:
    """Weigh shifts from night to night on top of the terms."""
    nights = len(np.unique(season.night))
    plain, _ = _aicc(season, terms, extra, shifts=False)
    rank = season.stretch[-1] + 1 + columns_of(season, terms).shape[1]
    if nights < _FEWEST_NIGHTS or len(season.position) < nights + rank + 4:
        return Weighed("night_shifts", None, False, None)
    shifted, shift = _aicc(season, terms, extra, shifts=True)
    return Weighed("night_shifts", shifted - plain, shifted - plain < -MARGIN, math.sqrt(shift))
