"""Refused rows by themselves, without their file: whether a map can read them, what they show.

The program asks before it writes such rows into a workbook, and again when they come back.
"""

from collections.abc import Collection, Sequence
from contextlib import suppress
from typing import Final

import polars as pl

from afterclear.errors import RefusedFileError
from afterclear.readers.mapped.cell_origins import origins_of
from afterclear.readers.mapped.map_shape import MADE, TOLD, as_shaped
from afterclear.readers.mapped.returned_reader import NUMBER, REASON
from afterclear.readers.maps.checked_map import ImportMap, MapTable
from afterclear.readers.maps.source_table import LINE, SourceTable

FROM: Final = "origin of the row"


def fitting_table(how: ImportMap, table: str, headings: Collection[str]) -> MapTable | str:
    """Give the part of a map that takes rows with these headings by themselves, or why none does.

    >>> from afterclear.readers.maps.checked_map import MapColumn
    >>> part = MapTable(into="repairs", columns={"repaired_at": MapColumn(from_=("Day",))})
    >>> how = ImportMap(name="orders", kind="delimited", files=("*",), table=(part,))
    >>> fitting_table(how, "repairs", ["Day"])
    'lines without an order number are told apart by all lines of their file'
    """
    names = [name for name in headings if not name.startswith(TOLD)]
    empty = SourceTable(pl.DataFrame(schema=dict.fromkeys([*names, LINE], pl.String)))
    found = []
    for spec in how.table:
        with suppress(RefusedFileError):
            if spec.into == table and origins_of(empty, as_shaped(spec), how.name):
                found.append(as_shaped(spec))
    if len(found) != 1:
        return f"{'several parts' if found else 'no part'} of the map {how.name} can read it"
    if table == "repairs" and "repair_id" not in found[0].columns:
        return "lines without an order number are told apart by all lines of their file"
    if found[0].once_per_order:
        return of_whole_orders(how)
    return found[0]


def of_whole_orders(how: ImportMap) -> str:
    """Say that amounts which this map reads are not those of single rows."""
    return f"the map {how.name} says that amounts belong to the whole order"


def shown_headings(headings: Sequence[str]) -> dict[str, str]:
    r"""Name columns as a sheet shows them, each differently: as shown -> as delivered.

    >>> list(shown_headings(["Refused row", "\x00told vehicle_id", "\x00code"]))
    ['Refused row (2)', 'vehicle_id (of the whole file)', 'code']
    """
    shown: dict[str, str] = {}
    taken = {NUMBER, REASON, FROM}
    for heading in headings:
        name = f"{heading.removeprefix(TOLD)} (of the whole file)"
        name = name if heading.startswith(TOLD) else heading.replace(MADE, "")
        name = " ".join(name.split()) or "column"
        own, n = name, 2
        while own.casefold() in taken:
            own, n = f"{name} ({n})", n + 1
        taken.add(own.casefold())
        shown[own] = heading
    return shown
