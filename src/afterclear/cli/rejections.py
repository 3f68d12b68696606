"""The command ``rejections``."""

from pathlib import Path

import click

from afterclear.cli.frame import tell, with_app
from afterclear.commands.app import App
from afterclear.commands.queries.refused_workbook import refused_workbook
from afterclear.commands.queries.status import refused_files, rejected_rows
from afterclear.errors import UsageError


@click.command("rejections")
@click.option("--json", "as_json", is_flag=True, help="JSON Lines, for a program to read.")
@click.option(
    "--workbook",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write them to this .xlsx instead: mend it, then load it.",
)
@with_app
def command(app: App, *, as_json: bool, workbook: Path | None) -> None:
    """List refused rows: file, line, column, value, and what was expected; then refused files."""
    if workbook is not None:
        _write(app, workbook)
        return
    rows = rejected_rows(app)
    if as_json:
        click.echo(rows.write_ndjson(), nl=False)
        return
    for row in rows.iter_rows(named=True):
        line = "" if row["line"] is None else f", line {row['line']}"
        column = f"column {row['column_name']}: " if row["column_name"] else ""
        value = "empty" if row["value"] is None else repr(row["value"][:80])
        tell(f"{row['file_name']}{line}: {column}{value}; expected {row['expected']}")
    refused = refused_files(app)
    for file in refused.iter_rows(named=True):
        tell(f"{file['file_name']} (load {file['load_id']}), the whole file: {file['note']}")
    click.echo(f"{len(rows)} refused rows, {len(refused)} files refused as a whole", err=True)


def _write(app: App, path: Path) -> None:
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"Call the workbook NAME.xlsx, not {path.name}.")
    made = refused_workbook(app)
    path.write_bytes(made.content)
    tell(f"{made.n_rows:,} refused rows are in {path}. Mend it, then 'afterclear load {path}'.")
    for reason, n in made.left_out.items():
        tell(f"not in it: {n:,} rows {reason}")
