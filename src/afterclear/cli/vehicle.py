"""The command ``vehicle``."""

import click

from afterclear.cli.frame import with_app
from afterclear.cli.words import counted, decision_line
from afterclear.commands.app import App
from afterclear.commands.queries.vehicle_story import VehicleStory, vehicle_story
from afterclear.records import printable

_OUTCOMES = {
    "held": "HELD",
    "came_back": "CAME BACK",
    "on_watch": "ON WATCH",
    "unchecked": "UNCHECKED",
}


@click.command("vehicle")
@click.argument("vehicle_id")
@with_app
def command(app: App, vehicle_id: str) -> None:
    """Tell the history of VEHICLE_ID: what is open, what was tried, what became of it.

    A plate or VIN does as well, whatever its capitals and blanks.
    """
    for line in _lines(vehicle_story(app, vehicle_id, with_files=False)):
        click.echo(printable(line))  # no word of a file is a line of its own, or a command


def _lines(story: VehicleStory) -> list[str]:
    about = [str(v) for k, v in story.vehicle.items() if k in _ABOUT and v is not None]
    lines = [
        f"{story.vehicle['vehicle_id']}  {' '.join(about)}",
        counted(story.n_scans, "scan"),
        "",
    ]
    lines += [*_to_do(story), *_open(story)]
    if story.coming:
        lines += ["", "Ahead:", *(f"  {text}" for text in story.coming)]
    said = {row["why"] for row in story.roles}
    lines += [f"  {text}" for text in story.role_notes if text not in said]
    if story.decisions:
        lines += ["", "Decisions:", *(f"  {decision_line(row)}" for row in story.decisions)]
    lines += ["", "Fix attempts:" if story.attempts else "No fix attempts."]
    # nobody scans a sold vehicle for us any more
    outcomes = _OUTCOMES | ({"on_watch": "NOT PROVEN"} if story.is_sold else {})
    for tried in story.attempts:
        attempt = tried.attempt
        lines.append(
            f"  {attempt.attempted_at:%d %b %Y}  {attempt.code} in {attempt.ecu or 'unit unknown'}"
            f"  {outcomes[attempt.outcome]}"
        )
        lines.append(f"      {tried.reason}")
    lines += [
        f"Odometer reading {row['reading_km']:.0f} km of {row['read_at']:%d %b %Y} "
        f"({row['origin']} {row['origin_id']}) set aside: {row['set_aside'].replace('_', ' ')}"
        for row in story.set_aside
    ]
    lines += ["", *(f"CAUTION {c.title}: {c.text}" for c in story.cautions)]
    return lines


def _to_do(story: VehicleStory) -> list[str]:
    """Say what to do about the vehicle and, in stock, whether it is ready."""
    lines = []
    for audit in story.stock:
        lines += [f"In stock: {str(audit['verdict']).upper()}", f"  {audit['because']}", ""]
    for row in story.work:
        soon = f"{row['soon'].upper()}  " if row["soon"] else ""
        safety = "  SAFETY" if row["safety"] else ""
        lines += [
            f"{soon}To do ({row['audience']} list, rank {row['rank']}){safety}: {row['action']}",
            *([f"  {row['ask_first']}"] if row["ask_first"] else []),
            *([f"  {row['because']}"] if not story.stock else []),
            f"  {row['evidence']}",
            *([f"  {row['decided']}."] if row["decided"] else []),
            "",
        ]
    return lines


def _open(story: VehicleStory) -> list[str]:
    """Open codes, each with its role: the fault, or the code it follows from."""
    roles = {(row["ecu"], row["code"]): row for row in story.roles}
    lines = ["Open now:" if story.open_episodes else "Nothing open in the last scans."]
    said: set[tuple[str, ...]] = set()  # once for several codes of one component
    for row in story.open_episodes:
        lines.append(
            f"  {row['code']} in {row['ecu']}: {row['meaning']}; "
            f"seen in {counted(row['n_scans'], 'scan')}, last on {row['last_seen_at']:%d %b %Y}"
        )
        role = roles.get((row["ecu"], row["code"]))
        if role is not None:
            lines.append(f"      {_ROLES[role['role']]}: {role['why']}")
        cured = story.cured.get(row["family"], ())
        lines += [f"      In this fleet: {words}" for words in cured if cured not in said]
        said.add(cured)
    return lines


_ROLES = {"primary": "The fault", "consequential": "An echo", "stands_alone": "By itself"}
_ABOUT = ("plate", "make", "model", "model_year", "site")
