"""Tables as people save them: separators, decimal commas, encodings, and what is no table."""

import pytest

from focuskit.core.errors import FocuskitError
from focuskit.frames.csv_table import CsvTable, read_cells, read_csv


def write(tmp_path, content):
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read(tmp_path, content, **options):
    return read_csv(write(tmp_path, content), "a table", **options)


@pytest.mark.parametrize(
    ("text", "comma"),
    [
        ("a,b\n1,2.5\n\n3,x\n", False),
        ("a;b\n1;2.5\n;\n3;x\n", True),
        ("a\tb\r\n1\t2.5\r\n \t \r\n3\tx\r\n", True),
        ('\ufeff"a", "b"\n"1", "2.5"\n\n3,x', False),
    ],
)
def test_knows_the_separator_and_skips_blank_rows(tmp_path, text, comma):
    assert read(tmp_path, text) == CsvTable(["a", "b"], [["1", "2.5"], ["3", "x"]], comma)
    assert read_cells(write(tmp_path, text), "a table").lines == [1, 2, 4]


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        ("time\ttemp, °C, outside\nt\t3,4\n", [["t", "3,4"]]),
        ("time,filter,position,note; free\nt,L,5,\n", [["t", "L", "5", ""]]),
        ("a;b;c\n1,5;2,5;3,5\n", [["1,5", "2,5", "3,5"]]),
        ("a;b;c\n1\n", [["1", "", ""]]),
        ("a\n1\n", [["1"]]),
    ],
)
def test_other_marks_in_the_cells_do_not_part_them(tmp_path, text, rows):
    assert read(tmp_path, text).rows == rows


def test_a_cell_may_run_over_lines_and_lines_are_counted_on(tmp_path):
    cells = read_cells(write(tmp_path, '# made by hand\na,b\n1,"two\nlines"\n# more\n3,4\n'), "a table")
    assert cells.rows == [["a", "b"], ["1", "two\nlines"], ["3", "4"]]
    assert (cells.lines, cells.comment) == ([2, 4, 6], ["made by hand"])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_every_usual_encoding_is_read(tmp_path, encoding):
    assert read(tmp_path, "t,°C\n1,2\n".encode(encoding)).header == ["t", "°C"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "is empty; give a table"),
        (" \n,\n", "is empty; give a table"),
        ("a\0b", "not a text file"),
        ('a,b\n1,2\n3,"4\n5,6\n', "row 4: is not CSV"),
        ("a,b\n1," + "2" * 200_000 + "\n", "row 2: is not CSV"),
    ],
)
def test_what_is_no_table_is_said(tmp_path, content, said):
    with pytest.raises(FocuskitError, match=said):
        read(tmp_path, content)


def test_a_file_is_not_read_beyond_its_limit(tmp_path):
    assert len(read(tmp_path, "a,b\n1,2\n", most=8).rows) == 1
    with pytest.raises(FocuskitError, match="more than 7 bytes"):
        read(tmp_path, "a,b\n1,2\n", most=7)
