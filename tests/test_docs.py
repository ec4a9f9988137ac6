"""The documentation is true: what it shows runs, what follows from the code is up to date, and it builds clean."""

import contextlib
import functools
import io
import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import make_docs
import pytest
import setup_and_run

import focuskit
from focuskit.cli import analyse as cli_analyse
from focuskit.cli.run import main
from focuskit.core.ranges import RANGES
from focuskit.diagnosis import diagnose
from focuskit.frames import rig_file as rigfile
from focuskit.logbook import tables

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", *(page for page in sorted(DOCS.glob("*.md")) if page.name not in make_docs.BUILT)]
FENCE = re.compile(r"^```([a-z]+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
RUNS = {"sh", "python"}
SHOWN_ONLY = {"text", "toml", "py"}  # py: Python that needs what a test does not have
WHOLE_NIGHT = {"first_night.md"}  # what it shows is compared; the others do with one run
ONE_RUN = re.compile(r"frame_000\d")


def blocks(page):
    return FENCE.findall(page.read_text(encoding="utf-8"))


all_words = functools.cache(make_docs.wording_page)


@pytest.fixture(scope="session")
def short_data(tmp_path_factory):
    """The sample data with one run of the night, and what analyses of it gave."""
    folder = tmp_path_factory.mktemp("short") / "sample_data"
    shutil.copytree(
        ROOT / "sample_data",
        folder,
        ignore=lambda of, names: [n for n in names if Path(of).name == "night" and not ONE_RUN.match(n)],
    )
    return folder, {}


@pytest.fixture
def place(request, tmp_path, monkeypatch):
    """A folder with sample data to run the blocks of a page in, and a home of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "home"))
    if request.param.name in WHOLE_NIGHT:
        request.getfixturevalue("measured_night")
        (tmp_path / "sample_data").symlink_to(ROOT / "sample_data")
        return request.param
    folder, measured = request.getfixturevalue("short_data")
    (tmp_path / "sample_data").symlink_to(folder)
    analyse = focuskit.analyse

    def analyse_once(folders, *, rig_file=None, executor=None, history=(), **settings):
        """The same night again and again: once is enough."""
        key = repr((folders, rig_file, executor is None, len(history)))
        if key not in measured:
            measured[key] = analyse(folders, rig_file=rig_file, executor=executor, history=history, **settings)
        return measured[key]

    for module in (focuskit, cli_analyse):
        monkeypatch.setattr(module, "analyse", analyse_once)
    return request.param


def run_line(line):
    """Run one line of a shell block; return what it prints."""
    words = shlex.split(line)
    if words[:2] == ["python3", "scripts/setup_and_run.py"]:
        # CI runs these jobs: here they would make an environment within an environment.
        assert words[2] in setup_and_run.JOBS
        assert f"setup_and_run.py {words[2]}" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
        return ""
    if Path(words[0]).name == "focuskit":
        told = io.StringIO()
        with contextlib.redirect_stdout(told):
            status = main(words[1:])
        assert status == 0, line
        return told.getvalue()
    command = line.replace("python ", f'"{sys.executable}" ', 1) if words[0] == "python" else line
    return subprocess.run(command, shell=True, check=True, capture_output=True, text=True, encoding="utf-8").stdout


PAGES_THAT_RUN = [page for page in PAGES if RUNS & {language for language, _ in blocks(page)}]


@pytest.mark.parametrize("place", PAGES_THAT_RUN, ids=lambda page: page.name, indirect=True)
def test_every_command_and_every_line_of_python_runs(place):
    names, said = {}, ""
    for language, text in blocks(place):
        assert language in RUNS | SHOWN_ONLY, f"{place.name}: a block of {language} is neither run nor marked"
        if language == "sh":
            said = "".join(run_line(line) for line in text.splitlines() if line)
        elif language == "python":
            told = io.StringIO()
            with contextlib.redirect_stdout(told):
                exec(compile(text, place.name, "exec"), names)
            said = told.getvalue()
        elif language == "text" and said:
            assert shows(text, said), f"{place.name} shows\n{text}\nbut what comes is\n{said}"


NUMBER = re.compile(r"(?<![\w.])[-+−]?\d+(?:\.\d+)?(?![\w.]*\w)")


WITH_ERROR = re.compile(r"([-+−]?\d+(?:\.\d+)?)\s*±\s*(\d+(?:\.\d+)?)")


def shows(text, said):
    """Return whether ``text`` is what was said; … stands for any lines left out.

    A value may differ by a fifth of the error that is quoted with it, and an error by a fifth of itself: less than a
    reader could act on. Any other number may differ by one in its last digit, as rounding has it.
    """
    parts = [r"(?:.*\n)*?" if line == "…" else pattern_of(line) + r"\n" for line in text.splitlines()]
    found = re.fullmatch("".join(parts), said.rstrip("\n") + "\n")
    if found is None:
        return False
    allowed = [limit for line in text.splitlines() for limit in tolerances(line)]
    shown = [n for line in text.splitlines() for n in NUMBER.findall(line)]
    return all(
        abs(as_number(a) - as_number(b)) <= limit for a, b, limit in zip(shown, found.groups(), allowed, strict=True)
    )


def as_number(text):
    return float(text.replace("−", "-"))


def last_digit(text):
    """Return one in the last digit of a number as written, and a little for binary fractions."""
    return 1.001 * 10.0 ** -len(text.partition(".")[2])


def tolerances(line):
    """Yield by how much each number of a line may differ."""
    errors = {m.start(1): m for m in WITH_ERROR.finditer(line)}
    fifth = {}
    for value in errors.values():
        limit = max(0.2 * as_number(value.group(2)), last_digit(value.group(2)))
        fifth |= {value.start(1): limit, value.start(2): limit}
    for number in NUMBER.finditer(line):
        yield fifth.get(number.start(), last_digit(number.group()))


def test_examples_are_compared_by_their_errors():
    assert shows("R 14.0 ± 1.0 in 9 runs", "R 14.1 ± 1.1 in 9 runs")
    assert not shows("R 14.0 ± 1.0 in 9 runs", "R 14.3 ± 1.0 in 9 runs")
    assert not shows("R 14.0 ± 1.0 in 9 runs", "R 14.0 ± 1.3 in 9 runs")
    assert not shows("9 of 12 runs", "9 of 14 runs")
    assert shows("…\nthe drift is −6.48", "first\nthe drift is -6.49".replace("-", "−"))


def pattern_of(line):
    """Return a pattern of a line with any numbers in it, any space between its words, and any small curve."""
    pattern, end = "", 0
    for number in NUMBER.finditer(line):
        pattern += re.escape(line[end : number.start()]) + r"([-+−]?\d+(?:\.\d+)?)"
        end = number.end()
    pattern += re.escape(line[end:])
    return re.sub(r"[▁-█×]{5,}", "[▁-█×]+", re.sub(r"(?:\\ )+", " +", pattern))


@pytest.mark.parametrize("name", make_docs.PAGES)
def test_pages_that_follow_from_the_code_are_up_to_date(name):
    written = (DOCS / name).read_text(encoding="utf-8")
    assert written == make_docs.PAGES[name](), "run: python scripts/make_docs.py"


def test_the_page_of_all_words_has_those_of_commands_code_and_report():
    for words in ("`analyse`: Measure every frame", "- there is not enough memory for this", "- What the words mean"):
        assert words in all_words()


@pytest.mark.parametrize("page", [*PAGES, *(DOCS / name for name in make_docs.BUILT)], ids=lambda page: page.name)
def test_one_thing_has_one_name(page):
    text = all_words() if page.name == "wording.md" else page.read_text(encoding="utf-8")
    # What may not be said stands in a table above.
    _, _, below = text.partition("## Commands and options")
    text = below or text
    for term, others in make_docs.TERMS.items():
        for other in others:
            assert not re.search(rf"\b{re.escape(other)}\b", text, re.IGNORECASE), f"say '{term}', not '{other}'"


def fields(answer, path=""):
    """Yield the path of every value, with [] for the elements of lists."""
    if isinstance(answer, dict):
        for key, value in answer.items():
            yield from fields(value, f"{path}.{key}" if path else key)
    elif isinstance(answer, list):
        for value in answer:
            yield from fields(value, f"{path}[]")
    else:
        yield path


def documented_fields():
    """Return the documented fields by schema."""
    text = (DOCS / "json.md").read_text(encoding="utf-8")
    parts = re.split(r"^## (focuskit\.\w+/\d)$", text, flags=re.MULTILINE)[1:]
    found = {
        schema: re.findall(r"^\| `([^`]+)` \|", part, re.MULTILINE)
        for schema, part in zip(parts[::2], parts[1::2], strict=True)
    }
    assert all(len(names) == len(set(names)) for names in found.values()), "a field is documented twice"
    return {schema: set(names) for schema, names in found.items()}


def test_every_field_of_the_json_is_documented(night, monkeypatch, tmp_path):
    monkeypatch.chdir(ROOT)
    season = "sample_data/season/runs.csv"
    log = "sample_data/season/temperatures.csv"
    frame, rig = "sample_data/night/frame_0005.fits.fz", "sample_data/heron.toml"
    book = f"--logbook {shlex.quote(str(tmp_path / 'book.sqlite'))}"
    answers = [
        night.to_json(),
        diagnose(night).to_json(),
        *(
            json.loads(run_line(f"focuskit {words} --json"))
            for words in (
                f"setup {frame} --to {shlex.quote(str(tmp_path / 'rigs'))}",
                f"defocus {frame} --rig {rig}",
                f"offsets --runs {season} --temps {log} --at 4.5",
                f"interval --temps {log} --runs {season}",
                f"plan --runs {season} --at 4.5",
                f"logbook import {season} {book}",
                f"logbook list {book}",
                f"logbook rename filter L Lum {book}",
                f"logbook export {shlex.quote(str(tmp_path / 'season.csv'))} {book}",
            )
        ),
    ]
    documented = documented_fields()
    assert documented.pop("focuskit.report/1") == {"schema", "night", "offsets", "interval"}
    for answer in answers:
        schema = answer["schema"]
        named = {re.sub(r"fits\.(hyperbola|parabola|squared_sizes|fwhm)\b", "fits.CURVE", f) for f in fields(answer)}
        named = {re.sub(r"^(rigs\[\].found)\..*", r"\1.KEY", f) for f in named}
        named -= {"logbook", "rig_file"}  # of every object, documented once
        named = {re.sub(r"^run_cost_s\..*", "run_cost_s.FILTER", f) for f in named}
        assert named <= documented[schema], f"{schema}: not in docs/json.md: {sorted(named - documented[schema])}"
        # Lists may be empty here, and what is null here may be an object elsewhere.
        unseen = {f for f in documented[schema] - named if not re.search(r"\[\]|by_offset|time_of_night|^lights\.", f)}
        assert not unseen, f"{schema}: in docs/json.md only: {sorted(unseen)}"
    assert {answer["schema"] for answer in answers} == set(documented)


def table_of(page):
    return re.findall(r"^\| `(\w+)` \|", (DOCS / page).read_text(encoding="utf-8"), re.MULTILINE)


def test_the_rig_file_and_its_example_are_documented():
    assert set(table_of("rig_file.md")) == {*rigfile._KEYS, *rigfile._FILTER_KEYS}
    (example,) = (text for language, text in blocks(DOCS / "rig_file.md") if language == "toml")
    table = tomllib.loads(example)
    assert set(table) == set(rigfile._KEYS)
    assert rigfile.rig_from_table(table, "example").rig.f_ratio == 7.0


def test_the_columns_of_a_table_of_runs_are_documented():
    assert set(table_of("tables.md")) == set(tables.COLUMNS)
    for line in (DOCS / "tables.md").read_text(encoding="utf-8").splitlines():
        name, _, _, shown = ([cell.strip(" `") for cell in line.split("|")] + [""] * 5)[1:5]
        if name in RANGES and name in tables.COLUMNS:
            assert shown == f"{RANGES[name].lowest:g} to {RANGES[name].highest:g}", name


def test_what_is_cited_is_this_version():
    cited = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {focuskit.__version__}\n" in cited
    assert "\nlicense: BSD-3-Clause\n" in cited
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").startswith("BSD 3-Clause License")


def test_pictures_that_the_readme_shows_are_there_and_small():
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert shown
    for name in shown:
        assert 0 < (ROOT / name).stat().st_size < 400_000, name


@pytest.mark.skipif(not (DOCS / "_build").exists(), reason="CI builds the pages first, with warnings as errors")
def test_formulas_are_built_in_and_no_page_loads_scripts_from_elsewhere():
    page = (DOCS / "_build" / "method_drift.html").read_text(encoding="utf-8")
    assert "<math " in page
    assert '<script src="http' not in page
