"""Numbers of the whole measurement as they were when last looked at: none may change without being noticed.

Truth is tested elsewhere. Where a change is on purpose: `python tests/stars/test_unchanged.py` writes them again.
"""

from __future__ import annotations

import json
from dataclasses import fields
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from focuskit.frames import Pixels
from focuskit.stars.catalogue import MeasuredImage
from focuskit.stars.cutouts import prepare_image
from focuskit.stars.faint import join_registered, measure_registered, search_plan
from focuskit.stars.image import measure_pixels
from focuskit.stars.match import common_sizes, match_stars

STORED = Path(__file__).parent.parent / "data" / "stars_unchanged.json"


def add_star(image, x, y, flux, width, ratio=1.0, ring=0.0):
    """Add a Moffat star, or a soft ring of radius ``ring``; ``ratio`` is minor over major axis."""
    reach = int(8 * width + 3 * ring) + 2
    rows = np.arange(max(0, int(y) - reach), min(image.shape[0], int(y) + reach + 1))
    columns = np.arange(max(0, int(x) - reach), min(image.shape[1], int(x) + reach + 1))
    r = np.hypot((columns - x)[None, :], (rows - y)[:, None] / ratio)
    if ring:
        light = 1.0 / (1.0 + np.exp((r - ring) / width)) - 1.0 / (1.0 + np.exp((r - 0.4 * ring) / width))
        light /= np.pi * 0.84 * ring**2
    else:
        light = 1.5 / (np.pi * width**2 * ratio) * (1.0 + (r / width) ** 2) ** -2.5
    image[np.ix_(rows, columns)] += flux * light


def strew(shape, count, seed, brightest, **how):
    """Return noiseless stars at random places, fluxes from the brightest down to a 200th."""
    rng = np.random.default_rng(seed)
    image = np.zeros(shape)
    for x, y, share in rng.uniform(0.0, 1.0, (count, 3)):
        add_star(image, x * shape[1], y * shape[0], brightest * 200.0**-share, **how)
    return image


def with_noise(image, seed, sky=150.0):
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    light = image + sky + 20.0 * (x / image.shape[1]) ** 2 - 15.0 * y / image.shape[0]
    return np.random.default_rng(seed).normal(light, np.sqrt(light + 9.0)) + 400.0


def everything():
    """Return a frame in focus with all that may go wrong: doubles, a trail, a galaxy, hot and saturated pixels."""
    image = strew((520, 560), 45, 1, 3e5, width=3.5)
    for x, y, flux, how in (
        (100.0, 90.0, 5e4, {}), (105.5, 92.0, 4e3, {}), (300.3, 200.7, 6e4, {"ratio": 0.45}), (420.0, 400.0, 4e6, {}),
        (430.0, 120.0, 4.1e6, {}), (60.0, 450.0, 3.9e6, {}), (210.2, 330.4, 3e5, {"width": 11.0}),
    ):  # fmt: skip
        add_star(image, x, y, flux, **{"width": 3.5, **how})
    image += 80.0 * np.exp(-0.5 * ((np.arange(520.0)[:, None] - 0.3 * np.arange(560.0) - 40.0) / 2.0) ** 2)
    image = with_noise(image, 2)
    image[np.random.default_rng(3).integers(0, 520, 60), np.random.default_rng(4).integers(0, 560, 60)] += 900.0
    return np.clip(np.rint(image), 0, 40_000).astype(np.uint16)


def donuts(shape, count, seed, brightest, ring):
    """Return a frame out of focus with hot pixels, from those in the noise to those of a hundred times as much."""
    image = with_noise(strew(shape, count, seed, brightest, width=1.6, ring=ring), seed + 1)
    hot = np.random.default_rng(seed + 2).integers(0, image.size, 500)
    image.ravel()[hot] += np.geomspace(20.0, 2000.0, 500)
    return image


def whole_numbers(image):
    return np.clip(np.rint(image), 0, 65535).astype(np.uint16)


FRAMES = {
    "everything": lambda: measure_pixels(Pixels(everything()), gain_e_per_adu=1.5),
    "everything, level known": lambda: measure_pixels(Pixels(everything()), saturation_adu=3000.0),
    "sharp": lambda: measure_pixels(Pixels(with_noise(strew((300, 330), 25, 5, 2e5, width=1.1), 6))),
    "few": lambda: measure_pixels(Pixels(with_noise(strew((260, 300), 6, 7, 4e5, width=3.0), 8))),
    "small donuts": lambda: measure_pixels(
        Pixels((donuts((600, 620), 20, 9, 1e6, 7.0) - 300.0) / 0.5, 300.0, 0.5), gain_e_per_adu=0.7
    ),
    "donuts": lambda: measure_pixels(
        Pixels(whole_numbers(donuts((1440, 1500), 60, 11, 3e6, 13.0))), gain_e_per_adu=1.0
    ),
    "wide donuts": lambda: measure_pixels(Pixels(whole_numbers(donuts((2860, 2840), 40, 13, 6e6, 24.0)))),
    "colours": lambda: measure_pixels(Pixels(donuts((900, 920), 25, 15, 3e6, 13.0)), bayer="GRBG"),
    "gaps": lambda: measure_pixels(
        Pixels(np.where(np.random.default_rng(1).uniform(size=(520, 560)) < 0.004, np.nan, everything())),
        sigma=np.sqrt(everything() - 390.0),
    ),
}


def numbers(values):
    """Return how many values there are, how many are finite, and sums that see every one of them and their order."""
    values = np.asarray(values, float)
    known = np.isfinite(values)
    there = np.where(known, values, 0.0).ravel()
    return [values.size, int(known.sum()), float(there.sum()), float(there @ np.sin(np.arange(there.size)))]


def of_image(measured: MeasuredImage):
    stars = {f.name: numbers(getattr(measured.measured, f.name)) for f in fields(measured.measured)}
    sizes = [measured.hfd_px, measured.hfd_err_px, measured.fwhm_px, measured.fwhm_err_px, measured.noise_adu]
    here = measured.measured.x_px, measured.measured.y_px
    return {**stars, "sizes": sizes, "sky": numbers(measured.sky.at(*here)), "mesh": numbers(measured.sky.mesh)}


@cache
def a_run(brightest):
    """Return frames of one run that wander, out of focus at both ends, one under cloud."""
    rng = np.random.default_rng(21)
    places, share = rng.uniform(30.0, 370.0, (2, 18)), 40.0 ** -rng.uniform(0.0, 1.0, 18)
    frames = []
    for k, width in enumerate((6.0, 4.2, 3.0, 2.6, 3.3, 4.8, 6.6)):
        image = np.zeros((400, 400))
        for x, y, part in zip(*places, share, strict=True):
            add_star(image, x + 1.3 * k, y - 0.7 * k, brightest * part * (0.6 if k == 4 else 1.0), width)
        frames.append(with_noise(image, 30 + k))
    return frames


def of_run(match, sizes):
    assert match.turn is None
    found = [(f.name, getattr(part, f.name)) for part in (match, sizes) for f in fields(part) if f.name != "turn"]
    return {name: numbers(values) for name, values in found} | {
        "told": [sizes.told],
        "common": numbers(match.common),
    }


def bright_run():
    images = [measure_pixels(Pixels(frame), gain_e_per_adu=1.0) for frame in a_run(1e5)]
    match = match_stars(images)
    return of_run(match, common_sizes(images, match))


def faint_run(share=1.0):
    """Return what is measured where the stars of a faint run must lie, of frames with a share of their light."""
    frames = a_run(3e3)
    match, searches = search_plan([measure_pixels(Pixels(frame), gain_e_per_adu=1.0) for frame in frames])
    images = [prepare_image(Pixels(frame), None, 1.0) for frame in a_run(3e3 * share)]
    found = [measure_registered(image, search) for image, search in zip(images, searches, strict=True)]
    return of_run(*join_registered(match, found))


def barely_seen_run():
    """Return the same with so little light that some frames stay below what is sure."""
    return faint_run(0.23)


RESULTS = {name: lambda name=name: of_image(FRAMES[name]()) for name in FRAMES}
RESULTS |= {"bright run": bright_run, "faint run": faint_run, "barely seen run": barely_seen_run}


@pytest.mark.parametrize("name", RESULTS)
def test_no_number_has_changed(name):
    stored, now = json.loads(STORED.read_text(encoding="utf-8"))[name], RESULTS[name]()
    assert set(now) == set(stored)
    for part, values in now.items():
        # Single precision, summed in another order elsewhere, differs by a few millionths.
        assert values == pytest.approx(stored[part], rel=3e-5, abs=1e-6, nan_ok=True), part


if __name__ == "__main__":
    STORED.write_text(json.dumps({name: make() for name, make in RESULTS.items()}, indent=1) + "\n", encoding="utf-8")
