"""Sweeps and nights, drawn from a scene and written as FITS files, with their truth.

Stars keep their flux through a run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.times import format_time
from focuskit.scenes.render import render_frame
from focuskit.scenes.scene import Scene, Sweep, field_focus_um, least_hfd_defocus_um

_PAUSE_S = 6.0  # between two frames of a sweep: read-out and the focuser's move (common practice, no source)


@dataclass(frozen=True)
class SimulatedFrame:
    """A frame in ADU, the facts for its header, and the truth about it."""

    image: NDArray[np.uint16]
    facts: Mapping[str, Any]
    truth: Mapping[str, Any]


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
