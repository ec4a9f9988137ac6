"""What a light frame lost of its depth: to focus, seeing, cloud or smear."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from focuskit.stars import MeasuredFrame

# ln(HFD²) of a loss of 10 %, from which on a cause is named: of the public JSON.
NAMED = -math.log(0.9)
_BRIGHTEST = 20  # chosen: so many stars make their median steady, and short frames still show them
_CLEAR_PERCENT = 75.0  # chosen: a quarter of the frames of a field is clear even in a cloudy night
_FEWEST = 3  # frames of one field from which a clear one can be told


@dataclass(frozen=True)
class Losses:
    """Depth that a light frame lost, as ln(HFD²) over the least, by cause; None where it is not known.

    Parameters
    ----------
    size : float or None
        ln of the squared half-flux diameter over the least one of the runs; below 0 in better seeing.
    focus : float or None
        What of it is defocus.
    smear : float
        What of it is a smear along one line.
    cloud : float or None
        -ln of the squared share of light that came through: what it costs where the sky sets the noise.
    """

    size: float | None
    focus: float | None
    smear: float
    cloud: float | None

    @classmethod
    def of(cls, frame: MeasuredFrame, least_px: float | None, growth: float | None, clear: float | None) -> Losses:
        """Return the losses of a frame: ``growth`` in diameter by defocus, ``clear`` is the light that came through.

        The model of defocus knows of no smear and takes it for defocus, which therefore counts without it.
        """
        size = 2.0 * math.log(frame.hfd_px / least_px) if least_px and frame.hfd_px else None
        cloud = None if clear is None else max(-2.0 * math.log(clear), 0.0)
        smear = smear_of(frame)
        focus = None if growth is None else max(2.0 * math.log(growth) - smear, 0.0)
        return cls(size, focus, smear, cloud)

    @property
    def depth_pct(self) -> float | None:
        """Exposure time lost: 100 (1 - (h0 / HFD)²), as background-limited depth goes."""
        return None if self.size is None else 100.0 * -math.expm1(-max(self.size, 0.0))

    @property
    def lost_to(self) -> str | None:
        """The largest cause, where the frame lost a tenth or more and that is known; else None."""
        parts: dict[str | None, float] = {"cloud": self.cloud or 0.0}
        if self.size is not None and self.size >= NAMED:
            # Without a fit of the shapes defocus and seeing are not told apart.
            parts |= {"focus": self.focus or 0.0, "smear": self.smear}
            parts["seeing" if self.focus is not None else None] = self.size - self.smear - (self.focus or 0.0)
        cause = max(parts, key=lambda name: parts[name])
        return cause if parts[cause] >= NAMED else None


def smear_of(frame: MeasuredFrame) -> float:
    """Return by how much stars drawn out along one line grew, as ln of their squared size.

    The mean over all stars of exp(2iθ) times their ellipticity leaves out what differs from star to star. Of second
    moments a² along the line and b² across, smear has made b² into a²: their mean grew by (1 + a²/b²)/2.
    """
    seen = frame.image.measured.take(frame.image.measured.good)
    if not len(seen):
        return 0.0
    along = seen.ellipticity * np.exp(2j * np.radians(seen.angle_deg))
    common = min(abs(complex(np.median(along.real), np.median(along.imag))), 0.99)
    return math.log(0.5 * (1.0 + 1.0 / (1.0 - common) ** 2))


def brightness(frames: Sequence[MeasuredFrame], fields: Sequence[Hashable]) -> list[float | None]:
    """Return the share of the light that came through in each frame, against the clear frames of its field.

    A cloud dims all stars alike and keeps their order: the brightest is compared with the brightest, and so on. None
    where the field has too few frames to tell which of them were clear.
    """
    fluxes = [frame.image.measured.flux_adu for frame in frames]
    ranked = [np.sort(flux[np.isfinite(flux) & (flux > 0.0)])[::-1][:_BRIGHTEST] for flux in fluxes]
    out: list[float | None] = [None] * len(frames)
    for name in set(fields):
        places = [k for k, one in enumerate(fields) if one == name and ranked[k].size]
        if len(places) < _FEWEST:
            continue
        table = np.full((len(places), _BRIGHTEST), np.nan)
        for row, k in zip(table, places, strict=True):
            row[: ranked[k].size] = ranked[k]
        shown = np.isfinite(table).any(axis=0)
        clear = np.nanpercentile(table[:, shown], _CLEAR_PERCENT, axis=0)
        for row, k in zip(table[:, shown], places, strict=True):
            out[k] = float(np.nanmedian(row / clear))
    return out
