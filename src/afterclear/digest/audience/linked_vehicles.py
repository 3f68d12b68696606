"""Which vehicles the audiences' pages speak of: every linked vehicle must have a page.  Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass

from afterclear.digest.common.model import VehicleRef
from afterclear.digest.common.roster import Roster


def named_vehicles(pages: Sequence[object], roster: Roster) -> tuple[str, ...]:
    """Return every vehicle in these pages' models, in order of vehicle_id."""
    found = {ref.vehicle_id for page in pages for ref in _refs(page)}
    return tuple(sorted(vehicle for vehicle in found if vehicle in roster))


def _refs(value: object) -> Iterator[VehicleRef]:
    if isinstance(value, VehicleRef):
        yield value
    elif isinstance(value, (tuple, list)):
        for part in value:
            yield from _refs(part)
    elif is_dataclass(value):
        for field in fields(value):
            yield from _refs(getattr(value, field.name))
