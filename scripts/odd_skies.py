"""Focus runs of odd but legal pixels, for `fuzz.py`: what cameras, calibration and careless processing can leave."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, median_filter, zoom

Array = NDArray[np.float64]
START = datetime(2031, 3, 4, 20, 10, tzinfo=UTC)
# Focal length, aperture and pixel, in mm, mm and µm: usual, undersampled, oversampled, in part or not at all.
OPTICS = (
    (1400.0, 200.0, 3.76), (1400.0, 200.0, 3.76), (135.0, 67.0, 3.76), (2800.0, 280.0, 2.4),
    (1400.0, None, 3.76), (None, None, 3.76), (None, None, None),
)  # fmt: skip


def odd_run(seed: int) -> tuple[str, list[tuple[NDArray[np.generic], dict]]]:
    """Return what is odd about a focus run, and its frames with the facts of their headers."""
    rng = np.random.default_rng([17, seed])
    shape = tuple(rng.choice([64, 160, 230], 2).tolist())
    count = int(rng.choice([2, 12, 12, 40]))
    whole = rng.random() < 0.2
    place = rng.uniform(-3.0, 1.0 + np.array(shape)[:, None], (2, count))
    place = np.rint(place) if whole else place
    light = 10.0 ** rng.uniform(3.5, rng.choice([4.5, 6.0]), count)
    least, growth = rng.choice([0.25, 0.6, 1.5, 1.5]), rng.choice([0.02, 0.5, 0.5, 1.0])
    frames = int(rng.integers(4, 9))
    away = np.arange(frames) - frames // 2 + rng.choice([0.0, 0.3, 0.3, 4.0])
    sky = rng.choice([0.0, 0.0, 5.0, 200.0])
    images = [
        draw(shape, place + rng.normal(0.0, rng.choice([0.0, 0.5]), (2, 1)), light, np.hypot(least, growth * x)) + sky
        for x in away
    ]
    if rng.random() < 0.85:
        images = [rng.poisson(np.clip(image, 0.0, 1e9)) + rng.normal(0.0, 2.0, shape) for image in images]
    if rng.random() < 0.15:
        images = [images[0]] * frames
    names = rng.choice(list(ODDITIES), int(rng.choice([0, 1, 1, 2])), replace=False).tolist()
    kind = str(rng.choice(["u2", "u2", "i2", "i4", "u1", "f4", "f4", "f8"]))
    for name in names:
        spoilt = rng.random(frames) < rng.choice([0.3, 1.0])
        images = [spoil(image, name, rng) if bad else image for image, bad in zip(images, spoilt, strict=True)]
    images = [store(image, kind) for image in images]
    focal_length, aperture, pixel = OPTICS[int(rng.integers(len(OPTICS)))]
    step = int(rng.choice([1, 25, 400]))
    facts = {
        "FOCALLEN": focal_length, "APTDIA": aperture, "XPIXSZ": pixel, "EXPTIME": 2.0, "FILTER": "L", "TELESCOP": "Odd",
        "EGAIN": rng.choice([None, 0.25, 1.0, 40.0]), "BAYERPAT": rng.choice([None] * 5 + ["RGGB"]),
    }  # fmt: skip
    run = []
    for k, image in enumerate(images):
        when = (START + timedelta(seconds=8 * k)).strftime("%Y-%m-%dT%H:%M:%S")
        known = {name: value for name, value in facts.items() if value is not None}
        run.append((image, {**known, "DATE-OBS": when, "FOCUSPOS": 10_000 + step * k}))
    return f"{shape}, {count} stars, {', '.join(names) or 'nothing odd'}, {kind}", run


def draw(shape: tuple[int, ...], place: Array, light: Array, width: float) -> Array:
    """Draw round Gaussian stars, sampled in the middle of each pixel; ``place`` are rows and columns."""
    rows, columns = (np.arange(size)[:, None] - place[k] for k, size in enumerate(shape))
    down, across = (np.exp(-0.5 * (part / width) ** 2) for part in (rows, columns))
    return np.asarray((down * light) @ across.T / (2.0 * np.pi * width**2))


def spoil(image: Array, name: str, rng: np.random.Generator) -> Array:
    """Return an image with one of the `ODDITIES`."""
    with np.errstate(all="ignore"):
        return ODDITIES[name](image, rng)


def store(image: Array, kind: str) -> NDArray[np.generic]:
    """Return an image as numbers of a kind, at its limits where it is beyond them."""
    with np.errstate(all="ignore"):
        if kind[0] == "f":
            return image.astype(kind)
        info = np.iinfo(kind)
        whole = np.rint(np.nan_to_num(image, posinf=info.max, neginf=info.min))
        return np.clip(whole, info.min, info.max).astype(kind)


def _box(image: Array, rng: np.random.Generator) -> tuple[slice, slice]:
    corner = [int(rng.integers(0, size - 8)) for size in image.shape]
    return tuple(slice(first, first + int(rng.integers(4, 80))) for first in corner)  # type: ignore[return-value]


def _with(image: Array, where: object, value: float) -> Array:
    out = image.copy()
    out[where] = value  # type: ignore[index]
    return out


def _sprinkled(share: float, value: float) -> Callable[[Array, np.random.Generator], Array]:
    return lambda image, rng: _with(image, rng.random(image.shape) < share, value)


# Each takes an image and returns it spoilt.
ODDITIES: dict[str, Callable[[Array, np.random.Generator], Array]] = {
    "single bright pixels": lambda image, rng: image + 3e3 * (rng.random(image.shape) < 0.002),
    "interpolated": lambda image, rng: zoom(image, 2.0, order=1)[: image.shape[0], : image.shape[1]],
    "smoothed": lambda image, rng: gaussian_filter(image, rng.uniform(0.5, 3.0)),
    "median of 3": lambda image, rng: median_filter(image, 3),
    "constant patch": lambda image, rng: _with(image, _box(image, rng), float(np.median(image))),
    "black patch": lambda image, rng: _with(image, _box(image, rng), 0.0),
    "bright patch": lambda image, rng: _with(image, _box(image, rng), 6e4),
    "patch without values": lambda image, rng: _with(image, _box(image, rng), np.nan),
    "pixels without values": _sprinkled(0.02, np.nan),
    "pixels beyond numbers": _sprinkled(0.002, np.inf),
    "dead pixels": _sprinkled(0.05, 0.0),
    "negative sky": lambda image, rng: image - 1.2 * float(np.median(image)) - 30.0,
    "clipped sky": lambda image, rng: np.maximum(image - float(np.median(image)), 0.0),
    "saturated": lambda image, rng: np.minimum(image, np.median(image) + rng.choice([1.0, 30.0, 500.0])),
    "few values": lambda image, rng: np.floor(image / (s := 10.0 ** rng.uniform(0.0, 3.0))) * s,
    "normalised": lambda image, rng: image / max(float(np.nanmax(np.abs(image))), 1e-9),
    "huge": lambda image, rng: image * 1e30,
    "tiny": lambda image, rng: image * 1e-30,
    "one value": lambda image, rng: np.full_like(image, 100.0),
    "one giant star": lambda image, rng: image + draw(image.shape, np.array(image.shape)[:, None] / 2.0,
                                                       np.array([1e7]), rng.uniform(1.0, 15.0)),
    "columns": lambda image, rng: image + 2e3 * (rng.random(image.shape[1]) < 0.05),
    "rows of one value": lambda image, rng: _with(image, rng.random(image.shape[0]) < 0.1, 77.0),
    "gradient": lambda image, rng: image + np.linspace(0.0, 3e4, image.shape[1]),
    "chequered": lambda image, rng: image * np.where(np.add.outer(*map(np.arange, image.shape)) % 2, 1.0, 0.5),
    "turned over": lambda image, rng: image[::-1, ::-1],
    "upside down light": lambda image, rng: float(np.nanmax(image)) - image,
    "noise alone": lambda image, rng: rng.normal(100.0, 10.0, image.shape),
}  # fmt: skip
