"""What coma, astigmatism and a smear add to a star's image, and how it changes with the angle.

To first order each adds a profile g(r) times the cosine of the angle (coma, a shift) or of twice the
angle (astigmatism, a smear). The profiles follow by Hankel transforms from the same pupil, seeing and
pixel as the round star. Noll's numbers and norms over the full circle as in `psf`, with its signs: the
detector moves outwards as the defocus grows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0, j1

from focuskit.core.optics import noll_z11
from focuskit.waves.model import BINS_PER_PX, ProfileModel, pixel_mtf

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, repr=False)
class Harmonics:
    """Changes of flux per pixel for a star of unit flux, at the radii 0, 1/BINS_PER_PX … px.

    ``coma`` per wave rms along its axis and ``shift`` per px, times cos(θ); ``astigmatism`` per wave rms
    and ``smear`` per px² of variance along an axis, times cos(2θ); θ counts from the axis. ``round`` is the
    star. The changes are those of stars put together on whole pixels, which blurs them by one pixel more.
    """

    round: Array
    coma: Array
    shift: Array
    astigmatism: Array
    smear: Array


class HarmonicModel:
    """Makes `Harmonics` for the telescope of a profile model; get one from `harmonic_model`."""

    def __init__(self, model: ProfileModel) -> None:
        self.model = model
        rho, weight = model.rho, model.rho * model.rho_weight
        argument = math.pi * np.outer(model.u, rho)
        self._amplitude = [bessel(argument) * weight for bessel in (j0, j1, _j2)]
        argument = 2.0 * math.pi * np.outer(model.nu, model.u)
        # In the norm of ProfileModel: amplitude without its 2π, transfer function 1 at frequency 0.
        scale = 2.0 * math.pi**2 / (1.0 - model.obstruction**2)
        self._otf = [scale * bessel(argument) * (model.u * model.u_weight) for bessel in (j1, _j2)]
        self._per_px = model.pixel_um / model.unit_um
        radii = np.arange(math.ceil(model.radius_px * BINS_PER_PX) + 1) / BINS_PER_PX
        argument = 2.0 * math.pi * np.outer(radii * self._per_px, model.nu)
        measure = model.measure * pixel_mtf(model.nu * self._per_px)
        self._round = j0(argument) * model.measure
        self._back = [bessel(argument) * measure for bessel in (j1, _j2)]
        self._coma = math.sqrt(8.0) * (3.0 * rho**3 - 2.0 * rho)
        self._astigmatism = math.sqrt(6.0) * rho**2

    def harmonics(self, defocus_um: float, seeing_um: float, exponent: float, spherical_waves: float) -> Harmonics:
        """Return the changes at a defocus, in the seeing of `ProfileModel.seeing`."""
        model = self.model
        waves = np.array([defocus_um / model.um_per_wave])
        seeing = model.seeing(seeing_um, exponent)[0][:, 0]
        otf = model.optics(waves, spherical_waves).otf[:, 0] * seeing
        z11 = noll_z11(model.rho)
        pupil = np.exp(2j * math.pi * (model.rho**2 * waves[0] + spherical_waves * z11))
        star = np.conj(self._amplitude[0] @ pupil)
        coma = -4.0 * math.pi * (star * (self._amplitude[1] @ (self._coma * pupil))).real
        astigmatism = 4.0 * math.pi * (star * (self._amplitude[2] @ (self._astigmatism * pupil))).imag
        frequency = 2.0 * math.pi * model.nu * self._per_px  # radians per px
        return Harmonics(
            round=self._round @ otf,
            coma=self._back[0] @ ((self._otf[0] @ coma) * seeing),
            shift=self._back[0] @ (frequency * otf),
            astigmatism=self._back[1] @ ((self._otf[1] @ astigmatism) * seeing),
            smear=self._back[1] @ (0.25 * frequency**2 * otf),
        )


@lru_cache(maxsize=8)
def harmonic_model(model: ProfileModel) -> HarmonicModel:
    """Return the model of a telescope, kept in memory from call to call."""
    return HarmonicModel(model)


def _j2(x: Array) -> Array:
    return np.where(x > 1e-3, 2.0 / np.maximum(x, 1e-3) * j1(x) - j0(x), x**2 / 8.0)
