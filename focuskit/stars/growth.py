"""How much of a star's light lies beyond its aperture: the growth curve of a frame's bright stars."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import nnls

from focuskit.stars.cutouts import RING_RADII
from focuskit.stars.stamps import RadialSums

# Radii between which the light is summed, in apertures. A wide star has faint wings only, so that the
# shorter reach is enough.
_EDGES = np.array([1.0, 1.3, 1.5, 1.75, 2.0, 2.4, 2.9, 3.45, 4.3, 5.45])
REACH_SHARP, REACH_WIDE = 5.45, 3.45
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


def fit_growth(sums: RadialSums, flux: np.ndarray, noise: float, radius: float) -> tuple[float, float]:
    """Tell how much light lies beyond the aperture, from the frame's bright stars.

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
    """
    edges = _EDGES[_EDGES * radius <= sums.step * sums.flux.shape[1]]
    within = np.stack([sums.at(np.full(flux.size, r)) for r in edges * radius], axis=1) / flux[:, None]
    # One object that is no star must not decide, however bright.
    steps = _robust_mean(np.diff(within), np.minimum(flux, 4.0 * np.median(flux)))
    error = noise * radius / math.sqrt(float(np.sum(flux**2)))
    growth, pedestal = _extrapolate(steps, edges, error)
    return growth, pedestal / radius**2


def usual_growth() -> float:
    """Return the growth of a star in the seeing, for a frame whose own cannot be measured."""
    return _extrapolate(np.array([0.08, *[0.0] * 6]), _EDGES[:8], 1e3)[0]


def _robust_mean(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return weighted means down the columns without what lies far from the weighted median."""
    out = np.empty(values.shape[1])
    for k, column in enumerate(values.T):
        order = np.argsort(column)
        share = np.cumsum(weight[order])
        middle = column[order][np.searchsorted(share, 0.5 * share[-1])]
        off = np.abs(column - middle)
        # Bright stars differ by more than their noise: by where they lie on the pixels.
        own = 4.0 * 1.4826 * np.median(off * weight) / weight + 0.05 * abs(middle) + 0.003
        kept = off <= own
        out[k] = np.sum((column * weight**2)[kept]) / np.sum((weight**2)[kept])
    return out


def _extrapolate(steps: np.ndarray, edges: np.ndarray, error: float) -> tuple[float, float]:
    """Fit a sum of power laws to the flux between ``edges``; amplitudes are not negative.

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
    pedestal = float(np.sum(amplitude * in_ring)) - sky
    beyond = float(np.sum(2.0 * math.pi * amplitude * edges[1] ** (2 - n) / (n - 2)))
    return 1.0 + pedestal * math.pi * edges[1] ** 2 + float(steps[0]) + beyond, pedestal
