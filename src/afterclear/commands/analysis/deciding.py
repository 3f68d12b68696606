"""Decide: record a person's decision on a vehicle, attempt or code, and rank the work again.

A decision hides a line, never a row: ``decide`` ranks the work again at once from what is stored.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.commands.analysis.role_findings import rank_work
from afterclear.commands.app import App
from afterclear.errors import UnknownVehicleError, UsageError, worded
from afterclear.store.engine.database import Connection, open_store, rows, scalar, transaction
from afterclear.store.queries.called_vehicles import vehicle_called
from afterclear.store.queries.decisions import Decision, add_decisions, undo_decision
from afterclear.store.queries.exports_roles import EXPORTS_ROLES
from afterclear.store.queries.results import last_analysis

_MOST_KM = 10_000_000  # no odometer shows more; nor is NaN below it
Said = Literal["accept", "wait", "not_a_fault", "repaired_elsewhere"]


@dataclass(frozen=True, slots=True)
class Asked:
    """A person's decision, as entered."""

    vehicle_id: str
    word: Said
    by: str
    attempt_id: str | None = None
    code: str | None = None
    ecu: str | None = None
    until_at: datetime | None = None
    until_km: float | None = None
    note: str | None = None


def decide(app: App, asked: Asked) -> int:
    """Keep a decision; return its number.  The worklist follows at once.

    Raises:
        UsageError: the vehicle, attempt, unit or code is not known, the word lacks its object,
            or the wait would be over already.

    """
    return decide_all(app, [asked])[0]


def decide_all(
    app: App, asked: Sequence[Asked], still: Callable[[Connection], None] = lambda _: None
) -> list[int]:
    """Keep several decisions, or none of them; return their numbers; errors as ``decide``.

    ``still``: raises if what they are about has changed; called when nobody else can write.
    """
    with open_store(app.store) as con:
        still(con)
        codes = [_checked(con, one, app.clock()) for one in asked]
        kept = [_as_kept(one, code, app.clock()) for one, code in zip(asked, codes, strict=True)]
        with transaction(con):  # a worklist that does not follow would ask for the same again
            numbers = add_decisions(con, kept)
            _rank_again(app, con)
    return numbers


def _as_kept(asked: Asked, code: str | None, now: datetime) -> Decision:
    return Decision(
        vehicle_id=asked.vehicle_id,
        word=asked.word,
        decided_by=asked.by,
        decided_at=now,
        attempt_id=asked.attempt_id,
        ecu=asked.ecu,
        code=code,
        until_at=asked.until_at,
        until_km=asked.until_km,
        note=asked.note,
    )


def undo(app: App, number: int, by: str) -> str:
    """Mark a decision as undone; return its vehicle.  The worklist follows at once.

    Raises:
        UsageError: there is none of that number, or it was undone before.

    """
    with open_store(app.store) as con, transaction(con):
        vehicle_id = undo_decision(con, number, by, app.clock())
        _rank_again(app, con)
    return vehicle_id


def decisions(app: App, name: str | None) -> list[dict[str, Any]]:
    """List what was decided, the latest last; of one vehicle (number, plate or VIN), or of all.

    Raises:
        UsageError: no vehicle, or several, have this name.

    """
    with open_store(app.store, read_only=True) as con:
        found = rows(con, EXPORTS_ROLES["decisions"])
        if name is None:
            return found
        vehicle_id = vehicle_called(con, name)
        return [row for row in found if row["vehicle_id"] == vehicle_id]


def _rank_again(app: App, con: Connection) -> None:
    analysis = last_analysis(con)
    if analysis is not None:
        rank_work(app, con, analysis.as_of)


def _checked(con: Connection, asked: Asked, now: datetime) -> str | None:
    """Refuse decisions that make no sense; give the code in its normal spelling."""
    _check_words(con, asked, now)
    _check_objects(con, asked)
    return _code(con, asked) if asked.code is not None else None


def _check_words(con: Connection, asked: Asked, now: datetime) -> None:
    """Check what goes together, and that a wait has an end to come."""
    if not asked.by.strip():
        raise UsageError(worded("Say who decides: --by NAME."))
    if asked.word == "wait" and asked.until_at is None and asked.until_km is None:
        raise UsageError(worded("Say how long to wait: --until DATE or --until-km KM."))
    if asked.word != "wait" and (asked.until_at is not None or asked.until_km is not None):
        raise UsageError(worded("Only a wait has an end; leave --until and --until-km out."))
    if asked.word == "not_a_fault" and asked.attempt_id is None and asked.code is None:
        raise UsageError(worded("Say what is not a fault: --code CODE or --attempt ID."))
    if asked.until_km is not None and not 0 < asked.until_km < _MOST_KM:
        raise UsageError(worded("{km:g} km is no odometer reading to wait for.", km=asked.until_km))
    analysis = last_analysis(con)
    today = min(now, analysis.as_of) if analysis else now
    if asked.until_at is not None and asked.until_at <= today:
        raise UsageError(
            worded(
                "--until {until:%Y-%m-%d} is over already: results are as of {today:%Y-%m-%d}. "
                "Give a later date.",
                until=asked.until_at,
                today=today,
            )
        )


def _check_objects(con: Connection, asked: Asked) -> None:
    """Check that the vehicle, the attempt and the control unit are there."""
    if not _known(con, "vehicle_id = ?", [asked.vehicle_id]):
        raise UnknownVehicleError(asked.vehicle_id)
    if asked.attempt_id is not None and not scalar(
        con,
        "SELECT count(*) FROM attempts WHERE vehicle_id = ? AND attempt_id = ?",
        [asked.vehicle_id, asked.attempt_id],
    ):
        raise UsageError(
            f"{asked.vehicle_id} has no fix attempt {asked.attempt_id!r}. 'afterclear export "
            "attempts' lists them."
        )
    if asked.ecu is not None:
        units = _units(con, asked.vehicle_id)
        if asked.ecu not in units:
            raise UsageError(
                f"No scan of {asked.vehicle_id} speaks of a control unit {asked.ecu!r}. "
                f"Use one of: {', '.join(units) or 'none was ever read'}."
            )


def _code(con: Connection, asked: Asked) -> str:
    parsed = normal_code(asked.code or "")
    code = parsed.code if isinstance(parsed, NormalCode) else str(asked.code)
    where, named = "vehicle_id = ? AND code = ?", [asked.vehicle_id, code]
    if asked.ecu is not None:
        where, named = f"{where} AND ecu = ?", [*named, asked.ecu]
    if not _known(con, where, named):
        shown = _names(con, "SELECT DISTINCT code FROM sightings WHERE vehicle_id = ?", named[0])
        unit = worded(" in its control unit {unit!r}", unit=asked.ecu) if asked.ecu else ""
        raise UsageError(
            worded(
                "{vehicle} never showed a code {code}{unit}. Codes it showed: {shown}.",
                vehicle=asked.vehicle_id,
                code=code,
                unit=unit,
                shown=", ".join(shown) or worded("none"),
            )
        )
    return code


def _units(con: Connection, vehicle_id: str) -> list[str]:
    """Name a vehicle's control units as pages and exports do; as scans do before any analysis."""
    units_of = "SELECT DISTINCT ecu FROM {} WHERE vehicle_id = ?"
    return _names(con, units_of.format("known_units"), vehicle_id) or _names(
        con, units_of.format("scans"), vehicle_id
    )


def _names(con: Connection, sql: str, vehicle_id: str) -> list[str]:
    return sorted(str(name) for (name,) in con.execute(sql, [vehicle_id]).fetchall() if name)


def _known(con: Connection, where: str, parameters: list[str]) -> bool:
    """Whether any scan or vehicle row fits."""
    tables = ["sightings"] if "code" in where else ["vehicles", "scans", "repairs"]
    return any(scalar(con, f"SELECT count(*) FROM {t} WHERE {where}", parameters) for t in tables)
