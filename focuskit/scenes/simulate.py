"""Seeded frames and nights with known truth, for the demonstration and the tests.

From small to large: `render_frame` (stars, sky and detector), `simulate_run` (one sweep of a
`Scene`), `write_night` (FITS files of many sweeps, and their truth). Stars keep their flux through
a run; the detector is linear up to 65535 ADU.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import fft
from scipy.optimize import minimize_scalar

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import usual_filter
from focuskit.core.optics import Rig
from focuskit.core.times import format_time
from focuskit.scenes.psf import StarShape, star_hfd_um, star_spectrum

ADU_MAX = 65535
SPOILERS = ("cloud", "gust", "trail", "truncated")

_PAUSE_S = 6.0  # between two frames of a sweep: read-out and the focuser's move
_CHUNK_ROWS = 256


def render_frame(
    shape_px: tuple[int, int],
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
    flux_e: NDArray[np.float64],
    star: StarShape,
    rng: np.random.Generator,
    *,
    defocus_um: NDArray[np.float64] | None = None,
    sky_e: float = 50.0,
    read_noise_e: float = 1.5,
    gain_e_per_adu: float = 0.25,
    offset_adu: float = 500.0,
    hot_pixels: int = 0,
    cosmic_rays: int = 0,
    trail_e: float = 0.0,
) -> NDArray[np.uint16]:
    """Return one frame of stars in ADU, shape ``shape_px`` = (rows, columns).

    Parameters
    ----------
    x_px, y_px, flux_e : arrays of one length
        Positions (the centre of the first pixel is 0, 0) and total fluxes in electrons.
    star : StarShape
        Shape of all stars; ``defocus_um``, where given, replaces the shape's own, star by star.
    sky_e : float
        Electrons of sky in a pixel.
    hot_pixels, cosmic_rays : int
        How many of each to strew.
    trail_e : float
        Electrons per pixel of length of a satellite trail across the frame; 0 for none.

    Raises
    ------
    FocuskitError
        If the gain is not above 0.
    """
    if not gain_e_per_adu > 0:
        raise FocuskitError(f"gain_e_per_adu = {gain_e_per_adu}: give a number above 0")
    image = np.full(shape_px, sky_e, dtype=np.float32)
    if len(flux_e):
        _add_stars(image, x_px, y_px, flux_e, star, defocus_um)
    if trail_e:
        _add_trail(image, trail_e, star, rng)
    for first in range(0, shape_px[0], _CHUNK_ROWS):
        rows = image[first : first + _CHUNK_ROWS]
        rows[...] = rng.poisson(np.maximum(rows, 0.0))
        rows += np.float32(read_noise_e) * rng.standard_normal(rows.shape, dtype=np.float32)
    _add_cosmic_rays(image, cosmic_rays, rng)
    hot = rng.integers(0, image.size, hot_pixels)
    image.ravel()[hot] += rng.exponential(5000.0, hot_pixels).astype(np.float32)
    image /= np.float32(gain_e_per_adu)
    image += np.float32(offset_adu + 0.5)
    return np.clip(image, 0, ADU_MAX, out=image).astype(np.uint16)


def _add_stars(
    image: NDArray[np.float32],
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
    flux_e: NDArray[np.float64],
    star: StarShape,
    defocus_um: NDArray[np.float64] | None,
) -> None:
    farthest_um = abs(star.defocus_um) if defocus_um is None else float(np.abs(defocus_um).max())
    core_um = math.hypot(star.seeing_fwhm_um, star.wavelength_um * star.f_ratio)
    # Far enough for the wings of the brightest star to sink into the noise; they fall as r^-3 or faster.
    reach_um = 0.5 * farthest_um / star.f_ratio + 12.0 * core_um + 3.0 * star.shake_um
    reach_px = reach_um / star.pixel_um * min(3.0, max(1.0, (float(np.max(flux_e)) / 1e6) ** (1.0 / 3.0)))
    size_px = 2 * math.ceil(reach_px) + 1
    field_px = int(fft.next_fast_len(math.ceil(0.75 * size_px), real=True)) * 2

    def add(i: int, values: NDArray[np.complexfloating]) -> None:
        column, row = round(float(x_px[i])), round(float(y_px[i]))
        spectrum = replace(template, values=values)
        stamp = spectrum.image(size_px, float(x_px[i]) - column, float(y_px[i]) - row)
        _add_stamp(image, float(flux_e[i]) * stamp, column, row)

    template = star_spectrum(star, field_px)
    if defocus_um is None:
        values = template.values.astype(np.complex64)
        for star_number in range(len(flux_e)):
            add(star_number, values)
        return
    # Templates a little apart in defocus are mixed linearly; this spacing keeps HFD right to 0.05 %.
    spacing_um = 0.06 * star.f_ratio * core_um
    node = np.floor(np.asarray(defocus_um) / spacing_um).astype(int)
    for low in np.unique(node).tolist():
        below, above = (
            star_spectrum(replace(star, defocus_um=k * spacing_um), field_px).values.astype(np.complex64)
            for k in (low, low + 1)
        )
        for star_number in np.flatnonzero(node == low).tolist():
            share = np.float32(defocus_um[star_number] / spacing_um - low)
            add(star_number, below + share * (above - below))


def _add_stamp(image: NDArray[np.float32], stamp: NDArray[np.floating], column: int, row: int) -> None:
    top, left = row - stamp.shape[0] // 2, column - stamp.shape[1] // 2
    bottom, right = min(top + stamp.shape[0], image.shape[0]), min(left + stamp.shape[1], image.shape[1])
    first_row, first_column = max(top, 0), max(left, 0)
    if first_row < bottom and first_column < right:
        part = stamp[first_row - top : bottom - top, first_column - left : right - left]
        image[first_row:bottom, first_column:right] += part.astype(np.float32)


def _add_trail(image: NDArray[np.float32], trail_e: float, star: StarShape, rng: np.random.Generator) -> None:
    """Draw a straight trail through the middle of the frame, about as wide as the stars are."""
    rows, columns = image.shape
    angle = rng.uniform(-0.6, 0.6)
    middle = rows * rng.uniform(0.35, 0.65)
    sigma_px = 0.5 + math.hypot(star.seeing_fwhm_um / 2.355, 0.35 * star.donut_um) / star.pixel_um
    y, x = np.ogrid[:rows, :columns]
    distance = (y - middle) * math.cos(angle) - (x - columns / 2) * math.sin(angle)
    profile = np.exp(-0.5 * (distance / sigma_px) ** 2) / (sigma_px * math.sqrt(2.0 * math.pi))
    image += (trail_e * profile).astype(np.float32)


def _add_cosmic_rays(image: NDArray[np.float32], count: int, rng: np.random.Generator) -> None:
    """Add tracks one pixel wide and up to 12 pixels long."""
    rows, columns = image.shape
    for _ in range(count):
        along = np.arange(rng.integers(1, 13))
        angle = rng.uniform(0.0, 2.0 * math.pi)
        x = np.rint(rng.uniform(0, columns) + along * math.cos(angle)).astype(int)
        y = np.rint(rng.uniform(0, rows) + along * math.sin(angle)).astype(int)
        inside = (x >= 0) & (x < columns) & (y >= 0) & (y < rows)
        image[y[inside], x[inside]] += np.float32(rng.uniform(300.0, 3000.0))


# Runs and nights ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Passband:
    """What a filter does: focus offset, part of the starlight let through, sky per pixel."""

    offset_steps: float = 0.0
    transmission: float = 1.0
    sky_e_per_s: float = 0.5


@dataclass(frozen=True)
class Scene:
    """A telescope under a sky, with its true focus.

    Parameters
    ----------
    rig : Rig
        All its lengths must be known.
    shape_px : (int, int)
        Rows and columns of the frames.
    x_px, y_px, flux_e_per_s : arrays of one length
        The stars; fluxes before the filter.
    passbands : mapping of str to Passband
        By the filter's name.
    best_position, reference_c, steps_per_c : float
        Position of least HFD in the middle of the field without filter offset, the temperature at
        which it holds, and its drift.
    seeing_arcsec, seeing_jitter : float
        Median FWHM, and the standard deviation of its logarithm from frame to frame.
    tilt_x_um, tilt_y_um, curvature_um : float
        Focus at the right edge less that at the left, at the last row less that at the first, and
        at the corners less that in the middle; towards larger positions.
    drift_px : float
        Standard deviation of the step in x and in y from one frame of a run to the next.
    star : mapping
        What else shapes the stars: fields of `focuskit.psf.StarShape`.
    """

    rig: Rig
    shape_px: tuple[int, int]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    flux_e_per_s: NDArray[np.float64]
    passbands: Mapping[str, Passband] = field(default_factory=lambda: {"L": Passband()})
    best_position: float = 10000.0
    reference_c: float = 0.0
    steps_per_c: float = 0.0
    seeing_arcsec: float = 2.6
    seeing_jitter: float = 0.1
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0
    curvature_um: float = 0.0
    spherical_waves: float = 0.0
    astigmatism_waves: tuple[float, float] = (0.0, 0.0)
    coma_waves: tuple[float, float] = (0.0, 0.0)
    drift_px: float = 0.4
    star: Mapping[str, Any] = field(default_factory=dict)
    read_noise_e: float = 1.5
    gain_e_per_adu: float = 1.0
    offset_adu: float = 500.0
    hot_pixels: int = 0
    cosmic_rays_per_s: float = 0.0
    camera: str = "Simulated camera"
    target: str = "Simulated field"

    def __post_init__(self) -> None:
        for name in ("focal_length_mm", "aperture_mm", "obstruction", "pixel_um", "um_per_step"):
            if getattr(self.rig, name) is None:
                raise FocuskitError(f"the rig's {name} is not known: a scene needs it, so give it")

    def star_shape(self, filter_name: str) -> StarShape:
        """Return the shape of a star in focus under the median seeing."""
        rig = self.rig
        scale = rig.scale_arcsec_per_px
        assert rig.pixel_um and rig.f_ratio and rig.obstruction is not None and scale
        return StarShape(
            rig.pixel_um,
            rig.f_ratio,
            rig.obstruction,
            seeing_fwhm_um=self.seeing_arcsec / scale * rig.pixel_um,
            wavelength_um=usual_filter(filter_name).wavelength_nm * 1e-3,
            spherical_waves=self.spherical_waves,
            astigmatism_waves=self.astigmatism_waves,
            coma_waves=self.coma_waves,
            **self.star,
        )

    def passband(self, filter_name: str) -> Passband:
        """Return what a filter does; raise FocuskitError where the scene has none of that name."""
        if filter_name not in self.passbands:
            known = ", ".join(self.passbands)
            raise FocuskitError(f"filter '{filter_name}' is not in the scene: choose one of {known}")
        return self.passbands[filter_name]

    def true_position(self, filter_name: str, temperature_c: float) -> float:
        """Return the position of least HFD in the middle of the field."""
        drift = self.steps_per_c * (temperature_c - self.reference_c)
        return self.best_position + self.passband(filter_name).offset_steps + drift


@dataclass(frozen=True)
class Sweep:
    """One series of frames to take: of a focus run, or ordinary frames at one position.

    ``spoiled`` maps the number of a frame, from 0, to what befalls it: ``cloud`` (a seventh of the
    light), ``gust`` (blurred along one axis), ``trail`` (of a satellite) or ``truncated`` (the file).
    ``moved_to`` is where the focuser truly went, frame by frame, where that is not what it tells:
    backlash, uneven steps.
    """

    filter: str
    start: datetime
    temperature_c: float
    exposure_s: float
    positions: Sequence[int]
    spoiled: Mapping[int, str] = field(default_factory=dict)
    image_type: str = "FOCUS"
    moved_to: Sequence[float] | None = None

    def __post_init__(self) -> None:
        if self.moved_to is not None and len(self.moved_to) != len(self.positions):
            raise FocuskitError(f"moved_to has {len(self.moved_to)} values for {len(self.positions)} positions")
        for what in self.spoiled.values():
            if what not in SPOILERS:
                raise FocuskitError(f"'{what}' cannot spoil a frame: choose one of {', '.join(SPOILERS)}")


@dataclass(frozen=True)
class SimulatedFrame:
    """A frame in ADU, the facts for its header, and the truth about it."""

    image: NDArray[np.uint16]
    facts: Mapping[str, Any]
    truth: Mapping[str, Any]


def strew_stars(
    count: int,
    shape_px: tuple[int, int],
    rng: np.random.Generator,
    *,
    faintest_e_per_s: float = 1000.0,
    brightest_e_per_s: float = 2e5,
    slope: float = 1.0,
    margin_px: float = 60.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return x, y and fluxes of ``count`` stars over the frame and a margin around it.

    The number of stars brighter than F goes as F^-slope between the two limits.
    """
    x = rng.uniform(-margin_px, shape_px[1] - 1 + margin_px, count)
    y = rng.uniform(-margin_px, shape_px[0] - 1 + margin_px, count)
    cut = (faintest_e_per_s / brightest_e_per_s) ** slope
    flux = faintest_e_per_s * (1.0 - rng.uniform(0.0, 1.0 - cut, count)) ** (-1.0 / slope)
    return x, y, flux


def least_hfd_defocus_um(star: StarShape) -> float:
    """Return the defocus at which the star's HFD is least: 0 without spherical aberration."""
    if star.spherical_waves == 0.0 or star.optics == "annulus":
        return 0.0
    half_um = 1500.0 * abs(star.spherical_waves) * (star.f_ratio / 7.0) ** 2
    found = minimize_scalar(
        lambda dz: star_hfd_um(replace(star, defocus_um=float(dz))), bounds=(-half_um, half_um),
        method="bounded", options={"xatol": 1e-3 * half_um},
    )  # fmt: skip
    return float(found.x)


def simulate_run(scene: Scene, sweep: Sweep, rng: np.random.Generator) -> Iterator[SimulatedFrame]:
    """Take the frames of one sweep, one after the other."""
    median = scene.star_shape(sweep.filter)
    band = scene.passband(sweep.filter)
    um_per_step = scene.rig.um_per_step
    assert um_per_step
    best = scene.true_position(sweep.filter, sweep.temperature_c)
    # Spherical aberration sets the point of least HFD apart from zero defocus.
    zero_um = best * um_per_step - least_hfd_defocus_um(median)
    local_um = zero_um + field_focus_um(scene, scene.x_px, scene.y_px)
    shift_x = shift_y = 0.0
    true_positions = sweep.positions if sweep.moved_to is None else sweep.moved_to
    for number, (position, true) in enumerate(zip(sweep.positions, true_positions, strict=True)):
        spoiler = sweep.spoiled.get(number)
        seeing_um = median.seeing_fwhm_um * math.exp(scene.seeing_jitter * rng.standard_normal())
        star = replace(median, seeing_fwhm_um=seeing_um, defocus_um=true * um_per_step - zero_um)
        if spoiler == "gust":
            star = replace(star, shake_um=1.2 * seeing_um, shake_angle_deg=float(rng.uniform(0.0, 180.0)))
        clear = 1.0 / 7.0 if spoiler == "cloud" else 1.0
        image = render_frame(
            scene.shape_px,
            scene.x_px + shift_x,
            scene.y_px + shift_y,
            scene.flux_e_per_s * (band.transmission * sweep.exposure_s * clear),
            star,
            rng,
            defocus_um=true * um_per_step - local_um,
            sky_e=band.sky_e_per_s * sweep.exposure_s,
            read_noise_e=scene.read_noise_e,
            gain_e_per_adu=scene.gain_e_per_adu,
            offset_adu=scene.offset_adu,
            hot_pixels=scene.hot_pixels,
            cosmic_rays=int(rng.poisson(scene.cosmic_rays_per_s * sweep.exposure_s)),
            trail_e=3000.0 if spoiler == "trail" else 0.0,
        )
        begun = sweep.start + timedelta(seconds=number * (sweep.exposure_s + _PAUSE_S))
        truth = {
            "position": int(position),
            "defocus_um": star.defocus_um,
            "seeing_arcsec": scene.seeing_arcsec * seeing_um / median.seeing_fwhm_um,
            "spoiled": spoiler,
        }
        yield SimulatedFrame(image, _header_facts(scene, sweep, int(position), begun), truth)
        shift_x += scene.drift_px * rng.standard_normal()
        shift_y += scene.drift_px * rng.standard_normal()


def field_focus_um(scene: Scene, x_px: NDArray[np.float64], y_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far the focus at a place in the field lies from that in the middle, in µm."""
    rows, columns = scene.shape_px
    across, along = x_px / (columns - 1) - 0.5, y_px / (rows - 1) - 0.5
    corner = ((x_px - (columns - 1) / 2) ** 2 + (y_px - (rows - 1) / 2) ** 2) / (
        ((columns - 1) ** 2 + (rows - 1) ** 2) / 4.0
    )
    return scene.tilt_x_um * across + scene.tilt_y_um * along + scene.curvature_um * corner


def _header_facts(scene: Scene, sweep: Sweep, position: int, begun: datetime) -> dict[str, Any]:
    rig = scene.rig
    return {
        "IMAGETYP": (sweep.image_type, "type of frame"),
        "OBJECT": (scene.target, "name of the target"),
        "DATE-OBS": ((format_time(begun) or "").rstrip("Z"), "start of the exposure, UTC"),
        "EXPTIME": (sweep.exposure_s, "[s] exposure time"),
        "FILTER": (sweep.filter, "name of the filter"),
        "FOCUSPOS": (position, "[steps] position of the focuser"),
        "FOCTEMP": (round(sweep.temperature_c, 2), "[deg C] temperature at the focuser"),
        "CCD-TEMP": (-10.0, "[deg C] temperature of the sensor"),
        "TELESCOP": (rig.name or "", "telescope"),
        "INSTRUME": (scene.camera, "camera"),
        "FOCALLEN": (rig.focal_length_mm, "[mm] focal length"),
        "APTDIA": (rig.aperture_mm, "[mm] aperture"),
        "XPIXSZ": (rig.pixel_um, "[um] pixel width after binning"),
        "YPIXSZ": (rig.pixel_um, "[um] pixel height after binning"),
        "XBINNING": (1, "binning in x"),
        "YBINNING": (1, "binning in y"),
        "EGAIN": (scene.gain_e_per_adu, "[electron/adu] gain"),
    }


def write_frame(path: Path, image: NDArray[np.uint16], facts: Mapping[str, Any]) -> None:
    """Write a frame as 16-bit unsigned FITS; Rice-compressed in tiles where the name ends in ``.fz``.

    ``facts`` maps keywords to values or (value, comment). A file of that name is replaced.

    Raises
    ------
    FocuskitError
        If the file cannot be written.
    """
    header = fits.Header()
    for keyword, value in facts.items():
        header[keyword] = value
    if path.suffix == ".fz":
        squeezed = fits.CompImageHDU(image, header, compression_type="RICE_1")
        hdus = fits.HDUList([fits.PrimaryHDU(), squeezed])
    else:
        hdus = fits.HDUList([fits.PrimaryHDU(image, header)])
    try:
        hdus.writeto(path, overwrite=True)
    except OSError as problem:
        raise FocuskitError(f"{path}: cannot be written ({problem.strerror or problem})") from problem


def write_night(
    folder: Path,
    scene: Scene,
    sweeps: Sequence[Sweep],
    rng: np.random.Generator,
    suffix: str = ".fits",
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Write the frames of a night as ``frame_0001`` and so on, and return the truth, ready for JSON.

    ``best_position`` holds for the middle of the field, ``best_position_whole_field`` for the mean
    over the sensor.
    """
    folder.mkdir(parents=True, exist_ok=True)
    mean_um = scene.curvature_um / 3.0  # (r / corner)² over a rectangle
    runs, written = [], 0
    for sweep in sweeps:
        frames = []
        for frame in simulate_run(scene, sweep, rng):
            written += 1
            path = folder / f"frame_{written:04d}{suffix}"
            write_frame(path, frame.image, frame.facts)
            if frame.truth["spoiled"] == "truncated":
                whole = path.read_bytes()
                path.write_bytes(whole[: len(whole) * 3 // 5])
            frames.append({"file": path.name, **frame.truth})
            if progress:
                progress(written, sum(len(one.positions) for one in sweeps))
        best = scene.true_position(sweep.filter, sweep.temperature_c)
        runs.append({
            "start": format_time(sweep.start),
            "filter": sweep.filter,
            "image_type": sweep.image_type,
            "exposure_s": sweep.exposure_s,
            "temperature_c": sweep.temperature_c,
            "best_position": best,
            "best_position_whole_field": best + mean_um / (scene.rig.um_per_step or math.nan),
            "frames": frames,
        })  # fmt: skip
    return {
        "rig": scene.rig.name,
        "steps_per_c": scene.steps_per_c,
        "filter_offsets_steps": {name: band.offset_steps for name, band in scene.passbands.items()},
        "tilt_x_um": scene.tilt_x_um,
        "tilt_y_um": scene.tilt_y_um,
        "curvature_um": scene.curvature_um,
        "spherical_waves": scene.spherical_waves,
        "runs": runs,
    }
