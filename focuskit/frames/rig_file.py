"""The rig file: what the user knows about telescope, filters and headers, in a few lines of TOML."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, NamedTuple

from focuskit.core.errors import FocuskitError, failure
from focuskit.core.filters import FilterTable, OwnFilter
from focuskit.core.log_times import as_zone
from focuskit.core.optics import UNIT_WORDS, Rig
from focuskit.core.ranges import what_is_wrong
from focuskit.core.times import parse_time
from focuskit.frames.source import read_bytes

# Facts of a frame for which a user can name a keyword of their own.
FACTS = (
    "position", "temperature", "filter", "exposure", "time", "instrument", "telescope", "binning", "pixel",
    "focal_length", "aperture", "um_per_step", "saturation", "gain", "rotator", "pier_side", "altitude",
    "airmass", "other_temperature", "image_type", "object",
)  # fmt: skip

# Columns of a table of logged runs that may go by other names.
COLUMNS = ("time", "filter", "temperature_c", "temperature", "position", "position_err", "rig",
           "other_temperature_c", "altitude_deg", "pier_side")  # fmt: skip

_NUMBERS = {  # key: an example
    "focal_length_mm": "1400", "aperture_mm": "200", "obstruction": "0.36", "pixel_um": "3.76", "um_per_step": "4.0",
}  # fmt: skip
_KEYS = (
    "name",
    "telescope",
    *_NUMBERS,
    "camera",
    "position_unit",
    "zone",
    "travel",
    "filters",
    "keywords",
    "position_pattern",
    "rebuilds",
    "columns",
    "tables",
)
# How tables are to be read, as the options of the same names say it, and the columns of logs of temperatures.
_TABLE_KEYS = ("unit", "decimal", "dates", "zone", "log_time", "log_temperature")
_FILTER_KEYS = ("wavelength_nm", "narrowband", "also")
_SAME_FOCAL_LENGTH = 0.1  # chosen: makers round by per cents, a reducer changes it by 15 % or more
_MAX_BYTES = 65536  # a rig file has a few lines; Python's reader of TOML takes 30 s for a long line of 800 kB


class Optics(NamedTuple):
    """What tells the frames of one rig from those of another, as headers have it."""

    telescope: str | None = None
    instrument: str | None = None
    focal_length_mm: float | None = None


@dataclass(frozen=True)
class RigFile:
    """What a rig file says; what it says overrides the headers.

    Parameters
    ----------
    rig : Rig
        ``rig.pixel_um`` is here the pixel of the sensor, before binning.
    telescope : str or None
        The telescope that it is about, as headers name it; None: any.
    camera : str or None
        The camera whose pixel that is, as headers name it; None: of every camera.
    filters : FilterTable
    keywords : mapping of fact (one of ``FACTS``) to header keywords that are asked first
    position_pattern : str or None
        How file names carry the position, see `position_from_name`.
    rebuilds : tuple of datetime
        When the optical train was taken apart, in order, UTC.
    columns : mapping of focuskit's column to the name it has in the user's table of runs
    tables : mapping of str to str
        How tables are to be read: ``unit``, ``decimal``, ``dates``, ``zone``, ``log_time``, ``log_temperature``.
    rigs : tuple of RigFile
        Rig files of several rigs, of which each frame takes its own; what else is said is of frames that have none.
    strangers : frozenset of Optics
        Frames of other rigs, of which the file says only how they are to be read.
    source : str or None
        Path of the file.
    """

    rig: Rig = field(default_factory=Rig)
    telescope: str | None = None
    camera: str | None = None
    filters: FilterTable = field(default_factory=FilterTable)
    keywords: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    position_pattern: str | None = None
    rebuilds: tuple[datetime, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)
    rigs: tuple[RigFile, ...] = ()
    strangers: frozenset[Optics] = frozenset()
    source: str | None = field(default=None, compare=False)

    def of(self, optics: Optics) -> RigFile:
        """Return what is said of the frames of one telescope and camera."""
        if self.rigs:
            fitting = [one for one in self.rigs if one.fits(optics)]
            return min(fitting, key=lambda one: one.misfit(optics), default=replace(self, rigs=()))
        return replace(self, rig=Rig(), camera=None, rebuilds=()) if optics in self.strangers else self

    def among(self, every: Iterable[Optics]) -> RigFile:
        """Return the file so that it says of other rigs only how their frames are to be read.

        Which frames are its own shows where several telescopes are among them: those with its telescope's name, else
        with its focal length, else those that name no telescope. Where all frames say the same of their optics and
        contradict the file, the headers are wrong and the file comes before them.
        """
        optics = frozenset(every)
        own = set(optics)
        if _several(one.telescope for one in own):
            name = self.telescope or self.rig.name
            by_name = {one for one in own if _same(one.telescope, name)}
            if by_name or self.telescope:
                own = by_name | {one for one in own if one.telescope is None}
        right = {one for one in own if one.focal_length_mm and self.misfit(one) <= _SAME_FOCAL_LENGTH}
        if right and self.rig.focal_length_mm:
            own -= {one for one in own if self.misfit(one) > _SAME_FOCAL_LENGTH}
            if _several(one.telescope for one in own):
                telescopes = {one.telescope for one in right} | {None}
                own = {one for one in own if one.telescope in telescopes}
        elif _several(one.telescope for one in own):
            own = {one for one in own if one.telescope is None}
        return replace(self, strangers=optics - own)

    def fits(self, optics: Optics) -> bool:
        """Whether the names of telescope and camera are those that the file is about; frames without any name fit none.

        A file that names neither fits by the name of the rig.
        """
        names = ((self.telescope or (None if self.camera else self.rig.name), optics.telescope),
                 (self.camera, optics.instrument))  # fmt: skip
        asked = [(own, theirs) for own, theirs in names if own is not None]
        return bool(asked) and all(_same(own, theirs) for own, theirs in asked)

    def misfit(self, optics: Optics) -> float:
        """Return by what share the focal length is off; 0 where either is not known."""
        own, theirs = self.rig.focal_length_mm, optics.focal_length_mm
        return abs(own / theirs - 1.0) if own and theirs else 0.0

    def pixel_of(self, instrument: str | None) -> float | None:
        """Return the pixel of a camera's sensor, None where the rig file does not speak of that camera."""
        meant = self.camera is None or instrument is None or instrument.casefold() == self.camera.casefold()
        return self.rig.pixel_um if meant else None

    def with_keywords(self, requests: Mapping[str, str], source: str = "requests") -> RigFile:
        """Return this rig file with more keywords, such as ``{"position": "MYKEY"}``, put first."""
        more = _keywords(requests, source)
        first = {fact: names + tuple(self.keywords.get(fact, ())) for fact, names in more.items()}
        rigs = tuple(one.with_keywords(requests, source) for one in self.rigs)
        return replace(self, keywords={**self.keywords, **first}, rigs=rigs)

    def with_position_pattern(self, pattern: str, source: str = "pattern") -> RigFile:
        """Return this rig file with another pattern of the position in file names."""
        compile_position_pattern(pattern, source)
        rigs = tuple(one.with_position_pattern(pattern, source) for one in self.rigs)
        return replace(self, position_pattern=pattern, rigs=rigs)


def read_rig_file(path: str | Path) -> RigFile:
    """Read a rig file.

    Raises
    ------
    FocuskitError
        If the file cannot be read, is not TOML, or holds an unknown key or a wrong value.
    """
    return replace(rig_from_table(read_toml(path, "a rig file (TOML)"), str(path)), source=str(path))


def read_toml(path: str | Path, what: str) -> dict[str, Any]:
    """Read a small TOML file of the user's; ``what`` it should be is named in errors.

    Raises
    ------
    FocuskitError
        If it cannot be read, is larger than 64 kB, or is not TOML.
    """
    path = Path(path)
    raw = read_bytes(path, _MAX_BYTES, what)
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as problem:
        raise FocuskitError(f"{path}: is not UTF-8 text; save it as UTF-8") from problem
    except (RecursionError, ValueError) as problem:
        raise FocuskitError(f"{path}: is not valid TOML ({failure(problem)})") from problem


def rig_from_table(table: Mapping[str, Any], source: str) -> RigFile:
    """Build a `RigFile` from the parsed table of a rig file; ``source`` is named in errors."""
    for key in table:
        if key not in _KEYS:
            raise FocuskitError(f"{source}: unknown key '{_shown(key)}'; known are {', '.join(_KEYS)}")
    numbers = {key: _number(table[key], key, like, source) for key, like in _NUMBERS.items() if key in table}
    unit = _text(table, "position_unit", source)
    if unit is not None and unit not in UNIT_WORDS:
        raise FocuskitError(f"{source}: position_unit must be one of {', '.join(UNIT_WORDS)}")
    zone = _text(table, "zone", source)
    if zone is not None:
        as_zone(zone)
    pattern = _text(table, "position_pattern", source)
    if pattern is not None:
        compile_position_pattern(pattern, source)
    return RigFile(
        rig=Rig(
            name=_text(table, "name", source),
            travel=_travel(table.get("travel"), source),
            position_unit=unit,
            zone=zone,
            **numbers,
        ),
        telescope=_text(table, "telescope", source),
        camera=_text(table, "camera", source),
        filters=FilterTable(_filters(table.get("filters", {}), source)),
        keywords=_keywords(table.get("keywords", {}), source),
        position_pattern=pattern,
        rebuilds=_rebuilds(table.get("rebuilds", []), source),
        columns=_columns(table.get("columns", {}), "columns", COLUMNS, source),
        tables=_columns(table.get("tables", {}), "tables", _TABLE_KEYS, source),
    )


def compile_position_pattern(pattern: str, source: str) -> re.Pattern[str]:
    """Turn a pattern of the position in file names into a regular expression with one group.

    ``{position}`` stands for the number and ``*`` for anything, as in ``*_{position}.fits``; a
    pattern without ``{position}`` is a regular expression whose only group, or the group called
    ``position``, is the number.
    """
    if "{position}" in pattern:
        if pattern.count("{position}") > 1:
            raise FocuskitError(f"{source}: the pattern '{_shown(pattern)}' has {{position}} more than once")
        pieces = (".*" if piece == "*" else re.escape(piece) for piece in re.split(r"(\*)", pattern))
        number = r"(?P<position>(?<!\d)[+-]?\d+(?:\.\d+)?)"
        return re.compile("^" + "".join(pieces).replace(re.escape("{position}"), number) + "$", re.IGNORECASE)
    try:
        compiled = re.compile(pattern)
    except (re.error, RecursionError, OverflowError) as problem:
        raise FocuskitError(
            f"{source}: the pattern '{_shown(pattern)}' is no regular expression: {problem}"
        ) from problem
    if "position" not in compiled.groupindex and compiled.groups != 1:
        raise FocuskitError(
            f"{source}: the pattern '{_shown(pattern)}' does not say where the position is; write it like "
            "*_{position}.fits"
        )
    return compiled


def _several(names: Iterable[str | None]) -> bool:
    return len({name.casefold() for name in names if name is not None}) > 1


def _same(name: str | None, other: str | None) -> bool:
    return name is not None and other is not None and name.casefold() == other.casefold()


def _shown(value: object) -> str:
    """Return text of the user's file fit for one line of an error message."""
    return "".join(c if c.isprintable() else "?" for c in str(value))[:80]


def _number(value: object, key: str, example: str, where: str) -> float:
    """Return a number in the range of ``key``; ``where`` it stands is named in errors."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise FocuskitError(f"{where}: {key} must be a number, like {key} = {example}")
    if problem := what_is_wrong(key, value):
        raise FocuskitError(f"{where}: {problem}")
    return float(value)


def _text(table: Mapping[str, Any], key: str, source: str) -> str | None:
    value = table.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or not value.strip():
        raise FocuskitError(f'{source}: {key} must be text in quotes, like {key} = "Heron"')
    return value.strip()


def _travel(value: object, source: str) -> tuple[float, float] | None:
    if value is None:
        return None
    given = value if isinstance(value, list) else []
    ends = [v for v in given if isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)]
    if len(given) != 2 or len(ends) != 2 or ends[0] >= ends[1]:
        raise FocuskitError(f"{source}: travel must be the lowest and highest position, like [0, 20000]")
    return float(ends[0]), float(ends[1])


def _names(value: object) -> tuple[str, ...] | None:
    """Return the texts in ``value``, one or a list of them, or None if it is anything else."""
    values = value if isinstance(value, list) else [value]
    names = tuple(v.strip() for v in values if isinstance(v, str) and v.strip())
    return names if len(names) == len(values) else None


def _filters(value: object, source: str) -> dict[str, OwnFilter]:
    hint = 'write filters = ["L", "Ha"], or [filters] with lines like Ha = 656.3'
    if isinstance(value, list):
        names = _names(value)
        if names is None:
            raise FocuskitError(f"{source}: filters must be names; {hint}")
        return {name: OwnFilter() for name in names}
    if not isinstance(value, dict):
        raise FocuskitError(f"{source}: filters must be names; {hint}")
    return {name: _filter(name, entry, source) for name, entry in value.items()}


def _filter(name: str, value: object, source: str) -> OwnFilter:
    entry: dict[str, Any] = value if isinstance(value, dict) else {"wavelength_nm": value}
    shown = _shown(name)
    for key in entry:
        if key not in _FILTER_KEYS:
            known = ", ".join(_FILTER_KEYS)
            raise FocuskitError(f"{source}: unknown key '{_shown(key)}' of filter {shown}; known are {known}")
    wavelength = entry.get("wavelength_nm")
    if wavelength is not None:
        wavelength = _number(wavelength, "wavelength_nm", "656.3", f"{source}: filter {shown}")
    also = _names(entry.get("also", []))
    if also is None:
        raise FocuskitError(f'{source}: also of filter {shown} must be names, like also = ["H-alpha"]')
    narrowband = entry.get("narrowband")
    if not isinstance(narrowband, bool | None):
        raise FocuskitError(f"{source}: narrowband of filter {shown} must be true or false")
    return OwnFilter(wavelength, narrowband, also)


def _keywords(value: object, source: str) -> dict[str, tuple[str, ...]]:
    if not isinstance(value, Mapping):
        raise FocuskitError(f"{source}: keywords must be a table, like [keywords] with position = 'MYKEY'")
    keywords = {}
    for fact, entry in value.items():
        if fact not in FACTS:
            raise FocuskitError(f"{source}: no fact is called '{_shown(fact)}'; known are {', '.join(FACTS)}")
        names = _names(entry)
        if names is None:
            raise FocuskitError(f"{source}: the keyword for {fact} must be text, like {fact} = 'MYKEY'")
        keywords[fact] = names
    return keywords


def _rebuilds(value: object, source: str) -> tuple[datetime, ...]:
    hint = 'rebuilds must be a list of UTC times, like ["2031-03-04T18:00:00Z"]'
    if not isinstance(value, list) or not all(isinstance(v, str | date) for v in value):
        raise FocuskitError(f"{source}: {hint}")
    try:
        return tuple(sorted(parse_time(v if isinstance(v, str) else v.isoformat()) for v in value))
    except FocuskitError as problem:
        raise FocuskitError(f"{source}: {_shown(problem)}; {hint}") from problem


def _columns(value: object, key: str, known: tuple[str, ...], source: str) -> dict[str, str]:
    if not isinstance(value, dict):
        raise FocuskitError(f"{source}: {key} must be a table, like [{key}] with {known[0]} = 'name'")
    for column, name in value.items():
        if column not in known:
            raise FocuskitError(f"{source}: unknown column '{_shown(column)}'; known are {', '.join(known)}")
        if not isinstance(name, str) or not name.strip():
            raise FocuskitError(f"{source}: the name of column {column} must be text in quotes")
    return dict(value)
