"""Colours, lines and marks of all pictures and of the report: the one place that defines them.

Neighbours differ in lightness as well as in hue, and each colour has a mark of its own, so that
nothing hangs on colour alone. Pictures name a colour by its role; the scheme says what it is.
"""

from __future__ import annotations

from typing import NamedTuple

COLOURS = {
    "deep blue": "#1f4e79",
    "amber": "#d98e04",
    "teal": "#2a9d8f",
    "brick": "#a63d2f",
    "sky": "#6fb1e0",
    "plum": "#9c5fa8",
    "olive": "#8a9a2b",
    "sand": "#d8bd8a",
}
# Of matplotlib's signs, for its pictures know them too; "x" is for what is set aside.
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")

# A sign that goes with the word of each verdict.
VERDICT_SIGNS = {"good": "●", "usable": "◐", "failed": "✕"}

# Colours by their role, in each of `_SCHEME_NAMES`. Text reaches 4.5 to 1 on paper and on panel, what must be seen in
# pictures 3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11). "red" is for eyes used to the dark; "any" is for a
# notebook, whose ground may be white or nearly black: 3 to 1 on both.
_SCHEME_NAMES = ("light", "dark", "red", "any")
_ROLES = {
    "paper":   ("#faf8f3",   "#11151a",   "#0b0000",   "none"),
    "panel":   ("#ffffff",   "#181d24",   "#130202",   "none"),
    "line":    ("#ddd8cc",   "#343c47",   "#4d1510",   "#88888866"),
    "ink":     ("#24272c",   "#e7e4dc",   "#ff6f5b",   "currentColor"),
    "quiet":   ("#5b616b",   "#a4acb7",   "#e05c46",   "currentColor"),
    "accent":  ("#1f4e79",   "#8cc2ec",   "#ff8a76",   "#3f86c0"),
    "good":    ("#1b6b62",   "#62c9ba",   "#ff7c68",   "#2a8f83"),
    "usable":  ("#875600",   "#e5b153",   "#ff7c68",   "#b07a10"),
    "failed":  ("#a63d2f",   "#f0968a",   "#ff7c68",   "#d0503e"),
    "band":    ("#f1e6cd",   "#333022",   "#310c08",   "#d8bd8a55"),
    "second":  ("#a86a00",   "#e0a63f",   "#e85f49",   "#b87d0a"),
    "third":   ("#1b7a6e",   "#54bfb0",   "#c94a38",   "#2a9082"),
    "fourth":  ("#8b4f98",   "#c69bd8",   "#ff9a88",   "#a868b6"),
    "about":   ("#8b4f9873", "#c69bd873", "#ff9a8873", "#a868b673"),
    **{f"series-{i}": (colour, colour, "#130202", colour) for i, colour in enumerate(COLOURS.values())},
}  # fmt: skip
SCHEMES = {name: {role: row[k] for role, row in _ROLES.items()} for k, name in enumerate(_SCHEME_NAMES)}
PAGE_SCHEMES = ("light", "dark", "red")


class Stroke(NamedTuple):
    """How a line is drawn: the role of its colour, its width, and lengths of dash and gap; in px."""

    colour: str
    width: float
    dash: tuple[float, ...] = ()


STROKES = {
    "main": Stroke("accent", 2.0),
    "second": Stroke("second", 1.6, (7.0, 4.0)),
    "third": Stroke("third", 1.8, (1.5, 4.0)),
    "fourth": Stroke("fourth", 1.6, (9.0, 3.0, 2.0, 3.0)),
    "fifth": Stroke("second", 1.6),
    "sixth": Stroke("third", 1.6),
    "seventh": Stroke("fourth", 1.6, (3.0, 3.0)),
    "eighth": Stroke("accent", 1.6, (7.0, 4.0)),
    "best": Stroke("fourth", 1.4),
    "advice": Stroke("failed", 1.4, (7.0, 4.0)),
    "quiet": Stroke("quiet", 1.4),
}
