"""The stages of a focus run: each type knows what the one before knew, and what one more step found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from focuskit.core.calibration import NOTHING_SHOWN, Shown, Spherical
from focuskit.core.matrix import ColourOffset
from focuskit.core.optics import Rig, wing_slope
from focuskit.core.reasons import Reason
from focuskit.curves import CurveFit
from focuskit.night.backlash import Backlash
from focuskit.stars import CommonSizes, MeasuredFrame, StarMatch
from focuskit.sweeps import FocusRun
from focuskit.waves import Aberrations, ProfileFit

# 1 - minor/major axis, of the typical star and along one line. Chosen: guiding and wind leave half of it, and trails
# half as long as stars are wide have it.
_TRAILED = 0.2
_SHALLOW_GROWTH = 1.6  # sizes called flat do not grow by more (focuskit/curves/checks.py)


@dataclass(frozen=True, eq=False)
class MeasuredRun:
    """The frames of a run and the stars that they share.

    Parameters
    ----------
    sweep : FocusRun
        Which frames belong together.
    frames : tuple of MeasuredFrame
        In order of time, as those of ``sweep``.
    match : StarMatch
        The stars that the frames share.
    sizes : CommonSizes
        Their sizes in each frame.
    unread : tuple of (Reason or None)
        Why a frame of a faint run has no size although it may show stars, see `compare_frames`.
    rig : Rig
    wavelength_nm : float
        Effective wavelength of the filter, with a matrix of colours that of green.
    key : str
        Hash of the frames' contents: two runs of one key are the same run.
    """

    sweep: FocusRun
    frames: tuple[MeasuredFrame, ...]
    match: StarMatch
    sizes: CommonSizes
    unread: tuple[Reason | None, ...]
    rig: Rig
    wavelength_nm: float
    key: str

    @property
    def filter(self) -> str | None:
        """The filter of all frames."""
        return self.sweep.filter

    @property
    def start(self) -> datetime | None:
        """Start of the first exposure, UTC."""
        return self.sweep.start

    @property
    def end(self) -> datetime | None:
        """End of the last exposure, UTC."""
        return self.sweep.end

    @property
    def positions(self) -> tuple[float, ...]:
        """Position of each frame, in steps."""
        return self.sweep.positions

    @property
    def directions(self) -> tuple[int, ...]:
        """Direction of each pass: +1 towards larger positions, -1 towards smaller, 0 in no order."""
        return self.sweep.directions

    @property
    def other_fields(self) -> list[Reason | None]:
        """Why a frame does not belong to the run: it shows enough stars, but not those of the others; else None."""
        reason = None if self.fields_differ else Reason("other_field", "its stars are not those of the other frames")
        return [reason if strange else None for strange in self._strange]

    @property
    def fields_differ(self) -> bool:
        """Whether half of the frames or more show enough stars, but not those of the others."""
        return 2 * sum(self._strange) >= len(self.frames)

    @property
    def is_trailed(self) -> bool:
        """Whether the stars of all frames are drawn out along one line, as under a mount that does not follow."""
        good = [frame.image.measured.take(frame.image.measured.good) for frame in self.frames]
        along = np.concatenate([stars.ellipticity * np.exp(2j * np.radians(stars.angle_deg)) for stars in good])
        return bool(along.size) and bool(abs(np.median(along.real) + 1j * np.median(along.imag)) > _TRAILED)

    @property
    def _strange(self) -> list[bool]:
        found = np.isfinite(self.match.shift_px).all(axis=1)
        found |= np.array([why is not None for why in self.unread])
        return ["few_stars" not in frame.flags and not here for frame, here in zip(self.frames, found, strict=True)]

    @property
    def instrument(self) -> str | None:
        """The camera of all frames."""
        return self.sweep.instrument

    @property
    def telescope(self) -> str | None:
        """The telescope of all frames."""
        return self.sweep.telescope

    @property
    def exposure_s(self) -> float | None:
        """Median exposure of the frames."""
        return self.sweep.exposure_s

    @property
    def temperature_c(self) -> float | None:
        """Median temperature of the frames."""
        return self.sweep.temperature_c

    @property
    def camera_setting(self) -> tuple[str | None, str | None, tuple[int, int], int | None, str | None]:
        """Telescope, camera, shape of its frames, rotator in degrees, side of the pier: alike in runs to be pooled."""
        info = self.frames[0].info
        turned = None if info.rotator_deg is None else round(info.rotator_deg)
        return info.telescope, info.instrument, info.shape, turned, info.pier_side


@dataclass(frozen=True, eq=False)
class SizedRun(MeasuredRun):
    """A run whose sizes are fitted.

    Parameters
    ----------
    fit : CurveFit
        Best position and verdict from the sizes.
    backlash : Backlash or None
        What the run shows of the focuser's backlash; None where its frames are too few.
    """

    fit: CurveFit
    backlash: Backlash | None

    @property
    def can_be_shaped(self) -> bool:
        """Whether the shapes of the stars can be fitted: also where the sizes leave open where the best position is."""
        # Sizes that contradict the positions leave nothing for a fit that takes them as told.
        if "upside_down" in self.fit.flags:
            return False
        return "flat_curve" not in self.fit.flags or self._grows_little

    @property
    def _grows_little(self) -> bool:
        """Whether the optics let the sizes hardly grow over the sweep, if its middle is the best position."""
        rig = self.rig
        usual = float(np.nanmedian(self.sizes.hfd_px))
        if not (rig.um_per_step and rig.f_ratio and rig.pixel_um and usual > 0.0):
            return False
        wing = wing_slope(rig.f_ratio, rig.likely_obstruction)
        farthest = 0.5 * float(np.ptp(self.positions)) * rig.um_per_step / rig.pixel_um
        return math.hypot(1.0, wing * farthest / usual) < _SHALLOW_GROWTH


@dataclass(frozen=True, eq=False)
class ShapedRun(SizedRun):
    """A run whose stars are stacked and fitted by their shapes.

    Parameters
    ----------
    profile : ProfileFit or None
        The joint fit of all frames; None where too few stars can be stacked, or it does not converge.
    profile_frames : tuple of int
        The frames that ``profile.frames`` are of.
    shown : Shown
        What this run by itself shows of the telescope.
    aberrations : Aberrations or None
        Coma, astigmatism and smear of the stacked stars; None without the profile fit.
    colours : tuple of ColourOffset, or None
        By how much red and blue focus elsewhere than green; None on a camera of one colour, behind a filter that lets
        one colour through, and without the profile fit.
    lost_stacks : tuple of int
        The frames whose stars should have been stacked, but could not: gone, or no memory for them.
    """

    profile: ProfileFit | None = None
    profile_frames: tuple[int, ...] = ()
    shown: Shown = NOTHING_SHOWN
    aberrations: Aberrations | None = None
    colours: tuple[ColourOffset, ...] | None = None
    lost_stacks: tuple[int, ...] = ()

    @property
    def spherical(self) -> Spherical | None:
        """What this run by itself shows of the telescope's spherical aberration."""
        return self.shown.spherical
