"""One light frame as the logbook keeps it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime

from focuskit.core.ranges import RANGES, what_is_wrong
from focuskit.core.times import EARLIEST_S, LATEST_S


@dataclass(frozen=True)
class LoggedLight:
    """One light frame as the logbook keeps it: how far from focus it was; what is not known is None.

    Parameters
    ----------
    key : str
        Hash of the frame's pixels: two of one key are the same frame.
    time : datetime
        UTC; the start of the exposure.
    position : float
        Of the focuser.
    defocus_um, defocus_err_um : float
        Distance from the position of least half-flux diameter, whatever the side, with its standard deviation.
    defocus_limit_um : float or None
        95 % upper limit, where the distance cannot be told from 0.
    side : str or None
        ``outside`` or ``inside`` where the runs of the night or the stars tell.
    um_per_step : float or None
    rig, filter : str or None
    temperature_c, seeing_arcsec, exposure_s : float or None
    """

    key: str
    time: datetime
    position: float
    defocus_um: float
    defocus_err_um: float
    defocus_limit_um: float | None = None
    side: str | None = None
    um_per_step: float | None = None
    rig: str | None = None
    filter: str | None = None
    temperature_c: float | None = None
    seeing_arcsec: float | None = None
    exposure_s: float | None = None

    def problem(self) -> str | None:
        """Return which number of the frame is out of its range, None where all are in theirs."""
        if not EARLIEST_S <= self.time.timestamp() < LATEST_S:
            return f"the year {self.time.year} is none of 1900 to 2199"
        return next(filter(None, (what_is_wrong(name, getattr(self, name)) for name in _RANGED)), None)


_RANGED = [f.name for f in fields(LoggedLight) if f.name in RANGES]
