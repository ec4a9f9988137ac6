"""The one table of filters: wavelength, whether narrowband, order and usual exposures, under any common spelling."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from itertools import combinations

from focuskit.core.optics import DEFAULT_WAVELENGTH_NM


@dataclass(frozen=True)
class FilterKind:
    """What is usual for a kind of filter.

    Parameters
    ----------
    name : str or None
        Short name; None for a filter that is not known, which is taken as broadband at 550 nm.
    wavelength_nm : float
        Effective wavelength.
    narrowband : bool
    order : int
        Place in lists of filters: unknown ones come last.
    """

    name: str | None = None
    wavelength_nm: float = DEFAULT_WAVELENGTH_NM
    narrowband: bool = False
    order: int = 99

    def seen_by(self, colour: str | None) -> float:
        """Return the effective wavelength on pixels of a colour, ``R``, ``G`` or ``B``; None on a camera without.

        Behind a filter that lets all colours through it is that of the colour.
        """
        if colour is None or self.narrowband or self.wavelength_nm != DEFAULT_WAVELENGTH_NM:
            return self.wavelength_nm
        return _BY_NAME[colour.lower()].wavelength_nm

    @property
    def focus_exposure_s(self) -> float:
        """Usual exposure of a frame of a focus run (common practice, no source)."""
        return 40.0 if self.narrowband else 2.0

    @property
    def sub_s(self) -> float:
        """Usual exposure of a light frame (common practice, no source)."""
        return 300.0 if self.narrowband else 120.0


_UNKNOWN = FilterKind()

# Lines in air: H-alpha, H-beta, [O III], [N II] as in the NIST Atomic Spectra Database (656.28, 486.13,
# 500.68, 658.35 nm), [S II] as the mean of its doublet there (671.64 and 673.08 nm). Broad bands: the
# middle of the customary pass bands (common practice, no source).
_KINDS = (
    (FilterKind("L", 550.0, False, 0), "l lum luminance clear"),
    (FilterKind("R", 640.0, False, 1), "r red"),
    (FilterKind("G", 535.0, False, 2), "g green"),
    (FilterKind("B", 455.0, False, 3), "b blue"),
    (FilterKind("Ha", 656.3, True, 4), "h ha halpha hydrogenalpha"),
    (FilterKind("OIII", 500.7, True, 5), "o o3 oiii oxygen oxygeniii oxygen3"),
    (FilterKind("SII", 672.4, True, 6), "s s2 sii sulfur sulfurii sulfur2 sulphur sulphurii sulphur2"),
    (FilterKind("Hb", 486.1, True, 7), "hb hbeta hydrogenbeta"),
    (FilterKind("NII", 658.4, True, 8), "n2 nii nitrogen nitrogenii nitrogen2"),
)
_BY_NAME = {alias: kind for kind, aliases in _KINDS for alias in aliases.split()}
_GREEK = str.maketrans({"α": "alpha", "β": "beta"})
# A band width or a wavelength: "7nm", "3.5 nm", "65 Å", "6563".
_WIDTH = re.compile(r"(\d+(?:[.,]\d+)?)[\s_-]*(?:nm|å|angstroms?)(?![a-z])|(?<!\d)\d{3,4}(?![\d])")
# Names of at least so many letters are compared for typing errors: shorter ones are all alike.
_LONG_ENOUGH = 3
_ALIKE = 0.75  # of difflib's ratio: one letter of four may be wrong. Chosen: a remark costs a line.


def spelling(name: str) -> str:
    """Return a name without case, blanks, hyphens, brackets and Greek letters: ``H-α`` is ``halpha``."""
    return "".join(c for c in unicodedata.normalize("NFKC", name).casefold().translate(_GREEK) if c.isalnum())


def _without_width(name: str) -> tuple[str, str | None]:
    """Return a name without its band width, and the width as written."""
    plain = unicodedata.normalize("NFKC", name).casefold()
    width = _WIDTH.search(plain)
    return _WIDTH.sub(" ", plain), width[1] if width else None


def usual_filter(name: str | None) -> FilterKind:
    """Return what is usual for a filter by its name, as people write it.

    The whole name is looked up without its band width, then its words: ``My Ha 7nm`` is H-alpha, but a name
    with two known words (``Ha OIII``) is none of them.
    """
    bare, _ = _without_width(name or "")
    whole = _BY_NAME.get(spelling(bare))
    if whole is not None:
        return whole
    words = [spelling(word) for word in re.split(r"[\s_\-+/]+", bare)]
    found = {_BY_NAME[word] for word in words if word in _BY_NAME and len(word) > 1}
    return found.pop() if len(found) == 1 else _UNKNOWN


@dataclass(frozen=True)
class OwnFilter:
    """A filter as the rig file describes it; what it does not say is None."""

    wavelength_nm: float | None = None
    narrowband: bool | None = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True)
class FilterTable:
    """Filters by name: the rig file's word first, then what is usual.

    Parameters
    ----------
    own : mapping of name to OwnFilter
    """

    own: Mapping[str, OwnFilter] = field(default_factory=dict)

    def name(self, written: str | None) -> str | None:
        """Return the rig's own name of a filter for the one that a header writes."""
        if written is None or written in self.own:
            return written
        wanted = spelling(written)
        for name, entry in self.own.items():
            if any(wanted == spelling(other) for other in (name, *entry.also)):
                return name
        return written

    def kind(self, name: str | None) -> FilterKind:
        """Return what is known of a filter."""
        usual = usual_filter(name)
        entry = self.own.get(self.name(name) or "")
        if entry is None:
            return usual
        return replace(
            usual,
            wavelength_nm=entry.wavelength_nm or usual.wavelength_nm,
            narrowband=usual.narrowband if entry.narrowband is None else entry.narrowband,
        )

    def joined(self, names: Iterable[str | None]) -> FilterTable:
        """Return this table with the spellings of one filter among ``names`` joined under the most frequent one.

        A name that fits two filters which differ, as ``Ha`` beside ``Ha 3nm`` and ``Ha 7nm``, stays by itself.
        """
        counted = Counter(mine for name in names if (mine := self.name(name)))
        ordered = sorted({*counted, *self.own}, key=lambda name: (name not in self.own, -counted[name], name))
        like = {a: {b for b in ordered if b != a and self._may_be_one(a, b)} for a in ordered}
        own = dict(self.own)
        taken: set[str] = set()
        for name in ordered:
            group = like[name]
            if name in taken or not group or any(like[one] | {one} != group | {name} for one in group):
                continue
            taken |= group
            entry = own.get(name, OwnFilter())
            own[name] = replace(entry, also=(*entry.also, *sorted(group)))
        return FilterTable(own)

    def _may_be_one(self, a: str, b: str) -> bool:
        return not (a in self.own and b in self.own) and _alike(a, b)

    def remarks(self, names: Iterable[str | None]) -> list[str]:
        """Return a line for every name that looks like another or like a typing error.

        Names that the rig file writes itself are left alone: it says that they are different filters.
        """
        seen = sorted({name for name in names if name})
        lines = [
            f"'{a}' and '{b}' look like one filter: if so, join them in the rig file with also = [...]"
            for a, b in combinations(seen, 2)
            if self._may_be_one(a, b)
        ]
        for name in seen:
            word = spelling(name)
            if name in self.own or usual_filter(name).name is not None or len(word) < _LONG_ENOUGH:
                continue
            close = get_close_matches(word, [n for n in _BY_NAME if len(n) >= _LONG_ENOUGH], 1, _ALIKE)
            if close:
                lines.append(
                    f"filter '{name}' is not known and taken as broadband at {DEFAULT_WAVELENGTH_NM:g} nm: "
                    f"if it is {_BY_NAME[close[0]].name}, join them in the rig file with also = [...]"
                )
        return lines


def _alike(a: str, b: str) -> bool:
    """Return whether two names are spellings of one filter; two band widths are two filters."""
    (_, width_a), (_, width_b) = _without_width(a), _without_width(b)
    if spelling(a) == spelling(b):
        return True
    kind = usual_filter(a)
    return kind.name is not None and kind == usual_filter(b) and (None in (width_a, width_b) or width_a == width_b)


USUAL_FILTERS = FilterTable()
