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

_SERIES = {f"series-{i}": colour for i, colour in enumerate(COLOURS.values())}

# Colours by their role. Text reaches 4.5 to 1 on paper and on panel, what must be seen in
# pictures 3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11). "red" is for eyes used to the dark.
SCHEMES = {
    "light": {
        "paper": "#faf8f3", "panel": "#ffffff", "line": "#ddd8cc", "ink": "#24272c", "quiet": "#5b616b",
        "accent": "#1f4e79", "good": "#1b6b62", "usable": "#875600", "failed": "#a63d2f",
        "band": "#f1e6cd", "second": "#a86a00", "third": "#1b7a6e", "fourth": "#8b4f98", "about": "#8b4f9873",
        **_SERIES,
    },
    "dark": {
        "paper": "#11151a", "panel": "#181d24", "line": "#343c47", "ink": "#e7e4dc", "quiet": "#a4acb7",
        "accent": "#8cc2ec", "good": "#62c9ba", "usable": "#e5b153", "failed": "#f0968a",
        "band": "#333022", "second": "#e0a63f", "third": "#54bfb0", "fourth": "#c69bd8", "about": "#c69bd873",
        **_SERIES,
    },
    "red": {
        "paper": "#0b0000", "panel": "#130202", "line": "#4d1510", "ink": "#ff6f5b", "quiet": "#e05c46",
        "accent": "#ff8a76", "good": "#ff7c68", "usable": "#ff7c68", "failed": "#ff7c68",
        "band": "#310c08", "second": "#e85f49", "third": "#c94a38", "fourth": "#ff9a88", "about": "#ff9a8873",
        **dict.fromkeys(_SERIES, "#130202"),
    },
    # For a notebook, whose ground may be white or nearly black: 3 to 1 on both.
    "any": {
        "paper": "none", "panel": "none", "line": "#88888866", "ink": "currentColor", "quiet": "currentColor",
        "accent": "#3f86c0", "good": "#2a8f83", "usable": "#b07a10", "failed": "#d0503e",
        "band": "#d8bd8a55", "second": "#b87d0a", "third": "#2a9082", "fourth": "#a868b6", "about": "#a868b673",
        **_SERIES,
    },
}  # fmt: skip
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
