"""Shapes other than a row a code: codes side by side, words for none, rows that are not wanted."""

import io
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter

from afterclear.errors import RefusedFileError
from afterclear.readers.formats.grids import table_of_grid
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.checked_map import MapTable
from afterclear.records import PlainRows, ReadFile, Rejection
from tests.readers.samples import deliver
from tests.readers.test_import_maps import made, rows
from tests.readers.workbooks import xlsx

WIDE = """Vehicle,Date,km,DTC1,State1,DTC2,State2
V-1,2026-03-04,1000,P0301,stored,P0420,pending
V-2,2026-03-05,2000,,,,
V-3,2026-03-06,3000,none,,,
"""
MAP = """kind = "delimited"
files = ["*"]
[[table]]
into = "scans"
{keys}
[table.columns]
vehicle_id = "Vehicle"
scanned_at = "Date"
odometer_km = "km"
{columns}
"""


def read(folder: Path, raw: str, keys: str = "", columns: str = "", **how: str) -> ReadFile:
    text = MAP.format(keys=keys, columns=columns)
    for key, value in how.items():
        text = f"{key} = {value}\n{text}"
    return MapReader(made(text)).read(deliver(folder, "a.csv", raw.encode()))


def told(found: ReadFile, *names: str) -> list[tuple[Any, ...]]:
    return [tuple(row.get(name) for name in names) for row in rows(found, "scans")]


UNIT = 'ecu = { value = "engine" }'


@pytest.mark.parametrize(
    ("without", "second"),
    [
        ("clean", [("V-2", "engine", None, None)]),
        ("odometer", [("V-2", None, None, None)]),
        ("skip", []),
    ],
)
def test_codes_side_by_side_are_a_row_each_and_empty_cells_are_none(
    without: str, second: list[tuple[Any, ...]], tmp_path: Path
) -> None:
    """What a row without any says is the map's to tell; "none" is a unit that answered clean."""
    keys = f'codes_from = ["DTC*"]\nwithout_codes = "{without}"'
    found = read(tmp_path, WIDE, keys, UNIT + '\nstatus = { beside = ["State*"] }')
    assert told(found, "vehicle_id", "ecu", "code", "status") == [
        ("V-1", "engine", "P0301", "stored"),
        ("V-1", "engine", "P0420", "pending"),
        *second,
        ("V-3", "engine", None, None),
    ]
    assert ("rows without a code left out: 1" in found.note) == (without == "skip")


def test_the_unit_may_stand_in_the_heading_of_its_codes(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,Engine codes,Brake codes\nV-1,2026-03-04,1000,P0301 P0302,OK\n"
    found = read(
        tmp_path,
        raw,
        'codes_from = ["* codes"]\nwithout_codes = "skip"',
        "ecu = { heading = '^(.+) codes' }\ncode = { each = ' ' }",
    )
    assert told(found, "ecu", "code") == [
        ("Engine", "P0301"),
        ("Engine", "P0302"),
        ("Brake", None),
    ]


def test_several_codes_of_a_cell_keep_each_its_status(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,Codes\nV-1,2026-03-04,1000,P0420 (pending); P0301 (stored); P0171\n"
    status = """status = { from = "Codes", each = ";", pattern = '\\((.+)\\)', otherwise = "empty" }
code = { from = "Codes", each = ";", pattern = '^(\\w+)' }"""
    found = read(tmp_path, raw, columns=f"{UNIT}\n{status}")
    assert told(found, "code", "status") == [
        ("P0420", "pending"),
        ("P0301", "stored"),
        ("P0171", None),
    ]


def test_rows_that_are_not_wanted_are_left_out_and_counted(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,Kind,Code\nV-1,2026-03-04,1,fault,P0301\n,,9,Total,\n,,1,oil,\n"
    keys = 'drop_where = { "kind" = "total" }\nkeep_where = { "Kind" = "FAULT" }'
    found = read(tmp_path, raw, keys, f'{UNIT}\ncode = "Code"')
    assert told(found, "code") == [("P0301",)]
    assert found.note == "rows not wanted left out: 2"


def test_headings_of_two_lines_are_joined_under_their_group(tmp_path: Path) -> None:
    raw = """Vehicle,Date,km,Engine,,Brakes,
,,,Code,State,Code,State
V-1,2026-03-04,1,P0301,stored,C0034,pending
"""
    keys = 'header_rows = 2\ncodes_from = ["* Code"]\nwithout_codes = "skip"'
    columns = "ecu = { heading = '^(.+) Code' }\nstatus = { beside = [\"* State\"] }"
    found = read(tmp_path, raw, keys, columns)
    assert told(found, "ecu", "code", "status", "_line") == [
        ("Engine", "P0301", "stored", 3),
        ("Brakes", "C0034", "pending", 3),
    ]


def test_the_vehicle_may_stand_in_the_name_of_its_sheet(tmp_path: Path) -> None:
    book = xlsx({f"Car V-{n}": [["Date", "Code"], ["2026-03-04", f"P030{n}"]] for n in (1, 2)})
    text = """kind = "workbook"
files = ["*"]
[[table]]
into = "scans"
[table.columns]
vehicle_id = { sheet_name = '(V-\\d+)' }
scanned_at = "Date"
ecu = { value = "engine" }
code = "Code"
"""
    found = MapReader(made(text)).read(deliver(tmp_path, "a.xlsx", book))
    assert told(found, "vehicle_id", "code") == [("V-1", "P0301"), ("V-2", "P0302")]


def refusals(found: ReadFile) -> list[Rejection]:
    return list(found.rejections)


def test_an_odometer_with_three_decimals_is_a_separator_of_thousands(tmp_path: Path) -> None:
    """76,543 mi under a decimal comma is no 76.5 miles: refused, whatever its unit."""
    raw = (
        'Vehicle,Date,km,Code\nV-1,2026-03-04,"76,543 mi",P0301\nV-1,2026-03-05,"123,4 mi",P0301\n'
    )
    columns = f'{UNIT}\ncode = "Code"'
    text = MAP.format(keys="", columns=columns).replace(
        'odometer_km = "km"', 'odometer_km = { from = "km", unit = "cell" }'
    )
    how = made('decimal = ","\n' + text)
    found = MapReader(how).read(deliver(tmp_path, "a.csv", raw.encode()))
    assert [(r.line, r.column) for r in refusals(found)] == [(2, "odometer_km")]
    assert "thousands = ','" in refusals(found)[0].expected


def test_seconds_since_1970_do_not_depend_on_the_zone(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,Code\nV-1,1772618400,1,P0301\nV-1,1772618400000,2,P0301\n"
    found = read(tmp_path, raw, columns=f'{UNIT}\ncode = "Code"', date_format='["%s"]',
                 zone='"Europe/Berlin"')  # fmt: skip
    assert told(found, "scanned_at") == [("2026-03-04T10:00:00Z",)] * 2


def test_names_of_months_are_read_in_the_languages_served(tmp_path: Path) -> None:
    days = ("3. März 2026", "3. marca 2026", "3. mars 2026", "3. marzo 2026", "3. Mar 2026")
    raw = "Vehicle,Date,km,Code\n" + "".join(f"V-1,{day},1,P0301\n" for day in days)
    found = read(tmp_path, raw, columns=f'{UNIT}\ncode = "Code"', date_format='["%d. %b %Y"]')
    assert told(found, "scanned_at") == [("2026-03-03T00:00:00Z",)] * 5


def test_a_spare_heading_equal_to_a_plain_column_but_for_case_is_kept_aside(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,ECU,Code\nV-1,2026-03-04,1,x,P0301\n"
    found = read(tmp_path, raw, columns=f'{UNIT}\ncode = "Code"')
    (part,) = (p for p in found.parts if isinstance(p, PlainRows))
    assert "ECU (as delivered)" in part.frame.columns


REPORT = """[Engine]
 counter 12 km
 P0301
[Gearbox]
 no fault
Brakes: no fault
"""


def test_what_a_section_says_of_a_unit_ends_with_it(tmp_path: Path) -> None:
    """A counter is not the next unit's, and a unit named in its own line not the one before."""
    text = r"""kind = "text"
files = ["*"]
[[table]]
into = "scans"
section = ['^\[(?P<unit>\w+)\]', 'counter (?P<since>\d+) km']
row = ['^ (?P<code>[PCBU]\d{4})$', 'no fault']
[table.columns]
vehicle_id = { value = "V-1" }
scanned_at = { value = "2026-03-04" }
ecu = "unit"
code = "code"
distance_since_clear_km = "since"
"""
    found = MapReader(made(text)).read(deliver(tmp_path, "a.txt", REPORT.encode()))
    assert told(found, "ecu", "code", "distance_since_clear_km") == [
        ("Engine", "P0301", "12"),
        ("Gearbox", None, None),
    ]
    assert [r.value for r in found.rejections] == ["Brakes: no fault"]


def test_the_day_above_and_the_time_of_day_in_each_row_are_one_time(tmp_path: Path) -> None:
    text = """kind = "delimited"
files = ["*"]
[[table]]
into = "scans"
header_has = ["Time", "Car"]
[table.columns]
vehicle_id = "Car"
scanned_at = { from = "Time", above = '(?m)Shift: (\\S+)', date_format = ["%Y-%m-%d %H:%M"] }
ecu = { value = "engine" }
code = "Code"
"""
    raw = b"Shift: 2026-02-13\n\nTime,Car,Code\n06:15,V-1,P0301\n07:40,V-2,none\n"
    found = MapReader(made(text)).read(deliver(tmp_path, "a.csv", raw))
    assert [time[:16] for (time,) in told(found, "scanned_at")] == [
        "2026-02-13T06:15",
        "2026-02-13T07:40",
    ]


def test_a_price_of_one_piece_is_multiplied_by_the_pieces(tmp_path: Path) -> None:
    """Where the pieces are not told the amount is not known; where they are no number, refused."""
    text = """kind = "delimited"
files = ["*"]
[[table]]
into = "repairs"
[table.columns]
vehicle_id = "Car"
repaired_at = "Day"
notes = "Work"
part_cost = { from = "Price", times = "Qty" }
"""
    raw = b"Car,Day,Work,Price,Qty\nV-1,2026-03-13,a,14.50,4\nV-2,2026-03-14,b,39.00,\n"
    raw += b"V-3,2026-03-15,c,5.00,some\n"
    found = MapReader(made(text)).read(deliver(tmp_path, "a.csv", raw))
    assert [row.get("part_cost") for row in rows(found, "repairs")] == ["58.0", None]
    assert [(r.line, r.column) for r in refusals(found)] == [(4, "part_cost")]


def test_a_hidden_sheet_is_taken_only_under_its_whole_name(tmp_path: Path) -> None:
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    for name in ("2026", "2025"):
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, ["Car", "Day", "Code"])
        sheet.write_row(1, 0, [f"V-{name}", f"{name}-03-13", "P0301"])
    sheet.hide()
    book.close()
    text = """kind = "workbook"
files = ["*"]
[[table]]
into = "scans"
sheet = "PATTERN"
[table.columns]
vehicle_id = "Car"
scanned_at = "Day"
ecu = { value = "engine" }
code = "Code"
"""
    for pattern, vehicle in (("*", "V-2026"), ("2025", "V-2025")):
        how = made(text.replace("PATTERN", pattern))
        found = MapReader(how).read(deliver(tmp_path, "a.xlsx", file.getvalue()))
        assert told(found, "vehicle_id") == [(vehicle,)]


GROUPED = """Faults of March
Site South
Order 12;V-1
Unit;Code;km
Engine;P0301;1000
Brakes;none;1000
Order 13;V-2
Engine;P0420;2000
Site North
Order 14;V-3
Engine;none;3000
"""


def test_lines_that_head_groups_say_whose_the_rows_below_are(tmp_path: Path) -> None:
    """Also one above the headings; a line of the same kind forgets what the one before it said."""
    text = """kind = "delimited"
files = ["*"]
delimiter = ";"
[[table]]
into = "scans"
header_has = ["Unit", "Code", "km"]
group = ['^Order (?P<order>\\d+) \\| (?P<vehicle>\\S+)$', '^Site (?P<yard>\\w+)$']
[table.columns]
vehicle_id = "vehicle"
scan_id = "order"
scanned_at = { value = "2026-03-04" }
odometer_km = "km"
ecu = "Unit"
code = "Code"
"""
    found = MapReader(made(text)).read(deliver(tmp_path, "a.csv", GROUPED.encode()))
    assert told(found, "vehicle_id", "scan_id", "ecu", "code", "yard") == [
        ("V-1", "12", "Engine", "P0301", "South"),
        ("V-1", "12", "Brakes", None, "South"),
        ("V-2", "13", "Engine", "P0420", "South"),
        ("V-3", "14", "Engine", None, "North"),
    ]


def test_a_name_of_a_group_that_is_a_heading_too_is_refused(tmp_path: Path) -> None:
    keys = "group = ['^(?P<vehicle>V-\\d)$']"
    with pytest.raises(RefusedFileError, match="heading 'vehicle' of its own"):
        read(tmp_path, WIDE, keys, UNIT)


def test_a_line_that_fills_the_text_only_goes_on_with_the_row_above(tmp_path: Path) -> None:
    raw = "Vehicle,Date,km,Code,Text\nV-1,2026-03-04,1,P0301,misfire\n,,,,cylinder 1\n"
    columns = f'{UNIT}\ncode = "Code"\ndescription = "Text"'
    found = read(tmp_path, raw, 'goes_on = ["Text"]', columns)
    assert told(found, "code", "description") == [("P0301", "misfire cylinder 1")]


def test_a_cell_wider_than_its_column_is_refused_and_not_cut(tmp_path: Path) -> None:
    """What stands between two columns of a printed list would be lost: 1 of 118,000."""
    text = """kind = "fixed"
files = ["*"]
decimal = "."
thousands = ","
[[table]]
into = "scans"
header = 1
names = ["Car", "Day", "km", "Code"]
positions = [[1, 3], [5, 14], [17, 22], [24, 28]]
[table.columns]
vehicle_id = "Car"
scanned_at = "Day"
odometer_km = "km"
ecu = { value = "engine" }
code = "Code"
"""
    lines = ("Car Day             km  Code", "V-1 2026-03-04  18,000 P0301")
    wide = "V-2 2026-03-05 118,000 P0302"
    raw = "\n".join([*lines, wide]).encode()
    found = MapReader(made(text)).read(deliver(tmp_path, "a.txt", raw))
    assert told(found, "vehicle_id", "odometer_km") == [("V-1", "18000")]
    assert [r.line for r in found.rejections] == [3]


class Counted(list[str | None]):
    """A row that counts the cells of it that are copied."""

    n_copied = 0

    def __getitem__(self, at: Any) -> Any:
        found = super().__getitem__(at)
        if isinstance(at, slice):
            Counted.n_copied += len(found)
            return Counted(found)
        return found


def test_a_row_with_a_thousand_blank_cells_is_not_copied_for_each_of_them() -> None:
    """An xls of 5 kB with a cell in the last row and column took ten seconds so."""
    blank: list[str | None] = [None] * 1_000
    grid = [(1, ["Vehicle", "Plate", *blank]), (2, Counted(["V-1", "AB-1", *blank]))]
    table = table_of_grid(grid, MapTable(into="vehicles", columns={}), "x", fill_short=True)
    assert table.frame["Vehicle"].to_list() == ["V-1"]
    assert Counted.n_copied < 10


@pytest.mark.parametrize("sign", ["-", "\u2014", "--", "n/a", "k.A.", "b/d", "s/o", "."])
def test_a_sign_for_none_is_no_number_of_a_part(tmp_path: Path, sign: str) -> None:
    said = MAP.replace("scans", "repairs").replace("scanned_at", "repaired_at")
    columns = 'part_number = "Part"\nnotes = "Work"\nrepair_id = "Order"'
    text = "Vehicle,Date,km,Order,Part,Work\n"
    text += f"V-1,2026-03-04,1000,A-1,{sign},Fuse\nV-1,2026-03-05,1100,A-2,N-AV-1,Lamp\n"
    found = MapReader(made(said.format(keys="", columns=columns))).read(
        deliver(tmp_path, "a.csv", text.encode())
    )
    assert [row.get("part_number") for row in rows(found, "repairs")] == [None, "N-AV-1"]
