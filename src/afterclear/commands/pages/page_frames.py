"""Stored results -> the frames pages are built from.

Pages of a large fleet are chosen before they are read. The store sums up a row a vehicle and a few
columns of every open attempt (``PAGE_FLEET``, ``FleetFrames``); ``digest/common/choosing.py``
orders and cuts; only what is shown is read in full, some vehicles at a time (``Details``).
``tests/digest/every_row.py`` works out the same sums from every row;
``tests/commands/test_page_frames.py`` compares the two.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from afterclear.catalogue.cautions import Cautions
from afterclear.commands.app import App
from afterclear.commands.pages.told_figures import as_told
from afterclear.digest.input.frames import (
    HISTORY_MARKS,
    VEHICLE_FINDINGS,
    Caution,
    DigestSettings,
    FleetFrames,
    StaleSource,
)
from afterclear.errors import UsageError
from afterclear.finding_tables.registry import FINDINGS, PAGE_FINDINGS
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.queries.digests import DigestBefore
from afterclear.store.queries.exports_digest import (
    PAGE_COSTS,
    PAGE_COUNTS,
    PAGE_FLEET,
    PAGE_HOLDERS,
    PAGE_NEWS,
    PAGE_PEOPLE,
    PAGE_SLIM,
    PAGE_WORDS,
)
from afterclear.store.queries.exports_dossier import PAGE_DOSSIER
from afterclear.store.queries.exports_histories import PAGE_FRAMES
from afterclear.store.queries.exports_orders import PAGE_ORDERS
from afterclear.store.queries.exports_roles import PAGE_ROLES
from afterclear.store.queries.results import Analysis, last_analysis, naive

# findings the fleet page shows as they are declared
_SECTIONS = tuple(finding.name for finding in FINDINGS if finding.section is not None)
# findings the audiences' pages show in whole; the rest by PAGE_SLIM
_WHOLE = (
    *("parts", "cures", "process", "process_costs", "held_by_quarter", "interventions"),
    *("forecast_parts", "forecast_record"),
    *("emerging", "emerging_points", "emerging_vehicles"),
)
# without the rows of sites and vehicles
_COMING = f"""
    SELECT * FROM ({PAGE_FINDINGS["forecast"]}) WHERE level IN ('fleet', 'component')"""


@dataclass(frozen=True)
class Gathered:
    """What a digest is made from, besides the rows of single vehicles."""

    frames: FleetFrames
    people: pl.DataFrame  # technician, site: names that may be quoted anywhere
    analysis_id: int


def gather_frames(
    app: App, con: Connection, now: datetime, before: DigestBefore | None, settings: DigestSettings
) -> Gathered:
    """Gather what the audiences' pages are chosen from.

    ``now``: the instant against which silent sources are measured.  ``before``: the digest this one
    is compared with; ``settings``: how it is shown.

    Raises:
        UsageError: nothing was analysed yet.

    """
    analysis = analysed(con)
    _set_limits(con, analysis.as_of, before, settings)
    tables: dict[str, Any] = {name: as_told(query(con, sql)) for name, sql in PAGE_FLEET.items()}
    tables |= {name: scalar(con, sql) for name, sql in PAGE_COUNTS.items()}
    for name, sql in PAGE_NEWS.items():
        tables[name] = as_told(query(con, sql.format(episodes=PAGE_FRAMES["episodes"])))
    frames = FleetFrames(
        as_of=analysis.as_of,
        **tables,
        loads=as_told(query(con, PAGE_FRAMES["loads"])),
        has_previous=before is not None,
        previous_at=before.as_of if before else None,
        said_before=before.statements if before else {},
        settings=settings,
        cautions=_cautions(con, app.cautions),
        part_cautions=_part_cautions(con, app.cautions),
        n_rejections=scalar(con, "SELECT count(*) FROM rejections"),
        n_refused_orders=scalar(
            con, "SELECT count(*) FROM rejections WHERE table_name = 'repairs'"
        ),
        stale_sources=stale_sources(app, con, now),
        findings=_findings(con),
    )
    return Gathered(frames, query(con, PAGE_PEOPLE), analysis.analysis_id)


def analysed(con: Connection) -> Analysis:
    """Give the analysis the pages come from.

    Raises:
        UsageError: nothing was analysed yet.

    """
    analysis = last_analysis(con)
    if analysis is None:
        raise UsageError("Nothing was analysed yet. Run 'afterclear analyse' first.")
    return analysis


def shown_as(app: App) -> DigestSettings:
    """Say how the settings want pages shown."""
    settings = app.config.settings
    return DigestSettings(
        fleet_name=settings.digest.title,
        zone=settings.digest.zone,
        language=settings.digest.language,
        held_below=settings.evidence.held_below,
        extrapolate_days=int(settings.evidence.extrapolate_days),
        km_per_engine_hour=settings.evidence.km_per_engine_hour,
        vehicle_pages=settings.digest.vehicle_pages,
        technicians=settings.digest.technicians,
    )


class StoreDetails:
    """Gives the rows of a few vehicles out of the store, as ``digest.frames.Details`` asks."""

    def __init__(self, con: Connection) -> None:
        self._con = con

    def __call__(
        self, vehicle_ids: Sequence[str], tables: Collection[str]
    ) -> Mapping[str, pl.DataFrame]:
        """Give these vehicles' rows of each table."""
        return {
            name: self._rows(sql, vehicle_ids)
            for name, sql in _OF_VEHICLES.items()
            if name in tables
        }

    def _rows(self, sql: str, vehicle_ids: Sequence[str]) -> pl.DataFrame:
        if not vehicle_ids:
            return as_told(query(self._con, f"SELECT * FROM ({sql}) LIMIT 0"))
        # the ends let the database skip rows outside a stretch of neighbours
        places = ", ".join("?" * len(vehicle_ids))
        where = f"vehicle_id BETWEEN ? AND ? AND vehicle_id IN ({places})"
        ends = [min(vehicle_ids), max(vehicle_ids)]
        return as_told(
            query(self._con, f"SELECT * FROM ({sql}) WHERE {where}", [*ends, *vehicle_ids])
        )


_OF_VEHICLES: dict[str, str] = {
    **{name: sql for name, sql in PAGE_FRAMES.items() if name != "loads"},
    **{name: sql for name, sql in PAGE_ROLES.items() if name in VEHICLE_FINDINGS},
    **PAGE_DOSSIER,
    HISTORY_MARKS: "SELECT vehicle_id, mark::VARCHAR AS mark FROM vehicle_clocks",
    "worsening": PAGE_FINDINGS["worsening"],
    "costs": PAGE_FINDINGS["costs"],
    "forecast": f"SELECT * FROM ({PAGE_FINDINGS['forecast']}) WHERE days = 90",
    "recurring": f"""
        SELECT r.*, w.family_label, w.meaning FROM ({PAGE_FINDINGS["recurring"]}) r
        LEFT JOIN ({PAGE_WORDS}) w USING (code, family)
        ORDER BY r.flagged DESC, r.q_value, r.vehicle_id, r.ecu, r.code""",
}


def _set_limits(
    con: Connection, as_of: datetime, before: DigestBefore | None, settings: DigestSettings
) -> None:
    """Give the queries their look-back."""
    look_back = as_of - timedelta(days=settings.look_back_days)
    values = {
        "look_back": ("TIMESTAMP", naive(look_back)),
        "before": ("INTEGER", before.digest_id if before else None),
        "before_at": ("TIMESTAMP", naive(before.as_of) if before else None),
        "year_from": ("TIMESTAMP", naive(_quarter_a_year_before(as_of))),
        "usual_days": ("INTEGER", settings.usual_window_days),
    }
    for name, (kind, value) in values.items():
        con.execute(f"SET VARIABLE {name} = ?::{kind}", [value])


def _quarter_a_year_before(as_of: datetime) -> datetime:
    """Give the begin of the same quarter of the year before."""
    first = as_of.month - (as_of.month - 1) % 3
    return datetime(as_of.year - 1, first, 1, tzinfo=UTC)


def stale_sources(
    app: App, con: Connection, now: datetime | None = None
) -> tuple[StaleSource, ...]:
    """List sources that have delivered nothing for longer than they should; None: by the clock."""
    told_at = now or app.clock()
    latest = dict(
        query(
            con,
            "SELECT source, max(finished_at) FROM loads WHERE outcome = 'stored' GROUP BY source",
        ).iter_rows()
    )
    found = []
    for source in app.config.sources:
        since = latest.get(source.name)
        limit = told_at.replace(tzinfo=None) - timedelta(days=source.stale_after_days)
        if since is None or since < limit:
            found.append(StaleSource(source.name, since and since.replace(tzinfo=UTC)))
    return tuple(found)


def _findings(con: Connection) -> dict[str, pl.DataFrame]:
    """Read the tables of findings."""
    asked = {name: PAGE_FINDINGS[name] for name in (*_WHOLE, *_SECTIONS)}
    asked |= {**PAGE_SLIM, **PAGE_ORDERS, "stock": PAGE_ROLES["stock"], "holders": PAGE_HOLDERS}
    asked |= {"costs": PAGE_COSTS, "forecast": _COMING}
    return {name: as_told(query(con, sql)) for name, sql in asked.items()}


_KINDS = """
    SELECT part_family AS kind FROM parts
    UNION SELECT fault FROM cures
    UNION SELECT component FROM forecast WHERE component IS NOT NULL
    UNION SELECT part_family FROM forecast_parts
    UNION SELECT fault FROM emerging
    UNION SELECT part FROM emerging WHERE part IS NOT NULL
    UNION SELECT substr(piece, strpos(piece, ':') + 1)
          FROM (SELECT unnest(string_split(work, ' ')) AS piece FROM cures) ORDER BY kind"""


def _part_cautions(con: Connection, known: Cautions) -> dict[str, tuple[Caution, ...]]:
    """Cautions by kind of part, for every part, fault and work that is told."""
    kinds = query(con, _KINDS)["kind"]
    found = {kind: known.of(kind) for kind in kinds}
    return {
        kind: tuple(Caution(caution.title, caution.text) for caution in own)
        for kind, own in found.items()
        if own
    }


def _cautions(con: Connection, known: Cautions) -> dict[str, tuple[Caution, ...]]:
    """Cautions by code, for every code met in any unit."""
    met = query(
        con,
        """SELECT DISTINCT code, family, ecu FROM sightings
           UNION SELECT DISTINCT code, family, ecu FROM attempts ORDER BY code, family, ecu""",
    )
    cautions: dict[str, dict[str, Caution]] = {}
    for code, family, ecu in met.iter_rows():
        for caution in known.of(family, code, ecu):
            own = cautions.setdefault(code, {})
            own.setdefault(caution.id, Caution(caution.title, caution.text))
    return {code: tuple(own.values()) for code, own in cautions.items()}
