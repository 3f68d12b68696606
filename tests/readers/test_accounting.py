"""What a suggested map leaves over of a file is asked about: one look-alike beside each doubt."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.catalogue.control_units import ControlUnits
from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from afterclear.readers.suggest.account.named_things import things_in
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.suggested_map import Context
from afterclear.readers.suggesting import Suggestion, suggest_map
from tests.readers.samples import IMPORTS, deliver

NOW = datetime(2026, 11, 28, tzinfo=UTC)
KNOWN = Known(numbers=frozenset({"V01", "V02"}))


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


def suggest(
    folder: Path, text: str, words: HeadingWords, answers: dict[str, str] | None = None
) -> Suggestion:
    context = Context(words, ControlUnits.load(IMPORTS.parent), KNOWN, NOW)
    return suggest_map(deliver(folder, "x.csv", text.encode()), context, answers or {})


def table(heading: str, *cells: str, beside: tuple[str, ...] = ()) -> str:
    lines = [f"Vehicle,Date,Odometer km,Module,DTC,{heading}"]
    lines += [f"V-0{n},2026-03-1{n},8312{n},Engine,P030{n},{c}" for n, c in enumerate(cells, 1)]
    return "\n".join([*beside, *lines]) + "\n"


def keys(found: Suggestion) -> list[str]:
    return [question.key for question in found.questions]


@pytest.mark.parametrize(
    ("heading", "cells", "asked"),
    [
        ("Kind", ("K", "G"), ["aside:Kind"]),
        ("Bay", ("K", "G"), []),
        ("Info", ("", "entered wrong - see above"), ["aside:Info"]),
        ("Info", ("", "a rattle from the left"), []),
        ("Weekday", ("Wed", "Thu"), []),
    ],
)
def test_a_column_passed_over_is_asked_about_if_it_may_part_rows(
    tmp_path: Path, words: HeadingWords, heading: str, cells: tuple[str, ...], asked: list[str]
) -> None:
    assert keys(suggest(tmp_path, table(heading, *cells), words)) == asked


def test_rows_that_do_not_count_are_left_out_as_answered(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = table("Info", "", "entered wrong")
    left = suggest(tmp_path, text, words, {"aside:Info": "leave"})
    assert not left.missing
    assert "drop_where" in left.text
    stopped = suggest(tmp_path, text, words, {"aside:Info": "stop"})
    assert "may" not in stopped.missing[0]
    assert "Do they count?" in stopped.missing[0]


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("All distances in miles", ["line"]),
        ("These readings are provisional", ["line"]),
        ("V-02 had P0420 on 2026-03-01", ["line"]),
        ("Fault list of the north depot", []),
        ("Printed 28/11/2026", []),
    ],
)
def test_a_line_above_that_may_change_what_rows_mean_is_asked_about(
    tmp_path: Path, words: HeadingWords, line: str, asked: list[str]
) -> None:
    found = suggest(tmp_path, table("Bay", "1", "2", beside=(line,)), words)
    assert [key for key in keys(found) if key != "odometer-unit"] == asked


def test_small_distances_and_falling_ones_are_no_odometer_without_asking(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle,Date,Odometer km,Module,DTC\n"
    small = "".join(f"V-0{n},2026-03-1{n},31{n},Engine,P030{n}\n" for n in (1, 2))
    assert keys(suggest(tmp_path, text + small, words)) == ["sense:small-distance"]
    falling = "V-01,2026-03-11,83120,Engine,P0301\nV-01,2026-03-12,51650,Engine,P0301\n"
    assert keys(suggest(tmp_path, text + falling, words)) == ["sense:falling"]


def test_what_a_doubt_is_about_can_be_left_out(tmp_path: Path, words: HeadingWords) -> None:
    text = "Vehicle,Date,Odometer km,Module,DTC\n"
    text += "V-01,2026-03-11,83120,Engine,P0301\nV-01,2026-03-12,51650,Engine,P0301\n"
    found = suggest(tmp_path, text, words, {"sense:falling": "leave"})
    assert not found.missing
    assert "odometer_km =" not in found.text


def test_a_question_whose_answers_lead_to_no_map_is_not_asked(
    tmp_path: Path, words: HeadingWords
) -> None:
    """What codes are would be open, but nothing says when they were read."""
    text = "Vehicle,Odometer km,Module,DTC\nV-01,83120,Engine,0301\nV-02,51650,Engine,0420\n"
    found = suggest(tmp_path, text, words)
    assert (keys(found), len(found.missing)) == ([], 1)
    assert "# left open: What are codes such as 0301?" in found.text


def test_a_distance_with_other_numbers_before_it_is_the_same() -> None:
    line = "I-5081   V-01   5 May 2026   402,117 km"
    assert ("distance", "402117") in things_in(line, KNOWN)
    assert ("distance", "184042") in things_in("184 042 km", KNOWN)


def test_a_day_is_the_same_in_any_order_and_so_is_a_number_with_its_unit() -> None:
    assert things_in("13.02.2026", KNOWN) == things_in("2026-02-13T14:05", KNOWN)
    assert things_in("83.120 km", KNOWN) == things_in("83,120 km", KNOWN)


def test_numbers_and_sales_of_a_vehicle_list_are_not_passed_over(
    tmp_path: Path, words: HeadingWords
) -> None:
    rows = ("101,", "102,sold in May", "103,")
    text = "Internal,Remark,VIN,Make,Model\n"
    text += "".join(f"{row},XZ9AA11B2C300000{n},Aro,X\n" for n, row in enumerate(rows, 1))
    found = suggest(tmp_path, text, words)
    assert keys(found) == ["aside:Internal", "aside:Remark"]


SCANS = (
    "Vehicle,Date,Odometer km,Module,DTC,Status",
    "V-01,2026-03-11,83120,Engine,P0301,active",
    "V-02,2026-03-12,51650,Engine,P0171,stored",
    "V-01,2026-03-13,83150,Gearbox,P0700,active",
    "V-02,2026-03-14,51700,ABS,C0035,active",
    "V-01,2026-03-15,83190,Engine,P0420,stored",
    "V-02,2026-03-16,51790,Engine,P0128,stored",
)


def with_cell(heading: str, cell: str) -> str:
    """Put a cell into the second row."""
    rows = [line.split(",") for line in SCANS]
    rows[2][rows[0].index(heading)] = cell
    return "".join(",".join(row) + "\n" for row in rows)


@pytest.mark.parametrize(
    ("heading", "cell", "asked"),
    [
        ("Module", '"""dito"""', ["sense:as-above"]),
        ("DTC", "idem", ["sense:as-above"]),
        ("Module", "Engine?", ["sense:doubted"]),
        ("Module", "Engine (not read)", ["sense:denied"]),
        ("Module", "Engine / Gearbox", ["sense:two-facts"]),
        ("Vehicle", "V-02/V-01", ["sense:two-facts"]),
        ("Vehicle", "the old V-02", ["sense:longer-vehicle"]),
        ("Odometer km", "51650.4", ["sense:decimals"]),
        ("Date", "2019-03-12", ["sense:far-day"]),
        ("DTC", "P0171 (alt)", ["sense:more-than-code"]),
        ("DTC", "P0171 skasowany", ["sense:more-than-code"]),
        ("DTC", "P0171 x3", ["sense:more-than-code"]),
        ("DTC", "P0171-13", []),
        ("DTC", "P017x", ["sense:no-code"]),
        ("DTC", "2", ["sense:no-code"]),
        ("DTC", "no fault", []),
        ("DTC", "no response", ["sense:silent-with-status"]),  # and stored
        ("DTC", "P0171/2", ["sense:more-than-code"]),
        ("Module", "Moteur ne répond pas", ["sense:code-denied"]),
        ("Module", "Engine: bad", ["sense:more-than-unit"]),
        ("Module", "all units", ["sense:code-of-all"]),
        ("Module", "Engine (2)", []),
        ("Status", "", []),
    ],
)
def test_a_cell_unlike_the_rest_of_its_column_is_asked_about(
    tmp_path: Path, words: HeadingWords, heading: str, cell: str, asked: list[str]
) -> None:
    assert keys(suggest(tmp_path, with_cell(heading, cell), words)) == asked


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("it was V-01", ["aside:Remark"]),
        ("P0174 as well", ["aside:Remark"]),
        ("does not count", ["aside:Remark"]),
        ("effacé après lecture", ["aside:Remark"]),
        ("gelöscht", ["aside:Remark"]),
        ("valve clearance to be checked", []),
        ("a rattle from the left", []),
    ],
)
def test_a_remark_that_names_what_its_row_does_not_tell_is_asked_about(
    tmp_path: Path, words: HeadingWords, text: str, asked: list[str]
) -> None:
    lines = [
        f"{line},{'Remark' if n == 0 else text if n == 2 else ''}" for n, line in enumerate(SCANS)
    ]
    assert keys(suggest(tmp_path, "\n".join(lines) + "\n", words)) == asked


ORDERS = (
    "Order,Date,Vehicle,Odometer km,Work,Part number",
    "A-1,2026-03-11,V-01,83120,Air filter replaced,AF-7",
    "A-2,2026-03-12,V-02,51650,Coil replaced,IC-12",
    "A-3,2026-03-13,V-01,83150,Wiper blades replaced,WB-1",
    "A-4,2026-03-14,V-02,51700,Wheel speed sensor replaced,WS-9",
    "A-5,2026-03-16,V-02,51790,Battery replaced,BT-3",
)


@pytest.mark.parametrize(
    ("was", "cell", "asked"),
    [
        ("IC-12", "IC-12 back", ["sense:longer-name"]),
        ("IC-12", "IC-12 (Norvek)", ["sense:longer-name"]),
        ("A-2", "KV 12", ["sense:longer-name"]),
        ("IC-12", "IC-12b", []),
        ("IC-12", "-", []),
        ("A-2", "A-1", ["sense:order-of-two"]),
        ("Coil replaced", "see A-1", ["sense:as-above"]),
        ("Coil replaced", "voir A-1", ["sense:as-above"]),
        ("Coil replaced", "Seepage cured", []),
        ("Coil replaced", "Check coil?", ["sense:doubted"]),
        ("Coil replaced", "Worn? Coil replaced", []),
    ],
)
def test_a_cell_of_an_order_unlike_all_others_is_asked_about(
    tmp_path: Path, words: HeadingWords, was: str, cell: str, asked: list[str]
) -> None:
    text = "\n".join(ORDERS).replace(was, cell)
    assert keys(suggest(tmp_path, text + "\n", words)) == asked


@pytest.mark.parametrize(
    ("code", "text", "asked"),
    [
        *(
            ("C0035", text, ["sense:code-denied"])
            for text in ("kein Fehler", "no fault", "aucun défaut", "sin averías", "no response")
        ),
        ("C0035", "Eintrag falsch", ["aside:Description"]),
        ("C0035", "---", []),  # nothing is written
        ("U0121", "no response", []),  # the code says so itself
    ],
)
def test_a_code_whose_row_says_that_there_is_none_is_asked_about(
    tmp_path: Path, words: HeadingWords, code: str, text: str, asked: list[str]
) -> None:
    rows = f"V-01,2026-03-11,Engine,P0301,Misfire\nV-02,2026-03-12,ABS,{code},{text}\n"
    found = suggest(tmp_path, "Vehicle,Date,Module,DTC,Description\n" + rows, words)
    assert keys(found) == asked


@pytest.mark.parametrize("mark", ["x", "?", "see overleaf"])
def test_a_mark_under_no_heading_is_asked_about(
    tmp_path: Path, words: HeadingWords, mark: str
) -> None:
    lines = [f"{line},{mark if n == 2 else ''}" for n, line in enumerate(SCANS)]
    assert keys(suggest(tmp_path, "\n".join(lines) + "\n", words)) == ["aside:column 7"]


def test_one_row_without_what_the_others_say_again_is_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    same = "V-02,2026-03-16,51790,ABS,C0040,stored"
    more = ",,,Gearbox,P0700,stored"
    assert keys(suggest(tmp_path, "\n".join([*SCANS, more]) + "\n", words)) == []
    told = "\n".join([*SCANS, same, more]) + "\n"
    assert keys(suggest(tmp_path, told, words)) == ["blank-vehicle"]


def test_where_codes_stand_with_words_in_many_rows_words_are_their_text(
    tmp_path: Path, words: HeadingWords
) -> None:
    rows = [line.split(",") for line in SCANS]
    for n in (2, 3, 5):
        rows[n][4] += " as read"
    text = "".join(",".join(row) + "\n" for row in rows)
    assert keys(suggest(tmp_path, text, words)) == []


def test_a_unit_is_clean_only_if_its_row_says_nothing_else(
    tmp_path: Path, words: HeadingWords
) -> None:
    def told(text: str) -> list[str]:
        rows = f"V-01,2026-03-11,Engine,P0301,Misfire\nV-02,2026-03-12,ABS,,{text}\n"
        return keys(suggest(tmp_path, "Vehicle,Date,Module,DTC,Description\n" + rows, words))

    assert told("No faults found") == []
    assert told("") == []
    assert told("Unit did not respond") == []  # silent, not clean
    assert told("Connector corroded") == ["sense:clean-unsaid"]


def test_an_amount_below_zero_is_asked_about(tmp_path: Path, words: HeadingWords) -> None:
    text = "Order,Date,Vehicle,Work,Amount\nA1,2026-03-11,V-01,Replaced battery,80.00\n"
    more = "A2,2026-03-12,V-02,Replaced lambda sensor,{}\n"
    assert keys(suggest(tmp_path, text + more.format("90.00"), words)) == []
    assert keys(suggest(tmp_path, text + more.format("-90.00"), words)) == ["sense:below-zero"]


def test_what_is_no_unit_is_asked_about_where_memories_were_cleared(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle,Cleared at,Module\nV-01,2026-03-11,Engine\nV-02,2026-03-12,{}\n"
    assert keys(suggest(tmp_path, text.format("ABS"), words)) == []
    assert keys(suggest(tmp_path, text.format("whole vehicle"), words)) == []
    assert keys(suggest(tmp_path, text.format("Flibbertigibbet"), words)) == ["sense:no-unit"]


def test_rows_with_a_flag_of_cancellation_are_left_out_as_answered(
    tmp_path: Path, words: HeadingWords
) -> None:
    lines = [
        f"{line},{'Cancelled' if n == 0 else 'yes' if n == 2 else ''}"
        for n, line in enumerate(SCANS)
    ]
    text = "\n".join(lines) + "\n"
    assert keys(suggest(tmp_path, text, words)) == ["aside:Cancelled"]
    assert "drop_where" in suggest(tmp_path, text, words, {"aside:Cancelled": "leave"}).text


def test_a_remark_in_the_place_of_a_row_is_asked_about(tmp_path: Path, words: HeadingWords) -> None:
    lines = [*SCANS[:4], "from here on in miles,,,,,", *SCANS[4:]]
    assert "line" in keys(suggest(tmp_path, "\n".join(lines) + "\n", words))


def test_bytes_of_a_status_and_flags_of_a_code_are_not_passed_over(
    tmp_path: Path, words: HeadingWords
) -> None:
    def asked(heading: str, cells: list[str]) -> list[str]:
        lines = [f"{line},{c}" for line, c in zip(PLAIN, [heading, *cells], strict=True)]
        return keys(suggest(tmp_path, "\n".join(lines) + "\n", words))

    assert asked("SB", ["2F", "08", "24"]) == ["aside:SB"]
    assert asked("Claim", ["C1", "C2", "C3"]) == []
    assert asked("SB", ["21", "18", "24"]) == []  # it may count something
    assert asked("Pending", ["true", "false", ""]) == ["aside:Pending"]
    assert asked("Found", ["yes", "yes", "no"]) == []  # the empty code says it, too
    assert asked("Model", ["A", "B", "A"]) == []
    assert asked("Model", ["A", "B", "B"]) == ["aside:Model"]  # V-01 is of one model


PLAIN = (
    "Vehicle,Date,Odometer km,Module,DTC",
    "V-01,2026-03-11,83120,Engine,P0301",
    "V-02,2026-03-12,51650,Engine,P0171",
    "V-01,2026-03-13,83150,Gearbox,no fault",
)


def test_a_column_of_numbers_as_parts_have_is_not_passed_over(
    tmp_path: Path, words: HeadingWords
) -> None:
    def asked(heading: str, of: str) -> list[str]:
        lines = [line.replace("Part number", heading).replace("-", of) for line in ORDERS]
        return keys(suggest(tmp_path, "\n".join(lines) + "\n", words))

    assert asked("Part number", "-") == []
    assert asked("Cat", "-") == ["aside:Cat"]


def test_two_numbers_of_parts_in_one_cell_are_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "\n".join(ORDERS).replace("IC-12", '"ICX-12,ICX-13"')
    assert keys(suggest(tmp_path, text + "\n", words)) == ["sense:two-facts"]


def test_a_line_below_the_table_that_tells_of_clearing_is_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    def asked(line: str) -> list[str]:
        return keys(suggest(tmp_path, "\n".join([*SCANS, "", line]) + "\n", words))

    assert asked("Codes cleared: yes") == ["line"]
    assert asked("Codes cleared: no") == []
    assert asked("Printed by the workshop") == []


def test_where_only_texts_with_codes_tell_the_work_they_are_its_notes(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Date,Van,Mileage km,What happened\n"
    text += '2026-03-14,V-01,51650,"EML on, read P0301, swapped coil 1, all well"\n'
    text += '2026-03-15,V-02,60010,"ABS light, C0035, wheel sensor renewed"\n'
    found = suggest(tmp_path, text, words, {"table": "repairs"})
    assert 'notes = "What happened"' in found.text
    order = text + '2026-03-16,V-02,60110,"ABS light, C0035, sensor on order"\n'
    asked = suggest(tmp_path, order, words, {"table": "repairs"})
    assert keys(asked) == ["aside:What happened"]


def test_a_text_may_mean_two_doubts(words: HeadingWords) -> None:
    """A wrong vehicle alone may be the customer's story; cancelled counts beside it, too."""
    told = words.all_of_beginning("doubt", "Anulowano - zły pojazd", anywhere=True)
    assert told == {"undone", "other"}


def test_things_of_a_tree_that_are_called_clearings_are_asked_about(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = (
        '<borrados><coche matricula="7742 LKD" km="95310"><borrado fecha="12/06/2025" '
        'hora="10:05" unidad="Motor" codigo="P0301"/></coche></borrados>'
    )
    context = Context(words, ControlUnits.load(IMPORTS.parent), KNOWN, NOW)
    found = suggest_map(deliver(tmp_path, "taller.xml", text.encode()), context, {})
    assert "table" in keys(found)


@pytest.mark.parametrize("first", ["A-1,2026-03-11,V-01,83120,Air filter replaced,AF-7"])
def test_a_table_without_headings_is_missing_them(
    tmp_path: Path, words: HeadingWords, first: str
) -> None:
    """Its first row would be lost, and name the columns."""
    (missing,) = suggest(tmp_path, "\n".join([first, *ORDERS[2:]]) + "\n", words).missing
    assert missing.startswith("headings: '2026-03-11' stands where headings should")


def test_lines_of_words_without_headings_are_no_table(tmp_path: Path, words: HeadingWords) -> None:
    text = (
        "V-01 14.03.2026 83120 km Motor P0301 aktiv\n"
        "V-01 14.03.2026 83120 km ABS kein Fehler\n"
        "V-02 15.03.2026 51650 km Motor P0420 gespeichert\n"
    )
    context = Context(words, ControlUnits.load(IMPORTS.parent), KNOWN, NOW)
    assert suggest_map(deliver(tmp_path, "x.txt", text.encode()), context, {}).missing


def test_units_that_were_cleared_by_their_heading_are_clearings(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Veh,When,Km,Units cleared\nV-01,2026-03-14 10:00,83120,all\n"
    found = suggest(tmp_path, text + "V-02,2026-03-15 10:30,51650,ABS\n", words)
    assert (found.into, keys(found)) == ("clears", [])


def test_a_unit_with_a_code_in_its_name_is_asked_about(tmp_path: Path, words: HeadingWords) -> None:
    text = with_cell("Module", "Engine P0300")
    assert keys(suggest(tmp_path, text, words)) == ["sense:code-in-unit"]


def test_whole_numbers_as_odometers_show_are_not_passed_over(
    tmp_path: Path, words: HeadingWords
) -> None:
    text = "Vehicle,Date,{},Module,DTC\nV-01,2026-03-11,83120,Engine,P0301\n"
    assert keys(suggest(tmp_path, text.format("Odometer km"), words)) == []
    assert keys(suggest(tmp_path, text.format("O"), words)) == ["aside:O"]
