"""How much of the scatter comes with each run, and how much with each night, by likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from focuskit.drift.linear import Array, fit_grouped, sum_by
from focuskit.drift.season import Season


@dataclass(frozen=True)
class Scatter:
    """Variances and what they explain.

    Attributes
    ----------
    extra : float
        Variance of a run on top of its own.
    shift : float
        Variance of the shifts from night to night.
    deviance : float
        -2 log likelihood, up to a constant.
    """

    extra: float
    shift: float
    deviance: float


def deviance(season: Season, columns: Array, extra: float, shift: float, restricted: bool = False) -> float:
    """Return -2 log of the likelihood of all runs of a season, up to a constant.

    Parameters
    ----------
    columns : (n, p) array
    extra : float
        Variance of a run on top of its own.
    shift : float
        Variance of the shifts from night to night.
    restricted : bool
        The restricted likelihood (Patterson & Thompson 1971) in place of the full one.
    """
    variance, block = season.variance + extra, season.block
    fit = fit_grouped(columns, season.position, variance, season.stretch, block, shift)
    spread = float(np.sum(np.log(variance)) + np.sum(np.log1p(shift * sum_by(1.0 / variance, block))))
    return fit.chi2 + spread + (fit.log_determinant if restricted else 0.0)


def split_scatter(season: Season, columns: Array, typical: float, shifts: bool, restricted: bool = True) -> Scatter:
    """Split the scatter of sound runs into that of the runs and that of the nights.

    Parameters
    ----------
    typical : float
        Extra variance to start from.
    shifts : bool
        Whether nights may shift.
    """

    typical = max(typical, 0.01 * float(np.median(season.variance)), 1e-9)

    def at(log_extra: float, shift: float = 0.0) -> Scatter:
        extra = typical * math.exp(log_extra)
        return Scatter(extra, shift, deviance(season, columns, extra, shift, restricted))

    log_extra = optimize.minimize_scalar(lambda log: at(log).deviance, bounds=(-6.0, 1.5), method="bounded",
                                         options={"xatol": 0.001}).x  # fmt: skip
    candidates = [at(float(log_extra))]
    if float(np.min(season.variance)) > 0.0:
        candidates.append(Scatter(0.0, 0.0, deviance(season, columns, 0.0, 0.0, restricted)))
    if shifts:
        # the square lets the shift reach zero; some fifty fits, a search within a search takes three hundred
        found = optimize.minimize(lambda x: at(x[0], typical * x[1] ** 2).deviance, [float(log_extra), 1.0],
                                  method="Nelder-Mead", options={"xatol": 1e-3, "fatol": 1e-6})  # fmt: skip
        candidates.append(at(float(found.x[0]), typical * float(found.x[1]) ** 2))
    # simpler ones come first, and win a draw
    return min(candidates, key=lambda one: round(one.deviance, 5))


def likely_shift(season: Season, columns: Array, extra: float, restricted: bool = False) -> Scatter:
    """Return the scatter with the shifts from night to night that are most likely beside an extra variance."""

    def at(shift: float) -> float:
        return deviance(season, columns, extra, shift, restricted)

    typical = 1.0 / float(np.median(sum_by(1.0 / (season.variance + extra), season.block)))
    none = at(0.0)
    if at(0.01 * typical) >= none:
        return Scatter(extra, 0.0, none)
    found = optimize.minimize_scalar(lambda log: at(typical * math.exp(log)), bounds=(-5.0, 12.0),
                                     method="bounded", options={"xatol": 0.004})  # fmt: skip
    return Scatter(extra, typical * math.exp(float(found.x)), float(found.fun))
