"""Seeded seasons of logged focus runs whose drift, offsets, rebuild and wild runs are known."""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from focuskit.core.logged import LoggedRun

FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
OFFSETS = np.array([0.0, 14.5, 9.0, -11.0, 61.0, 55.0, 68.0])
STEPS_PER_C = -6.5
NIGHT_S = 86400.0


@dataclass
class Season:
    """Runs and what is true of them."""

    runs: list[LoggedRun]
    wild: np.ndarray
    rebuild: int | None
    filter_index: np.ndarray
    celsius: np.ndarray
    position: np.ndarray
    variance: np.ndarray


def make_season(
    rng,
    nights=20,
    per_night=8,
    scatter=2.5,
    wild=0.06,
    wild_steps=(15.0, 300.0),
    one_sided=False,
    jump=80.0,
    at=None,
    late_cold=False,
    with_err=True,
    night_shift=0.0,
    own=None,
    bend=0.0,
    gap_c=0.0,
    slip=0.0,
    walk=0.0,
    drift_after=0.0,
    round_c=0.0,
    sensor_noise_c=0.0,
    cooling_c=(2.0, 7.0),
    seasonal_c=15.0,
):
    """A season of ``nights`` nights; ``at`` is the first run after the rebuild, by default a random night.

    With ``gap_c`` the second half comes 90 days later, colder by so much, and a rebuild lies between. ``slip``
    is what the focuser loses with every run, ``walk`` how far it wanders in a root of an hour of a night,
    ``drift_after`` what the drift gains at the rebuild. Temperatures are logged with ``sensor_noise_c`` and to
    multiples of ``round_c``.
    """
    n = nights * per_night
    night = np.repeat(np.arange(nights), per_night)
    hours = np.sort(rng.uniform(0.0, 9.0, (nights, per_night)), axis=1).ravel()
    dusk, cooling = (
        12.0 - seasonal_c * np.arange(nights) / nights + rng.normal(0.0, 2.5, nights),
        rng.uniform(*cooling_c, nights),
    )
    celsius = dusk[night] - cooling[night] * (1.0 - np.exp(-hours / 4.0)) + rng.normal(0.0, 0.05, n)
    index = rng.integers(0, 7, n)
    if late_cold:  # narrowband only in the last, cold third
        late = night >= 0.7 * nights
        narrow = late & (rng.random(n) < 0.75)
        index = np.where(narrow, rng.integers(4, 7, n), rng.integers(0, 4, n))
        celsius = celsius - 5.0 * late
    late = night >= nights // 2
    if gap_c:
        at = int(np.argmax(late))
        celsius = celsius - gap_c * late
    err = rng.uniform(0.6, 1.4, n)
    slope = STEPS_PER_C + (0.0 if own is None else np.asarray(own)[index])
    position = 8000.0 + OFFSETS[index] + slope * (celsius - 5.0) + bend * (celsius - 5.0) ** 2
    position += rng.normal(0.0, np.hypot(scatter, err)) + night_shift * rng.normal(size=nights)[night]
    rebuild = None
    if jump:
        rebuild = int(rng.integers(2, nights - 2)) * per_night if at is None else at
        position[rebuild:] += jump + drift_after * (celsius[rebuild:] - 5.0)
    position -= slip * np.arange(n)
    if walk:
        waits = np.diff(hours.reshape(nights, per_night), axis=1, prepend=0.0)
        position += np.cumsum(walk * np.sqrt(waits) * rng.normal(size=waits.shape), axis=1).ravel()
    is_wild = rng.random(n) < wild
    size = rng.uniform(*wild_steps, n) * (1.0 if one_sided else rng.choice([-1.0, 1.0], n))
    position = np.where(is_wild, position + size, position)
    time_s = 1.93e9 + (night + 90.0 * late * (gap_c > 0.0)) * NIGHT_S + 3600.0 * hours
    logged = celsius + sensor_noise_c * rng.normal(size=n) if sensor_noise_c else celsius
    logged = np.round(logged / round_c) * round_c if round_c else logged
    runs = [
        LoggedRun(
            datetime.fromtimestamp(round(t, 3), UTC),
            float(y),
            FILTERS[f],
            float(c),
            float(e) if with_err else None,
        )
        for t, y, f, c, e in zip(time_s, position, index, logged, err, strict=True)
    ]
    return Season(runs, is_wild, rebuild, index, celsius, position, scatter**2 + err**2)


def fit_with_knowledge(season):
    """Offsets and drift by weighted least squares that knows wild runs, rebuild and scatter."""
    n = len(season.runs)
    columns = [np.ones(n), *(season.filter_index == j for j in range(1, 7)), season.celsius]
    if season.rebuild is not None:
        columns.append(np.arange(n) >= season.rebuild)
    good = ~season.wild
    weight = 1.0 / np.sqrt(season.variance[good])
    design = np.column_stack(columns).astype(float)[good] * weight[:, None]
    return np.linalg.lstsq(design, season.position[good] * weight, rcond=None)[0][1:8]


def estimates(drift):
    """Offsets of R … SII, drift, and their errors."""
    by_name = {one.filter: one for one in drift.filters}
    values = [by_name[name].offset_steps for name in FILTERS[1:]] + [drift.steps_per_c]
    errors = [by_name[name].err for name in FILTERS[1:]] + [drift.steps_per_c_err]
    return np.array(values), np.array(errors)


TRUTH = np.append(OFFSETS[1:], STEPS_PER_C)
