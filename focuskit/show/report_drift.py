"""What the report says of drift and filter offsets."""

from __future__ import annotations

from typing import Any

import numpy as np

from focuskit.core import flags
from focuskit.core.picture import series
from focuskit.core.text import number, plain_text, plus_minus, round_pair, two_digits
from focuskit.drift import MODEL_WORDS, MOST_MARKS, Drift


def drift_view(drift: Drift) -> dict[str, Any]:
    """Return what the template shows of a drift."""
    return {
        "drift": drift,
        "answer": drift_sentence(drift),
        "more": _more_sentences(drift),
        "per_c": round_pair(drift.steps_per_c, drift.steps_per_c_err),
        "rows": [_row(drift, i) for i in range(len(drift.filters))],
        "pictures": (drift.picture(), drift.residuals_picture()),
        "offsets_picture": drift.offsets_picture() if len(drift.filters) > 1 else None,
        "positions": _positions(drift),
        "set_aside": [
            (f"{one.run.time:%Y-%m-%d %H:%M}", plain_text(one.run.filter or "–"), plain_text(str(one.reason)))
            for one in drift.set_aside
        ],
        "rebuilds": [
            (f"{one.time:%Y-%m-%d %H:%M}", plus_minus(one.jump_steps, one.err, True).replace("-", "−"),
             "declared" if one.declared else "found in the data")
            for one in drift.rebuilds
        ],
        "models": [(MODEL_WORDS[m.name], m.aicc_change, m.taken) for m in drift.models],
        "advice": [
            f"{a.runs} runs{f' in {plain_text(a.filter)}' if a.filter else ''} at about {round(a.temperature_c)} °C "
            f"({a.settles})".replace("-", "−")
            for a in drift.advice
        ],
        "flags": [flags.describe(name) for name in drift.flags],
        "thinned": len(drift.used) > MOST_MARKS,
    }  # fmt: skip


def drift_sentence(drift: Drift) -> str:
    """Return the answer in one sentence."""
    per_c = plus_minus(drift.steps_per_c, drift.steps_per_c_err).replace("-", "−")
    first = "The runs do not tell a drift with temperature yet"
    if drift.by_time:
        first = f"Without temperatures: focus moves by {drift.by_time_sentence()}".replace("-", "−")
    if drift.steps_per_c is not None:
        first = f"Best focus moves by {per_c} {drift.unit} per °C"
    others = drift.filters[1:]
    errors = [one.err for one in others if one.offset_steps is not None and one.err is not None]
    if not others:
        return f"{first}."
    if len(errors) < len(others):
        return f"{first}; {len(errors)} of {len(others)} filter offsets are known."
    name = plain_text(drift.reference_filter or "no filter")
    return f"{first}; the filters are known against {name} to ±{max(errors):.2g} {drift.unit} or better."


def _more_sentences(drift: Drift) -> list[str]:
    dates = [run.time for run in drift.used]
    heat = (
        "between {} and {} °C".format(*(number(c, 1) for c in drift.range_c))
        if drift.range_c
        else "without temperatures"
    )
    out = [f"Learned from {len(drift.used)} runs {heat}, "
           f"{min(dates):%Y-%m-%d} to {max(dates):%Y-%m-%d}; {len(drift.set_aside)} set aside."]  # fmt: skip
    if drift.steps_per_c is not None:
        out.append(drift.cooling_sentence())
    if drift.scatter_steps is not None and drift.tolerance_steps is not None:
        out.append(f"Runs scatter by {two_digits(drift.scatter_steps)} {drift.unit} about this; a move of "
                   f"{two_digits(drift.tolerance_steps)} {drift.unit} costs 5 % in star size.")  # fmt: skip
    return out


def _row(drift: Drift, i: int) -> dict[str, Any]:
    one = drift.filters[i]
    value, err = round_pair(one.offset_steps, one.err)
    return {
        "name": plain_text(one.filter or "no filter"),
        "mark": series(i),
        "steps": one.offset_steps,
        "whole": None if one.offset_steps is None else _as_typed(one.offset_steps, drift.decimals),
        "value": "0" if i == 0 else value,
        "err": None if i == 0 else err,
        "runs": one.runs,
        "range": "–" if one.range_c is None else f"{number(one.range_c[0], 1)} to {number(one.range_c[1], 1)}",
        "own": one.steps_per_c,
    }


def _as_typed(offset: float, digits: int) -> str:
    """Return an offset in whole steps, or with the decimals that the focuser needs."""
    rounded = round(offset, digits)
    return f"{rounded:+.{digits}f}" if rounded else "0"


def _positions(drift: Drift) -> dict[str, Any] | None:
    """Return best positions by filter over the temperatures of the runs, a dozen columns at most."""
    if drift.steps_per_c is None or drift.range_c is None:
        return None
    low, high = np.ceil(drift.range_c[0]), np.floor(drift.range_c[1])
    if high < low:
        return None
    step = next(s for s in (1, 2, 3, 4, 5, 10, 20) if (high - low) / s <= 10)
    celsius = np.arange(low, high + 0.5, step)
    rows = []
    for one in drift.filters:
        values = [drift.predict(one.filter, float(c))[0] for c in celsius]
        rows.append(
            (plain_text(one.filter or "no filter"), [None if v is None else f"{v:.{drift.decimals}f}" for v in values])
        )
    return {"celsius": [number(float(c)) for c in celsius], "rows": rows}
