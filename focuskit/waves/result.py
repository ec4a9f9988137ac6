"""What goes into the profile fit of a run, and what it says: of the run, and of each of its frames."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from focuskit.core.calibration import Seeing, SeenOptics
from focuskit.core.optics import ARCSEC_PER_RADIAN, GIVEN, OpticsErrors, Rig
from focuskit.core.reasons import Reason
from focuskit.waves.stack import FrameProfile


@dataclass(frozen=True)
class RunProfiles:
    """The stacked profiles of one run, which of its frames they belong to, and which of them take no part.

    ``errors`` is how well the numbers of the rig are known, ``optics`` what the run by itself shows of those that were
    not given.
    """

    profiles: tuple[FrameProfile, ...]
    frames: tuple[int, ...]
    rig: Rig
    wavelength_um: float
    aside: tuple[bool, ...] = ()
    errors: OpticsErrors = GIVEN
    optics: SeenOptics | None = None


@dataclass(frozen=True)
class FrameFit:
    """What a run's fit says of one frame.

    ``defocus_um`` is signed, positive above the best position; ``own_defocus_um`` is what the frame's
    stars say of it by themselves, whatever the focuser says. ``chi2`` has ``dof`` degrees of freedom. ``seeing_um`` and
    ``seeing_arcsec`` are the FWHM, None for a frame that took no part, the latter without a focal length too.
    ``why_not_used`` is None for a frame that took part.
    """

    position: float
    defocus_um: float
    defocus_err_um: float
    own_defocus_um: float
    own_defocus_err_um: float
    seeing_um: float | None
    seeing_arcsec: float | None
    chi2: float | None
    dof: int
    used: bool
    why_not_used: Reason | None


@dataclass(frozen=True)
class ProfileFit:
    """Joint fit of the profiles of a run.

    Parameters
    ----------
    best_position, err : float
        Position of minimum half-flux diameter, in steps, and its standard deviation. It includes the uncertainty of
        the spherical term and the typical seeing, not that of a given obstruction, which all runs share.
    optics_err : float
        The part of ``err`` that comes from a focal ratio or pixel found from the frames, in steps; 0 where given.
    um_per_step, um_per_step_err : float
        The error includes the uncertainty of focal ratio and obstruction.
    slope_factor : float or None
        ``um_per_step`` over the rig's; None where the rig's is not known.
    spherical_waves, spherical_err : float
        Noll's Z11 in waves rms; its sign is for positions that grow outwards.
    seeing_scatter : float
        Standard deviation of ln(seeing) from frame to frame.
    seeing_exponent, seeing_exponent_err : float
        Exponent of the seeing's transfer function, common to the run: 5/3 for Kolmogorov.
    log_seeing, log_seeing_err : float
        Mean of ln(FWHM in µm) of the law that the frames' seeings are drawn from, and its standard deviation.
    best_per_log_seeing : float
        By how many steps the best position moves with that mean: with aberrations, the position of minimum HFD
        depends on the seeing.
    chi2_reduced : float
    matches : bool
        False where the frames depart from the model by more than chance; errors then come from their scatter.
    rig : Rig
        The rig of the model, its gaps filled.
    errors : OpticsErrors
        How well its numbers are known. Where ``errors.in_um`` is False, all that is in µm has no known scale.
    frames : tuple of FrameFit
        In the order given.
    star_shares : array, shape (frames, stacked stars)
        By how much the best position moves with the focus of each star in each frame. They sum to 1; frames near
        focus may have a little below 0.
    """

    best_position: float
    err: float
    optics_err: float
    um_per_step: float
    um_per_step_err: float
    slope_factor: float | None
    spherical_waves: float
    spherical_err: float
    seeing_scatter: float
    seeing_exponent: float
    seeing_exponent_err: float
    log_seeing: float
    log_seeing_err: float
    best_per_log_seeing: float
    chi2_reduced: float
    matches: bool
    converged: bool
    rig: Rig
    errors: OpticsErrors
    frames: tuple[FrameFit, ...] = field(repr=False)
    star_shares: np.ndarray = field(repr=False, compare=False)

    def seeing(self, wavelength_um: float) -> Seeing | None:
        """Return the typical seeing of the run, by itself; None without a focal length."""
        arcsec = [frame.seeing_arcsec for frame in self.frames if frame.seeing_arcsec]
        if not arcsec:
            return None
        return Seeing.seen_at(wavelength_um, float(np.log(arcsec).mean()), self.seeing_scatter**2 / len(arcsec))

    def in_seeing(self, log_seeing: float, err: float) -> ProfileFit:
        """Return the fit with the best position for a typical seeing that is known better: ln(FWHM in µm), error."""
        move = self.best_per_log_seeing * (log_seeing - self.log_seeing)
        variance = self.err**2 + self.best_per_log_seeing**2 * (err**2 - self.log_seeing_err**2)
        frames = tuple(
            replace(
                frame,
                defocus_um=frame.defocus_um - move * self.um_per_step,
                own_defocus_um=frame.own_defocus_um - move * self.um_per_step,
            )
            for frame in self.frames
        )
        return replace(
            self, best_position=self.best_position + move, err=math.sqrt(variance), frames=frames,
            log_seeing=log_seeing, log_seeing_err=err,
        )  # fmt: skip


def in_arcsec(seeing_um: float | None, rig: Rig) -> float | None:
    """Return a width in the focal plane as an angle; None where either is not known."""
    if seeing_um is None or rig.focal_length_mm is None:
        return None
    return float(seeing_um) * 1e-3 / rig.focal_length_mm * ARCSEC_PER_RADIAN
