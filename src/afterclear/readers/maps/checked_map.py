"""Import maps that are known to be right: plain records, each key with its type and default.

``import_map`` makes them of TOML and checks them.  They are kept apart from it because the process
that reads foreign files gets them checked: it need not load the library that checks.
"""

from dataclasses import dataclass, field
from typing import Literal

from afterclear.plain import Kind

# Ways to know a vehicle besides its number; the store finds the number (store/intake/identity.py).
KEY_IDENTIFIERS = ("vin", "plate")
# Kinds of cells that hold a number.
NUMBERS = {Kind.DISTANCE, Kind.NUMBER, Kind.COUNT, Kind.YEAR}
TIMES = {Kind.INSTANT, Kind.DATE}
# What may part groups of three digits (U+00A0, U+202F: the blanks of typeset numbers).
MARKS = (",", ".", " ", "'", "_", "\u2019", "\u00a0", "\u202f", "\u2009")

# Where a column's cells may come from.
ORIGINS = ("from_", "value", "file_name", "above", "sheet_name", "heading", "beside")

Names = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MapColumn:
    """Where the cells of one plain column come from, and what is done to them, in this order."""

    from_: Names = ()  # heading or headings of the source
    join: str = " "  # put between the cells of several headings
    template: str = ""  # or: a text with {} for each heading's cell in turn
    value: str | None = None  # the same text in every row
    file_name: str | None = None  # pattern taken from the file's name
    above: str | None = None  # ... from the text above the headings
    sheet_name: str | None = None  # ... from the name of the sheet
    heading: str | None = None  # with codes_from: taken from the code's heading
    beside: Names = ()  # with codes_from: the columns beside those, in step
    pattern: str | None = None  # part of the cell that is taken
    each: str | None = None  # what separates several values: a row each
    up_to: str | None = None  # what stands between the first and the last of codes in a row
    unit: str | None = None  # unit of the numbers; "cell": it is beside them
    thousands: str = ""  # marks of this column, each of which may part groups of three digits
    times: str = ""  # heading of pieces: the numbers are multiplied by them
    date_format: Names = ()  # how these times are written, if not as the map's
    values: dict[str, str] = field(default_factory=dict)  # their words to ours
    otherwise: str = "refuse"  # other words: refuse, keep, empty, or a value
    optional: bool = False  # the heading may be missing

    @property
    def has_origin(self) -> bool:
        """Whether it says where its cells are from; with codes_from the codes' cells may be it."""
        return any(getattr(self, name) for name in ORIGINS)


@dataclass(frozen=True, slots=True, kw_only=True)
class MapTable:
    """One table of the source, and the plain table it becomes."""

    into: Literal["vehicles", "scans", "clears", "repairs"]
    sheet: str = "*"  # workbook: the sheets, as a file pattern
    rows: str = ""  # JSON, XML: path to what is a row, as reports.units.codes
    header: int = 1  # row of the headings, from 1; 0: there are none
    header_has: Names = ()  # or: the first row with all these headings
    header_rows: int = 1  # rows the headings take, groups above
    names: Names = ()  # names of the columns where there are none
    positions: tuple[tuple[int, int], ...] = ()  # fixed width: first and last character, from 1
    until: str | None = None  # the table ends before a line with this
    totals: str | None = None  # rows beginning so are totals: left out
    # heading -> pattern: only rows that have it are taken, or rows that have it are left out
    keep_where: dict[str, str] = field(default_factory=dict)
    drop_where: dict[str, str] = field(default_factory=dict)
    struck: Literal["refuse", "leave", "read"] = "refuse"  # rows with struck-out text
    # lines that head a group of rows, cells parted by " | ": their named groups are columns below
    group: Names = ()
    goes_on: Names = ()  # lines that fill these columns only go on with the row above
    fill_down: Names = ()  # columns whose empty cells take the cell above
    # heading -> pattern of the period above the table, its first and last day: days without a year
    days_within: dict[str, str] = field(default_factory=dict)
    month_days: dict[str, Literal["first", "last"]] = field(default_factory=dict)  # months alone
    codes_from: Names = ()  # columns of codes side by side, as DTC*: a row each
    # what a row without any code says: units read and clean, or only its distance, or nothing
    without_codes: Literal["clean", "odometer", "skip"] | None = None
    # amounts of the whole order that each of its rows tells again: part_cost, labour_cost
    once_per_order: Names = ()
    # rows of an order that differ in nothing but codes of different places: one line told once for
    # each code, or a line for each place
    places_apart: Literal["refuse", "one", "each"] = "refuse"
    begin: Names = ()  # text: lines that begin a new report
    page: Names = ()  # text: lines that head a page; their group page is its number
    section: Names = ()  # text: lines whose groups hold for what follows
    row: Names = ()  # text: lines that are a row
    ignore: Names = ()  # text: other lines that are known
    keep_rest: bool = True  # keep columns that are not mapped, in extras
    columns: dict[str, MapColumn]  # plain column -> where its cells come from


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportMap:
    """One source's files."""

    name: str  # the map's file name
    about: str = ""  # whose files these are, for people
    kind: Literal["delimited", "fixed", "workbook", "json", "xml", "html", "pdf", "text"]
    files: Names  # file names taken, as codes_*.csv
    contains: Names = ()  # patterns that the beginning of the file must all have
    encoding: str = "detect"  # how the bytes become text
    delimiter: str = ","  # between two cells
    short_rows: Literal["refuse", "fill"] = "refuse"  # rows with fewer cells than headings
    zone: str | None = None  # zone of times without an offset; otherwise the source's
    # which is meant when clocks are set back and an hour comes twice
    ambiguous_time: Literal["earlier", "later", "refuse"] = "earlier"
    missing_time: Literal["refuse", "later"] = "refuse"  # in the hour that clocks leave out
    date_format: Names = ()  # how times are written, as %d.%m.%Y %H:%M; otherwise ISO
    # times may be day numbers of a spreadsheet of this date system
    excel_serial: Literal["", "1900", "1904"] = ""
    decimal: Literal[".", ","] = "."  # decimal mark
    thousands: str = ""  # mark between groups of three digits
    table: tuple[MapTable, ...]  # the tables in each file


@dataclass(frozen=True, slots=True)
class BrokenMap:
    """A map that is wrong but says which files it is for: only those are refused."""

    name: str
    files: Names
    problems: tuple[str, ...]
