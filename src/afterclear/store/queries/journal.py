"""The store's record of runs: what was done, when it was due, and the outcome."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from afterclear.store.engine.database import Connection, query, scalar, transaction
from afterclear.store.queries.results import naive

Outcome = Literal["done", "refused", "out_of_reach", "failed", "stopped"]


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a job.  ``report``: counts and messages, plain values only."""

    job: str
    due_at: datetime | None  # None: asked for by hand
    n_missed: int
    started_at: datetime
    finished_at: datetime
    outcome: Outcome
    report: dict[str, object]


def add_run(con: Connection, run: Run) -> None:
    """Remember a run."""
    with transaction(con):
        con.execute(
            "INSERT INTO runs VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                scalar(con, "SELECT max(run_id) FROM runs") + 1,
                run.job,
                naive(run.due_at) if run.due_at else None,
                run.n_missed,
                naive(run.started_at),
                naive(run.finished_at),
                run.outcome,
                json.dumps(run.report, default=str),
            ],
        )


def last_due(con: Connection) -> dict[str, datetime]:
    """Give each job's latest due time that was handled."""
    rows = query(
        con, "SELECT job, max(due_at) FROM runs WHERE due_at IS NOT NULL GROUP BY job ORDER BY job"
    )
    return {job: due.replace(tzinfo=UTC) for job, due in rows.iter_rows()}


def last_runs(con: Connection, n: int) -> list[Run]:
    """List the latest runs, newest first."""
    rows = query(
        con,
        f"""SELECT job, due_at, n_missed, started_at, finished_at, outcome, report_json
            FROM runs ORDER BY run_id DESC LIMIT {n:d}""",
    ).iter_rows()
    return [
        Run(
            job,
            due and due.replace(tzinfo=UTC),
            missed,
            started.replace(tzinfo=UTC),
            finished.replace(tzinfo=UTC),
            outcome,
            json.loads(report),
        )
        for job, due, missed, started, finished, outcome, report in rows
    ]
