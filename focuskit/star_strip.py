"""One picture of a star for each frame of a run, stacked from the run's bright stars."""

from __future__ import annotations

import base64
from io import BytesIO

import numpy as np

from focuskit.errors import FocuskitError
from focuskit.frames import read_pixels
from focuskit.results import RunResult

_MOST_STARS = 25
_LEAST_HALF_PX, _MOST_HALF_PX = 10, 60


def star_strip(result: RunResult) -> dict[int, str]:
    """Return PNG images as data URIs by frame number, all of one scale on the sky.

    Each is scaled to its own peak by a square root. A frame that cannot be read again, or shows no
    star whole, is left out.
    """
    match, sizes = result.match, result.sizes.hfd_px
    known = sizes[np.isfinite(sizes)]
    order = np.argsort(-np.nan_to_num(match.brightness, nan=-1.0), kind="stable")
    chosen = [i for i in order if match.sound[i] and np.isfinite(match.brightness[i])][:_MOST_STARS]
    if not known.size or not chosen:
        return {}
    half = int(min(max(np.ceil(1.1 * known.max()), _LEAST_HALF_PX), _MOST_HALF_PX))
    out = {}
    for k, frame in enumerate(result.frames):
        if np.isfinite(match.shift_px[k]).all():
            stamp = _stack(frame.info.path, match.x_px[chosen] + match.shift_px[k, 0],
                           match.y_px[chosen] + match.shift_px[k, 1], half)  # fmt: skip
            if stamp is not None:
                out[k] = _png_uri(stamp)
    return out


def _stack(path: str, x: np.ndarray, y: np.ndarray, half: int) -> np.ndarray | None:
    """Return the stack of a frame's stars, in the middle of a square; None where no star lies whole."""
    try:
        raw = read_pixels(path).filled().raw
    except FocuskitError:
        return None
    first = _median_stamp(raw, x, y, half)
    if first is None:
        return None
    # Where few stars are shared a frame's shift is rough: look where the light is, and cut again.
    light = np.clip(first - 0.3 * np.percentile(first, 99.8), 0.0, None)
    place = np.arange(-half, half + 1)
    dx, dy = (float(light.sum(axis=axis) @ place / light.sum()) if light.any() else 0.0 for axis in (0, 1))
    return _median_stamp(raw, x + dx, y + dy, half)


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


def _png_uri(stamp: np.ndarray) -> str:
    from matplotlib.image import imsave

    peak = float(np.percentile(stamp, 99.8))
    shown = np.sqrt(np.clip(stamp / peak, 0.0, 1.0)) if peak > 0 else np.zeros_like(stamp)
    content = BytesIO()
    imsave(content, shown, cmap="gray", vmin=0.0, vmax=1.0, format="png")
    return "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()
