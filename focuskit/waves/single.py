"""Defocus of a single frame, from the shape of its stars: how far from focus it is on either side.

Far from focus a frame shows its distance sharply, once for each side: two narrow peaks of the likelihood, each with its
error. Near focus the likelihood is flat in the square of the distance: it is followed over both sides at once, and
gives a limit. Spherical aberration is taken as known with its error, and is not learned from one frame.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from focuskit.core.optics import TOLERATED_GROWTH, Rig
from focuskit.core.reasons import Reason
from focuskit.frames import Limits
from focuskit.stars import MeasuredFrame
from focuskit.waves.fit import SPHERICAL_PRIOR, model_for
from focuskit.waves.model import ProfileModel, fwhm_factor
from focuskit.waves.one_frame import Hill, Peak, first_look, fit_peak, hill_near, over_spherical
from focuskit.waves.result import in_arcsec
from focuskit.waves.solve import EXPONENT_PRIOR, Data, prepare
from focuskit.waves.stack import FrameProfile, StackTask, stack_radius_px
from focuskit.waves.stack_files import stack_or_say

Array = NDArray[np.float64]

_LOOK_NEAR = 1.2  # waves: nearer than this the coarse grid does not show whether focus itself is possible; chosen


@dataclass(frozen=True)
class SideDefocus:
    """Distance from the position of least HFD if the detector is on one side of it.

    Parameters
    ----------
    distance_um : float
    noise_um : float
        Standard deviation from noise, seeing and what the model misses.
    by_spherical_um : float
        From what is not known of the spherical aberration: it moves the best positions of all frames by the same.
    """

    distance_um: float
    noise_um: float
    by_spherical_um: float = 0.0

    @property
    def err_um(self) -> float:
        """Standard deviation of the distance."""
        return math.hypot(self.noise_um, self.by_spherical_um)


@dataclass(frozen=True, eq=False)
class Defocus:
    """Defocus of one frame by itself.

    Parameters
    ----------
    outside : float
        Probability that the detector lay outside focus: one half where no aberration shows it.
    sides : (SideDefocus, SideDefocus)
        If it lay outside, and inside.
    places_um, density : arrays or None
        Near focus, where both sides run into one another: probability of each signed distance, as a density per µm.
    growth : float
        The half-flux diameter over what it had been in focus, in the same seeing.
    seeing_um, seeing_arcsec : float, float or None
        FWHM of the seeing.
    chi2_reduced : float
    tolerance_um : float
        Distance from focus that costs 5 % in half-flux diameter, in this seeing.
    """

    outside: float
    sides: tuple[SideDefocus, SideDefocus]
    growth: float
    seeing_um: float
    seeing_arcsec: float | None
    chi2_reduced: float
    tolerance_um: float
    places_um: Array | None = None
    density: Array | None = None

    @property
    def defocus_um(self) -> float:
        """Distance from focus, whatever the side."""
        return self.outside * self.sides[0].distance_um + (1.0 - self.outside) * self.sides[1].distance_um

    @property
    def defocus_err_um(self) -> float:
        """Its standard deviation, which contains by how much the sides differ."""
        chances = (self.outside, 1.0 - self.outside)
        mean = self.defocus_um
        parts = zip(chances, self.sides, strict=True)
        return math.sqrt(sum(p * (one.err_um**2 + (one.distance_um - mean) ** 2) for p, one in parts))

    def within(self, distance_um: float, shares: tuple[float, float] | None = None) -> float:
        """Return the probability of being no further from focus than ``distance_um``.

        ``shares`` are the probabilities of both sides where they are known better than from the frame.
        """
        chances = shares or (self.outside, 1.0 - self.outside)
        if self.places_um is None or self.density is None:
            return float(sum(
                p * (ndtr((distance_um - one.distance_um) / one.err_um)
                     - ndtr((-distance_um - one.distance_um) / one.err_um))
                for p, one in zip(chances, self.sides, strict=True)
            ))  # fmt: skip
        return float(np.interp(distance_um, *self._shares_within(chances)))

    def limit_um(self, shares: tuple[float, float] | None = None, confidence: float = 0.95) -> float | None:
        """Return the distance that is not exceeded with this probability; None where the distance is known from 0."""
        if self.places_um is None or self.density is None:
            return None
        edges, within = self._shares_within(shares or (self.outside, 1.0 - self.outside))
        return float(np.interp(confidence, within, edges))

    def _shares_within(self, chances: tuple[float, float]) -> tuple[Array, Array]:
        """Return distances, and the probability of being no further from focus, with those of the sides as given."""
        assert self.places_um is not None and self.density is not None
        half = self.places_um.size // 2
        outside, inside = self.density[half:], self.density[:half][::-1]
        parts = [p * part / max(float(part.sum()), 1e-300) for p, part in zip(chances, (outside, inside), strict=True)]
        step = self.places_um[1] - self.places_um[0]
        within = np.cumsum(parts[0] + parts[1])
        return np.append(0.0, self.places_um[half:] + 0.5 * step), np.append(0.0, within / within[-1])


def stack_single(frame: MeasuredFrame, limits: Limits | None = None) -> FrameProfile | Reason | None:
    """Read a frame again and stack its good stars; None where no star is whole, the reason where it cannot be read."""
    seen = frame.image.measured
    stars = seen.take(seen.good)
    if frame.hfd_px is None:
        return None
    task = StackTask(
        path=frame.info.path,
        x_px=stars.x_px,
        y_px=stars.y_px,
        flux=stars.flux_adu,
        sky=frame.image.sky.at(stars.x_px, stars.y_px),
        noise=frame.image.noise_adu,
        radius_px=stack_radius_px(frame.hfd_px),
        position=frame.info.position or 0.0,
        gain=frame.info.gain,
        known=np.stack((seen.x_px, seen.y_px), axis=1),
        sites=frame.info.sites(),
        plane=frame.info.plane(),
    )
    return stack_or_say(task, limits)


def measure_defocus(
    frame: FrameProfile,
    rig: Rig,
    wavelength_um: float,
    spherical: tuple[float, float] = SPHERICAL_PRIOR,
    exponent: tuple[float, float] = EXPONENT_PRIOR,
) -> Defocus:
    """Measure the defocus of a single frame, e.g. an ordinary light frame or one taken out of focus on purpose.

    The sign stays open: an image says how far, hardly to which side. So the distance is given for either side, with the
    seeing and its exponent free.

    Parameters
    ----------
    spherical : (float, float)
        What is known of the telescope's spherical aberration: value and error, waves rms.
    exponent : (float, float)
        What is known of the exponent of the seeing's transfer function: value and standard deviation.

    Raises
    ------
    FocuskitError
        If the rig lacks a number the model needs.
    """
    model = model_for([frame], rig, wavelength_um)
    data = replace(prepare(model, [frame]), position=np.zeros(1))
    freedom = max(int(data.dof[0]) - 2, 1)
    waves, curve, widths = first_look(model, data)

    def width_at(distance: Array) -> Array:
        return np.asarray(np.interp(distance, waves, widths))

    first, hill = float(waves[curve.argmin()]), None
    if first < _LOOK_NEAR:
        shift = _shift(model, spherical[0], float(width_at(np.array(first))), exponent[0])
        reach = min(2.0 * _LOOK_NEAR, model.waves_max)
        hill = hill_near(model, data, width_at, reach, spherical, exponent, shift, freedom)
        first = hill.peak
    peaks = [
        fit_peak(model, data, (side * first, float(width_at(np.array(first))), exponent[0]), spherical[0], exponent)
        for side in (1.0, -1.0)
    ]
    best = min(peaks, key=lambda peak: peak.chi2)
    shift = _shift(model, spherical[0], best.log_seeing, best.exponent)
    if hill is None or hill.is_far:
        hill = None
        outside, found = _far(model, data, peaks, spherical, exponent, shift, max(1.0, best.chi2 / freedom))
    else:
        outside, found = _of_hill(hill)
    sides = [SideDefocus(*(model.um_per_wave * value for value in one)) for one in found]
    hfd_um = partial(
        model.hfd_um, seeing_um=math.exp(best.log_seeing), spherical_waves=spherical[0], exponent=best.exponent
    )
    least = shift * spherical[0]
    mean = outside * sides[0].distance_um + (1.0 - outside) * sides[1].distance_um
    away, in_focus = mean / model.um_per_wave, hfd_um(least)
    seeing_um = fwhm_factor(best.exponent) * math.exp(best.log_seeing)
    return Defocus(
        outside=outside,
        sides=(sides[0], sides[1]),
        growth=max((outside * hfd_um(least + away) + (1.0 - outside) * hfd_um(least - away)) / in_focus, 1.0),
        seeing_um=seeing_um,
        seeing_arcsec=in_arcsec(seeing_um, rig),
        chi2_reduced=best.chi2 / freedom,
        tolerance_um=_tolerance_waves(lambda away: hfd_um(least + away) / in_focus) * model.um_per_wave,
        places_um=hill.places * model.um_per_wave if hill else None,
        density=hill.density / model.um_per_wave if hill else None,
    )


def _tolerance_waves(growth: Callable[[float], float]) -> float:
    """Return the distance at which the size has grown as far as is tolerated."""
    reach = 0.5
    while growth(reach) < TOLERATED_GROWTH:
        reach *= 2.0
    return float(brentq(lambda away: growth(away) - TOLERATED_GROWTH, 0.0, reach, xtol=1e-3))


def distance_on_side(
    frame: FrameProfile,
    rig: Rig,
    wavelength_um: float,
    spherical_waves: float,
    exponent: tuple[float, float],
    side: float,
    near_um: float,
) -> SideDefocus:
    """Return the distance from focus of a frame whose side and rough distance are known, far from focus.

    It is what `measure_defocus` gives for that side with the aberration known; ``side`` is 1 outside, -1 inside.
    """
    model = model_for([frame], rig, wavelength_um)
    data = replace(prepare(model, [frame]), position=np.zeros(1))
    waves, _, widths = first_look(model, data)
    distance = near_um / model.um_per_wave
    start = (side * distance, float(np.interp(distance, waves, widths)), exponent[0])
    peak = fit_peak(model, data, start, spherical_waves, exponent)
    shift = _shift(model, spherical_waves, peak.log_seeing, peak.exponent)
    excess = max(1.0, peak.chi2 / max(int(data.dof[0]) - 2, 1))
    return SideDefocus(
        side * (peak.waves - shift * spherical_waves) * model.um_per_wave,
        math.sqrt(excess * peak.variance) * model.um_per_wave,
    )


def _shift(model: ProfileModel, spherical_waves: float, log_seeing: float, exponent: float) -> float:
    """Return the defocus of least HFD per wave of the spherical term."""
    amount = math.copysign(max(abs(spherical_waves), 0.01), spherical_waves)
    return model.least_hfd_waves(math.exp(log_seeing), amount, exponent) / amount


def _far(
    model: ProfileModel,
    data: Data,
    peaks: list[Peak],
    spherical: tuple[float, float],
    usual: tuple[float, float],
    shift: float,
    excess: float,
) -> tuple[float, list[tuple[float, float, float]]]:
    """Return the probability of outside, and the numbers of both sides in waves: see `SideDefocus`."""
    nodes, rule = over_spherical(spherical)
    found: list[tuple[float, float, float]] = []
    evidence = []
    for side, peak in zip((1.0, -1.0), peaks, strict=True):
        start = (peak.waves, peak.log_seeing, peak.exponent)
        at = [peak, *(fit_peak(model, data, start, known, usual) for known in nodes[1:])]
        evidence.append(np.array([one.evidence / excess for one in at]))
        distance = np.array([side * (one.waves - shift * known) for one, known in zip(at, nodes, strict=True)])
        # About the distance at the likeliest aberration: the mean over all is drawn off by the square of its error.
        by_spherical = math.sqrt(float(rule @ (distance - distance[0]) ** 2))
        found.append((float(distance[0]), math.sqrt(excess * peak.variance), by_spherical))
    chances = 1.0 / (1.0 + np.exp(np.clip(evidence[1] - evidence[0], -500.0, 500.0)))
    return float(rule @ chances), found


def _of_hill(hill: Hill) -> tuple[float, list[tuple[float, float, float]]]:
    """Return the same of a frame near focus, whose errors are not told apart."""
    chances, found = [], []
    for side in (1.0, -1.0):
        distance = side * hill.places
        weight = np.where(distance > 0.0, hill.density, 0.0)
        chances.append(max(float(weight.sum()), 1e-300))
        mean = float(weight @ distance) / chances[-1]
        found.append((mean, math.sqrt(float(weight @ (distance - mean) ** 2) / chances[-1]), 0.0))
    return chances[0] / sum(chances), found
