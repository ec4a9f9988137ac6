"""Radial profile of a frame, stacked from its good stars: the input of the profile fit.

Stars are put on top of one another at their sub-pixel centres, scaled by their known brightness, and
sorted into annuli by the distance of the pixels' centres. Which distances went into an annulus is
kept, so that the model is averaged over the very same pixels: where one-pixel annuli hold a few pixels
each, anything less costs more than the noise.

What the stars have beside this round profile is stacked too, over each zone of the sensor, and sorted by
how often it changes with the angle: once (coma, a shift) or twice (astigmatism, a smear).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls
from scipy.spatial import cKDTree

from focuskit.core.errors import FocuskitError
from focuskit.waves.annuli import FINE, annulus_maps, fine_places, harmonic_maps, harmonic_sums, sub_pixel
from focuskit.waves.model import BINS_PER_PX

Array = NDArray[np.float64]

# A pixel is replaced by its expectation when it is off by this many sigma and this part of the light.
_CLIP_SIGMA = 8.0
_CLIP_SHARE = 0.3
_CLIP_ROUNDS = 2
# A known star so near to one that is stacked is that star.
_ITSELF_PX = 3.0
# The sensor is parted into so many zones along each side.
ZONES = 3


@dataclass(frozen=True)
class FrameProfile:
    """Stacked radial profile of the good stars of one frame.

    Parameters
    ----------
    position : float
        Focuser position in steps.
    bins : array, shape (annuli, radius bins)
        Share of each annulus' pixels, by weight, at each of the model's radii, 0, 1/BINS_PER_PX, …
        px; rows sum to 1.
    flux : array, shape (annuli,)
        Mean flux per pixel, for a star of unit total flux (any constant factor and any constant sky
        may remain: both are free in the fit).
    variance : array, shape (annuli,)
        Variance of ``flux``. Errors of the local sky, common to all annuli of a star, do not count.
    stars : int
        Stars in the stack.
    harmonics : array, shape (zones, 4, annuli), or None
        Amplitudes of cos θ, sin θ, cos 2θ and sin 2θ in flux per pixel for a star of unit flux, beside the
        profile common to all zones; θ from +x towards +y. Zones run along the rows of the sensor;
        a zone without a star has NaN.
    harmonic_variance : array, shape (zones, annuli), or None
        Variance of one pixel of a zone's stack; `harmonic_bins` tells how many make an amplitude.
    """

    position: float
    bins: Array
    flux: Array
    variance: Array
    stars: int
    harmonics: Array | None = None
    harmonic_variance: Array | None = None


def stack_profile(
    image: NDArray[np.generic],
    x_px: Array,
    y_px: Array,
    flux: Array,
    sky: Array | float,
    noise: float,
    radius_px: float,
    position: float,
    gain_e_per_adu: float = 1.0,
    known: tuple[Array, Array, Array] | None = None,
) -> FrameProfile:
    """Stack the stars of one frame.

    Parameters
    ----------
    image : array, shape (rows, columns)
        Pixels as read; of any real type.
    x_px, y_px : arrays, shape (stars,)
        Centres; the centre of the first pixel is (0, 0). Stars closer to the border than
        ``radius_px`` + 1 are left out.
    flux : array, shape (stars,)
        Relative brightness, the same numbers in every frame of the run (they set the weights, and the
        scale of the profile); in the unit of the image.
    sky : array, shape (stars,), or float
        Sky under each star.
    noise : float
        Standard deviation of a pixel of sky.
    radius_px : float
        Radius of the profile; 2 × the half-flux diameter is enough, less costs precision.
    position : float
        Focuser position in steps.
    gain_e_per_adu : float
        For the weights only: the noise itself is taken from the scatter of the pixels.
    known : arrays x, y and flux, optional
        All stars that are known to be in the frame, those stacked too: their light is taken off their neighbours.

    Raises
    ------
    FocuskitError
        If no star lies far enough from the border.
    """
    radius = math.ceil(radius_px)
    column, row = np.rint(x_px), np.rint(y_px)
    rows, columns = image.shape
    half = radius + 1
    inside = (column >= half) & (row >= half) & (column < columns - half) & (row < rows - half) & (flux > 0.0)
    if not inside.any():
        raise FocuskitError(f"position {position:.10g}: no star lies {half} px or more from the border")
    level = np.broadcast_to(sky, x_px.shape)[inside]
    stack = _Stack(image, x_px[inside], y_px[inside], flux[inside], level, noise, radius, gain_e_per_adu)
    if known is not None:
        stack.take_off(known)
    squares, odd = stack.replace_spoilt()
    from_sky, from_light, variance = stack.variance(squares)
    bins = np.zeros((radius, radius * BINS_PER_PX + 1))
    for a in range(radius):
        bins[a, a * BINS_PER_PX : (a + 1) * BINS_PER_PX + 1] = stack.where[a] / stack.norm[a]
    by_zone, squares_by_zone, light_by_zone = (
        np.bincount(stack.zone, stack.weight**k * stack.flux**n, minlength=ZONES**2)[:, None]
        for k, n in ((1, 1), (2, 0), (2, 1))
    )
    zone_variance = (
        from_sky * noise**2 * squares_by_zone
        + from_light / gain_e_per_adu * light_by_zone * np.maximum(stack.profile, 0.0)
    )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):  # a zone without a star
        harmonics, harmonic_variance = _harmonics(odd / by_zone, radius), zone_variance / by_zone**2
    return FrameProfile(float(position), bins, stack.profile, variance, stack.flux.size, harmonics, harmonic_variance)


class _Stack:
    """The stack of one frame while it is made, of what is handed to `stack_profile`.

    ``total`` sums the pixels of all stars at each sub-pixel centre, shape (phases, pixels); ``where`` the weights of
    the pixels at the radii of the model within each annulus, shape (annuli, BINS_PER_PX + 1).
    """

    def __init__(
        self, image: NDArray[np.generic], x_px: Array, y_px: Array, flux: Array, level: Array, noise: float,
        radius: int, gain_e_per_adu: float,
    ) -> None:  # fmt: skip
        self.image, self.x_px, self.y_px, self.flux, self.level = image, x_px, y_px, flux, level
        self.noise, self.radius, self.gain_e_per_adu = noise, radius, gain_e_per_adu
        self.column, self.row = np.rint(x_px).astype(int), np.rint(y_px).astype(int)
        self.annulus, self.shares = annulus_maps(radius)
        self.phase = sub_pixel(x_px - self.column, y_px - self.row)
        self.weight = stack_weight(flux, noise, radius, gain_e_per_adu)
        self.zone = _zones(x_px, y_px, image.shape)
        self.foreign: dict[int, NDArray[np.float32]] = {}
        self.total = np.zeros(self.annulus.shape)
        for j in range(flux.size):
            # Said in so many words: a number times single precision is single precision before NumPy 2.
            self.total[self.phase[j]] += np.multiply(self.weight[j], self._stamp(j), dtype=np.float64)
        self.where = self._weigh(self.weight * flux)
        self.norm = self.where.sum(axis=1)
        self.profile = self._by_annulus(self.total) / self.norm

    def take_off(self, known: tuple[Array, Array, Array]) -> None:
        """Take the light of known neighbours off, of the profile found so far."""
        self.foreign = _foreign_light(self, known)
        for j, pixels in self.foreign.items():
            self.total[self.phase[j]] -= self.weight[j] * pixels
        self.profile = self._by_annulus(self.total) / self.norm

    def replace_spoilt(self) -> tuple[Array, Array]:
        """Replace pixels that are far too bright for their star by what is expected of them.

        Returns
        -------
        squares : array, shape (phases, pixels)
            Sum of the squared residuals, weighted.
        odd : array, shape (zones, pixels)
            Sum of what the stars of each zone have beside the round profile, weighted.
        """
        light = np.bincount(self.phase, self.weight * self.flux, minlength=self.annulus.shape[0])
        rest = self.total - light[:, None] * self._expected()
        for _ in range(_CLIP_ROUNDS):
            expected, lopsided = self._expected(), _lopsided(rest.sum(axis=0) / light.sum(), self.radius)
            squares, excess = np.zeros(self.annulus.shape), np.zeros(self.annulus.shape)
            rest = np.zeros((ZONES**2, self.annulus.shape[1]))
            for j in range(self.flux.size):
                star = self.flux[j] * (expected[self.phase[j]] + lopsided)
                residual = self._stamp(j) - star
                # Only upwards: what spoils a pixel adds light, and lifts the expectation for all others.
                spoilt = residual > _CLIP_SIGMA * self.noise + _CLIP_SHARE * np.maximum(star, 0.0)
                if spoilt.any():
                    excess[self.phase[j], spoilt] += self.weight[j] * residual[spoilt]
                    residual[spoilt] = 0.0
                residual *= self.weight[j]
                rest[self.zone[j]] += residual
                squares[self.phase[j]] += residual * residual
            by_zone = np.bincount(self.zone, self.weight * self.flux, minlength=ZONES**2)
            rest += by_zone[:, None] * lopsided
            if not excess.any():
                break
            self.profile = self._by_annulus(self.total - excess) / self.norm
        return squares, rest

    def variance(self, squares: Array) -> tuple[float, float, Array]:
        """Return the scatter of the pixels about the stack, smoothed by what it must be: sky plus photons.

        First the variances of a pixel of sky, and of one of unit flux; then the variance of each annulus.
        """
        scatter = self._by_annulus(squares)
        sky = self._weigh(self.weight**2).sum(axis=1)
        light = self._weigh(self.weight**2 * self.flux).sum(axis=1) * np.maximum(self.profile, 0.0)
        expect = self.noise**2 * sky + light / self.gain_e_per_adu
        for _ in range(3):
            scale = np.sqrt(self.shares.mean(axis=0).sum(axis=1)) / expect
            (per_sky, per_light), _ = nnls(scale[:, None] * np.stack((sky, light), axis=1), scale * scatter)
            expect = per_sky * sky + per_light * light
        return float(per_sky), float(per_light), expect / self.norm**2

    def _stamp(self, j: int) -> NDArray[np.float32]:
        half = self.radius + 1
        row, column = self.row[j], self.column[j]
        cut = self.image[row - half : row + half + 1, column - half : column + half + 1]
        pixels: NDArray[np.float32] = cut.astype(np.float32).ravel()
        pixels -= np.float32(self.level[j])
        if j in self.foreign:
            pixels -= self.foreign[j]
        return pixels

    def _by_annulus(self, values: Array) -> Array:
        sums = np.bincount(self.annulus.ravel(), values.ravel(), minlength=self.radius + 1)
        return sums[: self.radius].astype(float)

    def _weigh(self, weight: Array) -> Array:
        by_phase = np.bincount(self.phase, weight, minlength=self.shares.shape[0])
        return np.tensordot(by_phase, self.shares, axes=1)

    def _expected(self) -> Array:
        """Return the profile at every pixel of the stamps, 0 beyond: a smooth curve, even at the centre."""
        radius = self.radius
        inside = self.where / self.norm[:, None] @ np.arange(BINS_PER_PX + 1) / BINS_PER_PX
        middle = np.arange(radius) + inside
        # Stars that all lie on the very centre of a pixel have one at radius 0, which mirrors onto itself.
        first = 1 if middle[0] == 0.0 else 0
        radii = np.concatenate((-middle[first:][::-1], middle))
        curve = CubicSpline(radii, np.concatenate((self.profile[first:][::-1], self.profile)))
        return np.append(curve((np.arange(radius * FINE) + 0.5) / FINE), 0.0)[fine_places(radius)]


def stack_weight(flux: Array, noise: float, radius_px: float, gain_e_per_adu: float) -> Array:
    """Return by what the pixels of each star are multiplied in a stack: its flux over the variance of a pixel."""
    spread_over = 0.5 / (math.pi * (0.25 * radius_px) ** 2)
    return np.asarray(flux / (noise**2 + spread_over * flux / gain_e_per_adu))


def _foreign_light(stack: _Stack, known: tuple[Array, Array, Array]) -> dict[int, NDArray[np.float32]]:
    """Return what other stars add to the pixels of the stamps of those that have neighbours, by their number."""
    radius = stack.radius
    reach = math.sqrt(2.0) * (radius + 1) + radius
    known_x, known_y, known_flux = (part[np.isfinite(known[0] + known[1] + known[2])] for part in known)
    tree = cKDTree(np.stack([known_x, known_y], axis=1))
    offset = np.arange(-radius - 1.0, radius + 2.0)
    middles = np.arange(radius) + 0.5
    # The sky may be a little off, and the outermost annulus shows by how much.
    shape = stack.profile - stack.profile[-1]
    foreign = {}
    for j, near in enumerate(tree.query_ball_point(np.stack((stack.x_px, stack.y_px), axis=1), reach)):
        light = np.zeros((offset.size, offset.size))
        for n in near:
            dx, dy, flux = known_x[n] - stack.column[j], known_y[n] - stack.row[j], known_flux[n]
            if math.hypot(known_x[n] - stack.x_px[j], known_y[n] - stack.y_px[j]) > _ITSELF_PX and flux > 0.0:
                distance = np.sqrt((offset[None, :] - dx) ** 2 + (offset[:, None] - dy) ** 2)
                light += flux * np.interp(distance, middles, shape, right=0.0)
        if light.any():
            foreign[j] = light.astype(np.float32).ravel()
    return foreign


def _zones(x_px: Array, y_px: Array, shape: tuple[int, ...]) -> NDArray[np.int64]:
    column, row = (
        np.clip((ZONES * (place + 0.5) / size).astype(int), 0, ZONES - 1)
        for place, size in ((x_px, shape[1]), (y_px, shape[0]))
    )
    return np.asarray(row * ZONES + column)


def _harmonics(odd: Array, radius: int) -> Array:
    """Sort what is left of each zone by radius and angle, shape (zones, 4, annuli).

    Stars lie together on whole pixels here: half a pixel hardly shows in what is small already.
    """
    return np.asarray((harmonic_sums(radius) @ odd.T).T).reshape(len(odd), 4, radius)


def _lopsided(odd: Array, radius: int) -> Array:
    """Return the part of a stack, on the pixels of a stamp, that changes once or twice with the angle.

    It is no blemish of a single star, whose pixels are not to be replaced because of it.
    """
    annulus, trig = harmonic_maps(radius)
    amplitudes = np.hstack([_harmonics(odd[None], radius)[0], np.zeros((4, 1))])
    return np.asarray((amplitudes[:, annulus] * trig).sum(axis=0))
