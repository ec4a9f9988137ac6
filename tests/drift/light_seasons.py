"""Seeded seasons of light frames, at the level of measurements, whose drift and offsets are known."""

from datetime import UTC, datetime, timedelta

import numpy as np

from focuskit.core.logged import LoggedRun
from focuskit.core.logged_light import LoggedLight

FILTERS, OFFSETS = ("L", "R", "Ha"), np.array([0.0, 14.5, 61.0])
STEPS_PER_C, UM_PER_STEP, COOLING_C = -6.5, 4.0, 8.0
# Of measured distances, µm: what all read too little from 60 µm on, and what each scatters.
BIAS_UM, NOISE_UM, NEAR_UM = 12.0, 6.0, 60.0
START = datetime(2031, 3, 1, 19, tzinfo=UTC)


def make_season(rng, nights=10, per_night=60, moves=True, shift=2.0, runs=0, step_err=0.01, inside=None):
    """Return light frames and focus runs (one in each filter in the last ``runs`` nights).

    The position is moved by 30 to 60 steps once a night, near focus, and stays otherwise; without ``moves`` it never
    changes. With ``inside`` all frames are so many steps inside of focus at least.
    """
    step_um = UM_PER_STEP * (1.0 + step_err * rng.standard_normal())
    lights, logged, position = [], [], 5000.0
    for night in range(nights):
        warmest, shifted = rng.uniform(2.0, 15.0), shift * rng.standard_normal()
        celsius = warmest - COOLING_C * np.linspace(0.0, 1.0, per_night) + 0.05 * rng.standard_normal(per_night)
        kind = rng.permutation(3)[np.arange(per_night) // 10 % 3]
        best = 5000.0 + OFFSETS[kind] + STEPS_PER_C * (celsius - 8.0) + shifted + rng.standard_normal(per_night)
        place = np.full(per_night, position)
        if moves:
            low, high = (inside, inside + 60.0) if inside else (-60.0, 60.0)
            place[:] = round((best.min() if inside else best[0]) - rng.uniform(low, high))
            place[rng.integers(15, 45) :] += round(rng.choice([-1, 1]) * rng.uniform(30.0, 60.0))
        away = np.abs(place - best) * step_um
        read = np.where(away > NEAR_UM, away - BIAS_UM, away) + NOISE_UM * rng.standard_normal(per_night)
        near = read < 0.7 * NEAR_UM
        for k in range(per_night):
            lights.append(LoggedLight(
                f"{night}-{k}", START + timedelta(days=night, minutes=8 * k), float(place[k]), max(float(read[k]), 1.0),
                NOISE_UM, 1.5 * NEAR_UM if near[k] else None, None, UM_PER_STEP, "Heron", FILTERS[kind[k]],
                float(celsius[k]), 3.0, 120.0,
            ))  # fmt: skip
        if night >= nights - runs:
            for k, name in enumerate(FILTERS):
                warm = celsius[0] - 2.5 * k
                truth = 5000.0 + OFFSETS[k] + STEPS_PER_C * (warm - 8.0) + shifted
                begun, found = START + timedelta(days=night, minutes=150 * k + 3), truth + 1.5 * rng.standard_normal()
                logged.append(LoggedRun(begun, float(found), name, float(warm), 1.5, "Heron", "good"))
    return lights, logged
