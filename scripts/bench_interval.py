"""Time a year of 1-minute temperatures through six policies and fifty draws.

    python scripts/bench_interval.py [WEATHER.csv ...]

The year is made here (daily swing, fronts, turbulence; seeded). Logs named on the command line are
replayed too, each with the median night and the advice it leads to.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from focuskit.frames import TemperatureLog, read_temperatures
from focuskit.frames.temperatures import find_outliers, split_nights
from focuskit.refocus import Block, FocusBehaviour, NightPlan
from focuskit.refocus.decide import decide_refocus
from focuskit.refocus.policies import AS_NOW, set_policies
from focuskit.refocus.replay import Case, replay_policy
from focuskit.refocus.temperature_change import lay_out_nights, log_noise_c

DRAWS = 50
BEHAVIOUR = FocusBehaviour(
    steps_per_c=-6.5,
    best_hfd_px=5.93,
    slope_px_per_step=0.114,
    run_cost_s={"L": 95.0, "Ha": 480.0},
    position_err_steps={"L": 1.5, "Ha": 2.5},
    steps_per_c_err=0.06,
    offset_steps={"L": 0.0, "Ha": 61.0},
    offset_err_steps={"L": 0.0, "Ha": 0.8},
)
PLAN = NightPlan((Block("L", 120.0, 120.0), Block("Ha", 180.0, 300.0)))


def make_year(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return unix seconds and °C of a year at one value a minute."""
    time_s = 1.893456e9 + 60.0 * np.arange(365 * 1440)
    day = time_s / 86400.0
    fronts = np.interp(day, np.arange(day[0], day[-1] + 2.0), rng.normal(0.0, 3.0, 367))
    swing = -9.0 * np.cos(2 * np.pi * (day - day[0]) / 365.0) - 5.0 * np.cos(2 * np.pi * (day - 0.1))
    return time_s, 10.0 + swing + fronts + rng.normal(0.0, 0.05, len(time_s))


def main() -> None:
    """Print the times."""
    time_s, temperature_c = make_year(np.random.default_rng(5))
    start = time.perf_counter()
    bad = find_outliers(time_s, temperature_c)
    ranges, rule = split_nights(time_s, temperature_c)
    nights = lay_out_nights(TemperatureLog(time_s, temperature_c, ranges))
    print(f"{len(time_s)} rows, {bad.sum()} outliers, {len(ranges)} nights: {time.perf_counter() - start:.2f} s")
    print(f"  {rule}")

    noise_c = log_noise_c(time_s, temperature_c)
    case = Case(nights, PLAN, BEHAVIOUR, noise_c)
    start = time.perf_counter()
    policies = [AS_NOW, *set_policies(case)][:6]
    print(f"settings: {time.perf_counter() - start:.2f} s")
    start = time.perf_counter()
    for policy in policies:
        gave = replay_policy(case, policy, draws=DRAWS)
        print(f"  {policy.name:<18} {gave.runs.mean():5.1f} runs  {gave.effective_s.mean() / 3600:6.3f} h")
    print(f"{len(policies)} policies x {DRAWS} draws: {time.perf_counter() - start:.2f} s")
    start = time.perf_counter()
    answer = decide_refocus(case, draws=DRAWS)
    print(f"the whole answer: {time.perf_counter() - start:.2f} s\n  {answer.advice}")

    for path in sys.argv[1:]:
        start = time.perf_counter()
        log = read_temperatures(path)
        noise_c = log_noise_c(log.time_s, log.temperature_c)
        answer = decide_refocus(Case(lay_out_nights(log), PLAN, BEHAVIOUR, noise_c), draws=DRAWS)
        print(f"{path}: {len(log.nights)} nights in {time.perf_counter() - start:.2f} s\n  {answer.advice}")


if __name__ == "__main__":
    main()
