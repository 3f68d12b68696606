"""The store's state: what was refused, sizes, latest runs."""

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from afterclear.commands.app import App
from afterclear.commands.forgetting import is_half_done
from afterclear.commands.pages.page_frames import stale_sources
from afterclear.errors import Worded
from afterclear.store.engine.database import open_store, query, scalar
from afterclear.store.intake.spelling import expectations
from afterclear.store.queries.exports import EXPORTS
from afterclear.store.queries.results import last_analysis


@dataclass(frozen=True)
class Status:
    """The store's state."""

    store_bytes: int
    archive_bytes: int
    last_loads: pl.DataFrame
    n_rejections: int
    last_analysis_at: datetime | None
    as_of: datetime | None
    vehicles_waiting: int
    stale_sources: tuple[str, ...]
    is_half_forgotten: bool  # a vehicle is: its forgetting was cut off


def rejected_rows(app: App) -> pl.DataFrame:
    """List every refused row with its place and reason."""
    with open_store(app.store, read_only=True) as con:
        return query(con, EXPORTS["rejections"])


def expected_words(app: App) -> dict[str, Worded]:
    """Give expectations of cells by their text, so that they can be said in another language.

    The store keeps what was expected as text.  What depends on more than the cell's column is not
    among them.
    """
    return expectations(app.takes)


def refused_files(app: App) -> pl.DataFrame:
    """List the files that were refused as a whole and never taken since: load_id, name, note.

    A file refused several times is listed once, with its last reason.
    """
    with open_store(app.store, read_only=True) as con:
        return query(
            con,
            """SELECT max(load_id) AS load_id, arg_max(file_name, load_id) AS file_name,
                      arg_max(note, load_id) AS note
               FROM loads GROUP BY sha256
               HAVING bool_and(outcome IN ('refused', 'replaced'))
                  AND bool_or(outcome = 'refused')
               ORDER BY load_id""",
        )


def status(app: App) -> Status:
    """Give the store's state."""
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
            is_half_forgotten=is_half_done(con),
        )
