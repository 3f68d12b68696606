"""How a finding is declared: a frozen class of its columns, and a ``Finding`` around it.

It defines the store's table, the export with its sentence, the row class of pages, a section on a
page if wanted, and the dictionary of ``afterclear help tables``.
"""

import types
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from functools import cache
from typing import Any, Final, Literal, get_args, get_origin, get_type_hints

# unit: a control unit; times: how many times as much, below 1 as a share
Unit = Literal["km", "per_10000km", "share", "money", "unit", "times"]


def mark(message: str) -> str:
    """Mark a text for the catalogues without translating it."""
    return message


def counted(one: str, many: str) -> tuple[str, str]:
    """Mark a text with a count."""
    return (one, many)


# How a unit is written where its column is explained; others by their own name.
UNIT_WORDS: Final[Mapping[str, str]] = {
    "share": "share of 1",
    "money": "in its currency",
    "per_10000km": "per 10,000 km",
    "times": "",  # a number without a unit; what it is times stands in its meaning
}


@dataclass(frozen=True, slots=True)
class Means:
    """What a column holds, beside its type: meaning, unit, and how sentences write it."""

    meaning: str
    unit: Unit | None = None
    digits: int = 1  # of a number without a unit, in sentences
    words: Mapping[str, str] = field(default_factory=dict)  # of a code

    @property
    def unit_words(self) -> str:
        """Write the unit; empty where there is none."""
        return UNIT_WORDS.get(self.unit or "", self.unit or "")

    unknown: str = ""  # what sentences say if it is empty


@dataclass(frozen=True, slots=True)
class Column:
    """One column, as its class declares it."""

    name: str
    kind: type
    required: bool
    means: Means


@dataclass(frozen=True, slots=True)
class Clause:
    """A sentence or a part of one; placeholders are columns."""

    text: str | tuple[str, str]  # for one and for another count, where ``count`` decides
    when: Callable[[Any], bool] = lambda _: True
    count: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A table of the fleet page: the rows it shows, and the text if there are none.

    The table has a ``vehicle_id`` as its first column, and few rows for each vehicle: pages
    read it in whole.
    """

    title: str
    columns: Mapping[str, str]  # column or ``sentence`` -> heading
    none: str
    where: str  # SQL over the table's columns
    order: tuple[str, ...]  # columns; one with a minus before it falls
    tally: str = ""  # a column with words; how often each occurs is shown below the table


@dataclass(frozen=True, slots=True)
class Finding:
    """One table of findings."""

    name: str  # of the export
    row: type
    about: str
    order: str
    says: tuple[tuple[Clause, ...], ...] = ()  # of each, the first that applies is used
    method: str = ""
    table: str = ""  # of the store, if its name differs from the export's
    where: str = ""
    called: Mapping[str, str] = field(default_factory=dict)  # columns exported under another name
    without: frozenset[str] = frozenset()  # columns not exported
    section: Section | None = None
    reason: str = ""  # the column exports get for the sentence of ``reason`` and ``facts``

    @property
    def kept_in(self) -> str:
        """Name the store's table."""
        return self.table or self.name


_SQL: Final = {
    str: "VARCHAR",
    int: "INTEGER",
    float: "DOUBLE",
    bool: "BOOLEAN",
    datetime: "TIMESTAMP",
}


@cache
def columns_of(row: type) -> tuple[Column, ...]:
    """Return the columns of a declared class, in its order."""
    hints = get_type_hints(row, include_extras=True)
    return tuple(_column(each.name, hints[each.name]) for each in fields(row))


def _column(name: str, hint: object) -> Column:
    said, means = get_args(hint)
    some = [each for each in get_args(said) if each is not types.NoneType]
    optional = get_origin(said) is types.UnionType and len(some) < len(get_args(said))
    kind = some[0] if optional else said
    if get_origin(kind) is Literal:
        kind = str
    return Column(name, kind, required=not optional, means=means)


def sql_type(column: Column) -> str:
    """Return the type of a column in the store."""
    return _SQL[column.kind]


def table_sql(finding: Finding) -> str:
    """Return the statement that creates the store's table."""
    columns = ", ".join(
        f'"{each.name}" {sql_type(each)}{" NOT NULL" if each.required else ""}'
        for each in columns_of(finding.row)
    )
    return f"CREATE TABLE {finding.kept_in} ({columns})"


def export_sql(finding: Finding) -> str:
    """Return the query that exports the table."""
    asked = [
        f'"{each.name}"' + (f' AS "{called}"' if (called := finding.called.get(each.name)) else "")
        for each in columns_of(finding.row)
        if each.name not in finding.without
    ]
    if finding.method:
        text = finding.method.replace("'", "''")
        asked.append(f"'{text}' AS method")
    where = f" WHERE {finding.where}" if finding.where else ""
    return f"SELECT {', '.join(asked)} FROM {finding.kept_in}{where} ORDER BY {finding.order}"
