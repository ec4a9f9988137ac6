"""The numbers of a run, one of each kind for every frame, as arrays that can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from focuskit.core.errors import FocuskitError

Array = NDArray[np.float64]

_LEAST_ERROR = 1e-6  # of the size: no star is measured so well, so that smaller ones are no errors
_FACTOR = 100.0  # chosen: over a sweep sizes grow tenfold at most


@dataclass(frozen=True)
class FrameSizes:
    """Positions, sizes and errors of frames, light and number of their stars, and FWHM; NaN where not known."""

    x: Array
    size: Array
    sigma: Array
    flux: Array
    stars: Array
    fwhm: Array

    def only(self, keep: NDArray[np.bool_]) -> FrameSizes:
        """Return the frames where ``keep`` is True."""
        return FrameSizes(*(getattr(self, kind.name)[keep] for kind in fields(self)))


def read_frames(
    positions: ArrayLike,
    sizes: ArrayLike,
    errors: ArrayLike | None,
    fluxes: ArrayLike | None,
    stars: ArrayLike | None,
    fwhm: ArrayLike | None,
) -> FrameSizes:
    """Check the arguments of `fit_run`; an error that is not known is that of the others, 0 if none is known.

    Raises
    ------
    FocuskitError
        If the arrays do not match, or a position or an error is no number.
    """
    x = _read("positions", positions)
    if not np.isfinite(x).all():
        raise FocuskitError(f"positions[{int(np.flatnonzero(~np.isfinite(x))[0])}] is not a number: leave it out")
    size = _read("sizes", sizes, x.size)
    sigma, flux, count, width = (
        np.full(x.size, np.nan) if values is None else _read(name, values, x.size)
        for name, values in (("errors", errors), ("fluxes", fluxes), ("stars", stars), ("fwhm", fwhm))
    )
    if (sigma < 0).any():
        raise FocuskitError(f"errors[{int(np.flatnonzero(sigma < 0)[0])}] is negative: give 1σ errors")
    known = np.isfinite(sigma) & (sigma > _LEAST_ERROR * size)
    sigma = np.where(known, sigma, np.median(sigma[known]) if known.any() else 0.0)
    return FrameSizes(x, size, sigma, flux, count, width)


def plausible(sizes: Array) -> NDArray[np.bool_]:
    """Tell sizes that can be those of one run from values that are no sizes."""
    measured = np.isfinite(sizes) & (sizes > 0.0)
    middle = float(np.median(sizes[measured])) if measured.any() else 1.0
    return measured & (sizes < _FACTOR * middle) & (sizes > middle / _FACTOR)


def _read(name: str, values: ArrayLike, length: int | None = None) -> Array:
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise FocuskitError(f"{name}: not a list of numbers ({error})") from error
    if array.ndim != 1:
        raise FocuskitError(f"{name} has {array.ndim} dimensions: give one number a frame")
    if length is not None and array.size != length:
        raise FocuskitError(f"{name} has {array.size} values for {length} positions: give one a frame")
    return array
