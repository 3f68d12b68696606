"""Whatever table it is given: a map that loads, a question with rows, or a refusal."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from afterclear.errors import RefusedFileError
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import read_heading_words
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.suggesting import Suggestion
from tests.readers.samples import IMPORTS, deliver
from tests.readers.test_suggesting import suggest

_HEADINGS = (
    "Vehicle|Fahrzeug|Kennz.|VIN|Date|Datum|Date|Fecha trabajo|Time|Uhrzeit|Km|Mileage|km-Stand|ECU"
    '|Steuergerät|DTC|Fehlercode|DTC 1|DTC 2|Status|Order no|Work done|Parts|Labour|Qty|a.b|[x*|"'
)
_CELLS = (
    "||V-1|V-2|AB12 CDE|XZ9AA11B2C3000001|03/04/2026|05/05/2026|13.02.2026|2026-03-14|07:48|1:05 AM"
    "|83120|83.120|51,650|20,5|1 204,50|51,650 mi|Engine|ABS|P0301|P0301, P0420|0301|100-4|none|---"
    "|pending|sporadic|behoben|open|cancelled|Coil renewed|Total|-240.00|£1,240.50|(x|{}|'"
)
HEADINGS = st.sampled_from(_HEADINGS.split("|"))
CELLS = st.sampled_from(_CELLS.split("|"))
TABLES = st.integers(2, 7).flatmap(
    lambda width: st.tuples(
        st.lists(HEADINGS, min_size=width, max_size=width),
        st.lists(st.lists(CELLS, min_size=width, max_size=width), min_size=2, max_size=6),
    )
)
NO_ROWS = {"encoding"}  # its choices are the text itself
WORDS = read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggested(folder: Path, table: tuple[list[str], list[list[str]]]) -> Suggestion | None:
    """Suggest a map for a table; None: it is refused."""
    raw = "\n".join(";".join(row) for row in (table[0], *table[1])).encode()
    try:
        return suggest(folder, "any.csv", raw, WORDS)
    except RefusedFileError:
        return None


@pytest.mark.slow
@settings(max_examples=40)
@given(table=TABLES)
def test_a_suggestion_loads_or_asks_or_says_what_is_missing(
    table: tuple[list[str], list[list[str]]],
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = suggested(folder, table)
        if made is None or made.missing:
            return
        problems: list[str] = []
        found = parse_map(made.text, "any", "any", problems)
        assert found is not None, (problems, made.text)
        if made.questions:
            assert all(len(set(q.rows)) == len(q.rows) <= 3 for q in made.questions)
            assert all(q.rows for q in made.questions if q.key not in NO_ROWS), made.questions
            return
        try:
            read = MapReader(found).read(
                deliver(folder, "any.csv", (folder / "any.csv").read_bytes())
            )
        except RefusedFileError:
            return
        assert read.parts or read.rejections or read.note
