"""How near the focus runs of a folder come to the Cramér-Rao bound.

    python scripts/bound_of_runs.py sample_data/night --rig sample_data/heron.toml

For each run: the error quoted, and the least that any estimate from the same stars could have, in steps: with
the seeing free in every frame, with seeings that scatter as the run's do, and the same with nothing known of the
spherical aberration but that it is 0.03 waves rms among telescopes.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence

import numpy as np
from position_bound import optics_moves, position_bound

from focuskit.core.calibration import OPTICS_PRIOR_ERRS
from focuskit.core.workers import Workers
from focuskit.frames import RigFile, read_rig_file
from focuskit.night import RunResult, analyse
from focuskit.waves import stack_frames, stack_tasks, star_weights
from focuskit.waves.fit import SPHERICAL_PRIOR
from focuskit.waves.stack import FrameProfile


def stacked_with_seeing(run: RunResult, pool: Workers) -> list[tuple[FrameProfile, float]]:
    """Return the stacked profiles of the frames in use, and their seeing in µm; none without a profile fit."""
    fit = run.profile
    if fit is None:
        return []
    weights = star_weights(run.frames, run.match)
    tasks = stack_tasks(run.frames, run.match, run.sizes.hfd_px, weights)
    seeing = {k: frame.seeing_um for k, frame in zip(run.profile_frames, fit.frames, strict=True) if frame.used}
    profiles = stack_frames([task for _, task in tasks], pool)
    return [
        (one, seeing[k])
        for (k, _), one in zip(tasks, profiles, strict=True)
        if isinstance(one, FrameProfile) and seeing.get(k)
    ]


def bounds(run: RunResult, pool: Workers) -> tuple[float, float, float] | None:
    """Return the three bounds of a run in steps; None without a profile fit."""
    fit, stacked = run.profile, stacked_with_seeing(run, pool)
    if fit is None:
        return None

    def bound(scatter: float | None, spherical_err: float) -> float:
        return position_bound(
            [one for one, _ in stacked], run.rig, run.wavelength_nm / 1e3, best_position=fit.best_position,
            seeing_um=np.array([width for _, width in stacked]),
            spherical_waves=fit.spherical_waves, spherical_err=spherical_err, seeing_scatter=scatter,
        )  # fmt: skip

    return bound(None, 0.0), bound(fit.seeing_scatter, 0.0), bound(fit.seeing_scatter, SPHERICAL_PRIOR[1])


def bounds_of_night(runs: Sequence[RunResult], free: tuple[bool, bool], pool: Workers) -> list[float]:
    """Return the bound of each run with nothing known of the aberration, and of the optics only what all runs show.

    ``free`` says whether the focal ratio and the obstruction are not known; the rigs of the runs are the true ones. A
    wide prior of the two is counted as what is known before.
    """
    alone, moves, known = [], [], np.diag([OPTICS_PRIOR_ERRS[k] ** -2 for k in (0, 1)])
    for run in runs:
        least = bounds(run, pool)
        if least and run.profile:
            stacked = stacked_with_seeing(run, pool)
            move, shown = optics_moves(
                [one for one, _ in stacked], run.rig, run.wavelength_nm / 1e3, run.profile, [s for _, s in stacked]
            )
            alone.append(least[2])
            moves.append(move)
            known += shown
    chosen = [k for k in (0, 1) if free[k]]
    covariance = np.linalg.inv(known[np.ix_(chosen, chosen)])
    return [
        math.sqrt(own**2 + move[chosen] @ covariance @ move[chosen]) for own, move in zip(alone, moves, strict=True)
    ]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+")
    parser.add_argument("--rig", help="rig file")
    options = parser.parse_args()
    night = analyse(options.folders, rig_file=read_rig_file(options.rig) if options.rig else RigFile())
    print("start                 filter  reported        quoted  seeing free  seeing known  aberration unknown")
    with Workers(count=1) as pool:
        for run in night.runs:
            told = bounds(run, pool)
            if told is not None and run.fit.best_position_err is not None:
                start = f"{run.start:%Y-%m-%d %H:%M:%S}" if run.start else "-"
                numbers = "  ".join(f"{value:{width}.3f}" for value, width in zip(told, (11, 12, 18), strict=True))
                quoted = f"{run.fit.method:14} {run.fit.best_position_err:7.3f}"
                print(f"{start:20}  {run.filter or '-':6}  {quoted}  {numbers}")


if __name__ == "__main__":
    main()
