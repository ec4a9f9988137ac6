"""focuskit: best focus from focus frames, its drift with temperature, and when to refocus."""

__version__ = "0.1.0"
