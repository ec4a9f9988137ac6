"""A finding: one thing that a focus run tells of the optical train, with its error and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import norm, t

SEEN_SIGMA = 3.0
_MOST_SIGMAS = 37.0  # a chance below 1e-300


@dataclass(frozen=True)
class Finding:
    """One result; what is not known is None.

    Parameters
    ----------
    name : str
        Short and stable, lower case, like ``backlash``.
    value, err : float or None
        In ``unit``; the error is one standard deviation.
    unit : str
        Like ``steps``; empty for a plain number.
    significance : float or None
        In standard deviations: the chance of as much without any. None where nothing is claimed or denied.
    text : str
        One sentence that states the result; where nothing is seen, below what it would have stood out.
    advice : str
        What to do; empty where nothing needs to be done.
    """

    name: str
    value: float | None
    err: float | None
    unit: str
    significance: float | None
    text: str
    advice: str

    @property
    def seen(self) -> bool:
        """Whether the value stands out of its error."""
        return self.significance is not None and self.significance > SEEN_SIGMA

    def to_json(self) -> dict[str, Any]:
        """Return the finding as the public JSON describes it."""
        return {
            "name": self.name,
            "value": self.value,
            "err": self.err,
            "unit": self.unit,
            "significance": self.significance,
            "seen": self.seen,
            "text": self.text,
            "advice": self.advice,
        }


def as_sigma(chance: float) -> float:
    """Return a chance, told in standard deviations of a normal law, both sides counted."""
    return float(norm.isf(0.5 * chance)) if chance > 1e-300 else _MOST_SIGMAS


def student_sigma(ratio: float, freedom: float) -> float:
    """Return the significance of a value over an error that so many degrees of freedom tell."""
    return as_sigma(2.0 * float(t.sf(abs(ratio), freedom)))


def weighted_mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Return the weighted mean and its error, widened where the values differ by more than their errors."""
    value, weight = np.asarray(values, float), 1.0 / np.asarray(errors, float) ** 2
    mean = float(weight @ value / weight.sum())
    excess = float(weight @ (value - mean) ** 2) / max(value.size - 1, 1)
    return mean, math.sqrt(max(1.0, excess) / float(weight.sum()))
