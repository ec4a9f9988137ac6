"""What there is to take: a telescope under a sky, its filters and stars, and the series of frames to take of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import usual_filter
from focuskit.core.optics import Rig
from focuskit.scenes.psf import StarShape, star_hfd_um

SPOILERS = ("cloud", "gust", "trail", "truncated")


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
        What else shapes the stars: fields of `StarShape`.
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


def field_focus_um(scene: Scene, x_px: NDArray[np.float64], y_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far the focus at a place in the field lies from that in the middle, in µm."""
    rows, columns = scene.shape_px
    across, along = x_px / (columns - 1) - 0.5, y_px / (rows - 1) - 0.5
    corner = ((x_px - (columns - 1) / 2) ** 2 + (y_px - (rows - 1) / 2) ** 2) / (
        ((columns - 1) ** 2 + (rows - 1) ** 2) / 4.0
    )
    return scene.tilt_x_um * across + scene.tilt_y_um * along + scene.curvature_um * corner
