"""The house is as it is drawn: rooms in their order, arrows between them, faces, and nothing too long.

Every rule is read from the syntax tree of every file, for every form of import. `faults` lists all that is wrong at
once; small trees made for the purpose show that each rule can fail.
"""

import ast
import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
HOUSE = ROOT / "focuskit"
DRAWING = ROOT / "DEVELOPERS.md"
# Its modules are imported by name, for they are words and numbers for all.
GROUND = "core"
# Names of a face. The command line has one, for nothing builds on it.
FEWEST, MOST = 5, 15
NO_COUNT = (GROUND, "cli")
MOST_LINES = 400
MOST_LINES_OF_A_FUNCTION = 60


@dataclass(frozen=True)
class Import:
    """One name that a file imports: from which module, and where it says so. Without a name it is the module."""

    file: Path
    line: int
    module: str
    name: str | None


def imports_of(file, house):
    """Yield every import of the package in a file: absolute, relative, in a function or for type checkers only."""
    package = [house.name, *file.relative_to(house).parent.parts]
    for node in ast.walk(tree_of(file)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(file, node.lineno, alias.name, None)
        elif isinstance(node, ast.ImportFrom):
            above = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*above, *filter(None, [node.module])])
            for alias in node.names:
                yield Import(file, node.lineno, module, alias.name)
        elif isinstance(node, ast.Call) and called(node) in ("import_module", "__import__") and node.args:
            words = literal(node.args[0])
            if words.startswith("."):
                words = ".".join(package) + words
            yield Import(file, node.lineno, words.rstrip("."), None)


def called(node):
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def literal(node):
    """Return a text as far as it is written out: an f-string up to its first value."""
    if isinstance(node, ast.JoinedStr) and node.values:
        return literal(node.values[0])
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


@cache
def tree_of(file):
    return ast.parse(file.read_text(encoding="utf-8"))


def face_of(room, house):
    """Return the names in `__all__` of a room."""
    for node in tree_of(house / room / "__init__.py").body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def rooms_of(house):
    return [path.parent.name for path in sorted(house.glob("*/__init__.py"))]


def room_of(file, house):
    """Return the room of a file; None for the front door, which is above all rooms."""
    parts = file.relative_to(house).parts
    return parts[0] if len(parts) > 1 else None


def files_of(house):
    return sorted(file for kind in ("*.py", "*.pyi") for file in house.rglob(kind))


def arrows_of(house):
    """Return which room imports from which, as pairs."""
    rooms, found = rooms_of(house), set()
    for file in files_of(house):
        mine = room_of(file, house)
        for one in imports_of(file, house):
            other = room_imported(one, rooms, house)
            if mine and other and other != mine:
                found.add((mine, other))
    return found


def room_imported(one, rooms, house):
    parts = [*one.module.split("."), one.name]
    return parts[1] if parts[0] == house.name and len(parts) > 1 and parts[1] in rooms else None


def wrong_imports(house):
    """Yield what imports past a face, or a name that the face does not show."""
    rooms = rooms_of(house)
    for file in files_of(house):
        mine = room_of(file, house)
        for one in imports_of(file, house):
            parts = one.module.split(".")
            other = room_imported(one, rooms, house)
            where = f"{file.relative_to(house)}:{one.line}"
            if parts[0] != house.name:
                continue
            if other is None:
                if mine and one.name != "__version__":
                    yield f"{where}: a room imports {one.name or one.module} from the front door"
            elif other == mine:
                if one.module == f"{house.name}.{mine}" and one.name in face_of(mine, house):
                    yield f"{where}: imports {one.name} from the face of its own room"
            elif other != GROUND and one.name not in face_of(other, house):
                what = f"{one.module}.{one.name}" if one.name else one.module
                yield f"{where}: {what} is not on the face of {other}"
            elif other != GROUND and len(parts) > 2:
                yield f"{where}: reaches past the face of {other} into {one.module}"


def wrong_arrows(house, order, allowed):
    """Yield arrows that are not allowed, that run back, or that nothing needs."""
    drawn = set(allowed)
    found = arrows_of(house)
    for mine, other in sorted(found - drawn):
        yield f"{mine} imports from {other}, which the drawing does not allow"
    for mine, other in sorted(drawn - found):
        yield f"the drawing lets {mine} import from {other}, and it does not"
    for mine, other in sorted(drawn):
        if mine in order and other in order and order.index(other) >= order.index(mine):
            yield f"{mine} imports from {other}, which comes later"
    for room in sorted({*order} ^ {*rooms_of(house)}):
        yield f"{room} is not both on the drawing and in the house"


def wrong_sizes(house):
    """Yield faces of too few or too many names, files and functions that are too long."""
    for room in rooms_of(house):
        count = len(face_of(room, house))
        if room not in NO_COUNT and not FEWEST <= count <= MOST:
            yield f"the face of {room} has {count} names, not {FEWEST} to {MOST}"
    for file in files_of(house):
        lines = file.read_text(encoding="utf-8").splitlines()
        where = file.relative_to(house)
        if len(lines) > MOST_LINES:
            yield f"{where} has {len(lines)} lines, more than {MOST_LINES}"
        for node in ast.walk(tree_of(file)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = min([node.lineno, *(d.lineno for d in node.decorator_list)])
                length = node.end_lineno - node.lineno + 1 - len_of_docstring(node)
                if length > MOST_LINES_OF_A_FUNCTION and not lines[first - 2].strip().startswith("#"):
                    yield f"{where}:{node.lineno}: {node.name} has {length} lines and no comment above it that says why"


def len_of_docstring(node):
    """Return the lines of a docstring: parameters and errors written out do not make a function hard to read."""
    return node.body[0].end_lineno - node.body[0].lineno + 1 if ast.get_docstring(node) else 0


def table_of_rooms(text):
    """Return the rooms in their order and the arrows of the table in DEVELOPERS.md."""
    rows = re.findall(r"^\| `(\w+)` \|([^|]*)\|", text, re.MULTILINE)
    return [room for room, _ in rows], {
        (room, other) for room, words in rows for other in re.findall(r"`(\w+)`", words)
    }


def drawn_arrows(text):
    """Return the arrows of the picture, as (room, room that it takes from)."""
    (picture,) = re.findall(r"^```mermaid\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    arrows = set()
    for line in picture.splitlines():
        names = re.split(r"\s+-->\s+", re.sub(r"\[.*?\]", "", line.strip()))
        groups = [group.split(" & ") for group in names]
        arrows |= {(b, a) for one, two in pairwise(groups) for a in one for b in two}
    return arrows


def without_detours(arrows):
    """Return the arrows that do not follow from others: what a picture need show."""

    def reach(room, skipped):
        found, todo = set(), [room]
        while todo:
            new = {b for a, b in arrows if a in todo and (a, b) != skipped} - found
            found |= new
            todo = list(new)
        return found

    return {arrow for arrow in arrows if arrow[1] not in reach(arrow[0], arrow)}


def test_the_house_is_as_it_is_drawn():
    order, allowed = table_of_rooms(DRAWING.read_text(encoding="utf-8"))
    faults = [*wrong_arrows(HOUSE, order, allowed), *wrong_imports(HOUSE), *wrong_sizes(HOUSE)]
    assert not faults, "\n".join(faults)


def test_the_picture_is_the_table_without_arrows_that_follow_from_others():
    text = DRAWING.read_text(encoding="utf-8")
    _, allowed = table_of_rooms(text)
    assert drawn_arrows(text) == without_detours(allowed)


# That each rule can fail ------------------------------------------------------------------------


@pytest.fixture
def small_house(tmp_path):
    """Return a function that makes a house of three rooms, with what is given beside it, and the list of its faults."""
    files = {
        "__init__.py": "",
        "core/__init__.py": "",
        "core/words.py": "def f(): pass",
        "low/__init__.py": "from house.low.deep import a, b, c, d, e\n__all__ = ['a', 'b', 'c', 'd', 'e']",
        "low/deep.py": "from house.core.words import f\na = b = c = d = e = hidden = f",
        "high/__init__.py": "from house.high.top import p, q, r, s, t\n__all__ = ['p', 'q', 'r', 's', 't']",
        "high/top.py": "from house.low import a\np = q = r = s = t = a",
    }

    def faults(changes):
        house = tmp_path / "house"
        for name, text in (files | changes).items():
            (house / name).parent.mkdir(parents=True, exist_ok=True)
            (house / name).write_text(text, encoding="utf-8")
        order, allowed = ["core", "low", "high"], {("low", "core"), ("high", "low")}
        return [*wrong_arrows(house, order, allowed), *wrong_imports(house), *wrong_sizes(house)]

    return faults


def test_a_house_in_order_has_no_faults(small_house):
    assert small_house({}) == []


@pytest.mark.parametrize(
    "line",
    [
        "import house.high.top",
        "import house.high as h",
        "from house import high",
        "from house.high import p",
        "from .. import high",
        "from ..high import p",
        "def f():\n    from house.high import p",
        "if TYPE_CHECKING:\n    from house.high import p",
        "import_module('house.high')",
        "importlib.import_module(f'house.high.{x}')",
        "__import__('house.high')",
    ],
)
def test_an_import_of_a_later_room_is_seen_in_every_form(small_house, line):
    assert "low imports from high, which the drawing does not allow" in small_house({"low/more.py": line})


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"high/more.py": "from house.low.deep import a"}, "past the face of low"),
        ({"high/more.py": "from house.low import hidden"}, "not on the face of low"),
        ({"high/more.py": "from house.low import deep"}, "not on the face of low"),
        ({"high/more.py": "from ..low.deep import hidden"}, "not on the face of low"),
        ({"high/more.py": "from house.high import p"}, "face of its own room"),
        ({"high/more.py": "from house import Thing"}, "imports Thing from the front door"),
        ({"__init__.pyi": "from .low.deep import a as a"}, "past the face of low"),
        ({"high/top.py": "p = q = r = s = t = 1"}, "lets high import from low, and it does not"),
        (
            {"attic/__init__.py": "__all__ = ['a', 'b', 'c', 'd', 'e']"},
            "attic is not both on the drawing",
        ),
        ({"low/__init__.py": "from house.low.deep import a\n__all__ = ['a']"}, "face of low has 1 names"),
        ({"low/__init__.py": f"__all__ = {[f'n{k}' for k in range(16)] + ['a']}"}, "face of low has 17 names"),
        ({"low/more.py": "x = 1\n" * 401}, "401 lines"),
        ({"low/more.py": "def f():\n" + "    x = 1\n" * 60}, "f has 61 lines"),
        ({"low/more.py": "\n@cache\ndef f():\n" + "    x = 1\n" * 60}, "f has 61 lines"),
    ],
)
def test_every_rule_can_fail(small_house, changes, fault):
    faults = small_house(changes)
    assert any(fault in one for one in faults), faults


def test_a_reason_lets_a_function_be_long(small_house):
    assert small_house({"low/more.py": "# One table.\n@cache\ndef f():\n" + "    x = 1\n" * 60}) == []
