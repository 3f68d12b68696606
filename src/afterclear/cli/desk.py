"""The command ``desk``, and who may use it."""

import sys
from pathlib import Path
from typing import Any

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.scheduler_state import hold_users, users_file
from afterclear.commands.trail import note
from afterclear.errors import Stopped

_ROLES = ("read", "decide", "admin")
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(_ROLES), required=True, help="What the user may do.")
@with_app
def add(app: App, name: str, role: str) -> None:
    """Add a user; asks for a password.

    read: look.  decide: the daily work, all of which can be undone.  admin: settings, forgetting
    vehicles, and who did what, too.
    """
    from afterclear.desk.users import ROLES, Users  # noqa: PLC0415 - slow to import

    password = _password()
    with hold_users(app) as file:
        Users(file).add(name, ROLES[role], password)
        _note(app, "added a user", f"{name}, {role}")
    click.echo(f"{name} may sign in, with the role {role}.")


@click.command("remove")
@click.argument("name")
@with_app
def remove(app: App, name: str) -> None:
    """Remove a user; whoever is signed in by this name is out at once."""
    from afterclear.desk.users import Users  # noqa: PLC0415 - slow to import

    with hold_users(app) as file:
        Users(file).remove(name)
        _note(app, "removed a user", name)
    click.echo(f"{name} may not sign in any more.")


@click.command("password")
@click.argument("name")
@with_app
def change(app: App, name: str) -> None:
    """Give a user another password; whoever is signed in by this name is out at once."""
    from afterclear.desk.users import Users  # noqa: PLC0415 - slow to import

    new = _password()
    with hold_users(app) as file:
        Users(file).change_password(name, new)
        _note(app, "changed a password", name)
    click.echo(f"{name} has another password.")


@click.command("list")
@with_app
def list_users(app: App) -> None:
    """List the users with their roles."""
    from afterclear.desk.users import Users  # noqa: PLC0415 - slow to import

    for each in Users(users_file(app)).all():
        click.echo(f"{each.name}  {each.role.name.lower()}")


def _note(app: App, did: str, about: str) -> None:
    note(app, "whoever has this account", "owner", did, about)


_USER = click.Group(
    "user",
    commands=[add, remove, change, list_users],
    help="Say who may sign in at a desk that listens to others.",
)


@click.group("desk", invoke_without_command=True, commands=[_USER])
@click.option("--port", default=0, help="Port (default: a free one).")
@click.option("--no-browser", is_flag=True, help="Print the address, open no browser.")
@click.option("--schedule", is_flag=True, help="Keep the timetable, too.")
@click.option("--listen", default="", metavar="ADDRESS", help="Let others in: listen here.")
@click.option("--name", "names", multiple=True, help="... by this name, as people type it.")
@click.option("--certificate", type=_FILE, help="... over TLS, with this certificate (PEM),")
@click.option("--key", type=_FILE, help="... and its key (PEM).")
@click.option("--proxy", default="", metavar="ADDRESS", help="... or behind this proxy.")
@click.pass_context
def command(context: click.Context, /, **asked: Any) -> None:  # noqa: ANN401 - as declared
    """Open the desk: bring files, look at what was refused, decide, in a browser on this machine.

    It listens on 127.0.0.1 only and lets in the one browser that has the printed address.  With
    --listen others sign in with a password; it then needs users, TLS, and names to be called by.
    """
    if context.invoked_subcommand is None:
        _serve(asked)
    elif any(asked.values()):
        raise click.UsageError("'desk user' takes no options of 'desk'.")


@with_app
def _serve(app: App, asked: dict[str, Any]) -> None:
    # slow to import, and only wanted here
    from afterclear.desk.opening import Opening  # noqa: PLC0415
    from afterclear.desk.serving import serve  # noqa: PLC0415

    no_browser = asked.pop("no_browser")
    try:
        serve(app, Opening(**asked), click.echo, open_browser=not no_browser)
    except Stopped:
        # a request to stop is its normal end
        click.echo("Stopped.")


def _password() -> str:
    """Ask for a password twice; from a pipe, take its first line."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    return str(click.prompt("Password", hide_input=True, confirmation_prompt=True))
