"""The plain layout as schema files, for programs that write it or check what they wrote.

Table Schema as in the Frictionless Data specification (Data Package v2, "Table Schema"), and JSON
Schema (draft 2020-12) for a row of JSON Lines.  Both say what a cell may be; whether a vehicle
could have driven so far, only a load can show (``afterclear check-file``).
"""

from typing import Any, Final

from afterclear.plain import MILE_COLUMNS, Column, Kind, Table

_TYPES: Final[dict[Kind, tuple[str, dict[str, Any]]]] = {
    Kind.TEXT: ("string", {}),
    Kind.INSTANT: ("datetime", {"format": "any"}),
    Kind.DATE: ("date", {}),
    Kind.DISTANCE: ("number", {"minimum": 0}),
    Kind.NUMBER: ("number", {}),
    Kind.COUNT: ("integer", {"minimum": 0}),
    Kind.YEAR: ("year", {}),
    Kind.CHOICE: ("string", {}),
    Kind.STATUS: ("string", {}),
    Kind.CODES: ("string", {}),
    Kind.WORDS: ("string", {}),
}
_IN_JSON: Final = {"number": "number", "integer": "integer", "year": "integer"}
_LIMITS: Final = {"minimum"}


def table_schema(table: Table) -> dict[str, Any]:
    """Describe a table for CSV: its fields, the required ones, and its key."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "name": table.name,
        "fields": [_field(column) for column in _columns(table)],
        "fieldsMatch": "partial",
        "missingValues": [""],
    }


def json_schema(table: Table) -> dict[str, Any]:
    """Describe a row of a table as a JSON object."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": table.name,
        "type": "object",
        "properties": {column.name: _property(column) for column in _columns(table)},
        "required": list(table.required),
        "additionalProperties": True,
    }
    pairs = [{"required": pair} for pair in _pairs(table)]
    return schema | ({"not": {"anyOf": pairs}} if pairs else {})


def _columns(table: Table) -> list[Column]:
    """List the columns, those that may come in miles under both names."""
    columns = []
    for column in table.columns:
        columns.append(column)
        if column.name in MILE_COLUMNS:
            name = MILE_COLUMNS[column.name]
            means = f"the same in miles, instead of `{column.name}`"
            columns.append(Column(name, column.kind, means=means))
    return columns


def _pairs(table: Table) -> list[list[str]]:
    return [[km, miles] for km, miles in MILE_COLUMNS.items() if km in table.names]


def _field(column: Column) -> dict[str, Any]:
    kind, more = _TYPES[column.kind]
    limits: dict[str, Any] = {name: more[name] for name in more if name in _LIMITS}
    if column.required:
        limits["required"] = True
    if column.kind is Kind.CHOICE:
        limits["enum"] = list(column.choices)
    field = {"name": column.name, "type": kind, "description": column.means}
    field |= {name: value for name, value in more.items() if name not in _LIMITS}
    return field | ({"constraints": limits} if limits else {})


def _property(column: Column) -> dict[str, Any]:
    kind, more = _TYPES[column.kind]
    shape: dict[str, Any] = {"description": column.means}
    shape["type"] = [_IN_JSON.get(kind, "string"), "null"]
    if column.required:
        shape |= {"type": _IN_JSON.get(kind, "string"), "minLength": 1}
    if column.kind is Kind.CHOICE:
        shape["enum"] = [*column.choices, None]
    return shape | {name: more[name] for name in more if name in _LIMITS}
