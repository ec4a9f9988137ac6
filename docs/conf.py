"""Settings of the documentation: `python scripts/setup_and_run.py docs` builds it with warnings as errors."""

from __future__ import annotations

import sys
from html import escape
from pathlib import Path
from typing import Any

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.application import Sphinx

sys.path.insert(0, str(Path(__file__).parents[1]))

from focuskit import __version__
from focuskit.core.palette import SCHEMES

project = "focuskit"
author = "The focuskit developers"
copyright = author  # noqa: A001 - the name that Sphinx asks for
release = version = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
exclude_patterns = ["_build"]
myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
# Docstrings put names of code into single backticks.
default_role = "literal"
autodoc_member_order = "bysource"
autodoc_typehints = "none"
autodoc_preserve_defaults = True
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_ivar = True
# Words of types, such as "shape (stars,)", are taken for names of code.
suppress_warnings = ["ref.python"]
html_theme = "alabaster"
html_title = f"focuskit {release}"
html_static_path = ["look.css"]
html_css_files = ["look.css"]
html_show_sourcelink = False
html_math_renderer = "mathml"
_COLOURS = SCHEMES["light"]
html_theme_options = {
    "description": "Best focus, its drift, and when to refocus",
    "fixed_sidebar": True,
    "page_width": "1180px",
    "sidebar_width": "230px",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "base_bg": _COLOURS["paper"],
    "base_text": _COLOURS["ink"],
    "body_text": _COLOURS["ink"],
    "gray_1": _COLOURS["quiet"],
    "link": _COLOURS["accent"],
    "link_hover": _COLOURS["failed"],
    "sidebar_header": _COLOURS["ink"],
    "sidebar_text": _COLOURS["quiet"],
    "sidebar_link": _COLOURS["accent"],
    "code_bg": _COLOURS["panel"],
    "pre_bg": _COLOURS["panel"],
    "show_powered_by": False,
}


# Formulas as MathML, which browsers draw by themselves: the pages need no network.
def _formula(self: Any, node: nodes.math) -> None:
    self.body.append(tex2mathml(node.astext()))
    raise nodes.SkipNode


def _formula_block(self: Any, node: nodes.math_block) -> None:
    self.body.append(f'<div class="formula" role="math" aria-label="{escape(node.astext())}">')
    self.body.append(tex2mathml(node.astext(), as_block=True))
    self.body.append("</div>")
    raise nodes.SkipNode


def setup(app: Sphinx) -> None:
    """Register the renderer of formulas."""
    app.add_html_math_renderer("mathml", inline_renderers=(_formula, None), block_renderers=(_formula_block, None))
