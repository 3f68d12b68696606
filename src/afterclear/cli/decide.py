"""The command ``decide``."""

from typing import cast

import click

from afterclear.cli.frame import as_instant, with_app
from afterclear.commands.analysis.deciding import Asked, Said, decide, undo
from afterclear.commands.app import App

_WORDS = ("accept", "wait", "not-a-fault", "repaired-elsewhere")


@click.command("decide")
@click.argument("vehicle_id", required=False)
@click.argument("word", required=False, type=click.Choice(_WORDS))
@click.option("--by", required=True, help="Who decides.")
@click.option("--attempt", help="Only this fix attempt (its id stands in the worklist).")
@click.option("--code", help="Only this code.")
@click.option("--ecu", help="... and only in this control unit.")
@click.option("--until", help="How long to wait: a date or time (ISO 8601).")
@click.option("--until-km", type=click.FloatRange(min=0), help="... or an odometer reading in km.")
@click.option("--note", help="Why, in your own words.")
@click.option("--undo", "undone", type=int, help="Take back the decision of this number.")
@with_app
def command(  # noqa: PLR0913, PLR0917 - one for each option
    app: App,
    vehicle_id: str | None,
    word: str | None,
    by: str,
    attempt: str | None,
    code: str | None,
    ecu: str | None,
    until: str | None,
    until_km: float | None,
    note: str | None,
    undone: int | None,
) -> None:
    """Keep your WORD on VEHICLE_ID: accept, wait, not-a-fault or repaired-elsewhere.

    The worklist and the digests honour it; no evidence is erased, and a fault that shows again
    is back on the list.  Lines that concern safety stay, with your word beside them.
    """
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
