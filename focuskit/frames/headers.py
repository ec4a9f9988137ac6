"""Facts about a frame from its FITS header, whatever the writer called them.

The names of keywords are those seen in public headers and keyword dictionaries. A value that is
empty, not finite, or a placeholder for "unknown" is None here; nothing is guessed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from focuskit.core.errors import FocuskitError
from focuskit.core.matrix import BAYER_PATTERNS
from focuskit.core.times import EARLIEST_S, LATEST_S, parse_time
from focuskit.frames.fits import Header, Value, number
from focuskit.frames.rig_file import Optics, RigFile, compile_position_pattern

_AIR = ("AMBTEMP", "AMB-TEMP", "AIRTEMP", "TEMPERAT", "AOCAMBT", "ENVTEM", "OUTTEMP", "WMSTEMP")

ALIASES: dict[str, tuple[str, ...]] = {
    # What was measured comes before what was asked of the focuser (FOCDMD, FOCUSDMD).
    "position": (
        "FOCUSPOS", "FOCPOS", "FOCPOSN", "FOCUS", "TELFOCUS", "CAMFOCUS", "INSFOCUS", "FOCUSVAL", "TELFOC",
        "FOC-VAL", "FOC-POS", "ESO TEL FOCU VALUE", "ESO INS FOCU POS", "FOCDMD", "FOCUSDMD",
    ),
    # The tube first, then the air. CCD-TEMP and its kin are the sensor's and never stand in.
    "temperature": ("FOCUSTEM", "FOCTEMP", "FOCUSTMP", "TELTEMP", "TUBETEMP", *_AIR),
    "other_temperature": _AIR,
    "filter": (
        "FILTER", "FILTERS", "FILTNAM", "FILTERID", "INSFILTE", "FILTER1", "FILTER2", "ESO INS FILT1 NAME",
    ),
    "exposure": ("EXPTIME", "EXPOSURE", "EXP_TIME", "XPOSURE", "EXPOSED", "ITIME", "TEXPTIME", "EXPREQ"),
    "date": ("DATE-OBS", "DATE-BEG"),
    "time_of_day": ("TIME-OBS", "UTSTART", "UT-STR", "UTC-OBS", "UT"),
    "instrument": ("INSTRUME", "CAMERA", "DETNAM", "DETECTOR"),
    "telescope": ("TELESCOP",),
    "binning_x": ("XBINNING", "BINX", "HBIN", "BIN-FCT1", "CCDXBIN", "CAM-BINX"),
    "binning_y": ("YBINNING", "BINY", "VBIN", "BIN-FCT2", "CCDYBIN", "CAM-BINY"),
    "binning": ("CCDSUM", "BINNING"),
    "pixel_of_image": ("XPIXSZ", "YPIXSZ", "XPIXELSZ"),
    "pixel_of_sensor": ("PIXSIZE1", "PIXSIZE2", "PIXSIZE", "DETPXSZ1", "CCDXPIXE", "CAM-PIXS"),
    "focal_length": ("FOCALLEN", "FOCLEN"),
    "focal_length_m": ("ESO TEL FOCU LEN",),
    "aperture": ("APTDIA", "APERTURE"),
    "aperture_area": ("APTAREA",),
    "f_ratio": ("FOCRATIO", "FRATIO"),
    "um_per_step": ("FOCUSSZ", "FOCUSSSZ"),
    "bayer": ("BAYERPAT", "COLORTYP"),
    "bayer_x": ("XBAYROFF", "BAYOFFX"),
    "bayer_y": ("YBAYROFF", "BAYOFFY"),
    "row_order": ("ROWORDER",),
    "saturation": ("SATURATE", "SATLEVEL", "DATAMAX"),
    "gain": ("EGAIN", "CCDGAIN", "GAINADU", "RDGAIN"),
    "rotator": ("ROTATANG", "ROTATOR", "ROTANGLE", "ROTANG"),
    "pier_side": ("PIERSIDE",),
    # From memory of public headers; ALTITUDE itself is often that of the site, in metres.
    "altitude": ("OBJCTALT", "CENTALT", "TELALT", "ESO TEL ALT"),
    "airmass": ("AIRMASS", "SECZ"),
    "image_type": ("IMAGETYP", "OBSTYPE", "FRAMETYP", "ESO DPR TYPE"),
    "object": ("OBJECT",),
}  # fmt: skip

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d*)?))?")
_DATE_ONLY = re.compile(r"\d{4}-\d{1,2}-\d{1,2}|\d{1,2}/\d{1,2}/\d{2}")
_MJD_EPOCH_S = -3506716800.0  # midnight of 1858-11-17
_NO_NAME = {"", "NONE", "N/A", "NA", "UNKNOWN", "UNDEFINED", "NULL", "INDEF", "NAN", "-"}
_CLEAR = {"CLEAR", "OPEN", "EMPTY", "AIR", "FREE", "NOFILTER"}
_PACKED = (".gz", ".bz2", ".fz")
_LONGEST = 200  # of a name: labels of plots and columns of tables are made of it


@dataclass(frozen=True, kw_only=True)
class HeaderFacts:
    """What a header tells of its frame; what it does not tell is None.

    Parameters
    ----------
    time : datetime
        Start of the exposure, UTC.
    exposure_s, position, temperature_c : float
        ``position`` is in the focuser's steps; ``temperature_c`` that of the focuser or tube, else
        of the air, never of the sensor.
    binning : (int, int)
        Along x and y.
    pixel_um : float
        Size of a pixel of the image, that is after binning.
    focal_length_mm, aperture_mm, obstruction, um_per_step : float
    bayer : str
        ``RGGB`` and so on: the colours of the first two pixels of the first two rows.
    bottom_up : bool
        Whether the first row stored is said to be the lowest one; else it is the first of ``bayer``.
    saturation_adu : float
    gain : float
        Electrons per ADU.
    rotator_deg : float
    pier_side : str
        ``east`` or ``west``.
    altitude_deg : float
        Of the telescope above the horizon, else from the air mass.
    other_temperature_c : float
        That of the air, where ``temperature_c`` is another sensor's.
    filter, instrument, telescope, image_type, object_name : str
    """

    time: datetime | None = None
    exposure_s: float | None = None
    position: float | None = None
    temperature_c: float | None = None
    filter: str | None = None
    instrument: str | None = None
    telescope: str | None = None
    binning: tuple[int, int] | None = None
    pixel_um: float | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    obstruction: float | None = None
    um_per_step: float | None = None
    bayer: str | None = None
    bottom_up: bool = False
    saturation_adu: float | None = None
    gain: float | None = None
    rotator_deg: float | None = None
    pier_side: str | None = None
    altitude_deg: float | None = None
    other_temperature_c: float | None = None
    image_type: str | None = None
    object_name: str | None = None


def text(value: Value | None) -> str | None:
    """Return a header value as printable text, or None if it names nothing."""
    if value is None or isinstance(value, bool):
        return None
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    words = " ".join("".join(c if c.isprintable() else " " for c in str(value)).split())
    return None if words.upper() in _NO_NAME else words[:_LONGEST]


class _Look:
    """Looks facts up in a header: first under the user's keywords, then under the aliases."""

    def __init__(self, header: Header, keywords: Mapping[str, Iterable[str]]) -> None:
        self._header = header
        self._keywords = keywords

    def values(self, *facts: str) -> Iterator[Value]:
        for fact in facts:
            for keyword in (*self.own_keywords(fact), *ALIASES.get(fact, ())):
                if keyword in self._header:
                    yield self._header[keyword]

    def keyword(self, keyword: str) -> Value | None:
        return self._header.get(keyword)

    def own_keywords(self, fact: str) -> list[str]:
        return [" ".join(k.upper().removeprefix("HIERARCH ").split()) for k in self._keywords.get(fact, ())]

    def own_value(self, fact: str) -> Value | None:
        return next((self._header[k] for k in self.own_keywords(fact) if k in self._header), None)

    def number(self, fact: str, lowest: float = -math.inf, highest: float = math.inf) -> float | None:
        numbers = (number(value) for value in self.values(fact))
        return next((n for n in numbers if n is not None and lowest <= n <= highest), None)

    def positive(self, fact: str, lowest: float = 0.0, highest: float = math.inf) -> float | None:
        numbers = (number(value) for value in self.values(fact))
        return next((n for n in numbers if n is not None and n > 0.0 and lowest <= n <= highest), None)

    def text(self, fact: str) -> str | None:
        return next((t for t in map(text, self.values(fact)) if t is not None), None)


def read_facts(header: Header, file_name: str, rig_file: RigFile | None = None) -> HeaderFacts:
    """Gather the facts of a frame from its header, its file name and the rig file.

    Parameters
    ----------
    header : mapping of keyword to value
        As `parse_header` returns it.
    file_name : str
        Without folders; asked for the position when the header does not tell it.
    rig_file : RigFile, optional
        Its keywords are asked first and its values override the header's.
    """
    settings = rig_file or RigFile()
    look = _Look(header, settings.keywords)
    settings = settings.of(Optics(look.text("telescope"), look.text("instrument"), _optics(look)[0]))
    rig = settings.rig
    look = _Look(header, settings.keywords)
    position = look.number("position", -1e9, 1e9)
    if position is None and settings.position_pattern:
        position = position_from_name(file_name, settings.position_pattern)
    binning = _binning(look)
    focal_length, aperture, obstruction = _optics(look)
    exposure = look.positive("exposure", highest=1e6)
    instrument = look.text("instrument")
    # Outside of this range stand placeholders and kelvins.
    temperature, other = (look.number(name, -90.0, 70.0) for name in ("temperature", "other_temperature"))
    return HeaderFacts(
        time=_time(look, exposure),
        exposure_s=exposure,
        position=position,
        temperature_c=temperature,
        filter=settings.filters.name(_filter(look)),
        instrument=instrument,
        telescope=look.text("telescope"),
        binning=binning,
        pixel_um=_pixel_um(look, binning, settings.pixel_of(instrument)),
        focal_length_mm=rig.focal_length_mm or focal_length,
        aperture_mm=rig.aperture_mm or aperture,
        obstruction=obstruction if rig.obstruction is None else rig.obstruction,
        um_per_step=rig.um_per_step or look.positive("um_per_step", highest=1e5),
        bayer=_bayer(look),
        bottom_up=(look.text("row_order") or "").upper().startswith("BOTTOM"),
        saturation_adu=look.positive("saturation", highest=1e12),
        gain=look.positive("gain", highest=1e6),
        rotator_deg=look.number("rotator", -720.0, 720.0),
        pier_side=_pier_side(look.text("pier_side")),
        altitude_deg=_altitude(look),
        other_temperature_c=None if other == temperature else other,
        image_type=look.text("image_type"),
        object_name=look.text("object"),
    )


def position_from_name(file_name: str, pattern: str) -> float | None:
    """Return the position that a file name carries, or None; endings such as .gz may be left out."""
    compiled = compile_position_pattern(pattern, "the pattern of the position in file names")
    names = [file_name]
    for ending in _PACKED:
        if file_name.lower().endswith(ending):
            names.append(file_name[: -len(ending)])
    for name in names:
        match = compiled.search(name)
        if match:
            return number(match["position"] if "position" in compiled.groupindex else match[1])
    return None


def _time(look: _Look, exposure_s: float | None) -> datetime | None:
    for value in (*look.values("time"), *_whole_times(look)):
        moment = _parsed(str(value))
        if moment is not None:
            return moment
    middle = _parsed(str(look.keyword("DATE-AVG") or ""))
    if middle is not None and exposure_s is not None:
        return middle - timedelta(seconds=exposure_s / 2.0)
    for keyword, epoch in (("MJD-OBS", 0.0), ("JD", 2400000.5)):
        days = number(look.keyword(keyword))
        if days is not None:
            seconds = round((days - epoch) * 86400.0 + _MJD_EPOCH_S, 3)
            if EARLIEST_S <= seconds < LATEST_S:
                return datetime.fromtimestamp(seconds, UTC)
    return None


def _whole_times(look: _Look) -> Iterator[str]:
    """Yield the header's dates that have a time of day, joined from two keywords where need be.

    A date alone would put all frames of a night at midnight, which is worse than not knowing.
    """
    for value in look.values("date"):
        date = str(value).strip()
        if not _DATE_ONLY.fullmatch(date.removesuffix("Z")):
            yield date
            continue
        whole = _parsed(date.removesuffix("Z"))
        for clock in look.values("time_of_day"):
            match = _CLOCK.fullmatch(str(clock).strip().removesuffix("Z"))
            if match and whole:
                yield f"{whole:%Y-%m-%d}T{match[1]}:{match[2]}:{match[3] or '00'}"


def _parsed(words: str) -> datetime | None:
    try:
        return parse_time(words)
    except FocuskitError:
        return None


def _filter(look: _Look) -> str | None:
    """Return the filter; of several wheels, the one that is not empty."""
    own = text(look.own_value("filter"))
    if own is not None:
        return own
    names = [t for t in map(text, look.values("filter")) if t is not None]
    coloured = (n for n in names if "".join(c for c in n.upper() if c.isalpha()) not in _CLEAR)
    return next(coloured, names[0] if names else None)


def _binning(look: _Look) -> tuple[int, int] | None:
    """Return the binning from one keyword a side, or from one for both: ``2 2``, ``2x2``, ``2``."""
    for value in look.values("binning"):
        factors = [int(word) for word in re.findall(r"\d+", str(value))][:2]
        if factors and all(1 <= f <= 64 for f in factors):
            return factors[0], factors[-1]
    x = look.number("binning_x", 1, 64)
    y = look.number("binning_y", 1, 64)
    if x is None and y is None:
        return None
    return int(x or y or 1), int(y or x or 1)


def _pixel_um(look: _Look, binning: tuple[int, int] | None, sensor_pixel_um: float | None) -> float | None:
    """Return the pixel of the image in µm.

    XPIXSZ is after binning by convention, PIXSIZEn before. Some writers put the sensor's pixel
    into XPIXSZ: where the rig file or PIXSIZEn tells the sensor's, that decides.
    """
    factor = binning[0] if binning else 1
    own = _micrometres(number(look.own_value("pixel")))
    if own is not None and sensor_pixel_um is None:
        return own
    for value in (sensor_pixel_um, *look.values("pixel_of_sensor")):
        pixel = _micrometres(number(value))
        if pixel is not None:
            return pixel * factor
    for value in look.values("pixel_of_image"):
        pixel = _micrometres(number(value))
        if pixel is not None:
            return pixel
    return None


def _micrometres(size: float | None) -> float | None:
    """Return a pixel size in µm that may be written in metres, millimetres or micrometres."""
    if size is None:
        return None
    for factor in (1.0, 1e3, 1e6):
        if 0.5 <= size * factor <= 500.0:
            return size * factor
    return None


def _optics(look: _Look) -> tuple[float | None, float | None, float | None]:
    """Return focal length and aperture in mm, and the obstruction as far as two areas tell it."""
    focal_length = look.positive("focal_length", 10.0, 1e6)
    metres = look.positive("focal_length_m", highest=1e3)
    if focal_length is None and metres is not None:
        focal_length = metres * 1e3
    # APERTURE below 20 is a focal ratio or the name of a hole in a mask, not a diameter.
    aperture = look.positive("aperture", 20.0, 1e5)
    f_ratio = look.positive("f_ratio", 0.5, 200.0)
    if f_ratio and focal_length and not aperture:
        aperture = focal_length / f_ratio
    elif f_ratio and aperture and not focal_length:
        focal_length = aperture * f_ratio
    area = look.positive("aperture_area")
    obstruction = None
    if area and aperture:
        blocked = 1.0 - area / (math.pi / 4.0 * aperture**2)
        if 0.01 < blocked < 0.6:  # equal areas only mean that the writer did not know
            obstruction = math.sqrt(blocked)
    return focal_length, aperture, obstruction


def _bayer(look: _Look) -> str | None:
    """Return the colour pattern of the image, offsets applied."""
    pattern = next((t for t in (str(v).strip().upper() for v in look.values("bayer")) if t in BAYER_PATTERNS), None)
    if pattern is None:
        return None
    if int(look.number("bayer_x", 0, 1e6) or 0) % 2:
        pattern = pattern[1] + pattern[0] + pattern[3] + pattern[2]
    if int(look.number("bayer_y", 0, 1e6) or 0) % 2:
        pattern = pattern[2:] + pattern[:2]
    return pattern


def _pier_side(word: str | None) -> str | None:
    sides = {"E": "east", "EAST": "east", "PIEREAST": "east", "W": "west", "WEST": "west", "PIERWEST": "west"}
    return sides.get("".join(c for c in (word or "").upper() if c.isalpha()))


def _altitude(look: _Look) -> float | None:
    """Return the altitude in degrees; from the air mass X it is asin(1/X), good to a degree above 15°."""
    altitude, airmass = look.number("altitude", 0.0, 90.0), look.number("airmass", 1.0, 4.0)
    return altitude if altitude is not None or airmass is None else math.degrees(math.asin(1.0 / airmass))
