"""The command ``forget``."""

import click

from afterclear.cli.frame import tell, with_app
from afterclear.commands.app import App
from afterclear.commands.forgetting import finish, forget, let_in, question, remains
from afterclear.errors import UsageError, worded


@click.command("forget")
@click.argument("what", type=click.Choice(["vehicle", "allow", "finish"]))
@click.argument("name", default="")
@click.option("--yes", is_flag=True, help="Do not ask.")
@with_app
def command(app: App, what: str, name: str, *, yes: bool) -> None:
    """Erase a vehicle from the store and the archive, and refuse it from then on.

    forget vehicle NAME erases; killed, the same command goes on, and so does forget finish, which
    needs no name.  forget allow NAME lets the rows of a forgotten vehicle come in again: by its
    number all its names, by a VIN or plate that one.
    """
    if bool(name) == (what == "finish"):
        raise UsageError("Give 'forget vehicle NAME', 'forget allow NAME' or 'forget finish'.")
    if what == "allow":
        _allow(app, name)
        return
    if what == "vehicle" and not yes and not click.confirm(f"{question(name)}?"):
        click.echo("Nothing was erased.")
        return
    done = finish(app) if what == "finish" else forget(app, name)
    if done is None:
        tell(worded("No vehicle is half forgotten."))
        return
    if done.was_before:
        tell(worded("This vehicle was forgotten before; nothing of it is here."))
        return
    tell(
        worded(
            "{rows} rows and {history} rows of history erased; {rewritten} archived files "
            "rewritten without it, {erased} erased whole; {renamed} ledger lines lost "
            "their file name.",
            rows=done.n_rows,
            history=done.n_history_rows,
            rewritten=done.files_rewritten,
            erased=done.files_erased,
            renamed=done.n_loads_renamed,
        )
    )
    for n, words in enumerate(remains(app)):
        if n:
            click.echo()
        tell(words)


def _allow(app: App, name: str) -> None:
    if n_names := let_in(app, name):
        click.echo(
            f"{n_names} names are let in again. Files that came before are known and not read "
            "again: what was erased comes back only in a new file."
        )
    else:
        click.echo("No forgotten vehicle is called so; everything may come in as before.")
