"""How the size of a star grows with defocus, as a curve in pure numbers.

A curve is size / least size against t = wing slope × distance from focus / least size, so that it
starts at 1 and ends as t. Seeing blurred by the annulus of defocus is not quite the hyperbola
√(1 + t²): it lies up to 3 % below it where the annulus is about twice as wide as the seeing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import j0, j1

from focuskit.core.optics import KOLMOGOROV_EXPONENT, KOLMOGOROV_FWHM, KOLMOGOROV_MTF, donut_hfd

Array = NDArray[np.float64]
Measure = Literal["hfd", "fwhm"]

# Kolmogorov seeing of unit FWHM has the transfer function exp(-_EXPONENT f^(5/3)).
_EXPONENT = KOLMOGOROV_MTF / KOLMOGOROV_FWHM**KOLMOGOROV_EXPONENT
_FREQUENCY_MAX = 2.6  # cycles to one FWHM: the transfer function has fallen to 2e-8 there
_WIDEST = 20.0  # outer diameter of the annulus over the FWHM of the seeing
_STEP = 0.004  # of the scaled distance: interpolation is off by 1.4e-6 of a size at most


class CurveShape(Protocol):
    """Size over least size against scaled distance from focus, and its slope."""

    def at(self, t: Array) -> tuple[Array, Array]:
        """Return the curve and its derivative at ``t`` >= 0, any shape."""
        ...


class Hyperbola:
    """√(1 + t²)."""

    def at(self, t: Array) -> tuple[Array, Array]:
        """Return the curve and its derivative."""
        size = np.sqrt(1.0 + t * t)
        return size, t / size


class Parabola:
    """1 + t²/2, the hyperbola's first term."""

    def at(self, t: Array) -> tuple[Array, Array]:
        """Return the curve and its derivative."""
        return 1.0 + 0.5 * t * t, t


@dataclass(frozen=True)
class TabulatedShape:
    """A curve given by its square less t², on an even grid of t; constant beyond the grid."""

    excess: Array
    excess_slope: Array

    def at(self, t: Array) -> tuple[Array, Array]:
        """Return the curve and its derivative."""
        place = np.minimum(t / _STEP, self.excess.size - 1.001)
        left = place.astype(np.intp)
        share = place - left
        excess = self.excess[left] * (1.0 - share) + self.excess[left + 1] * share
        slope = self.excess_slope[left] * (1.0 - share) + self.excess_slope[left + 1] * share
        size = np.sqrt(t * t + excess)
        return size, (t + 0.5 * slope) / size


@lru_cache(maxsize=16)
def seeing_donut_shape(obstruction: float, measure: Measure = "hfd") -> TabulatedShape:
    """Return the curve of Kolmogorov seeing convolved with the annulus of a defocused pupil.

    Parameters
    ----------
    obstruction : float
        Diameter of the central obstruction over that of the aperture.
    measure : {"hfd", "fwhm"}
        Half-flux diameter, or the outermost full width at half maximum.
    """
    diameters = np.concatenate([np.linspace(0.0, 4.0, 41), np.geomspace(4.3, _WIDEST, 24)])
    sizes = seeing_donut_sizes(diameters, obstruction, measure)
    wing = donut_hfd(1.0, obstruction) if measure == "hfd" else 1.0
    t = diameters * wing / sizes[0]
    excess = CubicSpline(t, (sizes / sizes[0]) ** 2 - t**2, bc_type=((1, 0.0), (2, 0.0)))
    grid = np.arange(0.0, t[-1], _STEP)
    return TabulatedShape(excess(grid), excess(grid, 1))


def seeing_donut_sizes(diameters: Array, obstruction: float, measure: Measure = "hfd") -> Array:
    """Return the size of seeing ⊗ annulus in units of the seeing's FWHM.

    With the transfer function T(k), the flux within R is R ∫ T J1(kR) dk and the profile
    ∫ T J0(kr) k dk / 2π.

    Parameters
    ----------
    diameters : ndarray, shape (n,)
        Outer diameters of the annulus over the FWHM of the seeing, at most 20.
    obstruction : float
    measure : {"hfd", "fwhm"}

    Returns
    -------
    ndarray, shape (n,)
    """
    nodes, weights = np.polynomial.legendre.leggauss(320)
    k = np.pi * _FREQUENCY_MAX * (nodes + 1.0)
    weight = np.pi * _FREQUENCY_MAX * weights
    seeing = np.exp(-_EXPONENT * (k / (2.0 * np.pi)) ** KOLMOGOROV_EXPONENT)
    inner = obstruction**2
    disc = _disc(np.outer(diameters, k))
    annulus = (disc - inner * _disc(obstruction * np.outer(diameters, k))) / (1.0 - inner)
    transfer = annulus * (seeing * weight)
    radii = np.linspace(0.0, 0.62 * _WIDEST, 500)
    kernel = radii[:, None] * j1(np.outer(radii, k)) if measure == "hfd" else k * j0(np.outer(radii, k))
    curves = transfer @ kernel.T
    return np.array([_half_flux(radii, row) if measure == "hfd" else _half_height(radii, row) for row in curves])


def growth_distance(shape: CurveShape, growth: float) -> float:
    """Return t at which the curve has grown to ``growth`` times its least value."""
    grid = np.linspace(0.0, 2.0 * growth, 4000)
    return float(np.interp(growth, shape.at(grid)[0], grid))


def _disc(argument: Array) -> Array:
    half = np.maximum(0.5 * argument, 1e-9)
    return 2.0 * j1(half) / half


def _half_flux(radii: Array, flux: Array) -> float:
    k = int(np.argmax(flux > 0.5))
    near = slice(max(k - 3, 0), k + 3)
    return 2.0 * _crossing(radii[near], flux[near] - 0.5)


def _half_height(radii: Array, profile: Array) -> float:
    peak = int(np.argmax(profile))
    highest = float(profile[peak])
    if peak > 0:
        before, after = profile[peak - 1], profile[peak + 1]
        highest -= 0.125 * (before - after) ** 2 / (before + after - 2.0 * highest)
    k = int(np.flatnonzero(profile > 0.5 * highest)[-1])
    near = slice(max(k - 2, 0), k + 4)
    return 2.0 * _crossing(radii[near], profile[near] - 0.5 * highest)


def _crossing(x: Array, y: Array) -> float:
    roots = CubicSpline(x, y).roots(extrapolate=False)
    middle = float(x[np.flatnonzero(np.diff(np.sign(y)))[-1]])
    return float(roots[np.argmin(np.abs(roots - middle - 0.5 * (x[1] - x[0])))]) if roots.size else math.nan
