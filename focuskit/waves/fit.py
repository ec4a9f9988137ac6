"""Best position of a run from the shape of its stars: seeing and defocus told apart.

Defocus makes a ring of known diameter, seeing blurs it. All frames are fitted together with one best
position, one way per step and one spherical term; each frame has its own seeing, brightness and sky.
The seeings of a run are drawn from one lognormal law whose width is estimated with the rest.

Brightness and sky are linear and are projected out once; the rest is solved by Gauss-Newton steps on
the exact model, from a start that a coarse scan of |defocus| and seeing finds frame by frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import ARCSEC_PER_RADIAN, Rig
from focuskit.waves.model import BINS_PER_PX, KOLMOGOROV_EXPONENT, ProfileModel, fwhm_factor, profile_model
from focuskit.waves.solve import (
    NO_PRIORS,
    SCATTER_GRID,
    SLOPE_UNKNOWN,
    Data,
    NormalEquations,
    Priors,
    Solution,
    State,
    least_hfd_shift,
    linearise,
    own_positions,
    prepare,
    reduce_normal,
    scatter_weights,
    solve,
    start,
)
from focuskit.waves.stack import FrameProfile

Array = NDArray[np.float64]

# Before anything is known of the telescope: a well corrected one has a few hundredths of a wave.
SPHERICAL_PRIOR = (0.0, 0.03)
LEAST_FRAMES = 4
_UNLIKELY = 0.01
_RARE = 0.001
_NO_MATCH = 5.0  # chi² reduced
_OUTLIER_SIGMA = 5.0
_ODD_SHAPE = 4.0


@dataclass(frozen=True)
class FrameFit:
    """What a run's fit says of one frame.

    ``defocus_um`` is signed, positive where the position lies above the best; ``own_defocus_um`` is what
    the frame's stars tell of it by themselves, whatever the focuser tells. ``chi2`` has ``dof`` degrees of
    freedom. ``seeing_arcsec`` is the FWHM, None without a focal length. ``why_not_used`` is
    None for a frame that took part.
    """

    position: float
    defocus_um: float
    defocus_err_um: float
    own_defocus_um: float
    own_defocus_err_um: float
    seeing_um: float | None
    seeing_arcsec: float | None
    chi2: float | None
    dof: int
    used: bool
    why_not_used: str | None


@dataclass(frozen=True)
class ProfileFit:
    """Joint fit of the profiles of a run.

    Parameters
    ----------
    best_position, err : float
        Position of least half-flux diameter, in steps, and its standard deviation; it holds the
        spherical term's part, and the frames' own scatter where the model does not match them.
    um_per_step, um_per_step_err : float
    slope_factor : float or None
        ``um_per_step`` over the rig's; None where the rig's is not known.
    spherical_waves, spherical_err : float
        Noll's Z11 in waves rms; its sign holds for positions that grow outwards.
    seeing_scatter : float
        Standard deviation of ln(seeing) from frame to frame.
    seeing_exponent : float
        Exponent of the seeing's transfer function, common to the run: 5/3 for Kolmogorov.
    log_seeing, log_seeing_err : float
        Mean of ln(FWHM in µm) of the law that the frames' seeings are drawn from, and its standard deviation.
    best_per_log_seeing : float
        By how many steps the best position moves with that mean: aberrated light has its least HFD elsewhere
        in other seeing.
    chi2_reduced : float
    matches : bool
        False where the frames depart from the model by more than chance; ``err`` then comes from
        their scatter.
    frames : tuple of FrameFit
        In the order given.
    """

    best_position: float
    err: float
    um_per_step: float
    um_per_step_err: float
    slope_factor: float | None
    spherical_waves: float
    spherical_err: float
    seeing_scatter: float
    seeing_exponent: float
    log_seeing: float
    log_seeing_err: float
    best_per_log_seeing: float
    chi2_reduced: float
    matches: bool
    converged: bool
    frames: tuple[FrameFit, ...]

    def in_seeing(self, log_seeing: float, err: float) -> ProfileFit:
        """Return the fit with the best position for a typical seeing that is known better: ln(FWHM in µm), error."""
        move = self.best_per_log_seeing * (log_seeing - self.log_seeing)
        variance = self.err**2 + self.best_per_log_seeing**2 * (err**2 - self.log_seeing_err**2)
        frames = tuple(
            replace(
                frame,
                defocus_um=frame.defocus_um - move * self.um_per_step,
                own_defocus_um=frame.own_defocus_um - move * self.um_per_step,
            )
            for frame in self.frames
        )
        return replace(
            self, best_position=self.best_position + move, err=math.sqrt(variance), frames=frames,
            log_seeing=log_seeing, log_seeing_err=err,
        )  # fmt: skip


def fit_profiles(
    frames: Sequence[FrameProfile],
    rig: Rig,
    wavelength_um: float,
    spherical: tuple[float, float] = SPHERICAL_PRIOR,
    aside: Sequence[bool] = (),
) -> ProfileFit:
    """Fit the profiles of all frames of a run together.

    Parameters
    ----------
    frames : sequence of FrameProfile
        At least four, at four different positions.
    rig : Rig
        Focal length and aperture, obstruction and pixel size must be known. ``um_per_step`` is a
        start with 10 % of freedom; without it the way per step is found from the frames.
    wavelength_um : float
    spherical : (float, float)
        What is known of the telescope's spherical aberration: value and error, waves rms.
    aside : sequence of bool, optional
        Frames that take no part; only their own defocus is told.

    Raises
    ------
    FocuskitError
        If the rig lacks a number the model needs, or frames are too few.
    """
    return solve_profiles(frames, rig, wavelength_um, spherical, aside).report()


def solve_profiles(
    frames: Sequence[FrameProfile],
    rig: Rig,
    wavelength_um: float,
    spherical: tuple[float, float] = SPHERICAL_PRIOR,
    aside: Sequence[bool] = (),
) -> SolvedRun:
    """Do what `fit_profiles` does, but for what it tells of single frames."""
    used = ~np.asarray(aside, dtype=bool) if len(aside) else np.ones(len(frames), dtype=bool)
    positions = np.array([frame.position for frame in frames])[used]
    if np.unique(positions).size < LEAST_FRAMES:
        raise FocuskitError(
            f"{np.unique(positions).size} positions with stars: the profile fit needs {LEAST_FRAMES} at least"
        )
    model = model_for(frames, rig, wavelength_um)
    data = prepare(model, frames)
    state, priors = start(model, data.pick(used), rig, spherical)
    reasons = {int(k): "set aside before the fit" for k in np.flatnonzero(~used)}
    solution = solve(model, data.pick(used), state, priors)
    least = max(LEAST_FRAMES, math.ceil(0.7 * used.sum()))
    return SolvedRun(model, data, rig, used, reasons, solution, priors, least).without_outliers()


@dataclass(frozen=True)
class SolvedRun:
    """The solution of a run, before it is told what it means for single frames."""

    model: ProfileModel
    data: Data
    rig: Rig
    used: NDArray[np.bool_]
    reasons: dict[int, str]
    solution: Solution
    priors: Priors
    least_frames: int

    def without_outliers(self) -> SolvedRun:
        """Set frames aside, one after the other, that do not belong to the run."""
        model, data, priors = self.model, self.data, self.priors
        used, reasons, solution = self.used, dict(self.reasons), self.solution
        while used.sum() > self.least_frames:
            suspects = _suspects(data.pick(used), solution, priors)
            if not suspects:
                break
            # A frame far off bends the fit so that others look worse: the refit without it decides.
            trials = {k: _without(model, data, used, solution, priors, k) for k in suspects}
            worst = min(trials, key=lambda k: trials[k].cost)
            index = int(np.flatnonzero(used)[worst])
            after = trials[worst]
            fewer = used.copy()
            fewer[index] = False
            gained = solution.cost - after.cost - float(data.dof[index])
            # The scatter of few frames is itself uncertain, hence Student's t.
            limit = stats.t.isf(_RARE / used.sum(), max(int(used.sum()) - 4, 2))
            if gained < limit**2 * _excess(data.pick(fewer), after, priors):
                break
            reasons[index] = suspects[worst]
            used, solution = fewer, after
        return replace(self, used=used, reasons=reasons, solution=solution)

    def with_spherical(self, spherical: tuple[float, float]) -> SolvedRun:
        """Solve again with something else known of the spherical aberration: value and error, waves rms."""
        priors = replace(self.priors, spherical=spherical)
        solution = solve(self.model, self.data.pick(self.used), self.solution.state, priors, self.solution.tau)
        return replace(self, solution=solution, priors=priors).without_outliers()

    @cached_property
    def posterior(self) -> tuple[Array, Array, Array]:
        """Weights of the seeing scatters, and for all of them mean move and covariance of the parameters."""
        state, normal = self.solution.state, self.solution.normal
        weights = scatter_weights(normal, state, self.priors)
        moves, covariances = [], []
        for scatter in SCATTER_GRID:
            hessian, gradient, _, _ = reduce_normal(normal, state, self.priors, float(scatter))
            moves.append(np.linalg.solve(hessian, gradient))
            covariances.append(np.linalg.inv(hessian))
        move = weights @ np.array(moves)
        spread = np.array(moves) - move
        between = spread[:, :, None] * spread[:, None, :]
        return weights, move, np.einsum("k,kij->ij", weights, np.array(covariances) + between)

    @property
    def best_position(self) -> float:
        return self.solution.state.best + float(self.posterior[1][1])

    @property
    def spherical(self) -> tuple[float, float]:
        """Spherical term in waves rms, and its standard deviation."""
        _, move, covariance = self.posterior
        return self.solution.state.spherical + float(move[3]), math.sqrt(float(covariance[3, 3]))

    @property
    def freedom(self) -> int:
        """Degrees of freedom of chi²."""
        return int((self.data.dof[self.used] - 1).sum()) - 4

    @property
    def chi2_reduced(self) -> float:
        return float(self.solution.normal.chi2.sum()) / max(self.freedom, 1)

    def report(self) -> ProfileFit:
        """Return the fit and what it tells of every frame."""
        model, data, rig, used, solution, priors = (
            self.model, self.data, self.rig, self.used, self.solution, self.priors
        )  # fmt: skip
        state, normal = solution.state, solution.normal
        weights, move, covariance = self.posterior
        best, log_slope = self.best_position, state.log_slope + float(move[2])
        freedom = self.freedom
        chi2 = float(normal.chi2.sum())
        # Each studentised residual has unit variance, but only all less three are independent.
        free = max(int(used.sum()) - 3, 1)
        displaced = free * float(np.mean(_displacements(solution, priors) ** 2))
        matches = bool(stats.chi2.sf(chi2, freedom) > _UNLIKELY and stats.chi2.sf(displaced, free) > _UNLIKELY)
        err = math.sqrt(float(covariance[1, 1]))
        if not matches:
            apart, degrees = _jackknife(solution, priors, data.position[used])
            # Student's t for one standard deviation; the priors' part of the error stays as it is.
            widened = (float(stats.t.ppf(0.8413, degrees)) * apart) ** 2 - _noise(solution, priors)
            err = math.sqrt(err**2 + max(widened, 0.0))
        um_per_step = math.exp(log_slope)
        # A run's few frames tell the typical seeing only so well.
        scatter = float(weights @ SCATTER_GRID)
        seeing_err = scatter / math.sqrt(used.sum())
        wander = _best_per_log_seeing(model, state) / um_per_step
        err = math.hypot(err, wander * seeing_err)
        factor = fwhm_factor(state.exponent)
        own_state, own_scatter = state, scatter
        if chi2 > _NO_MATCH * max(freedom, 1):
            # Frames at places other than the focuser tells have bent all that they have in common.
            own_state = replace(state, spherical=priors.spherical[0], exponent=KOLMOGOROV_EXPONENT)
            own_scatter = float(SCATTER_GRID[-1])
        log_seeing = np.full(used.size, state.mean_log_seeing)
        log_seeing[used] = state.log_seeing
        own, own_err = own_positions(model, data, own_state, own_scatter, log_seeing)
        frames = []
        place = iter(range(int(used.sum())))
        for i, position in enumerate(data.position):
            defocus = um_per_step * (float(position) - best)
            by_parameter = np.array([0.0, -um_per_step, defocus, 0.0, 0.0])
            defocus_err = math.sqrt(float(by_parameter @ covariance @ by_parameter))
            own_um, own_err_um = um_per_step * (float(own[i]) - state.best), um_per_step * float(own_err[i])
            k = next(place) if used[i] else None
            seeing = None if k is None else factor * math.exp(state.log_seeing[k])
            frames.append(FrameFit(
                float(position), defocus, defocus_err, own_um, own_err_um, seeing, in_arcsec(seeing, rig),
                None if k is None else float(normal.chi2[k]), int(data.dof[i]) - 1, bool(used[i]), self.reasons.get(i),
            ))  # fmt: skip
        return ProfileFit(
            best_position=best, err=err,
            um_per_step=um_per_step, um_per_step_err=um_per_step * math.sqrt(float(covariance[2, 2])),
            slope_factor=um_per_step / rig.um_per_step if rig.um_per_step else None,
            spherical_waves=self.spherical[0], spherical_err=self.spherical[1],
            seeing_scatter=scatter,
            seeing_exponent=state.exponent,
            log_seeing=state.mean_log_seeing + math.log(factor), log_seeing_err=seeing_err, best_per_log_seeing=wander,
            chi2_reduced=self.chi2_reduced, matches=matches, converged=solution.converged,
            frames=tuple(frames),
        )  # fmt: skip


def position_bound(
    frames: Sequence[FrameProfile],
    rig: Rig,
    wavelength_um: float,
    *,
    best_position: float,
    seeing_um: Array,
    spherical_waves: float = 0.0,
    spherical_err: float = 0.0,
    seeing_scatter: float | None = None,
) -> float:
    """Return the least standard deviation of the best position any estimate can have (Cramér-Rao).

    Of ``frames``, only bins and variances count; ``flux`` sets the scale of the brightness. The
    seeing is free in every frame, or has the lognormal scatter given; with it, the best position is that in the
    seeing which the frames scatter about, and theirs tells it only so well. The way per step is free, the
    kernel of the seeing is Kolmogorov's.
    """
    if rig.um_per_step is None:
        raise FocuskitError("um_per_step: the bound needs the way per step")
    model = model_for(frames, rig, wavelength_um)
    data = prepare(model, frames)
    log_seeing = np.log(seeing_um)
    mean = float(log_seeing.mean())
    state = State(best_position, math.log(rig.um_per_step), spherical_waves, KOLMOGOROV_EXPONENT, log_seeing, mean, 0.0)
    state = replace(state, shift=least_hfd_shift(model, state))
    priors = Priors(
        (state.log_slope, SLOPE_UNKNOWN),
        (spherical_waves, max(spherical_err, 1e-9)),
        (KOLMOGOROV_EXPONENT, 1e-9),
    )
    normal = linearise(model, data, state)
    hessian, _, _, _ = reduce_normal(normal, state, priors, seeing_scatter or 1e3)
    typical = _best_per_log_seeing(model, state) / rig.um_per_step * (seeing_scatter or 0.0)
    return math.sqrt(float(np.linalg.inv(hessian)[1, 1]) + typical**2 / len(frames))


def _best_per_log_seeing(model: ProfileModel, state: State) -> float:
    """Return by how many µm the best position moves with the mean of ln(seeing)."""
    other = replace(state, mean_log_seeing=state.mean_log_seeing + 0.1)
    waves = (least_hfd_shift(model, other) - state.shift) / 0.1 * state.spherical
    return waves * model.um_per_wave


def model_for(frames: Sequence[FrameProfile], rig: Rig, wavelength_um: float) -> ProfileModel:
    if rig.f_ratio is None or rig.obstruction is None or rig.pixel_um is None:
        raise FocuskitError("rig: the profile fit needs focal length, aperture, obstruction and pixel size")
    radius_px = max(frame.bins.shape[1] - 1 for frame in frames) / BINS_PER_PX
    return profile_model(rig.f_ratio, rig.obstruction, rig.pixel_um, wavelength_um, radius_px)


def _without(
    model: ProfileModel, data: Data, used: NDArray[np.bool_], solution: Solution, priors: Priors, k: int
) -> Solution:
    """Solve again without the ``k``-th of the frames in use."""
    fewer = used.copy()
    fewer[np.flatnonzero(used)[k]] = False
    state = replace(solution.state, log_seeing=np.delete(solution.state.log_seeing, k))
    return solve(model, data.pick(fewer), state, priors, solution.tau)


def _displacements(solution: Solution, priors: Priors) -> Array:
    """Return the studentised displacement of each frame against what the other frames say of it.

    It is a score test: each frame is tried with a displacement of its own.
    """
    state, normal, tau = solution.state, solution.normal, solution.tau
    hessian, _, own, own_gradient = reduce_normal(normal, state, priors, tau)
    inverse = np.linalg.inv(hessian)
    score = np.zeros(normal.chi2.size)
    for i in range(score.size):
        cross = normal.matrix[i, 0].copy()
        cross[0] = -1.0 / tau**2
        row = normal.matrix[i, 1].copy()
        row[0] = 0.0
        row -= cross[1] / own[i] * cross
        information = row[1] - row @ inverse @ row
        # In focus a star does not move the fit, and a frame without rivals cannot be tested.
        if information > 1e-6 * row[1] > 0.0:
            score[i] = (normal.gradient[i, 1] - cross[1] / own[i] * own_gradient[i]) / math.sqrt(information)
    return score


def _suspects(data: Data, solution: Solution, priors: Priors) -> dict[int, str]:
    """Return the frames that may not belong to the run, each with what is wrong with it."""
    score = _displacements(solution, priors)
    chi2 = solution.normal.chi2
    reduced = chi2 / np.maximum(data.dof - 2, 1)
    odd = reduced > _ODD_SHAPE**2 * max(1.0, float(np.median(reduced)))
    reasons = {}
    for k in {*np.argsort(-np.abs(score))[:3], *np.flatnonzero(odd)}:
        if score[k] ** 2 > max(_OUTLIER_SIGMA**2, 0.5 * chi2[k] if odd[k] else 0.0):
            reasons[int(k)] = "its stars put it at another position than the focuser tells"
        elif odd[k]:
            reasons[int(k)] = "the shape of its stars departs from the model far more than in the other frames"
    return reasons


def _excess(data: Data, solution: Solution, priors: Priors) -> float:
    """Return by how much the frames scatter more than their noise: 1 or more, as chi² reduced.

    Of shapes and positions the worse counts: a focuser that does not hold its positions hardly shows
    in the shapes.
    """
    shape = float(solution.normal.chi2.sum()) / max(int((data.dof - 1).sum()) - 4, 1)
    place = float(np.mean(_displacements(solution, priors) ** 2))
    return max(1.0, shape, place)


def _jackknife(solution: Solution, priors: Priors, position: Array) -> tuple[float, int]:
    """Return the standard deviation of the best position from leaving out frames, and its degrees.

    Frames are left out in pairs as far from focus: what the model misses alike on both sides (light of
    neighbours, the obstruction) moves their own best positions apart, and not that of the run.
    """
    normal, state, tau = solution.normal, solution.state, solution.tau
    hessian, gradient, _, _ = reduce_normal(normal, state, priors, tau)
    outwards = np.argsort(np.abs(position - state.best))
    first = outwards.size % 2
    pairs = [outwards[:first], *(outwards[k : k + 2] for k in range(first, outwards.size, 2))]
    left_out = []
    for pair in pairs:
        part = NormalEquations(normal.chi2[pair], normal.matrix[pair], normal.gradient[pair])
        own = replace(state, log_seeing=state.log_seeing[pair])
        own_hessian, own_part, _, _ = reduce_normal(part, own, NO_PRIORS, tau)
        left_out.append(np.linalg.solve(hessian - own_hessian, gradient - own_part)[1])
    count = len(pairs)
    return math.sqrt((count - 1) * float(np.var(left_out))), max(count - 2, 1)


def _noise(solution: Solution, priors: Priors) -> float:
    """Return the part of the variance of the best position that comes from the frames' noise."""
    normal, state, tau = solution.normal, solution.state, solution.tau
    inverse = np.linalg.inv(reduce_normal(normal, state, priors, tau)[0])
    told = reduce_normal(normal, state, NO_PRIORS, tau)[0]
    return float(inverse[1] @ told @ inverse[1])


def in_arcsec(seeing_um: float | None, rig: Rig) -> float | None:
    if seeing_um is None or rig.focal_length_mm is None:
        return None
    return seeing_um * 1e-3 / rig.focal_length_mm * ARCSEC_PER_RADIAN
