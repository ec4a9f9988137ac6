"""A finding: one thing that a focus run tells of the optical train, with its error and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from focuskit.core.statistics import SEEN_SIGMA


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
