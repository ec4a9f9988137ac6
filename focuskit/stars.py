"""Measure the stars of one frame: half-flux diameter, FWHM, flux, shape; and the frame's own size.

The half-flux diameter (HFD) here is the diameter of the circle about the centroid that holds half
of the star's total flux, as the sensor records it (seeing, defocus and one pixel). For a Gaussian
it equals the FWHM. The total flux is the flux in a fixed aperture times the growth of the frame's
bright stars beyond it, extrapolated by a power law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import nnls

from focuskit.detect import BlockImage, Peaks, SkyMap, clipped_means, find_peaks, pyramid, sum_blocks
from focuskit.errors import FocuskitError
from focuskit.fitsfile import Pixels
from focuskit.shapes import (
    cut_stamps,
    elongation,
    find_centroids,
    half_flux_radius,
    half_maximum_width,
    sum_in_circles,
)

if TYPE_CHECKING:
    from astropy.table import QTable

MOST_STARS = 300
LEAST_SNR = 20.0
# Radii in half-flux diameters: of the flux aperture, of a star's stamp, of the sky ring.
STAMP_RADIUS = 1.35
RING_RADII = (2.2, 3.5)
_LEVELS = 5
_FIRST_LOOK = 40  # peaks that give the first idea of the size
_BRIGHT = 40  # stars that make the growth curve at the most
_WING_EXPONENTS = (11.0 / 3.0, 5.0, 7.0)

# Stars with any of these do not enter the frame's size: bit, name, meaning.
STAR_FLAGS = (
    (1, "saturated", "its brightest pixels are at the limit of the camera"),
    (2, "crowded", "a neighbour adds more than 2 % of its flux"),
    (4, "faint", "its signal-to-noise ratio is below 20"),
    (8, "elongated", "it is drawn out far more than the other stars"),
    (16, "odd_size", "its size differs from that of the others as no star's does"),
)
_BIT = {name: bit for bit, name, _ in STAR_FLAGS}


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


_NO_STARS = Stars(*(np.empty(0, int if f.name == "flag" else float) for f in fields(Stars)))


@dataclass(frozen=True)
class StarField:
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


def measure_pixels(
    pixels: Pixels,
    *,
    bayer: str | None = None,
    saturation_adu: float | None = None,
    gain_e_per_adu: float | None = None,
) -> StarField:
    """Find and measure the stars of an image.

    Parameters
    ----------
    pixels : Pixels
    bayer : str, optional
        Colour pattern such as ``RGGB``: the green pixels are measured, sizes are still in pixels
        of the sensor.
    saturation_adu : float, optional
        Level from which a pixel counts as saturated; told from the image where not given.
    gain_e_per_adu : float, optional
        Adds the photon noise of the stars to their errors.

    Raises
    ------
    FocuskitError
        If the image is smaller than 32 × 32 pixels or its Bayer pattern is not known.
    """
    unit = 1
    if bayer:
        pixels, unit = _green(pixels, bayer), 2
    if min(pixels.raw.shape) < 32:
        raise FocuskitError("the image is smaller than 32 × 32 pixels: too small for focus stars")
    blocks = sum_blocks(pixels)
    nothing = StarField(_NO_STARS, None, None, None, None, 0, blocks.sky, blocks.noise)
    if not blocks.noise > 0:
        return nothing
    image = _Image(pixels, blocks, pyramid(blocks, _LEVELS), saturation_adu, gain_e_per_adu, unit)
    stars = _NO_STARS
    first = _first_size(image)
    # Faint fragments of rings can hide how large the stars are; then larger sizes are tried.
    for size in (first, 2.0 * first, 4.0 * first) if first else ():
        tried = _measure_all(image, size)
        if int(tried.good.sum()) > int(stars.good.sum()) or not len(stars):
            stars = tried
        if stars.good.sum() >= 5:
            break
    return _summary(_in_sensor_pixels(stars, unit), nothing)


def _measure_all(image: _Image, size: float) -> Stars:
    """Measure all stars from a first idea of their size, again where it was far off."""
    stars = _NO_STARS
    for _ in range(3):
        stars = _measure(image, size)
        good = stars.good
        if not good.any():
            break
        before, size = size, float(np.median(stars.hfd_px[good]))
        if abs(math.log(size / before)) < 0.15:
            break
    return stars


@dataclass(frozen=True)
class _Image:
    """One image on its way through the measurement; ``unit`` is its pixel in sensor pixels."""

    pixels: Pixels
    blocks: BlockImage
    levels: list[np.ndarray]
    saturation_adu: float | None
    gain: float | None
    unit: int

    def level_for(self, span_px: float) -> int:
        """Return the finest level whose box of 3×3 elements spans at least ``span_px`` pixels."""
        level = 0
        while level < len(self.levels) - 1 and 3 * self.blocks.side * 2**level < span_px:
            level += 1
        return level


def _green(pixels: Pixels, bayer: str) -> Pixels:
    """Return the mean of the two green pixels of each 2×2 cell, an image of half the size."""
    pattern = bayer.upper()
    if sorted(pattern) != ["B", "G", "G", "R"]:
        raise FocuskitError(f"the Bayer pattern '{bayer}' is not one of RGGB, BGGR, GRBG, GBRG")
    rows, columns = (n - n % 2 for n in pixels.raw.shape)
    image = pixels.physical()[:rows, :columns]
    first, second = (image[k // 2 :: 2, k % 2 :: 2] for k, colour in enumerate(pattern) if colour == "G")
    return Pixels(((first + second) / 2.0).astype(np.float32))


def _in_sensor_pixels(stars: Stars, unit: int) -> Stars:
    grown = {name: getattr(stars, name) * unit for name in ("hfd_px", "hfd_err_px", "fwhm_px")}
    shift = (unit - 1) / 2.0
    return replace(stars, x_px=stars.x_px * unit + shift, y_px=stars.y_px * unit + shift, **grown)


def _summary(stars: Stars, nothing: StarField) -> StarField:
    good = stars.take(stars.good)
    if not len(good):
        return replace(nothing, measured=stars)
    hfd, hfd_err = typical_size(good.hfd_px, good.hfd_err_px)
    known = np.isfinite(good.fwhm_px)
    fwhm, fwhm_err = typical_size(good.fwhm_px[known], good.hfd_err_px[known]) if known.any() else (None, None)
    return replace(
        nothing,
        measured=stars,
        hfd_px=hfd,
        hfd_err_px=hfd_err,
        fwhm_px=fwhm,
        fwhm_err_px=fwhm_err,
        count=len(good),
    )


def typical_size(sizes: np.ndarray, errors: np.ndarray) -> tuple[float, float]:
    """Return the weighted median of sizes, shape (n,), and its standard deviation.

    The weights are 1/(error² + scatter²): bright stars that all see the same blur count alike.
    """
    middle = float(np.median(sizes))
    spread = 1.4826 * float(np.median(np.abs(sizes - middle)))
    scatter = max(spread**2 - float(np.median(errors)) ** 2, (0.003 * middle) ** 2)
    weights = 1.0 / (errors**2 + scatter)
    order = np.argsort(sizes, kind="stable")
    share = np.cumsum(weights[order])
    value = float(np.interp(0.5 * share[-1], share - 0.5 * weights[order], sizes[order]))
    # A median has π/2 times the variance of a mean (large-sample theory).
    return value, math.sqrt(math.pi / 2.0 / float(share[-1]))


# The steps of the measurement ----------------------------------------------------------------


def _inside(shape: tuple[int, ...], x: np.ndarray, y: np.ndarray, reach: float) -> np.ndarray:
    return (x >= reach) & (y >= reach) & (x <= shape[1] - 1 - reach) & (y <= shape[0] - 1 - reach)


def _first_size(image: _Image) -> float | None:
    """Return a rough half-flux diameter from the most significant peaks, None without any."""
    peaks = find_peaks(image.levels, image.blocks.side, image.blocks.noise, 0.8)
    sizes: list[float] = []
    weights: list[float] = []
    for box in np.unique(peaks.box_px[:_FIRST_LOOK]):
        chosen = np.flatnonzero(peaks.box_px[:_FIRST_LOOK] == box)
        level = max(image.level_for(box) - 1, 0)
        side = image.blocks.side * 2**level
        data = image.levels[level]
        half = math.ceil(1.25 * box / side)
        column = np.rint((peaks.x[chosen] + 0.5) / side - 0.5).astype(int)
        row = np.rint((peaks.y[chosen] + 0.5) / side - 0.5).astype(int)
        inside = _inside(data.shape, column, row, half)
        stamps = cut_stamps(data, column[inside], row[inside], half)
        far = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) > 0.8 * half
        stamps -= np.median(stamps[:, far], axis=1)[:, None, None]
        dx, dy = find_centroids(stamps, 0.65 * half)
        sums = sum_in_circles(stamps, dx, dy, 0.8 * half, fine=2)
        radius, _ = half_flux_radius(sums, 0.5 * sums.flux[:, -1], np.zeros(len(stamps)))
        squared = (2.0 * radius * side) ** 2 - 0.9 * side**2
        known = np.isfinite(squared)
        sizes += np.sqrt(np.maximum(squared[known], 1.5)).tolist()
        weights += (peaks.significance[chosen[inside]][known] ** 2).tolist()
    if not sizes:
        return None
    order = np.argsort(sizes)
    share = np.cumsum(np.array(weights)[order])
    return sizes[order[int(np.searchsorted(share, 0.5 * share[-1]))]]


def _measure(image: _Image, size: float) -> Stars:
    """Measure all stars of an image whose half-flux diameter is about ``size`` pixels."""
    level = image.level_for(1.2 * size)
    side = image.blocks.side * 2**level
    peaks = find_peaks([image.levels[level]], side, image.blocks.noise, max(0.8 * size / (3.0 * side), 0.3))
    # Wide stars are measured on sums of 2×2 or 4×4 pixels: a pixel is small against them.
    bins = 1 if size < 14.0 else 2 if size < 28.0 or image.blocks.side < 4 else 4
    reach = STAMP_RADIUS * size + 3 * bins
    inside = np.flatnonzero(_inside(image.pixels.raw.shape, peaks.x, peaks.y, reach + 2 * bins))
    targets = inside[: MOST_STARS + 30]
    if not targets.size:
        return _NO_STARS
    x, y = peaks.x[targets], peaks.y[targets]
    sky = _ring_sky(image, x, y, size)
    stamps, x0, y0 = _stamps(image, x, y, sky, reach, bins)
    radius = size / bins
    dx, dy = find_centroids(stamps, radius)
    fine = max(1, math.ceil(8.0 / radius))
    sums = sum_in_circles(stamps, dx, dy, STAMP_RADIUS * radius, fine)
    flux = sums.at(np.full(targets.size, radius))
    noise = image.blocks.noise * bins  # of one element, a sum of bins² pixels
    area = math.pi * radius**2
    photons = np.maximum(flux, 0.0) / image.gain if image.gain else np.zeros(targets.size)
    snr = flux / np.sqrt(noise**2 * area + photons)
    x, y = x0 + dx * bins, y0 + dy * bins
    peak = _peak_adu(image, x0, y0, size)

    flag = np.where(snr < LEAST_SNR, _BIT["faint"], 0)
    flag |= np.where(peak >= _saturation(image, peak), _BIT["saturated"], 0)
    flag |= np.where(_crowded(peaks, targets, x, y, size), _BIT["crowded"], 0)
    growth, pedestal = _growth(image, x, y, sky, flux, snr, flag == 0, size, bins)
    whole = growth * flux
    radius_half, slope = half_flux_radius(sums, 0.5 * whole, pedestal * flux)
    ellipticity, angle = elongation(stamps, dx, dy, 0.8 * radius)
    fwhm = half_maximum_width(sums, radius_half, flag == 0)
    hfd, fwhm = _without_pixel(2.0 * radius_half, fwhm, bins, image.unit)
    # Noise of (flux in the half-flux circle - half the flux) over the slope of the curve.
    inner = math.pi * np.nan_to_num(radius_half) ** 2
    variance = noise**2 * (inner * (1.0 - growth) + 0.25 * growth**2 * area) + 0.25 * growth * photons
    with np.errstate(invalid="ignore"):
        hfd_err = 2.0 * np.sqrt(np.maximum(variance, 0.0)) / slope

    sound = np.isfinite(hfd) & np.isfinite(hfd_err) & (flux > 0)
    flag |= np.where(sound, 0, _BIT["odd_size"])
    flag |= np.where(_outlying(ellipticity, flag == 0, 6.0, 0.04) & (ellipticity > 0.2), _BIT["elongated"], 0)
    log_size = np.log(np.where(sound, hfd, 1.0))
    own = np.where(sound, hfd_err, 0.0) / np.where(sound, hfd, 1.0)
    flag |= np.where(_outlying(log_size, flag == 0, 3.5, own), _BIT["odd_size"], 0)
    stars = Stars(
        x, y, hfd * bins, hfd_err * bins, fwhm * bins, whole, snr, peak, ellipticity, angle, flag
    )  # fmt: skip
    kept = np.flatnonzero(np.isfinite(stars.hfd_px) & (snr > 5.0))
    return stars.take(kept[: np.searchsorted(np.cumsum(stars.good[kept]), MOST_STARS) + 1])


def _ring_sky(image: _Image, x: np.ndarray, y: np.ndarray, size: float) -> np.ndarray:
    """Return the local sky per pixel relative to the mesh, from a ring of elements about a star.

    The elements are sums of pixels: from a few hundred single pixels, the error of the sky would
    outweigh all else in a donut.
    """
    level = 0
    while level < len(image.levels) - 1 and size > 6.0 * image.blocks.side * 2**level:
        level += 1
    side = image.blocks.side * 2**level
    data = image.levels[level]
    inner, outer = (r * size / side for r in RING_RADII)
    half = math.ceil(max(outer, inner + 1.5))
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1]
    distance = np.hypot(dx, dy)
    ring = np.flatnonzero((distance >= inner) & (distance <= max(outer, inner + 1.5)))
    ring = ring[:: max(1, ring.size // 250)]
    row = np.rint((y + 0.5) / side - 0.5).astype(int)[:, None] + dy.ravel()[ring]
    column = np.rint((x + 0.5) / side - 0.5).astype(int)[:, None] + dx.ravel()[ring]
    outside = (row < 0) | (row >= data.shape[0]) | (column < 0) | (column >= data.shape[1])
    values = data[np.clip(row, 0, data.shape[0] - 1), np.clip(column, 0, data.shape[1] - 1)]
    values[outside] = np.nan
    return clipped_means(values) / side**2


def _stamps(
    image: _Image, x: np.ndarray, y: np.ndarray, sky: np.ndarray, reach: float, bins: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cut stars out, sky subtracted, as sums of ``bins``² pixels.

    Returns
    -------
    stamps : ndarray, shape (n, s, s)
    x0, y0 : ndarray, shape (n,)
        Pixel coordinates of the middles of the stamps.
    """
    half = math.ceil(reach / bins)
    if bins == image.blocks.side and bins > 1:
        column = np.rint((x + 0.5) / bins - 0.5).astype(int)
        row = np.rint((y + 0.5) / bins - 0.5).astype(int)
        stamps = cut_stamps(image.blocks.level, column, row, half)
        stamps -= (sky * bins**2).astype(np.float32)[:, None, None]
        return stamps, (column + 0.5) * bins - 0.5, (row + 0.5) * bins - 0.5
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    wide = half * bins + bins // 2
    raw = cut_stamps(image.pixels.raw, column, row, wide)
    level = image.blocks.sky.at(column, row) + sky
    if image.pixels.scale != 1.0:
        raw *= np.float32(image.pixels.scale)
    raw += (image.pixels.zero - level).astype(np.float32)[:, None, None]
    _clean(raw, image.blocks.noise, image.gain)
    if bins == 1:
        return raw, column.astype(float), row.astype(float)
    size = 2 * half + 1
    pairs = raw[:, : size * bins, : size * bins].reshape(len(raw), size, bins, size, bins)
    middle = (bins - 1) / 2.0 - bins // 2
    return pairs.sum(axis=(2, 4)), column + middle, row + middle


def _clean(stamps: np.ndarray, noise: float, gain: float | None) -> None:
    """Replace, in place, pixels that stand out of their neighbours as no star of this size can."""
    bad = ~np.isfinite(stamps)
    if bad.any():
        stamps[bad] = 0.0
    inner = stamps[:, 1:-1, 1:-1]
    around = stamps[:, :-2, 1:-1] + stamps[:, 2:, 1:-1]
    around += stamps[:, 1:-1, :-2]
    around += stamps[:, 1:-1, 2:]
    around *= np.float32(0.25)
    # Even a star with a FWHM of 1.5 pixels has a third of its central value beside it.
    hot = inner - around > np.float32(8.0 * noise) + 4.0 * np.maximum(around, 0.0)
    inner[hot] = around[hot]


def _peak_adu(image: _Image, x0: np.ndarray, y0: np.ndarray, size: float) -> np.ndarray:
    """Return the brightest pixel of each star."""
    half = max(2, math.ceil(0.75 * size))
    step = max(1, half // 12)
    column, row = np.rint(x0).astype(int), np.rint(y0).astype(int)
    peak = np.empty(x0.size)
    for k, (i, j) in enumerate(zip(row.tolist(), column.tolist(), strict=True)):
        part = image.pixels.raw[max(i - half, 0) : i + half + 1 : step, max(j - half, 0) : j + half + 1 : step]
        peak[k] = part.max()
    return np.nan_to_num(peak * image.pixels.scale + image.pixels.zero)


def _saturation(image: _Image, peak: np.ndarray) -> float:
    """Return the level from which pixels count as saturated.

    Without a level from the header: where several stars share the very same highest value, or at
    the end of the range of the integers.
    """
    if image.saturation_adu:
        return 0.98 * image.saturation_adu
    limit = math.inf
    if image.pixels.raw.dtype.kind in "iu":
        info = np.iinfo(image.pixels.raw.dtype)
        limit = image.pixels.zero + image.pixels.scale * info.max * (1.0 - 1e-3)
        if info.min < 0 and image.pixels.zero:
            limit = image.pixels.zero + image.pixels.scale * info.max - 1e-3 * image.pixels.scale * info.max
    top = float(peak.max(initial=0.0))
    if np.sum(peak >= top) >= 3 and top > 0:
        limit = min(limit, top)
    return limit


def _crowded(peaks: Peaks, targets: np.ndarray, x: np.ndarray, y: np.ndarray, size: float) -> np.ndarray:
    """Tell the stars that have a neighbour of more than 2 % of their light within reach."""
    from scipy.spatial import cKDTree

    tree = cKDTree(np.stack([peaks.x, peaks.y], axis=1))
    crowded = np.zeros(targets.size, bool)
    pairs = tree.query_ball_point(np.stack([x, y], axis=1), 1.8 * size)
    for k, near in enumerate(pairs):
        others = [i for i in near if i != targets[k]]
        crowded[k] = any(peaks.significance[i] > 0.02 * peaks.significance[targets[k]] for i in others)
    # Two peaks that fell upon one star: the weaker gives way.
    for first, second in cKDTree(np.stack([x, y], axis=1)).query_pairs(0.5 * size):
        crowded[max(first, second)] = True
    return crowded


def _growth(
    image: _Image,
    x: np.ndarray,
    y: np.ndarray,
    sky: np.ndarray,
    flux: np.ndarray,
    snr: np.ndarray,
    clean: np.ndarray,
    size: float,
    bins: int,
) -> tuple[float, float]:
    """Tell how much light lies beyond the aperture, from the frame's bright stars.

    Beyond 1.3 half-flux diameters the mean profile is taken as a power law; the sky ring lies on
    its tail, so what the ring took for sky is part of the model.

    Returns
    -------
    growth : float
        Total flux over the flux in the aperture of one half-flux diameter in radius.
    pedestal : float
        Surface brightness of starlight in the sky ring, per element and per aperture flux.
    """
    far = RING_RADII[1] * size
    usable = clean & _inside(image.pixels.raw.shape, x, y, far + 3 * bins)
    chosen = np.flatnonzero(usable)
    chosen = chosen[np.argsort(-snr[chosen], kind="stable")][:_BRIGHT]
    radius = size / bins
    edges = np.array([1.0, 1.3, 1.5, 1.75, 2.0, 2.4, 2.9, 3.45]) * radius
    if chosen.size:
        stamps, x0, y0 = _stamps(image, x[chosen], y[chosen], sky[chosen], far, bins)
        fine = 1 if radius > 4.0 else 2
        sums = sum_in_circles(stamps, (x[chosen] - x0) / bins, (y[chosen] - y0) / bins, far / bins, fine)
        within = np.stack([sums.at(np.full(chosen.size, r)) for r in edges], axis=1) / flux[chosen, None]
        steps = _robust_mean(np.diff(within), flux[chosen])
        error = image.blocks.noise * bins / math.sqrt(float(np.sum(flux[chosen] ** 2)))
    else:
        steps, error = np.full(edges.size - 1, 0.03), 1e3
    return _extrapolate(steps, edges / radius, error * radius, radius)


def _robust_mean(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return weighted means down the columns without what lies far from the weighted median."""
    out = np.empty(values.shape[1])
    for k, column in enumerate(values.T):
        order = np.argsort(column)
        share = np.cumsum(weight[order])
        middle = column[order][np.searchsorted(share, 0.5 * share[-1])]
        off = np.abs(column - middle) * weight
        kept = off <= 4.0 * 1.4826 * np.median(off) + 1e-12
        out[k] = np.sum((column * weight**2)[kept]) / np.sum((weight**2)[kept])
    return out


def _extrapolate(steps: np.ndarray, edges: np.ndarray, error: float, radius: float) -> tuple[float, float]:
    """Fit a sum of power laws, less its mean over the sky ring, to the flux between ``edges``.

    The exponent 11/3 is that of the far wings of seeing (Kolmogorov turbulence; Roddier 1981, from
    memory); the steeper ones fill in nearer the star. Amplitudes are not negative.

    Parameters
    ----------
    steps : ndarray, shape (k,)
        Flux between the k+1 edges over the flux in the aperture; the first step is not fitted.
    edges : ndarray, shape (k+1,)
        Radii in apertures, from 1.
    error : float
        Standard deviation of the flux in one square aperture radius.
    radius : float
        The aperture in elements.
    """
    low, high = edges[1:-1], edges[2:]
    area = math.pi * (high**2 - low**2)
    inner, outer = RING_RADII
    n = np.array(_WING_EXPONENTS)
    in_ring = 2.0 * (inner ** (2 - n) - outer ** (2 - n)) / (n - 2) / (outer**2 - inner**2)
    light = 2.0 * math.pi * (low[:, None] ** (2 - n) - high[:, None] ** (2 - n)) / (n - 2)
    # Besides the noise, the wings follow the power laws to a few per cent.
    sigma = np.sqrt(error**2 * area + (0.02 * np.maximum(np.abs(steps[1:]), 0.003)) ** 2)
    # Noisy wings are taken to be like those of seeing, in proportion to the light just outside
    # the aperture (fractions found from exact Kolmogorov images, in focus and out).
    near = max(float(steps[0]), 0.002)
    guess, width = near * np.array([0.27, 0.1, 0.5]), near * np.array([0.2, 0.3, 0.5])
    design = np.concatenate([(light - in_ring * area[:, None]) / sigma[:, None], np.diag(1.0 / width)])
    amplitude, _ = nnls(design, np.concatenate([steps[1:] / sigma, guess / width]))
    pedestal = float(np.sum(amplitude * in_ring))
    start = edges[1]
    beyond = float(np.sum(2.0 * math.pi * amplitude * start ** (2 - n) / (n - 2)))
    growth = 1.0 + pedestal * math.pi * start**2 + float(steps[0]) + beyond
    return growth, pedestal / radius**2


def _without_pixel(hfd: np.ndarray, fwhm: np.ndarray, bins: int, unit: int) -> tuple[np.ndarray, np.ndarray]:
    """Take out the blur of summing squares, down to that of one sensor pixel.

    Sums over an element, counted in circles as evenly filled, blur a star by the element twice;
    the sensor's pixel is to remain once. To the square of the diameter a square of side a adds
    0.46 a² for a Gaussian, 0.64 a² for Kolmogorov seeing, 0.2 a² for a donut (measured with GalSim).
    """
    with np.errstate(invalid="ignore"):
        peaked = np.nanmedian(fwhm) < 1.05 * np.nanmedian(hfd) if np.isfinite(fwhm).any() else True
        excess = (0.5 if peaked else 0.2) * (2.0 - 1.0 / (bins * unit) ** 2)
        size = hfd**2 - excess
        width = fwhm**2 - (excess if peaked else 0.0)
        return np.sqrt(np.maximum(size, 0.25)), np.where(np.isfinite(width), np.sqrt(np.maximum(width, 0.25)), np.nan)


def _outlying(values: np.ndarray, sample: np.ndarray, sigma: float, own: np.ndarray | float) -> np.ndarray:
    """Tell the values that lie far from the median of the sample, beyond its scatter and their own error."""
    if np.sum(sample) < 3:
        return np.zeros(values.shape, bool)
    middle = np.median(values[sample])
    spread = 1.4826 * np.median(np.abs(values[sample] - middle))
    return np.abs(values - middle) > sigma * np.sqrt(spread**2 + np.asarray(own) ** 2 + 0.01**2)
