"""One estimate of the best position: a curve through sizes whose scatter is estimated with it.

The scatter of a focus run is mostly seeing that changes from frame to frame, in the same ratio near
focus and far from it. So the curve is fitted by weighted least squares for a series of jitters, each
is given its restricted likelihood (REML), and the answers are averaged over the jitters. With the few
frames of a run the jitter is poorly known; averaging makes the errors as wide as Student's t would.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from focuskit.curves.shape import CurveShape

Array = NDArray[np.float64]

# Jitter of ln(seeing) in the short exposures of a focus run is mostly 3 % to 25 % (common practice, no
# source). All from the least one here are held for equally likely in ln(jitter). That frames agree
# better than the least is mostly chance: believing it would make errors too small.
_LEAST_JITTER = 0.042
_GREATEST_JITTER = 1.2  # chosen: frames that scatter by a factor of three, more than a run with a curve has
# As many quote errors that are 1.4 % smaller in the mean, 6 % at worst, than forty of each (on 24 drawn runs).
_COARSE_NODES, _FINE_NODES = 10, 10
_LIKELY = 9.0  # below the greatest log likelihood: what is left out has a ten-thousandth of its probability
# Scatter that is alike in all frames comes from the focuser, or from measuring where no errors are
# given. It may be as small as it likes. The priors are chosen, not tuned: 0.01 or 0.1 instead of 0.03
# change the quoted errors by 0.4 % and 1.4 % in the mean.
_LEAST_ALIKE = 0.004
_ALIKE_PRIOR, _ALIKE_PRIOR_WITHOUT_ERRORS = 0.03, 0.5
_ITERATIONS = 40  # drawn runs need at most 5; over a bend of the curve steps are halved, which takes longer
_USUAL_JITTER = 0.12  # only what frames weigh before a curve is fitted; chosen: that of the rendered nights
FURTHEST = 3.0  # half sweeps from the middle: beyond, frames on one side hardly tell where the minimum lies
_CONTENTS = np.array([0.6827, 0.95])


@dataclass(frozen=True)
class Points:
    """Frames in the units of the fit: positions from -1 to 1, sizes about 1."""

    x: Array
    size: Array
    sigma: Array
    centre: float
    half_range: float
    unit: float

    def only(self, keep: NDArray[np.bool_]) -> Points:
        """Return the points where ``keep`` is True, in the same units."""
        return Points(self.x[keep], self.size[keep], self.sigma[keep], self.centre, self.half_range, self.unit)


@dataclass(frozen=True)
class Nodes:
    """Scatters to average over.

    Parameters
    ----------
    jitter : ndarray, shape (k,)
        Of ln(seeing); where ``alike``, of all sizes over the least.
    alike : ndarray of bool, shape (k,)
    prior_alike : float
        Probability of scatter that is alike in all frames, before the frames are seen.
    """

    jitter: Array
    alike: NDArray[np.bool_]
    prior_alike: float

    @classmethod
    def over(cls, seeing: Array, alike: Array, prior_alike: float) -> Nodes:
        """Join nodes of either kind."""
        kind = np.repeat([False, True], [seeing.size, alike.size])
        return cls(np.concatenate([seeing, alike]), kind, prior_alike)

    def weigh(self, log_likelihood: Array) -> tuple[Array, float]:
        """Return the probability of each node, and the log likelihood averaged over all."""
        density = np.where(
            self.alike,
            self.prior_alike / np.log(_GREATEST_JITTER / _LEAST_ALIKE),
            (1.0 - self.prior_alike) / np.log(_GREATEST_JITTER / _LEAST_JITTER),
        )
        for kind in (False, True):
            at = self.jitter[self.alike == kind]
            if at.size:  # each node stands for its stretch of ln(jitter)
                density[self.alike == kind] *= np.log(at[-1] / at[0]) / (at.size - 1)
        share = density * np.exp(log_likelihood - log_likelihood.max())
        return np.asarray(share / share.sum()), float(np.log(share.sum()) + log_likelihood.max())

    def refined(self, solution: _Solution) -> tuple[Nodes, Array]:
        """Return nodes over the likely scatters only, and parameters to begin with."""
        finer, begin = [np.empty(0)] * 2, []
        for kind in np.unique(self.alike):
            at = np.flatnonzero(self.alike == kind)
            log_likelihood = solution.log_likelihood[at]
            likely = np.flatnonzero(log_likelihood > log_likelihood.max() - _LIKELY)
            low, high = max(likely[0] - 1, 0), min(likely[-1] + 1, at.size - 1)
            nodes = np.geomspace(self.jitter[at[low]], self.jitter[at[high]], _FINE_NODES)
            nearest = np.clip(np.searchsorted(self.jitter[at], nodes), 0, at.size - 1)
            finer[int(kind)] = nodes
            begin.append(solution.parameters[at[nearest]])
        return Nodes.over(finer[0], finer[1], self.prior_alike), np.concatenate(begin)


@dataclass(frozen=True)
class Estimate:
    """A curve fitted to points, in the units of the fit, averaged over the jitter.

    Parameters
    ----------
    best, err, err_95 : float
        Position of the least size; half widths that hold the truth in 68.3 % and in 95 %.
    least, slope : float
        Least size in the run's typical seeing, and slope of the far wings.
    jitter : float
        Relative scatter of the seeing from frame to frame.
    fitted : ndarray, shape (n,)
        The curve at the points, for the likeliest scatter.
    chi2 : float or None
        Sum of squared residuals over the errors of the sizes alone; None where an error is 0.
    nodes : Nodes
    share : ndarray, shape (k,)
        The scatters tried, and the probability of each.
    parameters, covariance : ndarray, shape (k, 3) and (k, 3, 3)
        Best position, ln(least size) and ln(slope) for each of them.
    log_evidence : float
        Restricted log likelihood of the points, averaged over the scatters.
    """

    best: float
    err: float
    err_95: float
    least: float
    slope: float
    jitter: float
    fitted: Array
    chi2: float | None
    nodes: Nodes
    share: Array
    parameters: Array
    covariance: Array
    log_evidence: float


@dataclass(frozen=True)
class _Solution:
    """Least squares for each jitter: parameters (k, 3) and what follows from them."""

    parameters: Array
    covariance: Array
    residual: Array  # (k, n), of the quantity fitted
    log_likelihood: Array


def scale_points(positions: Array, sizes: Array, errors: Array) -> Points:
    """Bring positions and sizes to the units of the fit."""
    low, high = float(positions.min()), float(positions.max())
    centre, half_range = 0.5 * (low + high), 0.5 * (high - low)
    unit = float(np.median(sizes))
    return Points((positions - centre) / half_range, sizes / unit, errors / unit, centre, half_range, unit)


def square_weights(points: Points) -> Array:
    """Return the weights of the squared sizes before anything is known of the scatter, in units of the usual one."""
    usual = 2.0 * _USUAL_JITTER * float(np.quantile(points.size, 0.2)) ** 2
    return np.asarray(1.0 / (usual**2 + (2.0 * points.size * points.sigma) ** 2))


def first_look(points: Points) -> tuple[float, float, float] | None:
    """Return best position, least size and slope of the hyperbola whose square is the best parabola.

    A best position is sought within three half sweeps of the middle. None where no curve that opens upwards fits.
    """
    squares, root = points.size**2, np.sqrt(square_weights(points))

    def solve(*columns: Array) -> Array:
        design = np.stack([np.ones_like(points.x), *columns], axis=1)
        return np.linalg.lstsq(design * root[:, None], squares * root, rcond=None)[0]

    base, tilt, rise = solve(points.x, points.x**2)
    best = -0.5 * tilt / rise if rise > 0.0 else np.copysign(np.inf, -tilt)
    if abs(best) > FURTHEST:
        best = np.copysign(FURTHEST, best)
        base, rise = solve((points.x - best) ** 2)
    else:
        base -= rise * best**2
    if not rise > 0.0:
        return None
    least = np.sqrt(max(base, (0.3 * points.size.min()) ** 2))
    return float(best), float(least), float(np.sqrt(rise))


def estimate_curve(points: Points, shape: CurveShape, start: tuple[float, float, float], *, squared: bool) -> Estimate:
    """Fit a curve to sizes.

    Parameters
    ----------
    points : Points
        At least four.
    shape : CurveShape
    start : (float, float, float)
        Best position, least size and slope to begin with.
    squared : bool
        True: size², scattered as seeing scatters it. False: size, with the same scatter everywhere.
    """
    alike = np.geomspace(_LEAST_ALIKE, _GREATEST_JITTER, _COARSE_NODES)
    if squared:
        prior = _ALIKE_PRIOR if np.all(points.sigma > 0.0) else _ALIKE_PRIOR_WITHOUT_ERRORS
        nodes = Nodes.over(np.geomspace(_LEAST_JITTER, _GREATEST_JITTER, _COARSE_NODES), alike, prior)
    else:
        nodes = Nodes.over(np.empty(0), alike, 1.0)
    first = np.array([start[0], np.log(start[1]), np.log(start[2])])
    coarse = _solve(points, shape, nodes, np.tile(first, (nodes.jitter.size, 1)), squared, 1e-3)
    nodes, begin = nodes.refined(coarse)
    fine = _solve(points, shape, nodes, begin, squared, 1e-7)
    share, log_evidence = nodes.weigh(fine.log_likelihood)
    best_k, log_least, log_slope = fine.parameters.T
    best = float(share @ best_k)
    err, err_95 = _half_widths(best_k - best, np.sqrt(fine.covariance[:, 0, 0]), share)
    # The mean of the square of lognormal seeing is that of the median seeing times exp(2 jitter²).
    typical = log_least - nodes.jitter**2 * np.where(nodes.alike, 0.5, 1.0) if squared else log_least
    residual = fine.residual[int(np.argmax(share))]
    fitted = points.size**2 - residual if squared else (points.size - residual) ** 2
    spread = points.sigma * (2.0 * np.sqrt(fitted) if squared else 1.0)
    has_errors = bool(np.all(points.sigma > 0.0))
    return Estimate(
        best=best,
        err=err,
        err_95=err_95,
        least=float(np.exp(share @ typical)),
        slope=float(np.exp(share @ log_slope)),
        jitter=float(np.exp(share @ np.log(nodes.jitter))),
        fitted=np.sqrt(fitted),
        chi2=float(np.sum((residual / spread) ** 2)) if has_errors else None,
        nodes=nodes,
        share=share,
        parameters=fine.parameters,
        covariance=fine.covariance,
        log_evidence=log_evidence,
    )


def departures(estimate: Estimate, points: Points, shape: CurveShape) -> tuple[Array, Array]:
    """Compare points with the squared curve of others.

    Returns
    -------
    departure : ndarray, shape (n,)
        As changes of ln(seeing).
    rate : ndarray, shape (n,)
        By how much these change with the squared size.
    """
    value, _, reach, _ = _model(points, shape, estimate.parameters, estimate.nodes, squared=True)
    # Seeing scatters in its logarithm, and twice a change of ln(seeing) is what size² shows: a large
    # increase is less surprising than it looks.
    relative = (points.size**2 - value) / reach
    grown = 1.0 + 2.0 * np.maximum(relative, 0.0)
    departure = np.where(relative > 0.0, 0.5 * np.log(grown), relative)
    return estimate.share @ departure, estimate.share @ (1.0 / (grown * reach))


def _solve(points: Points, shape: CurveShape, nodes: Nodes, start: Array, squared: bool, precision: float) -> _Solution:
    parameters = start.copy()
    limit = np.array([0.3, 0.5, 0.5])
    last, reach_of_step = np.zeros_like(parameters), np.ones((nodes.jitter.size, 1))
    for _ in range(_ITERATIONS):
        value, jacobian, reach, spread = _model(points, shape, parameters, nodes, squared)
        variance = (nodes.jitter[:, None] * reach) ** 2 + spread**2
        residual = (points.size**2 if squared else points.size) - value
        weighted = jacobian / variance[..., None]
        normal = np.swapaxes(weighted, 1, 2) @ jacobian
        normal[:, [0, 1, 2], [0, 1, 2]] *= 1.0 + 1e-9
        step = np.linalg.solve(normal, (np.swapaxes(weighted, 1, 2) @ residual[..., None]))[..., 0]
        # Over a bend of the curve steps would go to and fro for ever: those that turn back grow shorter.
        turned = (np.sum(step * last, axis=1) < 0.0) & (np.abs(step).max(axis=1) > 0.5 * np.abs(last).max(axis=1))
        reach_of_step[turned] *= 0.5
        step = reach_of_step * np.clip(step, -limit, limit)
        last = step
        parameters = parameters + step
        # A minimum far outside, or a size that vanishes there, is not to be followed.
        np.clip(parameters, [-4.0, -6.0, -6.0], [4.0, 6.0, 6.0], out=parameters)
        if np.abs(step).max() < precision:
            break
    inverse = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    chi2 = np.sum(residual**2 / variance + np.log(variance), axis=1)
    spare = points.x.size - parameters.shape[1]
    log_likelihood = -0.5 * (chi2 + np.linalg.slogdet(normal)[1] + spare * np.log(2.0 * np.pi))
    return _Solution(parameters, inverse, residual, log_likelihood)


def _model(
    points: Points, shape: CurveShape, parameters: Array, nodes: Nodes, squared: bool
) -> tuple[Array, Array, Array, Array]:
    """Return for each jitter and point the value, its derivatives, its reach and its error."""
    best, least, slope = parameters[:, :1], np.exp(parameters[:, 1:2]), np.exp(parameters[:, 2:3])
    away = points.x - best
    t = slope * np.abs(away) / least
    curve, rise = shape.at(t)
    size = least * curve
    by_best = -slope * rise * np.sign(away)
    by_least = least * (curve - t * rise)
    by_slope = least * t * rise
    jacobian = np.stack([by_best, by_least, by_slope], axis=-1)
    if not squared:
        return size, jacobian, np.broadcast_to(least, size.shape), np.broadcast_to(points.sigma, size.shape)
    twice = 2.0 * size
    seeing = np.maximum(twice * by_least, 0.1 * least**2)
    reach = np.where(nodes.alike[:, None], twice * least, seeing)
    return size**2, jacobian * twice[..., None], reach, twice * points.sigma


def _half_widths(offset: Array, sd: Array, share: Array) -> tuple[float, float]:
    """Return the half widths about zero that hold 68.3 % and 95 % of a mixture of normal laws."""
    low, high = np.zeros(2), np.full(2, np.max(np.abs(offset) + 6.0 * sd))
    for _ in range(22):
        middle = 0.5 * (low + high)
        held = share @ (
            ndtr((middle - offset[:, None]) / sd[:, None]) - ndtr((-middle - offset[:, None]) / sd[:, None])
        )
        short = held < _CONTENTS
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return float(middle[0]), float(middle[1])
