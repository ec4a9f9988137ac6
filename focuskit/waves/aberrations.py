"""Coma, astigmatism and smear of a run's stars: what was found, in numbers and in plain words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.optics import TOLERATED_GROWTH
from focuskit.core.statistics import SEEN_SIGMA, as_sigma, f_chance
from focuskit.core.text import round_pair

_DIRECTIONS = ("right", "bottom right", "bottom", "bottom left", "left", "top left", "top", "top right")
_AXES = ("the rows", "the line from top left to bottom right", "the columns", "the line from bottom left to top right")
_GAUSS = 8.0 * math.log(2.0)  # (FWHM / σ)²: a Gaussian's half-flux diameter is its FWHM


@dataclass(frozen=True)
class Amount:
    """Something with a size and a direction: its components, their common error, its significance.

    ``cosine`` and ``sine`` are of the angle (coma) or of twice the angle (astigmatism, smear), which counts
    from the rows of the image, +x, towards +y, down its columns. ``sigma`` tells the chance of as much
    without any, in standard deviations; ``freedom`` the degrees of freedom that ``err`` rests on.
    """

    cosine: float
    sine: float
    err: float
    sigma: float
    freedom: int

    @property
    def size(self) -> float:
        """Return the amount, √(cosine² + sine²)."""
        return math.hypot(self.cosine, self.sine)

    @property
    def seen(self) -> bool:
        """Whether it stands out of its error."""
        return self.sigma > SEEN_SIGMA

    @property
    def limit(self) -> float:
        """An amount above this would have been seen (two standard deviations above what was found)."""
        return self.size + 2.0 * self.err

    @property
    def angle_deg(self) -> float:
        """Return the angle of the components, from -180° to 180°: for twice the angle, twice the axis."""
        return math.degrees(math.atan2(self.sine, self.cosine))

    def times(self, factor: float) -> Amount:
        """Return the amount in another unit."""
        return replace(self, cosine=factor * self.cosine, sine=factor * self.sine, err=factor * self.err)


def make_amount(cosine: float, sine: float, err: float, freedom: int) -> Amount:
    """Return an amount with its significance, by Fisher's law of two components and ``freedom``."""
    chance = f_chance((cosine**2 + sine**2) / err**2 / 2.0, 2, freedom)
    return Amount(cosine, sine, err, as_sigma(chance), freedom)


@dataclass(frozen=True)
class Aberrations:
    """Coma, astigmatism and smear of a run's stars, the mean over the sensor.

    Parameters
    ----------
    coma : Amount
        Noll's (Z8, Z7) in waves rms over the full circle. Its direction is the one in which the hole of a
        donut lies off the centre, on both sides of focus; in focus the tails of stars point the other way.
    astigmatism : Amount
        Noll's (Z6, Z5) in waves rms. Stars are drawn out along its axis at positions above the best, across
        it below.
    smear : Amount
        Variance of a star's light along the axis less that across, px², at all positions alike.
    frames, zones : int
        Frames that it rests on, and parts of the sensor that had stars.
    f_ratio, obstruction, pixel_um, wavelength_um : float
    hfd_px : float
        Least half-flux diameter of the run.
    elongation_per_px2 : float
        By how much 1 px² of smear makes stars in focus longer than wide, at half their height.
    """

    coma: Amount
    astigmatism: Amount
    smear: Amount
    frames: int
    zones: int
    f_ratio: float
    obstruction: float
    pixel_um: float
    wavelength_um: float
    hfd_px: float
    elongation_per_px2: float

    @property
    def hole_px(self) -> float:
        """How far the hole of a donut lies off its centre, px: 12 √8 (1 - ε²) c λN; 0 without a hole.

        The rays of the ring ρ of the pupil make a ring whose centre is displaced by 2 λN √8 (6ρ² - 2) c:
        twice the mean gradient of Noll's Z8, √8 (3ρ³ - 2ρ) cos θ, as the rays' slope has it.
        """
        if self.obstruction == 0.0:
            return 0.0
        return 12.0 * math.sqrt(8.0) * (1.0 - self.obstruction**2) * self.coma.size * self._unit_px

    @property
    def line_foci(self) -> Amount:
        """The astigmatism as the distance between the two line foci, µm: 16 √6 N² λ a."""
        return self.astigmatism.times(16.0 * math.sqrt(6.0) * self.f_ratio**2 * self.wavelength_um)

    @property
    def coma_growth(self) -> float:
        """By which factor coma enlarges the least half-flux diameter, by the rays' scatter."""
        square = (1.0 + self.obstruction**2) / 2.0
        fourth = (1.0 + self.obstruction**2 + self.obstruction**4) / 3.0
        # Mean square gradient of Z8 over the annulus, less that of the mean.
        scatter = 8.0 * (0.5 * (90.0 * fourth - 48.0 * square + 8.0) - (6.0 * square - 2.0) ** 2)
        return self._growth(2.0 * scatter * (self.coma.size * self._unit_px) ** 2)

    @property
    def astigmatism_growth(self) -> float:
        """By which factor astigmatism enlarges the least half-flux diameter."""
        return self._growth(24.0 * (1.0 + self.obstruction**2) * (self.astigmatism.size * self._unit_px) ** 2)

    @property
    def smear_growth(self) -> float:
        """By which factor the smear enlarges the least half-flux diameter."""
        return self._growth(0.5 * self.smear.size)

    @property
    def elongation(self) -> Amount:
        """By how much stars in focus are longer than wide at half their height: the ratio less 1."""
        return self.smear.times(self.elongation_per_px2)

    @property
    def flags(self) -> tuple[str, ...]:
        """Flags of what is seen and costs at least 5 % in size, from the registry."""
        found = (
            ("coma_seen", self.coma, self.coma_growth),
            ("astigmatism_seen", self.astigmatism, self.astigmatism_growth),
            ("stars_drawn_out", self.smear, self.smear_growth),
        )
        return flags.check([name for name, amount, growth in found if amount.seen and growth >= TOLERATED_GROWTH])

    @property
    def hints(self) -> tuple[str, str, str]:
        """What the numbers say of coma, astigmatism and smear, in plain words, one sentence each."""
        return self._coma_hint(), self._astigmatism_hint(), self._smear_hint()

    def _coma_hint(self) -> str:
        if not self.coma.seen:
            return f"no coma seen, below {_digits(self.coma.limit)} waves rms"
        tail = _DIRECTIONS[round((self.coma.angle_deg + 180.0) / 45.0) % 8]
        hole = ""
        if self.obstruction:
            value, err = round_pair(self.hole_px, self.hole_px * self.coma.err / self.coma.size)
            towards = _DIRECTIONS[round(self.coma.angle_deg / 45.0) % 8]
            hole = f", the hole of a donut lies {value} ± {err} px off its centre towards the {towards}"
        return (
            f"a hint of coma, {_pair(self.coma)} waves rms: the tails of stars in focus point to the {tail} of the "
            f"image{hole}; it {_cost(self.coma_growth)}"
        )

    def _astigmatism_hint(self) -> str:
        if not self.astigmatism.seen:
            return (
                f"no astigmatism seen, below {_digits(self.astigmatism.limit)} waves rms "
                f"({_digits(self.line_foci.limit)} µm between the line foci)"
            )
        return (
            f"a hint of astigmatism, {_pair(self.astigmatism)} waves rms ({_pair(self.line_foci)} µm between the line "
            f"foci): stars are drawn out along {_axis(self.astigmatism)} at positions above the best and across it "
            f"below; it {_cost(self.astigmatism_growth)}"
        )

    def _smear_hint(self) -> str:
        if not self.smear.seen:
            return f"no lasting elongation seen, below {_digits(100.0 * self.elongation.limit)} % in focus"
        return (
            f"a hint of guiding or wind: stars are drawn out along {_axis(self.smear)} at all positions, in focus by "
            f"{_pair(self.elongation.times(100.0))} %; it {_cost(self.smear_growth)}"
        )

    @property
    def _unit_px(self) -> float:
        return self.wavelength_um * self.f_ratio / self.pixel_um

    def _growth(self, variance_px2: float) -> float:
        """Return the growth of the half-flux diameter by a variance along each axis, as of a Gaussian."""
        return math.sqrt(1.0 + _GAUSS * variance_px2 / self.hfd_px**2)

    def to_json(self) -> dict[str, Any]:
        """Return the shapes for JSON; directions in degrees from +x, the rows, towards +y, down the columns."""
        return {
            "coma_waves": self.coma.size,
            "coma_err_waves": self.coma.err,
            "coma_sigma": self.coma.sigma,
            "donut_hole_direction_deg": self.coma.angle_deg,
            "donut_hole_off_px": self.hole_px if self.obstruction else None,
            "astigmatism_waves": self.astigmatism.size,
            "astigmatism_err_waves": self.astigmatism.err,
            "astigmatism_sigma": self.astigmatism.sigma,
            "astigmatism_axis_deg": 0.5 * self.astigmatism.angle_deg,
            "line_foci_um": self.line_foci.size,
            "elongation": self.elongation.size,
            "elongation_err": self.elongation.err,
            "elongation_sigma": self.elongation.sigma,
            "elongation_axis_deg": 0.5 * self.smear.angle_deg,
            "hints": list(self.hints),
        }


def pool_aberrations(shapes: Sequence[Aberrations]) -> Aberrations:
    """Return the mean of several runs, weighted by their errors, which differences beyond them widen.

    Waves are those of the first run; at other wavelengths the same error of the mirrors is another part of a wave.
    """
    first = shapes[0]

    def pooled(amounts: Sequence[Amount]) -> Amount:
        weight = np.array([1.0 / a.err**2 for a in amounts])
        values = np.array([(a.cosine, a.sine) for a in amounts])
        mean = weight @ values / weight.sum()
        beyond = float((weight[:, None] * (values - mean) ** 2).sum()) / max(2 * (len(amounts) - 1), 1)
        # What the runs share, such as the model's error, does not shrink with their number.
        err = max(math.sqrt(max(1.0, beyond) / float(weight.sum())), 0.5 * min(a.err for a in amounts))
        return make_amount(float(mean[0]), float(mean[1]), err, sum(a.freedom for a in amounts))

    return replace(
        first,
        coma=pooled([s.coma.times(s.wavelength_um / first.wavelength_um) for s in shapes]),
        astigmatism=pooled([s.astigmatism.times(s.wavelength_um / first.wavelength_um) for s in shapes]),
        smear=pooled([s.smear for s in shapes]),
        frames=sum(s.frames for s in shapes),
        zones=max(s.zones for s in shapes),
        hfd_px=float(np.median([s.hfd_px for s in shapes])),
    )


def _pair(amount: Amount) -> str:
    return " ± ".join(part for part in round_pair(amount.size, amount.err) if part)


def _digits(value: float) -> str:
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}" if value > 0 else "0"


def _axis(amount: Amount) -> str:
    """Name an axis; one angle says it all, counted from the rows of the image towards its bottom."""
    return f"{_AXES[round(amount.angle_deg / 90.0) % 4]} of the image ({0.5 * amount.angle_deg % 180.0:.0f}°)"


def _cost(growth: float) -> str:
    if growth < TOLERATED_GROWTH:
        return "does no harm"
    return f"costs {100.0 * (growth - 1.0):.0f} % in size"
