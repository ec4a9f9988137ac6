"""What else focus may follow: the temperature of another sensor, the altitude, the side of the pier."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, stdtrit

from focuskit.core.logged import LoggedRun
from focuskit.core.statistics import SEEN_SIGMA, as_sigma
from focuskit.drift.linear import Array
from focuskit.drift.models import MARGIN
from focuskit.drift.outliers import find_sound
from focuskit.drift.scatter import average_shifts, highest, run_variance
from focuskit.drift.season import Season, Terms, columns_of, near_log

OWN, OTHER, LOG = "temperature_c", "other_temperature_c", "log"
# Runs per free parameter that a comparison needs (chosen: with fewer, a single run decides it).
_RUNS_EACH = 2
# Runs needed on either side of the pier (chosen: two may both be outliers).
_FEWEST_ON_A_SIDE = 3


@dataclass(frozen=True)
class Sensor:
    """How well focus follows the temperature of one sensor, over the runs for which all sensors are known.

    Attributes
    ----------
    sensor : str
        ``temperature_c``, ``other_temperature_c`` or ``log``.
    runs : int
    scatter_steps : float
        Scatter of single runs that it leaves.
    change : float
        -2 log likelihood less that of the runs' own temperature.
    best : bool
        Whether the runs show that it predicts focus better than all others.
    """

    sensor: str
    runs: int
    scatter_steps: float
    change: float
    best: bool


@dataclass(frozen=True)
class Follows:
    """What is left of focus along the altitude (steps per degree) or from east to west of the pier (steps).

    ``significance`` is in standard deviations.
    """

    follows: str
    steps: float
    err: float
    significance: float


def compare_sensors(runs: Sequence[LoggedRun], season: Season, terms: Terms) -> tuple[Sensor, ...]:
    """Compare the sensors of which the runs have temperatures; empty with one sensor, or too few runs.

    Each has the whole model with its temperatures in place of the runs' own. One is better than another if its
    likelihood is higher by `MARGIN` of AICc and the gain is seen against its own scatter from run to run (Vuong 1989,
    Econometrica 57, 307; from memory), which two sensors that are equally noisy do not pass.

    Parameters
    ----------
    runs : sequence of LoggedRun
        The sound runs.
    season : Season
        Of the same runs.
    """
    own = np.array([run.temperature_c for run in runs], dtype=float)
    read = {OWN: own, OTHER: np.array([run.other_temperature_c for run in runs], dtype=float)}
    if season.log is not None:
        read[LOG] = np.array([near_log(t, *season.log) for t in season.time_s.tolist()], dtype=float)
    most = _RUNS_EACH * (season.filters + season.block[-1] + 2)
    read = {name: c for name, c in read.items() if name == OWN or np.sum(np.isfinite(c) & (c != own)) > most}
    known = np.all([np.isfinite(c) for c in read.values()], axis=0)
    if len(read) < 2 or np.sum(known) <= most:
        return ()
    terms = replace(terms.chosen, lag_min=0.0)
    seasons = [replace(season, temperature_c=np.where(known, c, 0.0)).only(known) for c in read.values()]
    sound = np.all([find_sound(one, columns_of(one, terms)).sound for one in seasons], axis=0)
    costs, scatters = zip(*(_costs(one.only(sound), terms) for one in seasons), strict=True)
    chance = ndtr(-SEEN_SIGMA) / (len(read) * (len(read) - 1) / 2.0)
    kept = seasons[0].only(sound)
    free = len(kept.position) - kept.filters - kept.block[-1] - 1
    best = [all(_is_less(mine, c, chance, free) for c in costs if c is not mine) for mine in costs]
    return tuple(
        Sensor(name, len(mine), scatter, float(np.sum(mine - costs[0])), first)
        for name, mine, scatter, first in zip(read, costs, scatters, best, strict=True)
    )


def _costs(season: Season, terms: Terms) -> tuple[Array, float]:
    """Part of each run in -2 log likelihood, and the scatter of single runs."""
    columns = columns_of(season, terms)
    variance = season.variance + run_variance(season, columns)
    variance = variance if np.all(variance > 0.0) else np.ones(len(variance))
    best = highest(season, columns, variance)
    n = len(variance)
    even = (best.deviance - best.chi2 / best.scale) / n
    costs: Array = even + best.fit.white[:, 1] ** 2 / best.scale
    return costs, math.sqrt(best.scale * float(np.median(variance)))


def _is_less(mine: Array, others: Array, chance: float, free: int) -> bool:
    """Whether the costs are lower by more than chance explains.

    Only ``free`` of the runs count: of 40 seasons with two equally noisy sensors the ratio of the gain to its error
    scatters by 1.56 with 6 nights and by 1.17 with 20 where all count, by 1.1 and 0.97 so. Squares have long tails:
    Student's t with half the degrees (chosen).
    """
    gain = others - mine
    limit = -float(stdtrit(free / 2.0, chance)) * math.sqrt(len(gain)) * float(gain.std())
    return bool(gain.sum() > MARGIN and gain.sum() * free / len(gain) > limit)


def find_followed(runs: Sequence[LoggedRun], season: Season, terms: Terms) -> tuple[tuple[Follows, ...], list[str]]:
    """Fit what is left along the altitude and the side of the pier, and return the flags of what is significant.

    Each is one more column of the fit, so that what the temperature explains equally well does not count.

    Parameters
    ----------
    runs : sequence of LoggedRun
        The sound runs.
    season : Season
        Of the same runs; its variances are those of single runs, scatter included.
    """
    altitude = np.array([run.altitude_deg for run in runs], dtype=float)
    sides = [(run.pier_side or "").strip().casefold() for run in runs]
    names = sorted(set(sides) - {""})
    west = np.array([names.index(side) - 0.5 if side else math.nan for side in sides]) if len(names) == 2 else None
    tried = {} if west is None else {"pier_side": west}
    tried |= {"altitude": altitude} if len(np.unique(altitude[np.isfinite(altitude)])) > 1 else {}
    limit = as_sigma(2.0 * ndtr(-SEEN_SIGMA) / max(len(tried), 1))
    found = [one for name, values in tried.items() if (one := _followed(name, values, season, terms)) is not None]
    return tuple(found), [f"follows_{one.follows}" for one in found if one.significance > limit]


def _followed(name: str, values: Array, season: Season, terms: Terms) -> Follows | None:
    known = np.isfinite(values)
    if np.sum(known) <= _RUNS_EACH * (season.filters + season.stretch[-1] + 2):
        return None
    kept, values = season.only(known), values[known]
    if name == "pier_side" and np.bincount((values > 0.0).astype(int)).min() < _FEWEST_ON_A_SIDE:
        return None
    columns = columns_of(kept, terms.chosen)
    fit = average_shifts(kept, np.column_stack([columns, values - values.mean()]), kept.variance)
    last = np.arange(columns.shape[1] + 1) == columns.shape[1]
    steps, err = fit.contrast(last)
    if steps is None or err is None or err == 0.0:
        return None
    return Follows(name, steps, err, fit.significance(last))
