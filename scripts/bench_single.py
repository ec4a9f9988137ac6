"""How right single frames and pairs are, calibrated by three full runs of another night, case by case.

    python scripts/bench_single.py [CASE ...] --telescopes 1 --frames 12 --seed 1

Stars of 2 s in 3" with 12 % of jitter on a telescope of f/7 and 200 mm are drawn as stamps and stacked: by this
package's simulator, and in cases named ``galsim…`` by GalSim. For each telescope three runs of nine frames calibrate;
then come single frames 250 to 800 µm out of focus on both sides, with the side given, and pairs of them. A line for
each case, in µm: rms error, bias and error quoted of single frames, the bound of their noise; how often the truth
lay within one and two quoted errors; the same of pairs; pairs and single frames without any calibration; and the rms
error of the hyperbola through the true sizes of the nine frames, which their seeing alone moves.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from bench_bounds import PLACES, RIG, WAVELENGTH_UM, draw_stars, measure_shift
from scipy.optimize import curve_fit

from focuskit.core.calibration import Calibration
from focuskit.core.optics import ARCSEC_PER_RADIAN, Rig
from focuskit.core.workers import Workers
from focuskit.night.known import Known, known_of
from focuskit.night.left_over import left_over
from focuskit.night.where import Single, find_focus
from focuskit.scenes.psf import StarShape
from focuskit.scenes.scene import least_hfd_defocus_um
from focuskit.waves import RunProfiles, fit_night, measure_defocus, profile_model
from focuskit.waves.stack import FrameProfile, StackTask, stack_profile

JITTER, RUNS, REACH_UM, NINE = 0.12, 3, 560.0, 9
NEAREST_UM, FARTHEST_UM = 250.0, 800.0


@dataclass(frozen=True)
class Case:
    """Stars and their mean electrons, seeing in arcsec, what differs of the stars, and what is believed of the rig."""

    stars: int = 45
    flux: float = 2e4
    arcsec: float = 3.0
    shape: dict = field(default_factory=dict)
    believed: dict = field(default_factory=dict)
    galsim: bool = False


CASES = {
    "plain": Case(),
    "rich": Case(stars=90),
    "faint": Case(stars=30, flux=1.7e3, arcsec=4.0),
    "galsim": Case(galsim=True),
    "galsim_spherical": Case(galsim=True, shape={"spherical_waves": 0.03}),
    "spherical": Case(shape={"spherical_waves": 0.03}),
    "obstructed": Case(believed={"obstruction": 0.30}),
    "slower": Case(believed={"aperture_mm": 200.0 / 1.03}),
    "comatic": Case(shape={"coma_waves": (0.03, 0.0), "astigmatism_waves": (0.0, 0.03)}),
    "moffat": Case(shape={"seeing": "moffat", "moffat_beta": 2.5}),
    "karman": Case(shape={"seeing": "von_karman", "outer_scale": 100.0}),
    "smeared": Case(shape={"shake_um": 4.0, "shake_angle_deg": 30.0}),
    "galsim_spider": Case(galsim=True, shape={"spider": 4}),
}
SKY = 50.0


@dataclass(frozen=True)
class Drawn:
    """Images of a star by GalSim, as `draw_stars` asks a spectrum for them."""

    case: Case
    defocus_um: float
    seeing_um: float

    def image(self, size: int, dx: float, dy: float) -> np.ndarray:
        """Return a star of unit flux on the middle of a stamp, moved by (dx, dy) pixels."""
        import galsim

        to_arcsec = ARCSEC_PER_RADIAN / (RIG.focal_length_mm * 1e3)
        waves = self.defocus_um / (8.0 * RIG.f_ratio**2 * WAVELENGTH_UM)
        optics = galsim.OpticalPSF(
            lam=1e3 * WAVELENGTH_UM, diam=1e-3 * RIG.aperture_mm, obscuration=RIG.obstruction,
            defocus=waves / (2.0 * math.sqrt(3.0)), spher=self.case.shape.get("spherical_waves", 0.0),
            nstruts=self.case.shape.get("spider", 0), strut_thick=0.01, pad_factor=1.0, oversampling=1.5,
        )  # fmt: skip
        star = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=self.seeing_um * to_arcsec))
        scale = RIG.pixel_um * to_arcsec
        return star.drawImage(nx=size, ny=size, scale=scale, offset=(dx, dy)).array


def draw_frame(case: Case, defocus_um: float, rng: np.random.Generator) -> tuple[FrameProfile, float]:
    """Return the stack of a frame so far outside the Gaussian focus, and its seeing in µm."""
    seeing = case.arcsec * RIG.focal_length_mm * 1e3 / ARCSEC_PER_RADIAN * math.exp(JITTER * rng.standard_normal())
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 60.0)
    hfd_px = model.hfd_um(defocus_um / model.um_per_wave, seeing) / RIG.pixel_um
    radius = max(8, math.ceil(2.0 * hfd_px))
    rank = (np.arange(case.stars) + 0.5) / case.stars
    flux = 1.0 / (1.0 - rank * (1.0 - 1.0 / 30.0))
    flux *= case.flux / flux.mean()
    place, own = rng.integers(0, len(PLACES), (2, case.stars)), np.zeros(case.stars, int)
    if case.galsim:
        image, x, y = draw_stars([Drawn(case, defocus_um, seeing)], radius, flux, place, own, SKY, rng)
    else:
        shape = StarShape(RIG.pixel_um, RIG.f_ratio, RIG.obstruction, defocus_um, seeing, WAVELENGTH_UM, **case.shape)
        image, x, y = draw_stars([shape], radius, flux, place, own, SKY, rng)
    dx, dy = measure_shift(image - SKY, x, y, flux, hfd_px)
    task = StackTask(x + dx, y + dy, flux, SKY, math.sqrt(SKY), radius, 0.0)
    return stack_profile(image, task), seeing


def run_telescope(task: tuple[int, str, int, int]) -> dict[str, list[tuple[float, ...]]]:
    """Calibrate by the runs of one night; return errors and quoted errors, in µm, of frames and pairs of another."""
    seed, name, number, frames = task
    case = CASES[name]
    rng = np.random.default_rng([seed, list(CASES).index(name), number])
    rig = replace(RIG, **case.believed)
    seeing = case.arcsec * RIG.focal_length_mm * 1e3 / ARCSEC_PER_RADIAN
    round_shape = {k: v for k, v in case.shape.items() if k == "spherical_waves"}
    star = StarShape(RIG.pixel_um, RIG.f_ratio, RIG.obstruction, 0.0, seeing, WAVELENGTH_UM, **round_shape)
    least_um = least_hfd_defocus_um(star)
    runs, wide = [], []
    for _ in range(RUNS):
        away = np.linspace(-REACH_UM, REACH_UM, NINE) + rng.uniform(-40.0, 40.0)
        drawn = [draw_frame(case, least_um + one, rng) for one in away]
        profiles = tuple(
            replace(frame, position=one / RIG.um_per_step) for (frame, _), one in zip(drawn, away, strict=True)
        )
        runs.append(RunProfiles(profiles, tuple(range(NINE)), rig, WAVELENGTH_UM))
        wide.append(hyperbola(away, [width for _, width in drawn]))
    shown = [
        (own, left_over(stack, fit, [one.position for one in stack.profiles]))
        for stack, (fit, own) in zip(runs, fit_night(runs), strict=True)
        if fit and own
    ]
    known = known_of(
        Calibration(
            spherical=tuple(own.spherical for own, _ in shown), step=tuple(own.step for own, _ in shown),
            **{part: tuple(rest[part] for _, rest in shown if rest[part]) for part in ("wings", "outside", "inside")},
        ), rig, WAVELENGTH_UM,
    )  # fmt: skip
    nothing = known_of(Calibration(), rig, WAVELENGTH_UM)
    found: dict[str, list[tuple[float, ...]]] = {"single": [], "pair": [], "bare": [], "bare pair": []}
    found["hyperbola"] = [(one, 1.0) for one in wide]
    for _ in range(frames // 2):
        pair = []
        for sign in (1.0, -1.0):
            away = sign * rng.uniform(NEAREST_UM, FARTHEST_UM)
            pair.append((away, draw_frame(case, least_um + away, rng)[0]))
        for kind, judge in (("", known), ("bare", nothing)):
            singles = [judged(frame, away, judge, rig) for away, frame in pair]
            both = find_focus(singles)
            for one, (away, _) in zip(singles, pair, strict=True):
                side = one.defocus.sides[away < 0.0]
                (answer,) = find_focus([one], "outside" if away > 0.0 else "inside")
                found[kind or "single"].append((*in_um(answer), side.noise_um))
            if both[0].side_from == "pair" and both[0].side == "outside":
                found[f"{kind} pair".strip()].append(in_um(both[0]))
    return found


def judged(frame: FrameProfile, away_um: float, known: Known, rig: Rig) -> Single:
    """Return a measured frame at its position; focus is at 0."""
    defocus = measure_defocus(frame, rig, WAVELENGTH_UM, known.spherical, known.exponent)
    return Single(away_um / RIG.um_per_step, defocus, known, 0)


def in_um(answer) -> tuple[float, float]:
    """Return error and quoted error of a best position whose truth is 0."""
    return answer.best_position * RIG.um_per_step, answer.best_position_err * RIG.um_per_step


def hyperbola(away_um: np.ndarray, seeing_um: list[float]) -> float:
    """Return where a hyperbola through the sizes of a run has its least one."""
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 60.0)
    sizes = [model.hfd_um(a / model.um_per_wave, s) for a, s in zip(away_um, seeing_um, strict=True)]
    curve: Callable = lambda x, least, slope, centre: np.hypot(least, slope * (x - centre))  # noqa: E731
    return float(curve_fit(curve, away_um, sizes, p0=(min(sizes), 0.1, 0.0))[0][2])


def figures(rows: list[tuple[float, ...]]) -> str:
    """Return rms, bias, quoted, and the shares within one and two quoted errors."""
    if not rows:
        return f"{'-':>33}"
    off, err = np.array([row[:2] for row in rows]).T
    ratio = np.abs(off) / err
    rms, quoted = (math.sqrt(np.mean(one**2)) for one in (off, err))
    return f"{rms:6.2f} {off.mean():6.2f} {quoted:6.2f} {np.mean(ratio < 1):5.0%} {np.mean(ratio < 2):5.0%}"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", choices=[*CASES, []], default=["plain", "galsim"])
    parser.add_argument("--telescopes", type=int, default=1)
    parser.add_argument("--frames", type=int, default=12, help="single frames of each telescope")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    head = "rms   bias quoted   1σ    2σ"
    print(f"{'':17}single {head}  bound   pair {head}   bare {head}   bare pair {head}   hyperbola")
    with Workers(count=options.workers) as pool:
        for name in options.cases:
            tasks = [(options.seed, name, k, options.frames) for k in range(options.telescopes)]
            parts = pool.map(run_telescope, tasks, lambda _: {})
            rows = {kind: [row for part in parts for row in part[kind]] for kind in parts[0]}
            bound = math.sqrt(np.mean([row[2] ** 2 for row in rows["single"]]))
            wide = math.sqrt(np.mean([row[0] ** 2 for row in rows["hyperbola"]]))
            shown = [figures(rows[kind]) for kind in ("single", "pair", "bare", "bare pair")]
            print(f"{name:17}{shown[0]} {bound:6.2f}  {'  '.join(shown[1:])}  {wide:6.2f}", flush=True)


if __name__ == "__main__":
    main()
