"""What columns of people's tables are called, in English, German, French, Spanish and Italian, and their units.

Plain words only. What a column is called is half of the evidence: `table_roles` asks its values, too.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache

# Whole names, without accents, blanks and units.
_NAMES = {
    "time": "time timestamp datetime dateandtime utc ut utctime timeutc dateobs when moment start begin begintime "
    "messdatum messzeit messzeitpunkt starttime localtime timelocal zeit uhrzeit zeitpunkt zeitstempel "
    "datumzeit datumuhrzeit beginn anfang heure horodatage dateheure dateetheure temps instant debut hora "
    "fechahora fechayhora tiempo inicio momento ora orario dataora dataeora istante inizio data date "
    "datum fecha tag jour dia giorno day nacht night nuit noche notte abend evening soir unixtime epoch "
    "unix jd mjd juliandate hour stunde",
    "filter": "filter filters filt filtername filtre filtro farbe band color colour",
    "temperature": "temperature temp t temperatur tempc tempf tempk degc degf tc tf celsius fahrenheit kelvin "
    "air airtemp ambient ambienttemp outside outsidetemp outdoor lufttemperatur lufttemp luft aussentemperatur "
    "aussentemp aussen umgebungstemperatur umgebung temperatura tempaire tempamb temperaturaaire temperaturaambiente "
    "temperaturaexterior temperaturaesterna tempesterna esterna aria aire exterieur exterior "
    "temperatureexterieure temperatureair tempext grad gradc temps",
    "position": "position pos focus focusposition focuspos focuserposition focuserpos focuser bestposition bestfocus "
    "bestfocusposition bestpos steps step counts drawtube infocus fokus fokusposition fokuspos fokuslage "
    "besterfokus bestefokusposition stellung schritte schritt auszug okularauszug fokussierer lage "
    "miseaupoint foyer map pas positionmap positionfocuser positiondemiseaupoint positionfoyer enfoque foco "
    "posicion posiciondelenfoque posiciondeenfoque posicionenfoque posicionfoco "
    "posicionenfocador enfocador pasos paso fuoco messaafuoco "
    "posizione posizionefuoco posizionedelfuoco posizionefocheggiatore focheggiatore passi",
    "position_err": "err error sigma uncertainty positionerr positionerror poserr poserror focuserr focuserror "
    "std stdev fehler unsicherheit positionsfehler fokusfehler erreur incertitude incertidumbre errore incertezza",
    "rig": "rig scope telescope telescop ota setup teleskop fernrohr optik tubus telescopio lunette tubo equipo",
    "sensor": "sensor station probe channel origin device location site source name id node fuhler fuehler messstelle "
    "messpunkt messgerat kanal ort capteur sonde station lieu estacion sonda canal lugar stazione canale luogo "
    "parameter quantity variable grosse grandeur magnitud grandezza",
    "value": "value reading wert messwert valeur mesure valor lectura valore lettura measurement",
    "year": "year jahr annee ano anno", "month": "month monat mois mes mese",
    "day": "day tag jour dia giorno", "hour": "hour stunde heure hora ora hr",
    "minute": "minute min minuten minuto minuti minutes",
}  # fmt: skip
# Beginnings of words that make a name of that role where no whole name fits. What stands first goes first.
_STEMS = {
    "position_err": ("err", "sigma", "uncert", "fehler", "unsicher", "incert", "stdev"),
    "filter": ("filt",),
    "temperature": ("temp", "lufttemp", "aussentemp", "celsius", "fahrenheit", "ambient", "umgebung", "tair",
                    "outside"),
    "position": ("posi", "pos", "focus", "fokus", "foco", "fuoco", "enfo", "foyer", "steps", "schritt", "stellung",
                 "auszug", "pasos", "passi"),
    "time": ("time", "zeit", "uhrzeit", "datum", "date", "heure", "hora", "horodat", "fecha", "orario", "timestamp",
             "utc", "begin", "nacht", "night", "nuit", "noche", "notte"),
    "rig": ("telesc", "telesk", "rig"),
    "sensor": ("sensor", "station", "fuhler", "sonde", "sonda", "capteur", "probe"),
}  # fmt: skip
# Beginnings of words of what is none of these, whatever else the name says.
_OTHER = (
    "humid", "feucht", "humed", "umid", "press", "druck", "wind", "viento", "vento", "vent", "gust", "rain", "regen",
    "precip", "dew", "taupunkt", "rosee", "rocio", "rugiada", "expos", "belicht", "durat", "dauer", "hfd", "fwhm",
    "hfr", "stern", "stars", "etoile", "estrella", "stelle", "gain", "bin", "altit", "azim", "batt", "volt",
    "seeing", "comment", "bemerk", "notiz", "note", "remark", "object", "objekt", "target", "backlash", "spiel",
    "offset", "frames", "bild", "verdict", "slope", "tolerance", "size", "count", "zone", "wheel", "solar", "uv",
    "feels", "chill", "heat", "set", "sky",
)  # fmt: skip
# Temperatures that are not of the air: they are taken only where nothing else is there to take.
NOT_AIR = (
    "ccd", "sensor", "chip", "cooler", "camera", "kamera", "cam", "mirror", "spiegel", "specchio", "espejo", "miroir",
    "focus", "fokus", "tube", "tubus", "indoor", "inside", "innen", "interieur", "interior", "interna", "soil", "boden",
    "water", "wasser", "case", "box", "dome", "kuppel", "lens", "motor", "board", "cpu",
)  # fmt: skip
AIR = ("ambient", "air", "out", "outside", "outdoor", "luft", "aussen", "umgebung", "exter", "aria", "aire", "ext",
       "esterna", "ambiente")  # fmt: skip
# Words by which a table shows that it is from a country without degrees Fahrenheit.
_METRIC = (
    "datum", "zeit", "uhrzeit", "temperatur", "lufttemperatur", "aussentemperatur", "fokus", "schritte", "heure",
    "horodatage", "mise", "pas", "fecha", "hora", "temperatura", "posicion", "filtro", "filtre", "orario", "posizione",
    "fuoco", "foco", "enfoque", "wert", "messwert", "valeur", "valore", "stellung", "ora", "zeitpunkt",
)  # fmt: skip

_UNITS = {
    "C": "c degc deg celsius degreec degreesc degreecelsius degreescelsius gradcelsius gradc degrescelsius centigrade "
    "gradoscentigrados gradoscelsius gradicelsius",
    "F": "f degf fahrenheit degreesf degreef degreesfahrenheit gradfahrenheit",
    "K": "k kelvin",
    "um": "um micron microns micrometer micrometre mikrometer mikron micrometri micras",
    "mm": "mm millimeter millimetre millimeters millimetres",
    "step": "step steps schritte schritt pas pasos passi counts impulse",
}
_UNIT_OF = {word: unit for unit, words in _UNITS.items() for word in words.split()} | {"°": "C"}
UNITS_OF = {"temperature": ("C", "F", "K"), "position": ("um", "mm", "step"), "position_err": ("um", "mm", "step")}
_FORMAT = re.compile(r"utc|ut|gmt|local|lokal|iso|[ymdhstj:./\s-]+|hh:mm(:ss)?|unix|s|%|hpa|m/s|-", re.IGNORECASE)


def plain_words(name: str) -> list[str]:
    """Return the words of a name in lower case, without accents: ``Außentemp. (°C)`` is ``aussentemp``, ``c``."""
    spread = unicodedata.normalize("NFKD", name.casefold().replace("µ", "u").replace("μ", "u"))
    return re.findall(r"[a-z]+|\d+", "".join(c for c in spread if not unicodedata.combining(c)))


@cache
def unit_of(text: str) -> str | None:
    """Return the unit that a text names: ``°C``, ``[mm]``, ``deg F``; None where it is none."""
    words = plain_words(text)
    return _UNIT_OF.get("".join(words)) or ("C" if not words and "°" in text else None)


def is_unit_line(cells: list[str]) -> bool:
    """Return whether a row below the header gives units: every cell a unit or the form of a time, one a unit."""
    found = [cell.strip(" ()[]") for cell in cells if cell.strip(" ()[]")]
    return any(map(unit_of, found)) and all(unit_of(cell) or _FORMAT.fullmatch(cell) for cell in found)


@cache
def unit_in_name(name: str, role: str) -> str | None:
    """Return the unit of a column of that role by its name: ``temp_f``, ``Fokus [mm]``, ``T/°C``."""
    fits = UNITS_OF.get(role, ())
    in_brackets = [unit_of(text) for text in re.findall(r"[(\[{]([^)\]}]*)[)\]}]", name)]
    words = plain_words(name)
    last = [_UNIT_OF.get(word) for word in reversed(words)] if len(words) > 1 or len(name) > 1 else []
    joined = re.search(r"(?:temp|deg|grad|temperature|temperatur)_?([cfk])$", "".join(words))
    found = [*in_brackets, *last, joined[1].upper() if joined and role == "temperature" else None]
    return next((unit for unit in found if unit in fits), None)


@cache
def rank(name: str, role: str) -> int:
    """Return how well a name fits a role: 3 for a whole name, 2 for that of the first word, 1 for a stem, else 0."""
    words = plain_words(re.sub(r"[(\[{][^)\]}]*[)\]}]", " ", name)) or plain_words(name)
    if "±" in name or "+/-" in name:
        return 3 * (role == "position_err")
    known = _names(role)
    bare = [word for word in words if _UNIT_OF.get(word) not in UNITS_OF.get(role, ()) or word in known]
    whole = "".join(bare)
    if whole in known or "".join(words) in known:
        return 3
    if is_other(name) and role not in ("sensor", "value"):
        return 0
    for other, stems in _STEMS.items():
        if any(word.startswith(stems) for word in words) or (
            other in ("temperature", "position") and stems[0] in whole
        ):
            if other == role:
                return 2 if bare and bare[0] in known else 1
            if other in ("position_err", "filter") or (other == "temperature" and role == "position"):
                return 0
    return 1 if any(word in known for word in words if len(word) > 2) else 0


@cache
def _names(role: str) -> frozenset[str]:
    return frozenset(_NAMES.get(role, "").split())


def has(name: str, words: tuple[str, ...]) -> bool:
    """Return whether one of a name's words begins with one of ``words``; of two letters or fewer, is one."""
    return any(
        (word == other if len(other) < 3 else word.startswith(other)) for word in plain_words(name) for other in words
    )


def is_metric(names: list[str]) -> bool:
    """Return whether the names of a header are in a language of countries that measure in °C."""
    return any(word in _METRIC for name in names for word in plain_words(name))


def is_other(name: str) -> bool:
    """Return whether a name says that the column is none of those that are looked for."""
    return any(word.startswith(_OTHER) for word in plain_words(name))
