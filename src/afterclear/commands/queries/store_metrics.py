"""The numbers of a store that a monitoring system asks for."""

from contextlib import suppress

from afterclear.commands.app import App
from afterclear.commands.queries.health import complaints_of
from afterclear.errors import StoreError
from afterclear.observe.metrics import Metrics, by_label, gauge, write_metrics
from afterclear.store.engine.database import Connection, open_store, query, scalar
from afterclear.store.engine.locking import patient

# name, meaning, label, and the query that gives each label's value with its number
_BY_LABEL = (
    ("afterclear_loads_total", "Files in the ledger.", "outcome",
     "SELECT outcome, count(*) FROM loads GROUP BY outcome ORDER BY outcome"),
    ("afterclear_rows_total", "Rows read, by what became of them.", "fate",
     """UNPIVOT (
            SELECT sum(rows_stored)::BIGINT AS stored, sum(rows_duplicate)::BIGINT AS duplicate,
                sum(rows_rejected)::BIGINT AS rejected FROM loads)
        ON stored, duplicate, rejected INTO NAME fate VALUE n"""),
    ("afterclear_last_delivery_timestamp_seconds", "When a source last delivered something new.",
     "source",
     """SELECT source, epoch(max(finished_at)) FROM loads
        WHERE outcome = 'stored' GROUP BY source ORDER BY source"""),
    ("afterclear_attempts", "Fix attempts by verdict.", "outcome",
     "SELECT outcome, count(*) FROM verdicts GROUP BY outcome ORDER BY outcome"),
    ("afterclear_job_last_end_timestamp_seconds", "When a job last ended, whatever came of it.",
     "job", "SELECT job, epoch(max(finished_at)) FROM runs GROUP BY job ORDER BY job"),
    ("afterclear_job_last_good_timestamp_seconds", "When a job last ended well.", "job",
     """SELECT job, epoch(max(finished_at)) FROM runs
        WHERE outcome IN ('done', 'refused') GROUP BY job ORDER BY job"""),
    ("afterclear_job_last_seconds", "How long a job's last run took.", "job",
     """SELECT job, arg_max(epoch(finished_at) - epoch(started_at), run_id)
        FROM runs GROUP BY job ORDER BY job"""),
)  # fmt: skip


def store_metrics(app: App) -> Metrics:
    """Count what a monitoring system asks for."""
    with open_store(app.store, read_only=True) as con:
        counted = [
            by_label(name, meaning, label, _numbers(con, sql))
            for name, meaning, label, sql in _BY_LABEL
        ]
        waiting = scalar(con, "SELECT count(DISTINCT vehicle_id) FROM stale_vehicles")
        complaints = complaints_of(app, con)
    archived = sum(f.stat().st_size for f in app.archive.glob("??/*.zst"))
    return (
        *counted,
        gauge("afterclear_vehicles_waiting", "Vehicles with rows not analysed yet.", waiting),
        gauge("afterclear_store_bytes", "Size of the store.", app.store.stat().st_size),
        gauge("afterclear_archive_bytes", "Size of the archive.", archived),
        gauge("afterclear_complaints", "What 'status --health' complains of.", len(complaints)),
    )


def metrics_now(app: App) -> Metrics | None:
    """Count the same without waiting; None while there is no store to be read."""
    with suppress(StoreError), patient(0):
        return store_metrics(app)
    return None


def publish_metrics(app: App) -> None:
    """Rewrite the metrics file, where one is configured."""
    path = app.config.settings.watching.metrics_file
    if path is not None:
        write_metrics(app.config.beside(path), store_metrics(app))


def _numbers(con: Connection, sql: str) -> dict[str, float]:
    return {str(label): float(number) for label, number in query(con, sql).iter_rows()}
