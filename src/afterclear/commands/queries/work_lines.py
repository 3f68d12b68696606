"""The lines of the worklist in words, for whoever decides on them."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from afterclear.catalogue.cautions import Caution
from afterclear.commands.app import App
from afterclear.errors import UsageError, worded
from afterclear.reasons import Urgency
from afterclear.store.engine.database import Connection, open_store, rows
from afterclear.store.queries.exports_roles import EXPORTS_ROLES
from afterclear.wording.cells import Cells
from afterclear.wording.work import (
    ASK_FIRST,
    URGENCY_WORDS,
    decision_words,
    deed_words,
    ground_words,
)

Row = dict[str, Any]  # by the export's columns
# what was decided, in words
DECIDED: Final = {
    "accept": worded("accept"),
    "wait": worded("wait"),
    "not_a_fault": worded("not a fault"),
    "repaired_elsewhere": worded("repaired elsewhere"),
}
_TOLD: Final = (
    *("site", "safety", "soon", "action", "because", "evidence", "decided"),
    *("codes", "cautions"),
)


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One vehicle's line."""

    vehicle_id: str
    site: str
    is_safety: bool
    soon: str  # how urgent, in words; empty: not known
    ask_first: str  # of a vehicle that must not be driven
    action: str
    because: str
    decided: str  # a decision that stands beside it; empty: none
    codes: tuple[str, ...]  # what it is about, the fault's own first
    cautions: tuple[Caution, ...]
    stamp: str  # changes with anything the line says


def work_lines(app: App, language: str = "en") -> list[WorkLine]:
    """Give the lines of vehicles in their order: the fleet's, then those in stock."""
    with open_store(app.store, read_only=True) as con:
        return lines_of(app, con, language)


def lines_of(app: App, con: Connection, language: str = "en") -> list[WorkLine]:
    """Give the same from an open store; a vehicle's first line counts."""
    english = Cells(units=app.config.settings.digest.units)
    cells = replace(english, language=language)
    found = [row for row in rows(con, EXPORTS_ROLES["worklist"]) if row["audience"] != "garage"]
    # a line's stamp is the same in all languages
    stamped = [in_words(row, english) for row in found]
    told = stamped if cells == english else [in_words(row, cells) for row in found]
    lines = (_line(app, row, stamp_of(own)) for row, own in zip(told, stamped, strict=True))
    first: dict[str, WorkLine] = {}
    for line in lines:
        first.setdefault(line.vehicle_id, line)
    return list(first.values())


def in_words(row: Row, cells: Cells) -> Row:
    """Add a line's sentences to its row."""
    return row | {
        "action": deed_words(row["deeds"], cells),
        "because": ground_words(row["grounds"], cells),
        "evidence": ground_words(row["looks"], cells),
        "soon": row["urgency"] and cells.t(URGENCY_WORDS[row["urgency"]]),
        "ask_first": cells.t(ASK_FIRST) if row["urgency"] == Urgency.DO_NOT_DRIVE else None,
        "decided": row["decision"] and decision_words(row["decision"], row["note"], cells),
    }


def _line(app: App, row: Row, stamp: str) -> WorkLine:
    return WorkLine(
        vehicle_id=row["vehicle_id"],
        site=row["site"] or "",
        is_safety=row["safety"],
        soon=row["soon"] or "",
        ask_first=row["ask_first"] or "",
        action=row["action"],
        because=row["because"],
        decided=row["decided"] or "",
        codes=tuple(json.loads(row["codes"] or "[]")),
        cautions=app.cautions.called((row["cautions"] or "").split()),
        stamp=stamp,
    )


def stamp_of(row: Row) -> str:
    """Make a text of 16 letters that changes with anything the line says.

    Codes and cautions are among it: a code is ticked by its place, below the caution that was read.
    """
    told = "\x1f".join(str(row[name] or "") for name in _TOLD)
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def unchanged(app: App, con: Connection, stamps: Mapping[str, str], language: str = "en") -> None:
    """Check that lines still say what they said.  ``stamps``: vehicle -> stamp of its line.

    Raises:
        UsageError: one of them has changed, or is gone; it is told what stands there now, and who
            decided meanwhile.

    """
    present = {line.vehicle_id: line for line in lines_of(app, con, language)}
    for vehicle_id, stamp in stamps.items():
        line = present.get(vehicle_id)
        if line is None:
            raise UsageError(
                worded(
                    "{vehicle} is not on the list any more{decided}.",
                    vehicle=vehicle_id,
                    decided=_decided_since(con, vehicle_id),
                )
            )
        if line.stamp != stamp:
            raise UsageError(
                worded(
                    "The line of {vehicle} has changed since{decided}. Now it says: {line} Look at "
                    "it again.",
                    vehicle=vehicle_id,
                    decided=_decided_since(con, vehicle_id),
                    line=f"{line.action} {line.because}",
                )
            )


def _decided_since(con: Connection, vehicle_id: str) -> str:
    """Say who decided last on a vehicle; empty: nobody did."""
    found = [
        row
        for row in rows(con, EXPORTS_ROLES["decisions"])
        if row["vehicle_id"] == vehicle_id and row["undone_at"] is None
    ]
    if not found:
        return ""
    last = found[-1]
    return worded(
        ": the last decision on it is “{word}” by {person}, {at:%Y-%m-%d, %H:%M} UTC",
        word=DECIDED[last["word"]],
        person=last["decided_by"],
        at=last["decided_at"],
    )
