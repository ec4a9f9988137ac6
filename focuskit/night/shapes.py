"""The stars of a night's runs stacked and fitted by their shapes, without the frames that lag behind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from focuskit.core.calibration import NOTHING_SHOWN, Calibration
from focuskit.core.filters import FilterKind
from focuskit.core.logged import LoggedRun, calibration_of
from focuskit.core.reasons import Reason
from focuskit.core.workers import Workers
from focuskit.frames import Limits
from focuskit.night.left_over import with_left_over
from focuskit.night.runs import ShapedRun, SizedRun
from focuskit.night.sizes import by_sizes, find_in_run, without_lagging
from focuskit.waves import (
    ProfileFit,
    RunProfiles,
    fit_night,
    measure_aberrations,
    measure_colours,
    stack_frames,
    stack_tasks,
    star_weights,
)

# Frames that lag bend the fit that says by how much they do: it is repeated until no frame changes sides, at most so
# often. Chosen, not tuned: every round costs as much as the first fit.
_ROUNDS = 3


def shape_runs(
    sized: Sequence[SizedRun], pool: Workers, limits: Limits | None, history: Sequence[LoggedRun]
) -> list[ShapedRun]:
    """Fit the shapes of the stars of all runs, and find the backlash by them, else by their sizes.

    ``history`` has none of these runs.
    """
    runs, stacks = _stack(sized, pool, limits)
    stacks = [_leave_lagging(*pair) for pair in zip(stacks, runs, strict=True)]
    runs = _fit(runs, stacks, history)
    for _ in range(_ROUNDS):
        runs = [without_lagging(run) if run.profile else run for run in runs]
        before, stacks = stacks, [_leave_lagging(*pair) for pair in zip(stacks, runs, strict=True)]
        if all(a is b or a.aside == b.aside for a, b in zip(before, stacks, strict=True) if a and b):
            break
        runs = _fit(runs, stacks, history)
    runs = [run if run.profile or run.backlash else by_sizes(run) for run in runs]
    return [
        with_left_over(_with_colours(_with_aberrations(run, stack), stack, pool, limits), stack)
        for run, stack in zip(runs, stacks, strict=True)
    ]


def _stack(
    runs: Sequence[SizedRun], pool: Workers, limits: Limits | None
) -> tuple[list[ShapedRun], list[RunProfiles | None]]:
    """Stack the stars of every frame, those of all runs at once; None for a run without any stack."""
    plans = [_plan(run) if run.can_be_shaped else [] for run in runs]
    stacked = iter(stack_frames([task for plan in plans for _, task in plan], pool, limits))
    shaped: list[ShapedRun] = []
    stacks: list[RunProfiles | None] = []
    for run, plan in zip(runs, plans, strict=True):
        outcomes = {k: next(stacked) for k, _ in plan}
        found = {k: one for k, one in outcomes.items() if one and not isinstance(one, Reason)}
        lost = tuple(k for k, one in outcomes.items() if isinstance(one, Reason))
        shaped.append(ShapedRun(**vars(run), lost_stacks=lost))
        profiles = RunProfiles(tuple(found.values()), tuple(found), run.rig, run.wavelength_nm / 1e3)
        stacks.append(profiles if found else None)
    return shaped, stacks


def _plan(run: SizedRun) -> list[Any]:
    """Return what to stack, see `stack_tasks`."""
    return stack_tasks(run.frames, run.match, run.sizes.hfd_px, star_weights(run.frames, run.match))


def _fit(
    runs: Sequence[ShapedRun], stacks: Sequence[RunProfiles | None], history: Sequence[LoggedRun]
) -> list[ShapedRun]:
    """Fit the runs of each telescope together, which have its spherical aberration in common."""
    out = list(runs)
    for telescope in {run.telescope for run in runs}:
        members = [k for k, run in enumerate(runs) if run.telescope == telescope]
        by_rig = {name: calibration_of(history, name) for name in {runs[k].rig.name for k in members}}
        known = by_rig[runs[members[0]].rig.name]
        curves = [k for k in members if runs[k].fit.best_position is not None]
        fits = dict(zip(curves, fit_night([stacks[k] for k in curves], known, by_rig), strict=True))
        # Runs without a curve learn from the others, which learn nothing from them.
        spherical = [own.spherical for _, own in fits.values() if own and own.spherical]
        seeing = [profile.seeing(stack.wavelength_um) for stack, (profile, _) in zip(
            [stacks[k] for k in curves], fits.values(), strict=True) if stack and profile]  # fmt: skip
        known = Calibration((*spherical, *known.spherical), (*(one for one in seeing if one), *known.seeing))
        for name, logged in by_rig.items():
            steps = [own.step for k, (_, own) in fits.items() if own and own.step and runs[k].rig.name == name]
            by_rig[name] = replace(logged, step=(*steps, *logged.step))
        found = {stack.rig: profile for k, (profile, _) in fits.items() if (stack := stacks[k]) and profile}
        for k in members:
            if k not in fits:
                stack = stacks[k]
                fits[k] = fit_night([stack and _like(stack, found.get(stack.rig))], known, by_rig)[0]
        for k, (profile, own) in fits.items():
            stack = stacks[k]
            if stack:
                # Once the optics are found, the fits that follow take them as known.
                own = replace(own, optics=own.optics or runs[k].shown.optics) if own else NOTHING_SHOWN
                run = replace(runs[k], profile=profile, profile_frames=stack.frames, shown=own)
                out[k] = _with_backlash(run)
    return out


def _with_backlash(run: ShapedRun) -> ShapedRun:
    """Add what the shapes of the stars show of the backlash, unless an earlier fit showed more."""
    found = find_in_run(run) if run.profile else None
    if found is None or (run.backlash and run.backlash.seen and not found.seen):
        return run
    return replace(run, backlash=found)


def _leave_lagging(stack: RunProfiles | None, run: ShapedRun) -> RunProfiles | None:
    """Leave out of the fit the frames that backlash puts elsewhere."""
    if stack is None or not (run.backlash and run.backlash.seen):
        return stack
    why = run.backlash.why_not_used()
    return replace(_like(stack, run.profile), aside=tuple(why[k] is not None for k in stack.frames))


def _like(stack: RunProfiles, profile: ProfileFit | None) -> RunProfiles:
    """Return a stack with the optics that were found by a fit."""
    return replace(stack, rig=profile.rig, errors=profile.errors) if profile else stack


def _with_aberrations(run: ShapedRun, stack: RunProfiles | None) -> ShapedRun:
    if stack is None or run.profile is None or not (run.profile.errors.in_um and run.profile.errors.shows_diffraction):
        return run
    return replace(run, aberrations=measure_aberrations(stack.profiles, run.profile, stack.wavelength_um))


def _with_colours(run: ShapedRun, stack: RunProfiles | None, pool: Workers, limits: Limits | None) -> ShapedRun:
    """Add where the other colours focus, behind a filter that lets all of them through."""
    wavelengths = {colour: FilterKind().seen_by(colour) for colour in "RGB"}
    infos = [frame.info for frame in run.frames]
    if stack is None or run.profile is None or not infos[0].colour or run.wavelength_nm != wavelengths["G"]:
        return run
    in_um = {colour: wavelength / 1e3 for colour, wavelength in wavelengths.items()}
    colours, lost = measure_colours(infos, _plan(run), stack, run.profile, in_um, pool, limits)
    return replace(run, colours=colours, lost_stacks=tuple(sorted({*run.lost_stacks, *lost})))
