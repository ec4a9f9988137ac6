"""What the report says of a night: the answer, then each run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any

from focuskit.core import flags
from focuskit.core.cache import Cache
from focuskit.core.log_times import as_zone
from focuskit.core.optics import UNIT_WORDS
from focuskit.core.text import number, plain_text, plus_minus, round_pair, two_digits
from focuskit.core.times import NIGHT_GAP_S
from focuskit.diagnosis import PART_TITLES, camera_words, diagnose
from focuskit.field import FieldMap, pool_maps
from focuskit.night import Night, RunResult
from focuskit.show.star_strip import star_strip

_REPEATED_WITHIN = timedelta(minutes=30)
_ESTIMATES = {
    "profile": ("profile fit", "the stacked stars of all frames, fitted with the optics"),
    "squared_sizes": ("squared sizes", "each frame weighed by its error and by the seeing's changes"),
    "hyperbola": ("hyperbola", "the same scatter in all frames"),
    "parabola": ("parabola", "only frames near focus"),
    "fwhm": ("FWHM", "the widths at half maximum instead of HFD"),
}


def night_view(night: Night, cache: Cache) -> dict[str, Any]:
    """Return what the template shows of a night; frames are read once more for pictures of their stars not in cache."""
    runs = [_run_view(number_, result, star_strip(result, cache)) for number_, result in enumerate(night.runs, 1)]
    return {
        "rig": night.rig,
        "rig_facts": _rig_facts(night),
        "parts": [_part_view(night, part, runs) for part in _split_nights(night.runs)],
        "runs": runs,
        "diagnosis": _diagnosis_view(night),
        "not_used": [(plain_text(name), plain_text(str(why))) for name, why in night.not_used],
    }


def _diagnosis_view(night: Night) -> dict[str, Any]:
    found = diagnose(night)
    return {
        "summary": found.summary[0].upper() + found.summary[1:] + ".",
        "wrong": found.wrong,
        "parts": [(PART_TITLES[part], own) for part, own in found.parts],
    }


def night_title(night: Night) -> str:
    """Return the name of the rig and the dates of the runs."""
    starts = [run.start for run in night.runs if run.start is not None]
    name = plain_text(night.rig.name or "Unnamed rig")
    if not starts:
        return name
    first, last = min(starts), max(starts)
    if first.date() == last.date():
        return f"{name}, {first.day} {first:%B %Y}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{name}, {first.day}–{last.day} {last:%B %Y}"
    return f"{name}, {first.day} {first:%B %Y} – {last.day} {last:%B %Y}"


def _rig_facts(night: Night) -> str:
    rig = night.rig
    told = (
        (rig.focal_length_mm, "mm focal length"), (rig.aperture_mm, "mm aperture"),
        (rig.f_ratio and round(rig.f_ratio, 2), "f-ratio"), (rig.pixel_um, "µm pixels"),
        (rig.scale_arcsec_per_px and round(rig.scale_arcsec_per_px, 3), "″ per px"),
        (rig.um_per_step, "µm per step"),
    )  # fmt: skip
    words = [
        f"f/{value:g}" if unit == "f-ratio" else f"{value:g} {unit}".replace(" ″", "″") for value, unit in told if value
    ]
    if rig.travel:
        words.append(f"travel {rig.travel[0]:.10g} to {rig.travel[1]:.10g} {UNIT_WORDS[rig.position_unit or 'step']}")
    return " · ".join(words)


def _split_nights(runs: Sequence[RunResult]) -> Iterator[list[int]]:
    """Yield the places of the runs of each night; those without a time come last, as one."""
    part: list[int] = []
    timed = [k for k, run in enumerate(runs) if run.start is not None]
    for k in sorted(timed, key=lambda k: str(runs[k].start)):
        before, now = (runs[part[-1]].start if part else None), runs[k].start
        if before is not None and now is not None and (now - before).total_seconds() > NIGHT_GAP_S:
            yield part
            part = []
        part.append(k)
    if part:
        yield part
    untimed = [k for k, run in enumerate(runs) if run.start is None]
    if untimed:
        yield untimed


def _part_view(night: Night, part: Sequence[int], views: Sequence[dict[str, Any]]) -> dict[str, Any]:
    runs = [night.runs[k] for k in part]
    start = runs[0].start
    return {
        "name": f"Night of {start.day} {start:%B %Y}" if start else "Runs without a time",
        "answer": answer_sentence(runs),
        "more": _more_sentences(runs),
        "runs": [views[k] for k in part],
        "units": " or ".join(dict.fromkeys(run.unit for run in runs)),
        "zone": " and ".join(dict.fromkeys(run.rig.zone for run in runs if run.rig.zone)),
        "picture": night.picture(runs) if sum(run.fit.best_position is not None for run in runs) > 1 else None,
        "fields": field_views(runs),
    }


def field_views(runs: Sequence[RunResult]) -> list[dict[str, Any]]:
    """Return one map for each camera and each way it was turned, from all its runs, and the sizes in its corners."""
    settings: dict[tuple[object, ...], list[RunResult]] = {}
    for run in runs:
        if run.field:
            settings.setdefault(run.camera_setting, []).append(run)
    views = []
    for own in settings.values():
        field = pool_maps([run.field for run in own if run.field])
        words = [camera_words(own[0])] * (len(settings) > 1)
        words.append(f"{len(own)} runs together" if len(own) > 1 else "one run")
        title = f"Best position over the sensor, µm from that of its middle ({', '.join(words)})"
        views.append({"picture": field.picture(title), "corners": _corners(field)})
    return views


def _corners(field: FieldMap) -> list[tuple[str, str, str, str]]:
    """Return of each corner its name, size, and per cent larger: with all in focus, and at its own best position."""
    rows = []
    for corner in field.corners:
        larger, own, err = field.larger_pct(corner)
        value, digits = round_pair(own, err)
        rows.append((corner.name, f"{corner.hfd_px:.2f}", number(larger, sign=True), f"{value} ± {digits}"))
    return rows


def answer_sentence(runs: Sequence[RunResult]) -> str:
    """Return in one sentence how the focus was in the runs of one night."""
    total = len(runs)
    good = sum(run.fit.verdict == "good" for run in runs)
    usable = sum(run.fit.verdict == "usable" for run in runs)
    failed = [run for run in runs if run.fit.verdict == "failed"]
    if good == total:
        return "The focus run is good." if total == 1 else f"Focus was good in all {total} runs."
    if not good and not usable:
        return "The focus run failed." if total == 1 else f"All {total} focus runs failed."
    parts = [f"Focus was good in {good} of {total} runs"] if good else [f"No run of {total} was fully good"]
    if usable:
        parts.append(f"{usable} {'is' if usable == 1 else 'are'} usable with care")
    if len(failed) == 1:
        run = failed[0]
        when = f" at {run.start:%H:%M}" if run.start else ""
        repeat = _repeat_of(run, runs)
        end = f", and was repeated with success at {repeat.start:%H:%M}" if repeat else ""
        parts.append(f"the {plain_text(run.filter or 'unfiltered')} run{when} failed{end}")
    elif failed:
        again = sum(_repeat_of(run, runs) is not None for run in failed)
        parts.append(
            f"{len(failed)} failed, {again} of them repeated with success" if again else f"{len(failed)} failed"
        )
    return "; ".join(parts) + "."


def _repeat_of(failed: RunResult, runs: Sequence[RunResult]) -> RunResult | None:
    """Return the run that made good for a failed one soon after."""
    for run in runs:
        if (
            run.fit.verdict != "failed"
            and run.filter == failed.filter
            and failed.start is not None
            and run.start is not None
            and timedelta(0) < run.start - failed.start <= _REPEATED_WITHIN
        ):
            return run
    return None


def _more_sentences(runs: Sequence[RunResult]) -> list[str]:
    out = []
    errors = [run.fit.best_position_err for run in runs if run.fit.best_position_err is not None]
    moves = [run.fit.tolerance_steps for run in runs if run.fit.tolerance_steps is not None]
    if errors and moves:
        most, least = max(errors), min(moves)
        units = " or ".join(dict.fromkeys(run.unit for run in runs))
        known = f"The best positions are known to ±{most:.2g} {units} or better"
        out.append(f"{known}; a move of {two_digits(least)} {units} costs 5 % in star size.")
    warm = [(run.temperature_c, run.start) for run in runs if run.temperature_c is not None]
    if len(warm) > 1 and abs(warm[-1][0] - warm[0][0]) >= 0.5:
        out.append(f"Between the first run and the last the temperature went from {number(warm[0][0], 1)} to "
                   f"{number(warm[-1][0], 1)} °C.")  # fmt: skip
    return out


def _run_view(number_: int, result: RunResult, strip: dict[int, str]) -> dict[str, Any]:
    run = result.to_json()
    points = run["points"]
    off = result.residuals_pct()
    filter_name = plain_text(run["filter"] or "no filter")
    start = result.start
    value, err = round_pair(run["best_position"], run["best_position_err"])
    return {
        "number": number_,
        "run": run,
        "filter": filter_name,
        "unit": result.unit,
        "clock": f"{start:%H:%M}" if start else "no time",
        "local": f"{start.astimezone(as_zone(result.rig.zone)):%H:%M}" if start and result.rig.zone else "",
        "day": f"{start:%Y-%m-%d}" if start else "",
        "value": value,
        "err": err,
        "err_95": None if result.fit.best_position_err_95 is None
        else round_pair(run["best_position"], result.fit.best_position_err_95)[1],
        "used": sum(point["used"] for point in points),
        "picture": result.picture(strip),
        "facts": _facts(result, run),
        "flags": [flags.describe(name) for name in run["flags"]],
        "estimates": _estimates(result, run),
        "off_pct": [None] * len(points) if off is None else [float(v) if v == v else None for v in off],
    }  # fmt: skip


def _facts(result: RunResult, run: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Return what is known of a run: name, value, and a remark."""
    fit, rig = result.fit, result.rig
    um = rig.um_per_step or fit.um_per_step
    out: list[tuple[str, str, str]] = []

    def add(name: str, value: float | None, form: str, remark: str = "") -> None:
        if value is not None:
            out.append((name, form.format(value).replace("-", "−"), remark))

    def add_steps(name: str, value: float | None) -> None:
        if value is not None:
            out.append((name, f"±{two_digits(value)} {result.unit}", in_um(value)))

    def in_um(steps: float) -> str:
        return f"±{two_digits(steps * um)} µm" if um else ""

    arcsec = run["hfd_best_arcsec"]
    add("least HFD", run["hfd_best_px"], "{:.2f} px", f"{arcsec:.2f}″" if arcsec is not None else "")
    add("least FWHM", run["fwhm_best_px"], "{:.2f} px")
    add_steps("tolerance", run["tolerance_steps"])
    add_steps("critical focus zone", run["critical_focus_zone_steps"])
    add("slope of the wings", run["hfd_slope_px_per_step"], "{:.4f} px per step")
    given = f"the rig says {rig.um_per_step:g}" if rig.um_per_step else ""
    add("step size, measured", run["um_per_step"], "{:.2f} µm", given)
    add("scatter of the seeing", None if fit.seeing_jitter is None else 100 * fit.seeing_jitter, "±{:.0f} %")
    add("temperature", run["temperature_c"], "{:.1f} °C")
    add("exposure", run["exposure_s"], "{:g} s")
    for colour in result.colours or ():
        value, err = round_pair(colour.offset_steps, colour.err)
        out.append((f"focus of {colour.name} from green", f"{value} ± {err} {result.unit}", ""))
    field = run["field"]
    if field is not None:
        for name, key in (("tilt, left to right", "tilt_x_um"), ("tilt, top to bottom", "tilt_y_um"),
                          ("field curvature", "curvature_um")):  # fmt: skip
            value, err = round_pair(field[key], field[f"{key}_err"])
            out.append((name, f"{value} ± {err} µm" if err else f"{value} µm", ""))
    return out


def _estimates(result: RunResult, run: dict[str, Any]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []

    def add(fit: dict[str, Any], name: str, what: str, best: float, err: float, reported: bool) -> None:
        value, plus = round_pair(best, err)
        apart = None if reported or run["best_position"] is None else best - run["best_position"]
        out.append({"name": name, "what": what, "value": value, "err": plus, "reported": reported, "apart": apart,
                    "points": fit["points"], "chi2": fit["chi2_reduced"]})  # fmt: skip

    for key, (name, what) in _ESTIMATES.items():
        fit = run["fits"].get(key)
        if fit is not None:
            reported = run["method"] is not None and run["method"].replace(" ", "_") == key
            middle = result.in_the_middle if key == "profile" else None
            add(fit, name, what, fit["best_position"], fit["best_position_err"], reported and not middle)
            if middle and result.to_middle:
                move = plus_minus(*result.to_middle, sign=True)
                what = f"the same, moved by tilt and curvature from where the stars lie: {move} {result.unit}"
                add(fit, f"{name}, in the middle of the sensor", what, *middle, reported)
    return out
