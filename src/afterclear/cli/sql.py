"""The command ``sql``."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Literal

import click
import polars as pl

from afterclear.cli.export import needs_file, tell_text
from afterclear.cli.frame import tell, with_app
from afterclear.commands.app import App
from afterclear.commands.queries.answering import answer_frame
from afterclear.commands.queries.exporting import (
    FORMATS,
    Format,
    form_of,
    frame_text,
    write_frame,
)
from afterclear.errors import AfterclearError, UsageError

_Form = Literal["table"] | Format

_MOST_SHOWN = 200  # rows of a table in the terminal
_KEPT = 1000  # lines of what was typed


@click.command("sql")
@click.argument("question", required=False)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", *FORMATS]),
    help="Else as the file's name ends; table in a terminal.",
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File to write."
)
@with_app
def command(app: App, question: str | None, form: _Form | None, output: Path | None) -> None:
    """Answer QUESTION, one reading statement of SQL over the exported tables.

    Without one, a prompt opens: a statement ends with a semicolon, Ctrl-D ends the prompt.
    """
    if question is None:
        if output is not None:
            raise UsageError("-o FILE goes with a question on the command line.")
        _prompt(app)
        return
    if output is not None:
        if form == "table":
            raise UsageError("A table is for the terminal; a file is csv, jsonl, parquet or xlsx.")
        frame = answer_frame(app, question)
        rows = write_frame(app, frame, form_of(output, form), output)
        click.echo(f"{rows} rows written to {output}", err=True)
        return
    match form or "table":
        case "table":
            _show(answer_frame(app, question, most=_MOST_SHOWN + 1))
        case "csv" | "jsonl" as chosen:
            tell_text(frame_text(answer_frame(app, question), chosen))
        case other:
            raise needs_file(other)


def _show(frame: pl.DataFrame) -> None:
    shape = pl.Config(
        tbl_cols=-1,
        tbl_rows=_MOST_SHOWN,
        fmt_str_lengths=60,
        tbl_width_chars=-1,
        tbl_hide_column_data_types=True,
        tbl_hide_dataframe_shape=True,
        tbl_formatting="ASCII_MARKDOWN",
    )
    with shape:
        tell(str(frame.head(_MOST_SHOWN)))
    if len(frame) > _MOST_SHOWN:
        tell(f"(the first {_MOST_SHOWN} rows; -o FILE takes all)", err=True)
    else:
        tell(f"({len(frame)} row{'' if len(frame) == 1 else 's'})", err=True)


def _prompt(app: App) -> None:
    """Answer one statement after the other; print the error of a wrong one, and go on."""
    with _history():
        while (question := _statement()) is not None:
            try:
                _show(answer_frame(app, question, most=_MOST_SHOWN + 1))
            except AfterclearError as error:
                if not sys.stdin.isatty():
                    raise  # a script must see that its question failed
                tell(str(error), err=True)


def _statement() -> str | None:
    """Read lines up to a semicolon; None: the end."""
    lines: list[str] = []
    try:
        while not lines or not lines[-1].rstrip().endswith(";"):
            line = input("   ...> " if lines else "ask> ")
            if line.strip():
                lines.append(line)
    except EOFError:
        click.echo()
        if not lines:
            return None
    return "\n".join(lines)


@contextmanager
def _history() -> Iterator[None]:
    """Keep typed lines for the next time, if the system has a line editor."""
    try:
        import readline  # noqa: PLC0415 - not on every system
    except ImportError:
        yield
        return
    state = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    kept = Path(state) / "afterclear" / "questions"
    with suppress(OSError):
        readline.read_history_file(kept)
    try:
        yield
    finally:
        with suppress(OSError):
            kept.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            readline.set_history_length(_KEPT)
            readline.write_history_file(kept)
            kept.chmod(0o600)
