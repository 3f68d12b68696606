"""The command ``vehicle``."""

import click

from afterclear.cli.frame import with_app
from afterclear.runs.app import App
from afterclear.runs.looking import VehicleStory, vehicle_story

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
    """Tell the history of VEHICLE_ID: what is open, what was tried, what became of it."""
    click.echo("\n".join(_lines(vehicle_story(app, vehicle_id))))


def _lines(story: VehicleStory) -> list[str]:
    about = [str(v) for k, v in story.vehicle.items() if k in _ABOUT and v is not None]
    lines = [f"{story.vehicle['vehicle_id']}  {' '.join(about)}", f"{story.n_scans} scans", ""]
    lines.append("Open now:" if len(story.open_episodes) else "Nothing open in the last scans.")
    lines += [
        f"  {row['code']} in {row['ecu']}: {row['meaning']}; "
        f"seen in {row['n_scans']} scans, last on {row['last_seen_at']:%d %b %Y}"
        for row in story.open_episodes.iter_rows(named=True)
    ]
    lines += ["", "Fix attempts:" if story.attempts else "No fix attempts."]
    for told in story.attempts:
        attempt = told.attempt
        lines.append(
            f"  {attempt.attempted_at:%d %b %Y}  {attempt.code} in {attempt.ecu or 'unit unknown'}"
            f"  {_OUTCOMES[attempt.outcome]}"
        )
        lines.append(f"      {told.reason}")
    lines += [
        f"Odometer reading {row['reading_km']:.0f} km of {row['read_at']:%d %b %Y} "
        f"({row['origin']} {row['origin_id']}) set aside: {row['set_aside'].replace('_', ' ')}"
        for row in story.set_aside.iter_rows(named=True)
    ]
    lines += ["", *(f"CAUTION {c.title}: {c.text}" for c in story.cautions)]
    return lines


_ABOUT = ("plate", "make", "model", "model_year", "site")
