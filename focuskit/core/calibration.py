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
class SeenOptics:
    """Optics that were not given, by the light of one run alone: what was known before is not in it.

    Parameters
    ----------
    log_ratio, log_ratio_err : float
        ln of the focal ratio over the size of a pixel in µm.
    obstruction, obstruction_err : float
        A little below 0 by noise. What was given, or does not show, has an error far beyond the range of telescopes.
    correlation : float
        Of the two errors.
    pixel_um : float or None
        The pixel, where it was given.
    """

    log_ratio: float
    log_ratio_err: float
    obstruction: float
    obstruction_err: float
    correlation: float
    pixel_um: float | None = None


@dataclass(frozen=True)
class SeenStep:
    """Growth of the donuts in one step of the focuser, by one run alone.

    Parameters
    ----------
    px : float
        By how many pixels the outer diameter grows.
    err : float
        Relative standard error, without that of the optics.
    pixel_um, f_ratio : float or None
        Where they were given.
    """

    px: float
    err: float
    pixel_um: float | None = None
    f_ratio: float | None = None


# What the logbook keeps of each run, in columns called after the part and its field.
PARTS = {"spherical": Spherical, "seeing": Seeing, "optics": SeenOptics, "step": SeenStep}


@dataclass(frozen=True)
class Shown:
    """What one run by itself shows of its telescope; None where it does not."""

    spherical: Spherical | None = None
    optics: SeenOptics | None = None
    step: SeenStep | None = None


@dataclass(frozen=True)
class Calibration:
    """What several runs of one telescope show, each by itself, in order of the runs."""

    spherical: tuple[Spherical, ...] = ()
    seeing: tuple[Seeing, ...] = ()
    optics: tuple[SeenOptics, ...] = ()
    step: tuple[SeenStep, ...] = ()
