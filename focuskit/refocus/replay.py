"""Walk nights of logged temperatures through a way of refocusing, and count what it gives and costs.

All nights and all draws of the uncertain drift are walked side by side, one sub-exposure at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.optics import decimals_of
from focuskit.frames import HOUR_S, TemperatureLog

FloatArray = NDArray[np.float64]

TOLERATED_GROWTH = 0.05  # of the half-flux diameter; what the tolerance is defined by
_MOST_POINTS = 20_000_000  # of the grid: fifty years of nights
NOISE_ROWS = 64  # errors of so many runs are drawn per night; later runs use them again


# Draws true drifts: steps per °C, shape (draws,), and offsets of the named filters, (filters, draws).
DriftDraws = Callable[[np.random.Generator, int, Sequence[str]], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True)
class FocusBehaviour:
    """How focus moves and what a run costs, as numbers.

    Parameters
    ----------
    steps_per_c, steps_per_c_err : float
        Drift of the best position with temperature, one standard deviation.
    best_hfd_px, slope_px_per_step : float
        Least half-flux diameter, and its growth per step in the far wings of the curve.
    run_cost_s : mapping of str to float
        Time that a focus run takes, by filter.
    position_err_steps : mapping of str to float
        One standard deviation of the best position a run finds, by filter.
    offset_steps, offset_err_steps : mapping of str to float
        Best position of a filter less that of the reference filter. Empty where not known.
    draw_drift : DriftDraws or None
        Draws from the posterior of the drift; without it, the errors above are taken as
        independent and normal.
    move_s, filter_change_s : float
        Time for a move of the focuser and a turn of the wheel between two sub-exposures.
    """

    steps_per_c: float
    best_hfd_px: float
    slope_px_per_step: float
    run_cost_s: Mapping[str, float]
    position_err_steps: Mapping[str, float]
    steps_per_c_err: float = 0.0
    offset_steps: Mapping[str, float] = field(default_factory=dict)
    offset_err_steps: Mapping[str, float] = field(default_factory=dict)
    draw_drift: DriftDraws | None = None
    move_s: float = 3.0
    filter_change_s: float = 10.0

    @property
    def tolerance_steps(self) -> float:
        """Move from best focus that costs 5 % in half-flux diameter."""
        growth = np.sqrt((1.0 + TOLERATED_GROWTH) ** 2 - 1.0)
        return float(growth * self.best_hfd_px / self.slope_px_per_step)

    def draw(self, rng: np.random.Generator, draws: int, filters: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """Draw true drifts.

        Returns
        -------
        steps_per_c : ndarray, shape (draws,)
        offset_steps : ndarray, shape (len(filters), draws)
        """
        if self.draw_drift is not None:
            return self.draw_drift(rng, draws, filters)
        steps_per_c = self.steps_per_c + self.steps_per_c_err * rng.standard_normal(draws)
        middle = np.array([self.offset_steps.get(f, 0.0) for f in filters])
        err = np.array([self.offset_err_steps.get(f, 0.0) for f in filters])
        return steps_per_c, middle[:, None] + err[:, None] * rng.standard_normal((len(filters), draws))


@dataclass(frozen=True)
class Block:
    """A stretch of the night in one filter."""

    filter: str
    minutes: float
    sub_s: float


@dataclass(frozen=True)
class NightPlan:
    """Blocks in their order; they begin again where the night is longer than all of them."""

    blocks: tuple[Block, ...]

    @property
    def filters(self) -> tuple[str, ...]:
        """The filters in the order of their first use."""
        return tuple(dict.fromkeys(b.filter for b in self.blocks))

    def shares(self) -> dict[str, float]:
        """Part of the time spent in each filter; the parts add up to one."""
        total = sum(b.minutes for b in self.blocks)
        return {f: sum(b.minutes for b in self.blocks if b.filter == f) / total for f in self.filters}


@dataclass(frozen=True)
class Policy:
    """A way of refocusing. Every night begins with a run; the rest is told by the settings.

    Parameters
    ----------
    name : str
    every_min : float or None
        A run this long after the last one.
    every_c : float or None
        A run when the temperature has changed so much since the last one.
    at_filter_change : bool
        A run at every change of filter; otherwise the focuser moves by the filter offset.
    follow : bool
        The focuser follows the learned steps per °C between runs.
    run_filter : str or None
        Runs are made in this filter and the focuser moves by the offset; None: in the filter in use.
    """

    name: str
    every_min: float | None = None
    every_c: float | None = None
    at_filter_change: bool = False
    follow: bool = False
    run_filter: str | None = None


@dataclass(frozen=True)
class Nights:
    """Temperatures of several nights on one even grid.

    Parameters
    ----------
    temperature_c : ndarray, shape (nights, points)
        Held at its last value beyond the end of the night.
    step_s : float
    length_s : ndarray, shape (nights,)
    """

    temperature_c: FloatArray
    step_s: float
    length_s: FloatArray

    def part(self, which: slice | NDArray[np.intp]) -> Nights:
        """Return only some of the nights."""
        return Nights(self.temperature_c[which], self.step_s, self.length_s[which])


@dataclass(frozen=True)
class Replay:
    """What one policy gave in each night and draw; all arrays have the shape (nights, draws).

    ``imaging_s + focusing_s + moving_s`` is the length of the night.
    ``effective_s`` is the integral of (h0/HFD)² over the imaging time; ``mean_growth`` and
    ``worst_growth`` are of the sub-exposures' HFD over its least value, less one.
    """

    policy: Policy
    runs: FloatArray
    imaging_s: FloatArray
    focusing_s: FloatArray
    moving_s: FloatArray
    effective_s: FloatArray
    mean_growth: FloatArray
    worst_growth: FloatArray
    in_tolerance_s: FloatArray
    trace: Trace | None = None


@dataclass(frozen=True)
class Trace:
    """Every sub-exposure of a replay; arrays of shape (exposures, nights, draws), NaN after the end."""

    start_s: FloatArray
    stop_s: FloatArray
    error_start_steps: FloatArray
    error_stop_steps: FloatArray
    after_run: NDArray[np.bool_]


def lay_out_nights(log: TemperatureLog, step_s: float = 60.0, lag_min: float = 0.0) -> Nights:
    """Put the nights of a log on an even grid, linear between the rows.

    With ``lag_min`` the result is what a tube feels that follows the air with that time constant:
    dT/dt = (air − T)/lag, solved exactly for air that changes linearly between grid points.

    Raises
    ------
    FocuskitError
        If the nights are too long and many to be replayed.
    """
    spans = [log.night(i) for i in range(len(log.nights))]
    length_s = np.array([t[-1] - t[0] for t, _ in spans])
    points = int(np.ceil(length_s.max() / step_s)) + 2
    if points * len(spans) > _MOST_POINTS:
        raise FocuskitError(
            f"the nights of the log are up to {length_s.max() / HOUR_S:.0f} h long, too long to replay: give their "
            "hours, like --night 19:00-05:00"
        )
    grid_s = np.arange(points) * step_s
    air = np.array([np.interp(grid_s, t - t[0], c) for t, c in spans])
    if lag_min > 0.0:
        lag_s = 60.0 * lag_min
        fade = np.exp(-step_s / lag_s)
        tube = air.copy()
        for i in range(1, points):
            slope = (air[:, i] - air[:, i - 1]) / step_s
            steady = air[:, i - 1] - slope * lag_s
            tube[:, i] = steady + slope * step_s + (tube[:, i - 1] - steady) * fade
        air = tube
    return Nights(air, step_s, length_s)


def replay_policy(
    nights: Nights,
    plan: NightPlan,
    behaviour: FocusBehaviour,
    policy: Policy,
    *,
    rng: np.random.Generator,
    draws: int = 1,
    trace: bool = False,
) -> Replay:
    """Walk every night through one policy, for several draws of the true drift.

    The focuser moves only between sub-exposures; a run that would leave no time for a
    sub-exposure before the night ends is not made; the last sub-exposure ends with the night.
    Pass generators of the same seed to compare policies on the same draws.

    A sub-exposure whose error goes from e0 to e1 has HFD² = h0² + s²·(e0² + e0·e1 + e1²)/3.
    """
    count = len(nights.length_s)
    lanes = count * draws
    filters = list(plan.filters)
    measured_in = list(dict.fromkeys([*filters, policy.run_filter or filters[0]]))
    true_k, true_offset = behaviour.draw(rng, draws, measured_in)
    noise = rng.standard_normal((NOISE_ROWS, lanes))

    k_true = np.tile(true_k, count)
    k_used = behaviour.steps_per_c
    # what an offset move gets wrong, by filter
    known = np.array([behaviour.offset_steps.get(f, 0.0) for f in measured_in])
    offset_wrong = np.tile(true_offset - known[:, None], (1, count)).ravel()
    lane = np.arange(lanes)
    base = np.repeat(np.arange(count), draws) * nights.temperature_c.shape[1]
    length = np.repeat(nights.length_s, draws)
    curve = nights.temperature_c.ravel()

    def temperature(t: FloatArray, of: NDArray[np.intp] | None = None) -> FloatArray:
        x = t / nights.step_s
        i = x.astype(np.intp)
        at = i + (base if of is None else base[of])
        low = curve[at]
        return low + (x - i) * (curve[at + 1] - low)

    ends_s = np.cumsum([b.minutes * 60.0 for b in plan.blocks])
    block_filter = np.array([filters.index(b.filter) for b in plan.blocks])
    block_sub = np.array([b.sub_s for b in plan.blocks])
    own_run = policy.run_filter is None
    run_in = -1 if own_run else measured_in.index(policy.run_filter or "")
    cost_of = np.array([behaviour.run_cost_s[f] for f in measured_in])
    error_of = np.array([behaviour.position_err_steps[f] for f in measured_in])
    per_step = behaviour.slope_px_per_step / behaviour.best_hfd_px
    every_s = np.inf if policy.every_min is None else 60.0 * policy.every_min
    every_c = np.inf if policy.every_c is None else policy.every_c
    # Smaller moves gain nothing, or cannot be made.
    least_move = max(10.0 ** -decimals_of(behaviour.tolerance_steps), behaviour.tolerance_steps / 5.0)

    t = np.zeros(lanes)
    heat = temperature(t)
    in_use = np.full(lanes, -1)
    runs, focusing, moving = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    imaging, effective, growth = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    worst, within = np.zeros(lanes), np.zeros(lanes)
    anchor, heat_set, heat_run, last_run = np.zeros(lanes), heat.copy(), heat.copy(), np.zeros(lanes)
    seen: list[tuple[FloatArray, ...]] = []

    while True:
        on = t < length - 1e-6
        if not on.any():
            break
        if len(ends_s) > 1:
            block = np.searchsorted(ends_s, np.mod(t, ends_s[-1]), side="right")
            wanted, sub = block_filter[block], block_sub[block]
            changed = on & (wanted != in_use)
        else:
            wanted, sub = np.zeros(lanes, dtype=np.intp), block_sub[0]
            changed = on & (in_use < 0)
        first = in_use < 0
        due = first | (t + sub / 2.0 - last_run >= every_s) | (np.abs(heat - heat_run) >= every_c)
        if policy.at_filter_change:
            due |= changed
        place = wanted if own_run else np.full(lanes, run_in)
        cost = cost_of[place]
        run = on & due & (first | (t + cost + sub <= length))

        # Time between two sub-exposures: turns of the wheel, moves of the focuser, runs.
        turns = (changed & ~first).astype(float)
        if not own_run:
            away, back = (in_use != run_in) & ~first, wanted != run_in
            turns = np.where(run, away.astype(float) + back, turns)
        pause = turns * behaviour.filter_change_s
        if policy.follow:
            off_by = np.abs(k_used * (heat - heat_set)) >= least_move
            pause += np.where(on & off_by & ~run & (turns == 0), behaviour.move_s, 0.0)
            heat_set = np.where(on & (off_by | changed), heat, heat_set)
        stop_move = np.minimum(t + pause, length)
        moving += np.where(on, stop_move - t, 0.0)
        t = np.where(on, stop_move, t)
        if run.any():
            who = np.flatnonzero(run)
            stop_run = np.minimum(t[who] + cost[who], length[who])
            focusing[who] += stop_run - t[who]
            t[who] = stop_run
            found = temperature(stop_run, who)
            used = place[who]
            drawn = noise[runs[who].astype(np.intp) % NOISE_ROWS, who]
            anchor[who] = offset_wrong[used * lanes + who] + (k_true[who] - k_used) * found + error_of[used] * drawn
            heat_set[who] = heat_run[who] = found
            last_run[who] = stop_run
            runs[who] += 1.0
        in_use = np.where(on, wanted, in_use)

        # The sub-exposure.
        before = temperature(t)
        dt = np.where(on, np.minimum(sub, length - t), 0.0)
        after = temperature(t + dt)
        kept = anchor + k_used * heat_set - offset_wrong[in_use * lanes + lane]
        x0, x1 = per_step * (kept - k_true * before), per_step * (kept - k_true * after)
        square = 1.0 + (x0 * x0 + x0 * x1 + x1 * x1) / 3.0
        size = np.sqrt(square)
        imaging += dt
        effective += dt / square
        growth += dt * (size - 1.0)
        worst = np.where(dt > 0.0, np.maximum(worst, size - 1.0), worst)
        within += np.where(size <= 1.0 + TOLERATED_GROWTH, dt, 0.0)
        if trace:
            gone = dt <= 0.0
            row = (t, t + dt, x0 / per_step, x1 / per_step)
            seen.append((*(np.where(gone, np.nan, v) for v in row), run))
        t = t + dt
        heat = after

    def shaped(values: FloatArray) -> FloatArray:
        return values.reshape(count, draws)

    kept_trace = None
    if trace:
        columns = [np.array([row[i] for row in seen]).reshape(-1, count, draws) for i in range(5)]
        kept_trace = Trace(*columns)
    return Replay(
        policy,
        runs=shaped(runs),
        imaging_s=shaped(imaging),
        focusing_s=shaped(focusing),
        moving_s=shaped(moving),
        effective_s=shaped(effective),
        mean_growth=shaped(growth / np.maximum(imaging, 1e-9)),
        worst_growth=shaped(worst),
        in_tolerance_s=shaped(within),
        trace=kept_trace,
    )


def hours(seconds: FloatArray) -> float:
    """Mean over nights and draws, in hours."""
    return float(seconds.mean()) / HOUR_S
