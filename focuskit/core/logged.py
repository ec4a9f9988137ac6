"""One focus run as the logbook keeps it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime

from focuskit.core.calibration import PARTS, Calibration, Seeing, SeenOptics, SeenSide, SeenStep, SeenWings, Spherical
from focuskit.core.ranges import RANGES, what_is_wrong
from focuskit.core.times import EARLIEST_S, LATEST_S, format_time


@dataclass(frozen=True)
class LoggedRun:
    """One focus run as the logbook keeps it; what is not known is None.

    Parameters
    ----------
    time : datetime
        UTC; the start of the run.
    position, position_err : float or None
        Best position in steps and its standard deviation; None for a failed run.
    temperature_c : float or None
    filter, rig : str or None
    verdict : str or None
        ``good``, ``usable`` or ``failed``.
    hfd_best_px, hfd_slope_px_per_step, tolerance_steps : float or None
        Least half-flux diameter, slope of the far wings, move that costs 5 % in diameter.
    exposure_s, seconds : float or None
        Exposure of a frame, and what the whole run took.
    frames : int or None
    key : str or None
        Hash of the frames' contents: two runs of one key are the same run.
    excluded : bool
        Set aside by the user.
    note : str or None
    number : int or None
        Number in the logbook.
    details : str or None
        The run as ``focuskit.night/1`` describes it, as JSON text: for people and other programs.
    spherical : Spherical or None
        What the run by itself shows of the telescope's spherical aberration; None without a fit of the shapes.
    seeing : Seeing or None
        Its typical seeing, from the same fit.
    optics : SeenOptics or None
        What it shows of optics that neither headers nor rig file gave; None where they were given, or other runs of
        the night showed them.
    step : SeenStep or None
        Growth of the donuts in one step, from the same fit.
    wings : SeenWings or None
        Exponent of the seeing, from the same fit.
    outside, inside : SeenSide or None
        What is left of the distances of its frames on either side, each measured as a single frame.
    reach_steps : float or None
        Distance of its outermost used frame from the best position.
    star_snr : float or None
        S/N of the 20th brightest star in the frame with the smallest stars.
    other_temperature_c : float or None
        Temperature of another sensor, such as the air where ``temperature_c`` is that of the tube.
    altitude_deg : float or None
        Of the telescope above the horizon.
    pier_side : str or None
        ``east`` or ``west``.
    """

    time: datetime
    position: float | None
    filter: str | None = None
    temperature_c: float | None = None
    position_err: float | None = None
    rig: str | None = None
    verdict: str | None = None
    hfd_best_px: float | None = None
    hfd_slope_px_per_step: float | None = None
    tolerance_steps: float | None = None
    exposure_s: float | None = None
    frames: int | None = None
    seconds: float | None = None
    key: str | None = None
    excluded: bool = False
    note: str | None = None
    number: int | None = None
    details: str | None = None
    spherical: Spherical | None = None
    seeing: Seeing | None = None
    optics: SeenOptics | None = None
    step: SeenStep | None = None
    wings: SeenWings | None = None
    outside: SeenSide | None = None
    inside: SeenSide | None = None
    reach_steps: float | None = None
    star_snr: float | None = None
    other_temperature_c: float | None = None
    altitude_deg: float | None = None
    pier_side: str | None = None

    def with_key(self) -> LoggedRun:
        """Return the run with a key: its own, or one made from rig, time, filter and position."""
        if self.key:
            return self
        words = "|".join(map(str, (self.rig, format_time(self.time), self.filter, self.position)))
        return replace(self, key="table-" + hashlib.sha256(words.encode()).hexdigest()[:32])

    def numbers(self) -> dict[str, float | None]:
        """Return all numbers of the run under the names of their ranges, those of its `PARTS` too."""
        parts = {name: getattr(self, name) for name in PARTS}
        learned = {
            f"{name}_{key}": value for name, part in parts.items() if part for key, value in asdict(part).items()
        }
        return {name: getattr(self, name) for name in _RANGED} | learned

    def problem(self) -> str | None:
        """Return which number of the run is out of its range, None where all are in theirs."""
        if not EARLIEST_S <= self.time.timestamp() < LATEST_S:
            return f"the year {self.time.year} is none of 1900 to 2199"
        return next(filter(None, (what_is_wrong(name, value) for name, value in self.numbers().items())), None)


_RANGED = [f.name for f in fields(LoggedRun) if f.name in RANGES]
# Of tables: what a person can read and write. The rest stays in the logbook.
_NOT_IN_TABLES = ("number", "details", *PARTS, "reach_steps", "star_snr")
COLUMNS = tuple(f.name for f in fields(LoggedRun) if f.name not in _NOT_IN_TABLES)


def calibration_of(runs: Iterable[LoggedRun], rig: str | None) -> Calibration:
    """Return what the runs of a rig show of it; excluded runs do not count."""
    known = [run for run in runs if run.rig == rig and not run.excluded and run.spherical and not run.problem()]
    return Calibration(**{name: tuple(part for run in known if (part := getattr(run, name))) for name in PARTS})
