"""Runs and points of a night as tables with units, for ECSV (the enhanced CSV of astropy)."""

from __future__ import annotations

from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from focuskit.core.text import plain_text, write_whole
from focuskit.night import Night

if TYPE_CHECKING:
    from astropy.table import QTable

# Column, unit as astropy writes it, what it is. Positions have no unit: those of most focusers are in steps, which
# astropy does not know.
_RUN_COLUMNS = (
    ("start", None, "start of the first exposure, UTC"),
    ("end", None, "end of the last exposure, UTC"),
    ("filter", None, "filter"),
    ("instrument", None, "camera"),
    ("exposure_s", "s", "median exposure"),
    ("temperature_c", "deg_C", "median temperature of the frames"),
    ("verdict", None, "good, usable or failed"),
    ("best_position", None, "position of the smallest half-flux diameter"),
    ("best_position_err", None, "one standard deviation of the best position"),
    ("look_near", None, "where to centre the next sweep of a failed run"),
    ("method", None, "which estimate the best position is"),
    ("hfd_best_px", "pix", "least half-flux diameter"),
    ("hfd_best_arcsec", "arcsec", "least half-flux diameter"),
    ("fwhm_best_px", "pix", "least full width at half maximum"),
    ("hfd_slope_px_per_step", "pix", "growth of the half-flux diameter in the far wings, per unit of position"),
    ("tolerance_steps", None, "move from the best position that costs 5 % in size"),
    ("critical_focus_zone_steps", None, "half width of the critical focus zone, 2 λ N²"),
    ("um_per_step", "um", "motion of the focal plane per unit of position, from the slope of the wings"),
)
_POINT_COLUMNS = (
    ("file", None, "path below the folder"),
    ("time", None, "start of the exposure, UTC"),
    ("position", None, "position of the focuser"),
    ("hfd_px", "pix", "half-flux diameter, on the stars that the run's frames share"),
    ("hfd_err_px", "pix", "one standard deviation, without the seeing's changes"),
    ("fwhm_px", "pix", "full width at half maximum"),
    ("stars", None, "stars that the size rests on"),
    ("star_snr", None, "signal-to-noise ratio of the 20th brightest star, or of the middle one of fewer than 40"),
    ("defocus_um", "um", "defocus at the focal plane, from the profile fit"),
    ("defocus_err_um", "um", "one standard deviation"),
    ("seeing_arcsec", "arcsec", "seeing (FWHM), from the profile fit"),
)
_TEXTS = ("start", "end", "filter", "instrument", "verdict", "method", "file", "time", "why_not_used", "flags")


def runs_table(night: Night) -> QTable:
    """Return one row for each focus run; an unknown value is masked."""
    runs = [run.to_json() for run in night.runs]
    table = _table(runs, _RUN_COLUMNS)
    _add(table, "flags", [" ".join(run["flags"]) for run in runs], None, "flags, see the documentation")
    table.add_column(_numbers(runs), name="run", index=0)
    table["run"].info.description = "number of the run, as in the report"
    return table


def points_table(night: Night) -> QTable:
    """Return one row for each frame of each run; an unknown value is masked."""
    runs = [run.to_json() for run in night.runs]
    rows = [point for run in runs for point in run["points"]]
    table = _table(rows, _POINT_COLUMNS)
    _add(table, "used", [row["used"] for row in rows], None, "whether the frame is in the curve")
    _add(table, "why_not_used", [row["why_not_used"] for row in rows], None, "why it was set aside")
    number = [k for k, run in zip(_numbers(runs), runs, strict=True) for _ in run["points"]]
    table.add_column(number, name="run", index=0)
    table["run"].info.description = "number of the run, as in the report"
    return table


def write_tables(night: Night, folder: str | Path) -> list[Path]:
    """Write ``runs.ecsv`` and ``points.ecsv`` into a folder and return their paths.

    Text that a spreadsheet would take for a formula gets an apostrophe in front.

    Raises
    ------
    FocuskitError
        If a file cannot be written.
    """
    paths = []
    for name, table in (("runs", runs_table(night)), ("points", points_table(night))):
        text = StringIO()
        table.write(text, format="ascii.ecsv", delimiter=",")
        paths.append(write_whole(Path(folder) / f"{name}.ecsv", text.getvalue().encode("utf-8")))
    return paths


def _numbers(runs: Sequence[Any]) -> list[int]:
    return list(range(1, len(runs) + 1))


def _table(rows: Sequence[dict[str, Any]], columns: Sequence[tuple[str, str | None, str]]) -> QTable:
    from astropy.table import QTable

    table = QTable()
    for name, unit, what in columns:
        _add(table, name, [row[name] for row in rows], unit, what)
    return table


def _add(table: QTable, name: str, values: list[Any], unit: str | None, what: str) -> None:
    from astropy.table import MaskedColumn

    unknown = [value is None for value in values]
    if name in _TEXTS:
        column = MaskedColumn([_harmless(value or "") for value in values], mask=unknown, dtype=str)
    else:
        kind = {"stars": int, "used": bool}.get(name, float)
        column = MaskedColumn([0 if value is None else value for value in values], mask=unknown, dtype=kind)
    if unit is not None:
        column.unit = unit
    table[name] = column
    table[name].info.description = what


def _harmless(text: str) -> str:
    text = plain_text(text)
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text
