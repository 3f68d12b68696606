"""The command ``status``."""

import json
from datetime import datetime

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.queries.health import Health, health
from afterclear.commands.queries.status import Status, status
from afterclear.schedule.upcoming import upcoming

EXIT_UNWELL = 5


@click.command("status")
@click.option("--json", "as_json", is_flag=True, help="JSON, for a program to read.")
@click.option("--health", "only_health", is_flag=True, help="Exit code 5 where all is not well.")
@click.option("--metrics", "as_metrics", is_flag=True, help="Prometheus text.")
@with_app
def command(app: App, *, as_json: bool, only_health: bool, as_metrics: bool) -> None:
    """Say how the store stands: size, last loads and runs, what waits, which sources are silent."""
    if as_metrics:
        _echo_metrics(app)
        return
    found = health(app)
    if only_health:
        click.echo("\n".join(found.complaints) or "All is well.")
        if found.complaints:
            raise SystemExit(EXIT_UNWELL)
        return
    state = status(app)
    following = upcoming(app)
    if as_json:
        facts = _plain(state) | _plain_health(found) | {"next_runs": following}
        click.echo(json.dumps(facts, default=str))
        return
    click.echo(_text(state))
    click.echo(_health_text(found, following))


def _echo_metrics(app: App) -> None:
    # slow to import, and only wanted here
    from afterclear.commands.queries.store_metrics import store_metrics  # noqa: PLC0415
    from afterclear.observe.metrics import metrics_text  # noqa: PLC0415

    click.echo(metrics_text(store_metrics(app)), nl=False)


def _plain(state: Status) -> dict[str, object]:
    return {
        "store_bytes": state.store_bytes,
        "archive_bytes": state.archive_bytes,
        "last_loads": state.last_loads.to_dicts(),
        "rejected_rows": state.n_rejections,
        "last_analysis_at": state.last_analysis_at,
        "as_of": state.as_of,
        "vehicles_waiting": state.vehicles_waiting,
        "stale_sources": list(state.stale_sources),
    }


def _plain_health(found: Health) -> dict[str, object]:
    return {
        "complaints": list(found.complaints),
        "being_written": found.is_copy,
        "last_runs": [
            {
                "job": run.job,
                "outcome": run.outcome,
                "started_at": run.started_at,
                "finished_at": run.finished_at,
                "due_at": run.due_at,
                "missed": run.n_missed,
                "report": run.report,
            }
            for run in found.runs
        ],
    }


def _text(state: Status) -> str:
    lines = [
        f"store {state.store_bytes / 1e6:.1f} MB, archive {state.archive_bytes / 1e6:.1f} MB",
        f"last analysis {_when(state.last_analysis_at)}, as of {_when(state.as_of)}",
        f"{state.vehicles_waiting} vehicles have rows not analysed yet",
        f"{state.n_rejections} refused rows",
        "last loads:",
    ]
    lines += [
        f"  {row['load_id']:>4}  {row['finished_at']:%Y-%m-%d %H:%M}  {row['outcome']:<8} "
        f"{row['file_name']}  {row['rows_stored']} stored, {row['rows_rejected']} refused"
        for row in state.last_loads.iter_rows(named=True)
    ]
    return "\n".join(lines)


def _health_text(found: Health, following: dict[str, datetime]) -> str:
    lines = ["last runs:" if found.runs else "no run yet"]
    for run in found.runs:
        missed = f", made up for {run.n_missed} missed" if run.n_missed else ""
        outcome = run.outcome.replace("_", " ")
        lines.append(f"  {run.finished_at:%Y-%m-%d %H:%M}  {run.job}: {outcome}{missed}")
    lines += ["next by the timetable:"] if following else []
    lines += [f"  {at:%Y-%m-%d %H:%M %Z}  {job}" for job, at in following.items()]
    lines += [f"LOOK: {complaint}" for complaint in found.complaints]
    if found.is_copy:
        lines.append("A run is writing now; this is the store as it was when it began.")
    return "\n".join(lines)


def _when(instant: object) -> str:
    return "never" if instant is None else f"{instant:%Y-%m-%d %H:%M} UTC"
