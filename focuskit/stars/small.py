"""Sizes of stars that are hardly wider than a pixel: one shape fitted to the pixels of all, whose phases differ.

Circles drawn on the pixels make such a star 40 % too small at the middle of a pixel, and too large at its corner.
The shape before the pixel is modelled as a sum of round Gaussians, integrated over the pixels exactly; each star has
its own position, flux and relative width.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import nnls
from scipy.special import erf

from focuskit.stars.catalogue import FEW_STARS
from focuskit.stars.cutouts import STAMP_RADIUS, PreparedImage, counted_area, star_stamps

if TYPE_CHECKING:
    from focuskit.stars.image import Light

# Half-flux diameter below which circles on pixels are off: their widths at half maximum by 2 % at 2.5 px, by GalSim.
SMALL_PX = 2.7
# Standard deviations of the Gaussians, in pixels. With only seven, widths at half maximum in the seeing came out 2.4 %
# too small; with these, 0.6 %.
_WIDTHS_PX = np.geomspace(0.15, 3.0, 11)
_STEP = 0.02  # of positions and widths, for their derivatives by differences
_ROUNDS = 6  # of places and widths, chosen: places move by less than 0.001 px in the last
# Rounds in which the shape itself settles, at most, and the change of its width that ends them. On pixels of one colour
# six rounds left stars of 1 px 7 % too large.
_SHAPE_ROUNDS, _SETTLED = 40, 0.0003
_SHAPE_STARS = 60  # that define the shape, at most; chosen: fainter ones add noise and time
_SHAPE_SNR = 30.0  # of a star that takes part in the shape; chosen
# Prior of the relative widths. Chosen: twice what optics do over a field. It matters for stars that hardly show a width
# of their own, since most of their light falls on pixels of other colours.
_WIDTH_PRIOR_ERR = 0.1
_MODEL_ERR = 0.02  # of the light in a pixel; chosen: pixels differ by a per cent or so, and stars over the field
_FACTORS = np.geomspace(0.3, 3.0, 24)  # of the width
# What the shape leaves of the light near the middle of a star, root of the sum of squares over that of the light.
# Chosen between what simulated frames gave: 0.04 or less for nine stars in ten from 1.0 to 2.5 px (GalSim), 0.2 and
# more for cosmic rays of one to three pixels.
_CORE_PX, _MISFIT = 2.5, 0.12
# The median misfit from which all stars count as flat-topped, as donuts of fast lenses are: above it the sizes by the
# shape are off by 2 % and more, those by circles by less (GalSim, f/2 and f/1.8, 1.9 px and more).
_FLAT_TOPPED = 0.05
_STEP_PX, _REACH_PX = 0.05, 9.0  # grid on which the light within circles is summed: finer changes it by 0.1 %


def _lines(place: np.ndarray, factor: np.ndarray, half: int) -> np.ndarray:
    """Return the share of the light in the lines of pixels, shape (n, k, s), of Gaussians about ``place``."""
    edges = np.arange(2 * half + 2) - half - 0.5
    width = math.sqrt(2.0) * factor[:, None, None] * _WIDTHS_PX[:, None]
    return 0.5 * np.diff(erf((edges - place[:, None, None]) / width), axis=2)


def _parts(place: np.ndarray, half: int) -> np.ndarray:
    """Return the images of each Gaussian, shape (n, k, s, s), for places and factors of the width, shape (3, n)."""
    x, y, factor = place
    return _lines(y, factor, half)[:, :, :, None] * _lines(x, factor, half)[:, :, None, :]


def fit_small_stars(
    stamps: np.ndarray,
    dx: np.ndarray,
    dy: np.ndarray,
    flux: np.ndarray,
    noise: float,
    sample: np.ndarray,
    counted: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray] | None:
    """Fit one shape to all stars, and the width of each relative to it; None where no sum of Gaussians fits them.

    Parameters
    ----------
    stamps : ndarray, shape (n, s, s)
        Stars on single pixels, sky subtracted.
    dx, dy, flux : ndarray, shape (n,)
        First estimates of the positions, from the middles of the stamps, and of the total flux.
    noise : float
        Standard deviation of the sky in one pixel.
    sample : ndarray of int
        The stars that define the shape, brightest first.
    counted : ndarray of bool, shape (n, s, s), optional
        The pixels that show the stars: those of one colour.

    Returns
    -------
    shares : ndarray, shape (k,)
        Shares of the Gaussians of the shape.
    factor, error : ndarray, shape (n,)
        Width relative to the shape, and its standard deviation; NaN for another shape, such as a cosmic ray.
    flux : ndarray, shape (n,)
        The light of the shape.
    """
    sample = sample[:_SHAPE_STARS]
    if counted is None:
        counted = np.ones((1, 1, 1), bool)
    place = np.stack([dx, dy, np.ones(dx.size)])
    flux = np.maximum(flux, 1e-30)
    sigma = np.where(counted, np.sqrt(noise**2 + (_MODEL_ERR * stamps) ** 2), np.inf)
    shares, settled = _settled_shape(stamps[sample], sigma[sample], place[:, sample], flux[sample])
    place[:, sample], flux[sample] = settled
    for _ in range(_ROUNDS):
        place, flux, model, error = _moved(stamps, sigma, place, flux, shares)
        place[2] /= np.median(place[2, sample])
    misfit = _misfit(stamps, flux[:, None, None] * model, counted, noise)
    if np.median(misfit[sample]) > _FLAT_TOPPED:
        return None
    return shares, place[2], np.where(misfit < _MISFIT, error, np.nan), flux


def _settled_shape(
    stamps: np.ndarray, sigma: np.ndarray, place: np.ndarray, flux: np.ndarray
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """Return the shares of the Gaussians that fit all stars best, and their places and fluxes then."""
    half, before = stamps.shape[1] // 2, 0.0
    for _ in range(_SHAPE_ROUNDS):
        design = _parts(place, half) * (flux[:, None, None] / sigma)[:, None]
        columns = np.moveaxis(design, 1, -1).reshape(-1, _WIDTHS_PX.size)
        shares, _ = nnls(columns, (stamps / sigma).ravel())
        flux, shares = flux * shares.sum(), shares / max(shares.sum(), 1e-30)
        place, flux, _, _ = _moved(stamps, sigma, place, flux, shares)
        place[2] /= np.median(place[2])
        width = float(shares @ _WIDTHS_PX)
        if abs(width - before) < _SETTLED * width:
            break
        before = width
    return shares, (place, flux)


def _moved(
    stamps: np.ndarray, sigma: np.ndarray, place: np.ndarray, flux: np.ndarray, shares: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return places and fluxes one step nearer to the pixels, and model and errors of `_newton_step`."""
    model, moves, error = _newton_step(stamps, sigma, place, flux, shares)
    x, y = place[:2] + np.clip(moves[:, :2].T, -0.3, 0.3)
    factor = np.clip(place[2] + np.clip(moves[:, 2], -0.3, 0.3), _FACTORS[0], _FACTORS[-1])
    return np.stack([x, y, factor]), np.maximum(flux + moves[:, 3], 0.1 * flux), model, error


def _newton_step(
    stamps: np.ndarray, sigma: np.ndarray, place: np.ndarray, flux: np.ndarray, shares: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Make one Gauss-Newton step for each star.

    Returns
    -------
    model : ndarray, shape (n, s, s)
        Each star with a flux of 1, before the step.
    moves : ndarray, shape (n, 4)
        Steps of x, y, width and flux.
    error : ndarray, shape (n,)
        Standard deviation of the width.
    """
    half = stamps.shape[1] // 2
    model = np.tensordot(_parts(place, half), shares, (1, 0))
    steps = []
    for k in range(3):
        moved = place.copy()
        moved[k] += _STEP
        steps.append((np.tensordot(_parts(moved, half), shares, (1, 0)) - model) / _STEP * flux[:, None, None])
    slopes = np.stack([*steps, model], axis=1) / sigma[:, None]
    matrix = np.einsum("naij,nbij->nab", slopes, slopes, optimize=True)
    matrix += 1e-9 * np.trace(matrix, axis1=1, axis2=2)[:, None, None] * np.eye(4)
    matrix[:, 2, 2] += _WIDTH_PRIOR_ERR**-2
    gradient = np.einsum("naij,nij->na", slopes, (stamps - flux[:, None, None] * model) / sigma, optimize=True)
    gradient[:, 2] -= (place[2] - 1.0) / _WIDTH_PRIOR_ERR**2
    moves = np.linalg.solve(matrix, gradient[:, :, None])[:, :, 0]
    return model, moves, np.sqrt(np.linalg.inv(matrix)[:, 2, 2])


def _misfit(stamps: np.ndarray, fitted: np.ndarray, counted: np.ndarray, noise: float) -> np.ndarray:
    """Return what the fit leaves of the light in the core of each star beyond noise, see `_MISFIT`."""
    half = stamps.shape[1] // 2
    core = counted & (np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) < _CORE_PX)
    left, light = (np.sum(core * part**2, axis=(1, 2)) for part in (stamps - fitted, stamps))
    return np.sqrt(np.maximum(left - core.sum(axis=(1, 2)) * noise**2, 0.0) / light)


def sizes_of(shares: np.ndarray, total: float) -> tuple[np.ndarray, np.ndarray]:
    """Return half-flux diameter and full width at half maximum with one pixel for each of `_FACTORS`.

    ``total`` is the total flux of a star over that of the shape.
    """
    line = (np.arange(round(_REACH_PX / _STEP_PX)) + 0.5) * _STEP_PX
    radius = np.hypot(line, line[:, None]).ravel()
    order = np.argsort(radius)
    ring = (radius[order] / _STEP_PX).astype(int)
    count = np.bincount(ring)
    hfd, fwhm = [], []
    for factor in _FACTORS:
        width = math.sqrt(2.0) * factor * _WIDTHS_PX[:, None]
        edge = 0.5 * (erf((line + 0.5) / width) - erf((line - 0.5) / width))
        light = np.einsum("k,ki,kj->ij", shares, edge, edge, optimize=True).ravel()[order]
        within = 4.0 * _STEP_PX**2 * np.cumsum(light)  # one quadrant of four
        hfd.append(2.0 * float(np.interp(0.5 * total, within, radius[order])))
        profile = np.bincount(ring, light) / np.maximum(count, 1)
        below = int(np.argmax(profile < 0.5 * profile[0]))
        share = (profile[below - 1] - 0.5 * profile[0]) / (profile[below - 1] - profile[below])
        fwhm.append(2.0 * _STEP_PX * (below - 0.5 + share))
    return np.array(hfd), np.array(fwhm)


def small_sizes(
    image: PreparedImage,
    light: Light,
    good: np.ndarray,
    growth: float,
    pedestal: float,
    sizes: tuple[np.ndarray, np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return half-flux diameters, their errors and widths at half maximum, unchanged where stars are not small.

    ``good`` marks the stars without a flag; growth and pedestal are those of `fit_growth`.
    """
    sample = np.flatnonzero(good & (light.snr > _SHAPE_SNR))
    if light.bins > 1 or sample.size < FEW_STARS or np.median(sizes[0][sample]) > SMALL_PX:
        return sizes
    sample = sample[np.argsort(-light.snr[sample], kind="stable")]
    stamps, x0, y0 = star_stamps(image, light.x, light.y, light.sky, STAMP_RADIUS * light.size, 1)
    counted = None
    if image.pixels.sites:
        stamps /= image.pixels.share
        counted = np.asarray(counted_area(image, x0, y0, stamps.shape[1] // 2, 1)) > 0.0
    stamps += (pedestal * light.flux).astype(np.float32)[:, None, None]
    total = growth * light.flux
    found = fit_small_stars(stamps, light.x - x0, light.y - y0, total, image.pixel_noise, sample, counted)
    if found is None:
        return sizes
    shares, factor, error, flux = found
    # Light beyond the widest Gaussian adds to the total flux, and cannot reduce it. On pixels of one colour the flux
    # within circles does not show it: that flux depends on the position of a star between them.
    beyond = 1.0 if image.pixels.sites else max(1.0, float(np.median(total[sample] / flux[sample])))
    hfd, fwhm = sizes_of(shares, beyond)
    slope = np.interp(factor, _FACTORS, np.gradient(hfd, _FACTORS))
    return np.interp(factor, _FACTORS, hfd), slope * error, np.interp(factor, _FACTORS, fwhm)
