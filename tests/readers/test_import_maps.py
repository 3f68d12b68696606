"""The example maps, each with its sample; and what is said of a map that is wrong."""

from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

import afterclear
from afterclear.errors import ConfigError, RefusedFileError
from afterclear.readers.formats.html_tables import html_tables, texts_above
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.checked_map import ImportMap, MapColumn, MapTable
from afterclear.readers.maps.import_map import load_maps, parse_map
from afterclear.records import PlainRows, ReadFile
from tests.readers.samples import IMPORTS, all_samples, deliver, maps, reader_named
from tests.readers.workbooks import ods, orders, xls, xlsx

KINDS = {"delimited", "fixed", "workbook", "json", "xml", "html", "text"}


def read_sample(name: str, folder: Path) -> ReadFile:
    sample = next(s for s in all_samples() if s.name == name)
    return reader_named(sample.reader).read(deliver(folder, name, sample.raw))


def rows(read: ReadFile, table: str) -> list[dict[str, Any]]:
    """List a table's rows without empty cells."""
    return [
        {k: v for k, v in row.items() if v not in (None, "")}
        for part in read.parts
        if isinstance(part, PlainRows) and part.table == table
        for row in part.frame.to_dicts()
    ]


def made(text: str) -> ImportMap:
    problems: list[str] = []
    found = parse_map(text, "test", "test.toml", problems)
    assert found is not None, problems
    return found


def test_eight_or_more_examples_cover_every_kind() -> None:
    assert len(maps()) >= 8
    assert {each.kind for each in maps().values()} == KINDS


def test_delimited_german_list(tmp_path: Path) -> None:
    """Windows-1252, decimal comma, a title above, several codes in a cell, a totals row."""
    read = read_sample("fehlerliste_2025-10.csv", tmp_path)
    found = rows(read, "scans")
    assert [(r["_line"], r["ecu"], r.get("code")) for r in found] == [
        (5, "engine", "P0301"),
        (5, "engine", "P0302"),
        (6, "transmission", None),
        (7, "Türmodul", None),
        (8, "brakes", "C0034-11"),
    ]
    assert [r["ecu_response"] for r in found][-2:] == ["no_answer", "answered"]
    assert found[0]["scanned_at"] == "2025-10-25T12:05:00Z"  # 14:05 in summer time, UTC+2
    assert found[0]["odometer_km"] == "83120"
    assert found[-1]["odometer_km"] == "120004.5"
    assert [(r.line, r.column, r.value) for r in read.rejections] == [
        (9, "scanned_at", "30.03.2025 02:30"),  # an hour that was left out
        (10, "odometer_km", "12O.100"),  # a letter O
        (11, "status", "behoben"),
    ]
    assert "totals rows left out: 1" in read.note
    assert "come twice as clocks go back in Europe/Berlin: 1, the earlier taken" in read.note
    assert "Windows-1252" in read.note


def test_delimited_american_list(tmp_path: Path) -> None:
    """Month first, twelve-hour clock, miles; both doubtful hours settled otherwise."""
    read = read_sample("scan-export-2025.txt", tmp_path)
    found = rows(read, "scans")
    # 2 November 2025, 01:30 the second time: UTC-6; 9 March 02:15 never was: an hour later, UTC-5
    assert [r["scanned_at"] for r in found] == [
        "2025-11-02T07:30:00Z",
        "2025-11-02T07:30:00Z",
        "2025-03-09T08:15:00Z",
        "2025-03-10T21:15:00Z",
    ]
    assert found[0]["odometer_mi"] == "51650"
    assert found[0]["engine_hours"] == "2204.5"
    assert not read.rejections


def test_two_tables_in_one_file_and_a_site_from_its_name(tmp_path: Path) -> None:
    read = read_sample("pool_harbour_2025.csv", tmp_path)
    vehicles, clears = rows(read, "vehicles"), rows(read, "clears")
    assert [(v["plate"], v["plate_since"]) for v in vehicles] == [
        ("NX 04 KLM", "2020-01-01"),
        ("AA 11 BB", "2020-01-01"),
        ("NX 04 KLM", "2025-05-15"),
        ("WX 12345", "2025-05-02"),
    ]
    assert {v["site"] for v in vehicles} == {"harbour"}
    assert (vehicles[0]["make"], vehicles[0]["model"]) == ("Corvane", "Hauler 5")  # one cell, split
    assert [(c["_line"], c.get("ecu")) for c in clears] == [(8, None), (9, "engine")]


def test_fixed_width(tmp_path: Path) -> None:
    read = read_sample("register_fevrier.prn", tmp_path)
    first, second = rows(read, "repairs")
    assert (first["repair_id"], first["codes"], first["part_number"]) == (
        "R-0101",
        "P0301",
        "BK-1001",
    )
    assert (first["action"], first["part_cost"], first["currency"]) == ("replace", "41.50", "EUR")
    assert (second["action"], second["repaired_at"]) == ("inspect", "2025-02-04T23:00:00Z")
    assert [(r.line, r.value) for r in read.rejections] == [(6, "NETTOYÉ")]
    assert "lines after the table left out: 3" in read.note


@pytest.mark.parametrize("form", [xlsx, ods, xls])
def test_workbooks_of_three_forms_read_alike(form: Any, tmp_path: Path) -> None:
    """A cell that is a time, one that is text, one that is a day number; units in the cells."""
    delivery = deliver(tmp_path, f"orders.{form.__name__}", form(orders()))
    read = reader_named("map:brookfield_orders").read(delivery)
    first, second = rows(read, "repairs")
    assert first["repaired_at"] == "2025-03-04T10:30:00Z"
    assert (first["part_number"], first["part_brand"]) == ("BK-1001", "Corvane")
    assert (first["site"], first["action"]) == ("Brookfield North", "replace")
    assert float(first["odometer_km"]) == 83120
    # 51,650 international miles of 1.609344 km exactly
    assert float(second["odometer_km"]) == pytest.approx(51650 * 1.609344, rel=1e-12)
    assert second["repaired_at"] == "2025-03-05T00:00:00Z"
    assert [(r.line, r.column, r.value) for r in read.rejections] == [(6, "odometer_km", "no idea")]
    assert read.note == "sheets not taken: Cover; totals rows left out: 1"


def test_nested_json(tmp_path: Path) -> None:
    """A unit that lists no codes has a row; metres become km; SPN and FMI are put together."""
    read = read_sample("telebox_7.json", tmp_path)
    found = rows(read, "scans")
    assert [(r["ecu"], r["ecu_response"], r.get("code")) for r in found] == [
        ("engine", "answered", "SPN 100 FMI 4"),
        ("engine", "answered", "SPN 190 FMI 8"),
        ("brakes", "answered", None),
        ("cab", "no_answer", None),
        ("engine", "answered", None),
    ]
    assert found[0]["odometer_km"] == "83120.5"
    assert found[0]["lamps"] == "amber red"
    assert [v["vin"] for v in rows(read, "vehicles")] == ["XZ9AA11B2C3000001"] * 2


def test_xml_with_namespace(tmp_path: Path) -> None:
    found = rows(read_sample("gatehouse_0412.xml", tmp_path), "scans")
    assert [(r["scan_id"], r["ecu"], r.get("code"), r["_line"]) for r in found] == [
        ("G-1", "engine", "P0420", 5),
        ("G-1", "engine", "C0034", 6),
        ("G-1", "airbag", None, 7),
        ("G-2", "engine", None, 11),
    ]
    assert {r["_plate"] for r in found} == {"NX 04 KLM"}
    assert (found[0]["description"], found[1]["failure_type"]) == ("catalizador", "11")


def test_what_is_told_of_one_vehicle_is_not_told_of_the_next_on_the_page() -> None:
    """What stands nearest comes first; a label met again forgets what was said after it."""
    table = "<table><tr><td>a</td><td>b</td><td>c</td></tr></table>"
    page = (
        f"<p>Day: 1 May</p><p>Vehicle: V-1</p><p>km: 5</p>{table}<p>Vehicle: V-2</p>{table}"
        f"<table><tr><td>Vehicle</td><td>V-3</td></tr></table>{table}<p>V-4</p>{table}"
    )
    texts = texts_above(html_tables(page, "a.html"))
    assert texts[0].splitlines() == ["Day: 1 May", "Vehicle: V-1", "km: 5"]
    assert texts[1].splitlines() == ["Vehicle: V-2", "Day: 1 May"]
    assert texts[3].splitlines() == ["Vehicle V-3", "Day: 1 May"]
    assert texts[4].splitlines() == ["V-4", "Vehicle V-3", "Day: 1 May"]


def test_html_with_spans_and_facts_in_the_text_above(tmp_path: Path) -> None:
    read = read_sample("yard_17.html", tmp_path)
    found = rows(read, "scans")
    assert [(r["ecu"], r.get("code")) for r in found] == [
        ("silnik", "P0301"),
        ("silnik", "P0171"),  # the cell above spans two rows
        ("hamulce", None),
    ]
    assert {(r["_plate"], r["odometer_km"], r["scanned_at"]) for r in found} == {
        ("WX 12345", "83120", "2025-05-04T07:30:00Z")
    }
    assert found[0]["description"] == "wypadanie zapłonów & 1"
    assert read.note == "tables of the page not taken: 1"


def test_text_report_with_sections(tmp_path: Path) -> None:
    read = read_sample("reading_0425.txt", tmp_path)
    found = rows(read, "scans")
    assert [(r["scan_id"], r["ecu"], r["ecu_response"], r.get("code")) for r in found] == [
        ("H-0001", "engine", "answered", "P0301"),
        ("H-0001", "engine", "answered", "P0420-00"),
        ("H-0001", "transmission", "answered", None),
        ("H-0001", "cab", "no_answer", None),
        ("H-0002", "engine", "answered", None),
    ]
    # the line no pattern knows is not lost
    assert [(r.line, r.value) for r in read.rejections] == [(19, "   P0XYZ present")]


def test_all_mistakes_of_all_maps_are_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "one.toml").write_text(
        """
kind = "delimited"
files = []
zone = "Mars/North"
decimal = ","
thousands = ","
colour = "red"
[[table]]
into = "scans"
rows = "a.b"
[table.columns]
vehicle = "Unit"
odometer_km = { from = "km", unit = "furlong" }
ecu_response = { from = "x", values = { "y" = "perhaps" } }
status = { from = "s", value = "v" }
code = { from = "c", pattern = "no group" }
description = { from = "d", pattern = "(" }
""",
        encoding="utf-8",
    )
    (tmp_path / "two.toml").write_text("kind = [", encoding="utf-8")
    (tmp_path / "three.toml").write_bytes(b"\xff\xff")
    with pytest.raises(ConfigError) as raised:
        load_maps(tmp_path)
    said = str(raised.value)
    for word in (
        "files",
        "Mars/North",
        "thousands",
        "colour",
        "one of from, value",
        "no group",
        "no pattern",
        "two.toml",
        "three.toml",
    ):
        assert word in said, word


def test_mistakes_that_need_the_whole_table_are_told_together() -> None:
    problems: list[str] = []
    parse_map(
        """
kind = "delimited"
files = ["*"]
[[table]]
into = "scans"
[table.columns]
vehicle = "Unit"
odometer_km = { from = "km", unit = "furlong" }
engine_hours = { from = "h", unit = "km" }
code = { from = "c", date_format = "%d" }
ecu_response = { from = "x", values = { "y" = "perhaps" } }
""",
        "bad",
        "bad.toml",
        problems,
    )
    said = "\n".join(problems)
    for word in ("'vehicle'", "furlong", "something else", "date_format", "perhaps", "scanned_at"):
        assert word in said, word


@pytest.mark.parametrize(
    ("kind", "key", "said"),
    [
        ("fixed", "", "positions"),
        ("text", "", "row"),
        ("delimited", 'sheet = "x"', "means nothing"),
        ("json", "positions = [[1, 2]]", "means nothing"),
    ],
)
def test_what_a_kind_needs_and_what_means_nothing_for_it(kind: str, key: str, said: str) -> None:
    problems: list[str] = []
    text = f'kind = "{kind}"\nfiles = ["*"]\n[[table]]\ninto = "clears"\n{key}\n'
    parse_map(f'{text}[table.columns]\ncleared_at = "at"\n', "x", "x.toml", problems)
    assert said in "\n".join(problems)


def test_the_day_above_goes_with_one_column_of_hours() -> None:
    problems: list[str] = []
    text = 'kind = "delimited"\nfiles = ["*"]\n[[table]]\ninto = "clears"\n[table.columns]\n'
    at = 'cleared_at = { from = ["day", "hour"], above = "Shift: (.*)" }\n'
    parse_map(f'{text}vehicle_id = "car"\n{at}', "x", "x.toml", problems)
    assert "the one column of from" in "\n".join(problems)


def test_a_missing_heading_is_told_with_those_there_are(tmp_path: Path) -> None:
    raw = b"Unit No\tRead On\tKilometres\n"
    with pytest.raises(RefusedFileError, match=r"no column 'Odometer'.*It has: 'Unit No'"):
        reader_named("map:coastline_scans").read(deliver(tmp_path, "scan-export-1.txt", raw))


def test_values_in_step_and_out_of_step(tmp_path: Path) -> None:
    """Codes and texts parted by the same mark go in step; where they cannot, the row is refused."""
    each = made(
        """
kind = "delimited"
files = ["*.csv"]
[[table]]
into = "scans"
[table.columns]
vehicle_id = "v"
scanned_at = "t"
ecu = { value = "engine" }
code = { from = "codes", each = "/" }
description = { from = "texts", each = "/" }
"""
    )
    raw = b"v,t,codes,texts\nT,2025-01-01,P0301/P0302,one/two\nT,2025-01-02,P0301/P0302,one\n"
    read = MapReader(each).read(deliver(tmp_path, "a.csv", raw))
    assert [(r["code"], r["description"]) for r in rows(read, "scans")] == [
        ("P0301", "one"),
        ("P0302", "two"),
    ]
    assert [r.line for r in read.rejections] == [3]


ORDERS = """
kind = "delimited"
files = ["*"]
[[table]]
into = "repairs"
once_per_order = ["labour_cost"]
[table.columns]
repair_id = "r"
vehicle_id = "v"
repaired_at = "t"
notes = "n"
labour_cost = "l"
"""


def test_an_order_whose_rows_differ_in_the_whole_orders_amount_is_refused(tmp_path: Path) -> None:
    raw = b"r,v,t,n,l\nA,V1,2025-01-01,coil,60\nA,V1,2025-01-01,plug,70\nB,V1,2025-01-01,x,5\n"
    read = MapReader(made(ORDERS)).read(deliver(tmp_path, "a.csv", raw))
    assert [(r.line, r.column) for r in read.rejections] == [(2, "labour_cost"), (3, "labour_cost")]
    assert [r["repair_id"] for r in rows(read, "repairs")] == ["B"]


def test_columns_that_are_not_mapped_are_kept_aside(tmp_path: Path) -> None:
    """Under a name that means nothing in the plain layout."""
    text = 'kind = "delimited"\nfiles = ["*"]\n[[table]]\ninto = "clears"\n[table.columns]\n'
    each = made(f'{text}vehicle_id = "v"\ncleared_at = "t"\n')
    raw = b"v,t,reason,weather\nT,2025-01-01,none,rain\n"
    row = rows(MapReader(each).read(deliver(tmp_path, "a.csv", raw)), "clears")[0]
    assert row["reason (as delivered)"] == "none"
    assert row["weather"] == "rain"
    assert "reason" not in row


def test_the_shipped_folder_is_where_the_examples_are() -> None:
    assert {p.stem for p in IMPORTS.glob("*.toml")} == set(maps())


def test_headings_named_as_ours_do_no_harm(tmp_path: Path) -> None:
    """A source may call its columns as the program calls its own helpers."""
    text = 'kind = "delimited"\nfiles = ["*"]\n[[table]]\ninto = "clears"\n[table.columns]\n'
    each = made(f'{text}vehicle_id = "at"\ncleared_at = "_line"\n')
    names = ["at", "_line", "_vin", "_plate", "why", "value", "column 3", "load_id", "extras", "x"]
    raw = ",".join(names) + "\nT,2025-01-01,a,b,c,d,e,f,g,\nT,nonsense,a,b,c,d,e,f,g,\n"
    read = MapReader(each).read(deliver(tmp_path, "a.csv", raw.encode()))
    [row] = rows(read, "clears")
    assert (row["vehicle_id"], row["_line"], row["why"]) == ("T", 2, "c")
    assert row["_vin (as delivered)"] == "a"
    assert [(r.line, r.value) for r in read.rejections] == [(3, "nonsense")]


def test_every_key_of_a_map_stands_in_the_help_and_its_example_is_one() -> None:
    text = (Path(afterclear.__file__).parent / "help" / "imports.md").read_text(encoding="utf-8")
    keys = {key.name for each in (ImportMap, MapTable, MapColumn) for key in fields(each)}
    told = {key.removesuffix("_") for key in keys - {"name"} if key.removesuffix("_") not in text}
    assert told == set()
    example = text.split("```toml\n")[1].split("```")[0]
    assert made(example).table[0].columns["scanned_at"].from_ == ("Datum", "Uhrzeit")
    assert all(f"| `{name}` |" in text for name in maps())


CODED = """
kind = "delimited"
files = ["*"]
[[table]]
into = "repairs"
[table.columns]
repair_id = "r"
vehicle_id = "v"
repaired_at = "t"
codes = { from = "c", pattern = '%s' }
"""


def coded(folder: Path, cells: list[str], pattern: str) -> tuple[list[object], list[str]]:
    """Give the codes of orders read through a pattern, and what was expected of those refused."""
    lines = [f"A{n},V1,2025-01-01,{cell}" for n, cell in enumerate(cells)]
    raw = "\n".join(["r,v,t,c", *lines]).encode()
    read = MapReader(made(CODED % pattern)).read(deliver(folder, "a.csv", raw))
    return [r["codes"] for r in rows(read, "repairs")], [r.expected for r in read.rejections]


def test_a_pattern_that_keeps_all_codes_of_a_cell_loses_none(tmp_path: Path) -> None:
    found, refused = coded(tmp_path, ["DTC: P0301 P0302", "DTC: P0420"], "DTC: (.+)")
    assert (found, refused) == (["P0301 P0302", "P0420"], [])


def test_an_order_names_its_code_also_where_it_says_that_it_is_gone(tmp_path: Path) -> None:
    told = ["P0301 cleared", "P0301 fixed", "P0301 behoben", "P0301 OK"]
    assert coded(tmp_path, told, r"([A-Z]\d{4})") == (["P0301"] * 4, [])


def test_each_cell_refused_says_its_own_reason(tmp_path: Path) -> None:
    found, refused = coded(tmp_path, ["P0301 P0302", "C0035 not found", "?"], r"([A-Z]\d{4})")
    assert found == []
    assert [reason.split(";")[0] for reason in refused] == [
        "all codes of the cell",
        "a code that was stored",
        "text with the pattern ([A-Z]\\d{4})",
    ]
