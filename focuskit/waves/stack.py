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
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls

from focuskit.core.errors import FocuskitError
from focuskit.core.matrix import Sites
from focuskit.waves.annuli import FINE, annulus_maps, fine_places, harmonic_maps, harmonic_sums, stamp_masks, sub_pixel
from focuskit.waves.crowd import Crowd, most_light
from focuskit.waves.model import BINS_PER_PX

Array = NDArray[np.float64]

# The profile reaches so far at least: stars of fewer pixels have their seeing's wings beyond 2 HFD (chosen).
_LEAST_RADIUS_PX = 8.0
# The second sees what was hidden from the first: profile, neighbours and spoilt pixels depend on one another.
_ROUNDS = 2
# This part of the profile, the outermost, is as good as sky (chosen).
_OUTER = 0.2
# A pixel of sky in a stack has this part of the variance that its frame's sky has, at least. Chosen: half the noise.
_LEAST_SKY = 0.25
# Of an image without noise, this part of the brightest star stands for the noise of a pixel: far less than any has.
_LEAST_NOISE = 1e-7
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
    shares : array, shape (stars of the task,)
        Part of each star in the stack: 0 for those too near the border; they sum to 1.
    own : array, shape (stars of the task, annuli), or None
        What each star adds to ``flux`` by differing from the others; the sum over the stars is 0.
    places : array, shape (stars of the task, 2), or None
        Centres x, y of the stars in pixels.
    """

    position: float
    bins: Array = field(repr=False)
    flux: Array = field(repr=False)
    variance: Array = field(repr=False)
    stars: int
    harmonics: Array | None = field(default=None, repr=False)
    harmonic_variance: Array | None = field(default=None, repr=False)
    shares: Array = field(default_factory=lambda: np.ones(1), repr=False)
    own: Array | None = field(default=None, repr=False)
    places: Array | None = field(default=None, repr=False)

    def without(self, star: int) -> FrameProfile:
        """Return the profile without one of the stars."""
        if self.own is None or not self.shares[star]:
            return self
        rest, odd = 1.0 - self.shares[star], self.own[star]
        shares = np.where(np.arange(self.shares.size) == star, 0.0, self.shares / rest)
        own = (self.own + shares[:, None] * odd) / rest
        own[star] = 0.0
        return replace(self, flux=self.flux - odd / rest, variance=self.variance / rest, shares=shares, own=own)


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
    known : array, shape (stars, 2), optional
        Centres x, y of all stars that are known to be in the frame: their light is taken off their neighbours.
    path : str
        Where the frame is read again.
    sites : tuple, optional
        With a matrix of colours, the pixels that count, as in `Pixels`.
    plane : int
        Of an image of three colours, the one that is stacked.
    """

    x_px: Array
    y_px: Array
    flux: Array
    sky: Array | float
    noise: float
    radius_px: float
    position: float
    gain: float | None = None
    known: Array | None = None
    path: str = ""
    sites: Sites | None = None
    plane: int = 0


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
    squares, odd, differ = stack.add_up(task.known)
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
        harmonics = _harmonics(odd, stack.light_by_zone(), radius)
        harmonic_variance = noise / light**2 / stack.mask.mean()
    shares = np.zeros(stack.inside.shape)
    shares[stack.inside] = stack.weight * stack.flux / light.sum()
    own = np.zeros((shares.size, radius))
    own[stack.inside] = differ
    own -= shares[:, None] * differ.sum(axis=0)
    return FrameProfile(
        position=float(task.position),
        bins=bins,
        flux=stack.profile,
        variance=variance,
        stars=stack.flux.size,
        harmonics=harmonics,
        harmonic_variance=harmonic_variance,
        shares=shares,
        own=own,
        places=np.stack((task.x_px, task.y_px), axis=1),
    )


class _Stack:
    """The stack of one frame while it is made, of the stars far enough from the border.

    It starts from the median of the stars' own profiles. `add_up` then repeats: expect each star's pixels, take off
    what its neighbours add, replace what is far too bright, and average what is left to the next profile.

    Pixels of a stamp are in one row, shape (pixels,); sums over stars have a row for each sub-pixel phase of their
    centres, shape (phases, pixels), since a pixel's annulus depends on the phase. With a matrix of colours, which
    pixels count depends on where a star's stamp begins: its ``corner``.
    """

    def __init__(self, image: NDArray[np.generic], task: StackTask) -> None:
        self.image, self.gain = image, task.gain or 1.0
        self.radius = radius = math.ceil(task.radius_px)
        half = radius + 1
        across, along = (
            (np.rint(place) >= half) & (np.rint(place) < size - half)
            for place, size in ((task.x_px, image.shape[1]), (task.y_px, image.shape[0]))
        )
        inside = across & along & (task.flux > 0.0)
        if not inside.any():
            raise FocuskitError(f"position {task.position:.10g}: no star lies {half} px or more from the border")
        self.inside = inside
        self.level = np.broadcast_to(task.sky, task.x_px.shape)[inside]
        self.x_px, self.y_px, self.flux = task.x_px[inside], task.y_px[inside], task.flux[inside]
        self.noise = max(task.noise, _LEAST_NOISE * float(self.flux.max()))
        self.column, self.row = np.rint(self.x_px).astype(int), np.rint(self.y_px).astype(int)
        self.sites = task.sites
        self.annulus, self.shares = annulus_maps(radius, task.sites)
        self.mask, self.corner = stamp_masks(self.row, self.column, radius, task.sites)
        self.phase = sub_pixel(self.x_px - self.column, self.y_px - self.row)
        self.weight = stack_weight(self.flux, self.noise, radius, self.gain)
        self.zone = _zones(self.x_px, self.y_px, image.shape)
        # Weights of the pixels at the model's radii, shape (annuli, BINS_PER_PX + 1).
        self.where = self._weigh(self.weight * self.flux)
        self.norm = self.where.sum(axis=1)
        if not self.norm.all():
            raise FocuskitError(f"position {task.position:.10g}: its stars are too few for pixels of one colour")
        self.profile = self._typical()

    def _typical(self) -> Array:
        """Return the median of the stars' own profiles: a hot pixel or a neighbour spoils that of one star."""
        pixels = self.shares[self.corner, self.phase].sum(axis=2)
        light = np.stack([
            self._by_annulus(self._stamp(j) / self.flux[j] * self.mask[self.corner[j]], self.annulus[phase])
            for j, phase in enumerate(self.phase)
        ])  # fmt: skip
        if not np.isfinite(light).all():
            raise FocuskitError("the pixels of its stars are too bright for numbers of single precision")
        own = light / np.maximum(pixels, 1e-9)
        weight = self.weight * self.flux
        # No star counts more than two typical ones: a median over one giant is that star.
        weight = np.minimum(weight, 2.0 * np.median(weight))
        # One colour of a matrix may have no pixel of a star in a narrow annulus.
        weight = np.where(pixels > 0.0, weight[:, None], 0.0)
        order = np.argsort(own, axis=0)
        share = np.cumsum(np.take_along_axis(weight, order, axis=0), axis=0) / weight.sum(axis=0)
        middle = order[np.argmax(share >= 0.5, axis=0), np.arange(self.radius)]
        return np.asarray(own[middle, np.arange(self.radius)])

    def add_up(self, known: Array | None) -> tuple[Array, Array, Array]:
        """Stack the stars without the light of ``known`` neighbours and without pixels far too bright for their star.

        Such pixels count as what is expected of them.

        Returns
        -------
        squares : array, shape (phases, pixels)
            Sum of the squared residuals, weighted.
        odd : array, shape (zones, pixels)
            Sum of what the stars of each zone have beside the round profile, weighted.
        differ : array, shape (stars, annuli)
            What each star adds to the profile beyond what was expected of it.
        """
        by_zone = self.light_by_zone()
        lopsided = np.zeros(self.annulus.shape[1])
        centres = np.stack((self.x_px, self.y_px), axis=1)
        crowd = Crowd(self.image, self.radius, centres, self.level, known, self.sites) if known is not None else None
        for _ in range(_ROUNDS):
            foreign = crowd.neighbours(self._light_by_radius(), self.noise) if crowd else {}
            expected, brightest = self._expected()
            total, squares = np.zeros(self.annulus.shape), np.zeros(self.annulus.shape)
            rest, differ = np.zeros((ZONES**2, self.annulus.shape[1])), np.empty((self.flux.size, self.radius))
            for j, phase in enumerate(self.phase):
                star = self.flux[j] * (expected[phase] + lopsided)
                light = star + foreign[j] if j in foreign else star
                residual = self._stamp(j) - light
                # Only upwards: what spoils a pixel adds light.
                above = self.flux[j] * brightest[phase]
                residual[residual > above + most_light(light + above, self.noise)] = 0.0
                weight = self.weight[j] * self.mask[self.corner[j]]
                residual *= weight
                total[phase] += residual + weight * star
                rest[self.zone[j]] += residual
                differ[j] = self._by_annulus(residual, self.annulus[phase]) / self.norm
                squares[phase] += residual * residual
            self.profile = self._by_annulus(total) / self.norm
            rest += by_zone * lopsided
            lopsided = _lopsided(rest.sum(axis=0), by_zone.sum(axis=0), self.radius)
        return squares, rest, differ

    def variance(self, squares: Array) -> tuple[float, float, Array]:
        """Return the scatter of the pixels about the stack, smoothed by what it must be: sky plus photons.

        First the variances of a pixel of sky, and of one of unit flux; then the variance of each annulus.
        """
        scatter = self._by_annulus(squares)
        sky = self._weigh(self.weight**2).sum(axis=1)
        light = self._weigh(self.weight**2 * self.flux).sum(axis=1) * np.maximum(self.profile, 0.0)
        expect = self.noise**2 * sky + light / self.gain
        for _ in range(3):
            scale = np.sqrt(self.shares.mean(axis=(0, 1)).sum(axis=1)) / expect
            (per_sky, per_light), _ = nnls(scale[:, None] * np.stack((sky, light), axis=1), scale * scatter)
            # Where stars do not lie where they should, all the scatter goes with the light.
            per_sky = max(per_sky, _LEAST_SKY * self.noise**2)
            expect = per_sky * sky + per_light * light
        return float(per_sky), float(per_light), expect / self.norm**2

    def light_by_zone(self) -> Array:
        """Return the stars' light in each pixel of the zones' sums, weighted: shape (zones, pixels), or (zones, 1)."""
        light = np.zeros((ZONES**2, len(self.mask)))
        np.add.at(light, (self.zone, self.corner), self.weight * self.flux)
        return light @ self.mask if self.sites else light

    def _stamp(self, j: int) -> NDArray[np.float32]:
        half = self.radius + 1
        row, column = self.row[j], self.column[j]
        cut = self.image[row - half : row + half + 1, column - half : column + half + 1]
        pixels: NDArray[np.float32] = cut.astype(np.float32).ravel()
        pixels -= np.float32(self.level[j])
        return pixels

    def _by_annulus(self, values: Array, annulus: NDArray[np.int32] | None = None) -> Array:
        places = (self.annulus if annulus is None else annulus).ravel()
        sums = np.bincount(places, values.ravel(), minlength=self.radius + 1)
        return sums[: self.radius].astype(float)

    def _weigh(self, weight: Array) -> Array:
        phases = self.shares.shape[1]
        by_phase = np.bincount(self.corner * phases + self.phase, weight, minlength=len(self.shares) * phases)
        return np.tensordot(by_phase.reshape(-1, phases), self.shares, axes=2)

    def _expected(self) -> tuple[Array, Array]:
        """Return the profile at every pixel of the stamps, 0 beyond, and by how much more a pixel may have.

        The light of a small star changes manifold from one pixel to the next, by its place on them.
        """
        expected = np.append(self._curve(), 0.0)[fine_places(self.radius)]
        if self.radius > _LEAST_RADIUS_PX:
            return expected, np.zeros(expected.shape)
        # In the middle a pixel may have all of it, further out what the next annulus inwards has.
        nearer = np.array([1.0, 1.0, *self.profile[1:-1], 0.0])[self.annulus]
        return expected, np.maximum(nearer - expected, 0.0)

    def _light_by_radius(self) -> Array:
        """Return the profile less what is left of the sky, at FINE places in a pixel; nowhere negative."""
        # The sky may be a little off, and the outer annuli show by how much; no star is darker than the sky.
        sky = np.median(self.profile[-math.ceil(_OUTER * self.radius) :])
        return np.maximum(self._curve() - sky, 0.0)

    def _curve(self) -> Array:
        """Return the profile at FINE places in a pixel, as a smooth curve that is even at the centre."""
        radius = self.radius
        inside = self.where / self.norm[:, None] @ np.arange(BINS_PER_PX + 1) / BINS_PER_PX
        middle = np.arange(radius) + inside
        # Stars that all lie on the very centre of a pixel have one at radius 0, which mirrors onto itself.
        first = 1 if middle[0] == 0.0 else 0
        radii = np.concatenate((-middle[first:][::-1], middle))
        curve = CubicSpline(radii, np.concatenate((self.profile[first:][::-1], self.profile)))
        return np.asarray(curve((np.arange(radius * FINE) + 0.5) / FINE))


def stack_weight(flux: Array, noise: float, radius_px: float, gain_e_per_adu: float) -> Array:
    """Return by what the pixels of each star are multiplied in a stack: its flux over the variance of a pixel."""
    spread_over = 0.5 / (math.pi * (0.25 * radius_px) ** 2)
    return np.asarray(flux / (noise**2 + spread_over * flux / gain_e_per_adu))


def _zones(x_px: Array, y_px: Array, shape: tuple[int, ...]) -> NDArray[np.int64]:
    column, row = (
        np.clip((ZONES * (place + 0.5) / size).astype(int), 0, ZONES - 1)
        for place, size in ((x_px, shape[1]), (y_px, shape[0]))
    )
    return np.asarray(row * ZONES + column)


def _harmonics(odd: Array, light: Array, radius: int) -> Array:
    """Sort what is left of each zone by radius and angle, shape (zones, 4, annuli); ``light`` are the pixels' weights.

    Stars lie together on whole pixels here: half a pixel hardly shows in what is small already.
    """
    if light.shape[1] > 1:
        light = np.asarray((harmonic_sums(radius, 2) @ light.T).T)
    return np.asarray((harmonic_sums(radius) @ odd.T).T / light).reshape(len(odd), 4, radius)


def _lopsided(odd: Array, light: Array, radius: int) -> Array:
    """Return the part of a stack, on the pixels of a stamp, that changes once or twice with the angle.

    It is no blemish of a single star, whose pixels are not to be replaced because of it.
    """
    annulus, trig = harmonic_maps(radius)
    with np.errstate(invalid="ignore"):  # in the middle, and where the colour has no pixel
        known = np.nan_to_num(_harmonics(odd[None], light[None], radius)[0])
    amplitudes = np.hstack([known, np.zeros((4, 1))])
    return np.asarray((amplitudes[:, annulus] * trig).sum(axis=0))
