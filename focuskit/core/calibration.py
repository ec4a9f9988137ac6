"""What single runs show of one telescope and of the seeing, handed on to the analysis of other runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from focuskit.core.optics import GIVEN, OpticsErrors, Rig, fill_gaps

# Telescopes and lenses have f/1.4 to f/20, pixels 1.4 to 15 µm (common practice, no source).
F_RATIOS, PIXELS_UM = (1.4, 20.0), (1.4, 15.0)
MOST_OBSTRUCTION = 0.75  # chosen: half as much again as the largest usual one
# Of ln(focal ratio) and obstruction before anything is seen: a flat law over the range of f-ratios, over the usual
# obstructions.
OPTICS_PRIOR_ERRS = (math.log(F_RATIOS[1] / F_RATIOS[0]) / math.sqrt(12.0), 0.2)
# Errors of ln(focal ratio) and of the obstruction on top of the noise, however many runs show them. Chosen, not fitted.
# Simulated clean runs give the obstruction to 0.01, but tilt and aberrations change donuts much as it does: by 0.03 in
# a field tilted by 160 µm, more in worse ones. For the focal ratio the same number was taken; simulated runs give it to
# 0.01 to 0.05.
FOUND_ERRS = (0.05, 0.05)
# A side of focus counts as known from this probability on: that of two standard deviations, one tail.
SIDE_KNOWN = 0.975
# Before anything is known of the telescope: a well corrected one has a few hundredths of a wave of aberration.
SPHERICAL_PRIOR = (0.0, 0.03)
# Relative, of a step of the focuser from place to place of its travel: chosen, as screws and gears are cut to some
# tenths of a per cent (common practice, no source).
_STEP_ERR = 0.003


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

    @property
    def information(self) -> np.ndarray:
        """Inverse of the covariance of ln(ratio) and obstruction, shape (2, 2)."""
        errs = np.array([self.log_ratio_err, self.obstruction_err])
        apart = np.array([[1.0, self.correlation], [self.correlation, 1.0]])
        return np.asarray(np.linalg.inv(apart * np.outer(errs, errs)))

    def place(self, pixel_um: float | None) -> np.ndarray:
        """Return ln(ratio) and obstruction for pixels of another size, shape (2,)."""
        binned = math.log(self.pixel_um / pixel_um) if self.pixel_um and pixel_um else 0.0
        return np.array([self.log_ratio + binned, self.obstruction])


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

    def um(self, rig: Rig, in_um: bool = True) -> float:
        """Return the µm per step; ``rig`` stands for optics that were not given, see `pool_steps`."""
        pixel_um, f_ratio = (self.pixel_um, self.f_ratio) if in_um else (None, None)
        return self.px * (pixel_um or rig.pixel_um or 1.0) * (f_ratio or rig.f_ratio or 1.0)


@dataclass(frozen=True)
class SeenWings:
    """Exponent of the seeing's transfer function by one run, and its standard error."""

    exponent: float
    err: float


@dataclass(frozen=True)
class SeenSide:
    """What is left of the distances of a run's frames on one side of focus, each measured as a single frame.

    Parameters
    ----------
    mean_um, err_um : float
        Mean of a frame's own distance from focus less the run's, and its standard error.
    frames : float
        How many they were.
    excess_um2 : float
        By how much the variance of these differences is larger than their noise makes it; 0 for a single frame.
    nearest_um, farthest_um : float
        The range of their distances.
    direction : float
        In which direction the focuser had come: 1 towards larger positions, -1 towards smaller ones, 0 both.
    wavelength_um : float
    """

    mean_um: float
    err_um: float
    frames: float
    excess_um2: float
    nearest_um: float
    farthest_um: float
    direction: float
    wavelength_um: float


# What the logbook keeps of each run, in columns called after the part and its field.
PARTS = {"spherical": Spherical, "seeing": Seeing, "optics": SeenOptics, "step": SeenStep, "wings": SeenWings,
         "outside": SeenSide, "inside": SeenSide}  # fmt: skip


@dataclass(frozen=True)
class Shown:
    """What one run by itself shows of its telescope; None where it does not."""

    spherical: Spherical | None = None
    optics: SeenOptics | None = None
    step: SeenStep | None = None
    wings: SeenWings | None = None
    outside: SeenSide | None = None
    inside: SeenSide | None = None


NOTHING_SHOWN = Shown()


@dataclass(frozen=True)
class Calibration:
    """What several runs of one telescope show, each by itself, in order of the runs."""

    spherical: tuple[Spherical, ...] = ()
    seeing: tuple[Seeing, ...] = ()
    optics: tuple[SeenOptics, ...] = ()
    step: tuple[SeenStep, ...] = ()
    wings: tuple[SeenWings, ...] = ()
    outside: tuple[SeenSide, ...] = ()
    inside: tuple[SeenSide, ...] = ()


@dataclass(frozen=True)
class Expected:
    """Best position that logged runs make likely for a frame, and its standard error, in steps."""

    position: float
    err: float


def pool_optics(known: Sequence[SeenOptics], pixel_um: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Return ln(focal ratio over pixel) and obstruction by several runs, shape (2,), and their covariance.

    The covariance is that of noise, wider where runs disagree by more than it, of `FOUND_ERRS`, and of what is known of
    any telescope.
    """
    parts = [(one.place(pixel_um), one.information) for one in known]
    total = sum((info for _, info in parts), np.zeros((2, 2)))
    middle = np.linalg.solve(total, sum((info @ place for place, info in parts), np.zeros(2)))
    apart = sum(float((place - middle) @ info @ (place - middle)) for place, info in parts)
    seen = np.array([[one.log_ratio_err, one.obstruction_err] for one in known]) < OPTICS_PRIOR_ERRS
    free = int(seen.sum()) - int(seen.any(axis=0).sum())
    noise = np.linalg.inv(total / max(1.0, apart / max(free, 1)))
    found = np.linalg.inv(noise + np.diag(np.square(FOUND_ERRS)))
    return middle, np.linalg.inv(found + np.diag(np.square(OPTICS_PRIOR_ERRS) ** -1.0))


def optics_of(rig: Rig, known: Calibration) -> tuple[Rig, OpticsErrors] | None:
    """Return a rig with its gaps filled by what its logged runs show; None where they show nothing."""
    if not known.optics:
        return None
    place, covariance = pool_optics(known.optics, rig.pixel_um)
    errors = math.sqrt(covariance[0, 0]), math.sqrt(covariance[1, 1])
    in_px = Rig(pixel_um=1.0, focal_ratio=1.0)
    px_per_step = math.exp(pool_steps(known.step, in_px, OpticsErrors(in_um=False))[0]) if known.step else None
    return fill_gaps(rig, float(place[0]), min(abs(float(place[1])), MOST_OBSTRUCTION), errors, px_per_step)


def pool_steps(known: Sequence[SeenStep], rig: Rig, errors: OpticsErrors = GIVEN) -> tuple[float, float]:
    """Return ln(µm per step) by several runs, and its error; runs that disagree by more than their errors widen it.

    Parameters
    ----------
    known : sequence of SeenStep
        One or more.
    rig : Rig
        Without gaps. A focuser's step is the same behind other optics.
    errors : OpticsErrors
        How well its numbers are known. With an obstruction that was found donuts grow with its error, which differs
        from night to night.
    """
    logs, weight = np.log([one.um(rig, errors.in_um) for one in known]), np.array([one.err**-2 for one in known])
    middle = float(weight @ logs / weight.sum())
    excess = float(weight @ (logs - middle) ** 2) / max(len(known) - 1, 1)
    share = rig.likely_obstruction
    by_hole = share * errors.obstruction / (1.0 + share**2) if "obstruction" in errors.found else 0.0
    return middle, math.hypot(math.sqrt(max(1.0, excess) / float(weight.sum())), _STEP_ERR, by_hole)


def pool_spherical(known: Sequence[Spherical], wavelength_um: float) -> tuple[float, float]:
    """Return value and error of the spherical term from other runs, in waves at one wavelength.

    What each run took from the wide prior is taken out first, and the prior put in once; runs that
    disagree by more than their errors widen the error. Without any, the wide prior.
    """
    value, precision = 0.0, 0.0
    parts = []
    for one in known:
        prior = SPHERICAL_PRIOR[1] * one.wavelength_um
        own = max(1.0 / one.err_um**2 - 1.0 / prior**2, 1e-9)
        parts.append((one.path_um / one.err_um**2 / own, own))
        value += one.path_um / one.err_um**2
        precision += own
    middle = value / precision if known else 0.0
    excess = sum(own * (path - middle) ** 2 for path, own in parts) / max(len(parts) - 1, 1)
    precision /= max(1.0, excess)
    wide = 1.0 / (SPHERICAL_PRIOR[1] * wavelength_um) ** 2
    total = precision + wide
    return middle * precision / total / wavelength_um, 1.0 / math.sqrt(total) / wavelength_um
