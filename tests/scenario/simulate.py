"""Runs the whole fleet through the two years."""

from dataclasses import replace

from tests.scenario.book import Book
from tests.scenario.car import Car
from tests.scenario.drive import END, instant
from tests.scenario.fleet import Vehicle, fleet
from tests.scenario.living import live, settle
from tests.scenario.stories_evidence import STORIES as EVIDENCE
from tests.scenario.stories_fixes import STORIES as FIXES
from tests.scenario.stories_fleet import STORIES as FLEET
from tests.scenario.stories_yard import STORIES as YARD
from tests.scenario.story import Story

PLANTED = (*FIXES, *EVIDENCE, *FLEET, *YARD)


def simulate() -> tuple[dict[str, Vehicle], Book, dict[str, Story]]:
    """Give the vehicles, what was written down about them, and the stories with their facts."""
    vehicles, book = fleet(), Book()
    planted = {story.vehicle_id: story for story in PLANTED}
    told: dict[str, Story] = {}
    for vehicle in vehicles.values():
        story = planted.get(vehicle.vehicle_id)
        if story is None:
            live(Car(vehicle, book, instant("2024-10-01")), END)
        else:
            told[story.key] = _tell(story, vehicle, book)
    book.number()
    return vehicles, book, told


def _tell(story: Story, vehicle: Vehicle, book: Book) -> Story:
    bought_in = vehicle.acquired_on is not None
    begins = story.starts if bought_in or story.key == "new_with_old_plate" else "2024-10-01"
    car = Car(vehicle, book, instant(begins))
    if begins != story.starts:
        live(car, instant(story.starts), story.spares)
        settle(car)
        car.go_to(max(car.now, car.morning(instant(story.starts).date())))
    facts = story.script(car)
    if story.lives_on:
        live(car, END, story.spares)
    return replace(story, facts=facts)
