"""What the focus runs of a night say about the optical train: all findings in one place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from focuskit.core.times import format_time
from focuskit.diagnosis.cameras import camera_findings, split_cameras
from focuskit.diagnosis.exposure import exposure_findings
from focuskit.diagnosis.finding import Finding
from focuskit.diagnosis.focuser import focuser_findings, step_of
from focuskit.diagnosis.optics import optics_findings
from focuskit.diagnosis.tilt import tilt_findings
from focuskit.night import Night, RunResult

PART_TITLES = {
    "focuser": "Focuser",
    "optics": "Field and stars",
    "camera": "Cameras",
    "exposure": "Exposure and seeing",
}


@dataclass(frozen=True)
class Diagnosis:
    """The findings on the optical train, in parts that a reader knows apart.

    Parameters
    ----------
    parts : tuple of (str, tuple of Finding)
        Name of each part, ``focuser``, ``optics``, ``camera`` or ``exposure``, and its findings; parts without any are
        left out.
    night : Night
    """

    parts: tuple[tuple[str, tuple[Finding, ...]], ...]
    night: Night

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings, part by part."""
        return tuple(finding for _, own in self.parts for finding in own)

    @property
    def wrong(self) -> tuple[Finding, ...]:
        """Those that are seen and ask for something to be done."""
        return tuple(finding for finding in self.findings if finding.seen and finding.advice)

    @property
    def summary(self) -> str:
        """How much is wrong, in a few words."""
        count = len(self.wrong)
        if not count:
            return "nothing wrong is seen in the optical train"
        return f"{count} {'finding asks' if count == 1 else 'findings ask'} for something to be done"

    def to_json(self) -> dict[str, Any]:
        """Return the findings as the public JSON describes them (``focuskit.diagnosis/1``).

        ``findings`` holds for each its part, name, value, error, unit, significance in standard
        deviations, whether it is seen, text and advice; ``runs`` what each run tells of the focuser.
        Unknown numbers are None.
        """
        return {
            "schema": "focuskit.diagnosis/1",
            "rig": self.night.rig_json(self.night.rig),
            "findings": [
                {"part": part} | {name: _plain(value) for name, value in finding.to_json().items()}
                for part, own in self.parts
                for finding in own
            ],
            "runs": [_run_json(run) for run in self.night.runs],
        }


def diagnose(night: Night) -> Diagnosis:
    """Gather what the runs of a night say about the optical train."""
    if not night.runs:
        return Diagnosis((), night)
    main, others = split_cameras(night.runs)
    parts = (
        ("focuser", focuser_findings(main)),
        ("optics", optics_findings(main)),
        ("camera", [*tilt_findings(main), *camera_findings(main, others)]),
        ("exposure", exposure_findings(main)),
    )
    return Diagnosis(tuple((name, tuple(own)) for name, own in parts if own), night)


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _run_json(run: RunResult) -> dict[str, Any]:
    info, slack, step = run.frames[0].info, run.backlash, step_of(run)
    return {
        "start": format_time(run.start),
        "filter": run.filter,
        "instrument": run.instrument,
        "verdict": run.fit.verdict,
        "directions": list(run.directions),
        "rotator_deg": info.rotator_deg,
        "pier_side": info.pier_side,
        "slack_steps": slack.steps if slack else None,
        "slack_err": _plain(slack.err) if slack else None,
        "slack_significance": slack.sigma if slack else None,
        "slack_is_whole": slack.whole if slack else None,
        "um_per_step": _plain(step[0]) if step else None,
        "um_per_step_err": _plain(step[1]) if step else None,
        "seeing_jitter": _plain(run.fit.seeing_jitter),
    }
