"""The front door: `focuskit.` shows every name to people and to type checkers, and opens at once."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import focuskit

ROOT = Path(__file__).parent.parent
# What a type checker says of each line; Any would mean that it knows nothing.
REVEALED = {
    'focuskit.analyse("night")': "focuskit.night.results.Night",
    'focuskit.analyse("night").runs[0].fit.best_position': "float | None",
    'focuskit.read_rig_file("rig.toml").rig': "focuskit.core.optics.Rig",
    'focuskit.fit_drift(focuskit.read_runs("runs.csv"))': "focuskit.drift.result.Drift",
    "focuskit.__version__": "str",
}


def test_every_name_is_shown_and_can_be_had():
    assert "analyse" in dir(focuskit)
    for name in focuskit.__all__:
        assert name in dir(focuskit)
        assert getattr(focuskit, name).__name__ == name


def test_what_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = focuskit.no_such_name


def test_a_type_checker_knows_what_comes_back(tmp_path):
    script = tmp_path / "uses_focuskit.py"
    script.write_text("import focuskit\n" + "".join(f"reveal_type({line})\n" for line in REVEALED), encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--config-file", ROOT / "pyproject.toml", script]
    said = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False).stdout
    assert re.findall(r'Revealed type is "(.*)"', said) == list(REVEALED.values()), said


def test_every_name_is_documented_on_one_page():
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    documented = re.findall(r"^\.\. auto(?:function|class|exception):: focuskit\.(\w+)$", page, re.MULTILINE)
    assert sorted(documented) == sorted(focuskit.__all__)


def test_the_door_opens_without_loading_a_library():
    code = "import sys, focuskit, focuskit.cli.parser; focuskit.cli.parser.build_parser(); print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numpy", "scipy", "astropy", "matplotlib", "logging", "focuskit.night"} & set(loaded)
