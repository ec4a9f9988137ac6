"""Colours and marks of all pictures.

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
    "plum": "#6b3f7c",
    "olive": "#8a9a2b",
    "sand": "#d8bd8a",
}
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")


def mark_of(index: int) -> tuple[str, str]:
    """Return colour and marker of the ``index``-th thing in a picture."""
    colours = tuple(COLOURS.values())
    return colours[index % len(colours)], MARKERS[index % len(MARKERS)]
