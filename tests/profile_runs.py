"""Profiles of runs drawn from the model itself, for tests of the fit: quick, and of known truth."""

import numpy as np

from focuskit.core.optics import Rig
from focuskit.waves import profile_model
from focuskit.waves.model import BINS_PER_PX
from focuskit.waves.stack import FrameProfile

RIG = Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0)
WAVELENGTH_UM = 0.55
SEEING_UM = 17.6
POSITIONS = np.array([9893.0, 9920, 9946, 9973, 10000, 10027, 10054, 10080, 10107])
ZERO = 10006.0


def synthetic_frame(position, defocus_um, seeing_um, rng, noise=2e-5, spherical_waves=0.0, radius=30):
    """Return a profile with even noise per pixel, or without any where ``rng`` is None."""
    model = profile_model(RIG.f_ratio, RIG.obstruction, RIG.pixel_um, WAVELENGTH_UM, 45.0)
    bins = np.zeros((radius, radius * BINS_PER_PX + 1))
    for a in range(radius):
        part = slice(a * BINS_PER_PX, (a + 1) * BINS_PER_PX + 1)
        bins[a, part] = np.linspace(a, a + 1, BINS_PER_PX + 1)
    bins /= bins.sum(axis=1)[:, None]
    flux = bins @ model.profile(defocus_um, seeing_um, spherical_waves)[: bins.shape[1]]
    variance = noise**2 / (2.0 * np.pi * (np.arange(radius) + 0.5))
    scatter = 0.0 if rng is None else rng.standard_normal(radius) * np.sqrt(variance)
    return FrameProfile(position, bins, flux + scatter, variance, 50)


def synthetic_run(rng, jitter=0.12, zero=ZERO, positions=POSITIONS, **kwargs):
    """Return the profiles of a run, and their seeings in µm."""
    seeing = SEEING_UM * np.exp(jitter * rng.standard_normal(positions.size))
    frames = [synthetic_frame(x, 4.0 * (x - zero), s, rng, **kwargs) for x, s in zip(positions, seeing, strict=True)]
    return frames, seeing
