"""What the report says of when to refocus."""

from __future__ import annotations

from typing import Any

from focuskit.core import flags
from focuskit.core.picture import series
from focuskit.core.text import number, plain_text
from focuskit.refocus import HourOfNight, Interval, Worth


def interval_view(found: Interval) -> dict[str, Any]:
    """Return what the template shows of an interval."""
    answer, behaviour = found.answer, found.behaviour
    best = answer.worth(answer.recommended)
    # Without temperatures all nights have the same motion.
    has_spread = behaviour.has_temperatures and len(answer.by_night_min) > 2
    between = answer.spread_of_nights_min if has_spread else None
    told = answer.advice[len(best.what) :].removeprefix(": ")
    return {
        "answer": _true_minus(f"{best.what[0].upper()}{best.what[1:]}."),
        "more": _true_minus(f"{told[0].upper()}{told[1:]}" if told else ""),
        "has_temperatures": behaviour.has_temperatures,
        "every_c": answer.every_c,
        "every_min": answer.every_min,
        "tolerance": behaviour.tolerance_steps,
        "unit": behaviour.unit,
        "nights": len(answer.by_night_min),
        "costs": [(plain_text(name), f"{cost:.0f}") for name, cost in behaviour.run_cost_s.items()],
        "rows": [_row(i, worth, found) for i, worth in enumerate(answer.worths)],
        "pictures": (found.ways_picture(), found.night_picture(), found.picture()),
        "hours": [_hour(one) for one in answer.hours],
        "between": [f"{every:.0f}" for every in between] if between else None,
        "kept": answer.kept_on_other_nights_pct,
        "levers": [
            (one.words(behaviour.unit), f"{one.low:.3g}".replace("-", "−"), _minutes(one.every_min_low),
             f"{one.high:.3g}".replace("-", "−"), _minutes(one.every_min_high))
            for one in answer.levers
        ],
        "flags": [flags.describe(name) for name in answer.flags],
        "notes": [plain_text(note) for note in found.notes],
    }  # fmt: skip


def _true_minus(text: str) -> str:
    return plain_text(text).replace(" -", " −")


def _minutes(every_min: float | None) -> str:
    return "never" if every_min is None else f"{every_min:.0f} min"


def _row(i: int, worth: Worth, found: Interval) -> dict[str, Any]:
    policy = worth.policy
    return {
        "worth": worth,
        "name": policy.words,
        "what": _true_minus(worth.what),
        "mark": series(i),
        "spent": worth.minutes_spent,
        "chosen": policy.name == found.answer.recommended,
    }


def _hour(one: HourOfNight) -> dict[str, Any]:
    return {
        "hour": one.hour,
        "change": f"{number(one.change_c_per_h, 2)} ± {one.spread_c_per_h:.2f}",
        "every": _minutes(one.every_min),
        "value": one.every_min,
    }
