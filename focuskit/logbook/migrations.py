"""How a logbook of an earlier version is brought up to date, step by step."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from focuskit.core.calibration import Seeing, Spherical

# What a run shows to the analysis of others: `Spherical`, `Seeing` and two numbers of its frames.
LEARNED = (
    "spherical_path_um", "spherical_err_um", "spherical_wavelength_um",
    "seeing_log_arcsec", "seeing_variance", "reach_steps", "star_snr",
)  # fmt: skip


def columns_of(spherical: Spherical | None, seeing: Seeing | None) -> dict[str, float | None]:
    """Return the columns of both, those left out that are not known."""
    parts = (("spherical", spherical), ("seeing", seeing))
    return {f"{name}_{key}": value for name, part in parts if part for key, value in asdict(part).items()}


def known_spherical(path_um: float, err_um: float, wavelength_um: float) -> Spherical:
    """Return the aberration as it was logged.

    Raises
    ------
    ValueError
        If its error or its wavelength is not above 0.
    """
    if not (err_um > 0.0 and wavelength_um > 0.0):
        raise ValueError("spherical is damaged")
    return Spherical(path_um, err_um, wavelength_um)


def _fill_from_details(book: sqlite3.Connection) -> None:
    """Fill the columns `LEARNED` from the details: the first version kept what runs show in that JSON text only."""
    marks = ", ".join(f"{name} = ?" for name in LEARNED)
    for number, position, text in book.execute("SELECT number, position, details FROM runs").fetchall():
        values: dict[str, float | None] = {}
        for read in (_fit_of_details, _frames_of_details):
            try:
                values |= read(json.loads(text), position)
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
                continue  # logged without these, or damaged
        if values:
            row = [values.get(name) for name in LEARNED]
            book.execute(f"UPDATE runs SET {marks} WHERE number = ?", (*row, number))


def _fit_of_details(details: dict[str, Any], _: float | None) -> dict[str, float | None]:
    fit = details["fits"]["profile"]
    own = known_spherical(**{name: float(value) for name, value in fit["own_spherical"].items()})
    seeing = [float(point["seeing_arcsec"]) for point in details["points"] if point["seeing_arcsec"]]
    if not seeing:
        return columns_of(own, None)
    variance = float(fit["params"]["seeing_scatter"]) ** 2 / len(seeing)
    log_arcsec = sum(math.log(value) for value in seeing) / len(seeing)
    return columns_of(own, Seeing.seen_at(own.wavelength_um, log_arcsec, variance))


def _frames_of_details(details: dict[str, Any], position: float | None) -> dict[str, float | None]:
    used = [p for p in details["points"] if p.get("used") and p.get("position") is not None and p.get("hfd_px")]
    if position is None or not used:
        return {}
    sharpest = min(used, key=lambda p: float(p["hfd_px"]))
    reach = max(abs(float(p["position"]) - position) for p in used)
    return {"reach_steps": reach, "star_snr": sharpest.get("star_snr")}


# One step per schema version: SQL, or a function of the open book. A book takes those that it has not seen.
MIGRATIONS: tuple[str | Callable[[sqlite3.Connection], None], ...] = (
    """CREATE TABLE runs (
        number INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        rig TEXT, time REAL NOT NULL, filter TEXT, temperature_c REAL,
        position REAL, position_err REAL, verdict TEXT,
        hfd_best_px REAL, hfd_slope_px_per_step REAL, tolerance_steps REAL,
        exposure_s REAL, frames INTEGER, seconds REAL,
        excluded INTEGER NOT NULL DEFAULT 0, note TEXT, details TEXT
    )""",
    "CREATE INDEX runs_of_rig ON runs (rig, time)",
    *(f"ALTER TABLE runs ADD COLUMN {name} REAL" for name in LEARNED),
    _fill_from_details,
)


def migrate(book: sqlite3.Connection, known: int = 0) -> None:
    """Take the steps that follow version ``known``."""
    for step in MIGRATIONS[known:]:
        if isinstance(step, str):
            book.execute(step)
        else:
            step(book)
