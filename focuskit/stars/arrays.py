"""Measure the stars of an image that is an array already, found here or by any finder."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from focuskit.core.errors import FocuskitError
from focuskit.frames import Pixels
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.image import measure_pixels

if TYPE_CHECKING:
    from astropy.nddata import NDData
    from astropy.table import Table

# What finders call places: photutils 3, photutils before, fits of star images, plain tables.
_PLACES = (("x_centroid", "y_centroid"), ("xcentroid", "ycentroid"), ("x_fit", "y_fit"), ("x", "y"))


def measure_image(
    data: ArrayLike | NDData,
    *,
    positions: ArrayLike | Table | None = None,
    bayer: str | None = None,
    saturation: float | None = None,
    gain_e_per_adu: float | None = None,
) -> MeasuredImage:
    """Measure the stars of an image in memory: half-flux diameter, FWHM, flux, elongation.

    The half-flux diameter is that of the circle about the centroid that holds half of a star's light.

    Parameters
    ----------
    data : array, masked array, Quantity or astropy CCDData, shape (rows, columns)
        NaN and masked pixels do not count. An uncertainty takes the place of the noise that the image shows, in S/N
        and errors; it must contain the photon noise of the stars, as is usual. In electrons or photons the photon
        noise is known; any other unit is taken like ADU. The sky may be subtracted or not.
    positions : table, or array of shape (n, 2), optional
        Where the stars are, in pixels from the centre of the first: the columns ``x_centroid`` and ``y_centroid``,
        or ``xcentroid`` and ``ycentroid``, of any finder. The table of stars then has one row for each, in this order.
        Places are refined. Else the stars are found.
    bayer : str, optional
        Colour pattern such as ``RGGB``: the green pixels are measured.
    saturation : float, optional
        Level from which a pixel counts as saturated, in the unit of the data; seen from the image where not given.
    gain_e_per_adu : float, optional
        Electrons in one unit of the data: adds the photon noise of the stars to their errors.

    Returns
    -------
    MeasuredImage
        With ``hfd_px``, ``fwhm_px``, their errors, ``flags``, and ``stars``: a table with the columns of photutils.

    Raises
    ------
    FocuskitError
        If the data are no image of 32 × 32 pixels or more, hardly any pixel has a value, all have the same, or a
        position does not lie on the image.
    """
    image = _numbers(getattr(data, "data", data) if hasattr(data, "uncertainty") else data, "data")
    if image.ndim != 2 or min(image.shape) < 32:
        raise FocuskitError(f"data: shape {image.shape} is not that of an image of 32 × 32 pixels or more")
    mask = np.ma.getmaskarray(data) if isinstance(data, np.ma.MaskedArray) else getattr(data, "mask", None)
    if mask is not None:
        image = np.where(np.broadcast_to(mask, image.shape), np.nan, image)
    unit = str(getattr(data, "unit", None) or "adu")
    if unit in ("electron", "ph"):
        if gain_e_per_adu is not None:
            raise FocuskitError(f"gain_e_per_adu: the data are in {unit} already; leave it out")
        gain_e_per_adu = 1.0
    measured = measure_pixels(
        Pixels(image),
        bayer=bayer,
        saturation_adu=saturation,
        gain_e_per_adu=gain_e_per_adu,
        sigma=_sigma(getattr(data, "uncertainty", None), image.shape),
        positions=None if positions is None else _places(positions, image.shape),
    )
    return replace(measured, unit=unit)


def _numbers(values: Any, name: str) -> np.ndarray:
    """Return an array of real numbers, a unit taken off."""
    try:
        array = np.asarray(getattr(values, "value", values))
    except ValueError as problem:  # lists of different lengths
        raise FocuskitError(f"{name}: no array of numbers ({str(problem)[:60]})") from problem
    if array.dtype.kind not in "iuf":
        hint = "; files are for measure_frame" if array.dtype.kind in "US" else ""
        raise FocuskitError(f"{name}: not numbers but {array.dtype}{hint}")
    return array


def _sigma(uncertainty: Any, shape: tuple[int, ...]) -> np.ndarray | None:
    """Return the standard deviation of every pixel; where none is known, that of the usual one."""
    if uncertainty is None or uncertainty.uncertainty_type == "unknown":
        return None
    from astropy.nddata import StdDevUncertainty

    sigma = np.asarray(uncertainty.represent_as(StdDevUncertainty).array, float)
    known = np.isfinite(sigma) & (sigma >= 0)
    if sigma.shape != shape or not known.any():
        raise FocuskitError(f"errors of the data: shape {sigma.shape}, {known.sum()} values, for data of shape {shape}")
    return np.where(known, sigma, np.median(sigma[known]))


def _places(positions: Any, shape: tuple[int, ...]) -> np.ndarray:
    """Return x and y in pixels, shape (n, 2), from a table or an array."""
    names = positions.keys() if hasattr(positions, "keys") else getattr(positions, "dtype", np.dtype(float)).names
    if names is not None:
        columns = next((pair for pair in _PLACES if set(pair) <= set(names)), None)
        if columns is None:
            raise FocuskitError(f"positions: has no columns x_centroid and y_centroid but {', '.join(map(str, names))}")
        positions = np.stack([_numbers(positions[name], "positions") for name in columns], axis=-1)
    places = _numbers(positions, "positions").astype(float)
    if places.ndim != 2 or places.shape[1] != 2 or not len(places):
        raise FocuskitError(f"positions: shape {places.shape} is not (n, 2) with at least one place")
    outside = ~((places > -0.5) & (places < np.array(shape[::-1]) - 0.5)).all(axis=1)
    if outside.any():
        x, y = places[outside][0]
        raise FocuskitError(f"positions: {outside.sum()} lie outside the image, such as x = {x:g}, y = {y:g}")
    return places
