"""The lines of the worklist in words, for whoever decides on them."""

import hashlib
from dataclasses import dataclass
from typing import Any

from afterclear.commands.app import App
from afterclear.reasons import Urgency
from afterclear.store.engine.database import open_store, rows
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


@dataclass(frozen=True, slots=True)
class WorkLine:
    """One vehicle's line."""

    vehicle_id: str
    site: str
    is_safety: bool
    action: str
    because: str
    decided: str  # a decision that stands beside it; empty: none
    stamp: str  # changes with anything the line says


def work_lines(app: App) -> list[WorkLine]:
    """Give the lines of vehicles in their order: the fleet's, then those in stock."""
    cells = Cells(units=app.config.settings.digest.units)
    with open_store(app.store, read_only=True) as con:
        found = rows(con, EXPORTS_ROLES["worklist"])
    return [_line(in_words(row, cells)) for row in found if row["audience"] != "garage"]


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


def _line(row: Row) -> WorkLine:
    told = (row["vehicle_id"], row["action"], row["because"], row["decided"] or "")
    return WorkLine(
        vehicle_id=row["vehicle_id"],
        site=row["site"] or "",
        is_safety=row["safety"],
        action=row["action"],
        because=row["because"],
        decided=row["decided"] or "",
        stamp=hashlib.sha256("|".join(told).encode()).hexdigest()[:16],
    )
