"""The rig file: all it can say, and one clear line for what it cannot."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from focuskit.core.errors import FocuskitError
from focuskit.core.filters import OwnFilter
from focuskit.core.optics import Rig
from focuskit.frames import read_rig_file
from focuskit.frames.rig_file import compile_position_pattern, rig_from_table

FULL = """
name = "Heron"
focal_length_mm = 1400
aperture_mm = 200.0
obstruction = 0.36
pixel_um = 3.76
um_per_step = 4
travel = [0, 20000]
position_pattern = "*_{position}.fits"
rebuilds = ["2031-05-01T12:00:00Z", 2031-03-04T18:00:00Z, 2031-04-01]

[filters]
L = 550
Ha = { wavelength_nm = 656.3, also = ["H-alpha", "slot 5"] }
X = {}

[keywords]
position = "MYFOC"
temperature = ["TUBE1", "TUBE2"]

[columns]
position = "focus"
"""


def written(tmp_path, text):
    path = tmp_path / "rig.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_reads_all_that_a_rig_file_can_say(tmp_path):
    rig_file = read_rig_file(written(tmp_path, FULL))
    assert rig_file.rig == Rig("Heron", 1400.0, 200.0, 0.36, 3.76, 4.0, (0.0, 20000.0))
    assert rig_file.filters.own == {
        "L": OwnFilter(550.0), "Ha": OwnFilter(656.3, also=("H-alpha", "slot 5")), "X": OwnFilter(),
    }  # fmt: skip
    assert rig_file.keywords == {"position": ("MYFOC",), "temperature": ("TUBE1", "TUBE2")}
    assert rig_file.rebuilds == (
        datetime(2031, 3, 4, 18, tzinfo=UTC), datetime(2031, 4, 1, tzinfo=UTC),
        datetime(2031, 5, 1, 12, tzinfo=UTC),
    )  # fmt: skip
    assert rig_file.columns == {"position": "focus"}


def test_filters_may_be_a_bare_list_and_a_file_may_begin_with_a_byte_order_mark(tmp_path):
    rig_file = read_rig_file(written(tmp_path, b"\xef\xbb\xbffilters = ['L', 'Ha']"))
    assert list(rig_file.filters.own) == ["L", "Ha"]


def test_a_filter_goes_by_the_rigs_own_name():
    rig_file = rig_from_table({"filters": {"Ha": {"also": ["H-alpha"]}, "L": 550}}, "rig.toml")
    names = [rig_file.filters.name(w) for w in ("h-ALPHA", "HA", "l", "R", None)]
    assert names == ["Ha", "Ha", "L", "R", None]


def test_keywords_of_the_command_line_come_first():
    rig_file = rig_from_table({"keywords": {"position": "OLD", "filter": "F"}}, "rig.toml")
    more = rig_file.with_keywords({"position": "NEW"})
    assert more.keywords == {"position": ("NEW", "OLD"), "filter": ("F",)}
    assert more.with_position_pattern("*_{position}.fits").position_pattern == "*_{position}.fits"


@pytest.mark.parametrize(
    "text, message",
    [
        ("focal_lenght_mm = 1400", "unknown key 'focal_lenght_mm'; known are name, telescope, focal_length_mm"),
        ("aperture_mm = '200'", "aperture_mm must be a number, like aperture_mm = 200"),
        ("aperture_mm = true", "must be a number"),
        ("aperture_mm = -1", "is not between"),
        ("aperture_mm = nan", "aperture_mm nan is not a finite number"),
        ("obstruction = 36", "obstruction 36 is not between 0 and 0.99"),
        ("name = 5", "name must be text"),
        ("name = ' '", "name must be text"),
        ("travel = 5", "travel must be"),
        ("travel = [0]", "travel must be"),
        ("travel = [5, 0]", "travel must be"),
        ("travel = [0, inf]", "travel must be"),
        ("travel = ['0', '9']", "travel must be"),
        ("filters = 5", "filters must be names"),
        ("filters = [1]", "filters must be names"),
        ("[filters]\nL = 'blue'", "filter L: wavelength_nm must be a number"),
        ("[filters]\nL = 0.55", "filter L: wavelength_nm 0.55 is not between 100 and 30000 nm"),
        ("[filters]\nL = {narrowband = 1}", "narrowband of filter L must be true or false"),
        ("[filters]\nL = {nm = 550}", "unknown key 'nm' of filter L"),
        ("[filters]\nL = {also = [5]}", "also of filter L must be names"),
        ("keywords = 'FOCUS'", "keywords must be a table"),
        ("[keywords]\nfocus = 'X'", "no fact is called 'focus'; known are position, temperature"),
        ("[keywords]\nposition = 5", "the keyword for position must be text"),
        ("position_pattern = '('", "is no regular expression"),
        ("position_pattern = 'abc'", "does not say where the position is"),
        ("position_pattern = '{position}{position}'", "more than once"),
        ("rebuilds = '2031-03-04'", "rebuilds must be a list"),
        ("rebuilds = ['soon']", "'soon' is not a time"),
        ("rebuilds = [5]", "rebuilds must be a list"),
        ("columns = 5", "columns must be a table"),
        ("[columns]\nfocus = 'x'", "unknown column 'focus'; known are time"),
        ("[columns]\nposition = 5", "the name of column position must be text"),
        ("name = ", "is not valid TOML"),
        ("a = " + "[" * 5000, "is not valid TOML"),
        ("'bell\\u0007' = 1", "unknown key"),
        ('"new\\nline" = 1', "unknown key 'new.line'"),
        (b"name = '\xff'", "is not UTF-8 text"),
        (b"#" * 65_537, "has more than 65536 bytes; give a rig file"),
    ],
)
def test_says_in_one_line_what_is_wrong(tmp_path, text, message):
    path = written(tmp_path, text)
    with pytest.raises(FocuskitError, match=message.replace("[", r"\[").replace("(", r"\(")) as caught:
        read_rig_file(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert str(caught.value).isprintable()


def test_says_that_there_is_no_such_file(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(FocuskitError, match="cannot be read"):
            read_rig_file(path)


@given(st.binary(max_size=200))
def test_any_bytes_end_in_a_rig_file_or_in_one_line(tmp_path_factory, data):
    path = written(tmp_path_factory.mktemp("rig"), data)
    try:
        read_rig_file(path)
    except FocuskitError as problem:
        assert str(problem).isprintable()


@given(
    st.dictionaries(
        st.sampled_from(["name", "travel", "filters", "keywords", "rebuilds", "columns", "pixel_um"]),
        st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
            max_leaves=5,
        ),
    )
)
def test_any_table_ends_in_a_rig_file_or_in_one_line(table):
    try:
        rig_from_table(table, "rig.toml")
    except FocuskitError as problem:
        assert str(problem).isprintable()


def test_a_pattern_is_a_placeholder_or_a_regular_expression():
    assert compile_position_pattern("*_{position}.fits", "x").search("L_0012.fits")["position"] == "0012"
    assert compile_position_pattern(r"pos(\d+)", "x").search("L_pos12.fits")[1] == "12"
    named = compile_position_pattern(r"(L|R)_(?P<position>\d+)", "x")
    assert named.search("R_12.fits")["position"] == "12"
