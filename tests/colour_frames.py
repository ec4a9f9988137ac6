"""Focus runs of a camera with a Bayer matrix, each colour with its own focus and wavelength, and the same without."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from focuskit.core.optics import Rig
from focuskit.scenes.psf import StarShape
from focuskit.scenes.render import render_frame

HERON = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
START = datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
WAVELENGTHS_UM = {"R": 0.640, "G": 0.535, "B": 0.455}
# What each colour lets through of a star's light; red and blue less than green, as in most cameras.
SHARES = {"R": 0.6, "G": 1.0, "B": 0.5}
# Of red and of blue against green, in steps: a corrector's usual leftover of a few tens of µm.
OFFSETS = {"R": 9.0, "G": 0.0, "B": -5.0}


def mosaic(planes, pattern):
    """The raw frame that a matrix of this pattern makes of an image in each colour."""
    image = np.empty_like(planes["G"])
    for k, colour in enumerate(pattern):
        image[k // 2 :: 2, k % 2 :: 2] = planes[colour][k // 2 :: 2, k % 2 :: 2]
    return image


def take_planes(
    seed,
    *,
    colours="RGB",
    offsets=OFFSETS,
    best=10000.0,
    step=30,
    frames=9,
    stars=45,
    shape_px=(600, 800),
    seeing_arcsec=3.0,
    jitter=0.12,
    mean_e=4e4,
    rig=HERON,
    drift_px=0.7,
    positions=None,
):
    """Yield an image in each colour and the header of every frame of a run; ``best`` is the focus of green."""
    rng = np.random.default_rng(seed)
    x, y = (rng.uniform(40.0, side - 40.0, stars) for side in shape_px[::-1])
    flux = 1.0 / (1.0 - (np.arange(stars) + 0.5) / stars * (1.0 - 1.0 / 30.0))
    flux *= mean_e / flux.mean()
    middle = best + rng.uniform(-0.5, 0.5) * step
    positions = positions or [round(middle + step * (k - frames // 2)) for k in range(frames)]
    star = StarShape(rig.pixel_um, rig.f_ratio, rig.obstruction)
    shift = np.zeros(2)
    for number, position in enumerate(positions):
        seeing_um = seeing_arcsec / rig.scale_arcsec_per_px * rig.pixel_um * np.exp(jitter * rng.standard_normal())
        planes = {}
        for colour in colours:
            wavelength_um = WAVELENGTHS_UM[colour]
            shape = replace(
                star,
                wavelength_um=wavelength_um,
                seeing_fwhm_um=seeing_um * (wavelength_um / WAVELENGTHS_UM["G"]) ** -0.2,
                defocus_um=(position - best - offsets[colour]) * rig.um_per_step,
            )
            planes[colour] = render_frame(
                shape_px,
                x + shift[0],
                y + shift[1],
                SHARES[colour] * flux,
                shape,
                np.random.default_rng([seed, number, ord(colour)]),
                gain_e_per_adu=1.0,
            )
        shift += drift_px * rng.standard_normal(2)
        yield (
            planes,
            {
                "IMAGETYP": "FOCUS",
                "DATE-OBS": (START + timedelta(seconds=8.0 * number)).strftime("%Y-%m-%dT%H:%M:%S"),
                "EXPTIME": 2.0,
                "FOCUSPOS": position,
                "FOCTEMP": 8.0,
                "TELESCOP": rig.name,
                "INSTRUME": "Simulated camera",
                "FOCALLEN": rig.focal_length_mm,
                "APTDIA": rig.aperture_mm,
                "XPIXSZ": rig.pixel_um,
                "YPIXSZ": rig.pixel_um,
                "EGAIN": 1.0,
            },
        )


def take_mosaics(seed, pattern="RGGB", **how):
    """Return the frames of a run as pairs of raw image and header."""
    return [(mosaic(planes, pattern), {**facts, "BAYERPAT": pattern}) for planes, facts in take_planes(seed, **how)]
