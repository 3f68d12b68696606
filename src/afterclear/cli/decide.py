"""The command ``decide``."""

from typing import cast

import click

from afterclear.cli.frame import as_instant, with_app
from afterclear.cli.words import decision_line
from afterclear.commands.analysis.deciding import Asked, Said, decide, decisions, undo
from afterclear.commands.app import App
from afterclear.records import printable

_WORDS = ("accept", "wait", "not-a-fault", "repaired-elsewhere")


@click.command("decide")
@click.argument("vehicle_id", required=False)
@click.argument("word", required=False, type=click.Choice(_WORDS))
@click.option("--by", help="Who decides.")
@click.option("--attempt", help="Only this fix attempt (its id stands in the worklist).")
@click.option("--code", help="Only this code.")
@click.option("--ecu", help="... and only in this control unit.")
@click.option("--until", help="How long to wait: a date or time (ISO 8601).")
@click.option("--until-km", type=click.FloatRange(min=0), help="... or an odometer reading in km.")
@click.option("--note", help="Why, in your own words.")
@click.option("--undo", "undone", type=int, help="Take back the decision of this number.")
@click.option("--list", "listed", is_flag=True, help="List the decisions; of VEHICLE_ID, or all.")
@with_app
def command(  # noqa: PLR0913, PLR0917 - one for each option
    app: App,
    vehicle_id: str | None,
    word: str | None,
    by: str | None,
    attempt: str | None,
    code: str | None,
    ecu: str | None,
    until: str | None,
    until_km: float | None,
    note: str | None,
    undone: int | None,
    listed: bool,  # noqa: FBT001 - a flag of the command line
) -> None:
    """Keep your WORD on VEHICLE_ID: accept, wait, not-a-fault or repaired-elsewhere.

    The worklist and the digests honour it; no evidence is erased, and a fault that shows again
    is back on the list.  Lines that concern safety stay, with your word beside them.
    """
    if listed:
        if word or by or undone is not None:
            raise click.UsageError("--list takes a vehicle at most.")
        lines = [decision_line(row) for row in decisions(app, vehicle_id)]
        click.echo("\n".join(map(printable, lines)) or "No decisions.")
        return
    if by is None:
        raise click.UsageError("Say who decides: --by NAME.")
    if undone is not None:
        if vehicle_id is not None:
            raise click.UsageError("--undo takes only the number of the decision.")
        click.echo(f"Decision {undone} on {undo(app, undone, by)} is undone.")
        return
    if vehicle_id is None or word is None:
        raise click.UsageError(f"Say the vehicle and one of: {', '.join(_WORDS)}.")
    asked = Asked(
        vehicle_id=vehicle_id,
        word=cast("Said", word.replace("-", "_")),
        by=by,
        attempt_id=attempt,
        code=code,
        ecu=ecu,
        until_at=as_instant(until),
        until_km=until_km,
        note=note,
    )
    number = decide(app, asked)
    click.echo(f"Decision {number} is kept. To take it back: decide --undo {number} --by NAME")
