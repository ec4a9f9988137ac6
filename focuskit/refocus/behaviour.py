"""How focus moves and what focus runs cost and find: learned from logged runs, or given."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import USUAL_FILTERS, FilterTable
from focuskit.core.flags import check
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import TOLERATED_GROWTH, UNIT_WORDS, Rig, unit_of_positions, wing_slope
from focuskit.core.ranges import what_is_wrong
from focuskit.core.statistics import median_of
from focuskit.drift import Drift
from focuskit.refocus.night_plan import NAMELESS
from focuskit.refocus.random_walk import split_scatter

FloatArray = NDArray[np.float64]

OVERHEAD_S = 8.0  # per frame: move, settle, read out (common practice, no source)
USUAL_FRAMES = 9  # of a focus run (common practice, no source)
# Least half-flux diameter where none was measured: a seeing of 2.6″ (FWHM) under the profile of Kolmogorov turbulence,
# usual at low sites (common practice, no source).
ASSUMED_HFD_ARCSEC = 3.0
_ASSUMED_ERR = 1 / 20  # of h0/s: a run's error where none was logged, a sixth of the tolerance (chosen: runs reach it)
# Drift of a telescope of which nothing is known, one standard deviation, in tolerances per °C: an aluminium tube of
# 1.4 m (23 µm per m and °C, from memory) moves by 32 µm, where stars of 3″ at f/7 allow 60.
_USUAL_DRIFT = 0.5

# Draws true drifts: steps per °C, shape (draws,), and offsets of the named filters, (filters, draws).
DriftDraws = Callable[[np.random.Generator, int, Sequence[str]], tuple[FloatArray, FloatArray]]
# One value for every filter, or by filter, with '' for the filters that are not named.
ByFilter = float | Mapping[str, float]


def tolerance_steps(best_hfd_px: float, slope_px_per_step: float) -> float:
    """Return the move from best focus that costs 5 % in half-flux diameter: HFD² = h0² + s²·x²."""
    return math.sqrt(TOLERATED_GROWTH**2 - 1.0) * best_hfd_px / slope_px_per_step


@dataclass(frozen=True)
class Bend:
    """What a drift that changes with temperature adds to its mean: b·(T − T0)², T within the range of the runs."""

    steps_per_c2: float
    about_c: float
    range_c: tuple[float, float]

    def steps(self, celsius: FloatArray) -> FloatArray:
        """Return what is added at (n,) temperatures; it stays beyond the range."""
        return self.steps_per_c2 * (np.clip(celsius, *self.range_c) - self.about_c) ** 2

    def steps_per_c(self, celsius: FloatArray) -> FloatArray:
        """Return what is added to the drift at (n,) temperatures."""
        inside = (celsius >= self.range_c[0]) & (celsius <= self.range_c[1])
        return np.where(inside, 2.0 * self.steps_per_c2 * (celsius - self.about_c), 0.0)


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
    random_walk : float
        What focus moves by apart from temperature, as a random walk (steps/√h).
    bend : Bend or None
        Where the drift changes with temperature. Who follows the drift follows its mean, as capture software does.
    draw_drift : DriftDraws or None
        Draws from the posterior of the drift; without it, the errors above are taken as
        independent and normal.
    position_unit : str
        What positions are in, a key of ``UNIT_WORDS``.
    has_temperatures : bool
        False where the random walk describes all that moves focus.
    move_s, filter_change_s : float
        Time for a move of the focuser and a turn of the wheel between two sub-exposures
        (common practice, no source).
    """

    steps_per_c: float
    best_hfd_px: float
    slope_px_per_step: float
    run_cost_s: Mapping[str, float]
    position_err_steps: Mapping[str, float]
    steps_per_c_err: float = 0.0
    offset_steps: Mapping[str, float] = field(default_factory=dict)
    offset_err_steps: Mapping[str, float] = field(default_factory=dict)
    random_walk: float = 0.0
    bend: Bend | None = None
    draw_drift: DriftDraws | None = field(default=None, repr=False, compare=False)
    position_unit: str = "step"
    has_temperatures: bool = True
    move_s: float = 3.0
    filter_change_s: float = 10.0

    @property
    def unit(self) -> str:
        """What positions are in, as people read it."""
        return UNIT_WORDS[self.position_unit]

    @property
    def tolerance_steps(self) -> float:
        """Move from best focus that costs 5 % in half-flux diameter."""
        return tolerance_steps(self.best_hfd_px, self.slope_px_per_step)

    def loss_per_step2(self) -> float:
        """Loss of depth per squared step of focus error, (s/h0)²: an exposure is worth (h0/HFD)² of its time."""
        return (self.slope_px_per_step / self.best_hfd_px) ** 2

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
class Known:
    """What is known better than the logged runs say, or without any; what is None is learned from the runs.

    Parameters
    ----------
    steps_per_c, steps_per_c_err : float or None
        An error of None beside a drift that is given is 0.
    best_hfd_px, slope_px_per_step : float or None
    run_cost_s, position_err_steps : float or mapping of str to float, or None
        For every filter, or by filter; in a mapping the key '' stands for all others.
    random_walk : float or None
        Steps/√h, see `FocusBehaviour`.
    """

    steps_per_c: float | None = None
    steps_per_c_err: float | None = None
    best_hfd_px: float | None = None
    slope_px_per_step: float | None = None
    run_cost_s: ByFilter | None = None
    position_err_steps: ByFilter | None = None
    random_walk: float | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be.

        Raises
        ------
        FocuskitError
            If a number is out of the range of `focuskit.core.ranges` that the logged runs have, too.
        """
        for name, known in _RANGE_OF_KNOWN.items():
            given = getattr(self, name)
            for value in given.values() if isinstance(given, Mapping) else [given]:
                if problem := what_is_wrong(known, value):
                    raise FocuskitError(f"{name}: {problem}", name)

    @classmethod
    def by_optics(cls, rig: Rig | None) -> Known | None:
        """Return size, slope and error of a run as the optics and a usual seeing have them; None of unknown optics.

        The size is 3″; the slope is that of the annulus of light far from focus, see `wing_slope`.
        """
        if rig is None or not (rig.f_ratio and rig.scale_arcsec_per_px and rig.pixel_um and rig.um_per_step):
            return None
        size = ASSUMED_HFD_ARCSEC / rig.scale_arcsec_per_px
        slope = wing_slope(rig.f_ratio, rig.likely_obstruction) * rig.um_per_step / rig.pixel_um
        return cls(best_hfd_px=size, slope_px_per_step=slope, position_err_steps=_ASSUMED_ERR * size / slope)


# Argument of `Known`: the name of its range.
_RANGE_OF_KNOWN = {
    "steps_per_c": "steps_per_c", "steps_per_c_err": "steps_per_c_err", "best_hfd_px": "hfd_best_px",
    "slope_px_per_step": "hfd_slope_px_per_step", "run_cost_s": "seconds", "position_err_steps": "position_err",
    "random_walk": "random_walk",
}  # fmt: skip
NOTHING = Known()


def learn_behaviour(
    drift: Drift | None,
    filters: Sequence[str],
    known: Known = NOTHING,
    table: FilterTable = USUAL_FILTERS,
    rig: Rig | None = None,
) -> tuple[FocusBehaviour, tuple[str, ...]]:
    """Put together what the runs behind ``drift`` say of ``filters``; what is known goes first, the optics last.

    Returns
    -------
    behaviour : FocusBehaviour
    flags : tuple of str
        What had to be assumed.

    Raises
    ------
    FocuskitError
        If a value is neither given nor in the runs nor known by the optics; all of them are named.
    """
    used = drift.used if drift else ()
    costs = {name: _run_cost_s(drift, name, known) for name in filters}
    scatter = split_scatter(drift) if drift else None
    errs = {name: _position_err(drift, name, known, scatter[0] if scatter else None) for name in filters}
    hfd_px = known.best_hfd_px or median_of([run.hfd_best_px for run in used])
    slope = known.slope_px_per_step or median_of([run.hfd_slope_px_per_step for run in used])
    optics = Known.by_optics(rig) if None in (hfd_px, slope, *errs.values()) else None
    if optics:
        hfd_px, slope = hfd_px or optics.best_hfd_px, slope or optics.slope_px_per_step
        errs = {name: _given(optics.position_err_steps, name, None, "") if e is None else e for name, e in errs.items()}
    hfd_px, slope = _all_needed(
        ("the drift", "steps_per_c", known.steps_per_c if drift is None else 0.0),
        ("the error of a run", "position_err_steps", None if None in errs.values() else 0.0),
        ("the least size", "best_hfd_px", hfd_px),
        ("the slope of the wings", "slope_px_per_step", slope),
    )[-2:]
    steps_per_c, steps_per_c_err = _drift_of(drift, known, _USUAL_DRIFT * tolerance_steps(hfd_px, slope))
    walk = scatter[1] if scatter and known.random_walk is None else known.random_walk
    offsets = {(f.filter or NAMELESS): (f.offset_steps, f.err) for f in (drift.filters if drift else ())
               if f.offset_steps is not None and f.err is not None}  # fmt: skip
    behaviour = FocusBehaviour(
        steps_per_c,
        hfd_px,
        slope,
        {name: _usual_run_s(name, table) if cost is None else cost for name, cost in costs.items()},
        {name: err for name, err in errs.items() if err is not None},
        steps_per_c_err=steps_per_c_err,
        offset_steps={name: steps for name, (steps, _) in offsets.items()},
        offset_err_steps={name: err for name, (_, err) in offsets.items()},
        random_walk=walk or 0.0,
        bend=_bend_of(drift) if drift and known.steps_per_c is None else None,
        position_unit=unit_of_positions(
            drift.position_unit if drift else rig.position_unit if rig else None, tolerance_steps(hfd_px, slope)
        ),
    )
    as_learned = drift is not None and steps_per_c == drift.steps_per_c and steps_per_c_err == drift.steps_per_c_err
    if drift and as_learned and all(name in offsets for name in filters):
        behaviour = replace(behaviour, draw_drift=lambda rng, draws, names: drift.draw(
            rng, draws, [None if name == NAMELESS else name for name in names]))  # fmt: skip
    assumed = {"run_cost_assumed": None in costs.values(), "walk_unknown": walk is None,
               "sizes_from_optics": optics is not None}  # fmt: skip
    return behaviour, check([flag for flag, raised in assumed.items() if raised])


def _usual_run_s(filter_name: str, table: FilterTable) -> float:
    """Time of a focus run of nine frames with the usual exposure for the filter."""
    return USUAL_FRAMES * (table.kind(filter_name).focus_exposure_s + OVERHEAD_S)


def _drift_of(drift: Drift | None, known: Known, usual: float) -> tuple[float, float]:
    """Steps per °C and their error; runs that say less than what is usual are weighed with it."""
    if known.steps_per_c is not None:
        return known.steps_per_c, known.steps_per_c_err or 0.0
    if drift is not None and drift.steps_per_c is not None:
        # An error that is not known could be as large as the value.
        learned_err = abs(drift.steps_per_c) if drift.steps_per_c_err is None else drift.steps_per_c_err
        err = learned_err if known.steps_per_c_err is None else known.steps_per_c_err
        weight = usual**2 / (usual**2 + err**2) if err > usual else 1.0
        return weight * drift.steps_per_c, math.sqrt(weight) * err
    return 0.0, usual


def _bend_of(drift: Drift) -> Bend | None:
    """The part of a learned drift that is no straight line: three points of it settle a parabola."""
    if drift.steps_per_c is None or drift.range_c is None:
        return None
    low, _, high = drift.change_with_temperature(drift.reference_c + np.array([-1.0, 0.0, 1.0]))
    square, slope = (high + low) / 2.0, (high - low) / 2.0
    if abs(square) < 1e-9 * abs(slope):
        return None
    return Bend(square, drift.reference_c - (slope - drift.steps_per_c) / (2.0 * square), drift.range_c)


def _run_cost_s(drift: Drift | None, name: str, known: Known) -> float | None:
    """What the runs of a filter took (median), else frames times exposure and 8 s each."""
    given = _given(known.run_cost_s, name, drift, "run_cost_s")
    if given is not None or drift is None:
        return given
    return median_of([_seconds(run) for run in drift.used if (run.filter or NAMELESS) == name])


def _position_err(drift: Drift | None, name: str, known: Known, scatter_steps: float | None) -> float | None:
    """The runs' own error (median) with the scatter of single runs, which is all that is unexplained if not known."""
    given = _given(known.position_err_steps, name, drift, "position_err_steps")
    if given is not None or drift is None:
        return given
    there = [run.position_err for run in drift.used if (run.filter or NAMELESS) == name]
    own = median_of(there) or median_of([run.position_err for run in drift.used])
    extra = drift.extra_scatter_steps if scatter_steps is None else scatter_steps
    if own is not None and extra is not None:
        own = math.hypot(own, extra)
    return own or drift.scatter_steps


def _given(given: ByFilter | None, name: str, drift: Drift | None, argument: str) -> float | None:
    value = given.get(name, given.get("")) if isinstance(given, Mapping) else given
    if value is None and given is not None and drift is None:
        raise FocuskitError(f"{argument} does not tell of filter {name}, which is in the plan", argument)
    return value


def _all_needed(*needed: tuple[str, str, float | None]) -> list[float]:
    """Return values that are known; what each is and the argument that gives it stand before it.

    Raises
    ------
    FocuskitError
        If some are not: all of them are named.
    """
    missing = [(what, argument) for what, argument, value in needed if value is None]
    if missing:
        raise FocuskitError(
            f"the logged runs do not show {', '.join(what for what, _ in missing)}: give "
            f"{', '.join(argument for _, argument in missing)}; for sizes and errors a rig with focal_length_mm, "
            "aperture_mm, pixel_um and um_per_step does, too",
            ",".join(argument for _, argument in missing),
        )
    return [value for _, _, value in needed if value is not None]


def _seconds(run: LoggedRun) -> float | None:
    if run.seconds is not None or run.frames is None or run.exposure_s is None:
        return run.seconds
    return run.frames * (run.exposure_s + OVERHEAD_S)
