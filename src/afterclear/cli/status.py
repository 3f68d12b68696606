"""The command ``status``."""

import json

import click

from afterclear.cli.frame import with_app
from afterclear.runs.app import App
from afterclear.runs.looking import Status, status


@click.command("status")
@click.option("--json", "as_json", is_flag=True, help="JSON, for a program to read.")
@with_app
def command(app: App, *, as_json: bool) -> None:
    """Say how the store stands: size, last loads, what waits, which sources are silent."""
    state = status(app)
    click.echo(json.dumps(_plain(state), default=str) if as_json else _text(state))


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


def _text(state: Status) -> str:
    lines = [
        f"store {state.store_bytes / 1e6:.1f} MB, archive {state.archive_bytes / 1e6:.1f} MB",
        f"last analysis {_when(state.last_analysis_at)}, as of {_when(state.as_of)}",
        f"{state.vehicles_waiting} vehicles have rows not analysed yet",
        f"{state.n_rejections} refused rows",
        *(f"source {name}: nothing new for too long" for name in state.stale_sources),
        "last loads:",
    ]
    lines += [
        f"  {row['load_id']:>4}  {row['finished_at']:%Y-%m-%d %H:%M}  {row['outcome']:<8} "
        f"{row['file_name']}  {row['rows_stored']} stored, {row['rows_rejected']} refused"
        for row in state.last_loads.iter_rows(named=True)
    ]
    return "\n".join(lines)


def _when(instant: object) -> str:
    return "never" if instant is None else f"{instant:%Y-%m-%d %H:%M} UTC"
