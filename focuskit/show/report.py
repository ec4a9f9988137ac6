"""The report: one HTML file that needs nothing else, of a night, of the offsets, of the interval, or of all."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from focuskit import __version__
from focuskit.core.cache import Cache
from focuskit.core.errors import FocuskitError
from focuskit.core.palette import PAGE_SCHEMES, SCHEMES, VERDICT_SIGNS
from focuskit.core.svg import draw_mark, draw_svg
from focuskit.core.text import number, plain_text, round_pair, two_digits, write_whole
from focuskit.drift import Drift
from focuskit.night import Night
from focuskit.refocus import Interval
from focuskit.show.report_drift import drift_view
from focuskit.show.report_interval import interval_view
from focuskit.show.report_night import night_title, night_view

if TYPE_CHECKING:
    from jinja2 import Environment

Part = Night | Drift | Interval
_PAGE = files("focuskit.show") / "page"
KINDS = {"night": "Report of a night", "offsets": "Drift and filter offsets", "interval": "When to refocus"}


def render_report(parts: Part | Sequence[Part], cache: str | Path | None = None) -> str:
    """Return one self-contained HTML page on a night, a drift, an interval, or several of them.

    Of each kind the last one given counts. The frames of a night are read once more for the pictures of
    their stars; those that cannot be read are left out. In the folder ``cache``, if given, the pictures are kept.

    Raises
    ------
    FocuskitError
        If there is nothing to report.
    """
    from markupsafe import Markup

    given = [parts] if isinstance(parts, Night | Drift | Interval) else list(parts)
    night = next((part for part in reversed(given) if isinstance(part, Night)), None)
    drift = next((part for part in reversed(given) if isinstance(part, Drift)), None)
    interval = next((part for part in reversed(given) if isinstance(part, Interval)), None)
    if night is not None and not night.runs:
        raise FocuskitError("no focus run to report: give a folder that holds one")
    pictures = Cache(cache)
    views: dict[str, Any] = {
        "night": night_view(night, pictures) if night else None,
        "offsets": drift_view(drift) if drift else None,
        "interval": interval_view(interval) if interval else None,
    }
    pictures.tidy()
    shown = [name for name, view in views.items() if view]
    if not shown:
        raise FocuskitError("nothing to report: give a night, a drift or an interval")
    script = (_PAGE / "report.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        _environment()
        .get_template("report.html")
        .render(
            # Both are our own files; everything else is escaped, the words in pictures where they are drawn.
            style=Markup(_scheme_rules() + (_PAGE / "report.css").read_text(encoding="utf-8")),
            script=Markup(script),
            script_hash=digest,
            version=__version__,
            kind=KINDS[shown[0]] if len(shown) == 1 else "Focus report",
            shown=shown,
            title=_title(night, drift, interval),
            **views,
        )
    )


def write_report(parts: Part | Sequence[Part], path: str | Path, cache: str | Path | None = None) -> Path:
    """Write the report on a night, a drift, an interval, or several of them to an .html file; return its path.

    ``cache`` is a folder in which the pictures of stars are kept, as by `focuskit.analyse`.

    Raises
    ------
    FocuskitError
        If the name does not end in .html or .htm, so that no other file is overwritten by mistake, or
        if the file cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm"):
        raise FocuskitError(f"{path}: a report is an HTML file; give a name that ends in .html")
    return write_whole(path, render_report(parts, cache).encode("utf-8"))


def _environment() -> Environment:
    """Return the templates of the page, with what they call: numbers as text, pictures as SVG."""
    from jinja2 import DictLoader, Environment, StrictUndefined
    from markupsafe import Markup

    templates = [file for file in _PAGE.iterdir() if file.name.startswith("report") and file.name.endswith(".html")]
    environment = Environment(
        loader=DictLoader({file.name: file.read_text(encoding="utf-8") for file in templates}),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(plain=plain_text, num=number, two_digits=two_digits)
    environment.globals.update(
        signs=VERDICT_SIGNS,
        pair=round_pair,
        draw=lambda picture: Markup(draw_svg(picture)),
        mark=lambda look: Markup(draw_mark(**look)),
    )
    return environment


def _title(night: Night | None, drift: Drift | None, interval: Interval | None) -> str:
    if night:
        return night_title(night)
    if drift:
        return plain_text(drift.rig or "Unnamed rig")
    if interval is None:
        return ""
    what = "temperatures" if interval.behaviour.has_temperatures else "runs"
    return f"{len(interval.log.nights)} nights of {what}"


def _scheme_rules() -> str:
    """Return the colours of the palette as CSS."""

    def variables(scheme: str) -> str:
        return "".join(f"--{role}:{colour};" for role, colour in SCHEMES[scheme].items())

    return "\n".join([
        f":root{{{variables('light')}}}",
        f"@media(prefers-color-scheme:dark){{:root{{{variables('dark')}}}}}",
        *(f':root[data-scheme="{name}"]{{{variables(name)}}}' for name in PAGE_SCHEMES),
        f"@media print{{:root,:root[data-scheme]{{{variables('light')}}}}}",
        "",
    ])  # fmt: skip
