"""Trees whose records hold more than one list of codes: before and after a clearing, by status."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver

NOW = datetime(2026, 11, 28, tzinfo=UTC)
_SHOWN = {"scans": ("scanned_at", "ecu", "code", "status"), "clears": ("cleared_at",)}


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(folder: Path, text: str, words: HeadingWords, name: str = "x.json") -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), Known(), NOW)
    return suggest_map(deliver(folder, name, text.encode()), context, {})


def rows(folder: Path, text: str, suggested: Suggestion) -> list[tuple[str, ...]]:
    """Read a file by its suggested map; vehicle, time without the day, and what else is told."""
    assert (suggested.questions, suggested.missing) == ((), ())
    problems: list[str] = []
    made = parse_map(suggested.text, "x", "x", problems)
    assert made is not None, problems
    read = MapReader(made).read(deliver(folder, "x.json", text.encode()))
    assert read.rejections == ()
    return [
        (row["vehicle_id"], *(row[name] for name in _SHOWN[part.table] if row.get(name)))
        for part in read.parts
        for row in part.frame.iter_rows(named=True)
    ]


def session(vehicle: str, **sides: object) -> dict[str, object]:
    return {"vehicle": vehicle, "date": "2026-03-11", "km": 83120, **sides}


BEFORE = {"time": "09:00", "units": {"Engine": ["P0301", "P0171"], "ABS": []}}
AFTER = {"time": "09:40", "units": {"Engine": ["P0171"], "ABS": []}}


@pytest.mark.parametrize(
    ("before", "cleared", "after"),
    [
        ("before", "clearing", "after"),
        ("vorher", "loeschung", "nachher"),
        ("avant", "effacement", "apres"),
        ("antes", "borrado", "despues"),
        ("przed", "kasowanie", "po"),
    ],
)
def test_what_was_stored_before_and_after_a_clearing_becomes_two_readings(
    tmp_path: Path, words: HeadingWords, before: str, cleared: str, after: str
) -> None:
    whole = {before: BEFORE, cleared: {"time": "09:20"}, after: AFTER}
    text = json.dumps({"sessions": [session("V-01", **whole)]})
    found = rows(tmp_path, text, suggest(tmp_path, text, words))
    assert found == [
        ("V-01", "2026-03-11T09:00:00Z", "Engine", "P0301"),
        ("V-01", "2026-03-11T09:00:00Z", "Engine", "P0171"),
        ("V-01", "2026-03-11T09:00:00Z", "ABS"),
        ("V-01", "2026-03-11T09:20:00Z"),
        ("V-01", "2026-03-11T09:40:00Z", "Engine", "P0171"),
        ("V-01", "2026-03-11T09:40:00Z", "ABS"),
    ]


def test_a_record_without_one_side_has_no_row_of_it(tmp_path: Path, words: HeadingWords) -> None:
    whole = session("V-01", before=BEFORE, clearing={"time": "09:20"}, after=AFTER)
    read_only = session("V-02", before=BEFORE, clearing=None, after=None)
    text = json.dumps([whole, read_only])
    found = rows(tmp_path, text, suggest(tmp_path, text, words))
    assert [row for row in found if row[0] == "V-02"] == [
        ("V-02", "2026-03-11T09:00:00Z", "Engine", "P0301"),
        ("V-02", "2026-03-11T09:00:00Z", "Engine", "P0171"),
        ("V-02", "2026-03-11T09:00:00Z", "ABS"),
    ]


@pytest.mark.parametrize(
    "text",
    [
        json.dumps([session("V-01", codes_before=["P0301"], cleared=True, codes_after=["P0171"])]),
        json.dumps([session("V-01", before={"Engine": ["P0301"]}, after={"Engine": ["P0171"]})]),
    ],
)
def test_two_readings_with_one_time_are_refused(
    tmp_path: Path, words: HeadingWords, text: str
) -> None:
    with pytest.raises(RefusedFileError, match="one time for both"):
        suggest(tmp_path, text, words)


def test_lists_of_codes_that_a_map_passes_over_are_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    """A record lists stored and pending codes apart: one path of rows takes one of them."""
    lists = {"stored": [{"code": "P0301"}, {"code": "P0420"}], "pending": [{"code": "P0171"}]}
    text = json.dumps([session("V-01", **lists)])
    (question,) = suggest(tmp_path, text, words).questions
    assert question.key == "aside:pending.code"
    assert question.rows == ("pending.code: P0171",)
    alone = json.dumps([session("V-01", stored=lists["stored"])])
    assert suggest(tmp_path, alone, words).questions == ()


def test_null_beside_empty_lists_is_asked_about(tmp_path: Path, words: HeadingWords) -> None:
    def keys(units: dict[str, object]) -> list[str]:
        text = json.dumps([session("V-01", units=units), session("V-02", units=BEFORE["units"])])
        return [q.key for q in suggest(tmp_path, text, words).questions]

    assert keys({"Engine": ["P0301"], "ABS": []}) == []
    assert keys({"Engine": ["P0301"], "ABS": None}) == ["sense:null-list"]


def test_a_text_beside_codes_and_beside_none_says_nothing_of_silence(
    tmp_path: Path, words: HeadingWords
) -> None:
    """It stands above all records and explains the signs in them."""
    text = json.dumps(
        {"legend": "null = no answer", "readings": [session("V-01", units=BEFORE["units"])]}
    )
    assert "ecu_response" not in suggest(tmp_path, text, words).text
