"""The command ``map-check``."""

from pathlib import Path

import click
import polars as pl

from afterclear.cli.frame import tell, with_app
from afterclear.cli.load import known_zone
from afterclear.errors import UsageError
from afterclear.runs.app import App
from afterclear.runs.mapping import MapCheck, Preview, check_file

SHOWN = 10  # refused rows


@click.command("map-check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--rows", default=5, show_default=True, help="Rows shown of each table.")
@click.option("--vehicle", help="Whose file it is, if it does not say so itself.")
@click.option("--zone", default="UTC", callback=known_zone, help="Zone of times without an offset.")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="File for the suggested map (.toml)."
)
@with_app
def command(
    app: App, file: Path, rows: int, vehicle: str | None, zone: str, output: Path | None
) -> None:
    """Show what is made of FILE; suggest an import map where nothing takes it."""
    unknown = False
    for check in check_file(app, file, rows=rows, zone=zone, vehicle_id=vehicle):
        _tell(check)
        unknown = unknown or check.reader is None or bool(check.why)
        if output is not None and check.suggestion is not None:
            if output.exists():
                raise UsageError(f"{output} is there already; nothing was written.")
            output.parent.mkdir(parents=True, exist_ok=True)
            output.write_text(check.suggestion.text, encoding="utf-8")
            click.echo(f"written to {output}", err=True)
    if unknown:
        raise SystemExit(3)


def _tell(check: MapCheck) -> None:
    if check.reader is not None:
        tell(f"{check.name}: read by {check.reader}")
        if check.why:
            tell(f"refused: {check.why}")
    elif check.suggestion is None:
        tell(f"{check.name}: {check.why}")
    else:
        tell(f"{check.name}: nothing reads it yet. A suggestion to look at and mend:\n")
        tell(check.suggestion.text)
        for problem in check.to_fill_in:
            tell(f"to fill in before it can be used: {problem}")
        if check.preview is not None:
            tell("With it:")
    if check.preview is not None:
        _tell_preview(check.preview)


def _tell_preview(preview: Preview) -> None:
    if preview.note:
        tell(f"note: {preview.note}")
    shape = pl.Config(
        tbl_cols=-1,
        tbl_rows=-1,
        tbl_width_chars=-1,
        fmt_str_lengths=24,
        tbl_hide_dataframe_shape=True,
        tbl_hide_column_data_types=True,
        tbl_formatting="ASCII_MARKDOWN",
    )
    for table, n_rows, head in preview.tables:
        tell(f"{table}: {n_rows} rows, the first {len(head)}:")
        if len(head):
            with shape:
                tell(str(head))
    if preview.rejections:
        tell(f"refused: {len(preview.rejections)} rows")
    for refused in preview.rejections[:SHOWN]:
        place = f"line {refused.line}" if refused.line else "somewhere"
        value = "empty" if refused.value is None else repr(refused.value)
        tell(f"  {place}, {refused.column or 'the row'} {value}: expected {refused.expected}")
