"""What is not known of the optics, found from the stars of the runs of one telescope.

The growth of a donut per step follows from the frames, whatever the optics. Focal ratio and wavelength show by
diffraction alone, in pixels: λN over the size of a pixel. It decides how sharp the rims of donuts are, and the seeing
cannot do the same to near and to wide ones. So the fit of the richest runs is repeated over that ratio and over the
obstruction, whichever is not known, and the deepest place of its cost is sought.

Where a pixel's size is not known either, a nominal one stands for it: the fit is the same at any scale.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from focuskit.core.calibration import (
    F_RATIOS,
    FOUND_ERRS,
    MOST_OBSTRUCTION,
    OPTICS_PRIOR_ERRS,
    PIXELS_UM,
    Calibration,
    SeenOptics,
    optics_of,
    pool_optics,
)
from focuskit.core.errors import FocuskitError
from focuskit.core.optics import (
    NOMINAL_PIXEL_UM,
    OpticsErrors,
    Rig,
    fill_gaps,
)
from focuskit.waves.fit import LEAST_FRAMES, SPHERICAL_PRIOR, model_for, solve_profiles
from focuskit.waves.result import RunProfiles
from focuskit.waves.solve import Data, Parameter, Solution, prepare, solve
from focuskit.waves.start import UM_PER_STEP_ERR, start

_FIRST_F_RATIO = 4.0  # a ratio that is too low leads down to the true one; one far too high leads astray
# Steps of ln(focal ratio) and of the obstruction, ever finer; the last are those of the parabola at the end. Over a
# step of these the cost is near a parabola, and changes by more than the search leaves open.
_STEPS = ((0.25, 0.1), (0.1, 0.05), (0.05, 0.03))
# A run that shows nothing of a number has an error of so many times the range of telescopes.
_NOTHING = 10.0
# The logged optics are those of another telescope where the runs at hand differ from them by so many standard errors,
# which the nights of one telescope do in 3 of 10,000 cases.
_ANOTHER = 4.0
NOTHING_LOGGED: Mapping[str | None, Calibration] = MappingProxyType({})
_RICHEST = 2  # runs that the search rests on at the end: more of them cost time, and the errors on top stay

Place = tuple[float, float]
Bowl = tuple[np.ndarray, np.ndarray]


def with_optics(
    runs: Sequence[RunProfiles | None], logged: Mapping[str | None, Calibration] = NOTHING_LOGGED
) -> list[RunProfiles | None]:
    """Fill in what is not known of the rig of runs, and how well it is known then; runs of one rig together.

    ``logged`` is what other runs of each rig showed, by its name. Without it, runs of a rig of which no run has enough
    positions to find it become None.
    """
    unknown: dict[Rig, list[int]] = {}
    for k, run in enumerate(runs):
        if run and not (run.rig.f_ratio and run.rig.pixel_um and run.rig.obstruction is not None):
            unknown.setdefault(run.rig, []).append(k)
    out = list(runs)
    for rig, members in unknown.items():
        known = logged.get(rig.name, Calibration())
        same = {k: run for k in members if (run := runs[k])}
        whole = {k: run for k, run in same.items() if len({one.position for one in run.profiles}) >= LEAST_FRAMES}
        richest = sorted(whole, key=lambda k: -sum(one.stars for one in whole[k].profiles))
        own: dict[int, SeenOptics] = {}
        found = optics_of(rig, known)
        if richest:
            filled, errors, seen = _find(rig, [whole[k] for k in richest], known)
            found, own = (filled, errors), dict(zip(richest, seen, strict=False))
        for k, run in same.items():
            out[k] = replace(run, rig=found[0], errors=found[1], optics=own.get(k)) if found else None
    return out


def _find(rig: Rig, runs: Sequence[RunProfiles], known: Calibration) -> tuple[Rig, OpticsErrors, list[SeenOptics]]:
    """Return the rig with its gaps filled, from runs in order of what they show, and what the first of them show."""
    free = (not (rig.f_ratio and rig.pixel_um), rig.obstruction is None)
    ratio = (rig.f_ratio or _FIRST_F_RATIO) / (rig.pixel_um or NOMINAL_PIXEL_UM)
    place = (math.log(ratio), rig.likely_obstruction)
    before = pool_optics(known.optics, rig.pixel_um) if known.optics else None
    trial = _Trial(rig, runs[:1], before)
    if before and all(err < step for err, step in zip(np.sqrt(np.diag(before[1])), _STEPS[0], strict=True)):
        there = float(before[0][0]), min(abs(float(before[0][1])), MOST_OBSTRUCTION)
        place = there[0] if free[0] else place[0], there[1] if free[1] else place[1]
    else:
        # A wide pupil with a hole and one without are both places that no small step leaves.
        place = _descend(trial, place, _STEPS[0], (free[0], False))
        if rig.obstruction is None:
            place = min(place, _descend(trial, (place[0], 0.0), _STEPS[0], (free[0], False)), key=trial.cost)
        place = _descend(trial, place, _STEPS[1], free)
    trial = _Trial(rig, [_without_outliers(run, trial.model_rig(place)) for run in runs[:_RICHEST]], before)
    place = _descend(trial, place, _STEPS[-1], free)
    place = place[0], abs(place[1])
    if before and _is_another(trial, place, free, before):
        found, errors, seen = _find(rig, runs, Calibration())
        return found, replace(errors, unlike_logged=True), seen
    seen = [_seen(place, _bowl(trial, place, free, k), free, rig) for k in range(len(trial.runs))]
    place, errs = _vertex(trial, place, free)
    return *fill_gaps(rig, *place, errs, trial.growth(place)), seen


@dataclass(frozen=True, eq=False, repr=False)
class _Trial:
    """Fits of some runs at all places that were tried.

    A place is the logarithm of focal ratio over pixel in µm, and the obstruction. All is fitted in the rig's pixels, or
    in nominal ones.
    """

    rig: Rig
    runs: Sequence[RunProfiles]
    before: Bowl | None = None  # what is known before: the middle, and the covariance
    solved: dict[Place, list[tuple[Data, Solution]]] = field(default_factory=dict)

    def model_rig(self, place: Place) -> Rig:
        """Return what the images at a place are modelled with."""
        pixel_um = self.rig.pixel_um or NOMINAL_PIXEL_UM
        # A small obstruction looks the same on either side of 0.
        return Rig(pixel_um=pixel_um, focal_ratio=math.exp(place[0]) * pixel_um, obstruction=abs(place[1]))

    def rig_at(self, place: Place) -> Rig:
        """Return the rig with its gaps filled by a place."""
        return fill_gaps(self.rig, place[0], abs(place[1]), OPTICS_PRIOR_ERRS)[0]

    def growth(self, place: Place) -> float | None:
        """Return by how many pixels the donut's outer diameter grows in a step, by the mean of the runs."""
        logs = [solution.state.log_slope for _, solution in self.at(place)]
        rig = self.model_rig(place)
        if not logs or not (rig.f_ratio and rig.pixel_um):
            return None
        return math.exp(sum(logs) / len(logs)) / (rig.f_ratio * rig.pixel_um)

    def cost(self, place: Place) -> float:
        """Return chi² and priors of all runs; infinite where no telescope is, or a run cannot be solved."""
        low, high = (self.rig.f_ratio, self.rig.f_ratio) if self.rig.f_ratio else F_RATIOS
        small, large = (self.rig.pixel_um, self.rig.pixel_um) if self.rig.pixel_um else PIXELS_UM
        # Places are rounded to a millionth: a known ratio may be off by that much.
        inside = math.log(low / large) - 1e-5 <= place[0] <= math.log(high / small) + 1e-5
        if not inside or abs(place[1]) > MOST_OBSTRUCTION or not self.at(place):
            return math.inf
        cost = self.own_cost(place)
        if self.before:
            off = (place[0], abs(place[1])) - self.before[0]
            cost += float(off @ np.linalg.solve(self.before[1], off))
        return cost

    def own_cost(self, place: Place, only: int | None = None) -> float:
        """Return the cost without what other runs show; of ``only`` one run by its light alone."""
        if only is not None:
            return self.at(place)[only][1].cost
        cost = sum(solution.cost for _, solution in self.at(place))
        rig, growth = self.rig_at(place), self.growth(place)
        if self.rig.um_per_step and (self.rig.f_ratio or self.rig.pixel_um) and rig.f_ratio and rig.pixel_um and growth:
            cost += (math.log(growth * rig.f_ratio * rig.pixel_um / self.rig.um_per_step) / UM_PER_STEP_ERR) ** 2
        return cost

    def at(self, place: Place) -> list[tuple[Data, Solution]]:
        """Return the fits of the runs at a place; empty where one cannot be solved."""
        if place not in self.solved:
            near = min((p for p in self.solved if self.solved[p]), key=lambda p: math.dist(p, place), default=None)
            try:
                self.solved[place] = [self._solve(k, place, near) for k in range(len(self.runs))]
            except (FocuskitError, ValueError, np.linalg.LinAlgError):
                self.solved[place] = []
        return self.solved[place]

    def _solve(self, k: int, place: Place, near: Place | None) -> tuple[Data, Solution]:
        """Fit a run at a place, from its fit at another one."""
        run, rig = self.runs[k], self.model_rig(place)
        aside = run.aside or (False,) * len(run.profiles)
        if len({one.position for one, out in zip(run.profiles, aside, strict=True) if not out}) < LEAST_FRAMES:
            raise FocuskitError("too few positions")
        model = model_for(run.profiles, rig, run.wavelength_um)
        data = prepare(model, run.profiles).pick(~np.asarray(aside))
        if near is None:
            return data, solve(model, data, *start(model, data, rig, SPHERICAL_PRIOR))
        before, slower = self.solved[near][k][1], place[0] - near[0]
        state, (value, err) = before.state, before.priors.log_slope
        # The same image: a donut that grows as fast in pixels, and rays that are as far off.
        state = replace(state, log_slope=state.log_slope + slower, spherical=state.spherical * math.exp(-slower))
        priors = replace(before.priors, log_slope=(value + slower, err))
        return data, solve(model, data, state, priors, before.tau, keep=True)

    def excess(self, place: Place) -> float:
        """Return chi² over its degrees of freedom, at least 1."""
        chi2 = sum(float(solution.normal.chi2.sum()) for _, solution in self.at(place))
        freedom = sum(int((data.dof - 1).sum()) - len(Parameter) + 1 for data, _ in self.at(place))
        return max(1.0, chi2 / max(freedom, 1))


def _without_outliers(run: RunProfiles, rig: Rig) -> RunProfiles:
    """Return a run with the frames set aside that do not belong to it."""
    try:
        used = solve_profiles(run.profiles, rig, run.wavelength_um, aside=run.aside).used
    except FocuskitError:
        return run
    return replace(run, aside=tuple((~used).tolist()))


def _neighbours(place: Place, steps: Place, free: tuple[bool, bool]) -> list[Place]:
    """Return the places a step away along what is free; also across, where the valley of the cost runs.

    A larger focal ratio and a smaller obstruction do nearly the same.
    """
    moves = [(i, 0) for i in (-1, 1) if free[0]] + [(0, j) for j in (-1, 1) if free[1]]
    moves += [(1, -1), (-1, 1)] if all(free) else []
    return [(round(place[0] + i * steps[0], 6), round(place[1] + j * steps[1], 6)) for i, j in moves]


def _descend(trial: _Trial, place: Place, steps: Place, free: tuple[bool, bool]) -> Place:
    """Go downhill until no step leads lower."""
    while True:
        best = min([place, *_neighbours(place, steps, free)], key=trial.cost)
        if best == place:
            return place
        place = best


def _bowl(trial: _Trial, place: Place, free: tuple[bool, bool], only: int | None = None) -> Bowl:
    """Return gradient and information of the parabola about the deepest place, along what is free: halves of the cost.

    Of all runs, or of ``only`` one.
    """
    along = [k for k in (0, 1) if free[k]]
    if not trial.at(place):
        return np.zeros(len(along)), np.zeros((len(along), len(along)))
    tried = [p for p in [place, *_neighbours(place, _STEPS[-1], free)] if math.isfinite(trial.cost(p))]
    off = np.array([[(p[k] - place[k]) for k in along] for p in tried])
    pairs = [(i, j) for i in range(len(along)) for j in range(i, len(along))]
    design = np.column_stack([np.ones(len(tried)), off, *(off[:, i] * off[:, j] for i, j in pairs)])
    costs = np.array([trial.own_cost(p, only) for p in tried]) / trial.excess(place)
    terms = np.linalg.lstsq(design, costs, rcond=None)[0]
    half = np.zeros((len(along), len(along)))
    for (i, j), term in zip(pairs, terms[1 + len(along) :], strict=True):
        half[i, j] += 0.5 * term
        half[j, i] += 0.5 * term
    values, vectors = np.linalg.eigh(half)
    return 0.5 * terms[1 : 1 + len(along)], vectors @ np.diag(np.maximum(values, 0.0)) @ vectors.T


def _alone(place: Place, bowl: Bowl, along: list[int]) -> Bowl:
    """Return the bottom of a parabola, and the covariance; what does not show has a very wide error."""
    nothing = np.diag([(_NOTHING * OPTICS_PRIOR_ERRS[k]) ** -2.0 for k in along])
    covariance = np.linalg.inv(bowl[1] + nothing)
    errs = np.sqrt(np.diag(covariance))
    steps = np.maximum(2.0 * errs, [_STEPS[-1][k] for k in along])
    return np.array([place[k] for k in along]) + np.clip(-covariance @ bowl[0], -steps, steps), covariance


def _seen(place: Place, bowl: Bowl, free: tuple[bool, bool], rig: Rig) -> SeenOptics:
    along = [k for k in (0, 1) if free[k]]
    bottom, covariance = _alone(place, bowl, along)
    values, errs = list(place), [_NOTHING * err for err in OPTICS_PRIOR_ERRS]
    for k, value, variance in zip(along, bottom, np.diag(covariance), strict=True):
        values[k], errs[k] = float(value), math.sqrt(float(variance))
    joint = float(covariance[0, 1]) / (errs[0] * errs[1]) if all(free) else 0.0
    return SeenOptics(values[0], errs[0], values[1], errs[1], joint, rig.pixel_um)


def _is_another(trial: _Trial, place: Place, free: tuple[bool, bool], before: Bowl) -> bool:
    """Return whether the runs show other optics than those that were logged."""
    along = [k for k in (0, 1) if free[k]]
    bottom, covariance = _alone(place, _bowl(trial, place, free), along)
    off = bottom - before[0][along]
    covariance = covariance + before[1][np.ix_(along, along)] + np.diag([FOUND_ERRS[k] ** 2 for k in along])
    return bool(off @ np.linalg.solve(covariance, off) > _ANOTHER**2)


def _vertex(trial: _Trial, place: Place, free: tuple[bool, bool]) -> tuple[Place, Place]:
    """Return the vertex of the parabola about the deepest place, with what is known before, and the standard errors."""
    along = [k for k in (0, 1) if free[k]]
    gradient, information = _bowl(trial, place, free)
    # What the frames do not show keeps the value and the error that it had before.
    if trial.before:
        known = np.linalg.inv(trial.before[1][np.ix_(along, along)])
        gradient = gradient + known @ (place - trial.before[0])[along]
    else:
        known = np.diag([OPTICS_PRIOR_ERRS[k] ** -2.0 for k in along])
    move = -np.linalg.solve(information + known, gradient)
    errors, found = [0.0, 0.0], list(place)
    for k, step, variance in zip(along, move, np.diag(np.linalg.inv(information + known)), strict=True):
        found[k] = place[k] + float(np.clip(step, -_STEPS[-1][k], _STEPS[-1][k]))
        errors[k] = math.hypot(math.sqrt(float(variance)), FOUND_ERRS[k])
    return (found[0], abs(found[1])), (errors[0], errors[1])
