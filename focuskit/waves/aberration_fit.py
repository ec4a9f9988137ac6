"""What the shape of a run's stars tells of the optics: coma, astigmatism, smear.

The stacks of all frames are compared with what each would add (`Harmonics`), given the defocus and
the seeing that the profile fit found: astigmatism turns by 90° through focus, a smear (guiding, wind) does
not, coma looks the same on both sides. The smear of a frame is drawn from a normal law about the run's, so
that gusts do not count as astigmatism; shifts of the stars and slopes of the sky are free in every frame.

The error of each amount comes from the scatter of the frames, and from how the zones of the sensor differ:
what grows from the middle to the edges, or what the neighbours of a few stars feign, is no fault of the axis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from focuskit.waves.aberrations import Aberrations, Amount, make_amount
from focuskit.waves.annuli import harmonic_bins
from focuskit.waves.harmonics import Harmonics, harmonic_model
from focuskit.waves.model import BINS_PER_PX, fwhm_factor, profile_model
from focuskit.waves.result import ProfileFit
from focuskit.waves.stack import FrameProfile

Array = NDArray[np.float64]

_LEAST_FRAMES = 5  # chosen: the jackknife over frames has eight degrees of freedom then
# What the model is off by, found on rendered frames.
_MODEL_ERR = 0.02  # share of the amount itself
# That share grows because the changes are taken as small: 8 % of 0.1 wave of coma, 75 % of 0.2, 7 % of 0.2 wave of
# astigmatism.
_MODEL_ERR_PER_WAVE2 = {"coma": 15.0, "astigmatism": 2.0}
_MODEL_CROSS_ERR = 0.01  # share of the other amount
_MODEL_LEAST_ERR_WAVES = 0.0003  # of every amount, also of none
_MODEL_SMEAR = 50.0  # (waves λN)²; coma lengthens stars too, to second order, by up to twice this
_MODEL_LEAST_SMEAR = 0.001  # of the square of the seeing's width
# Scatter of the smear from frame to frame that is tried, in units of the mean square radius of a star in focus.
_SMEARS = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 17)])


def measure_aberrations(profiles: Sequence[FrameProfile], fit: ProfileFit, wavelength_um: float) -> Aberrations | None:
    """Find coma, astigmatism and smear in the stacked stars of one run.

    Parameters
    ----------
    profiles : sequence of FrameProfile
        As given to the profile fit.
    fit : ProfileFit
    wavelength_um : float

    Returns
    -------
    Aberrations or None
        None with fewer than five frames in the fit, or where they were not stacked by zones.
    """
    frames = [(p, f) for p, f in zip(profiles, fit.frames, strict=True) if f.used and p.harmonics is not None]
    rig = fit.rig
    if len(frames) < _LEAST_FRAMES or rig.f_ratio is None or rig.obstruction is None or rig.pixel_um is None:
        return None
    radius_px = max(p.flux.size for p in profiles)
    model = profile_model(rig.f_ratio, rig.obstruction, rig.pixel_um, wavelength_um, radius_px)
    turned = harmonic_model(model)
    factor = fwhm_factor(fit.seeing_exponent)
    widths = [f.seeing_um / factor for _, f in frames if f.seeing_um]
    middle = math.exp(float(np.mean(np.log(widths))))
    zero_um = model.um_per_wave * model.least_hfd_waves(middle, fit.spherical_waves, fit.seeing_exponent)
    pairs = [
        _frame_equations(
            profile,
            turned.harmonics(frame.defocus_um + zero_um, width, fit.seeing_exponent, fit.spherical_waves),
        )
        for (profile, frame), width in zip(frames, widths, strict=True)
    ]
    unit = (middle / rig.pixel_um) ** 2 / 8.0 + 1.0
    one = _fit_one(*_stacked([once for once, _ in pairs]))
    two, smear = _fit_two(*_stacked([twice for _, twice in pairs]), unit * _SMEARS)
    freedom = 2 * (len(frames) - 1)
    second = _MODEL_SMEAR * (one.square + two.square) * (model.unit_um / rig.pixel_um) ** 2
    least = _MODEL_LEAST_SMEAR * (middle / rig.pixel_um) ** 2
    return Aberrations(
        coma=one.amount(freedom, _model_variance("coma", one, two)),
        astigmatism=two.amount(freedom, _model_variance("astigmatism", two, one)),
        smear=smear.amount(freedom, _MODEL_ERR**2 * smear.square + second**2 + least**2),
        frames=len(frames),
        zones=max(int(np.isfinite(p.harmonics[:, 0, -1]).sum()) for p, _ in frames if p.harmonics is not None),
        f_ratio=rig.f_ratio,
        obstruction=rig.obstruction,
        pixel_um=rig.pixel_um,
        wavelength_um=wavelength_um,
        hfd_px=model.hfd_um(zero_um / model.um_per_wave, middle, fit.spherical_waves, fit.seeing_exponent)
        / rig.pixel_um,
        elongation_per_px2=_elongation(turned.harmonics(zero_um, middle, fit.seeing_exponent, fit.spherical_waves)),
    )


def _model_variance(name: str, own: _Vector, other: _Vector) -> float:
    """Return by how much the model may be off, in waves squared, for an amount in the presence of the other."""
    share = _MODEL_ERR + _MODEL_ERR_PER_WAVE2[name] * own.square
    return share**2 * own.square + _MODEL_CROSS_ERR**2 * other.square + _MODEL_LEAST_ERR_WAVES**2


def _elongation(harmonics: Harmonics) -> float:
    """Return by how much a smear of 1 px² makes a star longer than wide at half its height, to first order."""
    half = int(np.argmax(harmonics.round < 0.5 * harmonics.round[0]))
    return float(2.0 * harmonics.smear[half] / harmonics.shift[half]) / (half / BINS_PER_PX)


# The equations of a frame ----------------------------------------------------------------------


def _stacked(pairs: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    return np.array([n for n, _ in pairs]), np.array([b for _, b in pairs])


def _frame_equations(profile: FrameProfile, harmonics: Harmonics) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Return normal matrix and right side of a frame for (coma), and for (astigmatism, smear).

    Shapes (zones, 2 components) and (zones, 2, …): 1, then 2 × 2 and 2.
    """
    assert profile.harmonics is not None and profile.harmonic_variance is not None
    radius = profile.flux.size
    bins, pixels = harmonic_bins(radius)
    light = _brightness(profile, harmonics.round)
    reach = bins.shape[2]
    slope = np.arange(reach) / BINS_PER_PX / radius
    once = [light * harmonics.coma[:reach], light * harmonics.shift[:reach], slope]
    twice = [light * harmonics.astigmatism[:reach], light * harmonics.smear[:reach]]
    known = np.isfinite(profile.harmonics) & (pixels > 1e-9)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = np.where(known, pixels / profile.harmonic_variance[:, None, :], 0.0)
    values = np.where(known, profile.harmonics, 0.0)

    def equations(parts: slice, shapes: list[Array]) -> tuple[Array, Array]:
        design = np.einsum("car,kr->cak", bins[parts], np.array(shapes))
        weighted = weight[:, parts, :, None] * design
        return np.einsum("zcak,cal->zckl", weighted, design), np.einsum("zcak,zca->zck", weighted, values[:, parts])

    matrix, right = equations(slice(0, 2), once)
    # A zone without a star gets rows that say nothing.
    rest = matrix[:, :, 1:, 1:] + 1e-300 * np.eye(2)
    empty = np.trace(rest, axis1=2, axis2=3) < 1e-200
    rest[empty] = np.eye(2)
    share = np.linalg.solve(rest, matrix[:, :, 1:, :1])[:, :, :, 0]
    once_equations = (
        matrix[:, :, 0, 0] - np.einsum("zck,zck->zc", matrix[:, :, 0, 1:], share),
        right[:, :, 0] - np.einsum("zck,zck->zc", right[:, :, 1:], share),
    )
    return once_equations, equations(slice(2, 4), twice)


def _brightness(profile: FrameProfile, star: Array) -> float:
    """Return the light of the frame's stars over what they were scaled by, sky free."""
    design = np.column_stack([profile.bins @ star[: profile.bins.shape[1]], np.ones(profile.flux.size)])
    weighted = design / profile.variance[:, None]
    return float(np.linalg.solve(weighted.T @ design, weighted.T @ profile.flux)[0])


# The run ---------------------------------------------------------------------------------------


def _fit_one(matrix: Array, right: Array) -> _Vector:
    """Return the amount from equations of shape (frames, zones, components)."""
    own = matrix.sum(axis=0).mean(axis=1)
    excess = _zone_scatter(own, right.sum(axis=0))
    share = 1.0 / (1.0 + own * excess)
    matrix, right = (np.einsum("z,fzc->fc", share, part) for part in (matrix, right))
    value = right.sum(axis=0) / matrix.sum(axis=0)
    without = (right.sum(axis=0) - right) / (matrix.sum(axis=0) - matrix)
    return _vector(value, without, float(np.mean(1.0 / matrix.sum(axis=0))), own, share, excess)


def _fit_two(matrix: Array, right: Array, smears: Array) -> tuple[_Vector, _Vector]:
    """Return astigmatism and smear from equations of shape (frames, zones, components, 2 × 2) and (…, 2)."""
    excess, own = np.zeros(2), matrix[..., (0, 1), (0, 1)].sum(axis=0).mean(axis=1).T
    for _ in range(2):
        # Zones that differ by more than noise count more alike.
        share = np.exp(-0.5 * np.log1p(own * excess[:, None]).sum(axis=0))
        pooled, side = np.einsum("z,fzckl->fckl", share, matrix), np.einsum("z,fzck->fck", share, right)
        width = smears[int(np.argmax([_likelihood(pooled, side, s) for s in smears]))]
        normal, level = _without_frame_smear(pooled, side, width)
        value = np.linalg.solve(normal.sum(axis=0), level.sum(axis=0)[:, :, None])[:, :, 0]
        frame_smear = value[:, 1] + _frame_smear(pooled, side, width, value)
        for k, known in ((0, frame_smear[:, None, :]), (1, np.broadcast_to(value[:, 0], (matrix.shape[0], 1, 2)))):
            excess[k] = _zone_scatter(own[k], (right[..., k] - matrix[..., 0, 1] * known).sum(axis=0))
    whole, side = normal.sum(axis=0), level.sum(axis=0)
    without = np.linalg.solve(whole - normal, (side - level)[..., None])[..., 0]
    formal = np.linalg.inv(whole)
    first, second = (
        _vector(value[:, k], without[:, :, k], float(formal[:, k, k].mean()), own[k], share, excess[k]) for k in (0, 1)
    )
    return first, second


def _without_frame_smear(matrix: Array, right: Array, width: float) -> tuple[Array, Array]:
    """Eliminate what the smear of each frame differs from the run's, normal with the width given."""
    gain = width**2 / (1.0 + width**2 * matrix[..., 1, 1])
    column = matrix[..., :, 1]
    normal = matrix - gain[..., None, None] * column[..., :, None] * column[..., None, :]
    return normal, right - (gain * right[..., 1])[..., None] * column


def _frame_smear(matrix: Array, right: Array, width: float, value: Array) -> Array:
    """Return by how much the smear of each frame differs from the run's, shape (frames, components)."""
    gain = width**2 / (1.0 + width**2 * matrix[..., 1, 1])
    return np.asarray(gain * (right[..., 1] - np.einsum("fck,ck->fc", matrix[..., 1], value)))


def _likelihood(matrix: Array, right: Array, width: float) -> float:
    """Return the restricted log-likelihood of the scatter of the smear from frame to frame."""
    normal, level = _without_frame_smear(matrix, right, width)
    whole, side = normal.sum(axis=0), level.sum(axis=0)
    explained = float(np.einsum("ck,ck->", side, np.linalg.solve(whole, side[..., None])[..., 0]))
    gain = width**2 / (1.0 + width**2 * matrix[..., 1, 1])
    own = float((gain * right[..., 1] ** 2).sum())
    loss = float(np.log1p(width**2 * matrix[..., 1, 1]).sum() + np.linalg.slogdet(whole)[1].sum())
    return 0.5 * (explained + own - loss)


def _zone_scatter(weight: Array, right: Array) -> float:
    """Return the variance of a component from zone to zone beside noise (DerSimonian & Laird 1986, from memory)."""
    seen = weight > 0
    if seen.sum() < 3:
        return 0.0
    w, value = weight[seen], right[seen] / weight[seen][:, None]
    mean = (w @ value) / w.sum()
    scatter = float((w @ (value - mean) ** 2).sum()) / 2.0
    return max(0.0, (scatter - (w.size - 1)) / float(w.sum() - (w**2).sum() / w.sum()))


@dataclass(frozen=True, eq=False, repr=False)
class _Vector:
    """Cosine and sine of an amount, and the variance of either."""

    value: Array
    variance: float

    @property
    def square(self) -> float:
        return float(self.value @ self.value)

    def amount(self, freedom: int, model: float) -> Amount:
        """Return the amount, with the variance that the model adds."""
        return make_amount(float(self.value[0]), float(self.value[1]), math.sqrt(self.variance + model), freedom)


def _vector(value: Array, without: Array, formal: float, own: Array, share: Array, excess: float) -> _Vector:
    """Return value and variance.

    ``without`` has shape (frames, components): each frame left out in turn. ``formal`` is the variance by the
    equations of zones whose weights ``own`` were taken ``share`` times, because they differ by ``excess``.
    """
    count = len(without)
    jackknife = (count - 1) / count * float(((without - without.mean(axis=0)) ** 2).sum()) / 2.0
    part = own * share
    noise = formal * float(part @ share) / float(part.sum())
    return _Vector(value, max(jackknife, noise) + excess * float(part @ part) / float(part.sum()) ** 2)
