"""Tell an invented fleet to the tool as rows, and read back what it made of them."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from afterclear.store.engine.database import Connection
from tests.calibration.fleet import Fleet
from tests.calibration.laws import CODES
from tests.histories.story import Story, told

_PART_OF = {code: family.split(":")[0].replace("_", " ") for code, family, *_ in CODES}


def stories(fleet: Fleet) -> list[Story]:
    """One story a vehicle."""
    found = [Story(f"V{number:05d}") for number in range(len(fleet.frailty))]
    for number, day, km, units in fleet.told.scans:
        if units:
            found[number].scan(day, round(km, 3), **units)
    for number, day, km, unit in fleet.told.clears:
        found[number].clear(day, round(km, 3), unit)
    for number, day, km, code, brand in fleet.told.repairs:
        columns = {"codes": code, "action": "replace"}
        if brand:
            # each brand's part has a number of its own on each component
            columns |= {"part_brand": brand, "part_number": f"{brand[:2]}-{_PART_OF[code][:6]}"}
            columns |= {"part_family": _PART_OF[code], "removal_reason": "failure"}
        found[number].repair(day, round(km, 3), **columns)
    return found


@contextmanager
def in_store(folder: Path, fleet: Fleet) -> Iterator[Connection]:
    """Give a store with the fleet's histories built."""
    every = stories(fleet)
    whole = Story()
    for story in every:
        for rows, key in ((story.scans, "scan_id"), (story.repairs, "repair_id")):
            for row in rows:
                row[key] = f"{story.vehicle}-{row[key]}"
        whole.scans += story.scans
        whole.clears += story.clears
        whole.repairs += story.repairs
    with told(folder, whole) as con:
        yield con
