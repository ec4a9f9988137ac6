"""How much of a star's light lies beyond its aperture: the growth curve of a frame's bright stars."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import nnls

from focuskit.stars.catalogue import CROWDED_GROWTH_ERR, GROWTH_ERR
from focuskit.stars.checks import has_neighbour, outlying
from focuskit.stars.cutouts import RING_RADII, PreparedImage, counted_area, lies_inside, star_stamps
from focuskit.stars.stamps import RadialSums, sum_in_circles

if TYPE_CHECKING:
    from focuskit.stars.image import Light
    from focuskit.stars.targets import Targets

# Radii between which the light is summed, in apertures. A wide star has faint wings only, so that the
# shorter reach is enough.
_EDGES = np.array([1.0, 1.3, 1.5, 1.75, 2.0, 2.4, 2.9, 3.45, 4.3, 5.45])
REACH_SHARP, REACH_WIDE = 5.45, 3.45
_BRIGHT = 40  # stars that make the growth curve at the most; chosen: the fainter half adds noise and time
# Width of the prior on the growth of a star in the seeing. Chosen, not fitted: growth goes from 1.00 for donuts to 1.25
# for the widest wings. The prior has the weight of the stars where those leave 20 % open, as in a nebula, and almost
# none where they agree.
_USUAL_ERR = 0.2
_LEAST_STARS = 3  # for an error of the growth from their scatter; chosen: two hardly show it
# A Moffat profile of exponent 2, with wings as wide as those of any star, has a fifth of its light beyond one half-flux
# diameter from its centre (from its integral): 1 / (1 - 1/5).
MOST_GROWTH = 1.25

# Surface brightness falls as r^-3 in the rings of diffraction (J1(x)²/x² for large x, DLMF 10.17.3), as r^-11/3 in the
# far wings of seeing (as the spectrum of the phase in Kolmogorov turbulence, Noll 1976); r^-4 does for either next to
# the steeper terms, which fill in nearer the star. Noisy wings are taken to be like those of seeing, in proportion to
# the light just outside the aperture: amplitudes and their spread from exact images, in focus and out.
_EXPONENTS = np.array([3.0, 4.0, 6.0, 9.0])
_GUESS = np.array([0.03, 0.3, 0.1, 0.5])
_SPREAD = np.array([0.1, 0.3, 0.3, 0.5])


def fit_growth(sums: RadialSums, flux: np.ndarray, noise: float, radius: float) -> tuple[float, float, float]:
    """Measure how much light is outside the aperture, from the frame's bright stars.

    Beyond 1.3 half-flux diameters the mean profile is taken as a sum of power laws. The sky lies on
    its tail: the light in a far ring is taken off both the data and the model.

    Parameters
    ----------
    sums : RadialSums
        Flux within circles about the bright stars, out to one of the two reaches.
    flux : ndarray, shape (n,)
        Their flux in the aperture.
    noise : float
        Standard deviation of the sky in one element.
    radius : float
        The aperture, in elements.

    Returns
    -------
    growth : float
        Total flux over the flux in the aperture.
    pedestal : float
        Surface brightness of starlight that was taken for sky, per element and per aperture flux.
    error : float
        Standard deviation of the growth, from how the stars differ and from the noise.
    """
    edges = _EDGES[_EDGES * radius <= sums.step * sums.flux.shape[1]]
    within = np.stack([sums.at(np.full(flux.size, r)) for r in edges * radius], axis=1) / flux[:, None]
    # One object that is no star must not decide, however bright.
    steps, parts = _robust_mean(np.diff(within), np.minimum(flux, 4.0 * np.median(flux)))
    noise_error = noise * radius / math.sqrt(float(np.sum(flux**2)))
    growth, pedestal, response = _extrapolate(steps, edges, noise_error)
    count = flux.size
    if count < _LEAST_STARS:
        return growth, pedestal / radius**2, CROWDED_GROWTH_ERR
    differ = count / (count - 1) * float(np.sum((parts @ response) ** 2))
    # Few stars may agree by chance, above all where one outweighs the others. The error is at least that from the noise
    # of the pixels and of the ring that the sky was taken from.
    area, ring = math.pi * np.diff(edges**2), math.pi * (RING_RADII[1] ** 2 - RING_RADII[0] ** 2)
    by_noise = noise_error**2 * float(response**2 @ area + (response @ area) ** 2 / ring)
    variance = max(differ, by_noise)
    share = 1.0 / (1.0 + variance / _USUAL_ERR**2)
    growth = share * growth + (1.0 - share) * usual_growth()
    return growth, pedestal / radius**2, _USUAL_ERR * math.sqrt(1.0 - share)


def usual_growth() -> float:
    """Return the growth of a star in the seeing, for a frame whose own cannot be measured."""
    return _extrapolate(np.array([0.08, *[0.0] * 6]), _EDGES[:8], 1e3)[0]


def _robust_mean(values: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return weighted means down the columns, shape (k,), without outliers from the weighted median.

    Also return by how much each value moves its mean, shape (n, k); outliers as if they were at the bound.
    """
    order = np.argsort(values, axis=0)
    share = np.cumsum(weight[order], axis=0)
    half = np.argmax(share >= 0.5 * share[-1], axis=0)
    middle = np.take_along_axis(values, np.take_along_axis(order, half[None], 0), 0)[0]
    off = np.abs(values - middle)
    weight = weight[:, None]
    # Bright stars differ by more than their noise: by where they lie on the pixels.
    own = 4.0 * 1.4826 * np.median(off * weight, axis=0) / weight + 0.05 * np.abs(middle) + 0.003
    kept = (off <= own) * weight**2
    mean = np.sum(values * kept, axis=0) / np.sum(kept, axis=0)
    # Outliers do not move the mean, but widen its error.
    return mean, weight**2 / np.sum(kept, axis=0) * np.clip(values - mean, -own, own)


def _extrapolate(steps: np.ndarray, edges: np.ndarray, error: float) -> tuple[float, float, np.ndarray]:
    """Fit a sum of power laws to the flux between ``edges``; amplitudes are not negative.

    Return the growth, the pedestal, and by how much the growth changes with each of the steps, shape (k,).

    Parameters
    ----------
    steps : ndarray, shape (k,)
        Flux between the k+1 edges over the flux in the aperture; the first step is not fitted.
    edges : ndarray, shape (k+1,)
        Radii in apertures, from 1.
    error : float
        Standard deviation of the flux in one square aperture radius.
    """
    n = _EXPONENTS
    area = math.pi * np.diff(edges**2)
    if edges[-1] == REACH_SHARP:
        inner, outer = edges[-4], edges[-1]
        sky = float(np.sum(steps[-3:]) / np.sum(area[-3:]))
    else:
        # Neighbours lie in the rings of wide stars: the sky stays that of each star's own ring.
        inner, outer = RING_RADII
        sky = 0.0
    in_ring = 2.0 * (inner ** (2 - n) - outer ** (2 - n)) / (n - 2) / (outer**2 - inner**2)
    light = 2.0 * math.pi * (edges[:-1, None] ** (2 - n) - edges[1:, None] ** (2 - n)) / (n - 2)
    data = (steps - sky * area)[1:]
    model = (light - in_ring * area[:, None])[1:]
    # Besides the noise, the wings follow the power laws to a few per cent.
    sigma = np.sqrt(error**2 * area[1:] + (0.02 * np.maximum(np.abs(data), 0.003)) ** 2)
    near = max(float(steps[0]), 0.002)
    design = np.concatenate([model / sigma[:, None], np.diag(1.0 / (near * _SPREAD))])
    amplitude, _ = nnls(design, np.concatenate([data / sigma, _GUESS / _SPREAD]))
    far = 2.0 * math.pi * edges[1] ** (2 - n) / (n - 2)
    pedestal = float(np.sum(amplitude * in_ring)) - sky
    inside = math.pi * edges[1] ** 2
    growth = 1.0 + pedestal * inside + float(steps[0]) + float(np.sum(amplitude * far))
    # To first order: the amplitudes that are not zero follow the data linearly, and so does the sky.
    free = amplitude > 0
    by_data = (far + in_ring * inside)[free] @ np.linalg.pinv(design[:, free])[:, : data.size] / sigma
    by_sky = -inside - float(by_data @ area[1:])
    response = np.concatenate([[1.0], by_data])
    if edges[-1] == REACH_SHARP:
        response[-3:] += by_sky / np.sum(area[-3:])
    return growth, pedestal, response


def frame_growth(image: PreparedImage, targets: Targets, light: Light, flag: np.ndarray) -> tuple[float, float, float]:
    """Fit the growth curve of the brightest clean stars that stand alone, see `fit_growth`; its part in the errors."""
    x, y, bins, known = light.x, light.y, light.bins, np.isfinite(light.rough)
    log_size = np.log(np.where(known, light.rough, 1.0))
    clean = (flag == 0) & ~outlying(log_size, known & (flag == 0), 1.0 / np.maximum(light.snr, 1.0))
    brightest = np.argsort(-light.snr, kind="stable")
    order = brightest[clean[brightest]][: 3 * _BRIGHT]
    # Where all stars have neighbours, the shorter reach has fewer of them.
    tries = [(REACH_WIDE, 3), (REACH_WIDE, 0)]
    for reach, least in [(REACH_SHARP, 5), *tries] if bins == 1 else tries:
        far = reach * light.size
        usable = order[lies_inside(image.pixels.raw.shape, x[order], y[order], far + 3 * bins)]
        height, outer = targets.height[usable], far + 0.8 * light.size
        crowd = has_neighbour(targets.pieces, x[usable], y[usable], height, targets.own_reach, outer)
        chosen = (usable[~crowd] if least else usable)[:_BRIGHT]
        if chosen.size and chosen.size >= least:
            stamps, x0, y0 = star_stamps(image, x[chosen], y[chosen], light.sky[chosen], far, bins)
            dx, dy = (x[chosen] - x0) / bins, (y[chosen] - y0) / bins
            counted = counted_area(image, x0, y0, stamps.shape[1] // 2, bins)
            sums = sum_in_circles(stamps, dx, dy, far / bins, 1 if light.radius > 4.0 else 2, counted)
            shared = GROWTH_ERR if least else CROWDED_GROWTH_ERR
            growth, pedestal, error = fit_growth(sums, light.flux[chosen], light.noise, light.radius)
            # Of wide stars that all have neighbours, what is more than any star has is the light of those.
            if least or bins == 1 or growth < MOST_GROWTH:
                # Other light around the stars, as of a nebula, makes them differ.
                return growth, pedestal, math.hypot(shared, error)
    return usual_growth(), 0.0, CROWDED_GROWTH_ERR
