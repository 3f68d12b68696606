"""PDFs: cells by their places, and every file that is none, too large or without text refused."""

import re
import zlib
from pathlib import Path

import pytest

from afterclear.errors import RefusedFileError
from afterclear.readers.child.reading_process import Readers
from afterclear.readers.formats import pdf_pages
from afterclear.readers.formats.pdf_pages import read_pages
from afterclear.readers.formats.pdf_tables import PrintedTable, printed_tables
from afterclear.readers.formats.printed_lines import printed_text
from afterclear.readers.limits import ReadingLimits
from afterclear.readers.mapped.map_reader import MapReader
from afterclear.readers.maps.checked_map import ImportMap
from afterclear.readers.maps.import_map import parse_map
from afterclear.readers.registry import all_readers, identify
from tests.readers.bus import rows
from tests.readers.messy.printed import picture
from tests.readers.printed import Paper, bare, paper, raw, ruled, say
from tests.readers.samples import deliver

HEAD = ("Unit", "Code", "Text", "Status")
MAP = r"""
kind = "pdf"
files = ["*.pdf"]
date_format = "%Y-%m-%d"
[[table]]
into = "scans"
header_has = ["Unit", "Code"]
[table.columns]
vehicle_id = { above = '(?m)Vehicle:\s*(\S+)' }
scanned_at = { above = '(?m)Date:\s*(\S+)' }
ecu = "Unit"
code = "Code"
description = "Text"
status = "Status"
"""


def how(text: str = MAP) -> ImportMap:
    problems: list[str] = []
    made = parse_map(text, "printed", "printed.toml", problems)
    assert made is not None, problems
    return made


def tables(made: Paper) -> list[PrintedTable]:
    return printed_tables(read_pages(raw(made), "a.pdf", 100), "a.pdf")


def cells(made: Paper) -> list[list[str]]:
    (table,) = tables(made)
    return [cells for _, cells in table.rows]


def refusal(data: bytes, max_pages: int = 100) -> str:
    with pytest.raises(RefusedFileError) as told:
        read_pages(data, "a.pdf", max_pages)
    return str(told.value)


# --- what stands where ------------------------------------------------------------------------


def test_a_wrapped_cell_is_one_cell_whether_lines_are_drawn_or_not() -> None:
    long = "Misfire detected, cylinder one, see also the notes, on coils and on their plugs"
    wanted = [list(HEAD), ["Engine", "P0301", long, "stored"], ["ABS", "C0035", "Wheel", "active"]]
    with_lines = paper()
    ruled(with_lines, wanted, (20, 20, 30, 20))
    assert cells(with_lines) == wanted
    without = paper()
    broken = long.replace(", ", ",\n")
    bare(without, [wanted[0], ["Engine", "P0301", broken, "stored"], wanted[2]], (10, 50, 80, 150))
    assert cells(without) == wanted


def test_a_code_that_is_broken_at_its_hyphen_is_whole_again() -> None:
    made = paper()
    bare(made, [("Unit", "Code"), ("Engine", "P0301-\n13"), ("ABS", "C0035")], (10, 60))
    assert cells(made)[1] == ["Engine", "P0301-13"]


def test_a_row_whose_unit_is_blank_stays_a_row_of_its_own() -> None:
    made = paper()
    lines = [HEAD, ("Engine", "P0301", "a", "stored"), ("", "P0302", "b", "pending")]
    bare(made, [*lines, ("ABS", "C0035", "c", "stored")], (10, 50, 80, 150))
    assert [row[1] for row in cells(made)] == ["Code", "P0301", "P0302", "C0035"]


def test_a_line_that_fits_no_column_is_a_row_of_one_cell_and_so_refused() -> None:
    made = paper()
    bare(made, [HEAD, ("Engine", "P0301", "a", "stored")], (10, 50, 80, 150))
    say(made, "The next unit was read only after the ignition was switched off and on once more")
    bare(made, [("ABS", "C0035", "c", "stored")], (10, 50, 80, 150))
    assert [len(row) for row in cells(made)] == [4, 4, 1, 4]


def test_the_last_rows_of_a_table_are_refused_and_not_lost_where_they_fit_no_column() -> None:
    made = paper()
    rows = [HEAD, ("Engine", "P0301", "a", "stored"), ("ABS", "C0035", "c", "stored")]
    bare(made, rows, (10, 50, 80, 150))
    strange = ["Transmission control unit with a long name P0700 siehe Beiblatt",
               "Gateway of the whole vehicle and its network U0100 c stored"]  # fmt: skip
    bare(made, [(line,) for line in strange], (10,))
    made.ln(20)
    say(made, "Read by the night desk, 2 units left out")
    assert cells(made)[3:] == [[line] for line in strange]


def test_a_lone_word_under_the_first_heading_is_no_clean_unit() -> None:
    made = paper()
    bare(
        made, [HEAD, ("Engine", "P0301", "a", "stored"), ("Remark", "", "", "")], (10, 50, 80, 150)
    )
    assert cells(made)[-1] == ["Remark"]


def test_between_drawn_lines_a_unit_without_anything_else_is_a_row() -> None:
    made = paper()
    ruled(made, [HEAD, ("Engine", "P0301", "a", "stored"), ("ABS", "", "", "")], (20, 20, 30, 20))
    assert cells(made)[-1] == ["ABS", "", "", ""]


def test_a_table_goes_on_over_the_page_with_its_headings_or_without() -> None:
    made = paper("Report", "Page {}")
    body = [(f"Unit {n}", f"P03{n:02d}", "a", "stored") for n in range(10)]
    bare(made, [HEAD, *body[:5]], (10, 50, 80, 150))
    made.add_page()
    bare(made, body[5:], (10, 50, 80, 150))
    made.add_page()
    bare(made, [HEAD, ("ABS", "C0035", "c", "stored")], (10, 50, 80, 150))
    first, again = tables(made)
    assert [row[0] for _, row in first.rows] == ["Unit", *(row[0] for row in body)]
    assert [row[0] for _, row in again.rows] == ["Unit", "ABS"]


@pytest.mark.parametrize(
    ("turn", "matrix"),
    [
        (0, "1 0 0 1 {x} {y}"),
        (90, "0 1 -1 0 {y} {x}"),
        (180, "-1 0 0 -1 {x} {y}"),
        (270, "0 -1 1 0 {y} {x}"),
    ],
)
def test_a_page_is_read_as_it_is_shown_however_it_is_turned(turn: int, matrix: str) -> None:
    """The matrix of text that a page turned so shows upright (ISO 32000-1 9.4.2, table 30)."""
    sign = -1 if turn in {180, 270} else 1
    down = -1 if turn in {0, 270} else 1
    drawn = ""
    for word, x, y in (("Unit", 0, 0), ("Code", 90, 0), ("Engine", 0, 20), ("P0301", 90, 20)):
        at = matrix.format(x=300 + sign * x, y=300 + down * y)
        drawn += f"BT /F 9 Tf {at} Tm ({word}) Tj ET\n"
    data = minimal(ONE_PAGE.replace(">>", f"/Rotate {turn} >>"), drawn.encode())
    assert printed_text(read_pages(data, "a.pdf", 9)) == "Unit  Code\nEngine  P0301"


def test_hidden_turned_and_far_away_text_is_not_read() -> None:
    made = paper()
    say(made, "Vehicle: T-1")
    with made.local_context(text_mode="INVISIBLE"):
        say(made, "Vehicle: T-666")
    with made.rotation(45, 100, 100):
        made.text(100, 100, "COPY")
    made.text(-500, 50, "Vehicle: T-667")
    assert printed_text(read_pages(raw(made), "a.pdf", 9)) == "Vehicle: T-1"


# --- through a map ----------------------------------------------------------------------------


def two_vehicles(*second: str) -> Paper:
    made = paper("Report")
    first = ("Vehicle: T-1", "Date: 2026-03-04")
    for number, facts in ((1, first), (2, second or first)):
        if number > 1:
            made.add_page()
        say(made, *facts, "")
        ruled(made, [HEAD, ("Engine", f"P030{number}", "a", "stored")], (20, 20, 30, 20))
    return made


def test_facts_of_one_report_are_not_those_of_the_next(tmp_path: Path) -> None:
    """The second vehicle has no date of its own: the first one's is not taken for it."""
    delivery = deliver(tmp_path, "two.pdf", raw(two_vehicles("Vehicle: T-2")))
    with pytest.raises(RefusedFileError, match=r"two.pdf, table 2: .* has nothing like .*Date"):
        MapReader(how()).read(delivery)
    delivery = deliver(tmp_path, "two.pdf", raw(two_vehicles("Vehicle: T-2", "Date: 2026-03-05")))
    found = rows(MapReader(how()).read(delivery), "scans")
    assert [(r["vehicle_id"], r["code"]) for r in found] == [("T-1", "P0301"), ("T-2", "P0302")]


def test_a_report_of_lines_goes_through_a_map_of_patterns(tmp_path: Path) -> None:
    made = paper()
    say(made, "Scan of T-1 at 2026-03-04", "Engine: P0301 stored", "ABS: C0035 stored")
    text = r"""
kind = "text"
files = ["*.pdf"]
contains = ["^Scan of"]
date_format = "%Y-%m-%d"
[[table]]
into = "scans"
begin = '^Scan of (?P<car>\S+) at (?P<day>\S+)$'
row = '^(?P<unit>\w+): (?P<code>\S+) (?P<state>\w+)$'
[table.columns]
vehicle_id = "car"
scanned_at = "day"
ecu = "unit"
code = "code"
status = "state"
"""
    delivery = deliver(tmp_path, "a.pdf", raw(made))
    reader = MapReader(how(text))
    assert reader.identify(delivery)
    assert [r["code"] for r in rows(reader.read(delivery), "scans")] == ["P0301", "C0035"]


def test_a_pdf_is_read_by_the_other_process_within_its_pages(tmp_path: Path) -> None:
    made = two_vehicles()
    delivery = deliver(tmp_path, "two.pdf", raw(made))
    limits = ReadingLimits(pages=1)
    with Readers(all_readers((how(),), limits), limits) as readers:
        reader = readers.identify(delivery)
        with pytest.raises(RefusedFileError, match=r"has 2 pages; at most 1 .*reader_pages"):
            reader.read(delivery)


def test_a_pdf_that_nothing_takes_says_what_hinders_it(tmp_path: Path) -> None:
    locked = paper()
    locked.set_encryption(owner_password="o", user_password="u")  # noqa: S106
    say(locked, "Vehicle: T-1")
    delivery = deliver(tmp_path, "a.pdf", raw(locked))
    with pytest.raises(RefusedFileError, match="protected by a password"):
        identify(delivery, all_readers())


# --- hostile ----------------------------------------------------------------------------------


def test_scanned_pages_are_refused_and_said_to_be_scanned() -> None:
    made = paper()
    made.image(picture(), x=10, y=10, w=100)
    assert "is scanned" in refusal(raw(made))


def test_some_pages_that_are_pictures_are_named(tmp_path: Path) -> None:
    made = two_vehicles()
    made.head = ""
    made.add_page()
    made.image(picture(), x=10, y=10, w=100)
    read = MapReader(how()).read(deliver(tmp_path, "a.pdf", raw(made)))
    assert "pages that are pictures, not read: 3" in read.note


def test_ten_thousand_pages_are_refused_by_their_number() -> None:
    kids = " ".join(["3 0 R"] * 10_000)
    data = minimal(f"<< /Type /Pages /Count 10000 /Kids [{kids}] >>", b"BT (x) Tj ET")
    assert "10,000 pages; at most 2,000" in refusal(data, 2_000)


def minimal(pages: str, content: bytes) -> bytes:
    """Write a PDF by hand, without a table of places (pdfium makes one)."""
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        pages.encode(),
        (
            b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 600 800] /Contents 4 0 R "
            b"/Resources << /Font << /F 5 0 R >> >> >>"
        ),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    body = b"".join(b"%d 0 obj\n%s\nendobj\n" % (n, part) for n, part in enumerate(parts, 1))
    return b"%PDF-1.4\n" + body + b"trailer << /Root 1 0 R /Size 6 >>\n%%EOF\n"


@pytest.mark.slow
def test_a_page_packed_a_thousandfold_twice_ends_within_its_memory(tmp_path: Path) -> None:
    """2 GB of blanks in 2 kB: packed by ISO 32000-1 7.4.4 twice, as its filters may be chained."""
    pack = zlib.compressobj(9)
    once = b"".join(pack.compress(b" " * (1 << 20)) for _ in range(2_000)) + pack.flush()
    packed = zlib.compress(once, 9)
    plain = minimal(ONE_PAGE, packed)
    head = b"<< /Filter [/FlateDecode /FlateDecode] /Length"
    data = plain.replace(b"<< /Length", head, 1)
    assert len(data) < 20_000
    delivery = deliver(tmp_path, "bomb.pdf", data)
    limits = ReadingLimits(memory_bytes=700_000_000, seconds=30)
    with Readers(all_readers((how(),), limits), limits) as readers:
        reader = readers.identify(delivery)
        with pytest.raises(RefusedFileError, match=r"MB of memory|no text|damaged|more than 30"):
            reader.read(delivery)


ONE_PAGE = "<< /Type /Pages /Count 1 /Kids [3 0 R] >>"


def test_a_page_of_too_many_letters_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf_pages, "MAX_LETTERS", 20)
    assert "at most 20 of one page are read" in refusal(raw(two_vehicles()))


def test_a_page_tree_that_goes_in_a_ring_ends() -> None:
    data = minimal("<< /Type /Pages /Count 9 /Kids [2 0 R 2 0 R] >>", b"BT (x) Tj ET")
    assert refusal(data)


def test_a_file_cut_off_anywhere_is_read_or_refused() -> None:
    whole = raw(two_vehicles())
    for end in range(5, len(whole), len(whole) // 25):
        try:
            pages = read_pages(whole[:end], "a.pdf", 100)
        except RefusedFileError as error:
            assert re.search("damaged|no text|scanned", str(error))  # noqa: PT017
        else:
            assert any(page.words for page in pages)


def test_broken_places_of_objects_are_mended_or_refused() -> None:
    whole = raw(two_vehicles())
    at = whole.rindex(b"startxref")
    broken = whole[:at] + b"startxref\n999999999\n%%EOF\n"
    text = printed_text(read_pages(broken, "a.pdf", 100))
    assert "P0301" in text


def test_a_table_is_asked_for_where_there_is_none() -> None:
    made = paper()
    say(made, "Nothing but a sentence.")
    pages = read_pages(raw(made), "a.pdf", 9)
    with pytest.raises(RefusedFileError, match="no table that could be found"):
        printed_tables(pages, "a.pdf")
