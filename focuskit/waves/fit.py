"""Best position of a run from the shape of its stars: seeing and defocus told apart.

Defocus makes a ring of known diameter, seeing blurs it. All frames are fitted together with one best position, one
µm per step, one spherical term and one exponent of the seeing; each frame has its own seeing, brightness and sky. The
seeings of a run are drawn from one lognormal law whose width is estimated with the rest.

Brightness and sky are linear and are projected out once (`solve.prepare`). The rest is solved by Gauss-Newton steps on
the exact model (`solve.solve`), from a start that a coarse scan of |defocus| and seeing finds frame by frame (`start`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr, ndtri, stdtrit

from focuskit.core.calibration import SPHERICAL_PRIOR
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import GIVEN, KOLMOGOROV_EXPONENT, OpticsErrors, Rig
from focuskit.core.reasons import Reason
from focuskit.waves.each_frame import displacements, influences, jackknife, own_positions, scatter_of_stars, suspects
from focuskit.waves.model import BINS_PER_PX, ProfileModel, fwhm_factor, profile_model
from focuskit.waves.result import FrameFit, ProfileFit, in_arcsec
from focuskit.waves.solve import (
    BEST,
    EXPONENT,
    LOG_SLOPE,
    NO_PRIORS,
    SCATTER_GRID,
    SEEING,
    SPHERICAL,
    Data,
    Parameter,
    Solution,
    best_per_log_seeing,
    least_hfd_shift,
    linearise,
    obstruction_moves,
    over_scatters,
    prepare,
    reduce_normal,
    solve,
)
from focuskit.waves.stack import FrameProfile
from focuskit.waves.start import start

Array = NDArray[np.float64]

# Positions that a fit needs: best position, step size and spherical term alone match any three, and the fourth shows a
# misfit. Where the step size is known, one fewer is enough.
LEAST_FRAMES = 4
_USED_SHARE = 0.7  # chosen: where more than three frames in ten do not belong, nobody can tell which ones do
# Chances by which sound runs are suspected: one in a hundred gets a wider error, one in a thousand loses a frame.
_UNLIKELY, _RARE = 0.01, 0.001
# Above this chi² reduced, frames may be at wrong positions and have bent all that the run has in common: chosen.
_NO_MATCH = 5.0
# Stars are left out that move the best position by more than so many times their noise, or the scatter of the others,
# at most this part of all. Chosen: noise makes one in thirty thousand runs lose one of sixty.
_ODD_SIGMA, _ODD_STARS = 5.0, 0.2
_MIDDLE_OFF = float(ndtri(0.75))  # of a normal law, the median of absolute values
_SMALL = 0.02  # relative change of the focal ratio for the derivative of the results: well below its error
_ONE_SIGMA = float(ndtr(1.0))  # chance of a normal law below one standard deviation


def solve_profiles(
    frames: Sequence[FrameProfile],
    rig: Rig,
    wavelength_um: float,
    spherical: tuple[float, float] = SPHERICAL_PRIOR,
    aside: Sequence[bool] = (),
) -> SolvedRun:
    """Fit the profiles of all frames of a run together; `SolvedRun.report` says what it means.

    Parameters
    ----------
    frames : sequence of FrameProfile
        At four different positions or more; three where ``um_per_step`` is known.
    rig : Rig
        Focal length and aperture, obstruction and pixel size must be known. ``um_per_step`` is a
        start with 10 % of freedom; without it the step size is found from the frames.
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
    used = ~np.asarray(aside, dtype=bool) if len(aside) else np.ones(len(frames), dtype=bool)
    positions = np.array([frame.position for frame in frames])[used]
    needed = LEAST_FRAMES if rig.um_per_step is None else LEAST_FRAMES - 1
    if np.unique(positions).size < needed:
        raise FocuskitError(
            f"{np.unique(positions).size} positions with stars: the profile fit needs {needed} at least"
        )
    model = model_for(frames, rig, wavelength_um)
    data = prepare(model, frames)
    solution = solve(model, data.pick(used), *start(model, data.pick(used), rig, spherical))
    reasons = {int(k): Reason("set_aside", "set aside before the fit") for k in np.flatnonzero(~used)}
    least = max(needed, math.ceil(_USED_SHARE * used.sum()))
    run = SolvedRun(tuple(frames), model, data, rig, wavelength_um, used, reasons, solution, least)
    return run.without_outliers().without_odd_stars()


@dataclass(frozen=True, eq=False, repr=False)
class SolvedRun:
    """The solution of a run, before it is told what it means for single frames."""

    profiles: tuple[FrameProfile, ...]
    model: ProfileModel
    data: Data
    rig: Rig
    wavelength_um: float
    used: NDArray[np.bool_]
    reasons: dict[int, Reason]
    solution: Solution
    least_frames: int

    def without_outliers(self) -> SolvedRun:
        """Set frames aside, one after the other, that do not belong to the run."""
        run = self
        while run.used.sum() > run.least_frames:
            why = suspects(run.data.pick(run.used), run.solution)
            if not why:
                break
            # A frame far off bends the fit so that others look worse: the refit without it decides.
            trials = {k: run._without(k, reason) for k, reason in why.items()}
            worst = min(trials, key=lambda k: trials[k].solution.cost)
            trial = trials[worst]
            gained = run.solution.cost - trial.solution.cost - float(run.data.dof[run.used][worst])
            # The scatter of few frames is itself uncertain, hence Student's t.
            count = int(run.used.sum())
            limit = -stdtrit(max(count - len(Parameter) + 1, 2), _RARE / count)
            if gained < limit**2 * trial._excess:
                break
            run = trial
        return run

    def without_odd_stars(self) -> SolvedRun:
        """Leave out stars that move the best position too far, as unseen companions do, which chi² hardly shows."""
        run = self
        for _ in range(int(_ODD_STARS * np.count_nonzero(self.data.shares.any(axis=0)))):
            moves, stars, shares = scatter_of_stars(run.model, run.data.pick(run.used), run.solution)
            if not stars.size:
                break
            off = np.abs(moves[:, BEST]) / np.sqrt(run._noise[BEST, BEST] * shares)
            worst = int(off.argmax())
            if off[worst] < _ODD_SIGMA * max(1.0, float(np.median(off)) / _MIDDLE_OFF):
                break
            profiles = tuple(profile.without(int(stars[worst])) for profile in run.profiles)
            data, before = prepare(run.model, profiles), run.solution
            solution = solve(run.model, data.pick(run.used), before.state, before.priors, before.tau)
            run = replace(run, profiles=profiles, data=data, solution=solution)
        return run

    @property
    def _noise(self) -> Array:
        """Covariance of the parameters from the noise of the profiles alone."""
        data_only = reduce_normal(self.solution.normal, self.solution.state, NO_PRIORS, self.solution.tau).hessian
        inverse = np.linalg.inv(self.solution.reduced().hessian)
        return np.asarray(inverse @ data_only @ inverse)

    def _without(self, k: int, reason: Reason) -> SolvedRun:
        """Solve again without the ``k``-th of the frames in use."""
        index = int(np.flatnonzero(self.used)[k])
        used = self.used.copy()
        used[index] = False
        before = self.solution
        state = replace(before.state, log_seeing=np.delete(before.state.log_seeing, k))
        solution = solve(self.model, self.data.pick(used), state, before.priors, before.tau)
        return replace(self, used=used, solution=solution, reasons=self.reasons | {index: reason})

    def with_known(self, **known: tuple[float, float]) -> SolvedRun:
        """Solve again with more known: value and error of what `Priors` names."""
        before = self.solution
        priors = replace(before.priors, **known)
        solution = solve(self.model, self.data.pick(self.used), before.state, priors, before.tau)
        return replace(self, solution=solution).without_outliers()

    @cached_property
    def posterior(self) -> tuple[Array, Array, Array]:
        """Weights of the seeing scatters, and for all of them mean move and covariance of the parameters."""
        weights, moves, covariances = over_scatters(self.solution.normal, self.solution.state, self.solution.priors)
        move = weights @ moves
        between = (moves - move)[:, :, None] * (moves - move)[:, None, :]
        return weights, move, np.einsum("k,kij->ij", weights, covariances + between)

    @property
    def best_position(self) -> float:
        """Position of least half-flux diameter in steps."""
        return self.solution.state.best + float(self.posterior[1][BEST])

    @property
    def spherical(self) -> tuple[float, float]:
        """Spherical term in waves rms, and its standard deviation."""
        _, move, covariance = self.posterior
        value = self.solution.state.spherical + float(move[SPHERICAL])
        return value, math.sqrt(float(covariance[SPHERICAL, SPHERICAL]))

    @cached_property
    def log_step(self) -> tuple[float, float]:
        """ln(µm per step) and its standard deviation, without that of the optics."""
        covariance = self._covariance(self.matches, np.zeros((1, len(Parameter))))
        value = self.solution.state.log_slope + float(self.posterior[1][LOG_SLOPE])
        return value, math.sqrt(float(covariance[LOG_SLOPE, LOG_SLOPE]))

    @property
    def freedom(self) -> int:
        """Degrees of freedom of chi²: each frame has its seeing, the run all other parameters."""
        return int((self.data.dof[self.used] - 1).sum()) - (len(Parameter) - 1)

    @property
    def chi2_reduced(self) -> float:
        """The frames' chi² over its degrees of freedom."""
        return float(self.solution.normal.chi2.sum()) / max(self.freedom, 1)

    @property
    def _excess(self) -> float:
        """By how much the frames scatter more than their noise: 1 or more, as chi² reduced.

        Of shapes and positions the worse counts: wrong positions of the focuser hardly show in the shapes.
        """
        return max(1.0, self.chi2_reduced, float(np.mean(displacements(self.solution) ** 2)))

    @property
    def matches(self) -> bool:
        """Whether shapes and positions of the frames depart from the model by no more than chance."""
        # Each studentised displacement has unit variance, but only all less three are independent.
        free = max(int(self.used.sum()) - 3, 1)
        displaced = free * float(np.mean(displacements(self.solution) ** 2))
        chances = chdtrc([self.freedom, free], [float(self.solution.normal.chi2.sum()), displaced])
        return bool(min(chances) > _UNLIKELY)

    def report(self, errors: OpticsErrors = GIVEN) -> ProfileFit:
        """Return the fit and what it says of every frame; ``errors`` are those of the rig's numbers."""
        state, matches = self.solution.state, self.matches
        weights, move, _ = self.posterior
        moves = self._optics_moves(errors)
        covariance = self._covariance(matches, moves)
        if not errors.found & {"f_ratio", "pixel_um"}:
            # For the same sizes, µm per step is proportional to the focal ratio.
            covariance[LOG_SLOPE, LOG_SLOPE] += errors.f_ratio**2
        um_per_step = math.exp(state.log_slope + float(move[LOG_SLOPE]))
        # A run's few frames tell the typical seeing only so well.
        scatter = float(weights @ SCATTER_GRID)
        seeing_err = scatter / math.sqrt(self.used.sum())
        per_log_seeing = best_per_log_seeing(self.model, state) / um_per_step
        best_err, spherical_err = np.sqrt(np.diag(covariance))[[BEST, SPHERICAL]]
        return ProfileFit(
            best_position=self.best_position,
            err=math.hypot(best_err, per_log_seeing * seeing_err),
            optics_err=float(np.abs(moves[1:, BEST]).sum()),
            um_per_step=um_per_step,
            um_per_step_err=um_per_step * math.sqrt(float(covariance[LOG_SLOPE, LOG_SLOPE])),
            slope_factor=um_per_step / self.rig.um_per_step if self.rig.um_per_step else None,
            spherical_waves=self.spherical[0],
            spherical_err=float(spherical_err),
            seeing_scatter=scatter,
            seeing_exponent=state.exponent,
            seeing_exponent_err=math.sqrt(float(covariance[EXPONENT, EXPONENT])),
            log_seeing=state.mean_log_seeing + math.log(fwhm_factor(state.exponent)),
            log_seeing_err=seeing_err,
            best_per_log_seeing=per_log_seeing,
            chi2_reduced=self.chi2_reduced,
            matches=matches,
            converged=self.solution.converged,
            rig=self.rig,
            errors=errors,
            frames=self._frame_fits(um_per_step, scatter, covariance, errors.in_um),
            star_shares=self._star_shares(),
        )

    def _covariance(self, matches: bool, moves: Array) -> Array:
        """Return the covariance of the parameters, shape (parameters, parameters), with all that is in quoted errors.

        That of the posterior, averaged over the scatters of the seeing; where the model does not match, the part of the
        noise grows by the excess of chi², for the best position by the jackknife over frames instead; where stars
        scatter more than that, it grows towards their scatter; last come the ``moves`` by the errors of the optics.
        """
        noise = self._noise
        wider = np.zeros(noise.shape)
        if not matches:
            wider = (self._excess - 1.0) * noise
            # The frames' own scatter says it of the best position, where misfit alike on both sides does no harm.
            apart, degrees = jackknife(self.solution, self.data.position[self.used])
            # Student's t for one standard deviation.
            widened = (float(stdtrit(degrees, _ONE_SIGMA)) * apart) ** 2
            wider *= np.outer(*2 * [np.arange(len(Parameter)) != BEST])
            wider[BEST, BEST] = max(widened - float(noise[BEST, BEST]), 0.0)
        by_star = (scatter_of_stars(self.model, self.data.pick(self.used), self.solution)[0] ** 2).sum(axis=0)
        excess = np.maximum(by_star - np.diag(noise + wider), 0.0)
        # An excess counts by its part of the scatter: a small one is chance, or one star's gain its neighbour's loss.
        wider += np.diag(excess**2 / np.maximum(by_star, 1e-300))
        return np.asarray(self.posterior[2] + wider + moves.T @ moves)

    def _optics_moves(self, errors: OpticsErrors) -> Array:
        """Return by how much each parameter moves with an error of the obstruction, and with one of the focal ratio."""
        hole = errors.obstruction * obstruction_moves(self.model, self.data.pick(self.used), self.solution)
        if "obstruction" not in errors.found:
            # That of the best position, 0.7 µm for 0.03 waves, is the same in all runs and no error between them.
            hole[BEST] = 0.0
        if errors.found & {"f_ratio", "pixel_um"}:
            return np.stack((hole, errors.f_ratio * self._diffraction_moves()))
        return hole[None]

    def _star_shares(self) -> Array:
        """Return by how much the best position moves with the focus of each star in each frame."""
        shares = np.zeros(self.data.shares.shape)
        shares[self.used] = influences(self.solution)[:, None] * self.data.shares[self.used]
        return shares

    def _diffraction_moves(self) -> Array:
        """Return by how much each parameter moves with the logarithm of the focal ratio, at the same pixel."""
        rig = replace(self.rig, aperture_mm=None, focal_ratio=(1.0 + _SMALL) * (self.rig.f_ratio or 1.0))
        model = model_for(self.profiles, rig, self.wavelength_um)
        state, priors = self.solution.state, self.solution.priors
        # The same image to first order: a donut that grows as fast, and rays that are as far off.
        wider = math.log1p(_SMALL)
        near = replace(state, log_slope=state.log_slope + wider, spherical=state.spherical / (1.0 + _SMALL))
        near_priors = replace(priors, log_slope=(priors.log_slope[0] + wider, priors.log_slope[1]))
        normal = linearise(model, prepare(model, self.profiles).pick(self.used), near)
        reduced = reduce_normal(normal, near, near_priors, self.solution.tau)
        move = np.linalg.solve(reduced.hessian, reduced.gradient)
        there = replace(
            near,
            spherical=near.spherical + float(move[SPHERICAL]),
            mean_log_seeing=near.mean_log_seeing + float(move[SEEING]),
        )
        shift = (least_hfd_shift(model, there) - state.shift) * there.spherical
        move[BEST] += shift * model.um_per_wave / math.exp(near.log_slope)
        move[LOG_SLOPE] += wider
        move[SPHERICAL] += near.spherical - state.spherical
        return np.asarray(move / wider)

    def _frame_fits(self, um_per_step: float, scatter: float, covariance: Array, in_um: bool) -> tuple[FrameFit, ...]:
        """Return what the fit says of each frame, angles only where lengths are known."""
        state, position = self.solution.state, self.data.position
        own, own_err = self._own_positions(scatter)
        defocus = um_per_step * (position - self.best_position)
        by_parameter = np.zeros((position.size, len(Parameter)))
        by_parameter[:, BEST], by_parameter[:, LOG_SLOPE] = -um_per_step, defocus
        defocus_err = np.sqrt(np.einsum("fi,ij,fj->f", by_parameter, covariance, by_parameter))
        in_use = np.flatnonzero(self.used)
        seeing = dict(zip(in_use, fwhm_factor(state.exponent) * np.exp(state.log_seeing), strict=True))
        chi2 = dict(zip(in_use, self.solution.normal.chi2, strict=True))
        return tuple(
            FrameFit(
                position=float(position[k]),
                defocus_um=float(defocus[k]),
                defocus_err_um=float(defocus_err[k]),
                own_defocus_um=um_per_step * float(own[k] - state.best),
                own_defocus_err_um=um_per_step * float(own_err[k]),
                seeing_um=float(seeing[k]) if k in seeing else None,
                seeing_arcsec=in_arcsec(seeing.get(k), self.rig) if in_um else None,
                chi2=float(chi2[k]) if k in chi2 else None,
                dof=int(self.data.dof[k]) - 1,
                used=bool(self.used[k]),
                why_not_used=self.reasons.get(k),
            )
            for k in range(position.size)
        )

    def _own_positions(self, scatter: float) -> tuple[Array, Array]:
        """Return where the stars of each frame put it by themselves, in steps, and the error."""
        state = self.solution.state
        log_seeing = np.full(self.used.size, state.mean_log_seeing)
        log_seeing[self.used] = state.log_seeing
        if self.chi2_reduced > _NO_MATCH:
            # Frames at places other than the focuser reports have bent all that they have in common.
            state = replace(state, spherical=self.solution.priors.spherical[0], exponent=KOLMOGOROV_EXPONENT)
            scatter = float(SCATTER_GRID[-1])
        return own_positions(self.model, self.data, state, scatter, log_seeing)


def model_for(frames: Sequence[FrameProfile], rig: Rig, wavelength_um: float) -> ProfileModel:
    """Return the model that reaches as far as the widest of the profiles.

    Raises
    ------
    FocuskitError
        If the rig lacks a number the model needs.
    """
    if rig.f_ratio is None or rig.obstruction is None or rig.pixel_um is None:
        raise FocuskitError("rig: the profile fit needs focal length, aperture, obstruction and pixel size")
    radius_px = max(frame.bins.shape[1] - 1 for frame in frames) / BINS_PER_PX
    return profile_model(rig.f_ratio, rig.obstruction, rig.pixel_um, wavelength_um, radius_px)
