"""What every command shares: the app it asks, errors as messages, progress in a terminal."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import wraps
from typing import TYPE_CHECKING, Concatenate, ParamSpec

import click

from afterclear.commands.app import App, app_at
from afterclear.commands.machine_words import machine_words
from afterclear.commands.progress import Progress, file_line, line_to_tell
from afterclear.commands.stopping import STOPPED_BY, stoppable
from afterclear.config import find_config, without_secrets
from afterclear.errors import AfterclearError, Stopped, told_by, worded
from afterclear.observe.logs import log_to, quiet
from afterclear.records import LoadResult, printable

if TYPE_CHECKING:  # a command that loads nothing need not wait for every reader's libraries
    from afterclear.commands.intake.loading import LoadReport

P = ParamSpec("P")

# what became of work that did not end, and of a forgetting
_LEFT = (
    worded("what was under way was undone."),
    worded("what was erased stays erased: the same command goes on where it stopped."),
)
_STOPPED = (
    worded("Stopped. What was under way was undone."),
    worded("Stopped. What was erased stays erased: the same command goes on where it stopped."),
)


def with_app(command: Callable[Concatenate[App, P], None]) -> Callable[P, None]:
    """Hand the configured app to a command; turn known errors into a message and exit code."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            with stoppable():
                app = _app()
                _begin_log(app)
                app.sweep()
                command(app, *args, **kwargs)
        except AfterclearError as error:
            tell(worded("afterclear: {said}", said=told_by(error)), err=True)
            raise SystemExit(error.exit_code) from error
        except OSError as error:
            why = machine_words(error)
            if not why:
                raise
            tell(
                worded(
                    "afterclear: {why}; {left} Put it right, then run the same command again.",
                    why=why,
                    left=_LEFT[_is_forgetting()],
                ),
                err=True,
            )
            raise SystemExit(AfterclearError.exit_code) from error
        except Stopped as stopped:
            tell(_STOPPED[_is_forgetting()], err=True)
            raise SystemExit(STOPPED_BY + stopped.number) from stopped
        finally:
            quiet()

    return wrapped


def _is_forgetting() -> bool:
    """Whether what is left of the work goes on where it was; all else begins anew."""
    return click.get_current_context().info_name == "forget"


def _begin_log(app: App) -> None:
    watching = app.config.settings.watching
    if watching.log_file is not None:
        log_to(app.config.beside(watching.log_file), watching.log_form, without_secrets)


def _app() -> App:
    folder, store = click.get_current_context().find_root().obj
    return app_at(find_config(folder), store, _cores())


def _cores() -> int:
    """Count the cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def tell(text: str, *, err: bool = False) -> None:
    """Print text that quotes others' words: no character in it controls the terminal.

    A program that asked for the places of messages gets them (``commands/progress.py``).
    """
    click.echo(shown(without_secrets(line_to_tell(text))), err=err)


def shown(text: str) -> str:
    """Give text in lines without the characters that control a terminal."""
    return "\n".join(map(printable, text.split("\n")))


def tell_load(result: LoadResult) -> None:
    """Print one file's line."""
    said: str = result.note
    if result.outcome == "stored":
        n_corrected = result.rows_corrected
        said = worded(
            "{read} rows: {stored} stored{corrections}, {duplicate} duplicate, {refused} "
            "refused{note}",
            read=result.rows_read,
            stored=result.rows_stored,
            corrections=worded(" ({n} corrections)", n=n_corrected) if n_corrected else "",
            duplicate=result.rows_duplicate,
            refused=result.rows_rejected,
            note=worded("  [{note}]", note=result.note) if result.note else "",
        )
    tell(file_line(result.outcome, result.file_name, said))


def tell_try(text: str) -> None:
    """Print that a source did not answer and is asked again."""
    click.echo(without_secrets(text), err=True)


def tell_sources(report: "LoadReport") -> None:
    """Print which sources did not answer, and which files were left for the next run."""
    for source in report.out_of_reach:
        click.echo(f"out of reach: {source}", err=True)
    for name in report.unsettled:
        click.echo(f"still being written, left for the next run: {name}", err=True)
    if not (report.results or report.out_of_reach or report.unsettled):
        click.echo("No new file: what is there was taken or refused before, and has not changed.")


@contextmanager
def progress(label: str) -> Iterator[Progress]:
    """Show a bar in a terminal; stay quiet in a pipe."""
    if not sys.stderr.isatty():
        yield Progress(lambda _: None, lambda _: None)
        return
    from rich.console import Console  # noqa: PLC0415 - slow to import, and only wanted here
    from rich.progress import Progress as Bar  # noqa: PLC0415

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield Progress(
            lambda total: bar.update(task, total=total),
            lambda done: bar.advance(task, done),
        )


def as_instant(text: str | None) -> datetime | None:
    """Read a time given on the command line; without an offset it is UTC."""
    if text is None:
        return None
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        raise click.BadParameter(
            f"{text!r} is no time such as 2025-03-30T14:00:00+02:00"
        ) from error
    return instant if instant.tzinfo else instant.replace(tzinfo=UTC)
