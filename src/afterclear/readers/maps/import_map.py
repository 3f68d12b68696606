"""Import maps: how one source's files become the plain layout, as TOML, checked on load.

What belongs here: the keys of a map, what they mean, what goes together.  What is done with
them stands in ``map_reader`` and the modules it calls.  All mistakes of all maps are told at
once.  User's view: ``help/imports.md``.
"""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import polars as pl
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
)

from afterclear.errors import ConfigError, settings_mistakes
from afterclear.plain import TABLES, Kind, check_zone
from afterclear.readers.maps.units import UNITS, unit_fits
from afterclear.readers.text.text_of_bytes import codec_named

# Ways to know a vehicle besides its number; the store finds the number (store/intake/identity.py).
KEY_IDENTIFIERS = ("vin", "plate")
# Kinds of cells that hold a number.
NUMBERS = {Kind.DISTANCE, Kind.NUMBER, Kind.COUNT, Kind.YEAR}
TIMES = {Kind.INSTANT, Kind.DATE}
# What may part groups of three digits (U+00A0, U+202F: the blanks of typeset numbers).
MARKS = (",", ".", " ", "'", "_", "\u2019", "\u00a0", "\u202f")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, defer_build=True)


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _pattern(text: str) -> str:
    try:
        re.compile(text)
        pl.Series([""]).str.contains(text)  # the vectorised engine knows no look-around
    except (re.error, pl.exceptions.ComputeError) as error:
        raise ValueError(f"{text!r} is no pattern: {str(error).splitlines()[0]}") from error
    return text


def _pattern_with_group(text: str) -> str:
    if not re.compile(_pattern(text)).groups:
        raise ValueError(f"{text!r} needs a group in brackets for what is to be taken")
    return text


def _named_pattern(text: str) -> str:
    if not re.compile(_pattern(text)).groupindex:
        raise ValueError(f"{text!r} needs at least one named group, as (?P<code>...)")
    return text


def _known_encoding(text: str) -> str:
    if text != "detect":
        codec_named(text)
    return text


Names = Annotated[tuple[str, ...], BeforeValidator(_as_list)]
Pattern = Annotated[str, BeforeValidator(_pattern)]
GroupPattern = Annotated[str, BeforeValidator(_pattern_with_group)]
NamedPattern = Annotated[str, BeforeValidator(_named_pattern)]
Patterns = Annotated[tuple[Pattern, ...], BeforeValidator(_as_list)]
NamedPatterns = Annotated[tuple[NamedPattern, ...], BeforeValidator(_as_list)]
Encoding = Annotated[str, BeforeValidator(_known_encoding)]


# Where a column's cells may come from.
_ORIGINS = ("from_", "value", "file_name", "above", "sheet_name", "heading", "beside")
_ONE_ORIGIN = f"exactly one of {', '.join(n.rstrip('_') for n in _ORIGINS)} says where it is from"


class MapColumn(_Part):
    """Where the cells of one plain column come from, and what is done to them, in this order."""

    from_: Names = Field((), alias="from", description="Heading or headings of the source.")
    join: str = Field(" ", description="Put between the cells of several headings.")
    template: str = Field("", description="Or: a text with {} for each heading's cell in turn.")
    value: str | None = Field(None, description="The same text in every row.")
    file_name: GroupPattern | None = Field(None, description="Pattern taken from the file's name.")
    above: GroupPattern | None = Field(None, description="... from the text above the headings.")
    sheet_name: GroupPattern | None = Field(None, description="... from the name of the sheet.")
    heading: GroupPattern | None = Field(
        None, description="With codes_from: taken from the heading the code stands under."
    )
    beside: Names = Field((), description="With codes_from: the columns beside those, in step.")
    pattern: GroupPattern | None = Field(None, description="Part of the cell that is taken.")
    each: Pattern | None = Field(None, description="What separates several values: a row each.")
    unit: str | None = Field(None, description="Unit of the numbers; 'cell': it stands with them.")
    date_format: Names = Field((), description="How these times are written, if not as the map's.")
    values: dict[str, str] = Field(default_factory=dict, description="Their words to ours.")
    otherwise: str = Field("refuse", description="Other words: refuse, keep, empty, or a value.")
    optional: bool = Field(
        default=False, validate_default=True, description="The heading may be missing."
    )

    @field_validator("optional")
    @classmethod
    def _one_origin(cls, optional: bool, info: ValidationInfo) -> bool:  # noqa: FBT001
        origins = [n for n in _ORIGINS if info.data.get(n)]
        if len(origins) > 1:
            raise ValueError(_ONE_ORIGIN)
        template = info.data.get("template", "")
        if template and template.count("{}") != len(info.data.get("from_", ())):
            raise ValueError(f"the template {template!r} needs a {{}} for each heading in from")
        return optional

    @property
    def has_origin(self) -> bool:
        """Whether it says where its cells are from; with codes_from the codes' cells may be it."""
        return any(getattr(self, name) for name in _ORIGINS)


def _short_column(value: object) -> object:
    return {"from": value} if isinstance(value, str | list) else value


Columns = dict[str, Annotated[MapColumn, BeforeValidator(_short_column)]]


class MapTable(_Part):
    """One table of the source, and the plain table it becomes."""

    into: Literal["vehicles", "scans", "clears", "repairs"]
    sheet: str = Field("*", description="Workbook: the sheets, as a file pattern.")
    rows: str = Field("", description="JSON, XML: path to what is a row, as reports.units.codes")
    header: int = Field(1, ge=0, description="Row of the headings, from 1; 0: there are none.")
    header_has: Names = Field((), description="Or: the first row with all these headings.")
    header_rows: int = Field(1, ge=1, le=5, description="Rows the headings take, groups above.")
    names: tuple[str, ...] = Field((), description="Names of the columns where there are none.")
    positions: tuple[tuple[int, int], ...] = Field(
        (), description="Fixed width: first and last character of each column, from 1."
    )
    until: Pattern | None = Field(None, description="The table ends before a line with this.")
    totals: Pattern | None = Field(None, description="Rows beginning so are totals: left out.")
    keep_where: dict[str, Pattern] = Field(
        default_factory=dict, description="Heading -> pattern: only rows that have it are taken."
    )
    drop_where: dict[str, Pattern] = Field(
        default_factory=dict, description="Heading -> pattern: rows that have it are left out."
    )
    fill_down: Names = Field((), description="Columns whose empty cells take the cell above.")
    codes_from: Names = Field((), description="Columns of codes side by side, as DTC*: a row each.")
    without_codes: Literal["clean", "odometer", "skip"] | None = Field(
        None,
        description="What a row without any code says: units read and clean, or only its distance, "
        "or nothing.",
    )
    begin: Patterns = Field((), description="Text: lines that begin a new report.")
    section: NamedPatterns = Field((), description="Text: lines whose groups hold for what follows")
    row: Patterns = Field((), description="Text: lines that are a row.")
    ignore: Patterns = Field((), description="Text: other lines that are known.")
    keep_rest: bool = Field(default=True, description="Keep columns that are not mapped aside.")
    columns: Columns = Field(description="Plain column -> where its cells come from.")

    @field_validator("columns")
    @classmethod
    def _known_columns(cls, columns: Columns, info: ValidationInfo) -> Columns:
        if "into" not in info.data:
            return columns
        wide = _wide_mistakes(columns, info)
        if wide:
            raise ValueError("; ".join(wide))
        table = TABLES[info.data["into"]]
        kinds = {c.name: c for c in table.columns}
        marks = () if table.name == "vehicles" else KEY_IDENTIFIERS
        wrong = [
            f"{n!r} is no column of {table.name}; use one of: {', '.join((*kinds, *marks))}"
            for n in columns
            if n not in kinds and n not in marks
        ]
        # a scan's number can be made, a vehicle's found by its marks or told with the file
        made = {"scan_id", "repair_id", "vehicle_id"}
        if table.name == "vehicles" and "vin" not in columns:
            made = set()
        wrong += [
            f"{name!r} is missing; {table.name} cannot do without it"
            for name in table.required
            if name not in columns and name not in made
        ]
        for name, column in columns.items():
            kind = kinds[name].kind if name in kinds else Kind.TEXT
            wrong += _unfit(name, column, kind, kinds[name].choices if name in kinds else ())
        if wrong:
            raise ValueError("; ".join(wrong))
        return columns


def _wide_mistakes(columns: Columns, info: ValidationInfo) -> list[str]:
    """Say what is wrong with codes side by side."""
    if not info.data.get("codes_from"):
        return [
            f"{n}: heading and beside belong to tables with codes_from"
            for n, c in columns.items()
            if c.heading or c.beside
        ] + [f"{n}: {_ONE_ORIGIN}" for n, c in columns.items() if not c.has_origin]
    wrong = []
    if info.data.get("into") != "scans":
        wrong.append("codes_from belongs to tables of scans")
    if "code" in columns and columns["code"].from_:
        wrong.append("code: its columns are said by codes_from already")
    if info.data.get("without_codes") is None:
        wrong.append(
            "codes_from needs without_codes: whether a row without any code is a vehicle that was "
            "read and is clean ('clean'), only a distance ('odometer'), or nothing ('skip')"
        )
    return wrong


def _unfit(name: str, column: MapColumn, kind: Kind, choices: Sequence[str]) -> list[str]:
    """Say what of a column's spec does not go with the kind of its cells."""
    wrong = []
    if column.unit and (column.unit not in UNITS or kind not in NUMBERS):
        wrong.append(f"{name}: unit {column.unit!r}; use one of: {', '.join(UNITS)}, on numbers")
    elif column.unit and not unit_fits(column.unit, name):
        wrong.append(f"{name}: unit {column.unit!r} measures something else")
    if column.date_format and kind not in TIMES:
        wrong.append(f"{name}: date_format belongs to columns that hold a time or date")
    if kind is Kind.CHOICE:
        given = [*column.values.values(), *([column.value] if column.value else [])]
        if column.otherwise not in {"refuse", "keep", "empty"}:
            given.append(column.otherwise)
        wrong += [
            f"{name}: {word!r} is none of: {', '.join(choices)}"
            for word in given
            if word not in choices and word != ""
        ]
    return wrong


# What a table of each kind must say, and the sentence when it does not.
_NEEDS: dict[str, tuple[tuple[str, str], ...]] = {
    "fixed": (
        ("positions", "positions: first and last character of each column"),
        ("names", "names: one name for each of the positions"),
    ),
    "text": (("row", "row: at least one pattern of a line that is a row"),),
}
# Keys of a table that mean nothing for other kinds.
_ONLY = {
    "sheet": ("workbook",),
    "rows": ("json", "xml"),
    "positions": ("fixed",),
    "names": ("fixed", "delimited", "workbook", "html", "pdf"),
    "begin": ("text",),
    "section": ("text",),
    "row": ("text",),
    "ignore": ("text",),
}


class ImportMap(_Part):
    """One source's files."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$", description="The map's file name.")
    about: str = Field("", description="Whose files these are, for people.")
    kind: Literal["delimited", "fixed", "workbook", "json", "xml", "html", "pdf", "text"]
    files: Names = Field(min_length=1, description="File names taken, as codes_*.csv")
    contains: Patterns = Field(
        (), description="Patterns that the beginning of the file must all have."
    )
    encoding: Encoding = Field("detect", description="How the bytes become text.")
    delimiter: str = Field(",", min_length=1, max_length=1, description="Between two cells.")
    short_rows: Literal["refuse", "fill"] = Field(
        "refuse", description="Rows with fewer cells than headings: refuse, or fill with nothing."
    )
    zone: str | None = Field(None, description="Zone of times without an offset; else the source's")
    ambiguous_time: Literal["earlier", "later", "refuse"] = Field(
        "earlier", description="Which is meant when clocks are set back and an hour comes twice."
    )
    missing_time: Literal["refuse", "later"] = Field(
        "refuse", description="A time in the hour that clocks leave out; later: an hour later."
    )
    date_format: Names = Field((), description="How times are written, as %d.%m.%Y %H:%M; else ISO")
    excel_serial: Literal["", "1900", "1904"] = Field(
        "", description="Times may be day numbers of a spreadsheet of this date system."
    )
    decimal: Literal[".", ","] = Field(".", description="Decimal mark.")
    thousands: str = Field("", max_length=1, description="Mark between groups of three digits.")
    table: tuple[MapTable, ...] = Field(min_length=1, description="The tables in each file.")

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str | None) -> str | None:
        return zone if zone is None else check_zone(zone)

    @field_validator("thousands")
    @classmethod
    def _other_than_decimal(cls, mark: str, info: ValidationInfo) -> str:
        if mark and (mark == info.data.get("decimal") or mark not in MARKS):
            raise ValueError(f"{mark!r} cannot part thousands beside that decimal mark")
        return mark

    @field_validator("table")
    @classmethod
    def _fit_the_kind(
        cls, tables: tuple[MapTable, ...], info: ValidationInfo
    ) -> tuple[MapTable, ...]:
        kind = info.data.get("kind")
        wrong = []
        for n, table in enumerate(tables, 1):
            missing = [said for key, said in _NEEDS.get(str(kind), ()) if not getattr(table, key)]
            wrong += [f"table {n} needs {said}" for said in missing]
            wrong += [
                f"table {n}: {key} means nothing for the kind {kind}"
                for key, kinds in _ONLY.items()
                if key in table.model_fields_set and kind not in kinds
            ]
            if table.positions and len(table.positions) != len(table.names):
                wrong.append(f"table {n} has {len(table.positions)} positions for its names")
        if wrong:
            raise ValueError("; ".join(wrong))
        return tables


def parse_map(text: str, name: str, where: str, problems: list[str]) -> ImportMap | None:
    """Check one map's text; None if it is wrong, with every mistake added to ``problems``."""
    try:
        return ImportMap.model_validate({**tomllib.loads(text), "name": name})
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{where}: {error}")
    except ValidationError as error:
        problems += settings_mistakes(where, error.errors())
    return None


@dataclass(frozen=True, slots=True)
class BrokenMap:
    """A map that is wrong but says which files it is for: only those are refused."""

    name: str
    files: tuple[str, ...]
    problems: tuple[str, ...]


def load_maps(folder: Path | None) -> tuple[ImportMap | BrokenMap, ...]:
    """Read every ``*.toml`` of a folder; none where there is no folder.

    Raises:
        ConfigError: some are wrong and do not even say for which files they are; every mistake
            of every such map is listed.

    """
    problems: list[str] = []
    maps: list[ImportMap | BrokenMap] = []
    for path in sorted(folder.glob("*.toml")) if folder and folder.is_dir() else ():
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(f"{path}: {error}")
            continue
        own: list[str] = []
        made = parse_map(text, path.stem.lower(), str(path), own)
        if made is not None:
            maps.append(made)
        elif files := _files_of(text):
            maps.append(BrokenMap(path.stem.lower(), files, tuple(own)))
        else:
            problems += own
    if problems:
        raise ConfigError("\n".join(problems))
    return tuple(maps)


def _files_of(text: str) -> tuple[str, ...]:
    """Give the file names a wrong map is for; none where it does not say so."""
    try:
        files = _as_list(tomllib.loads(text).get("files"))
    except tomllib.TOMLDecodeError:
        return ()
    good = isinstance(files, list) and all(isinstance(each, str) and each for each in files)
    return tuple(files) if good and isinstance(files, list) else ()
