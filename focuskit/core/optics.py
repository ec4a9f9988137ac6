"""The telescope as numbers: rig, critical focus zone, donut geometry, seeing.

All lengths along the optical axis are in micrometres at the focal plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

Number = TypeVar("Number", float, np.ndarray)

ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi  # by definition
# Growth of the half-flux diameter from which defocus, or what cannot be focused away, matters.
TOLERATED_GROWTH = 1.05
# Central obstruction where nobody says. Chosen: imaging reflectors have 0.2 to 0.5 (common practice, no
# source), which puts the slope of the far wings, √((1+ε²)/2), wrong by -2 to +7 % at most.
USUAL_OBSTRUCTION = 0.3
# Standard errors of the specifications of a telescope.
OBSTRUCTION_ERR = 0.02  # chosen: figures are rounded to 0.01, and baffles and focusers in the tube are seldom counted
USUAL_OBSTRUCTION_ERR = 0.1  # chosen: from 0.2 to 0.4, most of the usual range
F_RATIO_ERR = 0.025  # chosen: makers round focal ratios, and a corrector changes the focal length by per cents
# Unit of length where the size of a pixel is not known. Most pixels have 2 to 9 µm (common practice, no source).
NOMINAL_PIXEL_UM = 4.0
MOST_F_RATIO_ERR = 0.3  # chosen: beyond it a focal ratio found from the frames, and a zone from it, say little

# Kolmogorov turbulence: MTF = exp(-3.442 (λf/r0)^(5/3)) and FWHM = 0.9759 λ/r0.
KOLMOGOROV_MTF = 3.4420  # Fried 1966
KOLMOGOROV_FWHM = 0.9758634299  # the digits as in GalSim, which cites Racine 1996, PASP 108, 699
KOLMOGOROV_EXPONENT = 5.0 / 3.0

# Effective wavelength where the filter is not known: the middle of the visible band.
DEFAULT_WAVELENGTH_NM = 550.0

# A tolerance in scatters or errors of runs, where they have none (chosen: runs of a night reach a sixth of it).
TOLERANCE_SCATTERS = 6.0
UNIT_WORDS = {"step": "steps", "um": "µm", "mm": "mm"}  # what focusers count in


@dataclass(frozen=True)
class Rig:
    """A telescope with its camera and focuser; what is not known is None.

    Parameters
    ----------
    name : str or None
    focal_length_mm, aperture_mm : float or None
    obstruction : float or None
        Diameter of the central obstruction over that of the aperture, 0 to 1.
    pixel_um : float or None
        Size of a pixel of the image as stored, that is after binning.
    um_per_step : float or None
        Way of the focal plane for one step of the focuser.
    travel : (float, float) or None
        Lowest and highest position the focuser may be sent to.
    focal_ratio : float or None
        Focal length over aperture, where they themselves are not both known.
    position_unit : str or None
        What positions are in, a key of ``UNIT_WORDS``.
    zone : str or None
        Time zone of the site, such as ``Europe/Oslo``.
    """

    name: str | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    obstruction: float | None = None
    pixel_um: float | None = None
    um_per_step: float | None = None
    travel: tuple[float, float] | None = None
    focal_ratio: float | None = None
    position_unit: str | None = None
    zone: str | None = None

    @property
    def f_ratio(self) -> float | None:
        """Focal length over aperture."""
        if self.focal_length_mm and self.aperture_mm:
            return self.focal_length_mm / self.aperture_mm
        return self.focal_ratio

    @property
    def likely_obstruction(self) -> float:
        """The obstruction, the usual one where it is not known."""
        return USUAL_OBSTRUCTION if self.obstruction is None else self.obstruction

    @property
    def scale_arcsec_per_px(self) -> float | None:
        """Angle on the sky of one image pixel at the centre of the field."""
        if self.focal_length_mm and self.pixel_um:
            return ARCSEC_PER_RADIAN * self.pixel_um * 1e-3 / self.focal_length_mm
        return None


def with_f_ratio(rig: Rig, f_ratio: float) -> Rig:
    """Return a rig with a focal ratio that it did not have, and with the length that follows from it."""
    if rig.focal_length_mm:
        return replace(rig, aperture_mm=rig.focal_length_mm / f_ratio)
    if rig.aperture_mm:
        return replace(rig, focal_length_mm=rig.aperture_mm * f_ratio)
    return replace(rig, focal_ratio=f_ratio)


@dataclass(frozen=True)
class OpticsErrors:
    """How well the numbers of a `Rig` are known that the images of its stars depend on.

    Parameters
    ----------
    f_ratio : float
        Relative standard error of the focal ratio, or of its quotient with the pixel where the pixel was found.
    obstruction : float
        Standard error of the obstruction.
    found : frozenset of str
        Which of ``f_ratio``, ``obstruction`` and ``pixel_um`` were found from the frames.
    in_um : bool
        False where the pixel of the rig is only a nominal unit of length: then nothing is known in µm.
    unlike_logged : bool
        Whether logged runs of the rig showed other optics, which were left aside.
    """

    f_ratio: float = F_RATIO_ERR
    obstruction: float = OBSTRUCTION_ERR
    found: frozenset[str] = frozenset()
    in_um: bool = True
    unlike_logged: bool = False

    @property
    def shows_diffraction(self) -> bool:
        """Whether the focal ratio in pixels is known well enough to be reported."""
        return self.f_ratio < MOST_F_RATIO_ERR


GIVEN = OpticsErrors()  # of a rig whose numbers are all given


def fill_gaps(
    rig: Rig, log_ratio: float, obstruction: float, errors: tuple[float, float], px_per_step: float | None = None
) -> tuple[Rig, OpticsErrors]:
    """Return a rig with its gaps filled by what was found, and how well it is known then.

    Parameters
    ----------
    log_ratio, obstruction : float
        ln of focal ratio over pixel in µm, and the obstruction; what the rig has stays.
    errors : (float, float)
        Their standard errors.
    px_per_step : float, optional
        By how many pixels donuts grow in a step: with the rig's µm per step it gives the scale where neither focal
        ratio nor pixel does.
    """
    ratio, is_ratio_given = math.exp(log_ratio), bool(rig.f_ratio and rig.pixel_um)
    found = rig if rig.obstruction is not None else replace(rig, obstruction=obstruction)
    if rig.f_ratio:
        found = replace(found, pixel_um=rig.pixel_um or rig.f_ratio / ratio)
    else:
        pixel_um = rig.pixel_um or NOMINAL_PIXEL_UM
        if rig.um_per_step and px_per_step and not rig.pixel_um:
            # µm per step is the growth of the donut in pixels times focal ratio times pixel.
            pixel_um = math.sqrt(rig.um_per_step / px_per_step / ratio)
        found = with_f_ratio(replace(found, pixel_um=pixel_um), ratio * pixel_um)
    is_scale_known = bool(rig.f_ratio or rig.pixel_um) and errors[0] < MOST_F_RATIO_ERR
    gaps = {"f_ratio": rig.f_ratio, "pixel_um": rig.pixel_um, "obstruction": rig.obstruction}
    return found, OpticsErrors(
        f_ratio=F_RATIO_ERR if is_ratio_given else errors[0],
        obstruction=OBSTRUCTION_ERR if rig.obstruction is not None else errors[1],
        found=frozenset(name for name, value in gaps.items() if value is None),
        in_um=is_ratio_given or is_scale_known or rig.um_per_step is not None,
    )


def critical_focus_zone_um(f_ratio: float, wavelength_nm: float = DEFAULT_WAVELENGTH_NM) -> float:
    """Half width of the critical focus zone, 2 λ N², in µm.

    A quarter wave of defocus at the edge of the pupil (Smith, Modern Optical Engineering).
    """
    return 2.0 * wavelength_nm * 1e-3 * f_ratio**2


def donut_hfd(outer_diameter: float, obstruction: float = 0.0) -> float:
    """Half-flux diameter of an evenly lit annulus: D √((1+ε²)/2), in the unit of D."""
    return outer_diameter * math.sqrt((1.0 + obstruction**2) / 2.0)


def scale_err(obstruction: float | None) -> float:
    """Return the relative error of a defocus found from sizes, for what is not known of the optics; None: not given."""
    share, err = (USUAL_OBSTRUCTION, USUAL_OBSTRUCTION_ERR) if obstruction is None else (obstruction, OBSTRUCTION_ERR)
    return math.hypot(F_RATIO_ERR, share * err / (1.0 + share**2))


def wing_slope(f_ratio: float, obstruction: float = 0.0) -> float:
    """Growth of the half-flux diameter per defocus far from focus, µm per µm."""
    return donut_hfd(1.0, obstruction) / f_ratio


def um_per_step(slope_px_per_step: float, pixel_um: float, f_ratio: float, obstruction: float = 0.0) -> float:
    """Way of the focal plane per step, in µm, from the slope of the far wings of the curve."""
    return slope_px_per_step * pixel_um / wing_slope(f_ratio, obstruction)


def decimals_of(tolerance_steps: float | None) -> int:
    """Return with how many decimals positions are told and set: none where the focuser counts steps.

    A tolerance of less than half a step is none of a focuser that can be focused: such positions are
    in millimetres, and told to a tenth of the tolerance.
    """
    if not tolerance_steps or tolerance_steps >= 0.5:
        return 0
    return math.ceil(-math.log10(tolerance_steps / 10.0))


def unit_of_positions(said: str | None, tolerance_steps: float | None) -> str:
    """Return what positions are in, a key of `UNIT_WORDS`: as given, else judged by the tolerance, as `decimals_of`."""
    return said or ("mm" if decimals_of(tolerance_steps) else "step")


def noll_z11(rho: Number) -> Number:
    """Return Noll's polynomial of primary spherical aberration, Z11 = √5 (6ρ⁴ - 6ρ² + 1), of rms 1 over the circle.

    Noll 1976, J. Opt. Soc. Am. 66, 207, table I; ρ = 1 at the edge of the aperture.
    """
    return math.sqrt(5.0) * (6.0 * rho**4 - 6.0 * rho**2 + 1.0)
