"""Colours and marks of all pictures and of the report: the one place that defines them.

Neighbours differ in lightness as well as in hue, and each colour has a mark of its own, so that
nothing hangs on colour alone.
"""

from __future__ import annotations

INK = "#2b2b2b"
GREY = "#8a8f98"
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
# Below, at and above the middle of what has a sign; the numbers are written beside them.
BELOW_AND_ABOVE = (COLOURS["amber"], "#ffffff", COLOURS["sky"])
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")

# A sign that goes with the word of each verdict.
VERDICT_SIGNS = {"good": "●", "usable": "◐", "failed": "✕"}

# The report's colours by their role. Text reaches 4.5 to 1 on paper and on panel, what must be seen in
# pictures 3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11). "red" is for eyes used to the dark.
SCHEMES = {
    "light": {
        "paper": "#faf8f3", "panel": "#ffffff", "line": "#ddd8cc", "ink": "#24272c", "quiet": "#5b616b",
        "accent": "#1f4e79", "good": "#1b6b62", "usable": "#875600", "failed": "#a63d2f",
        "band": "#f1e6cd", "second": "#a86a00", "third": "#1b7a6e", "fourth": "#8b4f98",
    },
    "dark": {
        "paper": "#11151a", "panel": "#181d24", "line": "#343c47", "ink": "#e7e4dc", "quiet": "#a4acb7",
        "accent": "#8cc2ec", "good": "#62c9ba", "usable": "#e5b153", "failed": "#f0968a",
        "band": "#333022", "second": "#e0a63f", "third": "#54bfb0", "fourth": "#c69bd8",
    },
    "red": {
        "paper": "#0b0000", "panel": "#130202", "line": "#4d1510", "ink": "#ff6f5b", "quiet": "#e05c46",
        "accent": "#ff8a76", "good": "#ff7c68", "usable": "#ff7c68", "failed": "#ff7c68",
        "band": "#310c08", "second": "#e85f49", "third": "#c94a38", "fourth": "#ff9a88",
    },
}  # fmt: skip


def mark_of(index: int) -> tuple[str, str]:
    """Return colour and marker of the ``index``-th thing in a picture."""
    colours = tuple(COLOURS.values())
    return colours[index % len(colours)], MARKERS[index % len(MARKERS)]
