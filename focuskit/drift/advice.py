"""Which focus runs would settle most of what is still open about drift and offsets."""

from __future__ import annotations

import math

import numpy as np

from focuskit.drift.result import Advice, Drift

# How far offsets and drift per °C may lie from zero before anything is known, in scatters of a run: what is known
# no better than to half of it counts as unknown (chosen; offsets of glass are some tens of scatters).
OFFSET_PRIOR, DRIFT_PRIOR = 80.0, 8.0
RUNS = 3  # of a set; chosen: with fewer an outlier does not show
MOST_SETS = 3  # chosen: what a week of nights can give
LEAST_RANGE_C = 8.0  # chosen: the nights of one season differ by more
WORTH_WHILE = 0.05  # of the summed variance: chosen, an error that shrinks by 2.5 % is not worth three runs


def advise(drift: Drift) -> tuple[Advice, ...]:
    """Return up to `MOST_SETS` sets of `RUNS` runs, each the best after those before it.

    Every filter is tried at the cold end, the middle and the warm end of the range (`LEAST_RANGE_C` at least). The set
    that most lowers the summed variance of the offsets and of the drift over half the range is taken, unless it lowers
    it by less than `WORTH_WHILE`. None without temperatures.
    """
    if drift.range_c is None:
        return ()
    place = len(drift.filters) - 1
    scatter = _scatter(drift)
    wide = np.append(np.full(place, OFFSET_PRIOR * scatter), DRIFT_PRIOR * scatter)
    covariance = _with_prior(drift, wide)
    # Scaled to the errors that the answer quotes: those of the average over models exceed those of its likeliest fit.
    quoted = [one.err for one in drift.filters[1:]] + [drift.steps_per_c_err]
    likely = np.sqrt(np.diag(covariance))
    grow = np.array([err / own if err else 1.0 for err, own in zip(quoted, likely, strict=True)])
    covariance = covariance * np.outer(grow, grow)
    last = len(drift.fit.likely.bases) - 1
    noise = scatter**2 / RUNS + 1.0 / drift.fit.likely.base_weight[last]
    low, high = drift.range_c
    middle, half = (low + high) / 2.0, max(high - low, LEAST_RANGE_C) / 2.0
    weight = np.append(np.ones(place), half**2)
    found: list[Advice] = []
    for _ in range(MOST_SETS):
        total = float(weight @ np.diag(covariance))
        best, best_gain = None, WORTH_WHILE * total
        for one in drift.filters:
            for temperature_c in (middle - half, middle, middle + half):
                columns = drift.columns_at(one.filter, temperature_c)[: place + 1]
                direction = columns - drift.fit.likely.centre[last][: place + 1]
                seen = covariance @ direction
                drop = seen**2 / (float(direction @ seen) + noise)
                gain = float(weight @ drop)
                if gain > best_gain:
                    best, best_gain = (one.filter, temperature_c, seen, drop, float(direction @ seen)), gain
        if best is None:
            break
        name, temperature_c, seen, drop, own = best
        before = np.diag(covariance)
        what = int(np.argmax(weight * drop))
        told = f"{drift.unit} per °C" if what == place else f"offset of {drift.filters[what + 1].filter}"
        errors = [_shown(v, float(wide[what])) for v in (before[what], before[what] - drop[what])]
        found.append(Advice(name, round(temperature_c, 1), RUNS, f"{told}: {errors[0]}, then {errors[1]}"))
        covariance = covariance - np.outer(seen, seen) / (own + noise)
    return tuple(found)


def _scatter(drift: Drift) -> float:
    """Scatter of a run, or what stands in for it where it is not known: any unit would do."""
    errors = [run.position_err for run in drift.used if run.position_err]
    own = float(np.median(errors)) if errors else 0.0
    return max(drift.scatter_steps or 0.0, own) or drift.tolerance_steps or 1.0


def _with_prior(drift: Drift, wide: np.ndarray) -> np.ndarray:
    """Covariance of offsets and drift where what is not determined is as wide as the prior."""
    place = len(wide) - 1
    fit = drift.fit.likely
    prior = wide**-2.0
    spread = fit.covariance * np.outer(fit.scale, fit.scale)
    precision = np.linalg.pinv(spread, rcond=1e-12, hermitian=True) * np.outer(fit.scale, fit.scale)
    return np.linalg.inv(precision[: place + 1, : place + 1] + np.diag(prior))


def _shown(variance: float, prior: float) -> str:
    err = math.sqrt(max(variance, 0.0))
    return "now unknown" if err > 0.5 * prior else f"±{err:.2g}"
