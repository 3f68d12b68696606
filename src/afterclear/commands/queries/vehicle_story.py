"""One vehicle's history, as shown in the terminal.

A vehicle has a few hundred rows: they are read directly, without frames, whose library takes longer
to load than the whole history to show.
"""

from collections import defaultdict
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

from afterclear.catalogue.cautions import Caution
from afterclear.catalogue.component import component_of
from afterclear.commands.app import App
from afterclear.commands.queries.fleet_cures import fleet_cures
from afterclear.commands.queries.work_lines import in_words
from afterclear.digest.common.attempt_reasons import attempt_reason
from afterclear.digest.common.rise_words import coming_words
from afterclear.digest.input.row_types import Attempt, Evidence
from afterclear.finding_tables.declaration import columns_of
from afterclear.finding_tables.emerging import Emerging
from afterclear.finding_tables.forecast import is_trusted
from afterclear.plain import TABLES
from afterclear.store.engine.database import Connection, open_store, rows, scalar
from afterclear.store.queries.called_vehicles import vehicle_called
from afterclear.store.queries.exports_histories import EXPORTS_HISTORIES, PAGE_FRAMES
from afterclear.store.queries.exports_roles import EXPORTS_ROLES, PAGE_ROLES
from afterclear.wording.cells import Cells
from afterclear.wording.cures import fault_cures
from afterclear.wording.roles import role_sentence
from afterclear.wording.stock import audit_words

Row = dict[str, Any]  # by the export's columns
_Kind = TypeVar("_Kind", Attempt, Evidence)


_ROWS: Final = {table: table for table in TABLES} | {
    "scans": "scan_lines JOIN scan_facts USING (fact_no)"  # what a scan's rows say is not asked
}
_FILES: Final = f"""
    SELECT l.load_id, l.file_name, l.source, l.finished_at, count(*) AS n_rows
    FROM loads l JOIN ({
    " UNION ALL ".join(f"SELECT load_id, vehicle_id FROM {rows}" for rows in _ROWS.values())
})
        USING (load_id)
    WHERE vehicle_id = ? GROUP BY ALL ORDER BY load_id DESC"""


_RECORD: Final = (
    "SELECT count(*) FROM forecast_record",
    "SELECT count(*) FROM forecast_record WHERE held",
)
_AHEAD: Final = "SELECT p_any FROM forecast WHERE vehicle_id = ? AND days = 90"
_NEXT: Final = """
    SELECT rise_id, chance_90_days FROM emerging_vehicles WHERE vehicle_id = ? AND NOT has_fault"""
_GOES_ON: Final = """
    SELECT {names} FROM emerging WHERE within IS NULL AND over_at IS NULL
        AND list_contains(?, rise_id)
    ORDER BY found_at DESC, evidence DESC, rise_id"""


@dataclass(frozen=True, slots=True)
class AttemptStory:
    """One fix attempt with its verdict in a sentence."""

    attempt: Attempt
    reason: str


@dataclass(frozen=True)
class VehicleStory:
    """One vehicle's history."""

    vehicle: Row
    attempts: tuple[AttemptStory, ...]
    open_episodes: list[Row]
    set_aside: list[Row]  # odometer readings
    cautions: tuple[Caution, ...]
    n_scans: int
    roles: list[Row]  # of the codes that are open now
    role_notes: tuple[str, ...]  # left-over consequential codes, work on them, related returns
    work: list[Row]  # its lines of the worklist, once each
    stock: list[Row]  # its audit, where it is in stock
    coming: tuple[str, ...]  # what to expect in the next 90 days
    cured: dict[str, tuple[str, ...]]  # what cured the open faults in the fleet, by family
    decisions: list[Row]  # people's decisions, also undone ones
    files: list[Row]  # loads that rows of it came with, the latest first; empty: not asked

    @property
    def is_sold(self) -> bool:
        """Whether it is sold: its fixes are no longer on watch."""
        return _is_sold(self.vehicle)


def vehicle_story(
    app: App, name: str, language: str = "en", *, with_files: bool = True
) -> VehicleStory:
    """Give one vehicle's history; ``name``: its number, plate or VIN.  In the digests' units.

    ``with_files``: with the loads its rows came with, which are looked for among all rows.

    Raises:
        UnknownVehicleError: no row names the vehicle.
        UsageError: several vehicles have this name.

    """
    cells = Cells(units=app.config.settings.digest.units, language=language)
    with open_store(app.store, read_only=True) as con:
        vehicle_id = vehicle_called(con, name)
        n_scans = _n_scans(con, vehicle_id)
        known = _of(con, EXPORTS_HISTORIES["vehicles"], vehicle_id)
        episodes = _of(con, PAGE_FRAMES["episodes"], vehicle_id)
        open_now = [row for row in episodes if row["ended_by"] == "open"]
        odometer = _of(con, EXPORTS_HISTORIES["odometer"], vehicle_id)
        work = _work(con, vehicle_id, cells)
        vehicle = known[0] if known else {"vehicle_id": vehicle_id}
        return VehicleStory(
            vehicle=vehicle,
            attempts=_stories(app, con, vehicle_id, cells, is_sold=_is_sold(vehicle)),
            open_episodes=open_now,
            set_aside=[row for row in odometer if row["set_aside"] is not None],
            cautions=_cautions(app, episodes),
            n_scans=n_scans,
            roles=_with_why(cells, _of(con, PAGE_ROLES["open_roles"], vehicle_id)),
            role_notes=tuple(
                row["why"]
                for table in ("leftovers", "echo_work", "related_returns")
                for row in _with_why(cells, _of(con, EXPORTS_ROLES[table], vehicle_id))
            ),
            work=[row for row in work if row["audience"] != "garage"],
            stock=_audits(con, vehicle_id, cells),
            coming=_coming(con, vehicle_id, cells),
            cured=_cured(con, open_now, cells),
            decisions=_of(con, EXPORTS_ROLES["decisions"], vehicle_id),
            files=rows(con, _FILES, [vehicle_id]) if with_files else [],
        )


def _is_sold(vehicle: Row) -> bool:
    return vehicle.get("stock_status") == "sold"


def _n_scans(con: Connection, vehicle_id: str) -> int:
    """Count the scans of a vehicle: of its history or, if it has none yet, of all rows."""
    analysed = "SELECT count(*) FROM scan_moments WHERE vehicle_id = ?"
    delivered = "SELECT count(DISTINCT scan_id) FROM scan_facts WHERE vehicle_id = ?"
    return scalar(con, analysed, [vehicle_id]) or scalar(con, delivered, [vehicle_id])


def _of(con: Connection, sql: str, vehicle_id: str) -> list[Row]:
    """Read a vehicle's rows of an export, its instants with their offset: UTC."""
    found = rows(con, f"SELECT * FROM ({sql}) WHERE vehicle_id = ?", [vehicle_id])
    return [{name: _aware(value) for name, value in row.items()} for row in found]


def _audits(con: Connection, vehicle_id: str, cells: Cells) -> list[Row]:
    """Give a vehicle's stock audit with its sentence."""
    found = _of(con, EXPORTS_ROLES["stock"], vehicle_id)
    return [row | {"because": audit_words(row["deciding"], cells)} for row in found]


def _coming(con: Connection, vehicle_id: str, cells: Cells) -> tuple[str, ...]:
    """Say what to expect of the vehicle, as its page does."""
    n_quarters, n_held = (scalar(con, sql) for sql in _RECORD)
    ahead = rows(con, _AHEAD, [vehicle_id]) if is_trusted(n_quarters, n_held) else []
    chances = {row["rise_id"]: row["chance_90_days"] for row in rows(con, _NEXT, [vehicle_id])}
    names = ", ".join(column.name for column in columns_of(Emerging))
    rises = [Emerging(**row) for row in rows(con, _GOES_ON.format(names=names), [list(chances)])]
    nexts = [(rise, chances[rise.rise_id]) for rise in rises]
    return coming_words(ahead[0]["p_any"] if ahead else None, nexts, cells)


def _cured(con: Connection, open_now: list[Row], cells: Cells) -> dict[str, tuple[str, ...]]:
    """Say what cured the vehicle's open faults in this fleet, as its page does."""
    if not open_now:
        return {}
    cures = fleet_cures(con)
    families = [row["family"] for row in open_now if row["family"]]
    return {name: fault_cures(cures.get(component_of(name), ()), cells) for name in families}


def _with_why(cells: Cells, found: list[Row]) -> list[Row]:
    """Add the sentence of each row's reason."""
    return [row | {"why": role_sentence(row["reason"], row["facts"], cells)} for row in found]


def _work(con: Connection, vehicle_id: str, cells: Cells) -> list[Row]:
    """Give a vehicle's lines of the worklist with their sentences."""
    return [in_words(row, cells) for row in _of(con, EXPORTS_ROLES["worklist"], vehicle_id)]


def _aware(value: object) -> object:
    return value.replace(tzinfo=UTC) if isinstance(value, datetime) else value


def _stories(
    app: App, con: Connection, vehicle_id: str, km: Cells, *, is_sold: bool
) -> tuple[AttemptStory, ...]:
    evidence: defaultdict[str, list[Evidence]] = defaultdict(list)
    for row in _of(con, EXPORTS_HISTORIES["evidence"], vehicle_id):
        evidence[row["attempt_id"]].append(_read(row, Evidence))
    hours = replace(km, hour_km=app.config.settings.evidence.km_per_engine_hour)
    return tuple(
        AttemptStory(
            attempt,
            attempt_reason(
                attempt,
                evidence[attempt.attempt_id],
                hours if attempt.clock == "engine_hours" else km,
                is_sold=is_sold,
            ),
        )
        for row in _of(con, PAGE_FRAMES["attempts"], vehicle_id)
        for attempt in [_read(row, Attempt)]
    )


def _read(row: Row, kind: type[_Kind]) -> _Kind:
    """Turn a row into its class; a column it lacks is None."""
    values: Row = {field.name: row.get(field.name) for field in fields(kind)}
    return kind(**values)


def _cautions(app: App, episodes: list[Row]) -> tuple[Caution, ...]:
    found: dict[str, Caution] = {}
    for row in episodes:
        for caution in app.cautions.of(row["family"], row["code"], row["ecu"]):
            found.setdefault(caution.id, caution)
    return (*found.values(), *app.cautions.general)
