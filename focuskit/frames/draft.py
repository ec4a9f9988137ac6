"""A draft of a rig file: what headers and file names say of each rig in a folder, and what is missing."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from focuskit.core.errors import FocuskitError
from focuskit.frames.frame import FrameInfo, find_some_frames
from focuskit.frames.name_pattern import NamePattern, find_name_pattern
from focuskit.frames.source import Limits

_ALIKE = 0.05  # chosen: focal lengths from plate solving scatter by less, a reducer changes them by 15 % or more
_F_RATIOS = (1.2, 25.0)  # of telescopes and lenses (common practice, no source): outside, one of two numbers is wrong
_PIXELS_UM = (1.0, 30.0)  # of sensors that are sold (common practice, no source)
_FEW = 4  # fewer positions than a sweep has may count by chance
_CALIBRATION = ("dark", "bias", "flat", "zero")

# What each number is, and what it is worth. The errors: nights of 80 stars at f/7 have errors of 0.37 µm with an
# aperture and of 0.55 µm without (scripts/bench_rigs.py, two runs each).
_SHAPES = "without it the fit finds it from the stars, with errors some 1.5 times as large; `defocus` needs it"
_BLANKS = {
    "focal_length_mm": ("1400", "focal length with all correctors and reducers", _SHAPES),
    "aperture_mm": ("200", "diameter of the aperture", _SHAPES),
    "obstruction": ("0.36", "diameter of the shadow in the middle over the aperture, 0 for a refractor",
                    "without it the fit finds it from the stars, and the step size is off by some per cent"),
    "pixel_um": ("3.76", "pixel of the sensor, before binning",
                 "without it results are in steps and pixels only; `defocus` needs it"),
    "um_per_step": ("4.0", "way of the focal plane for one step of the focuser, in µm",
                    "without it single frames say their defocus in µm only"),
    "travel": ("[0, 20000]", "lowest and highest position of the focuser",
               "without it plans are not checked against it"),
}  # fmt: skip


@dataclass(frozen=True)
class RigDraft:
    """What the frames of one rig say of it.

    Parameters
    ----------
    name : str
    telescope, camera : str or None
        As headers name them.
    frames : tuple of FrameInfo
    numbers : dict of key of the rig file to number
        What the headers agree on.
    doubts : dict of key to text
        Why a number that some headers have is not taken.
    names : NamePattern or None
        How file names carry the position; None where all headers do.
    """

    name: str
    telescope: str | None
    camera: str | None
    frames: tuple[FrameInfo, ...]
    numbers: dict[str, float]
    doubts: dict[str, str]
    names: NamePattern | None

    @classmethod
    def read(
        cls,
        folders: Sequence[str | Path],
        limits: Limits | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> list[RigDraft]:
        """Draft a rig file for each rig that the frames below the folders are of.

        Raises
        ------
        FocuskitError
            If a folder cannot be read, or no file in it is a frame that can be read.
        """
        found, _ = find_some_frames(folders)
        infos = []
        for count, file in enumerate(found, 1):
            if info := file.info(limits=limits):  # an analysis says what is wrong with it
                infos.append(info)
            if progress:
                progress(count, len(found))
        if not infos:
            raise FocuskitError(f"no frame among {len(found)} files; focuskit analyse says what is wrong with each")
        return _drafts(infos)

    @property
    def missing(self) -> dict[str, str]:
        """Each number that is not known, and what it is worth."""
        return {key: worth for key, (_, _, worth) in _BLANKS.items() if key not in self.numbers}

    @property
    def file_name(self) -> str:
        """Name of the rig file."""
        return (re.sub(r"[^\w-]+", "_", self.name).strip("_") or "rig") + ".toml"

    def to_toml(self, pattern: str | None) -> str:
        """Return the rig file; ``pattern`` is that of the positions once it is checked."""
        lines = [
            f"# Drafted by focuskit setup from the headers and names of {len(self.frames)} frames. Check it: what is",
            "# in it comes before the headers. Fill a blank, and take the # away before it.",
            f"name = {_quoted(self.name)}",
        ]
        lines += [f"telescope = {_quoted(self.telescope)}"] if self.telescope else []
        lines += [f"camera = {_quoted(self.camera)}"] if self.camera else []
        for key, (example, what, worth) in _BLANKS.items():
            lines.append("")
            lines.append(f"# {what[0].upper()}{what[1:]}.")
            if key in self.numbers:
                lines.append(f"{key} = {self.numbers[key]:.10g}")
                continue
            lines += [f"# {self.doubts[key]}."] if key in self.doubts else []
            lines += [f"# Missing: {worth}.", f"# {key} = {example}"]
        filters = sorted({info.filter for info in self.frames if info.filter})
        if filters:
            lines += ["", f"# Filters of the frames: {', '.join(map(_quoted, filters))}."]
        lines += ["", f"# {self.doubts['position']}."] if "position" in self.doubts else []
        if self.names:
            lines += ["", f"# The position, from file names: {self.names.why}."]
            lines += [f"position_pattern = {_quoted(pattern)}"] if pattern else self._unchecked()
        return "\n".join(lines) + "\n"

    def _unchecked(self) -> list[str]:
        if self.names is None or self.names.pattern is None:
            return ['# position_pattern = "*_{position}.fits"']
        why = "# Not checked: no sweep of these frames shows a focus curve with it. See that it is right."
        return [why, f"# position_pattern = {_quoted(self.names.pattern)}"]


def _drafts(infos: Iterable[FrameInfo]) -> list[RigDraft]:
    """Draft a rig file for each rig that frames are of: each telescope, camera and focal length that headers name.

    Frames that name no focal length are of the only rig with their telescope and camera, else of none.
    """
    frames = [info for info in infos if not any(word in (info.image_type or "").casefold() for word in _CALIBRATION)]
    by_names: dict[tuple[str, str], list[FrameInfo]] = {}
    for info in frames:
        by_names.setdefault(((info.telescope or "").casefold(), (info.instrument or "").casefold()), []).append(info)
    rigs = [rig for group in by_names.values() for rig in _by_focal_length(group)]
    drafts = [_draft(rig, rigs) for rig in rigs]
    return sorted(drafts, key=lambda draft: draft.name)


def _by_focal_length(group: Sequence[FrameInfo]) -> list[list[FrameInfo]]:
    known = sorted((info for info in group if info.focal_length_mm), key=lambda info: info.focal_length_mm or 0.0)
    parts: list[list[FrameInfo]] = []
    for info in known:
        if parts and _is_alike(parts[-1][0].focal_length_mm, info.focal_length_mm):
            parts[-1].append(info)
        else:
            parts.append([info])
    if len(parts) > 1:
        return parts
    return [list(group)]


def _is_alike(one: float | None, other: float | None) -> bool:
    return bool(one and other and abs(one / other - 1.0) <= _ALIKE)


def _draft(frames: Sequence[FrameInfo], rigs: Sequence[Sequence[FrameInfo]]) -> RigDraft:
    first = frames[0]
    numbers: dict[str, float] = {}
    doubts: dict[str, str] = {}
    sources: dict[str, Callable[[FrameInfo], float | None]] = {
        "focal_length_mm": lambda info: info.focal_length_mm,
        "aperture_mm": lambda info: info.aperture_mm,
        "obstruction": lambda info: info.obstruction,
        "pixel_um": lambda info: info.pixel_um and info.pixel_um / (info.binning or (1, 1))[0],
        "um_per_step": lambda info: info.um_per_step,
    }
    for key, of in sources.items():
        values = sorted({round(value, 6) for info in frames if (value := of(info))})
        if values and values[-1] <= values[0] * (1.0 + _ALIKE):
            numbers[key] = values[len(values) // 2]
        elif values:
            doubts[key] = f"The headers say {', '.join(f'{value:g}' for value in values[:4])}: which is right?"
    _doubt_what_cannot_be(numbers, doubts)
    positions = sorted(info.position for info in frames if info.position is not None)
    if len(positions) > _FEW and [value - positions[0] for value in positions] == list(range(len(positions))):
        doubts["position"] = "The positions in the headers count the frames: they are none"
    lacking = [info for info in frames if info.position is None]
    alike = [rig for rig in rigs if rig[0].telescope == first.telescope]
    same_camera = [rig for rig in alike if rig[0].instrument == first.instrument]
    parts = [first.telescope or first.instrument or "rig"]
    if len(alike) > len(same_camera) and first.telescope and first.instrument:
        parts.append(first.instrument)
    if len(same_camera) > 1:
        parts.append(f"{numbers.get('focal_length_mm', first.focal_length_mm):.0f} mm")
    return RigDraft(
        name=" ".join(parts),
        telescope=first.telescope,
        camera=first.instrument,
        frames=tuple(frames),
        numbers=numbers,
        doubts=doubts,
        names=find_name_pattern(lacking) if lacking else None,
    )


def _doubt_what_cannot_be(numbers: dict[str, float], doubts: dict[str, str]) -> None:
    """Take back numbers that no telescope and no sensor has."""
    focal, aperture, pixel = (numbers.get(key) for key in ("focal_length_mm", "aperture_mm", "pixel_um"))
    if focal and aperture and not _F_RATIOS[0] <= focal / aperture <= _F_RATIOS[1]:
        for key, value in (("focal_length_mm", focal), ("aperture_mm", aperture)):
            del numbers[key]
            doubts[key] = (
                f"The headers say {value:g}, and f/{focal / aperture:.3g} with it: one of two numbers is wrong"
            )
    if pixel and not _PIXELS_UM[0] <= pixel <= _PIXELS_UM[1]:
        del numbers["pixel_um"]
        doubts["pixel_um"] = f"The headers say {pixel:g}, which no sensor has"


def _quoted(text: str | None) -> str:
    return json.dumps(text, ensure_ascii=False)
