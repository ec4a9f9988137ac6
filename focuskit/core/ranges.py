"""The range of every number that people, headers and logbooks bring, in one table.

A number outside its range is a placeholder, a slip or damage: nothing is computed from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Range:
    """Lowest and highest value that a number can have, its unit, and why not more."""

    lowest: float
    highest: float
    unit: str
    why: str


_STEPS = "positions in whatever unit the focuser counts, from nanometres to metres; loggers fill gaps with more"
_RUN_S = "from a microsecond to a day"
_PIXEL_UM = Range(0.1, 1000.0, "µm", "below the wavelength of light no pixel is made; above lie whole sensors")
_DISTANCE_UM = Range(0.0, 1e6, "µm", "up to a metre from focus no star is seen")
_OF_SIDE = {
    "mean_um": Range(-1e6, 1e6, "µm", "as the distance itself"),
    "err_um": Range(1e-9, 1e6, "µm", "as the distance itself"),
    "frames": Range(1, 1e6, "frames", "a run has frames"),
    "excess_um2": Range(-1e12, 1e12, "µm²", "as the square of the distance"),
    "nearest_um": _DISTANCE_UM,
    "farthest_um": _DISTANCE_UM,
    "direction": Range(-1.0, 1.0, "", "by definition"),
    "wavelength_um": Range(0.1, 30.0, "µm", "from the far ultraviolet to the thermal infrared"),
}

RANGES: dict[str, Range] = {
    # The telescope.
    "focal_length_mm": Range(1.0, 1e6, "mm", "from a phone to beyond the largest telescope, which has 650 m"),
    "aperture_mm": Range(1.0, 1e5, "mm", "from a phone to beyond the largest telescope, which has 39 m"),
    "obstruction": Range(0.0, 0.99, "of the aperture", "at 1 no light comes in"),
    "pixel_um": _PIXEL_UM,
    "um_per_step": Range(1e-6, 1e5, "µm", "from a fraction of a piezo's step to a focuser that counts decimetres"),
    "wavelength_nm": Range(100.0, 30000.0, "nm", "from the far ultraviolet to the thermal infrared"),
    # A focus run as it is logged.
    "temperature_c": Range(-90.0, 60.0, "°C", "the air has had -89.2 to 56.7 °C (WMO, 1983 and 1913)"),
    "other_temperature_c": Range(-90.0, 60.0, "°C", "as temperature_c"),
    "altitude_deg": Range(-90.0, 90.0, "°", "from the nadir to the zenith"),
    "position": Range(-1e9, 1e9, "steps", _STEPS),
    "position_err": Range(1e-9, 1e9, "steps", _STEPS),
    "hfd_best_px": Range(0.1, 1000.0, "px", "one pixel that holds a star has 0.8; at 1000 no star is in focus"),
    "hfd_slope_px_per_step": Range(1e-9, 1e9, "px per step", _STEPS),
    "tolerance_steps": Range(1e-9, 1e9, "steps", _STEPS),
    "exposure_s": Range(1e-6, 86400.0, "s", _RUN_S),
    "frames": Range(1, 1e6, "frames", "a run has frames"),
    "seconds": Range(1e-6, 86400.0, "s", _RUN_S),
    "reach_steps": Range(0.0, 2e9, "steps", _STEPS),
    "star_snr": Range(0.0, 1e6, "", "above stand 1e12 electrons of one star, more than sensors count"),
    "spherical_path_um": Range(-1e3, 1e3, "µm", "hundreds of waves: no such telescope makes a star"),
    "spherical_err_um": Range(1e-9, 1e3, "µm", "as the aberration itself; no run is exact"),
    "spherical_wavelength_um": Range(0.1, 30.0, "µm", "from the far ultraviolet to the thermal infrared"),
    "seeing_log_arcsec": Range(-7.0, 7.0, "", "of 0.001″, sharper than any telescope, to 1000″"),
    "seeing_variance": Range(0.0, 100.0, "", "a factor of e to the tenth either way: nothing is known"),
    "optics_log_ratio": Range(-100.0, 100.0, "", "a run that shows nothing of it says anything"),
    "optics_log_ratio_err": Range(1e-9, 100.0, "", "as the ratio itself"),
    "optics_obstruction": Range(-100.0, 100.0, "", "a run that shows nothing of it says anything"),
    "optics_obstruction_err": Range(1e-9, 100.0, "", "as the obstruction itself"),
    "optics_correlation": Range(-1.0, 1.0, "", "by definition"),
    "optics_pixel_um": _PIXEL_UM,
    "step_px": Range(1e-9, 1e9, "px per step", _STEPS),
    "step_err": Range(1e-9, 10.0, "", "a factor of e to the tenth either way: nothing is known"),
    "step_pixel_um": _PIXEL_UM,
    "step_f_ratio": Range(1e-4, 1e6, "", "from the shortest focal length over the widest aperture on"),
    # A light frame.
    "defocus_um": Range(0.0, 1e6, "µm", "up to a metre: no star is seen as far out"),
    "defocus_err_um": Range(1e-9, 1e6, "µm", "as the distance; no frame is exact"),
    "defocus_limit_um": Range(0.0, 1e6, "µm", "as the distance"),
    "seeing_arcsec": Range(1e-3, 1e3, "″", "as its logarithm"),
    "wings_exponent": Range(0.1, 10.0, "", "far beyond what any seeing has"),
    "wings_err": Range(1e-9, 10.0, "", "as the exponent itself"),
    **{f"{side}_{name}": found for side in ("outside", "inside") for name, found in _OF_SIDE.items()},
    # What a user knows of a rig, or asks for.
    "steps_per_c": Range(-1e7, 1e7, "steps per °C", "more leaves the range of positions within a season"),
    "steps_per_c_err": Range(0.0, 1e7, "steps per °C", "as the drift itself"),
    "random_walk": Range(0.0, 1e9, "steps per root of an hour", _STEPS),
    "minutes": Range(0.01, 1e5, "min", "from one short frame to beyond any night"),
    "sub_s": Range(1.0, 86400.0, "s", "from the shortest light frames to a day"),
}  # fmt: skip


# Of the temperatures of a table or log; chosen: more out of range is a wrong unit or column, fewer a sensor's faults.
MOST_OUT_OF_RANGE = 0.05


def is_in_range(name: str, value: float) -> bool:
    """Return whether a number is one that its name may have; NaN is not."""
    return RANGES[name].lowest <= value <= RANGES[name].highest


def what_is_wrong(name: str, value: float | None) -> str | None:
    """Return in a few words what is wrong with a number; None where nothing is, or it is not known."""
    if value is None or is_in_range(name, value):
        return None
    known = RANGES[name]
    if not math.isfinite(value):
        return f"{name} {value:g} is not a finite number"
    return f"{name} {value:.10g} is not between {known.lowest:g} and {known.highest:g} {known.unit}".rstrip()
