"""Generalised least squares night by night: each has a base, a slope of its own and a random walk.

The covariances of the nights are dense and small, so all are whitened side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from focuskit.core.times import HOUR_S
from focuskit.drift.linear import CONSTANT, UNDETERMINED, Array
from focuskit.drift.season import Season

# Times the precision of a run by itself: what rounding leaves for the only run of a filter or of a night.
_EXACT = 1e-9


@dataclass(frozen=True)
class Nights:
    """The runs of a season night by night, each night filled up to one length (m) with empty rows.

    ``rows`` are ones, columns and position (N, m, 2 + p), ``hours`` those of the night less their mean (N, m),
    ``since`` hours from its first run, ``taken`` where there is a run.
    """

    rows: Array
    hours: Array
    since: Array
    taken: NDArray[np.bool_]
    prior: Array

    @classmethod
    def of(cls, season: Season, columns: Array, hours: Array, prior: Array) -> Nights:
        count = np.bincount(season.block)
        taken = np.arange(count.max()) < count[:, None]

        def spread(values: Array) -> Array:
            out = np.zeros((*taken.shape, *values.shape[1:]))
            out[taken] = values
            return out

        first = season.time_s[np.append(0, np.flatnonzero(np.diff(season.block)) + 1)]
        since = (season.time_s - first[season.block]) / HOUR_S
        middle = (np.bincount(season.block, hours) / count)[season.block]
        rows = np.column_stack([np.ones(len(hours)), columns, season.position])
        return cls(spread(rows), spread(hours - middle), spread(since), taken, prior)


@dataclass(frozen=True)
class NightFit:
    """A fit with one spread of the slopes and one walk, both variances in units of a typical run's scatter."""

    coefficients: Array
    covariance: Array
    undetermined: Array
    scale_of: Array
    bases: Array
    base_weight: Array
    centre: Array
    unlike: Array
    precision: Array
    variance: Array
    chi2: float
    free: float
    log_determinant: float
    slope: float
    walk: float

    @property
    def off(self) -> Array:
        """How far each run is off the fit to all others; 0 where no other run says where it should be."""
        open_to = self.precision * self.variance > _EXACT
        return np.where(open_to, self.unlike / np.where(open_to, self.precision, 1.0), 0.0)


def fit_nights(nights: Nights, variance: Array, slope: float, walk: float) -> NightFit:
    """Fit by generalised least squares, each night with a base of its own.

    ``chi2`` and ``free`` are those of the runs alone: the prior is so wide that the curve hardly departs from it, and
    would make the scatter too small. It gives back as many parameters as the sum of its leverages.

    Also returned are (P y) and the diagonal of P for every run, P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹: their
    ratio is how far a run lies off the fit to all others, with the variance 1/P.
    """
    both = nights.taken[:, :, None] & nights.taken[:, None, :]
    matrix = slope * nights.hours[:, :, None] * nights.hours[:, None, :]
    matrix += walk * np.minimum(nights.since[:, :, None], nights.since[:, None, :]) * both
    at = np.arange(matrix.shape[1])
    matrix[:, at, at] += np.where(nights.taken, variance, 1.0)
    root = np.linalg.cholesky(matrix)
    inverse = np.linalg.inv(root)
    white = inverse @ nights.rows
    own = white[:, :, :1]
    base_weight = np.sum(own**2, axis=1)
    mean = np.sum(own * white, axis=1) / base_weight
    size = np.sqrt(np.sum(white[:, :, 1:-1] ** 2, axis=(0, 1)))
    left = white - own * mean[:, None, :]
    left -= own * (np.sum(own * left, axis=1) / base_weight)[:, None, :]
    p = len(nights.prior)
    design = np.vstack([left[:, :, 1:-1].reshape(-1, p), np.diag(nights.prior)])
    target = np.append(left[:, :, -1].ravel(), np.zeros(p))
    length = np.linalg.norm(design, axis=0)
    constant = length <= CONSTANT * np.maximum(size, 1e-300)
    scale = np.where(constant, 1.0, length)
    u, singular, vt = np.linalg.svd(np.where(constant, 0.0, design / scale), full_matrices=False)
    known = singular > UNDETERMINED * max(float(singular.max(initial=0.0)), 1e-300)
    half = vt[known].T / singular[known] / scale[:, None]
    direct = u[:, known]
    coefficients = half @ (direct.T @ target)
    over = target - direct @ (direct.T @ target)
    back = np.swapaxes(inverse, 1, 2)
    in_data = direct[:-p].reshape(*nights.taken.shape, -1)
    unlike = (back @ over[:-p].reshape(*nights.taken.shape, 1))[:, :, 0]
    taken_up = (back @ own)[:, :, 0] ** 2 / base_weight + np.sum((back @ in_data) ** 2, axis=2)
    centre = mean[:, 1:-1]
    return NightFit(
        coefficients=coefficients,
        covariance=half @ half.T,
        undetermined=vt[~known].T,
        scale_of=scale,
        bases=mean[:, -1] - centre @ coefficients,
        base_weight=base_weight[:, 0],
        centre=centre,
        unlike=unlike[nights.taken],
        precision=(np.sum(inverse**2, axis=1) - taken_up)[nights.taken],
        variance=np.broadcast_to(variance, nights.taken.shape)[nights.taken],
        chi2=float(np.sum(over[:-p] ** 2)),
        free=float(np.sum(nights.taken) - len(own) - np.sum(known) + np.sum(direct[-p:] ** 2)),
        log_determinant=float(
            2.0 * np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)))
            + np.sum(np.log(base_weight))
            + 2.0 * (np.sum(np.log(singular[known])) + np.sum(np.log(scale[~constant])))
        ),
        slope=slope,
        walk=walk,
    )
