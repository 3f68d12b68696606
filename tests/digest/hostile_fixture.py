"""Stories whose every text tries to break out of a page, and one very long history."""

from tests.digest.every_row import HistoryFrames
from tests.digest.fleet_fixture import frames_of
from tests.digest.story import MEANINGS, UNITS, Story, Try, vehicle

EVIL = "<script>alert(1)</script>"
EVIL_IDS = (
    EVIL,
    "../../etc/passwd",
    "a/b\\c:d*e?f",
    '" onload="alert(1)',
    "{{ 7 * 7 }}{% raw %}",
    "\u202egnorw",
    "nul\x00byte",
    "CON",
    "x" * 400,
    "É",
    "é",
    "BUS-17",
    "bus-17",
    ".",
    "--",
)


def hostile() -> HistoryFrames:
    """Tell one story for each evil identifier, with evil in every text of it."""
    MEANINGS.setdefault(EVIL, (EVIL, EVIL, EVIL))
    told = []
    for i, name in enumerate(EVIL_IDS):
        story = Story(
            vehicle(name, EVIL, EVIL, plate=EVIL, make=EVIL, powertrain="]]>&<!--"),
            30_000 + 1_000 * i,
        )
        story.fault("engine", EVIL, 50, 150).fault("engine", EVIL, 160)
        story.fault("</text><a href='javascript:alert(1)'>", "P0301", 60)
        story.scan(10, 60, 140, 155, 170, units=(*UNITS, "</text><a href='javascript:alert(1)'>"))
        story.attempt(Try(150, "engine", EVIL, "came_back", f"{EVIL}{i}", EVIL, EVIL, 10.0, p=0.9))
        told.append(story)
    return frames_of(told)


def long_history() -> HistoryFrames:
    """Tell of one vehicle scanned three times a week for years, with many codes."""
    story = Story(vehicle("LONG-1", "Omnia 12", "Marrow Lane"), 1_000, 310)
    for i, code in enumerate(MEANINGS):
        for k in range(5):
            story.fault(UNITS[i % 4], code, 30 + 90 * k + 5 * i, 70 + 90 * k + 5 * i)
    story.scan(*(day + 0.5 for day in range(0, 510, 2)))
    story.scan(*(day + 0.5 for day in range(1, 510, 9)), silent=("brakes",))
    for k in range(12):
        story.attempt(Try(72 + 30 * k, "engine", "P0301", "on_watch", f"WO-{k}", "replace",
                          "ignition coil", 100.0, p=0.2, to_go=2_000, attempt_no=k + 1,
                          until=102 + 30 * k if k < 11 else None))  # fmt: skip
    return frames_of([story])
