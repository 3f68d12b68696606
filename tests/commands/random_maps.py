"""A tool's files that know vehicles by VIN or plate, their maps, and how a map may be wrong.

The tool writes the plain layout's rows with its own times, words and name of the number column;
so only a map can read them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from afterclear.plain import TABLES, Kind, Table

# our words for the tool's
_WORDS: Final = {"set": "confirmed", "waiting": "pending", "locked": "permanent"}
_DATES: Final = "%d/%m/%Y %H:%M"
_TIMES: Final = {c.name for t in TABLES.values() for c in t.columns if c.kind is Kind.INSTANT}


@dataclass(frozen=True)
class MapFault:
    """What a map says wrongly at first; ``is_refused``: no row it misreads is stored."""

    dates: str = _DATES
    words: Mapping[str, str] = field(default_factory=lambda: _WORDS)
    number: str = "number"  # the heading of the vehicle's number
    missing: str = ""  # the table that has no map at all
    is_refused: bool = False


FAULTS: Final[Mapping[str, MapFault]] = {
    "none": MapFault(is_refused=True),
    "a word unknown": MapFault(
        words={k: v for k, v in _WORDS.items() if k != "locked"}, is_refused=True
    ),
    "a word wrong": MapFault(words=_WORDS | {"locked": "pending"}),
    "month and day in turn": MapFault(dates="%m/%d/%Y %H:%M"),
    "no map of scans": MapFault(missing="scans", is_refused=True),
    "no map of lists": MapFault(missing="vehicles", is_refused=True),
    "an older number": MapFault(number="older_number"),
}


def by_map(row: Mapping[str, str]) -> dict[str, str]:
    """Write a row as the tool does."""
    theirs = {ours: word for word, ours in _WORDS.items()}
    told = {
        name: datetime.fromisoformat(cell).strftime(_DATES) if name in _TIMES else cell
        for name, cell in row.items()
    }
    if "status" in told:
        told["status"] = theirs.get(told["status"], told["status"])
    if number := told.pop("vehicle_id", None):
        told |= {"number": number, "older_number": f"OLD {number}"}
    return told


def map_texts(fault: MapFault) -> dict[str, str]:
    """Give the maps that read the tool's files, by file name."""
    return {
        f"{name}.toml": _map_text(table, fault)
        for name, table in TABLES.items()
        if name != fault.missing
    }


def _map_text(table: Table, fault: MapFault) -> str:
    words = ", ".join(f'{theirs} = "{ours}"' for theirs, ours in fault.words.items())
    headings = [(name, name) for name in table.names if name not in ("vehicle_id", "status")]
    if table.name == "vehicles":
        headings.append(("vehicle_id", fault.number))
    else:
        headings += [("vin", "vin"), ("plate", "plate")]
    columns = [f'{ours} = {{ from = "{theirs}", optional = true }}' for ours, theirs in headings]
    if "status" in table.names:
        columns.append(f'status = {{ from = "status", optional = true, values = {{ {words} }} }}')
    return "\n".join(
        [
            'kind = "delimited"', f'files = ["*_{table.name}_marked.csv"]',
            f'date_format = ["{fault.dates}"]', "[[table]]", f'into = "{table.name}"',
            "[table.columns]", *columns, "",
        ]
    )  # fmt: skip
