"""What a night gives: its focus runs with all that they tell, as objects and as the public JSON."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass
from statistics import median
from typing import Any

import numpy as np

from focuskit import curves
from focuskit.core import flags
from focuskit.core.calibration import Spherical
from focuskit.core.errors import FocuskitError
from focuskit.core.logged import LoggedRun
from focuskit.core.optics import Rig, decimals_of
from focuskit.core.text import html_table, plus_minus
from focuskit.core.times import format_time
from focuskit.curves import CurveFit
from focuskit.field import FieldMap
from focuskit.night.backlash import Slack
from focuskit.stars import CommonSizes, MeasuredFrame, StarMatch
from focuskit.sweeps import FocusRun
from focuskit.waves import Aberrations, ProfileFit


@dataclass(frozen=True)
class RunResult:
    """One focus run and what it tells.

    Parameters
    ----------
    run : FocusRun
    frames : tuple of MeasuredFrame
        In order of time, as the run's frames.
    match : StarMatch
        The stars that the frames share.
    sizes : CommonSizes
    fit : CurveFit
    profile : ProfileFit or None
        The joint fit of the stars' shapes; None without the optics, or where it does not converge.
    profile_frames : tuple of int
        The frames that ``profile.frames`` are of.
    spherical : Spherical or None
        What this run by itself tells of the telescope's spherical aberration.
    field : FieldMap or None
        Tilt and curvature; None where the stars or the optics do not tell them.
    rig : Rig
    wavelength_nm : float
        Effective wavelength of the filter.
    key : str
        Tells this run from all others by its frames' contents.
    slack : Slack or None
        What the run tells of the focuser's slack; None where its frames are too few.
    shapes : Aberrations or None
        Coma, astigmatism and smear of the stacked stars; None without the profile fit.
    """

    run: FocusRun
    frames: tuple[MeasuredFrame, ...]
    match: StarMatch
    sizes: CommonSizes
    fit: CurveFit
    profile: ProfileFit | None
    profile_frames: tuple[int, ...]
    spherical: Spherical | None
    field: FieldMap | None
    rig: Rig
    wavelength_nm: float
    key: str
    slack: Slack | None = None
    shapes: Aberrations | None = None

    @property
    def temperature_c(self) -> float | None:
        """Median temperature of the frames."""
        known = [f.info.temperature_c for f in self.frames if f.info.temperature_c is not None]
        return median(known) if known else None

    @property
    def camera_setting(self) -> tuple[str | None, str | None, tuple[int, int], int | None, str | None]:
        """Telescope, camera, shape of its frames, rotator in degrees, side of the pier: alike in runs to be pooled."""
        info = self.frames[0].info
        turned = None if info.rotator_deg is None else round(info.rotator_deg)
        return info.telescope, info.instrument, info.shape, turned, info.pier_side

    @property
    def all_flags(self) -> tuple[str, ...]:
        """Flags of the curve and of the frames, in the order of the registry."""
        raised = list(self.fit.flags)
        if float(np.median(self.sizes.stars)) < 5:
            raised.append("few_stars")
        if self.field:
            raised += self.field.flags
        if self.shapes:
            raised += self.shapes.flags
        if self.slack and self.slack.seen:
            raised.append("backlash_seen")
        return flags.check(raised)

    @property
    def look_near(self) -> str | None:
        """Where to centre the next sweep of a failed run, in whole steps or, in millimetres, to a tenth of a step."""
        if self.fit.look_near is None:
            return None
        apart = np.diff(np.unique(self.run.positions))
        return f"{self.fit.look_near:.{decimals_of(float(apart.min()) if apart.size else None)}f}"

    def residuals_pct(self) -> np.ndarray | None:
        """Return by how much each frame's size is off the curve, in per cent; None without a curve."""
        curve = self.fit.fits.get("squared sizes")
        if curve is None:
            return None
        expected = curve.size_at(self.run.positions)
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
        start, end = self.run.start, self.run.end
        if start is None:
            raise FocuskitError(f"{self.frames[0].info.name}: a run without a time cannot be logged")
        reach, snr = self._reach_and_snr()
        return LoggedRun(
            time=start,
            position=self.fit.best_position,
            filter=self.run.filter,
            temperature_c=self.temperature_c,
            position_err=self.fit.best_position_err,
            rig=self.rig.name,
            verdict=self.fit.verdict,
            hfd_best_px=self.fit.hfd_best_px,
            hfd_slope_px_per_step=self.fit.hfd_slope_px_per_step,
            tolerance_steps=self.fit.tolerance_steps,
            exposure_s=self.run.exposure_s,
            frames=len(self.frames),
            seconds=(end - start).total_seconds() if end else None,
            key=self.key,
            details=json.dumps(self.to_json(), ensure_ascii=False, allow_nan=False),
            spherical=self.spherical if self.profile else None,
            seeing=self.profile.seeing(self.wavelength_nm / 1e3) if self.profile else None,
            reach_steps=reach,
            star_snr=snr,
        )

    def _reach_and_snr(self) -> tuple[float | None, float | None]:
        """Return how far the outermost used frame lies from the best position, and the S/N in the sharpest frame."""
        best = self.fit.best_position
        used = [k for k, used in enumerate(self.fit.used) if used and self.sizes.hfd_px[k] > 0.0]
        if best is None or not used:
            return None, None
        sharpest = min(used, key=lambda k: float(self.sizes.hfd_px[k]))
        snr = self.frames[sharpest].star_snr
        return max(abs(self.run.positions[k] - best) for k in used), snr if snr and math.isfinite(snr) else None

    def to_json(self) -> dict[str, Any]:
        """Return the run as the public JSON describes it."""
        fit, scale = self.fit, self.rig.scale_arcsec_per_px
        zone = fit.critical_focus_zone_steps
        return {
            "start": format_time(self.run.start),
            "end": format_time(self.run.end),
            "filter": self.run.filter,
            "instrument": self.run.instrument,
            "exposure_s": self.run.exposure_s,
            "temperature_c": _plain(self.temperature_c),
            "verdict": fit.verdict,
            "best_position": _plain(fit.best_position),
            "best_position_err": _plain(fit.best_position_err),
            "look_near": _plain(fit.look_near),
            "method": fit.method,
            "reason": fit.reason,
            "hfd_best_px": _plain(fit.hfd_best_px),
            "hfd_best_arcsec": _plain(fit.hfd_best_px * scale if fit.hfd_best_px and scale else None),
            "fwhm_best_px": _plain(fit.fwhm_best_px),
            "hfd_slope_px_per_step": _plain(fit.hfd_slope_px_per_step),
            "tolerance_steps": _plain(fit.tolerance_steps),
            "critical_focus_zone_steps": _plain(zone),
            "um_per_step": _plain(fit.um_per_step),
            "grouping": self.run.why,
            "fits": {"hyperbola": None, "parabola": None, "profile": _profile_json(self.profile, self.spherical)}
            | {name.replace(" ", "_"): _curve_json(curve) for name, curve in fit.fits.items()},
            "flags": list(self.all_flags),
            "points": [self._point(k) for k in range(len(self.frames))],
            "field": _plain_values(self.field.to_json()) if self.field else None,
            "shapes": _plain_values(self.shapes.to_json()) if self.shapes else None,
        }

    def _repr_html_(self) -> str:
        """Show the frames of the run in a notebook."""
        run = self.to_json()
        rows = [
            (p["file"], f"{p['position']:.10g}", plus_minus(p["hfd_px"], p["hfd_err_px"]), str(p["stars"]),
             "yes" if p["used"] else p["why_not_used"] or "no")
            for p in run["points"]
        ]  # fmt: skip
        return html_table(_caption(run), ("frame", "position", "HFD px", "stars", "in the curve"), rows)

    def _point(self, k: int) -> dict[str, Any]:
        info = self.frames[k].info
        shape = None
        if self.profile and k in self.profile_frames:
            shape = self.profile.frames[self.profile_frames.index(k)]
        return {
            "file": info.name,
            "time": format_time(info.time),
            "position": _plain(info.position),
            "hfd_px": _plain(self.sizes.hfd_px[k]),
            "hfd_err_px": _plain(self.sizes.hfd_err_px[k]),
            "fwhm_px": _plain(self.sizes.fwhm_px[k]),
            "stars": int(self.sizes.stars[k]),
            "star_snr": _plain(self.frames[k].star_snr),
            "defocus_um": _plain(shape.defocus_um if shape else None),
            "defocus_err_um": _plain(shape.defocus_err_um if shape else None),
            "seeing_arcsec": _plain(shape.seeing_arcsec if shape else None),
            "used": self.fit.used[k],
            "why_not_used": self.fit.why_not_used[k],
        }


def _caption(run: dict[str, Any]) -> str:
    best = plus_minus(run["best_position"], run["best_position_err"])
    name = f"{run['filter'] or 'no filter'}, {run['start'] or 'no time'}"
    return f"Focus run in {name}: {run['verdict']}, best position {best}"


def _plain(value: float | None) -> float | int | None:
    """Return a number as JSON can hold it: finite, and whole where it is whole."""
    if value is None or not math.isfinite(value):
        return None
    return int(value) if float(value).is_integer() and abs(value) < 1e15 else float(value)


def _plain_values(table: dict[str, Any]) -> dict[str, Any]:
    return {name: _plain(value) if isinstance(value, float) else value for name, value in table.items()}


def _curve_json(curve: curves.SizeFit) -> dict[str, Any]:
    return {
        "best_position": _plain(curve.best_position),
        "best_position_err": _plain(curve.best_position_err),
        "params": {name: _plain(value) for name, value in curve.params.items()},
        "chi2_reduced": _plain(curve.chi2_reduced),
        "seeing_jitter": _plain(curve.seeing_jitter),
        "points": curve.points,
    }


def _profile_json(profile: ProfileFit | None, spherical: Spherical | None) -> dict[str, Any] | None:
    if profile is None:
        return None
    return {
        "best_position": _plain(profile.best_position),
        "best_position_err": _plain(profile.err),
        "params": {
            "um_per_step": _plain(profile.um_per_step),
            "um_per_step_err": _plain(profile.um_per_step_err),
            "spherical_waves": _plain(profile.spherical_waves),
            "spherical_err_waves": _plain(profile.spherical_err),
            "seeing_scatter": _plain(profile.seeing_scatter),
        },
        "chi2_reduced": _plain(profile.chi2_reduced),
        "matches_model": profile.matches,
        "own_spherical": asdict(spherical) if spherical else None,
        "points": len(profile.frames),
    }


@dataclass(frozen=True)
class Night:
    """All focus runs of some folders, in order of time, and the files that are in none."""

    rig: Rig
    runs: tuple[RunResult, ...]
    not_used: tuple[tuple[str, str], ...]

    def to_json(self) -> dict[str, Any]:
        """Return the night as the public JSON describes it (``focuskit.night/1``)."""
        rig = self.rig
        return {
            "schema": "focuskit.night/1",
            "rig": {
                "name": rig.name,
                "focal_length_mm": _plain(rig.focal_length_mm),
                "aperture_mm": _plain(rig.aperture_mm),
                "obstruction": _plain(rig.obstruction),
                "pixel_um": _plain(rig.pixel_um),
                "um_per_step": _plain(rig.um_per_step),
                "scale_arcsec_per_px": _plain(rig.scale_arcsec_per_px),
                "f_ratio": _plain(rig.f_ratio),
            },
            "runs": [run.to_json() for run in self.runs],
            "not_used": [{"file": name, "why": why} for name, why in self.not_used],
        }

    def _repr_html_(self) -> str:
        """Show the runs in a notebook."""
        runs = [run.to_json() for run in self.runs]
        rows = [
            (run["start"] or "–", run["filter"] or "–", run["verdict"],
             plus_minus(run["best_position"], run["best_position_err"]),
             "–" if run["hfd_best_px"] is None else f"{run['hfd_best_px']:.2f}", ", ".join(run["flags"]))
            for run in runs
        ]  # fmt: skip
        caption = f"{self.rig.name or 'Unnamed rig'}: {len(runs)} focus runs"
        return html_table(caption, ("start (UTC)", "filter", "verdict", "best position", "least HFD px", "flags"), rows)
