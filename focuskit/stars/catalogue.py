"""The stars of one image as they were measured, and the size that the image owes to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from focuskit.core.statistics import robust_scatter
from focuskit.stars.detect import BlockImage, SkyMap

if TYPE_CHECKING:
    from astropy.table import QTable

# An image with fewer good stars says so; a run is faint where a quarter of its images or more show fewer. Chosen: the
# median of five still stands where two of them are no stars.
FEW_STARS = 5
# Relative error of a size that all stars of an image share, by what lies beyond the aperture: as measured on rendered
# frames; and where no star stands alone: as 36 donuts of 24 to 40 pixels on a third of a megapixel were off.
GROWTH_ERR, CROWDED_GROWTH_ERR = 0.005, 0.03

# Stars with any of these do not enter the frame's size: bit, name, meaning.
STAR_FLAGS = (
    (1, "saturated", "its brightest pixels are at the limit of the camera"),
    (2, "crowded", "a neighbour adds more than 2 % of its flux"),
    (4, "faint", "its signal-to-noise ratio is below 20, or below 7 where bright stars are few"),
    (8, "elongated", "it is drawn out far more than the other stars"),
    (16, "odd_size", "its size differs from that of the others as no star's does"),
    (32, "gaps", "patches of pixels without a value make up more than 2 % of its aperture"),
    (64, "edge", "it lies too near the edge of the image to be measured"),
)
FLAG_BIT = {name: bit for bit, name, _ in STAR_FLAGS}
FAINT = FLAG_BIT["faint"]
_PHOTUTILS = {"x_px": "x_centroid", "y_px": "y_centroid", "angle_deg": "orientation", "flag": "flags"}


@dataclass(frozen=True, eq=False)
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

    def in_rows(self, row: np.ndarray, given: np.ndarray) -> Stars:
        """Return one row for each place given, in its order: flagged, with NaN, where it is too near the edge."""
        whole = Stars(
            *(np.full(len(given), FLAG_BIT["edge"] if f.name == "flag" else np.nan) for f in fields(Stars))
        )  # fmt: skip
        whole.x_px[:], whole.y_px[:] = given.T
        for f in fields(Stars):
            getattr(whole, f.name)[row] = getattr(self, f.name)
        return whole

    @property
    def good(self) -> np.ndarray:
        """Mask of the stars without a flag."""
        return self.flag == 0

    def table(self, brightness: str = "adu") -> QTable:
        """Return the stars as an astropy table with units, the columns called as photutils calls them."""
        from astropy import units as u
        from astropy.table import QTable

        unit = {"px": u.pix, "adu": u.Unit(brightness), "deg": u.deg}
        out = QTable({"id": np.arange(1, len(self) + 1)})
        for f in fields(self):
            name, _, suffix = f.name.rpartition("_")
            values = getattr(self, f.name)
            out[_PHOTUTILS.get(f.name, name or f.name)] = values * unit[suffix] if suffix in unit else values
        out.meta["star_flags"] = {name: f"bit {bit}: {meaning}" for bit, name, meaning in STAR_FLAGS}
        return out


NO_STARS = Stars(*(np.empty(0, int if f.name == "flag" else float) for f in fields(Stars)))


@dataclass(frozen=True, eq=False)
class MeasuredImage:
    """What the pixels of one image tell.

    Parameters
    ----------
    measured : Stars
    hfd_px, fwhm_px : float or None
        Half-flux diameter (of the circle about the centroid that holds half of the light) and full width at half
        maximum: median over the good stars; None where there is no good star.
    hfd_err_px, fwhm_err_px : float or None
        Standard deviation of that median.
    count : int
        Number of good stars.
    sky : SkyMap
        Sky per pixel, of the green pixels where there is a Bayer pattern.
    noise_adu : float
        Standard deviation of the sky in one pixel.
    shared_err : float
        Relative error that all sizes of the image have in common: of the light beyond the aperture.
    unit : str
        Unit of brightness; the names that end in ``_adu`` stand for it.
    noticed : tuple of str
        Flags that the measurement raised, from the registry.
    """

    measured: Stars
    hfd_px: float | None
    hfd_err_px: float | None
    fwhm_px: float | None
    fwhm_err_px: float | None
    count: int
    sky: SkyMap
    noise_adu: float
    shared_err: float = GROWTH_ERR
    unit: str = "adu"
    noticed: tuple[str, ...] = ()

    def __repr__(self) -> str:
        if self.hfd_px is None:
            return f"<MeasuredImage: no good star of {len(self.measured)}>"
        sizes = f"HFD {self.hfd_px:.3f} ± {self.hfd_err_px:.3f} px"
        if self.fwhm_px is not None:
            sizes += f", FWHM {self.fwhm_px:.3f} ± {self.fwhm_err_px:.3f} px"
        return f"<MeasuredImage: {sizes}, {self.count} good stars of {len(self.measured)}>"

    @property
    def sky_adu(self) -> float:
        """Median sky."""
        return float(np.median(self.sky.mesh))

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of the image, from the registry."""
        return (("few_stars",) if self.count < FEW_STARS else ()) + self.noticed

    @cached_property
    def stars(self) -> QTable:
        """The stars as an astropy table with units, the columns called as photutils calls them."""
        return self.measured.table(self.unit)


def summarise(stars: Stars, blocks: BlockImage, shared: float) -> MeasuredImage:
    """Return the stars of an image with the sizes that the image owes to the good ones."""
    good = stars.take(stars.good)
    known = np.isfinite(good.fwhm_px)
    hfd, hfd_err = typical_size(good.hfd_px, good.hfd_err_px, shared) if len(good) else (None, None)
    fwhm, fwhm_err = typical_size(good.fwhm_px[known], good.hfd_err_px[known], shared) if known.any() else (None, None)
    return MeasuredImage(stars, hfd, hfd_err, fwhm, fwhm_err, len(good), blocks.sky, blocks.noise, shared)


def typical_size(sizes: np.ndarray, errors: np.ndarray, shared: float = GROWTH_ERR) -> tuple[float, float]:
    """Return the weighted median of sizes, shape (n,), and its standard deviation.

    The weights are 1/(error² + scatter²): bright stars that all see the same blur count alike. The
    growth curve adds the relative error ``shared``, which all stars have in common.
    """
    middle = float(np.median(sizes))
    scatter = max(robust_scatter(sizes) ** 2 - float(np.median(errors)) ** 2, (0.003 * middle) ** 2)
    weights = 1.0 / (errors**2 + scatter)
    # Stars whose own factor comes from this very frame have the same size but for rounding, which must not order them.
    steps, step_of = np.unique(np.round(sizes / middle, 9), return_inverse=True)
    together = np.bincount(step_of, weights)
    share = np.cumsum(together)
    value = middle * float(np.interp(0.5 * share[-1], share - 0.5 * together, steps))
    # A median has π/2 times the variance of a mean (large-sample theory).
    return value, math.hypot(math.sqrt(math.pi / 2.0 / float(share[-1])), shared * value)
