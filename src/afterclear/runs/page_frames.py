"""Stored results -> the frames pages are built from."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import polars.selectors as cs

from afterclear.digest.frames import Caution, DigestSettings, HistoryFrames, StaleSource
from afterclear.errors import UsageError
from afterclear.normalise.catalogue import Catalogue
from afterclear.runs.app import App
from afterclear.store.database import Connection, query, scalar
from afterclear.store.digests import DigestBefore, digest_before
from afterclear.store.exports import PAGE_FRAMES
from afterclear.store.exports_digest import PAGE_WORDS
from afterclear.store.exports_findings import PAGE_FINDINGS
from afterclear.store.exports_roles import PAGE_ROLES
from afterclear.store.results import last_analysis

# exports of holders -> the level their names are of
_LEVELS = {"sites": "site", "technicians": "technician", "brands": "brand", "grades": "grade"}
# what a page never shows: kept out, so that a large fleet's digest stays small in memory
_NOT_SHOWN = {"worsening_events", "fault_curves", "parts_left_out", "process_orders", "open_roles"}


def gather_frames(app: App, con: Connection, now: datetime) -> tuple[HistoryFrames, int]:
    """Gather what the pages are built from, and the number of the analysis it comes from.

    ``now``: the instant against which silent sources are told.

    Raises:
        UsageError: nothing was analysed yet.

    """
    analysis = last_analysis(con)
    if analysis is None:
        raise UsageError("Nothing was analysed yet. Run 'afterclear analyse' first.")
    before = digest_before(con, analysis.as_of)
    settings = app.config.settings
    tables: dict[str, Any] = {name: aware(query(con, sql)) for name, sql in PAGE_FRAMES.items()}
    frames = HistoryFrames(
        as_of=analysis.as_of,
        **tables,
        previous=before.outcomes if before else None,
        previous_at=before.as_of if before else None,
        previous_marks=_marks(before),
        units=settings.digest.units,
        settings=DigestSettings(
            fleet_name=settings.digest.title,
            zone=settings.digest.zone,
            language=settings.digest.language,
            held_below=settings.evidence.held_below,
            extrapolate_days=int(settings.evidence.extrapolate_days),
        ),
        cautions=_cautions(con, app.catalogue),
        n_rejections=scalar(con, "SELECT count(*) FROM rejections"),
        stale_sources=stale_sources(app, con, now),
        findings=_findings(con),
    )
    return frames, analysis.analysis_id


def aware(frame: pl.DataFrame) -> pl.DataFrame:
    """Give the store's instants their offset: UTC."""
    return frame.with_columns(cs.datetime(time_zone=None).dt.replace_time_zone("UTC"))


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


def _marks(before: DigestBefore | None) -> Mapping[tuple[str, str], str]:
    return before.marks if before else {}


def _findings(con: Connection) -> dict[str, pl.DataFrame]:
    """Read every table of findings; those of sites, people, brands and grades become one."""
    asked = {**PAGE_FINDINGS, **PAGE_ROLES}
    found = {name: aware(query(con, sql)) for name, sql in asked.items() if name not in _NOT_SHOWN}
    found["holders"] = pl.concat(
        [_as_holders(found.pop(table), level) for table, level in _LEVELS.items()], how="diagonal"
    )
    words = query(con, PAGE_WORDS)
    found["recurring"] = found["recurring"].join(
        words, on=["code", "family"], how="left", maintain_order="left"
    )
    return found


def _as_holders(frame: pl.DataFrame, level: str) -> pl.DataFrame:
    """Bring one level's export back to common names; ``site`` of a technician is where."""
    renamed = {level: "name", "limit": "limit_ratio"}
    if level == "technician":
        renamed["site"] = "at_sites"
    return frame.rename(renamed).with_columns(pl.lit(level).alias("level"))


def _cautions(con: Connection, catalogue: Catalogue) -> dict[str, tuple[Caution, ...]]:
    """Cautions by code, for every code met in any unit."""
    met = query(
        con,
        """SELECT DISTINCT code, family, ecu FROM sightings
           UNION SELECT DISTINCT code, family, ecu FROM attempts ORDER BY code, family, ecu""",
    )
    cautions: dict[str, dict[str, Caution]] = {}
    for code, family, ecu in met.iter_rows():
        for caution in catalogue.cautions(family, code, ecu):
            known = cautions.setdefault(code, {})
            known.setdefault(caution.id, Caution(caution.title, caution.text))
    return {code: tuple(known.values()) for code, known in cautions.items()}
