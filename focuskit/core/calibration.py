"""What single runs show of one telescope and of the seeing, handed on to the analysis of other runs."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Spherical:
    """Spherical aberration by one run alone: rms length of path and its error, µm, seen at a wavelength, µm."""

    path_um: float
    err_um: float
    wavelength_um: float


@dataclass(frozen=True)
class Seeing:
    """Typical seeing of one run: mean of ln(FWHM in arcsec at 1 µm) and its variance."""

    log_arcsec: float
    variance: float

    @classmethod
    def seen_at(cls, wavelength_um: float, log_arcsec: float, variance: float) -> Seeing:
        """Return the seeing measured at a wavelength, brought to 1 µm.

        In Kolmogorov turbulence the FWHM goes with the wavelength to the power of -1/5 (Roddier 1981, Progress in
        Optics 19, 281).
        """
        return cls(log_arcsec + 0.2 * math.log(wavelength_um), variance)


@dataclass(frozen=True)
class Calibration:
    """What several runs of one telescope show, each by itself, in order of the runs."""

    spherical: tuple[Spherical, ...] = ()
    seeing: tuple[Seeing, ...] = ()
