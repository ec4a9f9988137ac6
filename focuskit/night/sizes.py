"""The first steps of a run: its stars brought together, their sizes fitted, frames that lag behind set aside."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np

from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.reasons import Reason
from focuskit.core.workers import Workers
from focuskit.curves import CurveFit, fit_run
from focuskit.frames import Limits, RigFile
from focuskit.night.backlash import Backlash, backlash_of_run
from focuskit.night.runs import MeasuredRun, ShapedRun, SizedRun
from focuskit.stars import MeasuredFrame, compare_frames, run_key
from focuskit.sweeps import FocusRun

Run = TypeVar("Run", bound=SizedRun)


def measure_run(
    sweep: FocusRun, frames: tuple[MeasuredFrame, ...], rig_file: RigFile | None, pool: Workers, limits: Limits | None
) -> MeasuredRun:
    """Bring the stars of a run's frames together."""
    match, sizes, unread = compare_frames(frames, pool, limits)
    return MeasuredRun(
        sweep=sweep,
        frames=frames,
        match=match,
        sizes=sizes,
        unread=unread,
        rig=frames[0].info.rig(rig_file),
        wavelength_nm=_filters(rig_file, frames[0]).kind(sweep.filter).seen_by(frames[0].info.colour),
        key=run_key(frame.digest for frame in frames),
    )


def _filters(rig_file: RigFile | None, frame: MeasuredFrame) -> FilterTable:
    return rig_file.of(frame.info.optics).filters if rig_file else USUAL_FILTERS


def size_run(run: MeasuredRun) -> SizedRun:
    """Fit the sizes of a run; where the shapes of its stars cannot show the backlash, their sizes have to."""
    sized = SizedRun(**vars(run), fit=_fit_curve(run), backlash=None)
    # A focal ratio is not found from frames at wrong positions: those have to be known before.
    known = run.rig.f_ratio and run.rig.pixel_um
    return sized if known and sized.can_be_shaped and sized.fit.best_position is not None else by_sizes(sized)


def by_sizes(run: Run) -> Run:
    """Find the backlash by the sizes of the stars, and set aside the frames that it puts elsewhere."""
    return without_lagging(replace(run, backlash=find_in_run(run)))


def without_lagging(run: Run) -> Run:
    """Fit the sizes again without the frames that backlash puts elsewhere."""
    if not (run.backlash and run.backlash.seen):
        return run
    return replace(run, fit=_fit_curve(run, run.backlash.why_not_used()))


def find_in_run(run: SizedRun) -> Backlash | None:
    """Find the backlash in a run, from the shapes of its stars where they are fitted."""
    profile, frames = (run.profile, run.profile_frames) if isinstance(run, ShapedRun) else (None, ())
    sizes = run.sizes
    return backlash_of_run(run.positions, run.directions, sizes.hfd_px, sizes.hfd_err_px, run.fit, profile, frames)


def _fit_curve(run: MeasuredRun, lagging: list[Reason | None] | None = None) -> CurveFit:
    sizes = run.sizes
    known = (run.unread, run.other_fields, lagging or [None] * len(run.frames))
    set_aside = [first or second or third for first, second, third in zip(*known, strict=True)]
    return fit_run(
        run.positions,
        sizes.hfd_px,
        np.nan_to_num(sizes.hfd_err_px, posinf=0.0),
        fluxes=sizes.flux if np.isfinite(sizes.flux).any() else None,
        stars=sizes.stars,
        fwhm=sizes.fwhm_px if np.isfinite(sizes.fwhm_px).any() else None,
        rig=run.rig,
        wavelength_nm=run.wavelength_nm,
        set_aside=set_aside,
    )
