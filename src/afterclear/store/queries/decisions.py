"""People's decisions on vehicles, attempts and codes: added, undone, never erased."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from afterclear.errors import UsageError, worded
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.queries.results import naive

Word = Literal["accept", "wait", "not_a_fault", "repaired_elsewhere"]


@dataclass(frozen=True, slots=True)
class Decision:
    """A person's decision on a vehicle, or on one attempt or code of it.  Instants are aware."""

    vehicle_id: str
    word: Word
    decided_by: str
    decided_at: datetime
    attempt_id: str | None = None
    ecu: str | None = None  # None: the code in any control unit
    code: str | None = None
    until_at: datetime | None = None  # of a wait
    until_km: float | None = None
    note: str | None = None


def add_decisions(con: Connection, decisions: Sequence[Decision]) -> list[int]:
    """Keep decisions, in the transaction of what follows from them; return their numbers."""
    first = scalar(con, "SELECT max(decision_id) FROM decisions") + 1
    for number, decision in enumerate(decisions, first):
        _insert(con, number, decision)
    return list(range(first, first + len(decisions)))


def _insert(con: Connection, number: int, decision: Decision) -> None:
    con.execute(
        """INSERT INTO decisions (decision_id, vehicle_id, attempt_id, ecu, code, word,
               until_at, until_km, decided_by, note, decided_at)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)""",
        [
            number,
            decision.vehicle_id,
            decision.attempt_id,
            decision.ecu,
            decision.code,
            decision.word,
            naive(decision.until_at) if decision.until_at else None,
            decision.until_km,
            decision.decided_by,
            decision.note,
            naive(decision.decided_at),
        ],
    )


def undo_decision(con: Connection, number: int, undone_by: str, at: datetime) -> str:
    """Mark a decision as undone; return its vehicle.

    Raises:
        UsageError: there is none of that number, or it was undone before.

    """
    rows = query(
        con, "SELECT vehicle_id, undone_at FROM decisions WHERE decision_id = ?", [number]
    ).rows()
    if not rows:
        raise UsageError(
            worded("There is no decision {number}. 'export decisions' lists all.", number=number)
        )
    vehicle_id, undone_at = rows[0]
    if undone_at is not None:
        raise UsageError(
            worded(
                "Decision {number} was undone on {at:%Y-%m-%d %H:%M} UTC already.",
                number=number,
                at=undone_at,
            )
        )
    con.execute(
        "UPDATE decisions SET undone_by = ?, undone_at = ? WHERE decision_id = ?",
        [undone_by, naive(at), number],
    )
    return str(vehicle_id)
