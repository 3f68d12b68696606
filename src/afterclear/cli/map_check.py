"""The command ``map-check``."""

import sys
from dataclasses import replace
from pathlib import Path

import click
import polars as pl

from afterclear.cli.frame import tell, with_app
from afterclear.cli.load import known_zone
from afterclear.cli.words import refused_line
from afterclear.commands.app import App
from afterclear.commands.intake.mapping import (
    Asked,
    MapCheck,
    Preview,
    Question,
    Side,
    Suggestion,
    check_file,
)
from afterclear.errors import UsageError

SHOWN = 10  # refused rows


@click.command("map-check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--rows", default=5, show_default=True, help="Rows shown of each table.")
@click.option("--vehicle", help="Whose file it is, if it does not say so itself.")
@click.option("--zone", default="UTC", callback=known_zone, help="Zone of times without an offset.")
@click.option(
    "--answer", "answers", multiple=True, metavar="QUESTION=CHOICE", help="Answer to a question."
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="File for the suggested map (.toml)."
)
@with_app
def command(  # noqa: PLR0913, PLR0917 - one argument an option
    app: App,
    file: Path,
    rows: int,
    vehicle: str | None,
    zone: str,
    answers: tuple[str, ...],
    output: Path | None,
) -> None:
    """Show what is made of FILE; suggest an import map where nothing takes it."""
    asked = Asked(rows, zone, vehicle, _parted(answers))
    if output is not None and output.exists():
        raise UsageError(f"{output} is there already; nothing was written.")
    checks = list(check_file(app, file, asked))
    while _is_person() and (more := _answered(checks)):
        asked = replace(asked, answers={**asked.answers, **more})
        checks = list(check_file(app, file, asked))
    for check in checks:
        _tell(check)
        if output is not None and check.suggestion is not None:
            _write(output, check)
    if any(check.reader is None or check.reason for check in checks):
        raise SystemExit(3)


def _parted(answers: tuple[str, ...]) -> dict[str, str]:
    parts = {}
    for answer in answers:
        key, mark, word = answer.rpartition("=")
        if not mark:
            raise UsageError(f"--answer {answer!r}: expected QUESTION=CHOICE, as date-order=day.")
        parts[key.strip()] = word.strip()
    return parts


def _is_person() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _answered(checks: list[MapCheck]) -> dict[str, str]:
    """Ask at the terminal about open points of the first file."""
    questions = next((c.suggestion.questions for c in checks if c.suggestion), ())
    found = {}
    for question in questions:
        _tell_question(question)
        found[question.key] = str(click.prompt("Answer", type=click.Choice(question.words)))
    return found


def _write(output: Path, check: MapCheck) -> None:
    """Write a map that can be used as it is; never another."""
    if check.suggestion is None or not check.is_usable:
        click.echo(f"{output} was not written: {_lack(check)}.", err=True)
        return
    if output.exists():
        click.echo(f"{output} is another file's map already; this one was not written.", err=True)
        return
    output.parent.mkdir(parents=True, exist_ok=True)
    output.write_text(check.suggestion.text, encoding="utf-8")
    click.echo(f"written to {output}", err=True)


def _lack(check: MapCheck) -> str:
    n_open = len(check.suggestion.questions) if check.suggestion else 0
    if n_open:
        return f"{n_open} question{'s' if n_open > 1 else ''} must be answered before"
    return "it is no map yet; see what is to be filled in"


def _tell(check: MapCheck) -> None:
    if check.reader is not None:
        tell(f"{check.name}: read by {check.reader}")
        if check.reason:
            tell(f"refused: {check.reason}")
    elif check.suggestion is None:
        tell(f"{check.name}: {check.reason}")
    else:
        _tell_suggestion(check, check.suggestion)
    if check.preview is not None:
        _tell_preview(check.preview)
    for side in check.stored:
        _tell_side(side)
    for question in check.suggestion.questions if check.suggestion else ():
        _tell_question(question)


def _tell_side(side: Side) -> None:
    """Show a row as it arrived, and below as it will be stored."""
    if side.arrived:
        tell(f"line {side.line} as it arrived:")
        for heading, cell in side.arrived:
            tell(f"  {heading}: {cell}")
    tell(f"line {side.line} will be stored in {side.table} as:")
    for column, cell in side.row:
        tell(f"  {column}: {cell}")


def _tell_columns(suggestion: Suggestion) -> None:
    if suggestion.columns:
        tell("Its columns:")
    for told in suggestion.columns:
        taken = ", ".join(told.taken_as) or "not used, kept aside"
        tell(f"  {told.heading}")
        tell(f"    values: {told.looks}")
        tell(f"    taken as: {taken} ({told.reason})")
        if told.others:
            tell(f"    may also be: {', '.join(told.others)}")


def _tell_suggestion(check: MapCheck, suggestion: Suggestion) -> None:
    n_open = len(suggestion.questions)
    how = f"it has {n_open} question{'s' if n_open > 1 else ''}" if n_open else "A suggestion"
    text = "A suggestion to look at and mend" if not n_open else f"{how}; until they are answered:"
    tell(f"{check.name}: nothing reads it yet. {text}:\n".replace("::", ":"))
    tell(suggestion.text)
    _tell_columns(suggestion)
    for problem in check.to_fill_in:
        tell(f"to fill in before it can be used: {problem}")
    if check.preview is not None:
        tell("With it:")


def _tell_question(question: Question) -> None:
    tell(f"\nQuestion {question.key}: {question.text}")
    for row in question.rows:
        tell(f"    {row}")
    for choice in question.choices:
        tell(f"  --answer {question.key}={choice.word}  {choice.means}")


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
    with shape:
        for table, n_rows, head in preview.tables:
            tell(f"{table}: {n_rows} rows, the first {len(head)}:")
            if len(head):
                tell(str(head))
    if preview.rejections:
        tell(f"refused: {len(preview.rejections)} rows")
    for refused in preview.rejections[:SHOWN]:
        tell(f"  {refused_line(refused)}")
