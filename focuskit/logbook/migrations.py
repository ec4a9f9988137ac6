"""How a logbook of an earlier version is brought up to date, step by step."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Callable
from typing import Any

from focuskit.core.calibration import Seeing
from focuskit.core.ranges import is_in_range

# What a run shows to the analysis of others, as far as the second version kept it.
_LEARNED_FIRST = (
    "spherical_path_um", "spherical_err_um", "spherical_wavelength_um",
    "seeing_log_arcsec", "seeing_variance", "reach_steps", "star_snr",
)  # fmt: skip


def _fill_from_details(book: sqlite3.Connection) -> None:
    """Fill columns from the details: the first version kept what runs show in that JSON text only."""
    marks = ", ".join(f"{name} = ?" for name in _LEARNED_FIRST)
    for number, position, text in book.execute("SELECT number, position, details FROM runs").fetchall():
        values: dict[str, float] = {}
        for read in (_fit_of_details, _frames_of_details):
            try:
                found = read(json.loads(text), position)
            except (ValueError, KeyError, TypeError, AttributeError, ArithmeticError, RecursionError):
                continue  # logged without these, or damaged
            if all(is_in_range(name, value) for name, value in found.items()):
                values |= found
        if values:
            row = [values.get(name) for name in _LEARNED_FIRST]
            book.execute(f"UPDATE runs SET {marks} WHERE number = ?", (*row, number))


def _fit_of_details(details: dict[str, Any], _: float | None) -> dict[str, float]:
    fit = details["fits"]["profile"]
    own = {f"spherical_{name}": float(fit["own_spherical"][name]) for name in ("path_um", "err_um", "wavelength_um")}
    seeing = [float(point["seeing_arcsec"]) for point in details["points"] if point["seeing_arcsec"]]
    if not seeing:
        return own
    variance = float(fit["params"]["seeing_scatter"]) ** 2 / len(seeing)
    log_arcsec = sum(math.log(value) for value in seeing) / len(seeing)
    typical = Seeing.seen_at(own["spherical_wavelength_um"], log_arcsec, variance)
    return own | {"seeing_log_arcsec": typical.log_arcsec, "seeing_variance": typical.variance}


def _frames_of_details(details: dict[str, Any], position: float | None) -> dict[str, float]:
    used = [p for p in details["points"] if p.get("used") and p.get("position") is not None and p.get("hfd_px")]
    if position is None or not used:
        return {}
    sharpest = min(used, key=lambda p: float(p["hfd_px"]))
    reach = max(abs(float(p["position"]) - position) for p in used)
    snr = sharpest.get("star_snr")
    return {"reach_steps": reach} | ({} if snr is None else {"star_snr": float(snr)})


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
    *(f"ALTER TABLE runs ADD COLUMN {name} REAL" for name in _LEARNED_FIRST),
    _fill_from_details,
    # What a run said before it was analysed again, oldest first; all columns of its row as JSON.
    "CREATE TABLE earlier (id INTEGER PRIMARY KEY, number INTEGER NOT NULL, said TEXT NOT NULL)",
    # Names that the user has replaced, of rigs and of filters: what is recorded later under the old one gets the new.
    "CREATE TABLE renamed (kind TEXT NOT NULL, old TEXT NOT NULL, new TEXT NOT NULL, PRIMARY KEY (kind, old))",
    # What else focus may follow.
    "ALTER TABLE runs ADD COLUMN other_temperature_c REAL",
    "ALTER TABLE runs ADD COLUMN altitude_deg REAL",
    "ALTER TABLE runs ADD COLUMN pier_side TEXT",
    # What a run shows of optics that were not given, and of the size of a step.
    *(
        f"ALTER TABLE runs ADD COLUMN optics_{name} REAL"
        for name in ("log_ratio", "log_ratio_err", "obstruction", "obstruction_err", "correlation", "pixel_um")
    ),
    *(f"ALTER TABLE runs ADD COLUMN step_{name} REAL" for name in ("px", "err", "pixel_um", "f_ratio")),
    """CREATE TABLE lights (
        key TEXT PRIMARY KEY, time REAL NOT NULL, rig TEXT, filter TEXT, temperature_c REAL, position REAL NOT NULL,
        defocus_um REAL NOT NULL, defocus_err_um REAL NOT NULL, defocus_limit_um REAL, side TEXT,
        um_per_step REAL, seeing_arcsec REAL, exposure_s REAL
    )""",
    # What it shows for the single frames of others: the seeing's exponent, and what is left on either side of focus.
    *(f"ALTER TABLE runs ADD COLUMN wings_{name} REAL" for name in ("exponent", "err")),
    *(
        f"ALTER TABLE runs ADD COLUMN {side}_{name} REAL"
        for side in ("outside", "inside")
        for name in (
            "mean_um",
            "err_um",
            "frames",
            "excess_um2",
            "nearest_um",
            "farthest_um",
            "direction",
            "wavelength_um",
        )
    ),
)


def migrate(book: sqlite3.Connection, known: int = 0) -> None:
    """Take the steps that follow version ``known``."""
    for step in MIGRATIONS[known:]:
        if isinstance(step, str):
            book.execute(step)
        else:
            step(book)
    if known < len(MIGRATIONS):
        book.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
