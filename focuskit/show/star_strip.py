"""Pictures of the stars of a run, a frame each: all good stars as one, and below it one star alone."""

from __future__ import annotations

import base64
from io import BytesIO

import numpy as np

from focuskit.core.cache import NOTHING, Cache
from focuskit.core.errors import FocuskitError
from focuskit.frames import read_pixels
from focuskit.night import RunResult

_MOST_STARS = 25
_LEAST_HALF_PX, _MOST_HALF_PX = 10, 60
_SPARE_PX = 8  # a frame's shift may be off by as much


def star_strip(result: RunResult, cache: Cache) -> dict[int, str]:
    """Return PNG images as data URIs by frame number, twice as high as wide.

    The upper half is the median of the bright good stars, the lower half the brightest of them, of which
    all frames show the whole. All frames have one scale on the sky and one of intensity, a square root
    up to the sharpest frame's peak. A frame that cannot be read again, or shows no star whole, is left out.
    """
    key = cache.key("strip", [frame.info.path for frame in result.frames], result.match, result.sizes)
    strip = cache.load(key)
    if strip is NOTHING:
        strip = _draw(result)
        if len(strip) == np.isfinite(result.match.shift_px).all(axis=1).sum():  # else one may be gone for now only
            cache.save(key, strip)
    return strip


def _draw(result: RunResult) -> dict[int, str]:
    match, sizes = result.match, result.sizes.hfd_px
    known = sizes[np.isfinite(sizes)]
    order = np.argsort(-np.nan_to_num(match.brightness, nan=-1.0), kind="stable")
    chosen = [i for i in order if match.sound[i] and np.isfinite(match.brightness[i])][:_MOST_STARS]
    if not known.size or not chosen:
        return {}
    half = int(min(max(np.ceil(1.1 * known.max()), _LEAST_HALF_PX), _MOST_HALF_PX))
    alone = _seen_whole(result, chosen, half + _SPARE_PX)
    pairs = {}
    for k, frame in enumerate(result.frames):
        if np.isfinite(match.shift_px[k]).all():
            x, y = match.places_px[k].T
            pair = _pair(frame.info.path, x, y, chosen, alone, half)
            if pair is not None:
                pairs[k] = pair
    if not pairs:
        return {}
    peaks = np.max([[np.percentile(stamp, 99.8) for stamp in pair] for pair in pairs.values()], axis=0)
    return {k: _png_uri(pair, peaks) for k, pair in pairs.items()}


def _seen_whole(result: RunResult, chosen: list[int], reach: int) -> int | None:
    """Return the first of the chosen stars that lies well inside every frame."""
    match = result.match
    places = match.places_px[np.isfinite(match.shift_px).all(axis=1)]
    rows, columns = result.frames[0].info.shape
    for i in chosen:
        x, y = places[:, i].T
        if np.all((x >= reach) & (x < columns - reach) & (y >= reach) & (y < rows - reach)):
            return int(i)
    return None


def _pair(
    path: str, x: np.ndarray, y: np.ndarray, chosen: list[int], alone: int | None, half: int
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the stack of a frame's stars and one star, each in the middle of a square; None without a stack."""
    try:
        raw = read_pixels(path).filled().raw
    except FocuskitError:
        return None
    first = _median_stamp(raw, x[chosen], y[chosen], half)
    if first is None:
        return None
    # Where few stars are shared a frame's shift is rough: look where the light is, and cut again.
    light = np.clip(first - 0.3 * np.percentile(first, 99.8), 0.0, None)
    place = np.arange(-half, half + 1)
    dx, dy = (float(light.sum(axis=axis) @ place / light.sum()) if light.any() else 0.0 for axis in (0, 1))
    stack = _median_stamp(raw, x[chosen] + dx, y[chosen] + dy, half)
    one = None if alone is None else _median_stamp(raw, x[[alone]] + dx, y[[alone]] + dy, half)
    return None if stack is None else (stack, np.zeros_like(stack) if one is None else one)


def _median_stamp(raw: np.ndarray, x: np.ndarray, y: np.ndarray, half: int) -> np.ndarray | None:
    """Return the median of the stars' stamps, each less its border and over its sum."""
    stamps = []
    for column, row in zip(np.rint(x).astype(int), np.rint(y).astype(int), strict=True):
        if half <= column < raw.shape[1] - half and half <= row < raw.shape[0] - half:
            stamp = raw[row - half : row + half + 1, column - half : column + half + 1].astype(float)
            edge = np.concatenate([stamp[0], stamp[-1], stamp[:, 0], stamp[:, -1]])
            stamp -= np.median(edge)
            total = stamp.sum()
            if np.isfinite(total) and total > 0:
                stamps.append(stamp / total)
    return np.median(stamps, axis=0) if stamps else None


def _png_uri(pair: tuple[np.ndarray, np.ndarray], peaks: np.ndarray) -> str:
    from matplotlib.image import imsave

    shown = [
        np.sqrt(np.clip(stamp / peak, 0.0, 1.0)) if peak > 0 else np.zeros_like(stamp)
        for stamp, peak in zip(pair, peaks, strict=True)
    ]
    content = BytesIO()
    imsave(content, np.concatenate(shown), cmap="gray", vmin=0.0, vmax=1.0, format="png")
    return "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()
