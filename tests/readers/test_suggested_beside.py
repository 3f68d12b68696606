"""What else a row of a reading says: when codes were cleared, and a second reading."""

from pathlib import Path
from typing import Any

import pytest

from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggesting import Suggestion
from afterclear.records import PlainRows
from tests.readers.samples import IMPORTS, deliver, rows_of
from tests.readers.test_suggesting import suggest, usable

_BOOK = (
    "Date,Vehicle,Read at,Odometer (km),Unit,Codes,Cleared at\n"
    "2026-02-23,Bus 12,07:10,61204,engine,P0234,11:15\n"
    "2026-02-23,Bus 12,11:40,61211,engine,none,\n"
    "2026-02-24,Bus 15,08:00,98540,brakes,C0110,08:20\n"
)
_DATED = (
    "Fahrzeug;Ausgelesen am;km-Stand;Steuergerät;Code;Gelöscht am\n"
    "V-1;05.01.2026 10:00;51000;Motor;P0301;05.01.2026 10:30\n"
    "V-2;16.01.2026 09:00;61000;Bremsen;C0035;\n"
)


def made_rows(folder: Path, name: str, text: str, told: Suggestion) -> list[dict[str, Any]]:
    """Read a file through a suggested map: its rows, each with its table."""
    read = MapReader(usable(told)).read(deliver(folder, name, text.encode()))
    parts = [part for part in read.parts if isinstance(part, PlainRows)]
    return [{**row, "table": p.table} for p in parts for row in p.frame.iter_rows(named=True)]


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


@pytest.mark.parametrize(
    ("name", "text", "at"), [("book.csv", _BOOK, (2, 4)), ("liste.csv", _DATED, (2,))]
)
def test_a_column_of_times_of_clearing_is_asked_about_and_makes_clears(
    tmp_path: Path, words: HeadingWords, name: str, text: str, at: tuple[int, ...]
) -> None:
    (question,) = suggest(tmp_path, name, text.encode(), words).questions
    assert (question.key, [c.word for c in question.choices]) == ("rows", ["both", "scans"])
    told = suggest(tmp_path, name, text.encode(), words, rows="both")
    assert not told.questions
    at_scans = range(2, text.count("\n") + 1)
    read = MapReader(usable(told)).read(deliver(tmp_path, name, text.encode()))
    rows = [(table, line) for table, line, _ in rows_of(read)]
    assert sorted(rows) == sorted([*(("scans", n) for n in at_scans), *(("clears", n) for n in at)])


def test_without_it_the_column_is_kept_aside(tmp_path: Path, words: HeadingWords) -> None:
    told = suggest(tmp_path, "book.csv", _BOOK.encode(), words, rows="scans")
    assert (told.questions, told.text.count("[[table]]")) == ((), 1)


_FLAGGED = (
    "Fahrzeug;Datum;Steuergerät;Code;Gelöscht\n"
    "V-1;2026-01-05;Motor;P0301;ja\nV-1;2026-01-05;Bremsen;C0035;nein\n"
)
_TREE = (
    '<t><v car="F-101" date="16/02/2026" hour="10:24"><reading num="1">'
    '<unit name="Engine"><fault code="P0401"/></unit><unit name="Brakes"/></reading>'
    '<erased hour="10:40" unit="all"/></v>'
    '<v car="F-118" date="21/05/2026" hour="15:42"><reading num="2">'
    '<unit name="Engine"><fault code="P0420"/></unit></reading></v></t>'
)


def test_only_the_unit_of_the_row_was_cleared(tmp_path: Path, words: HeadingWords) -> None:
    """A clear without a unit would be one of all units."""
    told = suggest(tmp_path, "liste.csv", _FLAGGED.encode(), words, rows="both")
    rows = made_rows(tmp_path, "liste.csv", _FLAGGED, told)
    assert [row["ecu"] for row in rows if row["table"] == "clears"] == ["Motor"]


def test_a_clearing_within_a_visit_of_a_tree_is_no_unit_of_its_reading(
    tmp_path: Path, words: HeadingWords
) -> None:
    told = suggest(tmp_path, "visits.xml", _TREE.encode(), words, rows="both")
    assert not told.questions
    rows = made_rows(tmp_path, "visits.xml", _TREE, told)
    assert {row["ecu"] for row in rows if row["table"] == "scans"} == {"Engine", "Brakes"}
    (clear,) = {(r["ecu"], r["cleared_at"]) for r in rows if r["table"] == "clears"}
    assert not clear[0]
    assert "10:40" in str(clear[1])


def test_a_clearing_within_a_reading_of_a_tree_is_a_clear(
    tmp_path: Path, words: HeadingWords
) -> None:
    """The path has a word for reading, too; umlauts are written out."""
    tree = (
        '<Liste><Fahrzeug nr="3301"><Auslesung zeit="08.04.2026 07:32">'
        '<Geraet name="Motor"><Fehler code="P0403"/></Geraet>'
        '<Loeschung zeit="08.04.2026 14:55"/></Auslesung></Fahrzeug>'
        '<Fahrzeug nr="3302"><Auslesung zeit="18.04.2026 09:10">'
        '<Geraet name="Motor"><Fehler code="P0420"/></Geraet></Auslesung></Fahrzeug></Liste>'
    )
    told = suggest(tmp_path, "liste.xml", tree.encode(), words, rows="both")
    assert not told.questions
    clears = [r for r in made_rows(tmp_path, "liste.xml", tree, told) if r["table"] == "clears"]
    assert [(r["vehicle_id"], str(r["cleared_at"])[11:16]) for r in clears] == [("3301", "14:55")]


_IN_AND_OUT = (
    "Vehicle,Unit,In Date,In km,In Code,Out Date,Out km,Out Code\n"
    "V-1,Engine,2026-02-16,56270,P0303,2026-02-17,56273,-\n"
    "V-2,Engine,2026-03-18,61200,P0420,2026-03-20,61207,P0420\n"
)


def test_two_readings_side_by_side_are_asked_about_and_both_read(
    tmp_path: Path, words: HeadingWords
) -> None:
    (question,) = suggest(tmp_path, "book.csv", _IN_AND_OUT.encode(), words).questions
    assert (question.key, question.words) == ("groups", ("both", "In", "Out"))
    told = suggest(tmp_path, "book.csv", _IN_AND_OUT.encode(), words, groups="both")
    assert not told.questions
    rows = made_rows(tmp_path, "book.csv", _IN_AND_OUT, told)
    assert {(r["_line"], str(r["odometer_km"])[:5], r["code"]) for r in rows} == {
        (2, "56270", "P0303"),
        (2, "56273", None),
        (3, "61200", "P0420"),
        (3, "61207", "P0420"),
    }
    only = suggest(tmp_path, "book.csv", _IN_AND_OUT.encode(), words, groups="In")
    assert only.text.count("[[table]]") == 1
