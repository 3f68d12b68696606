"""Delimited text: the fast way and the slow way, against Python's csv module."""

import csv
import io
from dataclasses import replace

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterclear.plain import Kind
from afterclear.readers.formats import delimited
from afterclear.readers.formats.delimited import DelimitedFile
from afterclear.readers.mapped.map_cells import Target, plain_cells
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.maps.source_table import LINE, SourceTable

CELL = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"], include_characters=',;"\n'),
    max_size=8,
)
ROWS = st.lists(st.lists(CELL, min_size=3, max_size=3), max_size=8)


def map_of(**keys: str) -> ImportMap:
    problems: list[str] = []
    lines = "".join(f'{key} = "{value}"\n' for key, value in keys.items())
    made = parse_map(
        f'kind = "delimited"\nfiles = ["*"]\n{lines}[[table]]\ninto = "clears"\n'
        '[table.columns]\nvehicle_id = "a"\ncleared_at = "b"\n',
        "x",
        "x",
        problems,
    )
    assert made is not None, problems
    return made


def table(text: str, **keys: str) -> SourceTable:
    how = map_of(**keys)
    return DelimitedFile(text.encode(), how, "x.csv").table(how.table[0])


def cells(found: SourceTable) -> list[tuple[str, ...]]:
    return [tuple(c or "" for c in row[:-1]) for row in found.frame.rows()]


@given(ROWS, st.sampled_from([",", ";", "\t"]))
@settings(max_examples=200)
def test_what_a_csv_writer_writes_is_read_cell_by_cell(rows: list[list[str]], mark: str) -> None:
    """Quotes, delimiters and line breaks within cells; blank rows are passed over."""
    file = io.StringIO()
    writer = csv.writer(file, delimiter=mark, lineterminator="\n")
    writer.writerows([["a", "b", "c"], *rows])
    found = table(file.getvalue(), delimiter={"\t": "\\t"}.get(mark, mark))
    assert not found.rejections
    kept = [tuple(row) for row in rows if any(cell.strip() for cell in row)]
    assert [row for row in cells(found) if any(c.strip() for c in row)] == kept


@given(st.text(st.sampled_from('a;"\n '), max_size=60))
@settings(max_examples=400)
def test_no_line_is_lost_whatever_stands_in_it(text: str) -> None:
    """Every line that is not blank is in a row, refused, or within a quoted cell of a row."""
    found = table(f"a;b\n{text}", delimiter=";")
    taken = set(found.frame[LINE]) | {r.line for r in found.rejections}
    within = {
        line + n
        for line, *row in found.frame.select(LINE, "a", "b").rows()
        for n in range(sum((c or "").count("\n") for c in row) + 1)
    }
    for number, line in enumerate(text.split("\n"), 2):
        if line.replace(";", "").replace('"', "").strip():
            assert number in taken | within, (number, line)


@given(ROWS.filter(lambda rows: len(rows) > 1))
def test_the_fast_and_the_slow_way_agree(rows: list[list[str]]) -> None:
    file = io.StringIO()
    csv.writer(file, lineterminator="\n").writerows([["a", "b", "c"], *rows])
    quick = table(file.getvalue())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "_fast", lambda *_: None)
        slow = table(file.getvalue())
    assert [row for row in cells(quick) if any(c.strip() for c in row)] == cells(slow)
    n_quick = quick.frame[LINE].to_list()
    assert [n for n in slow.frame[LINE] if n not in n_quick] == []


@pytest.mark.parametrize(
    ("line", "said"),
    [("1;2", "fewer (2)"), ("1;2;3;4", "more (4)"), ('1;"2;3', "quotes"), ('1;"x"y;3', "quotes")],
)
def test_a_row_that_cannot_be_split_is_refused_with_its_line(line: str, said: str) -> None:
    found = table(f"a;b;c\n1;2;3\n{line}\n4;5;6\n", delimiter=";")
    assert [(r.line, said in r.expected) for r in found.rejections] == [(3, True)]
    assert cells(found) == [("1", "2", "3"), ("4", "5", "6")]
    assert found.frame[LINE].to_list() == [2, 4]


def test_short_rows_are_filled_where_the_map_says_so() -> None:
    found = table("a;b;c\n1;2\n", delimiter=";", short_rows="fill")
    assert cells(found) == [("1", "2", "")]


def test_totals_are_left_out_where_headings_are_followed_by_blank_ones() -> None:
    """Found by broken files: both ways of reading know the columns without a heading."""
    how = map_of()
    spec = replace(how.table[0], totals="Total")
    text = 'a,b,,\n1,2,,\n3,"4\nTotal,9,,\n'
    found = DelimitedFile(text.encode(), how, "x.csv").table(spec)
    assert cells(found) == [("1", "2", "", "")]
    assert [refused.line for refused in found.rejections] == [3]
    assert found.left_out["totals rows"] == 1


def test_a_quote_that_never_closes_spoils_one_line_of_thousands() -> None:
    body = "".join(f"{n};x;y\n" for n in range(3000))
    found = table(f'a;b;c\n1;"x;y\n{body}', delimiter=";")
    assert [r.line for r in found.rejections] == [2]
    assert len(found.frame) == 3000
    assert found.frame[LINE][-1] == 3002


@pytest.mark.parametrize("n_rows", [10, 6000])
def test_columns_read_run_by_run_and_cell_by_cell_agree(n_rows: int) -> None:
    """A large table is read by distinct cells; what comes of each row is the same."""
    how = map_of(decimal=",", thousands=".")
    column = how.table[0].columns["vehicle_id"]
    raw = pl.Series([["1.234,5", "x", None, " 7 "][n // 3 % 4] for n in range(n_rows)])
    made = plain_cells(raw, column, Target("odometer_km", Kind.DISTANCE), how, "UTC")
    wanted = [["1234.5", "x", None, "7"][n // 3 % 4] for n in range(n_rows)]
    assert made.cells.to_list() == wanted
    assert made.expected is not None
    assert made.expected.is_not_null().to_list() == [cell == "x" for cell in wanted]
