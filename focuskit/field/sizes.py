"""What the star measurement makes of stars that are sharper or wider than the others in their frame.

All stars of a frame are measured with one aperture and with the growth of its typical star, so a wider
star loses light outside and looks less wide than it is: near focus a third of a difference in size can
go that way, far from focus almost none.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from focuskit.waves import profile_model

Array = NDArray[np.float64]

# Of the table, which splines and lines go through: chosen, twice as many cost twice the time.
_DEFOCUSES = 28  # search: points
_RADII = 160  # search: points
_SEEING_STEP = 0.08  # of the logarithm: runs in like seeing share their table
_LEAST_SEEING = 0.3  # in λN: below it the diffraction decides


class StarSizes:
    """Sizes of stars in one seeing against their defocus, true and as measured; get one from `star_sizes`.

    For seeing ``scale`` times as wide, lengths and defocuses are taken ``scale`` times as large, which
    holds to second order in the diffraction.
    """

    def __init__(
        self,
        f_ratio: float,
        obstruction: float,
        pixel_um: float,
        wavelength_um: float,
        seeing_um: float,
        reach_um: float,
    ) -> None:
        # Wide enough for the flux aperture too, which is as wide as three quarters of a donut.
        widest_um = 0.6 * reach_um / f_ratio + 1.2 * (seeing_um + 2.0 * wavelength_um * f_ratio)
        model = profile_model(f_ratio, obstruction, pixel_um, wavelength_um, widest_um / pixel_um)
        self.defocus_um = reach_um * np.linspace(0.0, 1.0, _DEFOCUSES) ** 1.5
        self._radii = np.linspace(0.0, widest_um, _RADII)[1:]
        self._light = np.array([model.encircled_energy(self._radii, dz, seeing_um) for dz in self.defocus_um])
        half = self._diameters(np.full(_DEFOCUSES, 0.5))
        self.squares = CubicSpline(self.defocus_um, half**2, bc_type=((1, 0.0), "not-a-knot"))

    def measured(self, typical_um: float, aperture_um: float, scale: float) -> CubicSpline:
        """Return the squares of measured diameters, in µm² in the narrow seeing, against defocus / scale.

        Parameters
        ----------
        typical_um : float
            Defocus of the frame's typical star, at least 0.
        aperture_um : float
            Radius of the aperture; infinite where sizes count all of a star's light.
        scale : float
            Width of the frame's seeing over that of the table.
        """
        if math.isinf(aperture_um):
            return self.squares
        place = min(max(aperture_um / scale / self._radii[0] - 1.0, 0.0), self._radii.size - 1.001)
        low = int(place)
        within = self._light[:, low] + (place - low) * (self._light[:, low + 1] - self._light[:, low])
        typical = CubicSpline(self.defocus_um, within)(min(typical_um / scale, self.defocus_um[-1]))
        read = self._diameters(0.5 * within / typical)
        return CubicSpline(self.defocus_um, read**2, bc_type=((1, 0.0), "not-a-knot"))

    def _diameters(self, parts: Array) -> Array:
        """Return the diameters that hold ``parts`` of the light, one for each defocus."""
        index = np.clip((self._light < parts[:, None]).sum(axis=1), 1, self._radii.size - 1)
        row = np.arange(parts.size)
        below, above = self._light[row, index - 1], self._light[row, index]
        share = (parts - below) / (above - below)
        return 2.0 * (self._radii[index - 1] + share * (self._radii[index] - self._radii[index - 1]))


def star_sizes(
    f_ratio: float, obstruction: float, pixel_um: float, wavelength_um: float, least_hfd_um: float, reach_um: float
) -> StarSizes:
    """Return the sizes in the seeing in which the least half-flux diameter is ``least_hfd_um``.

    ``reach_um`` is the defocus up to which they are wanted. Tables of like seeing are shared.
    """
    unit = wavelength_um * f_ratio
    model = profile_model(f_ratio, obstruction, pixel_um, wavelength_um, 2.0 * least_hfd_um / pixel_um)

    def excess(log_width: float) -> float:
        return model.hfd_um(0.0, math.exp(log_width)) - least_hfd_um

    low, high = math.log(_LEAST_SEEING * unit), math.log(1.5 * least_hfd_um + unit)
    width = low if excess(low) >= 0.0 else float(brentq(excess, low, high, xtol=0.2 * _SEEING_STEP))
    seeing_um = math.exp(_SEEING_STEP * round(width / _SEEING_STEP))
    reach_um = 100.0 * 1.15 ** math.ceil(math.log(reach_um / 100.0, 1.15))
    return _cached(f_ratio, obstruction, pixel_um, wavelength_um, seeing_um, reach_um)


_cached = lru_cache(maxsize=32)(StarSizes)
