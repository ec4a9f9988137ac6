"""Write the pages of the documentation that follow from the code.

    python scripts/make_docs.py [FOLDER]
    python scripts/make_docs.py --words-since COMMIT

Writes commands.md, flags.md, headers.md and wording.md into FOLDER, ``docs`` where it is not given. A test fails
when one of the first three is out of date. wording.md is not in git: the second form shows how it differs from that
of a commit.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import os
import re
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from focuskit.cli.parser import EXAMPLES, build_parser
from focuskit.core import flags, palette
from focuskit.frames import headers
from focuskit.frames import rig_file as rigfile
from focuskit.logbook import tables
from focuskit.show import night_tables
from focuskit.stars.catalogue import STAR_FLAGS

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "focuskit"
NOTE = "<!-- Written by scripts/make_docs.py: change the code, not this page. -->\n\n"
VERDICTS = {
    "good": "the best position is right to its error, and the error is smaller than the tolerance",
    "usable": "there is a best position, with a doubt that a flag names",
    "failed": "there is no best position, and a flag says why",
}
# One term for one thing. What stands behind it is said in no output and no page.
TERMS = {
    "best position": ("best focus position", "optimal position", "ideal position"),
    "focus run": ("autofocus", "focusing run", "focus sequence", "focus session"),
    "half-flux diameter, HFD": ("half flux diameter", "half-light diameter", "HFR"),
    "set aside (a frame or run, by focuskit)": ("rejected", "discarded", "thrown out"),
    "excluded (a run, by the user)": ("disabled", "blacklisted"),
    "steps (of the focuser)": ("ticks", "counts of the focuser"),
    "frame": ("subframe", "snapshot"),
    "filter offset": ("filter shift", "filter delta", "parfocality"),
    "steps per °C, drift": ("temperature coefficient", "thermal coefficient"),
    "rebuild": ("reassembly", "re-assembly"),
    "rig": ("equipment profile", "setup profile"),
    "rig file": ("config file", "configuration file", "settings file"),
    "logbook": ("journal", "run history"),
    "verdict": ("rating", "grade"),
    "way of refocusing": ("strategy", "schedule"),
    "tolerance (5 % in HFD)": ("depth of focus",),
    "critical focus zone": ("CFZ",),
    "error, one standard deviation": ("uncertainty", "standard error of", "one standard error", "std dev"),
    "off the curve (%)": ("size less curve", "relative residual"),
    "scatter of the seeing": ("seeing variation", "seeing noise"),
}


def commands_page() -> str:
    """Return the page of all commands with their options."""
    lines = [
        "# Commands\n",
        "Every command answers `--help` with what stands here. Exit status: 0 the work was done (also where some "
        "frames were unusable: they are listed), 1 nothing usable came of it (one line on stderr says why), 2 the "
        "command line was wrong, 130 you stopped it (Ctrl-C).\n",
    ]
    for path, parser in commands(build_parser()):
        lines += [f"## focuskit {' '.join(path)}\n", f"{parser.description}\n"]
        example = EXAMPLES.get(" ".join(path))
        if example:
            lines += ["```text", example, "```\n"]
        rows = [f"| {names(action)} | {cell(action.help)} |" for action in own_actions(parser)]
        if rows:
            lines += ["| | |", "|---|---|", *rows, ""]
    return NOTE + "\n".join(lines)


def commands(parser: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Yield the path and the parser of every command."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, child in action.choices.items():
                yield (*path, name), child
                yield from commands(child, (*path, name))


def own_actions(parser: Any) -> list[Any]:
    """Return the arguments and options of a command, but for its subcommands and its help."""
    beside = (argparse._SubParsersAction, argparse._HelpAction)
    return [action for action in parser._actions if not isinstance(action, beside)]


def names(action: Any) -> str:
    """Return what is typed for an argument or option."""
    value = action.metavar or (" ".join(action.choices) if action.choices else action.dest.upper())
    if not action.option_strings:
        return f"`{action.metavar or action.dest}`"
    return f"`{', '.join(action.option_strings)}{'' if action.nargs == 0 else f' {value}'}`"


def cell(text: object) -> str:
    """Return text fit for a cell of a Markdown table."""
    return str(text).replace("%%", "%").replace("|", "\\|")


def flags_page() -> str:
    """Return the page of all flags."""
    lines = [
        "# Flags\n",
        "A flag says what is doubtful or worth knowing about an answer, and what to do about it. The words are those "
        "of the terminal and of the report.\n",
    ]
    for name in flags.names():
        flag = flags.describe(name)
        lines += [f"## {name}\n", f"{flag.meaning}\n", f"*What to do:* {flag.advice}\n"]
    lines += [
        "## Flags of single stars\n",
        "In the table of stars, `flags` is the sum of the bits; 0 is a good star.\n",
    ]
    lines += ["| bit | name | meaning |", "|---|---|---|"]
    lines += [f"| {bit} | `{name}` | {meaning} |" for bit, name, meaning in STAR_FLAGS]
    return NOTE + "\n".join([*lines, ""])


def headers_page() -> str:
    """Return the page of FITS keywords."""
    lines = [
        "# FITS keywords that are read\n",
        "For each fact the keywords are asked in this order, and the first that holds a usable value counts. An empty "
        "text, a value that is no number, and a 0 where 0 means unknown (optics, pixel, exposure) are no values. "
        "`HIERARCH` keywords are written without that word.\n",
        "| fact | keywords |",
        "|---|---|",
    ]
    for fact, keywords in headers.ALIASES.items():
        lines.append(f"| {fact.replace('_', ' ')} | {', '.join(f'`{keyword}`' for keyword in keywords)} |")
    lines += [
        "",
        "- *temperature* is that of focuser or tube, else of the air. `CCD-TEMP` and its kin are the sensor's and "
        "never stand in.",
        "- *date* and *time of day* may stand in two keywords; a trailing `Z`, a space for the `T`, and `dd/mm/yy` are "
        "understood. A date alone is no time. `DATE-AVG`, `MJD-OBS` and `JD` stand in where there is none.",
        "- *pixel of image* is after binning, *pixel of sensor* before; where both are there, the sensor's decides.",
        "- *position*: what was measured comes before what was asked of the focuser.\n",
        "## Keywords of your own\n",
        "`--keyword FACT=KEYWORD`, or `[keywords]` in the [rig file](rig_file.md), for one of these facts:\n",
        ", ".join(f"`{fact}`" for fact in rigfile.FACTS) + ".",
    ]
    return NOTE + "\n".join([*lines, ""])


def wording_page() -> str:
    """Return all words that a user meets, in one page."""
    lines = [
        "# All words in one place\n",
        "Every command, option, flag, state, column, label and sentence: the wording as a whole, to be judged.\n",
        "## One term for one thing\n",
        "| term | and never |",
        "|---|---|",
        *(f"| {term} | {', '.join(others)} |" for term, others in TERMS.items()),
        "\n## Commands and options\n",
    ]
    options: dict[str, set[str]] = {}
    for path, parser in commands(build_parser()):
        lines.append(f"- `{' '.join(path)}`: {parser.description}")
        for action in own_actions(parser):
            options.setdefault(f"{names(action)}: {cell(action.help)}", set()).add(" ".join(path))
    lines += ["", *(f"- {what} ({', '.join(sorted(where))})" for what, where in sorted(options.items()))]
    lines += ["\n## Flags\n"]
    lines += [f"- `{n}`: {flags.describe(n).meaning} {flags.describe(n).advice}" for n in flags.names()]
    lines += ["\n## States\n", "Verdicts:\n"]
    lines += [f"- {palette.VERDICT_SIGNS[name]} `{name}`: {meaning}" for name, meaning in VERDICTS.items()]
    lines += ["\nStars:\n", *(f"- `{name}`: {meaning}" for _, name, meaning in STAR_FLAGS)]
    lines += ["\n## Columns\n", "Runs (CSV): " + ", ".join(f"`{name}`" for name in tables.COLUMNS) + "."]
    for title, columns in (("Runs", night_tables._RUN_COLUMNS), ("Frames", night_tables._POINT_COLUMNS)):
        lines += [f"\n{title} (ECSV):\n", *(f"- `{name}`: {what}" for name, _, what in columns)]
    lines += ["\n## The report\n"]
    for page in sorted(PACKAGE.rglob("*.html")):
        lines += [f"- {line}" for line in page_words(page.read_text(encoding="utf-8"))]
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.name == "table_words.py":
            continue  # what other people call their columns
        found = sentences(ast.parse(path.read_text(encoding="utf-8")))
        name = path.relative_to(PACKAGE).as_posix()
        if found and name not in ("core/flags.py", "cli/parser.py"):
            lines += [f"\n## Words in {name}\n", *(f"- {line}" for line in found)]
    return NOTE + "\n".join([*lines, ""])


class _Words(HTMLParser):
    """Collects the text and the spoken attributes of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self._quiet = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._quiet += tag in ("style", "script")
        self.found += [
            value for name, value in attrs if name in ("aria-label", "title", "alt", "placeholder") and value
        ]

    def handle_endtag(self, tag: str) -> None:
        self._quiet -= tag in ("style", "script")

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.found.append(data)


def page_words(source: str) -> list[str]:
    """Return what a template says, each thing once; … stands for what is filled in."""
    # Words within expressions of the template count too.
    code = re.findall(r"(?s)\{[{%](.*?)[%}]\}", source)
    within = [text for one in code for text in re.findall(r"'([^'\[\]|<>=]*[a-z]{2} [^'\[\]|<>=]*)'", one)]
    parser = _Words()
    parser.feed(
        re.sub(r"\{%.*?%\}|\{#.*?#\}", " ", re.sub(r"\{\{.*?\}\}", "…", source, flags=re.DOTALL), flags=re.DOTALL)
    )
    words = (" ".join(text.split()) for text in [*parser.found, *within])
    return list(dict.fromkeys(cell(text).replace("<", "\\<") for text in words if re.search(r"[A-Za-z]{2}", text)))


# Two words at least; but no SQL, no pattern, no keyword of a header, no place in a picture.
_SAYS = re.compile(r"[A-Za-z]{2,}[,;:.]? [(]?[A-Za-z±…]")
_FOR_MACHINES = re.compile(
    r"[{}\\]|^[<.#]|\b(SELECT|INSERT|UPDATE|CREATE|PRAGMA|BEGIN|WHERE)\b|^ESO |^(upper|lower|offset|deep) \w+$"
)


def sentences(tree: ast.Module) -> list[str]:
    """Return the texts of a module that are made for people, each once; … stands for what is filled in."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    parts = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in ast.walk(node)}
    found: dict[str, None] = {}
    for node in sorted(ast.walk(tree), key=lambda one: (getattr(one, "lineno", 0), getattr(one, "col_offset", 0))):
        text = ""
        if isinstance(node, ast.JoinedStr):
            text = "".join(str(v.value) if isinstance(v, ast.Constant) else "…" for v in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings | parts:
            text = node.value
        text = " ".join(text.split())
        if _SAYS.search(text) and not _FOR_MACHINES.search(text):
            found[cell(text).replace("<", "\\<").replace("*", "\\*").replace("_", "\\_")] = None
    return list(found)


PAGES = {"commands.md": commands_page, "flags.md": flags_page, "headers.md": headers_page}
BUILT = {**PAGES, "wording.md": wording_page}


def words_of(commit: str) -> str:
    """Return wording.md as the code of a commit writes it."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        packed = place / "commit.tar"
        subprocess.run(["git", "archive", "-o", packed, commit], cwd=ROOT, check=True)
        with tarfile.open(packed) as tar:
            tar.extractall(place, filter="data")
        command = [sys.executable, place / "scripts" / "make_docs.py", place]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": folder})
        return (place / "wording.md").read_text(encoding="utf-8")


def main() -> None:
    """Write all pages, or show how the words have changed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=ROOT / "docs")
    parser.add_argument("--words-since", metavar="COMMIT")
    args = parser.parse_args()
    if args.words_since:
        before, now = words_of(args.words_since).splitlines(), wording_page().splitlines()
        print("\n".join(difflib.unified_diff(before, now, args.words_since, "now", n=0, lineterm="")))
        return
    for name, page in BUILT.items():
        (args.folder / name).write_text(page(), encoding="utf-8", newline="\n")
    print(f"{', '.join(BUILT)} written into {args.folder}")


if __name__ == "__main__":
    main()
