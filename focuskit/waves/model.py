"""Radial profile of a defocused star: annular pupil by wave optics, seeing and pixel, exact and fast.

Defocus and spherical aberration leave a star round, so one-dimensional Hankel transforms do for optics
what two-dimensional Fourier transforms do elsewhere: amplitude from the pupil, intensity from the
amplitude, transfer function from the intensity. Seeing and pixel multiply the transfer function, and a
last transform leads to the profile. Each step is a small matrix, made once and kept.

Signs are those of a detector that moves outwards as ``defocus_um`` grows: W = dz ρ²/(8N²) plus Noll's
Z11 for the spherical term, ρ = 1 at the edge of the aperture. Mirroring both signs changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.sparse import csr_array
from scipy.special import itj0y0, j0, j1, roots_legendre

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import KOLMOGOROV_EXPONENT, KOLMOGOROV_FWHM, KOLMOGOROV_MTF, noll_z11

Array = NDArray[np.float64]

# Profiles are known at this many radii to a pixel, from 0 on.
BINS_PER_PX = 8
# The intensity is followed this far beyond the edge of the profile, in units of λN; what lies further
# out goes as the inverse cube and is added in closed form.
_BEYOND = 60.0
_SCAN_STEP = 0.1  # waves: 0.4 λN of a donut's radius, less than any seeing blurs it


@dataclass(frozen=True, eq=False, repr=False)
class OpticalTransfer:
    """Transfer functions of the optics alone, one column for each defocus, and their derivatives.

    ``otf``, ``per_wave`` and ``per_spherical`` have the shape (frequencies, defocuses); the derivatives
    are per wave of W020 defocus and per wave rms of spherical aberration.
    """

    otf: Array
    per_wave: Array
    per_spherical: Array


class ProfileModel:
    """Radial profiles for one telescope, camera and wavelength; get one from `profile_model`.

    The nodes of its integrals are ``rho`` over the pupil, ``u`` over the image in λN and ``nu`` over
    frequency in 1/λN; ``measure`` leads from a transfer function to flux per pixel.
    """

    def __init__(
        self, f_ratio: float, obstruction: float, pixel_um: float, wavelength_um: float, radius_px: float
    ) -> None:
        self.obstruction = obstruction
        self.pixel_um = pixel_um
        self.radius_px = radius_px
        self.unit_um = wavelength_um * f_ratio
        self.um_per_wave = 8.0 * f_ratio**2 * wavelength_um
        edge = radius_px * pixel_um / self.unit_um
        # The donut may fill the profile: its radius is 4 w in units of λN.
        self.waves_max = edge / 4.0
        reach = 1.3 * edge + _BEYOND
        self.rho, self.rho_weight = _gauss(
            obstruction, 1.0, 30 + 0.5 * math.pi * (reach + 2 * self.waves_max) * (1.0 - obstruction)
        )
        self.u, self.u_weight = _gauss(0.0, reach, 30 + 2.0 * math.pi * reach)
        # Beyond the frequency of two periods in a pixel nothing survives pixel and seeing.
        limit = min(1.0, 2.0 * self.unit_um / pixel_um)
        self.nu, nu_weight = _gauss(0.0, limit, 30 + math.pi * limit * edge)
        self._to_amplitude = j0(math.pi * np.outer(self.u, self.rho)) * (self.rho * self.rho_weight)
        power = 2.0 * math.pi**2 / (1.0 - obstruction**2)
        self._to_otf = power * j0(2.0 * math.pi * np.outer(self.nu, self.u)) * (self.u * self.u_weight)
        far = (1.0 + obstruction) / math.pi**4 / reach
        self._tail = power * far * _inverse_cube(2.0 * math.pi * self.nu * reach)
        self._z11 = noll_z11(self.rho)
        per_px = pixel_um / self.unit_um
        self.measure = 2.0 * math.pi * self.nu * nu_weight * per_px**2 * pixel_mtf(self.nu * per_px)
        radii = np.arange(math.ceil(radius_px * BINS_PER_PX) + 1) / BINS_PER_PX
        self._kernel = j0(2.0 * math.pi * np.outer(radii * per_px, self.nu)) * self.measure
        # A coarse table over defocus, for the start of fits.
        self.scan_waves = np.arange(0.0, self.waves_max, _SCAN_STEP)

    @cached_property
    def scan_otf(self) -> Array:
        """The optics' transfer functions at the defocuses of the coarse table."""
        return self.optics(self.scan_waves, 0.0).otf

    def optics(self, waves: Array, spherical_waves: float) -> OpticalTransfer:
        """Return the optics' transfer functions at the defocuses ``waves`` (W020, in waves)."""
        rho2 = self.rho[:, None] ** 2
        phase = 2.0 * math.pi * (rho2 * waves[None, :] + spherical_waves * self._z11[:, None])
        real, imag = np.cos(phase), np.sin(phase)
        z11 = self._z11[:, None]
        amplitude = self._to_amplitude @ np.hstack((real, imag, rho2 * real, rho2 * imag, z11 * real, z11 * imag))
        re, im, re_w, im_w, re_s, im_s = np.split(amplitude, 6, axis=1)
        intensity = np.hstack((
            re**2 + im**2,
            4.0 * math.pi * (im * re_w - re * im_w),
            4.0 * math.pi * (im * re_s - re * im_s),
        ))  # fmt: skip
        otf, per_wave, per_spherical = np.split(self._to_otf @ intensity, 3, axis=1)
        return OpticalTransfer(otf + self._tail[:, None], per_wave, per_spherical)

    def per_obstruction(self, waves: Array, spherical_waves: float) -> Array:
        """Return the derivative of `optics`' transfer functions by the obstruction, shape (frequencies, defocuses)."""
        rho = np.append(self.rho, self.obstruction)[:, None]
        phase = 2.0 * math.pi * (rho**2 * waves + spherical_waves * noll_z11(rho))
        real, imag = (self._to_amplitude @ part[:-1] for part in (np.cos(phase), np.sin(phase)))
        # The inner edge of the pupil moves outwards, and less light comes through.
        edge = -self.obstruction * j0(math.pi * self.u * self.obstruction)[:, None]
        less = 2.0 * self.obstruction / (1.0 - self.obstruction**2)
        change = 2.0 * edge * (real * np.cos(phase[-1]) + imag * np.sin(phase[-1])) + less * (real**2 + imag**2)
        tail = self._tail * (less + 1.0 / (1.0 + self.obstruction))
        return np.asarray(self._to_otf @ change + tail[:, None])

    def seeing(self, width_um: Array | float, exponent: float = KOLMOGOROV_EXPONENT) -> tuple[Array, Array, Array]:
        """Return the seeing's transfer function exp(-(cf)^p) and its derivatives by ln(width) and by p.

        All have the shape (frequencies, widths). ``width_um`` is the FWHM where the exponent is
        Kolmogorov's 5/3; for others see `fwhm_factor`. A Gaussian has 2, wide wings have less than 5/3.
        """
        scale = KOLMOGOROV_MTF ** (1.0 / KOLMOGOROV_EXPONENT) / (KOLMOGOROV_FWHM * self.unit_um)
        scaled = np.multiply.outer(self.nu, scale * np.atleast_1d(width_um))
        power = scaled**exponent
        mtf = np.exp(-power)
        return mtf, -exponent * power * mtf, -power * np.log(scaled) * mtf

    def kernel(self, bins: Array) -> Array:
        """Return the matrix from a transfer function to annuli, shape (annuli, frequencies).

        ``bins`` has the shape (annuli, radius bins): how much of each annulus lies in each bin of
        1/BINS_PER_PX pixel, counted from the star; rows sum to 1.
        """
        if bins.shape[1] > self._kernel.shape[0]:
            raise FocuskitError(f"profile beyond {self.radius_px} px: make the model for its radius")
        # An annulus is a twentieth of the bins or less: sparse is ten times as fast.
        return np.asarray(csr_array(bins) @ self._kernel[: bins.shape[1]])

    def profile(self, defocus_um: float, seeing_fwhm_um: float, spherical_waves: float = 0.0) -> Array:
        """Return flux per pixel at the radii 0, 1/BINS_PER_PX …, for a star of unit flux."""
        otf = self.optics(np.array([defocus_um / self.um_per_wave]), spherical_waves).otf
        return self._kernel @ (otf * self.seeing(seeing_fwhm_um)[0])[:, 0]

    def encircled_energy(
        self, radius_um: Array | float, defocus_um: float, seeing_fwhm_um: float, spherical_waves: float = 0.0
    ) -> Array:
        """Return the part of all light within circles: E(R) = 2π ∫ T(f) R J1(2πfR) df."""
        radius = np.atleast_1d(radius_um) / self.unit_um
        otf = self.optics(np.array([defocus_um / self.um_per_wave]), spherical_waves).otf[:, 0]
        return self._energy(otf * self.seeing(seeing_fwhm_um)[0][:, 0], radius)

    def hfd_um(
        self,
        waves: float,
        seeing_um: float,
        spherical_waves: float = 0.0,
        exponent: float = KOLMOGOROV_EXPONENT,
    ) -> float:
        """Return the half-flux diameter in µm, at a defocus given in waves."""
        return float(self._diameters_um(np.array([waves]), seeing_um, spherical_waves, exponent)[0])

    def _diameters_um(self, waves: Array, seeing_um: float, spherical_waves: float, exponent: float) -> Array:
        transfers = self.optics(waves, spherical_waves).otf * self.seeing(seeing_um, exponent)[0]
        guesses = 0.5 * np.hypot(8.0 * np.abs(waves), seeing_um / self.unit_um + 2.0)
        return 2.0 * self.unit_um * np.array([
            brentq(lambda r, t=transfer: self._energy(t, np.array([r]))[0] - 0.5, 0.02 * guess, 5.0 * guess)
            for transfer, guess in zip(transfers.T, guesses, strict=True)
        ])  # fmt: skip

    def _energy(self, transfer: Array, radius: Array) -> Array:
        weight = self.measure * (self.unit_um / self.pixel_um) ** 2 / self.nu * transfer
        return (radius[:, None] * j1(2.0 * math.pi * np.outer(radius, self.nu))) @ weight

    def least_hfd_waves(self, seeing_um: float, spherical_waves: float, exponent: float = KOLMOGOROV_EXPONENT) -> float:
        """Return the defocus, in waves, at which the half-flux diameter is least.

        With seeing the minimum is shallow, so it is found as the vertex of the parabola through HFD²
        at three defocuses, moved to that vertex and repeated.
        """
        centre, step = 0.0, 0.25
        for _ in range(4):
            places = centre + step * np.array([-1.0, 0.0, 1.0])
            low, mid, high = self._diameters_um(places, seeing_um, spherical_waves, exponent) ** 2
            curvature = low - 2.0 * mid + high
            if curvature <= 0.0:
                break
            move = 0.5 * step * (low - high) / curvature
            centre += min(max(move, -step), step)
            if abs(move) < 1e-4:
                break
        return float(centre)


@lru_cache(maxsize=16)
def _cached_model(
    f_ratio: float, obstruction: float, pixel_um: float, wavelength_um: float, radius_px: float
) -> ProfileModel:
    return ProfileModel(f_ratio, obstruction, pixel_um, wavelength_um, radius_px)


def profile_model(
    f_ratio: float, obstruction: float, pixel_um: float, wavelength_um: float, radius_px: float
) -> ProfileModel:
    """Return the model for a telescope, kept in memory from call to call.

    Parameters
    ----------
    f_ratio, obstruction : float
        Focal ratio; central obstruction as a fraction of the aperture's diameter.
    pixel_um, wavelength_um : float
    radius_px : float
        Least radius the profiles must reach; it is rounded up, so that runs share models.

    Raises
    ------
    FocuskitError
        If a value makes no telescope.
    """
    for name, value in (("f_ratio", f_ratio), ("pixel_um", pixel_um), ("wavelength_um", wavelength_um),
                        ("radius_px", radius_px)):  # fmt: skip
        if not value > 0.0:
            raise FocuskitError(f"{name} = {value}: give a number above 0")
    if not 0.0 <= obstruction < 0.95:
        raise FocuskitError(f"obstruction = {obstruction}: give a fraction of the diameter below 0.95")
    rounded = 16.0 * 2.0 ** (math.ceil(2.0 * math.log2(max(radius_px, 16.0) / 16.0) - 1e-9) / 2.0)
    return _cached_model(f_ratio, obstruction, pixel_um, wavelength_um, rounded)


def fwhm_factor(exponent: float) -> float:
    """Return the FWHM of the seeing exp(-(cf)^p) over its width, 1 for Kolmogorov's exponent."""
    frequency, weight = _gauss(0.0, 40.0 ** (1.0 / exponent), 400)
    weight = weight * frequency * np.exp(-(frequency**exponent))

    def excess(radius: float) -> float:
        return float(j0(2.0 * math.pi * radius * frequency) @ weight - 0.5 * weight.sum())

    scale = KOLMOGOROV_FWHM / KOLMOGOROV_MTF ** (1.0 / KOLMOGOROV_EXPONENT)
    return 2.0 * float(brentq(excess, 0.01, 1.0)) / scale


def _gauss(low: float, high: float, points: float) -> tuple[Array, Array]:
    nodes, weights = _gauss_nodes(16 * math.ceil(points / 16.0))  # a few numbers of nodes serve many telescopes
    return low + 0.5 * (high - low) * (nodes + 1.0), 0.5 * (high - low) * weights


@lru_cache(maxsize=64)
def _gauss_nodes(points: int) -> tuple[Array, Array]:
    nodes, weights = roots_legendre(points)  # numpy's takes seconds for the thousands of nodes of a fast lens
    return nodes, weights


def _inverse_cube(x: Array) -> Array:
    """Return x ∫ J0(t)/t² dt from x to infinity: the Hankel transform of what lies far out."""
    return j0(x) - x * (1.0 + j1(x) - itj0y0(x)[0])


def pixel_mtf(cycles_per_px: Array) -> Array:
    """Return the transfer function of a square pixel, averaged over all directions."""
    angle, weight = _gauss(0.0, 0.25 * math.pi, 24)
    across = np.outer(cycles_per_px, np.cos(angle))
    along = np.outer(cycles_per_px, np.sin(angle))
    return (np.sinc(across) * np.sinc(along)) @ weight / (0.25 * math.pi)
