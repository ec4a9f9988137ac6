"""What the runs of a night tell of the exposure and of the seeing, filter by filter."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from focuskit.core.text import plain_text, two_digits
from focuskit.diagnosis.finding import Finding
from focuskit.night import RunResult

_WANTED_SNR = 20.0  # of the 20th brightest star in the outermost frames, as for the planned exposure
_WANTED_STARS = 20  # the rank of the star by which a frame's S/N is told
_WANTED_ERR = 1.0 / 6.0  # of the tolerance, as for the planned sweep


def exposure_findings(runs: Sequence[RunResult]) -> list[Finding]:
    """Return for each filter how bright the stars were, and what the seeing and more light do to the error."""
    filters: dict[str | None, list[RunResult]] = {}
    for run in runs:
        if run.fit.best_position is not None and any(run.fit.used):
            filters.setdefault(run.filter, []).append(run)
    return [finding for name, own in filters.items() for finding in (_stars(name, own), _seeing(name, own)) if finding]


def _name(filter_name: str | None) -> str:
    return plain_text(filter_name) if filter_name else "no filter"


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None and math.isfinite(value)]
    return float(np.median(known)) if known else None


def _ends(run: RunResult) -> tuple[int, int]:
    """Return the numbers of the frame with the least stars' size and of that with the largest, of those used."""
    used = [k for k in range(len(run.frames)) if run.fit.used[k]]
    by_size = sorted(used, key=lambda k: float(run.sizes.hfd_px[k]))
    return by_size[0], by_size[-1]


def _stars(name: str | None, runs: Sequence[RunResult]) -> Finding | None:
    ends = [(run, *_ends(run)) for run in runs]
    count = _median([run.frames[near].image.count for run, near, _ in ends])
    near_snr = _median([run.frames[near].star_snr for run, near, _ in ends])
    # Out of focus stars drop out: what the same star would have there follows from its size.
    far_snr = _median([
        (run.frames[near].star_snr or math.nan) * float(run.sizes.hfd_px[near] / run.sizes.hfd_px[far])
        for run, near, far in ends
    ])  # fmt: skip
    exposure = _median([run.exposure_s for run in runs])
    if count is None or near_snr is None or far_snr is None:
        return None
    seconds = "" if exposure is None else f" in {exposure:g} s"
    which = f"20th brightest of {count:.0f} stars" if count >= 2 * _WANTED_STARS else f"middle one of {count:.0f} stars"
    bright = f"an S/N of {near_snr:.0f} in focus, {far_snr:.0f} in the outermost frames"
    text = f"{_name(name)}: the {which}{seconds} has {bright}"
    advice = ""
    if far_snr < _WANTED_SNR or count < 5:
        advice = "Expose longer, so that stars do not drop out of focus" + (
            f": about {_round(exposure * (_WANTED_SNR / far_snr) ** 2)} s." if exposure and far_snr > 0.0 else "."
        )
    return Finding("star_snr", near_snr, None, "", None, text, advice)


def _round(seconds: float) -> str:
    return f"{seconds:.0f}" if seconds >= 10.0 else f"{seconds:.1f}"


def _seeing(name: str | None, runs: Sequence[RunResult]) -> Finding | None:
    jitter = _median([run.fit.seeing_jitter for run in runs])
    relative = [run.sizes.hfd_err_px[k] / run.sizes.hfd_px[k] for run in runs for k in np.flatnonzero(run.fit.used)]
    noise = _median([float(value) for value in relative])
    err = _median([run.fit.best_position_err for run in runs])
    tolerance = _median([run.fit.tolerance_steps for run in runs])
    if jitter is None or noise is None or err is None or tolerance is None:
        return None
    frames = sum(sum(run.fit.used) for run in runs)
    share = jitter**2 / (jitter**2 + noise**2)
    text = (
        f"{_name(name)}: {100.0 * share:.0f} % of the scatter about the curve is the seeing, which changes by "
        f"{100.0 * jitter:.0f} % from frame to frame, the rest is measurement ({100.0 * noise:.1f} %); "
    )
    known = f"the best position is known to ±{err:.2g} {runs[0].unit}, with a tolerance of ±{two_digits(tolerance)}"
    if err <= _WANTED_ERR * tolerance:
        text += f"{known}: more frames or light give nothing that matters"
        advice = ""
    else:
        longer = _with_twice_the_light(runs, jitter, noise)
        text += f"{known}; twice the frames make it ±{err / math.sqrt(2.0):.2g}, twice the exposure ±{longer * err:.2g}"
        advice = "Take more frames in a run." if longer > 0.85 else "Expose longer, or take more frames."
    freedom = max(frames - 3 * len(runs), 1)
    return Finding("seeing_jitter", 100.0 * jitter, 100.0 * jitter / math.sqrt(2.0 * freedom), "%", None, text, advice)


def _with_twice_the_light(runs: Sequence[RunResult], jitter: float, noise: float) -> float:
    """Return by which factor twice the exposure shrinks the error of the best position.

    The shapes of stars are free of the seeing's changes: there light is all, where they match the model.
    """
    by_shape = sum(run.fit.method == "profile" and bool(run.profile and run.profile.matches) for run in runs)
    if 2 * by_shape > len(runs):
        return math.sqrt(0.5)
    return math.sqrt((jitter**2 + 0.5 * noise**2) / (jitter**2 + noise**2))
