"""How near the focus runs of small crowded frames come to the Cramér-Rao bound, and whether the truth lies within.

    python scripts/bench_crowded.py --runs 12 --stars 60 --size 360x480 --seed 1

Each run is a night of its own, of another telescope: spherical aberration is drawn with 0.03 waves rms. Stars of
fluxes as in the sky overlap one another's donuts; hot pixels and cosmic rays lie among them. A line for each case:
rms error, error quoted and bound in steps (the aberration unknown, seeings that scatter as the run's do), the median
and the largest of quoted over bound, the rms of error over quoted error, and how many runs matched the model.

Where the field is tilted, the stacked stars have to find tilt and curvature, too, to reach the middle of the sensor,
and that is in the bound: without it no estimate could come near.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from bound_of_runs import bounds

from focuskit.core.workers import Workers
from focuskit.frames import RigFile
from focuskit.night import RunResult, analyse
from focuskit.scenes import Passband, Scene, Sweep, strew_stars, write_night
from focuskit.scenes.invented import HERON
from focuskit.waves import star_weights

# What differs from a clean field of point sources.
CASES = {
    "clean": {},
    "hot": {"hot_pixels": 60, "cosmic_rays_per_s": 0.5},
    "still": {"hot_pixels": 60, "drift_px": 0.0},  # hot pixels keep their places among the stars
    "tilted": {"hot_pixels": 60, "tilt_x_um": 36.0, "curvature_um": 8.0},
}
STEP = 38


def one_run(folder: Path, rng: np.random.Generator, stars: int, shape_px: tuple[int, int], how: dict) -> list[float]:
    """Return error, quoted error and bound of a run that is drawn and analysed, in steps, and whether it matched."""
    x, y, flux = strew_stars(stars, shape_px, rng, faintest_e_per_s=4000.0, brightest_e_per_s=1.5e5, slope=0.9)
    facts = {"seeing_arcsec": 2.7, "spherical_waves": 0.03 * rng.standard_normal(), **how}
    scene = Scene(HERON, shape_px, x, y, flux, passbands={"R": Passband(0.0, 0.36, 0.17)}, **facts)
    middle = scene.best_position + rng.uniform(-STEP / 2, STEP / 2)
    positions = [round(middle + STEP * k) for k in range(-4, 5)]
    truth = write_night(folder, scene, [Sweep("R", datetime(2031, 3, 4, 20, tzinfo=UTC), 0.0, 2.0, positions)], rng)
    with Workers(count=1) as pool:
        run = analyse(folder, rig_file=RigFile(rig=HERON), workers=1).runs[0]
        told = bounds(run, pool)
    if told is None or run.profile is None or run.fit.best_position is None or run.fit.best_position_err is None:
        return [np.nan] * 4
    off = run.fit.best_position - truth["runs"][0]["best_position"]
    # What all stars have in common, aberration and seeing, says nothing of how they differ.
    map_err = told[0] * to_middle(run, shape_px) if "tilt_x_um" in how else 0.0
    return [off, run.fit.best_position_err, np.hypot(told[2], map_err), run.profile.matches]


def to_middle(run: RunResult, shape_px: tuple[int, int]) -> float:
    """Return the error of the middle's best position beside that of the stacked stars' mean, over that of the mean.

    Every star has its own best position, known as well as its part of the mean says; a paraboloid goes through them.
    """
    assert run.profile
    stacked = star_weights(run.frames, run.match) > 0.0
    share = np.maximum(run.profile.star_shares.sum(axis=0), 0.0)
    x, y = (run.match.places_px.mean(axis=0)[stacked] / shape_px[::-1] - 0.5).T
    design = np.stack((np.ones(x.size), x, y, x**2 + y**2), axis=1)
    normal = design.T @ (share[:, None] * design) / share.sum()
    return float(np.sqrt(np.linalg.inv(normal)[0, 0] - 1.0))


def main() -> None:
    """Run the cases named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", metavar="CASE", default=list(CASES), help=", ".join(CASES))
    parser.add_argument("--runs", type=int, default=12)
    parser.add_argument("--stars", type=int, default=60, help="in the frame and 60 px around it")
    parser.add_argument("--size", default="360x480", help="rows and columns of the frames")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    shape_px = tuple(int(part) for part in options.size.split("x"))
    print("case     rms  quoted   bound  quoted/bound  largest  pulls  matched")
    for case in options.cases:
        table = []
        for number in range(options.runs):
            rng = np.random.default_rng([options.seed, list(CASES).index(case), number])
            with tempfile.TemporaryDirectory() as scratch:
                table.append(one_run(Path(scratch) / "night", rng, options.stars, shape_px, CASES[case]))
        off, quoted, bound, matched = np.array(table)[np.isfinite(np.array(table)[:, 0])].T
        ratio = quoted / bound
        rms = [float(np.sqrt(np.mean(np.square(one)))) for one in (off, quoted, bound, off / quoted)]
        print(
            f"{case:6} {rms[0]:5.2f} {rms[1]:7.2f} {rms[2]:7.2f} {np.median(ratio):13.2f} {ratio.max():8.2f}"
            f" {rms[3]:6.2f} {int(matched.sum()):5d}/{options.runs}",
            flush=True,
        )


if __name__ == "__main__":
    main()
