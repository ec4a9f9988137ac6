"""What a night gives: its focus runs with all that they tell, as objects and as the public JSON."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.calibration import PARTS
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import UNIT_WORDS, Rig, decimals_of, unit_of_positions
from focuskit.core.picture import Picture
from focuskit.core.reasons import Reason
from focuskit.core.svg import draw_svg
from focuskit.core.text import html_table, plain_text, plus_minus
from focuskit.core.times import format_time
from focuskit.curves import SizeFit
from focuskit.field import FieldMap
from focuskit.night.left_over import in_the_middle
from focuskit.night.lights import LightFrame
from focuskit.night.pictures import night_picture, run_picture
from focuskit.night.rigs import OF_RIG, NightRig
from focuskit.night.runs import ShapedRun


@dataclass(frozen=True, eq=False, repr=False)
class RunResult(ShapedRun):
    """One focus run and what it shows.

    ``sweep`` (`FocusRun`), ``frames`` (of `MeasuredFrame`), ``match`` (`StarMatch`), ``sizes``, ``rig``,
    ``wavelength_nm`` and ``key`` are what was measured; ``fit`` (`CurveFit`) carries the best position that is
    reported, ``backlash`` what the frames show of it; ``profile`` (`ProfileFit`), ``profile_frames`` (the frames that
    it is of), ``spherical``, ``aberrations`` and ``colours`` are None or empty without a fit of the stars' shapes.

    Parameters
    ----------
    field : FieldMap or None
        Tilt and curvature; None where the stars or the optics do not show them.
    to_middle : (float, float) or None
        By how many steps the best position in the middle of the sensor lies off that of the stacked stars, which
        ``profile`` gives, and the error of that; None without ``profile``.

    Notes
    -----
    Two results are equal where their public JSON is.
    """

    field: FieldMap | None = None
    to_middle: tuple[float, float] | None = None

    def __eq__(self, other: object) -> bool:
        return isinstance(other, RunResult) and self.to_json() == other.to_json()

    def __hash__(self) -> int:
        return hash(self.key)

    def __repr__(self) -> str:
        return f"<RunResult: {self._title()}, {len(self.frames)} frames>"

    def _title(self) -> str:
        best = plus_minus(self.fit.best_position, self.fit.best_position_err)
        name = f"{self.filter or 'no filter'}, {format_time(self.start) or 'no time'}"
        return f"{name}: {self.fit.verdict}, best position {best}"

    @property
    def all_flags(self) -> tuple[str, ...]:
        """Flags of the curve and of the frames, in the order of the registry."""
        raised = list(self.fit.flags)
        if float(np.median(self.sizes.stars)) < 5:
            raised.append("few_stars")
        if self.fields_differ:
            raised.append("fields_differ")
        # What most frames show by themselves; that few of them have few stars does not count.
        seen = Counter(name for frame in self.frames for name in frame.image.noticed)
        raised += [name for name, count in seen.items() if count > 0.5 * len(self.frames)]
        if self.lost_stacks:
            raised.append("shapes_incomplete")
        if self.field:
            raised += self.field.flags
        if self.aberrations:
            raised += self.aberrations.flags
        elif self.is_trailed:
            raised.append("stars_drawn_out")
        if self.backlash and self.backlash.seen:
            raised.append("backlash_seen")
        return flags.check(raised)

    @property
    def in_the_middle(self) -> tuple[float, float] | None:
        """Best position by the shapes in the middle of the sensor, and its error."""
        if self.profile is None or self.to_middle is None:
            return None
        move, err = self.to_middle
        return self.profile.best_position + move, math.hypot(self.profile.err, err)

    @property
    def unit(self) -> str:
        """What positions are in, as people read it."""
        return UNIT_WORDS[unit_of_positions(self.rig.position_unit, self.fit.tolerance_steps)]

    @property
    def look_near(self) -> str | None:
        """Where to centre the next sweep of a failed run, in whole steps or, in millimetres, to a tenth of a step."""
        if self.fit.look_near is None:
            return None
        apart = np.diff(np.unique(self.positions))
        return f"{self.fit.look_near:.{decimals_of(float(apart.min()) if apart.size else None)}f}"

    def residuals_pct(self) -> np.ndarray | None:
        """Return by how much each frame's size is off the curve, in per cent; None without a curve."""
        curve = self.fit.fits.get("squared sizes")
        if curve is None:
            return None
        expected = curve.size_at(self.positions)
        return 100.0 * (self.sizes.hfd_px - expected) / expected

    def seeing_scatter_pct(self, positions: np.ndarray) -> np.ndarray:
        """Return by how much the run's changes of seeing move a size off the curve, one sigma, in per cent.

        They add the same to all squared sizes, so that they show near focus and vanish in the wings.
        """
        curve = self.fit.fits["squared sizes"]
        return 100.0 * curve.seeing_jitter * (curve.size_best / curve.size_at(positions)) ** 2

    def logged(self) -> LoggedRun:
        """Return the run as the logbook keeps it; it needs a start time.

        Raises
        ------
        FocuskitError
            If the frames do not tell their time.
        """
        start, end = self.start, self.end
        if start is None:
            raise FocuskitError(f"{self.frames[0].info.name}: a run without a time cannot be logged")
        reach, snr = self._reach_and_snr()
        return LoggedRun(
            time=start,
            position=self.fit.best_position,
            filter=self.filter,
            temperature_c=self.temperature_c,
            position_err=self.fit.best_position_err,
            rig=self.rig.name,
            verdict=self.fit.verdict,
            hfd_best_px=self.fit.hfd_best_px,
            hfd_slope_px_per_step=self.fit.hfd_slope_px_per_step,
            tolerance_steps=self.fit.tolerance_steps,
            exposure_s=self.exposure_s,
            frames=len(self.frames),
            seconds=(end - start).total_seconds() if end else None,
            key=self.key,
            details=json.dumps(self.to_json(), ensure_ascii=False, allow_nan=False),
            **self._shown(),
            seeing=self.profile.seeing(self.wavelength_nm / 1e3) if self.profile else None,
            reach_steps=reach,
            star_snr=snr,
            other_temperature_c=self.sweep.middle("other_temperature_c"),
            altitude_deg=self.sweep.middle("altitude_deg"),
            pier_side=self.sweep.pier_side,
        )

    def _shown(self) -> dict[str, Any]:
        """Return what the run shows of its telescope, against the best position in the middle of the sensor."""
        if self.profile is None:
            return {}
        middle_um = self.to_middle[0] * self.profile.um_per_step if self.to_middle else 0.0
        sides = {
            name: in_the_middle(getattr(self.shown, name), sign, middle_um)
            for name, sign in (("outside", 1.0), ("inside", -1.0))
        }
        return {name: getattr(self.shown, name) for name in PARTS if name != "seeing"} | sides

    def _reach_and_snr(self) -> tuple[float | None, float | None]:
        """Return how far the outermost used frame lies from the best position, and the S/N in the sharpest frame."""
        best = self.fit.best_position
        used = [k for k, used in enumerate(self.fit.used) if used and self.sizes.hfd_px[k] > 0.0]
        if best is None or not used:
            return None, None
        sharpest = min(used, key=lambda k: float(self.sizes.hfd_px[k]))
        snr = self.frames[sharpest].star_snr
        return max(abs(self.positions[k] - best) for k in used), snr if snr and math.isfinite(snr) else None

    def to_json(self) -> dict[str, Any]:
        """Return the run as the public JSON describes it."""
        fit, scale = self.fit, self.rig.scale_arcsec_per_px
        answer = {
            "rig": self.rig.name,
            "start": format_time(self.start),
            "end": format_time(self.end),
            "filter": self.filter,
            "instrument": self.instrument,
            "exposure_s": self.exposure_s,
            "temperature_c": self.temperature_c,
            "verdict": fit.verdict,
            "best_position": fit.best_position,
            "best_position_err": fit.best_position_err,
            "look_near": fit.look_near,
            "look_near_err": fit.look_near_err,
            "colours": None if self.colours is None else [asdict(colour) for colour in self.colours],
            "method": fit.method,
            "reason": fit.reason,
            "hfd_best_px": fit.hfd_best_px,
            "hfd_best_arcsec": fit.hfd_best_px * scale if fit.hfd_best_px and scale else None,
            "fwhm_best_px": fit.fwhm_best_px,
            "hfd_slope_px_per_step": fit.hfd_slope_px_per_step,
            "tolerance_steps": fit.tolerance_steps,
            "critical_focus_zone_steps": fit.critical_focus_zone_steps,
            "um_per_step": fit.um_per_step,
            "grouping": self.sweep.why,
            "fits": {"hyperbola": None, "parabola": None, "profile": self._profile()}
            | {name.replace(" ", "_"): _curve_json(curve) for name, curve in fit.fits.items()},
            "flags": list(self.all_flags),
            "points": [self._point(k) for k in range(len(self.frames))],
            "field": self.field.to_json() if self.field else None,
            "shapes": self.aberrations.to_json() if self.aberrations else None,
        }
        return {name: _plain(value) for name, value in answer.items()}

    def _profile(self) -> dict[str, Any] | None:
        profile = self.profile
        if profile is None:
            return None
        return {
            "best_position": profile.best_position,
            "best_position_err": profile.err,
            "to_middle_steps": self.to_middle[0] if self.to_middle else None,
            "to_middle_err_steps": self.to_middle[1] if self.to_middle else None,
            "params": {
                "um_per_step": profile.um_per_step if profile.errors.in_um else None,
                "um_per_step_err": profile.um_per_step_err if profile.errors.in_um else None,
                "spherical_waves": profile.spherical_waves,
                "spherical_err_waves": profile.spherical_err,
                "seeing_scatter": profile.seeing_scatter,
            },
            "chi2_reduced": profile.chi2_reduced,
            "matches_model": profile.matches,
            "optics_found": sorted(profile.errors.found),
            "own_spherical": asdict(self.spherical) if self.spherical else None,
            "points": len(profile.frames),
        }

    def _point(self, k: int) -> dict[str, Any]:
        info, sizes = self.frames[k].info, self.sizes
        shape, in_um = None, bool(self.profile and self.profile.errors.in_um)
        if self.profile and k in self.profile_frames:
            shape = self.profile.frames[self.profile_frames.index(k)]
        return {
            "file": info.name,
            "time": format_time(info.time),
            "position": info.position,
            "hfd_px": float(sizes.hfd_px[k]),
            "hfd_err_px": float(sizes.hfd_err_px[k]),
            "fwhm_px": float(sizes.fwhm_px[k]),
            "stars": int(sizes.stars[k]),
            "star_snr": self.frames[k].star_snr,
            "defocus_um": shape.defocus_um if shape and in_um else None,
            "defocus_err_um": shape.defocus_err_um if shape and in_um else None,
            "seeing_arcsec": shape.seeing_arcsec if shape else None,
            "used": self.fit.used[k],
            "why_not_used": None if self.fit.used[k] else str(self.fit.why_not_used[k]),
        }

    def picture(self, stars: Mapping[int, str] | None = None) -> Picture:
        """Describe the curve and what it leaves; ``stars`` are images by frame, as data URIs."""
        return run_picture(self, self.to_json()["points"], stars or {})

    def _repr_html_(self) -> str:
        """Show the frames of the run and its picture in a notebook."""
        points = self.to_json()["points"]
        rows = [
            (p["file"], f"{p['position']:.10g}", plus_minus(p["hfd_px"], p["hfd_err_px"]), str(p["stars"]),
             "yes" if p["used"] else p["why_not_used"] or "no")
            for p in points
        ]  # fmt: skip
        head = ("frame", "position", "HFD px", "stars", "in the curve")
        return html_table(f"Focus run in {self._title()}", head, rows) + draw_svg(run_picture(self, points, {}))


def _plain(value: Any) -> Any:
    """Return a value as JSON can carry it, and all within it: numbers finite, and whole where they are whole."""
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list):
        return [_plain(part) for part in value]
    if not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return None
    return int(value) if value.is_integer() and abs(value) < 1e15 else float(value)


def _curve_json(curve: SizeFit) -> dict[str, Any]:
    return {
        "best_position": curve.best_position,
        "best_position_err": curve.best_position_err,
        "params": curve.params,
        "chi2_reduced": curve.chi2_reduced,
        "seeing_jitter": curve.seeing_jitter,
        "points": curve.points,
    }


_MOST_SHOWN = 8  # runs in the text of a night, so that it has ten lines at most


@dataclass(frozen=True, repr=False)
class Night:
    """All focus runs and light frames of some folders, in order of time, and the files that are neither.

    ``rig`` is that of the main camera as headers and rig file give it, ``rigs`` are those of all runs, with what was
    found from the frames.
    """

    rig: Rig
    runs: tuple[RunResult, ...]
    not_used: tuple[tuple[str, Reason], ...]
    rigs: tuple[NightRig, ...] = ()
    lights: tuple[LightFrame, ...] = ()

    def __repr__(self) -> str:
        lines = [f"<Night: {self._title()}, {len(self.not_used)} files not used>"]
        lines += [f"  {run._title()}" for run in self.runs[:_MOST_SHOWN]]
        more = len(self.runs) - _MOST_SHOWN
        return "\n".join(lines + [f"  and {more} more"] * (more > 0))

    @property
    def notes(self) -> tuple[str, ...]:
        """What is not known of the optics, and what knowing it would gain."""
        return tuple(note for one in self.rigs for note in one.notes)

    def rig_json(self, rig: Rig) -> dict[str, Any]:
        """Return a rig as the public JSON describes it."""
        return {name: _plain(getattr(rig, name)) for name in OF_RIG}

    def _title(self) -> str:
        return f"{self.rig.name or 'Unnamed rig'}: {len(self.runs)} focus runs"

    def to_json(self) -> dict[str, Any]:
        """Return the night as the public JSON describes it (``focuskit.night/1``)."""
        return {
            "schema": "focuskit.night/1",
            "rig": self.rig_json(self.rigs[0].rig if self.rigs else self.rig) if len(self.rigs) < 2 else None,
            "rigs": [_plain(one.to_json()) for one in self.rigs],
            "notes": list(self.notes),
            "runs": [run.to_json() for run in self.runs],
            "lights": [_plain(light.to_json()) for light in self.lights],
            "not_used": [{"file": name, "why": str(why)} for name, why in self.not_used],
        }

    def _repr_html_(self) -> str:
        """Show the best positions of the runs in a notebook."""
        rows = [
            (format_time(run.start) or "–", run.filter or "–", run.fit.verdict,
             plus_minus(run.fit.best_position, run.fit.best_position_err),
             "–" if run.fit.hfd_best_px is None else f"{run.fit.hfd_best_px:.2f}", ", ".join(run.all_flags))
            for run in self.runs
        ]  # fmt: skip
        head = ("start (UTC)", "filter", "verdict", "best position", "least HFD px", "flags")
        return html_table(self._title(), head, rows) + (draw_svg(self.picture()) if self.runs else "")

    def picture(self, runs: Sequence[RunResult] | None = None) -> Picture:
        """Describe best positions over time, of all runs or of some, with temperature and seeing."""
        shown = self.runs if runs is None else runs
        starts = sorted(run.start for run in shown if run.start is not None)
        words = ["Best positions over the night", plain_text(self.rig.name or "unnamed rig")]
        words += [f"{starts[0]:%Y-%m-%d}"] if starts else []
        return night_picture(" · ".join(words), shown, list(dict.fromkeys(run.filter for run in self.runs)))
