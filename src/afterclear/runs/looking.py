"""Look into the store: one vehicle's history, what was refused, how things stand."""

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from afterclear.digest.cells import Cells
from afterclear.digest.reasons import attempt_reason
from afterclear.digest.rows import Attempt, Evidence, read_rows
from afterclear.errors import UsageError
from afterclear.normalise.cautions import Caution
from afterclear.runs.app import App
from afterclear.runs.page_frames import aware, stale_sources
from afterclear.store.database import Connection, open_store, query, scalar
from afterclear.store.exports import EXPORTS, PAGE_FRAMES
from afterclear.store.exports_roles import EXPORTS_ROLES, PAGE_ROLES
from afterclear.store.results import last_analysis


@dataclass(frozen=True, slots=True)
class AttemptStory:
    """One fix attempt with its verdict in a sentence."""

    attempt: Attempt
    reason: str


@dataclass(frozen=True)
class VehicleStory:
    """One vehicle's history, as told in the terminal."""

    vehicle: dict[str, object]
    attempts: tuple[AttemptStory, ...]
    open_episodes: pl.DataFrame
    set_aside: pl.DataFrame
    cautions: tuple[Caution, ...]
    n_scans: int
    roles: pl.DataFrame  # of the codes that are open now
    role_notes: tuple[str, ...]  # left-over echoes, work on echoes, related returns
    work: pl.DataFrame  # its lines of the worklist, once each
    stock: pl.DataFrame  # its audit, where it is in stock


@dataclass(frozen=True)
class Status:
    """How the store stands."""

    store_bytes: int
    archive_bytes: int
    last_loads: pl.DataFrame
    n_rejections: int
    last_analysis_at: datetime | None
    as_of: datetime | None
    vehicles_waiting: int
    stale_sources: tuple[str, ...]


def vehicle_story(app: App, vehicle_id: str) -> VehicleStory:
    """Tell one vehicle's history.

    Raises:
        UsageError: no row speaks of the vehicle.

    """
    with open_store(app.store, read_only=True) as con:
        n_scans = _n_scans(con, vehicle_id)
        known = _of(con, EXPORTS["vehicles"], vehicle_id)
        if not n_scans and not len(known):
            raise UsageError(f"No row in the store speaks of a vehicle {vehicle_id!r}.")
        episodes = _of(con, PAGE_FRAMES["episodes"], vehicle_id)
        odometer = _of(con, EXPORTS["odometer"], vehicle_id)
        return VehicleStory(
            vehicle=known.row(0, named=True) if len(known) else {"vehicle_id": vehicle_id},
            attempts=_stories(app, con, vehicle_id),
            open_episodes=episodes.filter(pl.col("ended_by") == "open"),
            set_aside=odometer.filter(pl.col("set_aside").is_not_null()),
            cautions=_cautions(app, episodes),
            n_scans=n_scans,
            roles=_of(con, PAGE_ROLES["open_roles"], vehicle_id),
            role_notes=tuple(
                text
                for table in ("leftovers", "echo_work", "related_returns")
                for text in _of(con, EXPORTS_ROLES[table], vehicle_id)["why"]
            ),
            work=_of(con, EXPORTS_ROLES["worklist"], vehicle_id).filter(
                pl.col("audience") != "garage"
            ),
            stock=_of(con, EXPORTS_ROLES["stock"], vehicle_id),
        )


def _n_scans(con: Connection, vehicle_id: str) -> int:
    """Count the scans of a vehicle: of its history, else, where it has none yet, of all rows."""
    analysed = "SELECT count(*) FROM scan_moments WHERE vehicle_id = ?"
    delivered = "SELECT count(DISTINCT scan_id) FROM scans WHERE vehicle_id = ?"
    return scalar(con, analysed, [vehicle_id]) or scalar(con, delivered, [vehicle_id])


def rejected_rows(app: App) -> pl.DataFrame:
    """List every refused row with its place and reason."""
    with open_store(app.store, read_only=True) as con:
        return query(con, EXPORTS["rejections"])


def status(app: App) -> Status:
    """Say how the store stands."""
    with open_store(app.store, read_only=True) as con:
        analysis = last_analysis(con)
        return Status(
            store_bytes=app.store.stat().st_size,
            archive_bytes=sum(f.stat().st_size for f in app.archive.rglob("*.zst")),
            last_loads=query(con, "FROM loads ORDER BY load_id DESC LIMIT 10"),
            n_rejections=scalar(con, "SELECT count(*) FROM rejections"),
            last_analysis_at=analysis.finished_at if analysis else None,
            as_of=analysis.as_of if analysis else None,
            vehicles_waiting=scalar(con, "SELECT count(DISTINCT vehicle_id) FROM stale_vehicles"),
            stale_sources=tuple(s.name for s in stale_sources(app, con)),
        )


def _of(con: Connection, sql: str, vehicle_id: str) -> pl.DataFrame:
    return aware(query(con, f"SELECT * FROM ({sql}) WHERE vehicle_id = ?", [vehicle_id]))


def _stories(app: App, con: Connection, vehicle_id: str) -> tuple[AttemptStory, ...]:
    evidence = _of(con, EXPORTS["evidence"], vehicle_id).partition_by(
        "attempt_id", as_dict=True, maintain_order=True
    )
    cells = Cells(units=app.config.settings.digest.units)
    stories = []
    for attempt in read_rows(_of(con, PAGE_FRAMES["attempts"], vehicle_id), Attempt):
        rows = evidence.get((attempt.attempt_id,))
        found = read_rows(rows, Evidence) if rows is not None else []
        stories.append(AttemptStory(attempt, attempt_reason(attempt, found, cells)))
    return tuple(stories)


def _cautions(app: App, episodes: pl.DataFrame) -> tuple[Caution, ...]:
    found: dict[str, Caution] = {}
    for row in episodes.iter_rows(named=True):
        for caution in app.cautions.of(row["family"], row["code"], row["ecu"]):
            found.setdefault(caution.id, caution)
    return (*found.values(), *app.cautions.general)
