"""Walk nights of logged temperatures through a policy of refocusing, and count what it gives and costs.

All nights and all draws of the uncertain drift are walked side by side, one sub-exposure at a time.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from focuskit.core.optics import TOLERATED_GROWTH, decimals_of
from focuskit.core.times import HOUR_S
from focuskit.refocus.behaviour import FloatArray, FocusBehaviour
from focuskit.refocus.night_plan import NightPlan
from focuskit.refocus.temperature_change import Nights, TemperatureChange, best_interval_min, is_flat, measure_change

Lanes = NDArray[np.intp]

NOISE_ROWS = 64  # search: errors of so many runs are drawn per night; later runs use them again
_WALKS = 512  # search: random walks drawn, then used again: their mean loss is known to a 20th
_OVER_S = 1e-6  # search: a night with less time left is over: only rounding left it
UNPROVEN = 2.0  # a drift below so many of its errors could be none: the usual bound of 95 %
_COUNTS = ("runs", "imaging_s", "focusing_s", "moving_s", "effective_s", "growth_s", "worst_growth", "in_tolerance_s")


@dataclass(frozen=True)
class Policy:
    """When the focuser is run and moved. Every night begins with a run; the settings say what follows.

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

    @property
    def words(self) -> str:
        """The name as people read it."""
        return self.name.replace("_", " ")


@dataclass(frozen=True, eq=False)
class Case:
    """What a policy is set for: what the nights were like, what is to be done in them, how focus moves."""

    nights: Nights
    plan: NightPlan
    behaviour: FocusBehaviour
    noise_c: float = 0.0  # scatter of single temperatures

    def part(self, which: slice) -> Case:
        """Return the case of some of the nights."""
        return replace(self, nights=self.nights.part(which))

    @cached_property
    def change(self) -> TemperatureChange:
        """How far the temperature moves away with time; nowhere where noise explains all of it."""
        change = measure_change(self.nights, self.noise_c)
        return replace(change, change_c=0.0 * change.change_c) if is_flat(change, self.noise_c) else change

    @property
    def flat(self) -> bool:
        """Whether the temperature moves nowhere."""
        return not self.change.change_c.any()

    def loss_per_c2(self, *, followed: bool = False) -> float:
        """(s·k/h0)² with the mean of k² over the nights and over what is not known of it.

        Where the drift is followed, only what is not known and what bends is left.
        """
        focus = self.behaviour
        bend = focus.bend.steps_per_c(self.nights.temperature_c) if focus.bend else np.zeros(1)
        square = float(np.mean((bend + (0.0 if followed else focus.steps_per_c)) ** 2))
        return focus.loss_per_step2() * (square + focus.steps_per_c_err**2)

    def best_interval_min(
        self, run_cost_s: float, *, followed: bool = False, change: TemperatureChange | None = None
    ) -> float | None:
        """Time between runs of least loss, in minutes, for another change than that of the nights if it is given.

        None where runs never pay.
        """
        walk = self.behaviour.loss_per_step2() * self.behaviour.random_walk**2
        return best_interval_min(change or self.change, self.loss_per_c2(followed=followed), run_cost_s, walk)

    @property
    def offsets_known(self) -> bool:
        """Whether the focuser can move by an offset at every change of filter."""
        return all(f in self.behaviour.offset_steps for f in self.plan.filters)

    @property
    def driftless(self) -> bool:
        """Whether it is known that temperature does not move focus."""
        return self.behaviour.steps_per_c == self.behaviour.steps_per_c_err == 0.0

    @property
    def drift_proven(self) -> bool:
        """Whether there is surely a drift with temperature."""
        return not self.driftless and abs(self.behaviour.steps_per_c) >= UNPROVEN * self.behaviour.steps_per_c_err

    @property
    def median_night_min(self) -> float:
        """Length of the middle night."""
        return float(np.median(self.nights.length_s)) / 60.0

    def run_cost_s(self, run_filter: str | None) -> float:
        """Mean cost of a run that may fall anywhere in the plan, turns of the wheel included."""
        shares, cost = self.plan.shares(), self.behaviour.run_cost_s
        if run_filter is None:
            return sum(share * cost[f] for f, share in shares.items())
        return cost[run_filter] + 2.0 * self.behaviour.filter_change_s * (1.0 - shares[run_filter])

    def quickest_filter(self) -> str:
        """The filter of the plan whose run costs least; of equals the one with the surer offset."""
        focus = self.behaviour
        cost, err = focus.run_cost_s, focus.position_err_steps
        return min(self.plan.filters, key=lambda f: (cost[f], focus.offset_err_steps.get(f, 0.0), err[f], f))


@dataclass(frozen=True, eq=False)
class Trace:
    """Every sub-exposure of a replay; arrays of shape (exposures, nights, draws), NaN after the end."""

    start_s: FloatArray
    stop_s: FloatArray
    error_start_steps: FloatArray
    error_stop_steps: FloatArray
    after_run: NDArray[np.bool_]

    def line(self) -> tuple[FloatArray, FloatArray]:
        """Hours and focus errors (steps) in the first night and draw, shape (n,): NaN breaks the line at a run."""
        gap = np.where(self.after_run, np.nan, self.error_start_steps)
        times = np.stack([self.start_s, self.start_s, self.stop_s])[:, :, 0, 0]
        errors = np.stack([gap, self.error_start_steps, self.error_stop_steps])[:, :, 0, 0]
        return times.T.ravel() / HOUR_S, errors.T.ravel()

    def run_ends(self) -> tuple[FloatArray, FloatArray]:
        """Hours at which the runs of the first night and draw end, and the errors (steps) that they leave."""
        run = self.after_run[:, 0, 0]
        return self.start_s[run, 0, 0] / HOUR_S, self.error_start_steps[run, 0, 0]


@dataclass(frozen=True, eq=False)
class Replay:
    """What one policy gave in each night and draw; all arrays have the shape (nights, draws).

    ``imaging_s + focusing_s + moving_s`` is the length of the night.
    ``effective_s`` is the integral of (h0/HFD)² over the imaging time; ``growth_s`` and
    ``worst_growth`` are the integral and the maximum of the sub-exposures' HFD over its least value, less one.
    ``trace`` is empty where it was not asked for.
    """

    policy: Policy
    runs: FloatArray
    imaging_s: FloatArray
    focusing_s: FloatArray
    moving_s: FloatArray
    effective_s: FloatArray
    growth_s: FloatArray
    worst_growth: FloatArray
    in_tolerance_s: FloatArray
    trace: Trace

    @property
    def mean_growth(self) -> FloatArray:
        """Mean growth of the half-flux diameter over the imaging time."""
        return self.growth_s / np.maximum(self.imaging_s, 1e-9)


def replay_policy(
    case: Case, policy: Policy, *, draws: int = 1, seed: int = 0, turned: bool = False, trace: bool = False
) -> Replay:
    """Walk every night through one policy, for several draws of the true drift.

    With ``turned`` each draw begins elsewhere in the plan, evenly over all of it: which filter the clock meets is
    an accident of one plan, up to 4 % of depth.

    The focuser moves only between sub-exposures; a run that would leave no time for a
    sub-exposure before the night ends is not made; the last sub-exposure ends with the night.
    With the same seed, policies are compared on the same draws.

    A sub-exposure whose error goes from e0 to e1 has HFD² = h0² + s²·(e0² + e0·e1 + e1²)/3.
    """
    walk = _Walk(case, policy, draws, seed, turned)
    seen = []
    while walk.under_way():
        wanted, sub_s = walk.next_block()
        changed = wanted != walk.in_use
        run = walk.runs_due(wanted, changed, sub_s)
        walk.move(wanted, changed, run)
        walk.focus(wanted, run)
        walk.in_use = np.where(walk.on, wanted, walk.in_use)
        exposed = walk.expose(sub_s, keep=trace)
        if trace:
            seen.append((*exposed, run))
    shape = (-1, len(case.nights.length_s), draws)
    columns = [np.array([row[k] for row in seen]).reshape(shape) for k in range(len(fields(Trace)))]
    counts = {name: count.reshape(shape[1:]) for name, count in walk.counts.items()}
    return Replay(policy, **counts, trace=Trace(*columns))


class _Truth:
    """What the nights and the focuser truly do, for each lane: one night with one draw of the drift."""

    def __init__(self, case: Case, filters: list[str], draws: int, seed: int) -> None:
        rng, nights, behaviour = np.random.default_rng(seed), case.nights, case.behaviour
        count, points = nights.temperature_c.shape
        steps_per_c, offset_steps = behaviour.draw(rng, draws, filters)
        known = np.array([behaviour.offset_steps.get(f, 0.0) for f in filters])
        self.lanes = np.arange(count * draws)
        self.length_s = np.repeat(nights.length_s, draws)
        self.steps_per_c = np.tile(steps_per_c, count)
        # What a move by the known offset gets wrong, one filter after the other.
        self._offset_wrong = np.tile(offset_steps - known[:, None], (1, count)).ravel()
        self._noise = rng.standard_normal((NOISE_ROWS, count * draws))
        self._run_err = np.array([behaviour.position_err_steps[f] for f in filters])
        self._step_s, self._curve = nights.step_s, nights.temperature_c.ravel()
        self._first = np.repeat(np.arange(count), draws) * points
        self._bend = None if behaviour.bend is None else behaviour.bend.steps(self._curve)
        self._walk = None
        if behaviour.random_walk > 0.0:
            moved = rng.standard_normal((_WALKS, points)) * behaviour.random_walk * np.sqrt(nights.step_s / HOUR_S)
            self._walk = np.cumsum(moved, axis=1).ravel()
            self._first_of_walk = self.lanes % _WALKS * points

    def temperature_c(self, time_s: FloatArray, of: Lanes | slice = slice(None)) -> FloatArray:
        """Temperatures of some lanes, linear between the points of the grid."""
        return self._between(self._curve, self._first[of], time_s)

    def _between(self, curves: FloatArray, first: Lanes, time_s: FloatArray) -> FloatArray:
        """Values of curves that begin at ``first``, linear between the points of the grid."""
        x = time_s / self._step_s
        i = x.astype(np.intp)
        low = curves[i + first]
        return low + (x - i) * (curves[i + first + 1] - low)

    def focus_steps(self, time_s: FloatArray, celsius: FloatArray, of: Lanes | slice = slice(None)) -> FloatArray:
        """Best focus of some lanes: the drift and its bend at these temperatures, and the random walk."""
        focus = self.steps_per_c[of] * celsius
        if self._bend is not None:
            focus += self._between(self._bend, self._first[of], time_s)
        if self._walk is not None:
            focus += self._between(self._walk, self._first_of_walk[of], time_s)
        return focus

    def offset_wrong(self, filters: Lanes, of: Lanes) -> FloatArray:
        """Error (steps) of the known offsets of these filters, each in its lane."""
        return self._offset_wrong[filters * len(self.lanes) + of]

    def run_error(self, filters: Lanes, number: FloatArray, of: Lanes) -> FloatArray:
        """Error (steps) of the best position that the run of this number finds, each in its lane."""
        return self._run_err[filters] * self._noise[number.astype(np.intp) % NOISE_ROWS, of]


class _Walk:
    """The lanes between two sub-exposures; every array has the shape (lanes,), filters are numbers."""

    def __init__(self, case: Case, policy: Policy, draws: int, seed: int, turned: bool) -> None:
        plan, behaviour = case.plan, case.behaviour
        filters = list(dict.fromkeys([*plan.filters, policy.run_filter or plan.filters[0]]))
        self.policy, self.behaviour = policy, behaviour
        self.truth = _Truth(case, filters, draws, seed)
        self.block_end_s = np.cumsum([b.minutes * 60.0 for b in plan.blocks])
        self.block_filter = np.array([filters.index(b.filter) for b in plan.blocks])
        self.block_sub_s = np.array([b.sub_s for b in plan.blocks])
        self.run_in = None if policy.run_filter is None else filters.index(policy.run_filter)
        self.run_cost_s = np.array([behaviour.run_cost_s[f] for f in filters])
        self.every_s = np.inf if policy.every_min is None else 60.0 * policy.every_min
        self.every_c = np.inf if policy.every_c is None else policy.every_c
        # Smaller moves cannot be made, or gain nothing: a fifth of the tolerance is 0.2 % in size.
        self.least_move = max(10.0 ** -decimals_of(behaviour.tolerance_steps), behaviour.tolerance_steps / 5.0)

        lanes = len(self.truth.lanes)
        begin_s = self.block_end_s[-1] * np.arange(draws) / draws * turned
        self.begin_s = np.tile(begin_s, len(case.nights.length_s))
        self.time_s = np.zeros(lanes)
        self.on = np.ones(lanes, dtype=bool)
        self.in_use = np.full(lanes, -1)  # the filter; -1 before the first
        self.heat = self.truth.temperature_c(self.time_s)  # now, after the last run, and at the last move
        self.heat_at_run, self.heat_at_move = self.heat.copy(), self.heat.copy()
        self.last_run_s = np.zeros(lanes)
        self.anchor = np.zeros(lanes)  # the focuser's position less known offset and learned drift
        self.counts = {name: np.zeros(lanes) for name in _COUNTS}

    def under_way(self) -> bool:
        """Note which nights go on, and return whether any does."""
        self.on = self.time_s < self.truth.length_s - _OVER_S
        return bool(self.on.any())

    def next_block(self) -> tuple[Lanes, FloatArray]:
        """Filter and length of the next sub-exposure."""
        if len(self.block_filter) == 1:
            return np.zeros_like(self.in_use), self.block_sub_s
        block = np.searchsorted(
            self.block_end_s, np.mod(self.begin_s + self.time_s, self.block_end_s[-1]), side="right"
        )
        return self.block_filter[block], self.block_sub_s[block]

    def _place(self, wanted: Lanes) -> Lanes:
        """Filters in which runs are made."""
        return wanted if self.run_in is None else np.full_like(wanted, self.run_in)

    def runs_due(self, wanted: Lanes, changed: NDArray[np.bool_], sub_s: FloatArray) -> NDArray[np.bool_]:
        """Where the policy asks for a run now, and it leaves time for a sub-exposure."""
        first = self.in_use < 0
        due = first | (self.time_s + sub_s / 2.0 - self.last_run_s >= self.every_s)
        due |= np.abs(self.heat - self.heat_at_run) >= self.every_c
        if self.policy.at_filter_change:
            due |= changed
        cost = self.run_cost_s[self._place(wanted)]
        return self.on & due & (first | (self.time_s + cost + sub_s <= self.truth.length_s))

    def move(self, wanted: Lanes, changed: NDArray[np.bool_], run: NDArray[np.bool_]) -> None:
        """Turn the wheel, to the filter of a run and back where it is another, and follow the temperature."""
        first = self.in_use < 0
        turns = (changed & ~first).astype(float)
        if self.run_in is not None:
            away, back = (self.in_use != self.run_in) & ~first, wanted != self.run_in
            turns = np.where(run, away.astype(float) + back, turns)
        pause = turns * self.behaviour.filter_change_s
        if self.policy.follow:
            off_by = np.abs(self.behaviour.steps_per_c * (self.heat - self.heat_at_move)) >= self.least_move
            pause += np.where(off_by & ~run & (turns == 0), self.behaviour.move_s, 0.0)
            self.heat_at_move = np.where(self.on & (off_by | changed), self.heat, self.heat_at_move)
        stop = np.where(self.on, np.minimum(self.time_s + pause, self.truth.length_s), self.time_s)
        self.counts["moving_s"] += stop - self.time_s
        self.time_s = stop

    def focus(self, wanted: Lanes, run: NDArray[np.bool_]) -> None:
        """Make the runs: they take their time and set the focuser with their error."""
        if not run.any():
            return
        who, truth = np.flatnonzero(run), self.truth
        used = self._place(wanted)[who]
        stop = np.minimum(self.time_s[who] + self.run_cost_s[used], truth.length_s[who])
        found = truth.temperature_c(stop, who)
        wrong = truth.focus_steps(stop, found, who) - self.behaviour.steps_per_c * found
        wrong += truth.offset_wrong(used, who)
        self.anchor[who] = wrong + truth.run_error(used, self.counts["runs"][who], who)
        self.counts["focusing_s"][who] += stop - self.time_s[who]
        self.time_s[who] = self.last_run_s[who] = stop
        self.heat_at_move[who] = self.heat_at_run[who] = found
        self.counts["runs"][who] += 1.0

    def expose(self, sub_s: FloatArray, *, keep: bool) -> tuple[FloatArray, ...]:
        """Expose while best focus drifts away; return times and errors at the ends if they are to be kept."""
        truth, behaviour = self.truth, self.behaviour
        dt = np.where(self.on, np.minimum(sub_s, truth.length_s - self.time_s), 0.0)
        stop_s = self.time_s + dt
        before, after = truth.temperature_c(self.time_s), truth.temperature_c(stop_s)
        at = self.anchor + behaviour.steps_per_c * self.heat_at_move - truth.offset_wrong(self.in_use, truth.lanes)
        per_step = behaviour.slope_px_per_step / behaviour.best_hfd_px
        x0 = per_step * (at - truth.focus_steps(self.time_s, before))
        x1 = per_step * (at - truth.focus_steps(stop_s, after))
        square = 1.0 + (x0 * x0 + x0 * x1 + x1 * x1) / 3.0
        size = np.sqrt(square)
        self.counts["imaging_s"] += dt
        self.counts["effective_s"] += dt / square
        self.counts["growth_s"] += dt * (size - 1.0)
        np.maximum(self.counts["worst_growth"], size - 1.0, out=self.counts["worst_growth"], where=dt > 0.0)
        self.counts["in_tolerance_s"] += np.where(size <= TOLERATED_GROWTH, dt, 0.0)
        exposed = (self.time_s, stop_s, x0 / per_step, x1 / per_step) if keep else ()
        self.time_s, self.heat = stop_s, after
        return tuple(np.where(dt > 0.0, column, np.nan) for column in exposed)
