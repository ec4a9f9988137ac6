"""The stars of one image as they were measured, and the size that the image owes to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from focuskit.stars.detect import SkyMap

if TYPE_CHECKING:
    from astropy.table import QTable

_GROWTH_ERR = 0.005  # relative, of a size: as measured on rendered frames, crowded ones too

# Stars with any of these do not enter the frame's size: bit, name, meaning.
STAR_FLAGS = (
    (1, "saturated", "its brightest pixels are at the limit of the camera"),
    (2, "crowded", "a neighbour adds more than 2 % of its flux"),
    (4, "faint", "its signal-to-noise ratio is below 20, or below 7 where bright stars are few"),
    (8, "elongated", "it is drawn out far more than the other stars"),
    (16, "odd_size", "its size differs from that of the others as no star's does"),
)
FLAG_BIT = {name: bit for bit, name, _ in STAR_FLAGS}
FAINT = FLAG_BIT["faint"]


@dataclass(frozen=True)
class Stars:
    """Measured stars, one element a star; all arrays have shape (n,).

    Parameters
    ----------
    x_px, y_px : ndarray
        Centroid; the centre of the first pixel is (0, 0).
    hfd_px, hfd_err_px : ndarray
        Half-flux diameter and its standard deviation from the noise, in sensor pixels.
    fwhm_px : ndarray
        Outermost full width at half maximum of the mean radial profile; NaN where the profile is
        too noisy to tell.
    flux_adu, snr : ndarray
        Total flux; flux in the aperture over its noise.
    peak_adu : ndarray
        Brightest pixel, sky included.
    ellipticity, angle_deg : ndarray
        1 - minor/major axis from second moments; direction of the major axis from +x to +y.
    flag : ndarray of int
        Bits of `STAR_FLAGS`; 0 for a good star.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    hfd_px: np.ndarray
    hfd_err_px: np.ndarray
    fwhm_px: np.ndarray
    flux_adu: np.ndarray
    snr: np.ndarray
    peak_adu: np.ndarray
    ellipticity: np.ndarray
    angle_deg: np.ndarray
    flag: np.ndarray

    def __len__(self) -> int:
        return int(self.x_px.size)

    def take(self, which: np.ndarray) -> Stars:
        """Return the stars selected by a mask or by indices."""
        return Stars(*(getattr(self, f.name)[which] for f in fields(self)))

    @property
    def good(self) -> np.ndarray:
        """Mask of the stars without a flag."""
        return self.flag == 0

    def table(self) -> QTable:
        """Return the stars as an astropy table with units."""
        from astropy import units as u
        from astropy.table import QTable

        unit = {"px": u.pix, "adu": u.adu, "deg": u.deg}
        out = QTable()
        for f in fields(self):
            suffix = f.name.rpartition("_")[2]
            values = getattr(self, f.name)
            out[f.name] = values * unit[suffix] if suffix in unit else values
        out.meta["star_flags"] = {name: f"bit {bit}: {meaning}" for bit, name, meaning in STAR_FLAGS}
        return out


NO_STARS = Stars(*(np.empty(0, int if f.name == "flag" else float) for f in fields(Stars)))


@dataclass(frozen=True)
class MeasuredImage:
    """What the pixels of one frame tell.

    Parameters
    ----------
    measured : Stars
    hfd_px, fwhm_px : float or None
        Median over the good stars; None where there is no good star.
    hfd_err_px, fwhm_err_px : float or None
        Standard deviation of that median.
    count : int
        Number of good stars.
    sky : SkyMap
        Sky per pixel, of the green pixels where there is a Bayer pattern.
    noise_adu : float
        Standard deviation of the sky in one pixel.
    """

    measured: Stars
    hfd_px: float | None
    hfd_err_px: float | None
    fwhm_px: float | None
    fwhm_err_px: float | None
    count: int
    sky: SkyMap
    noise_adu: float

    @property
    def sky_adu(self) -> float:
        """Median sky."""
        return float(np.median(self.sky.mesh))

    @cached_property
    def stars(self) -> QTable:
        """The stars as an astropy table with units."""
        return self.measured.table()


def typical_size(sizes: np.ndarray, errors: np.ndarray) -> tuple[float, float]:
    """Return the weighted median of sizes, shape (n,), and its standard deviation.

    The weights are 1/(error² + scatter²): bright stars that all see the same blur count alike. The
    growth curve, which all stars share, adds half a per cent.
    """
    middle = float(np.median(sizes))
    spread = 1.4826 * float(np.median(np.abs(sizes - middle)))
    scatter = max(spread**2 - float(np.median(errors)) ** 2, (0.003 * middle) ** 2)
    weights = 1.0 / (errors**2 + scatter)
    # Stars whose own factor comes from this very frame have the same size but for rounding, which must not order them.
    steps, step_of = np.unique(np.round(sizes / middle, 9), return_inverse=True)
    together = np.bincount(step_of, weights)
    share = np.cumsum(together)
    value = middle * float(np.interp(0.5 * share[-1], share - 0.5 * together, steps))
    # A median has π/2 times the variance of a mean (large-sample theory).
    return value, math.hypot(math.sqrt(math.pi / 2.0 / float(share[-1])), _GROWTH_ERR * value)
