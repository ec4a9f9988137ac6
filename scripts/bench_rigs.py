"""How right `focuskit analyse` is for many telescopes and cameras, with optics that are known, in part or not at all.

    python scripts/bench_rigs.py [CELL ...] --runs 4 --nights 1 --seed 1 [--bound] [--list]

GalSim renders the stars, this script the rest. A cell is a set-up, a number of stars and what headers and rig file say
of the optics: ``all`` (with the obstruction and the way per step), ``headers`` (focal length, aperture, pixel),
``no_aperture``, ``no_focal_length``, ``way`` (pixel and way per step only), ``pixel`` (pixel only), ``nothing``. A cell
is named SETUP-STARS-KNOWN; any such name will do, without one the chosen cells are run.

Each line: rms error and bias of the best position and the quoted error, in µm at the focal plane; with ``--bound`` the
smallest error of any estimate with what is known; the width of error over quoted error, and how often the truth was
within 1 and 1.96 quoted errors; the critical focus zone; the mean error of sizes below 2.5 px and above; failed runs;
missed goals; methods of the best positions; seconds for one run without drawing. The last line is over all cells. A
cell of a Bayer camera is measured against the focus of green, and compared with its mono twin.

Goals: rms error within a tenth of the critical focus zone and, with ``--bound``, 1.5 times the bound (a Bayer camera:
1.6 times the mono error), sizes within 1 %, below 2.5 px 2 %, and no run failed. A question mark where chance alone
does as much in so few nights: the runs of a night learn the spherical aberration from each other, whose error moves all
their best positions alike. So four runs of one night are little more than one sample; ``--nights 4`` takes them apart.
"""

from __future__ import annotations

import argparse
import collections
import math
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import galsim
import numpy as np
from astropy.io import fits
from bound_of_runs import bounds_of_night
from scipy.stats import chi2
from scipy.stats import f as fisher

from focuskit.core.optics import Rig, critical_focus_zone_um
from focuskit.core.workers import Workers
from focuskit.frames import RigFile
from focuskit.night import RunResult, analyse
from focuskit.scenes.psf import StarShape
from focuskit.scenes.scene import least_hfd_defocus_um

MIDDLE = 10_000
RADIAN_ARCSEC = 206_264.806
# Colours of a Bayer camera: wavelength in µm, focus against green in critical focus zones, light against green.
COLOURS = {"R": (0.61, 0.6, 0.8), "G": (0.53, 0.0, 1.0), "B": (0.46, 0.9, 0.7)}
MOSAIC = {(0, 0): "R", (0, 1): "G", (1, 0): "G", (1, 1): "B"}  # by row and column, modulo 2
SKY_E, READ_NOISE_E, OFFSET_ADU = 50.0, 1.5, 500.0
SMALL_PX = 2.5  # half-flux diameter below which sizes may be off by twice as much


@dataclass(frozen=True)
class Setup:
    """A telescope with its camera: mm, then µm, and what the sky and the optics do.

    ``pupil`` is one of round, spider, hole_off (the obstruction lies off the middle by 0.15 of the radius), vignetted
    (a second circle cuts 15 % off the pupil at the frame's corners). ``spherical`` is in waves rms.
    """

    aperture_mm: float
    focal_length_mm: float
    obstruction: float
    pixel_um: float = 3.76
    um_per_step: float = 4.0
    seeing_arcsec: float = 2.6
    pupil: str = "round"
    spherical: float = 0.0
    bayer: bool = False
    header: dict = field(default_factory=dict)

    @property
    def f_ratio(self) -> float:
        return self.focal_length_mm / self.aperture_mm

    @property
    def seeing_px(self) -> float:
        return self.seeing_arcsec / RADIAN_ARCSEC * self.focal_length_mm * 1e3 / self.pixel_um

    @property
    def green_um(self) -> float:
        return COLOURS["G"][0] if self.bayer else 0.55

    def airy_px(self, wavelength_um: float) -> float:
        """Return λN in pixels."""
        return wavelength_um * self.f_ratio / self.pixel_um


SETUPS = {
    "newton200f7": Setup(200, 1400, 0.36),
    "refractor80f5": Setup(80, 400, 0.0),
    "refractor102f7": Setup(102, 714, 0.0, spherical=0.04),
    "lens135f2": Setup(67, 135, 0.0, um_per_step=1.0),
    "lens50f1.8": Setup(27.8, 50, 0.0, um_per_step=0.7),
    "astrograph620": Setup(280, 620, 0.47, um_per_step=0.8),
    "newton150f5": Setup(150, 750, 0.33),
    "sct2032f10": Setup(203, 2032, 0.34, um_per_step=7.0),
    "long2800f10": Setup(280, 2800, 0.34, um_per_step=9.0),
    "newton305f4": Setup(305, 1200, 0.38, um_per_step=2.0),
    "rc3200f8": Setup(400, 3200, 0.45, um_per_step=5.0, spherical=0.02),
    "large_px": Setup(200, 1400, 0.36, pixel_um=9.0),
    "spider200f7": Setup(200, 1400, 0.36, pupil="spider"),
    "hole_off200f7": Setup(200, 1400, 0.36, pupil="hole_off"),
    "vignetted150f5": Setup(150, 750, 0.33, pupil="vignetted"),
    "bayer200f7": Setup(200, 1400, 0.36, bayer=True),
    "bayer80f5": Setup(80, 400, 0.0, bayer=True),
    "bayer150f5": Setup(150, 750, 0.33, bayer=True),
    "bayer135f2": Setup(67, 135, 0.0, um_per_step=1.0, bayer=True),
}
MONO = {
    "bayer200f7": "newton200f7",
    "bayer80f5": "refractor80f5",
    "bayer150f5": "newton150f5",
    "bayer135f2": "lens135f2",
}
KNOWN = {
    "all": ("focal_length_mm", "aperture_mm", "obstruction", "pixel_um", "um_per_step"),
    "headers": ("focal_length_mm", "aperture_mm", "pixel_um"),
    "no_aperture": ("focal_length_mm", "pixel_um"),
    "no_focal_length": ("aperture_mm", "pixel_um"),
    "way": ("pixel_um", "um_per_step"),
    "pixel": ("pixel_um",),
    "nothing": (),
}
CELLS = (
    "newton200f7-80-all",
    "newton200f7-20-headers",
    "newton200f7-80-no_aperture",
    "newton200f7-300-no_focal_length",
    "newton200f7-80-pixel",
    "newton200f7-20-nothing",
    "newton200f7-80-way",
    "refractor80f5-80-all",
    "refractor80f5-20-pixel",
    "refractor102f7-80-headers",
    "refractor102f7-80-no_aperture",
    "lens135f2-80-all",
    "lens135f2-300-pixel",
    "lens50f1.8-80-headers",
    "astrograph620-80-all",
    "astrograph620-80-pixel",
    "newton150f5-20-all",
    "newton150f5-80-nothing",
    "sct2032f10-80-headers",
    "sct2032f10-20-no_aperture",
    "long2800f10-80-all",
    "long2800f10-20-pixel",
    "newton305f4-300-no_aperture",
    "rc3200f8-80-no_aperture",
    "large_px-20-way",
    "spider200f7-80-headers",
    "hole_off200f7-80-headers",
    "vignetted150f5-80-headers",
    "bayer200f7-80-all",
    "bayer80f5-80-headers",
    "bayer150f5-20-pixel",
    "bayer135f2-300-all",
)


class Optics:
    """The stars of a set-up, drawn once for each defocus, seeing and colour, and put into frames at 1/FINE px."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.fine = 4 if setup.seeing_px > 3.0 else 8

    def star(self, defocus_um: float, seeing_px: float, wavelength_um: float, corner: tuple[int, int]) -> np.ndarray:
        """Return a star of unit flux in steps of 1/fine px, pixel included; it lies on the middle."""
        setup = self.setup
        donut_px = abs(defocus_um) / setup.f_ratio / setup.pixel_um
        radius = math.ceil(0.6 * donut_px + 5.0 * math.hypot(seeing_px, setup.airy_px(wavelength_um), 1.0)) + 4
        side = 2 * (radius + 1) * self.fine + 1
        star = self._recorded(defocus_um, seeing_px, wavelength_um, corner)
        drawn = star.drawImage(nx=side, ny=side, scale=1.0 / self.fine, method="no_pixel", dtype=float)
        return drawn.array * self.fine**2

    def hfd_px(self, defocus_um: float, seeing_px: float, wavelength_um: float) -> float:
        """Return the half-flux diameter as the sensor records it, of all light, in the middle of the field."""
        donut_px = abs(defocus_um) / self.setup.f_ratio / self.setup.pixel_um
        scale = math.hypot(donut_px, seeing_px, self.setup.airy_px(wavelength_um), 1.0) / 80.0
        star = self._recorded(defocus_um, seeing_px, wavelength_um, (0, 0))
        drawn = star.drawImage(nx=301, ny=301, scale=scale, method="no_pixel", dtype=float)
        return 2.0 * float(drawn.calculateHLR(flux=1.0))

    def _recorded(
        self, defocus_um: float, seeing_px: float, wavelength_um: float, corner: tuple[int, int]
    ) -> galsim.GSObject:
        """Return the light of a star through optics, seeing and one pixel."""
        setup = self.setup
        lam_nm = setup.airy_px(wavelength_um) / RADIAN_ARCSEC * 1e9  # an aperture of 1 m, and a pixel of 1"
        waves = defocus_um / (8.0 * setup.f_ratio**2 * wavelength_um)
        how = {"defocus": waves / (2.0 * math.sqrt(3.0)), "spher": setup.spherical * setup.green_um / wavelength_um}
        optics = galsim.OpticalPSF(lam=lam_nm, diam=1.0, aper=self._aperture(lam_nm, corner), **how)
        return galsim.Convolve(optics, galsim.Kolmogorov(fwhm=seeing_px), galsim.Pixel(1.0))

    def _aperture(self, lam_nm: float, corner: tuple[int, int]) -> galsim.Aperture:
        setup = self.setup
        if setup.pupil == "round":
            return galsim.Aperture(diam=1.0, lam=lam_nm, obscuration=setup.obstruction)
        if setup.pupil == "spider":
            return galsim.Aperture(diam=1.0, lam=lam_nm, obscuration=setup.obstruction, nstruts=4, strut_thick=0.015)
        side = 512
        x = (np.arange(side) - side / 2 + 0.5) / (side / 4)  # in radii; the pupil fills half of the plane
        u, v = np.meshgrid(x, x)
        off = 0.15 if setup.pupil == "hole_off" else 0.0
        lit = (np.hypot(u, v) < 1.0) & (np.hypot(u - off, v) > setup.obstruction)
        if setup.pupil == "vignetted":
            lit &= np.hypot(u - 0.17 * corner[0], v - 0.17 * corner[1]) < 1.0
        plane = galsim.Image(lit.astype(float))
        return galsim.Aperture(diam=1.0, lam=lam_nm, pupil_plane_im=plane, pupil_plane_scale=2.0 / side)

    def draw(self, image: np.ndarray, x: np.ndarray, y: np.ndarray, flux: np.ndarray, how: tuple) -> None:
        """Add stars; ``x`` and ``y`` in parts of a pixel, of which 1/fine is the smallest."""
        corner = np.zeros((x.size, 2), dtype=int)
        if self.setup.pupil == "vignetted":
            place = np.stack((x / image.shape[1], y / image.shape[0]), axis=1) - 0.5
            corner = np.where(np.hypot(*place.T)[:, None] > 0.35, np.sign(place), 0).astype(int)
        for kind in {tuple(c) for c in corner.tolist()}:
            star = self.star(*how, kind)
            reach = (star.shape[0] // 2) // self.fine - 1
            for k in np.flatnonzero((corner == kind).all(axis=1)):
                (col, i), (row, j) = (divmod(round(float(p) * self.fine), self.fine) for p in (x[k], y[k]))
                first = star.shape[0] // 2 - reach * self.fine
                last = first + 2 * reach * self.fine + 1
                stamp = flux[k] * star[first - j : last - j : self.fine, first - i : last - i : self.fine]
                top, left = max(row - reach, 0), max(col - reach, 0)
                bottom, right = min(row + reach + 1, image.shape[0]), min(col + reach + 1, image.shape[1])
                if top < bottom and left < right:
                    image[top:bottom, left:right] += stamp[
                        top - row + reach : bottom - row + reach, left - col + reach : right - col + reach
                    ]


def write_run(folder: Path, setup: Setup, stars: int, known: str, number: int, rng: np.random.Generator) -> Truth:
    """Write the nine frames of a run; return its true focus and sizes."""
    hfd_px = math.hypot(1.1 * setup.seeing_px, 1.1 * setup.airy_px(0.55), 0.8)
    shape = np.sqrt((1.0 + setup.obstruction**2) / 2.0)
    # The outermost frames have 2.7 times the least size.
    reach_um = 2.5 * hfd_px * setup.pixel_um * setup.f_ratio / shape
    step = max(1, round(reach_um / 4.0 / setup.um_per_step))
    side = max(320, math.ceil(math.sqrt(stars) * (11.0 * hfd_px + 8.0)))
    rows, columns = 2 * (side * 7 // 16), 2 * (side * 9 // 16)
    margin = 4.0 * hfd_px
    x, y = rng.uniform(margin, columns - margin, stars), rng.uniform(margin, rows - margin, stars)
    flux = 1.0 / (1.0 - (np.arange(stars) + 0.5) / stars * (1.0 - 1.0 / 30.0))
    flux *= 2.6e4 * min(max((hfd_px / 5.4) ** 2, 0.15), 4.0) / flux.mean()
    optics = Optics(setup)
    x, y = (np.round(p * optics.fine) / optics.fine for p in (x, y))
    focus = MIDDLE + 37.3 * number + rng.uniform(-0.5, 0.5) * step
    positions = [round(MIDDLE + 37.3 * number) + step * (k - 4) for k in range(9)]
    zone = critical_focus_zone_um(setup.f_ratio, 550.0)
    shift, sizes = np.zeros(2), []
    for k, position in enumerate(positions):
        seeing_px = setup.seeing_px * math.exp(0.12 * rng.standard_normal())
        defocus_um = (position - focus) * setup.um_per_step + _zero_um(setup)
        sizes.append(optics.hfd_px(defocus_um, seeing_px, setup.green_um))
        image = np.zeros((rows, columns))
        colours = COLOURS if setup.bayer else {None: (0.55, 0.0, 1.0)}
        for colour, (wavelength_um, off, light) in colours.items():
            plane = np.zeros((rows, columns))
            optics.draw(
                plane, x + shift[0], y + shift[1], light * flux, (defocus_um - off * zone, seeing_px, wavelength_um)
            )
            for (row, column), name in MOSAIC.items() if setup.bayer else ():
                if name == colour:
                    image[row::2, column::2] = plane[row::2, column::2]
            if colour is None:
                image = plane
        electrons = rng.poisson(np.maximum(image, 0.0) + SKY_E) + READ_NOISE_E * rng.standard_normal(image.shape)
        adu = np.clip(np.rint(electrons + OFFSET_ADU), 0, 65535).astype(np.uint16)
        header = _header(
            setup, known, position, datetime(2031, 3, 4, 18, tzinfo=UTC) + timedelta(minutes=20 * number, seconds=8 * k)
        )
        fits.PrimaryHDU(adu, header).writeto(folder / f"frame_{number:03d}_{k}.fits")
        shift += np.round(0.4 * rng.standard_normal(2) * optics.fine) / optics.fine
    return Truth(focus, sizes)


def _zero_um(setup: Setup) -> float:
    """Return the defocus of least HFD, in green light."""
    star = StarShape(
        setup.pixel_um, setup.f_ratio, setup.obstruction, seeing_fwhm_um=setup.seeing_px * setup.pixel_um,
        wavelength_um=setup.green_um, spherical_waves=setup.spherical,
    )  # fmt: skip
    return least_hfd_defocus_um(star)


def _header(setup: Setup, known: str, position: int, when: datetime) -> fits.Header:
    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"], header["FOCUSPOS"] = "FOCUS", 2.0, position
    header["DATE-OBS"] = f"{when:%Y-%m-%dT%H:%M:%S}"
    header["EGAIN"], header["TELESCOP"], header["INSTRUME"] = 1.0, "Bench", "Simulated camera"
    if setup.bayer:
        header["BAYERPAT"] = "RGGB"
    else:
        header["FILTER"] = "L"
    for keyword, name in (("FOCALLEN", "focal_length_mm"), ("APTDIA", "aperture_mm"), ("XPIXSZ", "pixel_um")):
        if name in KNOWN[known]:
            header[keyword] = getattr(setup, name)
    header.update(setup.header)
    return header


@dataclass(frozen=True)
class Truth:
    """True position of the focus of a run, and true half-flux diameter of each frame in px (green)."""

    focus: float
    hfd_px: list[float]


@dataclass(frozen=True)
class Answer:
    """Results of a cell: errors and quoted errors in µm of the runs with a best position, relative errors of sizes."""

    error: np.ndarray
    quoted: np.ndarray
    zone: float
    failed: int
    nights: int = 1  # that the runs were spread over
    bound: float = math.nan
    hfd_error: np.ndarray = field(default_factory=lambda: np.empty((2, 0)))  # true size in px, error of it

    def size_error(self, small: bool) -> tuple[float, float]:
        """Return the mean error of the sizes below 2.5 px or above, and its standard error by the scatter."""
        errors = self.hfd_error[1][(self.hfd_error[0] < SMALL_PX) == small]
        return _mean(errors), math.sqrt(_mean((errors - _mean(errors)) ** 2) / max(len(errors), 1))


def run_cell(cell: str, options: argparse.Namespace, folder: Path) -> Answer:
    """Draw and analyse a cell, print its line, and return the results."""
    name, count, known = cell.rsplit("-", 2)
    setup, stars = SETUPS[name], int(count)
    rng = np.random.default_rng([options.seed, *cell.encode()])
    rig_file = RigFile(
        rig=Rig("Bench", **{key: getattr(setup, key) for key in ("obstruction", "um_per_step") if key in KNOWN[known]})
    )
    full = Rig("Bench", setup.focal_length_mm, setup.aperture_mm, setup.obstruction, setup.pixel_um, setup.um_per_step)
    truth, found, bound, seconds = [], [], [], 0.0
    nights = np.array_split(np.arange(options.runs), min(options.nights, options.runs))
    for place, numbers in enumerate(nights):
        at = folder / f"{place}"
        at.mkdir(parents=True)
        truth += [write_run(at, setup, stars, known, number, rng) for number in numbers.tolist()]
        begun = time.perf_counter()
        night = analyse(at, rig_file=rig_file, workers=1)
        seconds += time.perf_counter() - begun
        found += night.runs
        if options.bound:
            free = (not {"focal_length_mm", "aperture_mm", "pixel_um"} <= {*KNOWN[known]}, known != "all")
            with Workers(count=1) as pool:
                bound += bounds_of_night([replace(run, rig=full) for run in night.runs], free, pool)
    zone = critical_focus_zone_um(setup.f_ratio, 1e3 * setup.green_um)
    if len(found) != len(truth):
        print(f"{cell:30} {len(found)} runs found of {len(truth)}", flush=True)
        return Answer(np.empty(0), np.empty(0), zone, len(truth))
    told = np.array([[run.fit.best_position or np.nan, run.fit.best_position_err or np.nan] for run in found])
    error, quoted = ((told - np.array([[one.focus, 0.0] for one in truth])) * setup.um_per_step).T
    seen = np.isfinite(error)
    sizes = np.array([true.hfd_px for true in truth]).ravel()
    off = np.concatenate([run.sizes.hfd_px for run in found]) / sizes - 1.0
    answer = Answer(
        error[seen], quoted[seen], zone, int((~seen).sum()), len(nights),
        _rms([b * setup.um_per_step for b in bound]), np.array([sizes, off])[:, np.isfinite(off)],
    )  # fmt: skip
    print_line(cell, answer, found, seconds / len(truth), options.flags)
    return answer


def print_line(cell: str, answer: Answer, found: Sequence[RunResult], seconds: float, with_flags: bool) -> None:
    """Print the line of a cell, of whose runs each took some ``seconds``."""
    methods = collections.Counter(run.fit.method for run in found if run.fit.method)
    flags = collections.Counter(flag for run in found for flag in run.all_flags)
    ratio = answer.error / answer.quoted
    within = f"{_mean(np.abs(ratio) < 1):4.0%} {_mean(np.abs(ratio) < 1.96):4.0%}"
    sized = " ".join(
        "     " if math.isnan(e := answer.size_error(small)[0]) else f"{e:+5.1%}" for small in (True, False)
    )
    print(
        f"{cell:30} {_rms(answer.error):7.3f} {_mean(answer.error):+7.3f} {_rms(answer.quoted):7.3f}"
        f" {answer.bound:7.3f} {_rms(ratio):5.2f} {within} ±{answer.zone:5.1f} {sized} {answer.failed:2}"
        f" {judge(answer, answer):20} {dict(methods)} {seconds:5.2f} s"
        f"{f' {dict(flags)}' if with_flags else ''}",
        flush=True,
    )


def judge(answer: Answer, mono: Answer) -> str:
    """Return the goals that a cell misses, with a question mark where one good cell in twenty does by chance."""
    # The runs of a night have most of their error in common.
    missed, count, other = [], answer.nights, mono.nights
    rms, chance = _rms(answer.error), math.sqrt(chi2.isf(0.05, count) / count)
    for name, goal, luck in (
        ("zone", 0.1 * answer.zone, chance),
        ("bound", 1.5 * answer.bound, chance),
        ("mono", 1.6 * _rms(mono.error), math.sqrt(fisher.isf(0.05, count, other))),
    ):
        if rms > goal:
            missed.append(name if rms > goal * luck else f"{name}?")
    for name, small, goal in (("small", True, 0.02), ("size", False, 0.01)):
        off, err = answer.size_error(small)
        if abs(off) > goal:
            missed.append(name if abs(off) > goal + 2.0 * err else f"{name}?")
    return ", ".join(["failed"] * bool(answer.failed) + missed) or "pass"


def _mean(values: np.ndarray) -> float:
    return float(np.mean(values)) if len(values) else math.nan


def _rms(values: np.ndarray | list[float]) -> float:
    return math.sqrt(_mean(np.square(values)))


def main() -> None:
    """Run the cells named."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "cells", nargs="*", metavar="CELL", help="SETUP-STARS-KNOWN; all that begin with a set-up's name"
    )
    parser.add_argument("--runs", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--nights", type=int, default=1, help="analyse the runs as those of so many nights")
    parser.add_argument(
        "--bound", action="store_true", help="print the bound: the smallest error of any estimate with what is known"
    )
    parser.add_argument("--flags", action="store_true", help="print the flags of the runs")
    parser.add_argument("--list", action="store_true", help="list the chosen cells")
    options = parser.parse_args()
    cells: list[str] = []
    for wanted in options.cells or [""]:
        chosen = [cell for cell in CELLS if cell.startswith(wanted)]
        cells += chosen or [wanted]
    if options.list:
        print("\n".join(cells))
        return
    print(
        f"{'cell':30} {'rms µm':>7} {'bias':>7} {'quoted':>7} {'bound':>7} {'width':>5} {'1σ':>4} {'2σ':>4}"
        f" {'zone':>6} {'<2.5':>5} {'HFD':>5}  failed, goals missed, by, s a run"
    )
    answers: dict[str, Answer] = {}
    twins = {cell: cell.replace(cell.split("-")[0], MONO[cell.split("-")[0]]) for cell in cells if cell[:5] == "bayer"}
    for cell in dict.fromkeys([*cells, *twins.values()]):
        try:
            with tempfile.TemporaryDirectory() as scratch:
                answers[cell] = run_cell(cell, options, Path(scratch))
        except Exception as problem:  # noqa: BLE001, a crash is what a bench is to find
            print(f"{cell:30} crashed: {problem!r}", flush=True)
            answers[cell] = Answer(np.empty(0), np.empty(0), math.nan, options.runs)
    for cell, twin in twins.items():
        ratio = _rms(answers[cell].error) / _rms(answers[twin].error)
        print(f"{cell:30} {ratio:.2f} of the error of {twin}: {judge(answers[cell], answers[twin])}")
    ratio = np.concatenate([one.error / one.quoted for one in answers.values()])
    share = np.concatenate([one.error / one.zone for one in answers.values()])
    print(
        f"all {len(ratio)} runs: width {_rms(ratio):.2f}, within 1σ {_mean(np.abs(ratio) < 1):.0%},"
        f" 1.96σ {_mean(np.abs(ratio) < 1.96):.0%}, rms error {_rms(share):.3f} of the zone,"
        f" failed {sum(one.failed for one in answers.values())}"
    )


if __name__ == "__main__":
    main()
