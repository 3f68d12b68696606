"""Digests: stored results -> frames -> pages -> files."""

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import polars as pl
import polars.selectors as cs

from afterclear import __version__
from afterclear.digest.build import build_digest
from afterclear.digest.frames import Caution, DigestSettings, HistoryFrames, StaleSource
from afterclear.digest.render import render_pages
from afterclear.digest.write import write_digest
from afterclear.errors import UsageError
from afterclear.normalise.catalogue import Catalogue
from afterclear.runs.app import App
from afterclear.store.database import Connection, open_store, query, scalar, transaction
from afterclear.store.exports import PAGE_FRAMES
from afterclear.store.results import add_digest, last_analysis, last_digest

AUDIENCES = ("fleet",)


@dataclass(frozen=True, slots=True)
class DigestReport:
    """Where the pages are."""

    index: Path
    n_pages: int


def digest(app: App, *, folder: Path | None = None) -> DigestReport:
    """Write the fleet digest with a page per vehicle; None: under the reports folder.

    Raises:
        UsageError: nothing was analysed yet.

    """
    frames = history_frames(app)
    written = write_digest(render_pages(build_digest(frames)), folder or app.reports)
    with open_store(app.store) as con, transaction(con):
        add_digest(con, frames.as_of, __version__, app.clock())
    return DigestReport((folder or app.reports) / "index.html", len(written))


def history_frames(app: App) -> HistoryFrames:
    """Gather what the pages are built from.

    Raises:
        UsageError: nothing was analysed yet.

    """
    with open_store(app.store) as con:
        analysis = last_analysis(con)
        if analysis is None:
            raise UsageError("Nothing was analysed yet. Run 'afterclear analyse' first.")
        frames = {name: aware(query(con, sql)) for name, sql in PAGE_FRAMES.items()}
        before = last_digest(con)
        settings = app.config.settings
        return HistoryFrames(
            as_of=analysis.as_of,
            **frames,
            previous=before[1] if before else None,
            previous_at=before[0] if before else None,
            units=settings.digest.units,
            settings=DigestSettings(
                fleet_name=settings.digest.title,
                held_below=settings.evidence.held_below,
                extrapolate_days=int(settings.evidence.extrapolate_days),
            ),
            cautions=_cautions(con, app.catalogue),
            n_rejections=scalar(con, "SELECT count(*) FROM rejections"),
            stale_sources=stale_sources(app, con),
        )


def aware(frame: pl.DataFrame) -> pl.DataFrame:
    """Give the store's instants their offset: UTC."""
    return frame.with_columns(cs.datetime(time_zone=None).dt.replace_time_zone("UTC"))


def stale_sources(app: App, con: Connection) -> tuple[StaleSource, ...]:
    """List sources that have delivered nothing for longer than they should."""
    latest = dict(
        query(
            con,
            "SELECT source, max(finished_at) FROM loads WHERE outcome = 'stored' GROUP BY source",
        ).iter_rows()
    )
    found = []
    for source in app.config.sources:
        since = latest.get(source.name)
        limit = app.clock().replace(tzinfo=None) - timedelta(days=source.stale_after_days)
        if since is None or since < limit:
            found.append(
                StaleSource(source.name, since and since.replace(tzinfo=app.clock().tzinfo))
            )
    return tuple(found)


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
