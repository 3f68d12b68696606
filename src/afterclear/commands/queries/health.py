"""What a monitoring system is told: numbers, and whether all is well."""

import json
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from afterclear.commands.app import App
from afterclear.commands.forgetting import is_half_done
from afterclear.commands.pages.page_frames import stale_sources
from afterclear.errors import StoreError
from afterclear.observe.metrics import Metric, metrics_text, write_metrics
from afterclear.store.engine.database import Connection, is_copy, open_store, query, scalar
from afterclear.store.engine.locking import patient
from afterclear.store.queries.journal import Run, last_runs
from afterclear.store.upkeep.checks import results_unfinished

_RUNS_SHOWN = 5
HALF_FORGOTTEN = (
    "a vehicle is half forgotten: the command was stopped. Give 'afterclear forget vehicle ID' "
    "again; it goes on where it was."
)


@dataclass(frozen=True, slots=True)
class Health:
    """Whether all is well: no complaint, or what is not."""

    complaints: tuple[str, ...]
    runs: tuple[Run, ...]  # the latest, newest first
    is_copy: bool  # a writer is at work; this is the store as it was before


def health(app: App) -> Health:
    """Say what a person should look into: failed or missing runs, silent sources, results due."""
    with open_store(app.store, read_only=True) as con:
        runs = tuple(last_runs(con, _RUNS_SHOWN))
        complaints = [*_of_runs(app, con), *_of_sources(app, con)]
        if why := results_unfinished(con):
            complaints.append(f"results are not up to date: {why}")
        if is_half_done(con):
            complaints.append(HALF_FORGOTTEN)
        return Health(tuple(complaints), runs, is_copy(con))


def _of_runs(app: App, con: Connection) -> list[str]:
    limit = app.config.settings.watching.healthy_within_days
    since = app.clock().astimezone(UTC).replace(tzinfo=None) - timedelta(days=limit)
    ended_well = query(
        con,
        """SELECT report_json FROM runs WHERE finished_at >= ?
           AND outcome IN ('done', 'refused', 'out_of_reach')""",
        [since],
    )
    # only a run that counts files has looked for deliveries
    good = any("files" in json.loads(report) for (report,) in ended_well.iter_rows())
    complaints = [] if good else [f"no run ended well in the last {limit:g} days"]
    kept = {job.name for job in app.config.timetable.jobs}
    for job, outcome, finished, report in query(
        con,
        """SELECT job, arg_max(outcome, run_id), max(finished_at), arg_max(report_json, run_id)
           FROM runs GROUP BY job ORDER BY job""",
    ).iter_rows():
        # what nobody does any more is not complained of for ever
        if job in kept or finished >= since:
            complaints += _of_last_run(job, outcome, finished, json.loads(report))
    return complaints


def _of_last_run(
    job: str, outcome: str, finished: datetime, told: Mapping[str, Any]
) -> Iterator[str]:
    if outcome in ("failed", "stopped"):
        why = f": {told['error']}" if told.get("error") else ""
        yield f"the last run of {job} ({finished:%Y-%m-%d %H:%M}) {outcome}{why}"
    if unsent := told.get("not_sent"):
        why = "; ".join(told.get("not_sent_why", ()))
        yield f"in the last run of {job} {unsent} messages were not sent{f': {why}' if why else ''}"
    sources = "; ".join(told.get("out_of_reach", ())) or told.get("error", "")
    if outcome == "out_of_reach" and (sources or not unsent):
        yield f"in the last run of {job} a source was out of reach: {sources}"


def _of_sources(app: App, con: Connection) -> list[str]:
    return [f"source {s.name}: nothing new for too long" for s in stale_sources(app, con)]


def metrics(app: App) -> str:
    """Write the numbers a monitoring system asks for."""
    with open_store(app.store, read_only=True) as con:
        found = [
            _by_label(con, "afterclear_loads_total", "Files in the ledger.", "outcome",
                      "SELECT outcome, count(*) FROM loads GROUP BY outcome ORDER BY outcome"),
            _rows(con),
            _by_label(con, "afterclear_last_delivery_timestamp_seconds",
                      "When a source last delivered something new.", "source",
                      """SELECT source, epoch(max(finished_at)) FROM loads
                         WHERE outcome = 'stored' GROUP BY source ORDER BY source"""),
            _by_label(con, "afterclear_attempts", "Fix attempts by verdict.", "outcome",
                      "SELECT outcome, count(*) FROM verdicts GROUP BY outcome ORDER BY outcome"),
            _by_label(con, "afterclear_job_last_end_timestamp_seconds",
                      "When a job last ended, whatever came of it.", "job",
                      "SELECT job, epoch(max(finished_at)) FROM runs GROUP BY job ORDER BY job"),
            _by_label(con, "afterclear_job_last_good_timestamp_seconds",
                      "When a job last ended well.", "job",
                      """SELECT job, epoch(max(finished_at)) FROM runs
                         WHERE outcome IN ('done', 'refused') GROUP BY job ORDER BY job"""),
            _by_label(con, "afterclear_job_last_seconds", "How long a job's last run took.", "job",
                      """SELECT job, arg_max(epoch(finished_at) - epoch(started_at), run_id)
                         FROM runs GROUP BY job ORDER BY job"""),
            _one("afterclear_vehicles_waiting", "Vehicles with rows not analysed yet.",
                 scalar(con, "SELECT count(DISTINCT vehicle_id) FROM stale_vehicles")),
        ]  # fmt: skip
        complaints = (*_of_runs(app, con), *_of_sources(app, con))
    archived = sum(f.stat().st_size for f in app.archive.glob("??/*.zst"))
    found += [
        _one("afterclear_store_bytes", "Size of the store.", app.store.stat().st_size),
        _one("afterclear_archive_bytes", "Size of the archive.", archived),
        _one("afterclear_complaints", "What 'status --health' complains of.", len(complaints)),
    ]
    return metrics_text(found)


def metrics_now(app: App) -> str | None:
    """Write the same numbers without waiting; None while there is no store to be read."""
    with suppress(StoreError), patient(0):
        return metrics(app)
    return None


def publish_metrics(app: App) -> None:
    """Rewrite the metrics file, where one is configured."""
    place = app.config.settings.watching.metrics_file
    if place is not None:
        write_metrics(app.config.beside(place), metrics(app))


def _rows(con: Connection) -> Metric:
    names = ("stored", "duplicate", "rejected")
    return Metric(
        "afterclear_rows_total",
        "Rows read, by what became of them.",
        "counter",
        tuple(
            ((("fate", name),), scalar(con, f"SELECT sum(rows_{name})::BIGINT FROM loads"))
            for name in names
        ),
    )


def _by_label(con: Connection, name: str, says: str, label: str, sql: str) -> Metric:
    rows = query(con, sql).iter_rows()
    samples = tuple((((label, str(key)),), float(value)) for key, value in rows)
    return Metric(name, says, "counter" if name.endswith("_total") else "gauge", samples)


def _one(name: str, says: str, value: float) -> Metric:
    return Metric(name, says, "gauge", (((), value),))
