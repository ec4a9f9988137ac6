"""The image of a star: defocused annular pupil, seeing and pixel, multiplied together in Fourier space.

Signs: ``defocus_um`` is positive where the detector lies outside focus (further from the objective
than the focus). Its wavefront is W = dz ρ²/(8N²), and Zernike terms (Noll's numbers and norms, over the
unobstructed circle, ρ = 1 at the edge of the aperture) add to it, as in GalSim's OpticalPSF. With
these signs a positive spherical term moves the position of least half-flux diameter inwards, to
negative ``defocus_um``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import KOLMOGOROV_EXPONENT, KOLMOGOROV_FWHM, KOLMOGOROV_MTF, noll_z11

_MTF_NEGLIGIBLE = 1e-8  # below the rounding of single precision, in which stars are drawn
_PUPIL_SAMPLES = 128  # least number of samples across the pupil; its edge is antialiased
_OVERSAMPLE_MAX = 8  # the annulus of geometry has no highest frequency: there sampling has to end somewhere
_BAND_LINES = 7  # within 2 % of the peak of 29 lines, for 0.05 waves of aberration (tests/scenes)


@dataclass(frozen=True)
class StarShape:
    """All that decides how a star looks; lengths in µm at the focal plane.

    Parameters
    ----------
    pixel_um, f_ratio, obstruction : float
        Size of a pixel, focal ratio, central obstruction as a fraction of the aperture's diameter.
    defocus_um : float
        Distance of the detector from focus, positive outside.
    seeing_fwhm_um : float
        FWHM of the seeing kernel; 0 for none.
    wavelength_um : float
    spherical_waves, astigmatism_waves, coma_waves : float, (float, float), (float, float)
        Noll's Z11, (Z5, Z6) and (Z7, Z8), in waves rms over the full circle.
    optics : {"wave", "annulus"}
        Wave optics, or the evenly lit annulus of geometry (which ignores aberrations).
    seeing : {"kolmogorov", "moffat", "von_karman"}
        For von Kármán's, ``seeing_fwhm_um`` is that of the same turbulence without its outer scale.
    moffat_beta : float
        Exponent of the Moffat profile, above 1.
    outer_scale : float
        Of the turbulence, for von Kármán's, in diameters of the aperture.
    blur_um : float
        Standard deviation of a round Gaussian blur on top of the seeing.
    shake_um, shake_angle_deg : float
        Standard deviation of a Gaussian blur along one axis, and its angle from x towards y.
    band_um : float
        Full width of a band of wavelengths, all as bright, about ``wavelength_um``; 0 for one wavelength. The
        aberrations keep their length of path, the seeing is that of the middle.
    """

    pixel_um: float
    f_ratio: float
    obstruction: float
    defocus_um: float = 0.0
    seeing_fwhm_um: float = 0.0
    wavelength_um: float = 0.55
    spherical_waves: float = 0.0
    astigmatism_waves: tuple[float, float] = (0.0, 0.0)
    coma_waves: tuple[float, float] = (0.0, 0.0)
    optics: str = "wave"
    seeing: str = "kolmogorov"
    moffat_beta: float = 2.5
    outer_scale: float = 100.0
    blur_um: float = 0.0
    shake_um: float = 0.0
    shake_angle_deg: float = 0.0
    band_um: float = 0.0

    def __post_init__(self) -> None:
        for name in ("pixel_um", "f_ratio", "wavelength_um"):
            if not getattr(self, name) > 0:
                raise FocuskitError(f"{name} = {getattr(self, name)}: give a number above 0")
        if not 0.0 <= self.obstruction < 1.0:
            raise FocuskitError(f"obstruction = {self.obstruction}: give a fraction of the diameter below 1")
        if self.optics not in ("wave", "annulus"):
            raise FocuskitError(f"optics = '{self.optics}': give 'wave' or 'annulus'")
        if self.seeing not in ("kolmogorov", "moffat", "von_karman"):
            raise FocuskitError(f"seeing = '{self.seeing}': give 'kolmogorov', 'moffat' or 'von_karman'")
        if not 0.0 <= self.band_um < self.wavelength_um:
            raise FocuskitError(f"band_um = {self.band_um}: give a width from 0 to below the wavelength")
        if self.seeing == "moffat" and not self.moffat_beta > 1.0:
            raise FocuskitError(f"moffat_beta = {self.moffat_beta}: give an exponent above 1")

    @property
    def donut_um(self) -> float:
        """Outer diameter of the geometric annulus, |dz|/N."""
        return abs(self.defocus_um) / self.f_ratio


@dataclass(frozen=True)
class StarSpectrum:
    """Fourier transform of a star of unit flux, centred on the origin; see `star_spectrum`."""

    values: NDArray[np.complexfloating]
    field_px: int
    oversample: int

    def image(self, size_px: int, dx: float = 0.0, dy: float = 0.0) -> NDArray[np.floating]:
        """Return the star centred on pixel (size//2, size//2), moved by (dx, dy) pixels."""
        cycles_per_px = fft.fftfreq(self.field_px * self.oversample, 1.0 / self.oversample)
        half = self.values.shape[1]
        centre = size_px // 2
        phase_y = np.exp(-2j * np.pi * cycles_per_px * (centre + dy)).astype(self.values.dtype)
        phase_x = np.exp(-2j * np.pi * np.abs(cycles_per_px[:half]) * (centre + dx)).astype(self.values.dtype)
        shifted = self.values * phase_x
        shifted *= phase_y[:, None]
        fine = fft.irfft2(shifted, s=(self.field_px * self.oversample,) * 2, overwrite_x=True)
        every = slice(None, size_px * self.oversample, self.oversample)
        return fine[every, every] * self.oversample**2


def star_spectrum(shape: StarShape, field_px: int) -> StarSpectrum:
    """Return the transfer function of optics, seeing, shake and pixel on a square field.

    The field is periodic: make it about twice the stamp you want, and wider than the donut. All
    frequencies that matter are kept, so images sampled at the pixels are free of aliasing.

    Raises
    ------
    FocuskitError
        If the donut is wider than the field.
    """
    if shape.donut_um > field_px * shape.pixel_um:
        raise FocuskitError(
            f"a donut of {shape.donut_um / shape.pixel_um:.0f} px does not fit a field of {field_px} px: "
            "enlarge the field"
        )
    oversample = _oversample(shape)
    fine = field_px * oversample
    fy = fft.fftfreq(fine, shape.pixel_um / oversample)[:, None]
    fx = fft.rfftfreq(fine, shape.pixel_um / oversample)[None, :]
    radial = np.hypot(fx, fy)
    values = _seeing_mtf(shape, radial) * np.sinc(fx * shape.pixel_um) * np.sinc(fy * shape.pixel_um)
    if shape.shake_um:
        angle = math.radians(shape.shake_angle_deg)
        along = fx * math.cos(angle) + fy * math.sin(angle)
        values = values * np.exp(-2.0 * (np.pi * shape.shake_um * along) ** 2)
    if shape.blur_um:
        values = values * np.exp(-2.0 * (np.pi * shape.blur_um * radial) ** 2)
    if shape.optics == "wave":
        values = values * np.mean([_wave_otf(one, field_px, fine) for one in _lines(shape)], axis=0)
    else:
        values = values * _annulus_otf(shape, radial)
    return StarSpectrum(values.astype(complex), field_px, oversample)


def field_for(shape: StarShape, size_px: int) -> int:
    """Return a width in px of the periodic field, wide enough that nothing folds into the stamp."""
    # The wings of diffraction fall off slowly, hence the 64 λN.
    core_um = 12.0 * shape.seeing_fwhm_um + 64.0 * shape.wavelength_um * shape.f_ratio
    least = max(2 * size_px, math.ceil((2.5 * shape.donut_um + core_um) / shape.pixel_um))
    return 2 * int(fft.next_fast_len(math.ceil(least / 2), real=True))


def star_hfd_um(shape: StarShape) -> float:
    """Return the half-flux diameter in µm: the circle about the nominal centre with half of all flux."""
    guess = math.hypot(shape.donut_um, shape.seeing_fwhm_um + shape.wavelength_um * shape.f_ratio)
    guess = max(guess, shape.pixel_um)
    spectrum = star_spectrum(shape, field_for(shape, math.ceil(4.0 * guess / shape.pixel_um)))

    def excess(radius: float) -> float:
        return float(encircled_energy(spectrum, shape.pixel_um, np.array([radius]))[0]) - 0.5

    return 2.0 * float(brentq(excess, 0.1 * guess, 2.0 * guess, xtol=1e-6 * guess))


def encircled_energy(spectrum: StarSpectrum, pixel_um: float, radii: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the part of the star's flux within circles about its nominal centre, pixel included.

    E(R) = ∫∫ T(f) R J1(2πfR)/f d²f, with the transfer function T. With a field sixteen times the largest circle,
    light folded in from outside is below 2e-4.
    """
    step = 1.0 / (spectrum.field_px * pixel_um)
    fy = fft.fftfreq(spectrum.values.shape[0]) * spectrum.values.shape[0] * step
    fx = np.arange(spectrum.values.shape[1]) * step
    radial = np.hypot(fy[:, None], fx[None, :])
    # The half plane with x > 0 stands for both; its last column is the Nyquist frequency.
    weight = np.where((fx == 0.0) | (fx == fx[-1]), 1.0, 2.0) * step**2 * spectrum.values.real
    keep = np.abs(weight) > 1e-12 * step**2
    keep[0, 0] = False
    radial, weight = radial[keep], weight[keep]
    energy = [
        math.pi * (r * step) ** 2 + float(np.sum(weight * r * j1(2 * np.pi * r * radial) / radial)) for r in radii
    ]
    return np.array(energy)


def _oversample(shape: StarShape) -> int:
    """Return the least oversampling at which no frequency that matters is lost."""
    optical = 2.0 * shape.pixel_um / (shape.wavelength_um * shape.f_ratio)
    limit = math.ceil(optical) if shape.optics == "wave" else _OVERSAMPLE_MAX
    for factor in range(1, limit):
        nyquist = np.array([factor / (2.0 * shape.pixel_um)])
        if _seeing_mtf(shape, nyquist)[0] < _MTF_NEGLIGIBLE:
            return factor
    return limit


def _seeing_mtf(shape: StarShape, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    if shape.seeing_fwhm_um == 0.0:
        return np.ones_like(frequency)
    if shape.seeing != "moffat":
        scaled = frequency * (shape.seeing_fwhm_um / KOLMOGOROV_FWHM)
        exponent = KOLMOGOROV_MTF * scaled**KOLMOGOROV_EXPONENT
        if shape.seeing == "von_karman":
            exponent = exponent * _structure(shape.wavelength_um * shape.f_ratio * frequency / shape.outer_scale)
        return np.exp(-exponent)
    # Fourier transform of (1 + r²/a²)^-β; a from the FWHM (Moffat 1969; transform from memory).
    order = shape.moffat_beta - 1.0
    core_um = shape.seeing_fwhm_um / (2.0 * math.sqrt(2.0 ** (1.0 / shape.moffat_beta) - 1.0))
    scaled = np.maximum(2.0 * np.pi * core_um * frequency, 1e-9)
    return 2.0 * (scaled / 2.0) ** order * kv(order, scaled) / gamma(order)


def _structure(baseline: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return von Kármán's structure function over Kolmogorov's, at baselines in outer scales.

    After Conan (2000), from memory.
    """
    x = np.maximum(2.0 * np.pi * baseline, 1e-6)
    order = 5.0 / 6.0
    level = gamma(order) / 2.0 ** (1.0 - order)
    # For small x the bracket goes as x^(5/3), which gives Kolmogorov's.
    small = -(2.0 ** (-order - 1.0)) * gamma(-order)
    return np.asarray((level - x**order * kv(order, x)) / (small * x ** (5.0 / 3.0)))


def _lines(shape: StarShape) -> list[StarShape]:
    """Part a band into wavelengths, evenly."""
    if not shape.band_um:
        return [shape]
    parts = []
    for place in (np.arange(_BAND_LINES) + 0.5) / _BAND_LINES - 0.5:
        wavelength = shape.wavelength_um + float(place) * shape.band_um
        waves = shape.wavelength_um / wavelength
        parts.append(replace(
            shape,
            wavelength_um=wavelength,
            spherical_waves=shape.spherical_waves * waves,
            astigmatism_waves=(shape.astigmatism_waves[0] * waves, shape.astigmatism_waves[1] * waves),
            coma_waves=(shape.coma_waves[0] * waves, shape.coma_waves[1] * waves),
        ))  # fmt: skip
    return parts


def _annulus_otf(shape: StarShape, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    def disc(diameter: float) -> NDArray[np.float64]:
        argument = np.maximum(np.pi * diameter * frequency, 1e-9)
        return 2.0 * j1(argument) / argument

    inner = shape.obstruction**2
    return (disc(shape.donut_um) - inner * disc(shape.obstruction * shape.donut_um)) / (1.0 - inner)


def _wave_otf(shape: StarShape, field_px: int, fine: int) -> NDArray[np.complex128]:
    """Autocorrelation of the pupil at the frequencies of the half-plane Fourier transform."""
    across = field_px * shape.pixel_um / (shape.wavelength_um * shape.f_ratio)
    finer = max(1, math.ceil(_PUPIL_SAMPLES / across))
    across *= finer
    size = fft.next_fast_len(2 * math.ceil(across) + 4)
    pupil = fft.ifft2(_pupil(shape, across, size), overwrite_x=True)
    otf = fft.fft2(pupil.real**2 + pupil.imag**2, overwrite_x=True)
    # The cells on the pupil's edge hold part of the light, and at zero lag its square: divide by the
    # true area instead, which is right from one cell of lag on.
    otf *= size**2 / (math.pi / 4.0 * across**2 * (1.0 - shape.obstruction**2))
    otf[0, 0] = 1.0
    # Row j of the wanted grid is row j·finer of the OTF; what lies beyond its edge is zero.
    wanted_y = np.rint(fft.fftfreq(fine) * fine).astype(int) * finer
    wanted_x = np.arange(fine // 2 + 1) * finer
    inside_y, inside_x = np.abs(wanted_y) < size // 2, wanted_x < size // 2
    sampled = np.zeros((wanted_y.size, wanted_x.size), dtype=complex)
    sampled[np.ix_(inside_y, inside_x)] = otf[np.ix_(wanted_y[inside_y], wanted_x[inside_x])]
    return sampled


def _pupil(shape: StarShape, across: float, size: int) -> NDArray[np.complex128]:
    coordinate = fft.fftfreq(size) * size * (2.0 / across)
    x, y = coordinate[None, :], coordinate[:, None]
    square = x**2 + y**2
    rho = np.sqrt(square)
    cell = 2.0 / across
    lit = np.clip((1.0 - rho) / cell + 0.5, 0.0, 1.0) - np.clip((shape.obstruction - rho) / cell + 0.5, 0.0, 1.0)
    waves = shape.defocus_um / (8.0 * shape.f_ratio**2 * shape.wavelength_um) * square
    if shape.spherical_waves:
        waves = waves + shape.spherical_waves * noll_z11(rho)
    if any(shape.astigmatism_waves):
        oblique, upright = shape.astigmatism_waves
        waves = waves + math.sqrt(6.0) * (oblique * 2.0 * x * y + upright * (x**2 - y**2))
    if any(shape.coma_waves):
        vertical, horizontal = shape.coma_waves
        waves = waves + math.sqrt(8.0) * (3.0 * square - 2.0) * (vertical * y + horizontal * x)
    # A fifth of the grid is lit: the exponentials of the rest were a third of the time of a scene.
    inside = lit > 0.0
    pupil = np.zeros_like(waves, dtype=complex)
    pupil[inside] = lit[inside] * np.exp(2j * np.pi * waves[inside])
    return pupil
