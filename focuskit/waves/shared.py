"""The profile fit of whole nights: stack each run's frames, fit, learn the telescope's spherical term."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from focuskit.core.calibration import Calibration, Seeing, SeenStep, Shown, Spherical, pool_spherical, pool_steps
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import ARCSEC_PER_RADIAN
from focuskit.stars import MeasuredFrame, StarMatch
from focuskit.waves.fit import LEAST_FRAMES, SPHERICAL_PRIOR, SolvedRun, solve_profiles
from focuskit.waves.result import ProfileFit, RunProfiles
from focuskit.waves.stack import StackTask, stack_radius_px
from focuskit.waves.unknown import NOTHING_LOGGED, with_optics

_LEAST_STARS = 2
# So many stars allow to leave those out that one frame alone shows.
_ENOUGH_TO_CHOOSE = 3
# Stars that add less than this share of the information are not worth the time, if enough are left.
_NEGLIGIBLE = 0.2
_ENOUGH_STARS = 60
# A star is one that so many frames show within so many pixels: with a hundred peaks in a frame of half a megapixel, a
# chance peak meets another in one frame by 1 in 100, in two of eight by 1 in 2,000.
_SEVERAL, _SAME_PLACE_PX = 3, 3.0
# By how much the typical seeing may differ from run to run, in its logarithm; all alike before the runs are seen.
_RUN_WIDTHS = np.geomspace(0.002, 0.6, 20)
# Of the sweep: so far beyond its ends a best position is sought, which frames on one side of focus show by their rings.
_BEYOND = 0.5
# A step that other runs show is that of another focuser or camera where a run by itself differs from it by so many
# standard errors: chosen, as one run in 15,000 does by chance.
_ANOTHER = 4.0


def star_weights(frames: Sequence[MeasuredFrame], match: StarMatch) -> np.ndarray:
    """Return the weight of each star of a run in its stack, shape (stars,); 0 for those not to be stacked."""
    sound = match.sound & np.isfinite(match.brightness)
    often = sound & (np.isfinite(match.hfd_px).sum(axis=0) >= 2)
    if often.sum() >= _ENOUGH_TO_CHOOSE:
        sound = often
    if sound.sum() < _LEAST_STARS:
        return np.zeros(sound.size)
    light = np.where(sound, match.brightness, 0.0)
    area = math.pi * (frames[0].hfd_px or 5.0) ** 2 / 4.0
    told = light**2 / (area * frames[0].image.noise_adu ** 2 + light / (frames[0].info.gain or 1.0))
    order = np.argsort(told)
    few = np.cumsum(told[order]) < _NEGLIGIBLE * told.sum()
    few[max(few.size - _ENOUGH_STARS, 0) :] = False
    told[order[few]] = 0.0
    return told


def stack_tasks(
    frames: Sequence[MeasuredFrame], match: StarMatch, hfd_px: np.ndarray, weights: np.ndarray
) -> list[tuple[int, StackTask]]:
    """Return what to stack for each frame of a run, with the frame's number; empty with too few stars."""
    sound = weights > 0
    if not sound.any():
        return []
    known, places = _seen_often(frames, match, hfd_px), match.places_px
    tasks = []
    for k, frame in enumerate(frames):
        if not (np.isfinite(match.shift_px[k]).all() and np.isfinite(hfd_px[k]) and frame.info.position is not None):
            continue
        x, y = places[k, sound].T
        tasks.append(
            (
                k,
                StackTask(
                    path=frame.info.path,
                    x_px=x,
                    y_px=y,
                    flux=match.brightness[sound],
                    sky=frame.image.sky.at(x, y),
                    noise=frame.image.noise_adu,
                    radius_px=stack_radius_px(float(hfd_px[k])),
                    position=frame.info.position,
                    gain=frame.info.gain,
                    known=match.in_frame(k, known),
                    sites=frame.info.sites(),
                    plane=frame.info.plane(),
                ),
            )
        )
    return tasks


def _seen_often(frames: Sequence[MeasuredFrame], match: StarMatch, hfd_px: np.ndarray) -> np.ndarray:
    """Return the places of all stars of the richest frame, sound or not, that several frames show, shape (stars, 2).

    Places are on the common grid. Cosmic rays, hot pixels under a sky that moves and pieces of donuts drop out.
    """
    usable = np.flatnonzero(np.isfinite(match.shift_px).all(axis=1) & np.isfinite(hfd_px))
    places = {
        k: match.on_grid(k, np.stack((frames[k].image.measured.x_px, frames[k].image.measured.y_px), axis=1))
        for k in usable.tolist()
    }
    if not places:
        return np.empty((0, 2))
    richest = places[max(places, key=lambda k: frames[k].image.count)]
    near = [cKDTree(places[k]).query(richest)[0] < max(_SAME_PLACE_PX, 0.3 * hfd_px[k]) for k in places]
    return richest[np.sum(near, axis=0) >= min(_SEVERAL, len(places))]


def fit_night(
    runs: Sequence[RunProfiles | None],
    logged: Calibration | None = None,
    by_rig: Mapping[str | None, Calibration] = NOTHING_LOGGED,
) -> list[tuple[ProfileFit | None, Shown | None]]:
    """Fit the profiles of all runs of one telescope.

    What is not known of the optics is found first. Each run is fitted by itself; then again with the spherical
    aberration from the other runs and those logged before, and the µm per step from those of its camera. Both are
    constants of the telescope (the aberration as length of path; in waves it goes with the wavelength). Where the best
    position of aberrated light goes with the seeing, that of the other runs tells what is typical.

    Parameters
    ----------
    runs : sequence of (RunProfiles or None)
    logged : Calibration, optional
        What other runs of the telescope showed.
    by_rig : mapping of rig names to Calibration, optional
        The same for each of its cameras: of its optics and steps.

    Returns
    -------
    list of (ProfileFit or None, Shown or None)
        The final fit, and what the run by itself showed of the telescope.
    """
    logged = logged or Calibration()
    runs = with_optics(runs, by_rig)
    alone = [_solve(_with_step(run, by_rig)) for run in runs]
    shown = [_shown_by(run, solved) if run and solved else None for run, solved in zip(runs, alone, strict=True)]
    fits: list[ProfileFit | None] = []
    for k, (run, solved) in enumerate(zip(runs, alone, strict=True)):
        fit = None
        if run and solved:
            others = [(runs[j], own) for j, own in enumerate(shown) if own and j != k]
            aberrations = [*(own.spherical for _, own in others if own.spherical), *logged.spherical]
            steps = [own.step for other, own in others if own.step and other and other.rig.name == run.rig.name]
            known = _step_of_others(run, solved, steps, by_rig.get(run.rig.name, Calibration()).step)
            if aberrations:
                known["spherical"] = pool_spherical(aberrations, run.wavelength_um)
            better = solved.with_known(**known) if known else solved
            fit = (better if _is_sound(better) else solved).report(run.errors)
        fits.append(fit if fit and math.isfinite(fit.err) and fit.err > 0 else None)
    return list(zip(_in_typical_seeing(fits, runs, logged.seeing), shown, strict=True))


def _with_step(run: RunProfiles | None, by_rig: Mapping[str | None, Calibration]) -> RunProfiles | None:
    """Return a run whose positions are too few to show the size of a step with that of logged ones."""
    if run is None or run.rig.um_per_step or len({one.position for one in run.profiles}) >= LEAST_FRAMES:
        return run
    known = by_rig.get(run.rig.name, Calibration()).step
    if not known:
        return run
    return replace(run, rig=replace(run.rig, um_per_step=math.exp(pool_steps(known, run.rig, run.errors)[0])))


def _step_of_others(
    run: RunProfiles, solved: SolvedRun, tonight: Sequence[SeenStep], logged: Sequence[SeenStep]
) -> dict[str, tuple[float, float]]:
    """Return what other runs show of ln(µm per step), as `Priors` names it; nothing where the run shows another."""
    errors = run.errors
    if tonight and "obstruction" in errors.found:
        # The runs of one night have one obstruction, and its error, in common.
        logged, errors = (), replace(errors, found=frozenset())
    if not (tonight or logged):
        return {}
    (value, err), (own, own_err) = pool_steps([*tonight, *logged], run.rig, errors), solved.log_step
    return {"log_slope": (value, err)} if abs(value - own) < _ANOTHER * math.hypot(err, own_err) else {}


def pool_seeing(seeings: Sequence[Seeing]) -> list[Seeing]:
    """Return what is known of each run's typical seeing when all runs are looked at.

    The runs' means are drawn from one normal law; its width is averaged over, each weighted by its restricted
    likelihood. Where the runs differ by no more than their errors, they are taken for one.
    """
    value = np.array([one.log_arcsec for one in seeings])
    variance = np.array([max(one.variance, 1e-8) for one in seeings])
    weights, means, spreads = [], [], []
    for width in _RUN_WIDTHS:
        precision = 1.0 / (variance + width**2)
        middle = precision @ value / precision.sum()
        excess = precision @ (value - middle) ** 2
        weights.append(-0.5 * (excess - np.log(precision).sum() + math.log(precision.sum())))
        own = width**2 * precision
        means.append(own * value + (1.0 - own) * middle)
        spreads.append(own * variance + (1.0 - own) ** 2 / precision.sum())
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    mean = share @ np.array(means)
    spread = share @ (np.array(spreads) + (np.array(means) - mean) ** 2)
    return [Seeing(float(m), float(v)) for m, v in zip(mean, spread, strict=True)]


def _in_typical_seeing(
    fits: Sequence[ProfileFit | None], runs: Sequence[RunProfiles | None], logged: Sequence[Seeing]
) -> list[ProfileFit | None]:
    own: dict[int, Seeing] = {}
    for k, (fit, run) in enumerate(zip(fits, runs, strict=True)):
        if fit and run and run.rig.focal_length_mm:
            log_arcsec = fit.log_seeing + math.log(ARCSEC_PER_RADIAN / (1e3 * run.rig.focal_length_mm))
            own[k] = Seeing.seen_at(run.wavelength_um, log_arcsec, fit.log_seeing_err**2)
    if len(own) + len(logged) < 2 or not own:
        return list(fits)
    out = list(fits)
    for (k, before), after in zip(own.items(), pool_seeing([*own.values(), *logged]), strict=False):
        fit = fits[k]
        assert fit
        out[k] = fit.in_seeing(fit.log_seeing + after.log_arcsec - before.log_arcsec, math.sqrt(after.variance))
    return out


def _solve(run: RunProfiles | None) -> SolvedRun | None:
    """Solve a run by itself; None where that leads nowhere."""
    if run is None:
        return None
    try:
        solved = solve_profiles(run.profiles, run.rig, run.wavelength_um, SPHERICAL_PRIOR, run.aside)
    except FocuskitError:
        return None
    return solved if _is_sound(solved) else None


def _is_sound(solved: SolvedRun) -> bool:
    low, high = float(solved.data.position.min()), float(solved.data.position.max())
    beyond = _BEYOND * (high - low)
    return solved.solution.converged and low - beyond < solved.best_position < high + beyond


def _shown_by(run: RunProfiles, solved: SolvedRun) -> Shown:
    """Return what a run by itself shows of its telescope."""
    step = None
    if len({one.position for one in run.profiles}) >= LEAST_FRAMES and run.rig.f_ratio and run.rig.pixel_um:
        log_um, err = solved.log_step
        found = run.errors.found
        step = SeenStep(
            px=math.exp(log_um) / (run.rig.f_ratio * run.rig.pixel_um),
            err=err,
            pixel_um=None if "pixel_um" in found else run.rig.pixel_um,
            f_ratio=None if "f_ratio" in found else run.rig.f_ratio,
        )
    return Shown(_spherical_of(run, solved), run.optics, step)


def _spherical_of(run: RunProfiles, solved: SolvedRun) -> Spherical:
    value, err = solved.spherical
    return Spherical(value * run.wavelength_um, err * run.wavelength_um, run.wavelength_um)
