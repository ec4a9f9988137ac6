"""Measure the stars of one image: half-flux diameter, FWHM, flux, elongation.

The half-flux diameter (HFD) here is the diameter of the circle about the centroid that holds half
of the star's total flux, as the sensor records it (seeing, defocus and one pixel). For a Gaussian
it equals the FWHM. The total flux is the flux in a fixed aperture times the growth of the frame's
bright stars beyond it, extrapolated by a power law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.frames import Pixels
from focuskit.stars.catalogue import (
    FEW_STARS,
    FLAG_BIT,
    GROWTH_ERR,
    NO_STARS,
    MeasuredImage,
    Stars,
    summarise,
)
from focuskit.stars.checks import (
    LEAST_SNR,
    MOST_HFD_FWHM,
    alike,
    crowded,
    doubled,
    drawn_out,
    in_a_row,
    least_snr,
    like_rays,
    outlying,
    sharpest,
    star_shaped,
)
from focuskit.stars.cutouts import (
    STAMP_RADIUS,
    PreparedImage,
    counted_area,
    patches,
    peak_adu,
    prepare_image,
    ring_sky,
    star_stamps,
    sum_squares,
)
from focuskit.stars.detect import find_peaks
from focuskit.stars.first_look import first_sizes, saturation_level, sharp_size
from focuskit.stars.growth import frame_growth
from focuskit.stars.small import small_sizes
from focuskit.stars.stamps import (
    RadialSums,
    elongation,
    find_centroids,
    half_flux_radius,
    half_maximum_width,
    pixel_excess,
    refined_radius,
    rough_sizes,
    size_error,
    sum_in_circles,
    without_pixel,
)
from focuskit.stars.targets import MOST_STARS, Targets, find_targets

_LEAST_APERTURE_PX = 2.0  # chosen: the light in a smaller one depends on the position of a star in its pixel
# Smaller stars may look like hot pixels: one of 1.6 px has 0.28 of its height or more next to its brightest pixel, one
# of 1.3 px 0.16 (GalSim); 0.2 is required. With a matrix, whose green pixels lie farther apart, those that are found
# at 1.7 to 2.1 px may have half the size (GalSim).
_WELL_SAMPLED_PX = (1.8, 2.2)
_SMALL_ALIKE = 0.05  # chosen: sizes of cosmic rays scatter by 0.1 and more, those of stars of one shape by their errors
# Rounding moves the mean of a Gaussian by (1/π) exp(-2π²σ²) steps at most: 0.2 % of one at half a step, 9 at a quarter.
# Half a step of noise is measured as this, since rounding adds a variance of 1/12 step²; less noise is measured as half
# a step where the sky is between two values.
_COARSE = (0.25 + 1.0 / 12.0) ** 0.5
# Relative error of sizes from coarser values: 33 frames with noise of 0.1 to 0.3 steps were off by that much, rms.
_COARSE_ERR = 0.2
# Of stars sharper than the pixels: fields of 300 and 3,000 stars of 1.03 px read 1.2 % small and 2.3 % large.
_SHARP_ERR = 0.018
_ALIKE = 0.2  # chosen: sizes of stars differ by less over most fields, and those of knots by more
_NO_STARS_WORTH = 0.1  # chosen: a tenth as many that look like stars are preferred
_SETTLED = 0.15  # chosen: an aperture so much too large or small changes the size by less than its error
# All chosen. Sharper stars are looked for among fewer than 20 that look like stars (more do not agree by chance), where
# those are wider than the finest box, which would have shown sharper ones. They must be sharper than stars differ over
# most fields, and not as sharp as cosmic rays: simulated ones, 300 in a frame, had a median of 1.4 to 2.2 px.
_ENOUGH, _FINE_ENOUGH, _MUCH_SHARPER, _NO_RAY_PX = 20, 3.0, 0.7, 2.4
# The search for sharper stars ends where they turn out larger than its first size by this factor: it began on pieces of
# rings, and would come back to the wide stars. Chosen: a lower factor would end searches with a rough first size.
_LARGER_AFTER_ALL = 1.4
_UNSEEN_PX = 4.0  # size at which given places are measured where nothing at all is seen; chosen: usual seeing
# Pixels without a value are filled from their neighbours. Squares of them within stars of 2 to 34 pixels changed the
# size by less than 1 % up to this share of the aperture, by 2 % at twice the share. Scattered ones are filled well:
# only those count that miss most of their eight neighbours too.
_MOST_GAPS = 0.02


def measure_pixels(
    pixels: Pixels,
    *,
    bayer: str | None = None,
    saturation_adu: float | None = None,
    gain_e_per_adu: float | None = None,
    sigma: np.ndarray | None = None,
    positions: np.ndarray | None = None,
) -> MeasuredImage:
    """Find and measure the stars of an image, or measure those at ``positions``; see `measure_image`.

    ``sigma`` is the standard deviation of every pixel, ``positions`` are x and y, shape (n, 2).

    Raises
    ------
    FocuskitError
        If the image is smaller than 32 × 32 pixels, its Bayer pattern is not known, or it is no exposure: most
        of its pixels have no value, or all have the same.
    """
    pixels = pixels.of_colour(bayer)
    filled = pixels.filled()
    gaps = None if filled is pixels else patches(np.asarray(pixels.unknown()))
    if min(filled.raw.shape) < 32:
        raise FocuskitError("the image is smaller than 32 × 32 pixels: too small for focus stars")

    def measured(undersampled: bool) -> tuple[PreparedImage, _Trial]:
        image = prepare_image(filled, saturation_adu, gain_e_per_adu, undersampled)
        if not image.blocks.noise > 0:
            raise FocuskitError("nearly all of its pixels have the same value: no exposure")
        if gaps is not None:
            image = replace(image, gaps=gaps if image.gaps is None else gaps | image.gaps)
        if image.gaps is not None:
            image = replace(image, gaps=pixels.counted(image.gaps, pixels.share))
        # Each pixel that counts enters sums `share` times.
        variance = None if sigma is None else pixels.counted(np.square(sigma, dtype=np.float32), pixels.share**2)
        peaks = find_peaks(image.levels, image.blocks.side, image.blocks.noise, 0.8)
        image = replace(image, variance=variance, saturation_adu=saturation_level(image, pixels, peaks))
        sizes = first_sizes(image, peaks) or ([] if positions is None else [_UNSEEN_PX])
        return image, _choose(image, sizes, positions)

    image, found = measured(False)
    whatever_size = found.stars.hfd_px[(found.stars.flag & ~FLAG_BIT["odd_size"]) == 0]
    if not whatever_size.size or np.median(whatever_size) < _WELL_SAMPLED_PX[bool(pixels.sites)]:
        fine = measured(True)
        if fine[1].worth >= max(found.worth, FEW_STARS) and alike(fine[1].stars, _SMALL_ALIKE):
            image, found = fine
    stars = found.stars
    coarse = pixels.raw.dtype.kind in "iu" and image.pixel_noise < _COARSE * abs(pixels.scale)
    noticed = {
        "no_star_shapes": bool(stars.good.any()) and not found.star_like,
        "gain_contradicted": image.gain != gain_e_per_adu,
        "coarse_values": coarse,
    }
    shared = math.hypot(found.shared, _COARSE_ERR if coarse else 0.0, _SHARP_ERR if image.undersampled else 0.0)
    whole = summarise(stars, image.blocks, shared)
    named = tuple(name for name, is_so in noticed.items() if is_so)
    return replace(whole, noise_adu=image.pixel_noise, noticed=named)


@dataclass(frozen=True)
class _Trial:
    """Stars as they were measured from a first idea of their size, and the relative error that they share.

    ``settled`` is whether they were measured in an aperture of the size that they turned out to have.
    """

    stars: Stars = NO_STARS
    shared: float = GROWTH_ERR
    settled: bool = False

    @cached_property
    def size(self) -> float:
        """Median half-flux diameter of the good stars, infinite without any."""
        return float(np.median(self.stars.hfd_px[self.stars.good])) if self.stars.good.any() else math.inf

    @cached_property
    def star_like(self) -> bool:
        """Whether the good ones look like stars: their profiles, and all of one size."""
        return star_shaped(self.stars) and alike(self.stars)

    @cached_property
    def worth(self) -> float:
        """How many stars it shows; what is barely seen counts for less, what does not look like them for little."""
        count = float(np.minimum(self.stars.snr[self.stars.good] / LEAST_SNR[1], 1.0).sum())
        return count if self.star_like else _NO_STARS_WORTH * count


def _choose(image: PreparedImage, sizes: list[float], given: np.ndarray | None) -> _Trial:
    """Measure all stars from each of the sizes until enough are found, and look for sharper ones among what is wide."""
    best = _Trial()
    for size in sizes:
        trial = _measure_all(image, size, given)
        if trial.worth > best.worth or not len(best.stars):
            best = trial
        if best.worth >= FEW_STARS:
            break
    # Stars may be outnumbered, as by knots of a galaxy. Nothing is sharper than they, and they are all alike.
    many = best.settled and best.star_like and best.stars.good.sum() >= _ENOUGH
    if sizes and not many and best.size > _FINE_ENOUGH * image.blocks.side:
        size, most = sharp_size(image), _MUCH_SHARPER * best.size
        if size < most:
            sharp = _measure_all(image, size, given, min(most, _LARGER_AFTER_ALL * size))
            if sharp.settled and sharp.star_like and sharp.stars.good.sum() >= FEW_STARS and sharp.size > _NO_RAY_PX:
                return sharp
    return best


def _measure_all(image: PreparedImage, size: float, given: np.ndarray | None, sharp: float | None = None) -> _Trial:
    """Measure all stars from a first idea of their size, again where it was far off; see `_measure`."""
    last = _Trial()
    for _ in range(3):
        size = max(size, _LEAST_APERTURE_PX)
        stars, shared = _measure(image, size, given, sharp)
        beside_others = np.sum(stars.flag & FLAG_BIT["crowded"] > 0)
        # In a larger aperture nearly all have neighbours.
        if 2 * stars.good.sum() < last.stars.good.sum() < beside_others:
            break
        last = _Trial(stars, shared)
        found = max(last.size, _LEAST_APERTURE_PX) if stars.good.any() else size
        if abs(math.log(found / size)) < _SETTLED:
            return replace(last, settled=True)
        if sharp is not None and found > sharp:
            break
        size = found
    return last


@dataclass(frozen=True)
class Light:
    """The light of stars that were cut out; radii are in elements, squares of ``bins``² pixels.

    ``size`` is the aperture, one half-flux diameter of the frame's stars, in pixels, ``radius`` the same in elements.
    """

    x: np.ndarray
    y: np.ndarray
    sky: np.ndarray
    sums: RadialSums
    variance: RadialSums | None
    gaps: RadialSums | None
    noise: float
    bins: int
    radius: float
    size: float
    rough: np.ndarray
    flux: np.ndarray
    photons: np.ndarray
    peak: np.ndarray
    ellipticity: np.ndarray
    angle_deg: np.ndarray

    def noise_within(self, radius: np.ndarray | float) -> np.ndarray | float:
        """Return the variance of the flux within a radius but for ``photons``, as given or that of the sky."""
        return self.noise**2 * math.pi * radius**2 if self.variance is None else self.variance.at(radius)

    @property
    def snr(self) -> np.ndarray:
        return self.flux / np.sqrt(self.noise_within(self.radius) + self.photons)


def _measure(image: PreparedImage, size: float, given: np.ndarray | None, sharp: float | None) -> tuple[Stars, float]:
    """Measure all stars of an image whose half-flux diameter is about ``size`` pixels, or those at places given.

    Find them; sum their light within circles; see which do not count; learn from the bright ones how much light lies
    beyond the aperture; find the circle that holds half of all. With ``sharp`` only the sharpest that agree count, and
    none where they are larger than that. Also return the relative error that all sizes share.
    """
    shared = GROWTH_ERR
    targets = find_targets(image, size, given)
    if targets.row.size:
        light = _gather(image, targets, size)
        flag = _flags(image, targets, light)
        if sharp is not None:
            size = sharpest(light.rough * light.bins, (flag == 0) & (light.snr > LEAST_SNR[1]), image.least_hfd_px)
            if not size <= sharp and given is None:
                return NO_STARS, shared
            flag |= np.where(np.abs(np.log(light.rough * light.bins / size)) < _ALIKE, 0, FLAG_BIT["odd_size"])
        growth, pedestal, shared = frame_growth(image, targets, light, flag)
        stars = _sizes(light, flag, growth, pedestal, image)
    else:
        stars = NO_STARS
    if given is not None:
        return stars.in_rows(targets.row, given), shared
    kept = np.flatnonzero(np.isfinite(stars.hfd_px) & (stars.snr > 5.0))
    return stars.take(kept[: np.searchsorted(np.cumsum(stars.good[kept]), MOST_STARS) + 1]), shared


def _gather(image: PreparedImage, targets: Targets, size: float) -> Light:
    """Cut the stars out, find their centroids, sum their light within circles, and settle the aperture."""
    bins = image.bins_for(size)
    sky = ring_sky(image, targets.x, targets.y, size)
    stamps, x0, y0 = star_stamps(image, targets.x, targets.y, sky, STAMP_RADIUS * size + 3 * bins, bins)
    guess = size / bins
    dx, dy = find_centroids(stamps, guess)
    half, reach, fine = stamps.shape[1] // 2, STAMP_RADIUS * guess, max(1, math.ceil(8.0 / guess))
    sums = sum_in_circles(stamps, dx, dy, reach, fine, counted_area(image, x0, y0, half, bins))
    variance, gaps = (
        None if one is None else sum_in_circles(sum_squares(one, x0, y0, half, bins), dx, dy, reach, fine)
        for one in (image.variance, image.gaps)
    )
    rough = rough_sizes(sums, guess)
    radius = max(refined_radius(rough, targets.height, guess), _LEAST_APERTURE_PX / bins)
    flux = sums.at(radius)
    gain = image.gain if variance is None else None
    ellipticity, angle_deg = elongation(stamps, dx, dy, 0.8 * radius)
    return Light(
        x=x0 + dx * bins,
        y=y0 + dy * bins,
        sky=sky,
        sums=sums,
        variance=variance,
        gaps=gaps,
        noise=image.blocks.noise * bins,
        bins=bins,
        radius=radius,
        size=radius * bins,
        rough=rough,
        flux=flux,
        photons=np.maximum(flux, 0.0) * image.pixels.share / gain if gain else np.zeros(flux.size),
        peak=peak_adu(image, x0, y0, radius * bins),
        ellipticity=ellipticity,
        angle_deg=angle_deg,
    )


def _flags(image: PreparedImage, targets: Targets, light: Light) -> np.ndarray:
    """Return what speaks against each star, but for its size: bits of `STAR_FLAGS`."""
    x, y, size, snr = light.x, light.y, light.size, light.snr
    flag = np.where(light.peak >= (image.saturation_adu or math.inf), FLAG_BIT["saturated"], 0)
    beside_others = crowded(targets.peaks, x, y, targets.height, targets.contrast, size, image.blocks.side) | doubled(
        x, y, 0.5 * size
    )
    flag |= np.where(beside_others, FLAG_BIT["crowded"], 0)
    if light.gaps is not None:
        most = _MOST_GAPS * math.pi * size**2
        flag |= np.where(light.gaps.at(light.radius) > most, FLAG_BIT["gaps"], 0)
    flag |= np.where(snr < least_snr(snr[flag == 0]), FLAG_BIT["faint"], 0)
    light_beyond = light.sums.at(STAMP_RADIUS * light.radius) / np.maximum(light.flux, 1e-30)
    flag |= np.where(in_a_row(x, y, light.ellipticity, light.angle_deg, size), FLAG_BIT["elongated"], 0)
    long, beside = drawn_out(light.ellipticity, light_beyond, snr, flag == 0)
    long |= like_rays(light.ellipticity, size)
    return flag | np.where(long, FLAG_BIT["elongated"], 0) | np.where(beside, FLAG_BIT["crowded"], 0)


def _sizes(light: Light, flag: np.ndarray, growth: float, pedestal: float, image: PreparedImage) -> Stars:
    """Return the stars with the circle that holds half of all their light, and what is odd about its size."""
    sums, bins = light.sums, light.bins
    radius, slope = half_flux_radius(sums, 0.5 * growth * light.flux, pedestal * light.flux)
    fwhm = half_maximum_width(sums, radius, flag == 0)
    excess = pixel_excess(sums, radius, flag == 0)
    hfd = without_pixel(2.0 * radius, excess, bins)
    fwhm = without_pixel(fwhm, 0.5 if excess > 0.3 else 0.0, bins)
    inner, whole = light.noise_within(np.nan_to_num(radius)), light.noise_within(light.radius)
    hfd_err = size_error(slope, growth, inner, whole, light.photons)
    hfd, hfd_err, fwhm = small_sizes(image, light, flag == 0, growth, pedestal, (hfd, hfd_err, fwhm))
    sound = np.isfinite(hfd) & np.isfinite(hfd_err) & (light.flux > 0)
    flag = flag | np.where(sound & ~(hfd * bins < image.least_hfd_px), 0, FLAG_BIT["odd_size"])
    log_size = np.log(np.where(sound, hfd, 1.0))
    own = np.where(sound, hfd_err, 0.0) / np.where(sound, hfd, 1.0)
    flag |= np.where(outlying(log_size, flag == 0, own), FLAG_BIT["odd_size"], 0)
    flag |= np.where(hfd > MOST_HFD_FWHM * fwhm, FLAG_BIT["odd_size"], 0)
    return Stars(
        x_px=light.x,
        y_px=light.y,
        hfd_px=hfd * bins,
        hfd_err_px=hfd_err * bins,
        fwhm_px=fwhm * bins,
        flux_adu=growth * light.flux,
        snr=light.snr,
        peak_adu=light.peak,
        ellipticity=light.ellipticity,
        angle_deg=light.angle_deg,
        flag=flag,
    )
