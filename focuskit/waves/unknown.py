"""What is not known of the optics, found from the stars of the runs of one telescope.

The growth of a donut per step follows from the frames, whatever the optics. Focal ratio and wavelength show by
diffraction alone, in pixels: λN over the size of a pixel. It decides how sharp the rims of donuts are, and the seeing
cannot do the same to near and to wide ones. So the fit of the richest runs is repeated over that ratio and over the
obstruction, whichever is not known, and the deepest place of its cost is sought.

Where a pixel's size is not known either, a nominal one stands for it: the fit is the same at any scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import (
    F_RATIO_ERR,
    MOST_F_RATIO_ERR,
    OBSTRUCTION_ERR,
    OpticsErrors,
    Rig,
    with_f_ratio,
)
from focuskit.waves.fit import LEAST_FRAMES, SPHERICAL_PRIOR, model_for, solve_profiles
from focuskit.waves.result import RunProfiles
from focuskit.waves.solve import Data, Parameter, Solution, prepare, solve
from focuskit.waves.start import UM_PER_STEP_ERR, start

# Unit of length where the size of a pixel is not known. Most pixels have 2 to 9 µm (common practice, no source).
_NOMINAL_PIXEL_UM = 4.0
# Telescopes and lenses have f/1.4 to f/20, pixels 1.4 to 15 µm (common practice, no source).
_F_RATIOS, _PIXELS_UM = (1.4, 20.0), (1.4, 15.0)
_FIRST_F_RATIO = 4.0  # a ratio that is too low leads down to the true one; one far too high leads astray
_MOST_OBSTRUCTION = 0.75  # chosen: half as much again as the largest usual one
# Steps of ln(focal ratio) and of the obstruction, ever finer; the last are those of the parabola at the end. Over a
# step of these the cost is near a parabola, and changes by more than the search leaves open.
_STEPS = ((0.25, 0.1), (0.1, 0.05), (0.05, 0.03))
# Errors of ln(focal ratio) and of the obstruction on top of the noise. Chosen, not fitted. Simulated clean runs give
# the obstruction to 0.01, but tilt and aberrations change donuts much as it does: by 0.03 in a field tilted by 160 µm,
# more in worse ones. For the focal ratio the same number was taken; simulated runs give it to 0.01 to 0.05.
_FOUND_ERRS = (0.05, 0.05)
# What is known before: a flat law over the range of f-ratios, over the usual obstructions.
_PRIOR_ERRS = (math.log(_F_RATIOS[1] / _F_RATIOS[0]) / math.sqrt(12.0), 0.2)
_RICHEST = 2  # runs that the search rests on at the end: more of them cost time, and the errors on top stay

Place = tuple[float, float]


def with_optics(runs: Sequence[RunProfiles | None]) -> list[RunProfiles | None]:
    """Fill in what is not known of the rig of runs, and how well it is known then; runs of one rig together.

    Runs of a rig of which no run has enough positions to find it become None.
    """
    unknown: dict[Rig, list[int]] = {}
    for k, run in enumerate(runs):
        if run and not (run.rig.f_ratio and run.rig.pixel_um and run.rig.obstruction is not None):
            unknown.setdefault(run.rig, []).append(k)
    out = list(runs)
    for rig, members in unknown.items():
        same = [run for k in members if (run := runs[k])]
        if max(len({one.position for one in run.profiles}) for run in same) < LEAST_FRAMES:
            for k in members:
                out[k] = None
            continue
        found, errors = _find(rig, sorted(same, key=lambda run: -sum(one.stars for one in run.profiles)))
        for k, run in zip(members, same, strict=True):
            out[k] = replace(run, rig=found, errors=errors)
    return out


def _find(rig: Rig, runs: Sequence[RunProfiles]) -> tuple[Rig, OpticsErrors]:
    """Return the rig with its gaps filled, from runs in order of what they show."""
    free = (not (rig.f_ratio and rig.pixel_um), rig.obstruction is None)
    ratio = (rig.f_ratio or _FIRST_F_RATIO) / (rig.pixel_um or _NOMINAL_PIXEL_UM)
    trial = _Trial(rig, runs[:1])
    # A wide pupil with a hole and one without are both places that no small step leaves.
    place = (math.log(ratio), rig.likely_obstruction)
    place = _descend(trial, place, _STEPS[0], (free[0], False))
    if rig.obstruction is None:
        place = min(place, _descend(trial, (place[0], 0.0), _STEPS[0], (free[0], False)), key=trial.cost)
    place = _descend(trial, place, _STEPS[1], free)
    trial = _Trial(rig, [_without_outliers(run, trial.model_rig(place)) for run in runs[:_RICHEST]])
    place, errors = _vertex(trial, _descend(trial, place, _STEPS[-1], free), free)
    found, growth = trial.rig_at(place), trial.growth(place)
    if rig.um_per_step and growth and not (rig.f_ratio or rig.pixel_um):
        # µm per step is the growth of the donut in pixels times focal ratio times pixel.
        pixel_um = math.sqrt(rig.um_per_step / growth / math.exp(place[0]))
        found = with_f_ratio(
            replace(rig, pixel_um=pixel_um, obstruction=found.obstruction), math.exp(place[0]) * pixel_um
        )
    known = bool(rig.f_ratio or rig.pixel_um) and errors[0] < MOST_F_RATIO_ERR
    gaps = (("f_ratio", rig.f_ratio is None), ("pixel_um", rig.pixel_um is None), ("obstruction", free[1]))
    return found, OpticsErrors(
        f_ratio=errors[0] if free[0] else F_RATIO_ERR,
        obstruction=errors[1] if free[1] else OBSTRUCTION_ERR,
        found=frozenset(name for name, gap in gaps if gap),
        in_um=not free[0] or known or rig.um_per_step is not None,
    )


@dataclass(frozen=True, eq=False, repr=False)
class _Trial:
    """Fits of some runs at all places that were tried.

    A place is the logarithm of focal ratio over pixel in µm, and the obstruction. All is fitted in the rig's pixels, or
    in nominal ones.
    """

    rig: Rig
    runs: Sequence[RunProfiles]
    solved: dict[Place, list[tuple[Data, Solution]]] = field(default_factory=dict)

    def model_rig(self, place: Place) -> Rig:
        """Return what the images at a place are modelled with."""
        pixel_um = self.rig.pixel_um or _NOMINAL_PIXEL_UM
        # A small obstruction looks the same on either side of 0.
        return Rig(pixel_um=pixel_um, focal_ratio=math.exp(place[0]) * pixel_um, obstruction=abs(place[1]))

    def rig_at(self, place: Place) -> Rig:
        """Return the rig with its gaps filled by a place."""
        pixel_um, ratio, rig = self.model_rig(place).pixel_um, math.exp(place[0]), self.rig
        found = replace(rig, obstruction=abs(place[1]))
        if rig.f_ratio:
            return replace(found, pixel_um=rig.f_ratio / ratio)
        return with_f_ratio(replace(found, pixel_um=pixel_um), ratio * (pixel_um or 1.0))

    def growth(self, place: Place) -> float | None:
        """Return by how many pixels the donut's outer diameter grows in a step, by the mean of the runs."""
        logs = [solution.state.log_slope for _, solution in self.at(place)]
        rig = self.model_rig(place)
        if not logs or not (rig.f_ratio and rig.pixel_um):
            return None
        return math.exp(sum(logs) / len(logs)) / (rig.f_ratio * rig.pixel_um)

    def cost(self, place: Place) -> float:
        """Return chi² and priors of all runs; infinite where no telescope is, or a run cannot be solved."""
        low, high = (self.rig.f_ratio, self.rig.f_ratio) if self.rig.f_ratio else _F_RATIOS
        small, large = (self.rig.pixel_um, self.rig.pixel_um) if self.rig.pixel_um else _PIXELS_UM
        # Places are rounded to a millionth: a known ratio may be off by that much.
        inside = math.log(low / large) - 1e-5 <= place[0] <= math.log(high / small) + 1e-5
        if not inside or abs(place[1]) > _MOST_OBSTRUCTION or not self.at(place):
            return math.inf
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


def _vertex(trial: _Trial, place: Place, free: tuple[bool, bool]) -> tuple[Place, Place]:
    """Return the vertex of the parabola about the deepest place, and the standard errors."""
    if not trial.at(place):
        return place, _PRIOR_ERRS
    tried = [p for p in [place, *_neighbours(place, _STEPS[-1], free)] if math.isfinite(trial.cost(p))]
    along = [k for k in (0, 1) if free[k]]
    off = np.array([[(p[k] - place[k]) for k in along] for p in tried])
    pairs = [(i, j) for i in range(len(along)) for j in range(i, len(along))]
    design = np.column_stack([np.ones(len(tried)), off, *(off[:, i] * off[:, j] for i, j in pairs)])
    terms = np.linalg.lstsq(design, np.array([trial.cost(p) for p in tried]) / trial.excess(place), rcond=None)[0]
    half = np.zeros((len(along), len(along)))
    for (i, j), term in zip(pairs, terms[1 + len(along) :], strict=True):
        half[i, j] += 0.5 * term
        half[j, i] += 0.5 * term
    # What the frames do not show keeps the error that it had before.
    values, vectors = np.linalg.eigh(half)
    known = vectors @ np.diag(np.maximum(values, 0.0)) @ vectors.T + np.diag([_PRIOR_ERRS[k] ** -2 for k in along])
    move = -0.5 * np.linalg.solve(known, terms[1 : 1 + len(along)])
    errors, found = [0.0, 0.0], list(place)
    for k, step, variance in zip(along, move, np.diag(np.linalg.inv(known)), strict=True):
        found[k] = place[k] + float(np.clip(step, -_STEPS[-1][k], _STEPS[-1][k]))
        errors[k] = math.hypot(math.sqrt(float(variance)), _FOUND_ERRS[k])
    return (found[0], abs(found[1])), (errors[0], errors[1])
