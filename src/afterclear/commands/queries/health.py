"""Whether all is well, and what a person should check."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from afterclear.commands.app import App
from afterclear.commands.forgetting import is_half_done
from afterclear.commands.pages.page_frames import stale_sources
from afterclear.store.engine.database import Connection, is_copy, open_store, query
from afterclear.store.queries.journal import Run, last_runs
from afterclear.store.upkeep.checks import results_unfinished

_RUNS_SHOWN = 5
HALF_FORGOTTEN = (
    "a vehicle is half forgotten: the command was stopped. Give 'afterclear forget finish'; it "
    "goes on where it was."
)


@dataclass(frozen=True, slots=True)
class Health:
    """Whether all is well: no complaint, or what is not."""

    complaints: tuple[str, ...]
    runs: tuple[Run, ...]  # the latest, newest first
    is_copy: bool  # a writer is at work; this is the store as it was before


def health(app: App) -> Health:
    """List what a person should check: failed or missing runs, silent sources, results due."""
    with open_store(app.store, read_only=True) as con:
        runs = tuple(last_runs(con, _RUNS_SHOWN))
        complaints = complaints_of(app, con)
        if reason := results_unfinished(con):
            complaints.append(f"results are not up to date: {reason}")
        if is_half_done(con):
            complaints.append(HALF_FORGOTTEN)
        return Health(tuple(complaints), runs, is_copy(con))


def complaints_of(app: App, con: Connection) -> list[str]:
    """Say which runs failed or are missing, and which sources are silent."""
    return [*_of_runs(app, con), *_of_sources(app, con)]


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
        # a job that was given up does not cause complaints for ever
        if job in kept or finished >= since:
            complaints += _of_last_run(job, outcome, finished, json.loads(report))
    return complaints


def _of_last_run(
    job: str, outcome: str, finished: datetime, report: Mapping[str, Any]
) -> Iterator[str]:
    if outcome in ("failed", "stopped"):
        reason = f": {report['error']}" if report.get("error") else ""
        yield f"the last run of {job} ({finished:%Y-%m-%d %H:%M}) {outcome}{reason}"
    if unsent := report.get("not_sent"):
        reasons = "; ".join(report.get("not_sent_why", ()))
        reason = f": {reasons}" if reasons else ""
        yield f"in the last run of {job} {unsent} messages were not sent{reason}"
    sources = "; ".join(report.get("out_of_reach", ())) or report.get("error", "")
    if outcome == "out_of_reach" and (sources or not unsent):
        yield f"in the last run of {job} a source was out of reach: {sources}"


def _of_sources(app: App, con: Connection) -> list[str]:
    return [f"source {s.name}: nothing new for too long" for s in stale_sources(app, con)]
