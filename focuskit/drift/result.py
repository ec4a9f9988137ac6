"""What logged runs tell of drift and filter offsets: values, errors, evidence, prediction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import datetime

import numpy as np

from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import TOLERANCE_SCATTERS, UNIT_WORDS, decimals_of
from focuskit.core.picture import Picture
from focuskit.core.reasons import Reason
from focuskit.core.statistics import median_of
from focuskit.core.svg import draw_svg
from focuskit.core.text import html_table, plus_minus, two_digits
from focuskit.core.times import format_time
from focuskit.drift.lights import LightShare
from focuskit.drift.linear import Array
from focuskit.drift.models import Weighed
from focuskit.drift.others import LOG, OTHER, OWN, Follows, Sensor
from focuskit.drift.pictures import clock_word, drift_picture, offsets_picture, residuals_picture
from focuskit.drift.scatter import AveragedFit
from focuskit.drift.season import Terms

MODEL_WORDS = {
    "own_coefficients": "own drift for each filter",
    "bend": "bend with temperature",
    "lag": "lag of the tube",
    "creep": "creep with time",
    "slip": "slip with every run",
    "night_shifts": "shifts from night to night",
}


@dataclass(frozen=True)
class Advice:
    """Focus runs that would settle most: how many, in which filter, at what temperature, and what."""

    filter: str | None
    temperature_c: float
    runs: int
    settles: str


@dataclass(frozen=True)
class SetAside:
    """A run that bears on nothing, and why (an outlier has the code ``outlier``)."""

    run: LoggedRun
    reason: Reason


@dataclass(frozen=True)
class FilterOffset:
    """Best position of a filter less that of the reference, in steps, by ``runs`` and light frames; None: not known."""

    filter: str | None
    offset_steps: float | None
    err: float | None
    runs: int
    range_c: tuple[float, float] | None
    steps_per_c: float | None
    lights: int = 0


@dataclass(frozen=True)
class Rebuild:
    """A jump of the base that all later runs share.

    ``time`` is the first run after it; ``evidence`` is the gain in -2 log likelihood by a rebuild that
    was found, None for a declared one.
    """

    time: datetime
    last_before: datetime
    jump_steps: float | None
    err: float | None
    declared: bool
    evidence: float | None


@dataclass(frozen=True)
class ByTime:
    """How focus moves with the time of night, where no temperature is known; towards higher positions is positive.

    Attributes
    ----------
    middle_h : float
        Time of day (UTC hours) about which the runs lie.
    steps_per_h, err : float
        Slope of the mean curve of all nights there, and its error.
    bend_steps_per_h2 : float
        Half of how much the slope changes in an hour.
    night_spread_steps_per_h : float
        Standard deviation of the slopes of single nights about it.
    walk_steps_per_root_h : float
        Random walk of focus on top of that.
    hours, moved_steps : (n,) arrays
        Of the used runs: hours from ``middle_h``, and position less the base of the night and the offset.
    """

    middle_h: float
    steps_per_h: float
    err: float
    bend_steps_per_h2: float
    night_spread_steps_per_h: float
    walk_steps_per_root_h: float
    hours: Array = field(compare=False)
    moved_steps: Array = field(compare=False)

    def to_json(self) -> dict[str, float]:
        """Return the numbers, without those of single runs."""
        return {one.name: getattr(self, one.name) for one in fields(self) if one.compare}


def outlier(run: LoggedRun, off: float, variance: float, position_unit: str) -> SetAside:
    """Set a run aside for being so far off the fit."""
    moved = ("+" if off >= 0.0 else "-") + two_digits(abs(off))
    reason = f"wild: {moved} {UNIT_WORDS[position_unit]} off, {abs(off) / math.sqrt(variance):.0f} standard errors"
    return SetAside(run, Reason("outlier", reason))


def likely_tolerance(runs: Sequence[LoggedRun], known: float | None, scatter_steps: float | None) -> float | None:
    """Return the tolerance; where it is not known, by the scatter or the error of a run, whichever is larger."""
    err = median_of(run.position_err for run in runs)
    return known or TOLERANCE_SCATTERS * max(scatter_steps or 0.0, err or 0.0) or None


@dataclass(frozen=True, repr=False)
class Drift:
    """What the logged runs tell of drift and offsets.

    Attributes
    ----------
    rig : str or None
    reference_filter : str or None
        Offsets count from this filter.
    reference_c : float
        Temperature at which offsets hold, should filters drift differently.
    steps_per_c, steps_per_c_err : float or None
        Change of best position per °C of warming.
    range_c : (float, float) or None
        Coldest and warmest run used; None without temperatures.
    filters : tuple of FilterOffset
        The reference first.
    rebuilds : tuple of Rebuild
    scatter_steps : float or None
        Standard deviation of the used runs about the model.
    extra_scatter_steps : float or None
        What of it the runs' own errors do not explain.
    night_scatter_steps : float or None
        Standard deviation of the shifts from night to night: the median of what the runs and the prior leave open.
    tolerance_steps : float or None
        Median tolerance of the runs.
    used : tuple of LoggedRun
    residuals_steps : (n,) array
        Of the used runs.
    set_aside : tuple of SetAside
    models : tuple of Weighed
    advice : tuple of Advice
        Which runs would settle most, best first.
    flags : tuple of str
    terms : Terms
        Which terms the model has.
    fit : AveragedFit
        Coefficients in the order: offsets of ``filters[1:]``, drift, and what else the model has.
    sensors : tuple of Sensor
        How well focus follows each, where the runs have the temperatures of several.
    follows : tuple of Follows
        What is left along the altitude and the side of the pier, where the runs know them.
    by_time : ByTime or None
        How focus moves with the time of night, where the runs have no temperatures.
    position_unit : str
        What positions, and all that ends in ``_steps``, are in, a key of ``UNIT_WORDS``.
    lights : LightShare or None
        What light frames, for which some of ``used`` stand, did to it.
    """

    rig: str | None
    reference_filter: str | None
    reference_c: float
    steps_per_c: float | None
    steps_per_c_err: float | None
    range_c: tuple[float, float] | None
    filters: tuple[FilterOffset, ...]
    rebuilds: tuple[Rebuild, ...]
    scatter_steps: float | None
    extra_scatter_steps: float | None
    night_scatter_steps: float | None
    tolerance_steps: float | None
    used: tuple[LoggedRun, ...]
    residuals_steps: Array = field(compare=False)
    set_aside: tuple[SetAside, ...]
    models: tuple[Weighed, ...]
    advice: tuple[Advice, ...]
    flags: tuple[str, ...]
    terms: Terms
    fit: AveragedFit = field(compare=False)
    sensors: tuple[Sensor, ...] = ()
    follows: tuple[Follows, ...] = ()
    by_time: ByTime | None = None
    position_unit: str = "step"
    lights: LightShare | None = None

    def to_json(self) -> dict[str, object]:
        """Return the object of schema ``focuskit.offsets/1``."""
        return {
            "schema": "focuskit.offsets/1",
            "rig": self.rig,
            "position_unit": self.position_unit,
            "runs_used": self.runs_used, "lights": asdict(self.lights) if self.lights else None,
            "runs_set_aside": [
                {"time": format_time(one.run.time), "filter": one.run.filter, "why": str(one.reason)}
                for one in self.set_aside
            ],
            "reference_filter": self.reference_filter,
            "temperature": {
                "steps_per_c": self.steps_per_c,
                "err": self.steps_per_c_err,
                "range_c": list(self.range_c) if self.range_c else None,
                "reference_c": self.reference_c if self.range_c else None,
            },
            "time_of_night": self.by_time.to_json() if self.by_time else None,
            "filters": [
                {"filter": f.filter, "offset_steps": f.offset_steps, "err": f.err, "runs": f.runs, "lights": f.lights,
                 "range_c": list(f.range_c) if f.range_c else None, "steps_per_c": f.steps_per_c}
                for f in self.filters
            ],
            "rebuilds": [
                {"time": format_time(r.time), "jump_steps": r.jump_steps, "err": r.err,
                 "last_run_before": format_time(r.last_before), "declared": r.declared,
                 "evidence": r.evidence}
                for r in self.rebuilds
            ],
            "scatter_steps": self.scatter_steps,
            "extra_scatter_steps": self.extra_scatter_steps,
            "night_scatter_steps": self.night_scatter_steps,
            "tolerance_steps": self.tolerance_steps,
            "models": [
                {"model": m.name, "aicc_change": m.aicc_change, "taken": m.taken, "value": m.value}
                for m in self.models
            ],
            "advice": [
                {"filter": a.filter, "temperature_c": a.temperature_c, "runs": a.runs, "settles": a.settles}
                for a in self.advice
            ],
            "sensors": [asdict(one) for one in self.sensors],
            "follows": [asdict(one) for one in self.follows],
            "flags": list(self.flags),
        }  # fmt: skip

    @property
    def runs_used(self) -> int:
        """Number of focus runs used; what stands for light frames does not count."""
        return sum(one.runs for one in self.filters) if self.lights else len(self.used)

    @property
    def unit(self) -> str:
        """What positions are in, as people read it."""
        return UNIT_WORDS[self.position_unit]

    @property
    def decimals(self) -> int:
        """With how many decimals positions are written."""
        return decimals_of(likely_tolerance(self.used, self.tolerance_steps, self.scatter_steps))

    @property
    def outliers(self) -> tuple[SetAside, ...]:
        """Runs set aside because they lie far off the fit."""
        return tuple(one for one in self.set_aside if one.reason.code == "outlier")

    def __repr__(self) -> str:
        shown = [f"{one.filter} {plus_minus(one.offset_steps, one.err, True)}" for one in self.filters[1:]]
        offsets = f"\n  offsets from {self.reference_filter}: {', '.join(shown)} {self.unit}" if shown else ""
        rebuilds = ", ".join(f"{one.time:%Y-%m-%d}" for one in self.rebuilds) or "none"
        flags = ", ".join(self.flags) or "none"
        aside = f"{len(self.set_aside)} runs set aside; rebuilds: {rebuilds}; flags: {flags}"
        return f"{self._title()}{offsets}\n  {aside}"

    def by_time_sentence(self) -> str:
        """Say how focus moves with the time of night; empty where there are temperatures."""
        found = self.by_time
        if found is None:
            return ""
        rate = f"{plus_minus(found.steps_per_h, found.err, True)} {self.unit} per hour"
        spread = two_digits(found.night_spread_steps_per_h)
        return f"{rate} at {clock_word(found.middle_h)} UTC on average; single nights differ from it by {spread}"

    def _title(self) -> str:
        if self.by_time:
            return f"{self.rig or 'Unnamed rig'}: {self.by_time_sentence()}, from {len(self.used)} runs"
        drift = plus_minus(self.steps_per_c, self.steps_per_c_err)
        return f"{self.rig or 'Unnamed rig'}: {drift} {self.unit} per °C, from {len(self.used)} runs"

    def _repr_html_(self) -> str:
        """Show drift and offsets in a notebook."""
        rows = [
            (str(f.filter or "–"), "0" if i == 0 else plus_minus(f.offset_steps, f.err, True), str(f.runs))
            for i, f in enumerate(self.filters)
        ]
        head = ("filter", f"offset from {self.reference_filter} ({self.unit})", "runs")
        return html_table(self._title(), head, rows) + draw_svg(self.picture())

    def picture(self) -> Picture:
        """Describe focus against temperature, offsets and rebuilds taken out."""
        return drift_picture(self)

    def residuals_picture(self) -> Picture:
        """Describe what the model leaves over time, with rebuilds and wild runs."""
        return residuals_picture(self)

    def offsets_picture(self) -> Picture:
        """Describe the offsets with their errors, and the tolerance about each."""
        return offsets_picture(self)

    def change_with_temperature(self, celsius: Array) -> Array:
        """Best position in the reference filter less that at `reference_c`, at (n,) temperatures."""
        columns = self.terms.columns(np.zeros(len(celsius), dtype=int), celsius, len(self.filters))
        zero = self.columns_at(self.filters[0].filter, self.reference_c)
        change: Array = (columns - zero) @ self.fit.coefficients
        return change

    def cooling_sentence(self, by_c: float = 5.0) -> str:
        """Say how far to move when it cools, empty where no drift is known."""
        if self.steps_per_c is None:
            return ""
        steps = -by_c * self.steps_per_c
        shown = f"{abs(steps):.{self.decimals}f}"
        way = "outward" if steps > 0 else "inward"
        return f"It cools by {by_c:g} °C: move {shown} {self.unit} {way} (a higher position is taken as outward)."

    def sensors_sentence(self) -> str:
        """Say which temperature predicts focus best and by how much; empty unless several sensors were compared."""
        if not self.sensors:
            return ""
        ranked = sorted(self.sensors, key=lambda one: one.change)
        names = {OWN: "the runs' own temperature", OTHER: "the other sensor", LOG: "the log"}
        left = ", ".join(f"{one.scatter_steps:.3g} {self.unit} with {names[one.sensor]}" for one in ranked)
        if not ranked[0].best:
            return f"the runs do not show which predicts focus best: they scatter by {left}"
        gain = ranked[1].change - ranked[0].change
        return f"{names[ranked[0].sensor]} predicts focus best, by {gain:.0f} in -2 log likelihood: scatter {left}"

    def predict(
        self, filter_name: str | None, temperature_c: float, time: datetime | None = None
    ) -> tuple[float | None, float | None]:
        """Return the best position and its one-sigma error, without the scatter of a single run.

        Parameters
        ----------
        time : datetime, optional
            Picks the base; by default the one since the last rebuild.

        Raises
        ------
        FocuskitError
            If there is no run in the filter.
        """
        of_columns = self.columns_at(filter_name, temperature_c)
        if self.by_time or (self.lights and not self.lights.used):
            return None, None
        bases = np.zeros(len(self.fit.likely.bases))
        past = sum(time is None or r.time <= time for r in self.rebuilds)
        bases[past] = 1.0
        value, err = self.fit.contrast(of_columns, bases)
        return value, err if self.extra_scatter_steps is not None else None

    def draw(self, rng: np.random.Generator, draws: int, filters: Sequence[str | None]) -> tuple[Array, Array]:
        """Draw true drifts from what the runs leave open (their posterior).

        Returns
        -------
        steps_per_c : (draws,) array
        offset_steps : (len(filters), draws) array
            NaN where the runs do not tell.
        """
        places = [self._place(name) for name in filters]
        drawn = self.fit.draw(rng, draws)
        place = len(self.filters) - 1
        k = drawn[:, place] if self.steps_per_c is not None else np.full(draws, np.nan)
        offsets = [np.zeros(draws), *drawn[:, :place].T]
        known = [f.offset_steps is not None for f in self.filters]
        return k, np.array([offsets[i] if known[i] else np.full(draws, np.nan) for i in places])

    def columns_at(self, filter_name: str | None, temperature_c: float) -> Array:
        """Return the columns of the fit for a filter at a temperature."""
        index = self._place(filter_name)
        return self.terms.columns(np.array([index]), np.array([temperature_c]), len(self.filters))[0]

    def _place(self, name: str | None) -> int:
        names = [f.filter for f in self.filters]
        if name not in names:
            raise FocuskitError(f"there is no logged run in filter {name}; known are {', '.join(map(str, names))}")
        return names.index(name)
