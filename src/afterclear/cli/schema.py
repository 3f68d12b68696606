"""The command ``schema``."""

import json

import click

from afterclear.plain import TABLES
from afterclear.plain_schemas import json_schema, table_schema

_FORMS = {"csv": table_schema, "jsonl": json_schema}


@click.command("schema")
@click.argument("table", type=click.Choice(tuple(TABLES)))
@click.option(
    "--format",
    "form",
    type=click.Choice(tuple(_FORMS)),
    default="csv",
    show_default=True,
    help="Table Schema for CSV, or JSON Schema for a line of JSON Lines.",
)
def command(table: str, form: str) -> None:
    """Print the schema of TABLE of the plain layout, for programs that write it."""
    click.echo(json.dumps(_FORMS[form](TABLES[table]), indent=2, ensure_ascii=False))
