"""Import maps: how one source's files become the plain layout, as TOML, checked on load.

What belongs here: what a map's keys may say and what goes together.  ``checked_map`` holds the keys
themselves; ``map_reader`` and the modules it calls apply them. All mistakes of all maps are
reported at once.  User's view: ``help/imports.md``.
"""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Annotated, Any, TypeVar

import polars as pl
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    create_model,
)

from afterclear.errors import ConfigError, settings_mistakes
from afterclear.plain import TABLES, Kind, check_zone
from afterclear.readers.maps.checked_map import (
    KEY_IDENTIFIERS,
    MARKS,
    NUMBERS,
    ORIGINS,
    TIMES,
    BrokenMap,
    ImportMap,
    MapColumn,
    MapTable,
)
from afterclear.readers.maps.measures import UNITS, unit_fits
from afterclear.readers.text.text_of_bytes import codec_named

_Record = TypeVar("_Record")


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


def _pattern_of_period(text: str) -> str:
    if re.compile(_pattern(text)).groups < _BOTH_ENDS:
        raise ValueError(f"{text!r} needs a group for the first and one for the last day")
    return text


def _named_pattern(text: str) -> str:
    if not re.compile(_pattern(text)).groupindex:
        raise ValueError(f"{text!r} needs at least one named group, as (?P<code>...)")
    return text


def _known_encoding(text: str) -> str:
    if text != "detect":
        codec_named(text)
    return text


_BOTH_ENDS = 2
_ONE_ORIGIN = f"exactly one of {', '.join(n.rstrip('_') for n in ORIGINS)} says where it is from"


_DAY_AND_CLOCK = ("from_", "above")  # the day stands above, a time of day in each row


def _one_origin(optional: bool, info: ValidationInfo) -> bool:  # noqa: FBT001
    origins = [n for n in ORIGINS if info.data.get(n)]
    if len(origins) > 1 and origins != list(_DAY_AND_CLOCK):
        raise ValueError(_ONE_ORIGIN)
    template = info.data.get("template", "")
    if template and template.count("{}") != len(info.data.get("from_", ())):
        raise ValueError(f"the template {template!r} needs a {{}} for each heading in from")
    return optional


def _short_column(value: object) -> object:
    return {"from": value} if isinstance(value, str | list) else value


def _known_columns(columns: dict[str, MapColumn], info: ValidationInfo) -> dict[str, MapColumn]:
    if "into" not in info.data:
        return columns
    wide = _wide_mistakes(columns, info)
    if wide:
        raise ValueError("; ".join(wide))
    table = TABLES[info.data["into"]]
    kinds = {c.name: c for c in table.columns}
    identifiers = () if table.name == "vehicles" else KEY_IDENTIFIERS
    wrong = [
        f"{n!r} is no column of {table.name}; use one of: {', '.join((*kinds, *identifiers))}"
        for n in columns
        if n not in kinds and n not in identifiers
    ]
    # a scan's number can be made; a vehicle's is found by its identifiers or given with the file
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


def _wide_mistakes(columns: dict[str, MapColumn], info: ValidationInfo) -> list[str]:
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
    """Say which parts of a column's spec do not fit the kind of its cells."""
    wrong = []
    if column.unit and (column.unit not in UNITS or kind not in NUMBERS):
        wrong.append(f"{name}: unit {column.unit!r}; use one of: {', '.join(UNITS)}, on numbers")
    elif column.unit and not unit_fits(column.unit, name):
        wrong.append(f"{name}: unit {column.unit!r} measures something else")
    if column.from_ and column.above and (kind not in TIMES or len(column.from_) > 1):
        wrong.append(
            f"{name}: from and above together are of times: the day above, the hour in the one "
            "column of from"
        )
    if column.thousands and (kind not in NUMBERS or not {*column.thousands} <= {*MARKS}):
        wrong.append(f"{name}: thousands {column.thousands!r}; marks between digits, on numbers")
    if column.up_to and name != "code":
        wrong.append(f"{name}: up_to belongs to the code: it stands between two of them")
    if column.times and kind not in NUMBERS:
        wrong.append(f"{name}: times belongs to columns that hold a number")
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
_AMOUNTS = {"part_cost", "labour_cost"}
# Keys of a table that mean nothing for other kinds.
_ONLY = {
    "sheet": ("workbook",),
    "rows": ("json", "xml"),
    "positions": ("fixed",),
    "names": ("fixed", "delimited", "workbook", "html", "pdf"),
    "struck": ("workbook", "html"),
    "goes_on": ("delimited", "fixed", "workbook", "html", "pdf"),
    "group": ("delimited", "fixed", "workbook", "html", "pdf"),
    "begin": ("text",),
    "page": ("text",),
    "section": ("text",),
    "row": ("text",),
    "ignore": ("text",),
}


def _other_than_decimal(mark: str, info: ValidationInfo) -> str:
    if mark and (mark == info.data.get("decimal") or mark not in MARKS):
        raise ValueError(f"{mark!r} cannot part thousands beside that decimal mark")
    return mark


def _fit_the_kind(tables: tuple[BaseModel, ...], info: ValidationInfo) -> tuple[MapTable, ...]:
    kind = info.data.get("kind")
    wrong = []
    made = tuple(_record(MapTable, table) for table in tables)
    for n, (table, said) in enumerate(zip(made, tables, strict=True), 1):
        missing = [needs for key, needs in _NEEDS.get(str(kind), ()) if not getattr(table, key)]
        wrong += [f"table {n} needs {needs}" for needs in missing]
        wrong += [
            f"table {n}: {key} means nothing for the kind {kind}"
            for key, kinds in _ONLY.items()
            if key in said.model_fields_set and kind not in kinds
        ]
        if wrong_amounts := set(table.once_per_order) - _AMOUNTS:
            named = ", ".join(sorted(wrong_amounts))
            wrong.append(f"table {n}: once_per_order is of part_cost and labour_cost, not {named}")
        if table.positions and len(table.positions) != len(table.names):
            wrong.append(f"table {n} has {len(table.positions)} positions for its names")
    if wrong:
        raise ValueError("; ".join(wrong))
    return made


# --- the checks of each key -------------------------------------------------------------------


def _checked(record: type, checks: dict[str, Any]) -> type[BaseModel]:
    """Give the model that checks a record's keys: by their types, or by their entries in checks."""
    keys: dict[str, Any] = {}
    for key in fields(record):
        default: Any = ... if key.default is MISSING else key.default
        if key.default_factory is not MISSING:
            default = Field(default_factory=key.default_factory)
        keys[key.name] = (checks.get(key.name, key.type), default)
    return create_model(record.__name__, __base__=_Part, **keys)


def _record(record: type[_Record], checked: BaseModel) -> _Record:
    return record(**{key: getattr(checked, key) for key in type(checked).model_fields})


_NAMES = Annotated[tuple[str, ...], BeforeValidator(_as_list)]
_PATTERN = Annotated[str, BeforeValidator(_pattern)]
_GROUP = Annotated[str, BeforeValidator(_pattern_with_group)]
_PATTERNS = Annotated[tuple[_PATTERN, ...], BeforeValidator(_as_list)]
_PERIOD = Annotated[str, BeforeValidator(_pattern_of_period)]
_NAMED = Annotated[str, BeforeValidator(_named_pattern)]

_COLUMN = _checked(
    MapColumn,
    {
        "from_": Annotated[_NAMES, Field(alias="from")],
        **dict.fromkeys(("file_name", "above", "sheet_name", "heading", "pattern"), _GROUP | None),
        "beside": _NAMES,
        **dict.fromkeys(("each", "up_to"), _PATTERN | None),
        "date_format": _NAMES,
        "optional": Annotated[bool, AfterValidator(_one_origin), Field(validate_default=True)],
    },
)
_COLUMNS = dict[
    str,
    Annotated[
        _COLUMN,  # type: ignore[valid-type]
        BeforeValidator(_short_column),
        AfterValidator(lambda checked: _record(MapColumn, checked)),
    ],
]
_TABLE = _checked(
    MapTable,
    {
        "header": Annotated[int, Field(ge=0)],
        "header_rows": Annotated[int, Field(ge=1, le=5)],
        **dict.fromkeys(("header_has", "fill_down", "goes_on", "codes_from"), _NAMES),
        "once_per_order": _NAMES,
        **dict.fromkeys(("until", "totals"), _PATTERN | None),
        **dict.fromkeys(("keep_where", "drop_where"), dict[str, _PATTERN]),
        "days_within": dict[str, _PERIOD],
        **dict.fromkeys(("begin", "row", "ignore"), _PATTERNS),
        **dict.fromkeys(
            ("section", "group", "page"), Annotated[tuple[_NAMED, ...], BeforeValidator(_as_list)]
        ),
        "columns": Annotated[_COLUMNS, AfterValidator(_known_columns)],
    },
)
_MAP = _checked(
    ImportMap,
    {
        "name": Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")],
        "files": Annotated[_NAMES, Field(min_length=1)],
        "contains": _PATTERNS,
        "encoding": Annotated[str, BeforeValidator(_known_encoding)],
        "delimiter": Annotated[str, Field(min_length=1, max_length=1)],
        "zone": Annotated[str, AfterValidator(check_zone)] | None,
        "date_format": _NAMES,
        "thousands": Annotated[str, Field(max_length=1), AfterValidator(_other_than_decimal)],
        "table": Annotated[
            tuple[_TABLE, ...],  # type: ignore[valid-type]
            Field(min_length=1),
            AfterValidator(_fit_the_kind),
        ],
    },
)


def parse_map(text: str, name: str, where: str, problems: list[str]) -> ImportMap | None:
    """Check one map's text; None if it is wrong, with every mistake added to ``problems``."""
    try:
        checked = _MAP.model_validate({**tomllib.loads(text), "name": name})
        return _record(ImportMap, checked)
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{where}: {error}")
    except ValidationError as error:
        problems += settings_mistakes(where, error.errors())
    return None


def load_maps(folder: Path | None) -> tuple[ImportMap | BrokenMap, ...]:
    """Read every ``*.toml`` of a folder; none if there is no folder.

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
    """Give the file names a wrong map is for; none if it does not say so."""
    try:
        files = _as_list(tomllib.loads(text).get("files"))
    except tomllib.TOMLDecodeError:
        return ()
    good = isinstance(files, list) and all(isinstance(each, str) and each for each in files)
    return tuple(files) if good and isinstance(files, list) else ()
