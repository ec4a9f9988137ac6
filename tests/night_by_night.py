"""Nights simulated one exposure at a time: what the replay is compared with."""

import math

import numpy as np

LOSS_OF = (0.114 / 5.93) ** 2  # (s/h0)²


def best_for_ramp_min(run_cost_s, best_hfd_px, slope_px_per_step, steps_per_h):
    """Return the best time between runs for a steady drift: (3·t·h0² / (2·s²·v²))^(1/3), in minutes.

    It is the least of (s/h0)²·v²·τ²/3 + t/τ, by its derivative.
    """
    wing = slope_px_per_step * abs(steps_per_h) / best_hfd_px
    return 60.0 * (1.5 * run_cost_s / 3600.0 / wing**2) ** (1.0 / 3.0)


def effective_hours(
    celsius,
    blocks,
    rng,
    *,
    k=-6.5,
    walk=0.0,
    every_min=math.inf,
    every_c=math.inf,
    at_change=False,
    follow=None,
    cost_s=None,
    err=1.5,
    begin_min=0.0,
):
    """Return the effective hours of one night.

    ``celsius`` has one value a minute, ``blocks`` are (filter, minutes, exposure in s) and begin ``begin_min``
    into their round. Best focus moves by ``k`` per °C and wanders by ``walk`` steps per root of an hour; the
    focuser follows with ``follow`` steps per °C where that is given. Offsets are known, moves take no time.
    """
    cost_s = cost_s or {}
    minutes = np.arange(len(celsius), dtype=float)
    best = k * celsius + np.cumsum(rng.normal(0.0, walk / math.sqrt(60.0), len(celsius)))
    rounds = np.cumsum([0.0] + [minutes for _, minutes, _ in blocks])

    def at(values, minute):
        return float(np.interp(minute, minutes, values))

    now, used, total, end = 0.0, None, 0.0, float(minutes[-1])
    run_at = heat_at = focuser = 0.0
    while now < end - 1e-9:
        block = int(np.searchsorted(rounds, (now + begin_min) % rounds[-1] + 1e-9, side="right")) - 1
        name, _, sub_s = blocks[min(block, len(blocks) - 1)]
        due = used is None or now - run_at + sub_s / 120.0 >= every_min
        due = due or abs(at(celsius, now) - heat_at) >= every_c or (at_change and name != used)
        cost = cost_s.get(name, 95.0) / 60.0
        if due and (used is None or now + cost + sub_s / 60.0 <= end):
            now += cost
            focuser = at(best, now) + rng.normal(0.0, err)
            run_at, heat_at = now, at(celsius, now)
        used = name
        stop = min(now + sub_s / 60.0, end)
        target = focuser + (follow or 0.0) * (at(celsius, now) - heat_at)
        e0, e1 = target - at(best, now), target - at(best, stop)
        total += (stop - now) / (1.0 + LOSS_OF * (e0 * e0 + e0 * e1 + e1 * e1) / 3.0)
        now = stop
    return total / 60.0
