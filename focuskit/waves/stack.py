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
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls
from scipy.spatial import cKDTree

from focuskit.core.errors import FocuskitError
from focuskit.core.workers import Workers
from focuskit.frames import Limits, read_pixels
from focuskit.waves.annuli import FINE, annulus_maps, fine_places, harmonic_maps, harmonic_sums, sub_pixel
from focuskit.waves.model import BINS_PER_PX

Array = NDArray[np.float64]

# The profile reaches so far at least: stars of fewer pixels have their seeing's wings beyond 2 HFD (chosen).
_LEAST_RADIUS_PX = 8.0
# A pixel is replaced by its expectation when it is off by this many sigma and this part of the light.
# Chosen: no noise and no error of a star's shape does that, but a satellite or a hot pixel.
_CLIP_SIGMA = 8.0
_CLIP_SHARE = 0.3
_CLIP_ROUNDS = 2  # the second sees what the first pixel's light had hidden
# A known star so near to one that is stacked is that star: the finder does not part them (chosen).
_ITSELF_PX = 3.0
# The sensor is parted into so many zones along each side: enough to see what grows towards the edges.
ZONES = 3


@dataclass(frozen=True, eq=False)
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
    bins: Array = field(repr=False)
    flux: Array = field(repr=False)
    variance: Array = field(repr=False)
    stars: int
    harmonics: Array | None = field(default=None, repr=False)
    harmonic_variance: Array | None = field(default=None, repr=False)


@dataclass(frozen=True, eq=False, repr=False)
class StackTask:
    """What is needed to stack the stars of one frame.

    Parameters
    ----------
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
        Radius of the profile, as of `stack_radius_px`.
    position : float
        Focuser position in steps.
    gain : float or None
        Electrons to a unit of the image, for the weights only: the noise itself is taken from the scatter of the
        pixels.
    known : arrays x, y and flux, optional
        All stars that are known to be in the frame, those stacked too: their light is taken off their neighbours.
    path : str
        Where the frame is read again.
    """

    x_px: Array
    y_px: Array
    flux: Array
    sky: Array | float
    noise: float
    radius_px: float
    position: float
    gain: float | None = None
    known: tuple[Array, Array, Array] | None = None
    path: str = ""


def stack_radius_px(hfd_px: float) -> float:
    """Return how far from their centres stars are stacked: twice their size, for less costs precision."""
    return max(_LEAST_RADIUS_PX, 2.0 * hfd_px)


def stack_profile(image: NDArray[np.generic], task: StackTask) -> FrameProfile:
    """Stack the stars of one frame; ``image`` are its pixels as read, of any real type.

    Raises
    ------
    FocuskitError
        If no star lies far enough from the border.
    """
    stack = _Stack(image, task)
    if task.known is not None:
        stack.take_off(task.known)
    squares, odd = stack.replace_spoilt()
    per_sky, per_light, variance = stack.variance(squares)
    radius = stack.radius
    bins = np.zeros((radius, radius * BINS_PER_PX + 1))
    for a in range(radius):
        bins[a, a * BINS_PER_PX : (a + 1) * BINS_PER_PX + 1] = stack.where[a] / stack.norm[a]
    light, sky_noise, light_noise = (
        np.bincount(stack.zone, weight, minlength=ZONES**2)[:, None]
        for weight in (stack.weight * stack.flux, stack.weight**2, stack.weight**2 * stack.flux)
    )
    noise = per_sky * sky_noise + per_light * light_noise * np.maximum(stack.profile, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):  # a zone without a star
        harmonics, harmonic_variance = _harmonics(odd / light, radius), noise / light**2
    return FrameProfile(
        float(task.position), bins, stack.profile, variance, stack.flux.size, harmonics, harmonic_variance
    )


def stack_or_nothing(task: StackTask, limits: Limits | None) -> FrameProfile | None:
    """Stack the stars of one frame; None where it cannot be read again or shows no star whole."""
    try:
        pixels = read_pixels(task.path, limits).filled()
        # The stack takes the image as stored; brightness and sky are brought to its numbers.
        known = task.known and (task.known[0], task.known[1], task.known[2] / pixels.scale)
        stored = replace(
            task,
            flux=task.flux / pixels.scale,
            sky=(task.sky - pixels.zero) / pixels.scale,
            noise=task.noise / pixels.scale,
            gain=(task.gain or 1.0) * pixels.scale,
            known=known,
        )
        return stack_profile(pixels.raw, stored)
    except (FocuskitError, MemoryError):
        return None


def stack_frames(tasks: Sequence[StackTask], pool: Workers, limits: Limits | None = None) -> list[FrameProfile | None]:
    """Stack the stars of many frames; None where a frame cannot be read again or shows no star whole."""
    return pool.map(partial(stack_or_nothing, limits=limits), tasks, lambda _: None)


class _Stack:
    """The stack of one frame while it is made, of the stars that lie far enough from the border.

    ``total`` sums the pixels of all stars at each sub-pixel centre, shape (phases, pixels); ``where`` the weights of
    the pixels at the radii of the model within each annulus, shape (annuli, BINS_PER_PX + 1).
    """

    def __init__(self, image: NDArray[np.generic], task: StackTask) -> None:
        self.image, self.noise, self.gain = image, task.noise, task.gain or 1.0
        self.radius = radius = math.ceil(task.radius_px)
        half = radius + 1
        across, along = (
            (np.rint(place) >= half) & (np.rint(place) < size - half)
            for place, size in ((task.x_px, image.shape[1]), (task.y_px, image.shape[0]))
        )
        inside = across & along & (task.flux > 0.0)
        if not inside.any():
            raise FocuskitError(f"position {task.position:.10g}: no star lies {half} px or more from the border")
        self.level = np.broadcast_to(task.sky, task.x_px.shape)[inside]
        self.x_px, self.y_px, self.flux = task.x_px[inside], task.y_px[inside], task.flux[inside]
        self.column, self.row = np.rint(self.x_px).astype(int), np.rint(self.y_px).astype(int)
        self.annulus, self.shares = annulus_maps(radius)
        self.phase = sub_pixel(self.x_px - self.column, self.y_px - self.row)
        self.weight = stack_weight(self.flux, self.noise, radius, self.gain)
        self.zone = _zones(self.x_px, self.y_px, image.shape)
        self.foreign: dict[int, NDArray[np.float32]] = {}
        self.total = np.zeros(self.annulus.shape)
        for j in range(self.flux.size):
            # Said in so many words: a number times single precision is single precision before NumPy 2.
            self.total[self.phase[j]] += np.multiply(self.weight[j], self._stamp(j), dtype=np.float64)
        self.where = self._weigh(self.weight * self.flux)
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
        expect = self.noise**2 * sky + light / self.gain
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
