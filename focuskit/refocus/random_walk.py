"""How far focus moves between the runs of a night apart from temperature: a random walk, learned from the season."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from focuskit.core.times import NIGHT_GAP_S
from focuskit.drift import Drift

FloatArray = NDArray[np.float64]

# Runs beyond one a night, less the coefficients fitted: fewer do not bound a variance (its mean has no end below 4).
_FEWEST_DEGREES = 5
_MOST_NIGHTS = 300  # search: a year of clear nights, and how the rig is now (chosen)
_GRID = 33  # search: values of each standard deviation; twice as many change neither by a hundredth


def split_scatter(drift: Drift) -> tuple[float, float] | None:
    """Split the scatter of a season into that of single runs (steps) and a random walk (steps/√h).

    The residuals of the runs of one night have the covariance σᵢ² + s² on the diagonal plus w²·min(tᵢ, tⱼ) (Wiener
    process). Nights have levels of their own, temperature and filters are fitted again. Returned are the roots of
    the means of s² and w² under the restricted likelihood (Patterson & Thompson 1971), both flat from 0 on. None
    where too few nights have several runs.
    """
    used = drift.used
    time_s = np.array([run.time.timestamp() for run in used])
    order = np.argsort(time_s, kind="stable")
    names = np.array([str(run.filter) for run in used])
    columns = np.column_stack(
        [
            np.array([run.temperature_c or 0.0 for run in used]),
            *(names == name for name in sorted(set(names))[1:]),
            drift.residuals_steps,
        ]
    ).astype(float)
    own = np.array([run.position_err or 0.0 for run in used]) ** 2
    cuts = np.flatnonzero(np.diff(time_s[order]) > NIGHT_GAP_S) + 1
    nights = [night for night in np.split(order, cuts)[-_MOST_NIGHTS:] if len(night) > 1]
    degrees = sum(len(night) - 1 for night in nights) - columns.shape[1] + 1
    if degrees < _FEWEST_DEGREES:
        return None
    parts = [((time_s[night] - time_s[night[0]]) / 3600.0, own[night], columns[night]) for night in nights]
    spread = np.sqrt(np.mean(np.concatenate([part[2][:, -1] - part[2][:, -1].mean() for part in parts]) ** 2))
    wait = float(np.median(np.concatenate([np.diff(part[0]) for part in parts])))
    most = np.array([4.0, 4.0 / np.sqrt(max(wait, 0.1))]) * max(float(spread), 1e-12)
    found = np.zeros(2)
    for _ in range(2):  # once to find where the likelihood lies, once to integrate over it
        u = np.linspace(0.0, 1.0, _GRID)
        steps, walk = (grid.ravel() for grid in np.meshgrid(most[0] * u**2, most[1] * u**2, indexing="ij"))
        deviance = _deviance(parts, np.maximum(steps, 1e-6 * most[0]) ** 2, walk**2)
        weight = np.exp(-0.5 * (deviance - deviance.min())) * np.outer(u, u).ravel()
        weight /= weight.sum()
        found = np.array([weight @ steps**2, weight @ walk**2])
        likely = weight > 1e-6 * weight.max()
        most = np.array([steps[likely].max(), walk[likely].max()])
    return float(np.sqrt(found[0])), float(np.sqrt(found[1]))


def _deviance(
    parts: list[tuple[FloatArray, FloatArray, FloatArray]], steps2: FloatArray, walk2: FloatArray
) -> FloatArray:
    """Return -2 log of the restricted likelihood for (n,) pairs of variances, up to a constant."""
    wide = parts[0][2].shape[1]
    normal, spread = np.zeros((len(steps2), wide, wide)), np.zeros(len(steps2))
    for hours, own, columns in parts:
        both = np.minimum(hours[:, None], hours[None, :])
        variance = np.diag(own) + steps2[:, None, None] * np.eye(len(own)) + walk2[:, None, None] * both
        root = np.linalg.cholesky(variance)
        white = np.linalg.solve(root, np.column_stack([np.ones(len(own)), columns])[None])
        level, rest = white[:, :, :1], white[:, :, 1:]
        square = np.sum(level**2, axis=1)
        rest = rest - level * (np.sum(level * rest, axis=1) / square)[:, None, :]
        normal += np.swapaxes(rest, 1, 2) @ rest
        spread += 2.0 * np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)), axis=1) + np.log(square[:, 0])
    # A filter that no night shares with another has a column of nothing: a trace on the diagonal lets it pass.
    fitted = normal[:, :-1, :-1] + 1e-9 * np.trace(normal[0]) / wide * np.eye(wide - 1)
    with_y = normal[:, :-1, -1:]
    chi2 = normal[:, -1, -1] - np.sum(with_y * np.linalg.solve(fitted, with_y), axis=(1, 2))
    return chi2 + spread + np.linalg.slogdet(fitted)[1]
