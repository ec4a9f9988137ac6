"""Images of one star, for tests that look at it alone."""

import math

import numpy as np

from focuskit.scenes.psf import StarShape, encircled_energy, field_for, star_spectrum


def star_image(size_px, *args, dx=0.0, dy=0.0, **how):
    """The star of `StarShape(*args, **how)` on pixel (size_px//2, size_px//2), moved by (dx, dy) pixels."""
    shape = StarShape(*args, **how)
    return star_spectrum(shape, field_for(shape, size_px)).image(size_px, dx, dy)


def energy_within(shape, radii_um):
    """The part of a star's light within circles."""
    radii = np.asarray(radii_um, float)
    field_px = field_for(shape, math.ceil(8.0 * radii.max() / shape.pixel_um))
    return encircled_energy(star_spectrum(shape, field_px), shape.pixel_um, radii)
