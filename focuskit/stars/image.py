"""Measure the stars of one frame: half-flux diameter, FWHM, flux, shape; and the frame's own size.

The half-flux diameter (HFD) here is the diameter of the circle about the centroid that holds half
of the star's total flux, as the sensor records it (seeing, defocus and one pixel). For a Gaussian
it equals the FWHM. The total flux is the flux in a fixed aperture times the growth of the frame's
bright stars beyond it, extrapolated by a power law.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.frames import Pixels
from focuskit.stars.catalogue import FLAG_BIT, NO_STARS, MeasuredImage, Stars, typical_size
from focuskit.stars.checks import LEAST_SNR, doubled, drawn_out, has_neighbour, least_snr, outlying
from focuskit.stars.cutouts import PreparedImage, lies_inside, peak_adu, prepare_image, ring_sky, star_stamps
from focuskit.stars.detect import Peaks, find_peaks
from focuskit.stars.growth import REACH_SHARP, REACH_WIDE, fit_growth, usual_growth
from focuskit.stars.stamps import (
    RadialSums,
    cut_stamps,
    elongation,
    find_centroids,
    half_flux_radius,
    half_maximum_width,
    pixel_excess,
    sum_in_circles,
)

MOST_STARS = 300
LEAST_HFD_PX = 1.4  # what is sharper is a cosmic ray: one pixel and a seeing of one pixel make 1.4
STAMP_RADIUS = 1.35  # of a star's stamp, in half-flux diameters; one is the radius of the flux aperture
_FIRST_LOOK = 40  # peaks that give the first idea of the size
_DRAWN_OUT = 0.6  # ellipticity that no star has
_BRIGHT = 40  # stars that make the growth curve at the most


def measure_pixels(
    pixels: Pixels,
    *,
    bayer: str | None = None,
    saturation_adu: float | None = None,
    gain_e_per_adu: float | None = None,
) -> MeasuredImage:
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
        If the image is smaller than 32 × 32 pixels, its Bayer pattern is not known, or it is no exposure: most
        of its pixels have no value, or all have the same.
    """
    unit = 1
    pixels = pixels.filled()
    if bayer:
        pixels, unit = _green(pixels, bayer), 2
    if min(pixels.raw.shape) < 32:
        raise FocuskitError("the image is smaller than 32 × 32 pixels: too small for focus stars")
    image = prepare_image(pixels, saturation_adu, gain_e_per_adu, unit)
    nothing = MeasuredImage(NO_STARS, None, None, None, None, 0, image.blocks.sky, image.blocks.noise)
    if not image.blocks.noise > 0:
        raise FocuskitError("nearly all of its pixels have the same value: no exposure")
    stars, worth = NO_STARS, 0.0
    for size in _first_sizes(image):
        tried = _measure_all(image, size)
        # A star that is barely seen counts for less than a whole one.
        count = float(np.minimum(tried.snr[tried.good] / LEAST_SNR[1], 1.0).sum())
        if count > worth or not len(stars):
            stars, worth = tried, count
        if worth >= 5.0:
            break
    return _summary(_in_sensor_pixels(stars, unit), nothing)


def _measure_all(image: PreparedImage, size: float) -> Stars:
    """Measure all stars from a first idea of their size, again where it was far off."""
    stars = NO_STARS
    for _ in range(3):
        stars = _measure(image, size)
        good = stars.good
        if not good.any():
            break
        before, size = size, float(np.median(stars.hfd_px[good]))
        if abs(math.log(size / before)) < 0.15:
            break
    return stars


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


def _summary(stars: Stars, nothing: MeasuredImage) -> MeasuredImage:
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


def _first_sizes(image: PreparedImage) -> list[float]:
    """Return rough half-flux diameters to try, from the most significant peaks.

    The brightest stars tell first. A galaxy can outshine them, hence the size of most peaks next;
    and faint fragments of rings can hide how large the stars are, hence larger sizes at last.
    """
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
        inside = lies_inside(data.shape, column, row, half)
        stamps = cut_stamps(data, column[inside], row[inside], half)
        far = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) > 0.8 * half
        stamps -= np.median(stamps[:, far], axis=1)[:, None, None]
        dx, dy = find_centroids(stamps, 0.65 * half)
        sums = sum_in_circles(stamps, dx, dy, 0.8 * half, fine=2)
        radius, _ = half_flux_radius(sums, 0.5 * sums.flux[:, -1], np.zeros(len(stamps)))
        squared = (2.0 * radius * side) ** 2 - 0.9 * side**2
        # Pieces of a trail or of a ring say nothing about the size of a star.
        known = np.isfinite(squared) & (elongation(stamps, dx, dy, 0.65 * half)[0] < _DRAWN_OUT)
        sizes += np.sqrt(np.maximum(squared[known], 1.5)).tolist()
        weights += (peaks.significance[chosen[inside]][known] ** 2).tolist()
    if not sizes:
        return []
    order = np.argsort(sizes)
    share = np.cumsum(np.array(weights)[order])
    bright = sizes[order[int(np.searchsorted(share, 0.5 * share[-1]))]]
    return [bright, float(np.median(sizes)), 2.0 * bright, 4.0 * bright]


def _measure(image: PreparedImage, size: float) -> Stars:
    """Measure all stars of an image whose half-flux diameter is about ``size`` pixels."""
    level = image.level_for(1.2 * size)
    side = image.blocks.side * 2**level
    peaks = find_peaks([image.levels[level]], side, image.blocks.noise, max(0.8 * size / (3.0 * side), 0.3))
    # Neighbours show on a finer level, where the star itself may show as pieces of its ring.
    finer = max(level - 1, 0)
    fine_side = image.blocks.side * 2**finer
    around = find_peaks([image.levels[finer]], fine_side, image.blocks.noise, 0.3) if level else peaks
    own_reach = (1.0 if level else 0.6) * size
    # Wide stars are measured on sums of 2×2 or 4×4 pixels: a pixel is small against them.
    bins = 1 if size < 14.0 else 2 if size < 28.0 or image.blocks.side < 4 else 4
    reach = STAMP_RADIUS * size + 3 * bins
    inside = np.flatnonzero(lies_inside(image.pixels.raw.shape, peaks.x, peaks.y, reach + 2 * bins))
    targets = inside[: MOST_STARS + 30]
    if not targets.size:
        return NO_STARS
    x, y = peaks.x[targets], peaks.y[targets]
    sky = ring_sky(image, x, y, size)
    stamps, x0, y0 = star_stamps(image, x, y, sky, reach, bins)
    radius = size / bins
    dx, dy = find_centroids(stamps, radius)
    fine = max(1, math.ceil(8.0 / radius))
    sums = sum_in_circles(stamps, dx, dy, STAMP_RADIUS * radius, fine)
    rough = _rough_sizes(sums, radius)
    radius = _refined_radius(rough, peaks.significance[targets], radius)
    size = radius * bins
    flux = sums.at(np.full(targets.size, radius))
    noise = image.blocks.noise * bins  # of one element, a sum of bins² pixels
    area = math.pi * radius**2
    photons = np.maximum(flux, 0.0) / image.gain if image.gain else np.zeros(targets.size)
    snr = flux / np.sqrt(noise**2 * area + photons)
    x, y = x0 + dx * bins, y0 + dy * bins
    peak = peak_adu(image, x0, y0, size)

    flag = np.where(peak >= _saturation(image, peak), FLAG_BIT["saturated"], 0)
    height = peaks.significance[targets]
    crowded = has_neighbour(peaks, x, y, height, 0.6 * size, 1.8 * size) | doubled(x, y, 0.5 * size)
    flag |= np.where(crowded, FLAG_BIT["crowded"], 0)
    flag |= np.where(snr < least_snr(snr[flag == 0]), FLAG_BIT["faint"], 0)
    ellipticity, angle = elongation(stamps, dx, dy, 0.8 * radius)
    light_beyond = sums.at(np.full(flux.size, STAMP_RADIUS * radius)) / np.maximum(flux, 1e-30)
    long, beside = drawn_out(ellipticity, light_beyond, snr, flag == 0)
    flag |= np.where(long, FLAG_BIT["elongated"], 0) | np.where(beside, FLAG_BIT["crowded"], 0)
    known = np.isfinite(rough)
    odd = outlying(np.log(np.where(known, rough, 1.0)), known & (flag == 0), 3.5, 1.0 / np.maximum(snr, 1.0))
    growth, pedestal = _growth(image, around, height, own_reach, x, y, sky, flux, snr, (flag == 0) & ~odd, size, bins)
    whole = growth * flux
    radius_half, slope = half_flux_radius(sums, 0.5 * whole, pedestal * flux)
    fwhm = half_maximum_width(sums, radius_half, flag == 0)
    excess = pixel_excess(sums, radius_half, flag == 0)
    hfd = without_pixel(2.0 * radius_half, excess, bins, image.unit)
    fwhm = without_pixel(fwhm, 0.5 if excess > 0.3 else 0.0, bins, image.unit)
    # Noise of (flux in the half-flux circle - half the flux) over the slope of the curve.
    inner = math.pi * np.nan_to_num(radius_half) ** 2
    variance = noise**2 * (inner * (1.0 - growth) + 0.25 * growth**2 * area) + 0.25 * growth * photons
    with np.errstate(invalid="ignore"):
        hfd_err = 2.0 * np.sqrt(np.maximum(variance, 0.0)) / slope

    sound = np.isfinite(hfd) & np.isfinite(hfd_err) & (flux > 0)
    flag |= np.where(sound, 0, FLAG_BIT["odd_size"])
    flag |= np.where(hfd * bins < LEAST_HFD_PX, FLAG_BIT["odd_size"], 0)
    log_size = np.log(np.where(sound, hfd, 1.0))
    own = np.where(sound, hfd_err, 0.0) / np.where(sound, hfd, 1.0)
    flag |= np.where(outlying(log_size, flag == 0, 3.5, own), FLAG_BIT["odd_size"], 0)
    stars = Stars(
        x, y, hfd * bins, hfd_err * bins, fwhm * bins, whole, snr, peak, ellipticity, angle, flag
    )  # fmt: skip
    kept = np.flatnonzero(np.isfinite(stars.hfd_px) & (snr > 5.0))
    return stars.take(kept[: np.searchsorted(np.cumsum(stars.good[kept]), MOST_STARS) + 1])


def _saturation(image: PreparedImage, peak: np.ndarray) -> float:
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


def _rough_sizes(sums: RadialSums, radius: float) -> np.ndarray:
    """Return half-flux diameters as if a tenth of the light lay outside the aperture."""
    half = 0.55 * sums.at(np.full(len(sums.flux), radius))
    return 2.0 * half_flux_radius(sums, half, np.zeros(half.size))[0]


def _refined_radius(sizes: np.ndarray, significance: np.ndarray, radius: float) -> float:
    """Return the aperture, one half-flux diameter, from the stars themselves: the guess must not show."""
    bright = np.isfinite(sizes) & (significance >= np.median(significance))
    return float(np.clip(np.median(sizes[bright]), 0.75 * radius, 1.2 * radius)) if bright.any() else radius


def _growth(
    image: PreparedImage,
    around: Peaks,
    height: np.ndarray,
    own_reach: float,
    x: np.ndarray,
    y: np.ndarray,
    sky: np.ndarray,
    flux: np.ndarray,
    snr: np.ndarray,
    clean: np.ndarray,
    size: float,
    bins: int,
) -> tuple[float, float]:
    """Fit the growth curve of the brightest clean stars that stand alone; see `fit_growth`."""
    radius = size / bins
    brightest = np.argsort(-snr, kind="stable")
    order = brightest[clean[brightest]][: 3 * _BRIGHT]
    # Where all stars have neighbours, the shorter reach has fewer of them.
    tries = [(REACH_WIDE, 3), (REACH_WIDE, 0)]
    for reach, least in [(REACH_SHARP, 5), *tries] if bins == 1 else tries:
        far = reach * size
        usable = order[lies_inside(image.pixels.raw.shape, x[order], y[order], far + 3 * bins)]
        crowd = has_neighbour(around, x[usable], y[usable], height[usable], own_reach, far + 0.8 * size)
        alone = usable[~crowd]
        chosen = (alone if least else usable)[:_BRIGHT]
        if chosen.size and chosen.size >= least:
            stamps, x0, y0 = star_stamps(image, x[chosen], y[chosen], sky[chosen], far, bins)
            dx, dy = (x[chosen] - x0) / bins, (y[chosen] - y0) / bins
            sums = sum_in_circles(stamps, dx, dy, far / bins, 1 if radius > 4.0 else 2)
            return fit_growth(sums, flux[chosen], image.blocks.noise * bins, radius)
    return usual_growth(), 0.0


def without_pixel(size: np.ndarray, excess: float, bins: int, unit: int) -> np.ndarray:
    """Take out the blur of summing squares, down to that of one sensor pixel.

    Sums over an element, counted in circles as evenly filled, blur a star by the element twice;
    the sensor's pixel is to remain once. A square of side a adds ``excess`` a² to the square of a
    diameter.
    """
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.maximum(size**2 - excess * (2.0 - 1.0 / (bins * unit) ** 2), 0.25))
