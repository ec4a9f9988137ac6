"""Change single lines of the mathematics, one at a time, and count how many of the changes the tests notice.

    python scripts/mutate.py --count 100 --seed 7              rooms of mathematics, all together
    python scripts/mutate.py --room drift --count 20 --seed 7  one room
    python scripts/mutate.py --count 100 --seed 7 --list       only print the changes

The changes are drawn from all places where an operator, a comparison, a number or a function could be another one.
Left out is what decides no result, only how it is looked for: lines whose comment begins with ``search:`` (where a
search begins, how many rounds, draws or points of a table it takes) and the arguments in `SEARCH` (how near a solver
goes).
Each is tried on a copy of the project with the tests that belong to the room, the quickest first, until one fails.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
# What decides numbers, and the tests that belong to it.
ROOMS = {
    "core": (
        ["core/statistics.py", "core/optics.py"],
        ["tests/core", "tests/field", "tests/diagnosis"],
    ),
    "stars": (["stars/*.py"], ["tests/stars"]),
    "curves": (["curves/*.py"], ["tests/curves"]),
    "waves": (["waves/*.py"], ["tests/waves", "tests/night"]),
    "field": (["field/*.py"], ["tests/field"]),
    "night": (["night/backlash.py", "night/verdict.py"], ["tests/night", "tests/diagnosis"]),
    "drift": (["drift/*.py"], ["tests/drift"]),
    "refocus": (["refocus/*.py"], ["tests/refocus", "tests/cli/test_cli_interval.py"]),
}
NEEDED = ("focuskit", "tests", "scripts", "sample_data", "docs", "pyproject.toml", "README.md", "CHANGELOG.md")
OPERATORS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
FUNCTIONS = {
    "min": "max", "max": "min", "mean": "median", "median": "mean", "sqrt": "square", "square": "sqrt",
    "minimum": "maximum", "maximum": "minimum", "sf": "cdf", "isf": "ppf", "ppf": "isf", "argmin": "argmax",
    "argmax": "argmin", "cos": "sin", "sin": "cos", "any": "all", "all": "any", "exp": "expm1", "var": "std",
}  # fmt: skip
# Numbers here are no mathematics: messages, types, places in a list, how a number is written.
PASSED_OVER = (ast.JoinedStr, ast.Raise, ast.Assert, ast.arg, ast.Slice, ast.Import, ast.ImportFrom)
SEARCH = {"options", "xtol", "rtol", "xatol", "fatol", "maxiter", "maxsize", "x0"}
SEARCHES = re.compile(r"#\s*search:")
WRITTEN = re.compile(r"_?(to_json|repr|html|text|words|describe|sentence|__repr__)")


@dataclass(frozen=True)
class Change:
    """One changed place: ``old`` on a line of a file becomes ``new``."""

    room: str
    file: str
    line: int
    column: int
    old: str
    new: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.old}  ->  {self.new}"


def others(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the ways in which one node could be another."""
    if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in OPERATORS:
        new = copy.deepcopy(node)
        new.op = OPERATORS[type(node.op)]()
        yield new
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in OPERATORS:
        new = copy.deepcopy(node)
        new.ops[0] = OPERATORS[type(node.ops[0])]()
        yield new
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield node.operand
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        value = node.value
        yield ast.Constant(value + 1 if isinstance(value, int) else value * 1.6 if value else 1.0)
    elif isinstance(node, ast.Call):
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name in FUNCTIONS:
            new = copy.deepcopy(node)
            setattr(new.func, "attr" if isinstance(new.func, ast.Attribute) else "id", FUNCTIONS[name])
            yield new


def places(node: ast.AST) -> Iterator[ast.AST]:
    """Yield the nodes below one that are mathematics."""
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "slice"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.keyword) and child.arg in SEARCH:
                continue
            named = isinstance(child, ast.FunctionDef) and WRITTEN.match(child.name)
            if isinstance(child, ast.AST) and not isinstance(child, PASSED_OVER) and not named:
                yield child
                yield from places(child)


def changes_of(room: str) -> list[Change]:
    """Return all changes that could be made to a room, in the order of its lines."""
    out = []
    for pattern in ROOMS[room][0]:
        for path in sorted((ROOT / "focuskit").glob(pattern)):
            source = path.read_text(encoding="utf-8")
            lines = source.split("\n")
            for node in places(ast.parse(source)):
                inside = getattr(node, "lineno", 0) and node.lineno == node.end_lineno
                if inside and not SEARCHES.search(lines[node.lineno - 1]):
                    raw = lines[node.lineno - 1].encode()[node.col_offset : node.end_col_offset].decode()
                    for new in others(node):
                        text = ast.unparse(new)
                        # Brackets keep the order of reckoning where the operator has another rank.
                        text = f"({text})" if isinstance(new, ast.BinOp | ast.BoolOp | ast.Compare) else text
                        name = path.relative_to(ROOT).as_posix()
                        out.append(Change(room, name, node.lineno, node.col_offset, raw, text))
    return sorted(out, key=lambda c: (c.file, c.line, c.column, c.new))


def run_tests(tree: Path, tests: list[str], seconds: float, *options: str) -> tuple[int, str]:
    """Run tests on a copy of the project; return the exit status (-1: took too long) and what was printed."""
    (tree / "chosen.txt").write_text("\n".join(tests), encoding="utf-8")
    pytest = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
    try:
        done = subprocess.run(
            [*pytest, *options, "@chosen.txt"],
            cwd=tree,
            env=environment(tree),
            capture_output=True,
            text=True,
            timeout=seconds,
        )
    except subprocess.TimeoutExpired:
        return -1, ""
    return done.returncode, done.stdout


def environment(tree: Path) -> dict[str, str]:
    """Return the variables with which Python takes focuskit from a copy, and keeps to one thread."""
    return os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1"}


def quickest_first(tree: Path, tests: list[str]) -> tuple[list[str], float]:
    """Return the tests of an unchanged room by the time they take, and how long all take; they must pass."""
    begin = time.monotonic()
    status, printed = run_tests(tree, tests, 3600.0, "--durations=0", "--durations-min=0")
    if status:
        sys.exit(f"the tests fail without any change:\n{printed[-2000:]}")
    cost: dict[str, float] = {}
    for seconds, name in re.findall(r"^([\d.]+)s (?:call|setup|teardown) +(\S.*)$", printed, re.M):
        cost[name] = cost.get(name, 0.0) + float(seconds)
    return sorted(cost, key=lambda name: (cost[name], name)), time.monotonic() - begin


def copy_project(to: Path) -> None:
    """Copy what the tests need."""
    for name in NEEDED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, to / name, ignore=shutil.ignore_patterns("__pycache__", "_build"))
        elif source.exists():
            shutil.copy(source, to / name)


def try_change(change: Change, tests: list[str], seconds: float) -> str | None:
    """Return the first test that notices a change, or None if none does."""
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        copy_project(tree)
        path = tree / change.file
        lines = path.read_text(encoding="utf-8").split("\n")
        line = lines[change.line - 1].encode()
        end = change.column + len(change.old.encode())
        lines[change.line - 1] = (line[: change.column] + change.new.encode() + line[end:]).decode()
        path.write_text("\n".join(lines), encoding="utf-8")
        status, printed = run_tests(tree, tests, seconds, "-x")
    if status == 0:
        return None
    found = re.search(r"^(?:FAILED|ERROR) (\S+)", printed, re.M)
    return found.group(1) if found else "took too long" if status == -1 else f"pytest ended with {status}"


def main() -> int:
    """Draw changes, try them, print what became of each; the exit status is 0 if nine in ten were noticed."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--room", choices=sorted(ROOMS), action="append", help="only this room (may be given again)")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--list", action="store_true", help="print the changes and try none")
    args = parser.parse_args()
    possible = [change for room in args.room or sorted(ROOMS) for change in changes_of(room)]
    drawn = random.Random(args.seed).sample(possible, min(args.count, len(possible)))
    print(f"{len(drawn)} of {len(possible)} possible changes, seed {args.seed}", flush=True)
    if args.list:
        print("\n".join(map(str, drawn)))
        return 0
    plans = {}
    with tempfile.TemporaryDirectory() as folder:
        copy_project(Path(folder))
        for room in sorted({change.room for change in drawn}):
            tests, seconds = quickest_first(Path(folder), ROOMS[room][1])
            plans[room] = (tests, 60.0 + 4.0 * seconds)
            print(f"{room}: {len(tests)} tests, {seconds:.0f} s", flush=True)
    noticed = 0
    with ThreadPoolExecutor(args.workers) as pool:
        for change, by in zip(drawn, pool.map(lambda c: try_change(c, *plans[c.room]), drawn), strict=True):
            noticed += by is not None
            print(f"{'noticed ' if by else 'SURVIVED'}  {change}{f'   by {by}' if by else ''}", flush=True)
    print(f"{noticed} of {len(drawn)} noticed")
    return 0 if noticed >= 0.9 * len(drawn) else 1


if __name__ == "__main__":
    sys.exit(main())
