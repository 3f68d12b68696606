"""File names of pages: the same for the same vehicle, safe for any identifier whatever."""

import hashlib
import re

INDEX = "index.html"
FLEET = "fleet.html"
GARAGE = "garage.html"
STOCK = "stock.html"

# what a digest calls its other pages, for taking away those it has no more
VEHICLES = "vehicles/v-*.html"
LISTS = "vehicles/list-*.html"

_PLAIN = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST = 40  # leaves room for a deep folder on systems that end a path at 255 characters


def list_page(number: int) -> str:
    """Name a page that lists part of a large fleet, counted from 1.

    >>> list_page(7)
    'vehicles/list-007.html'
    """
    return f"vehicles/list-{number:03d}.html"


def vehicle_page(vehicle_id: str) -> str:
    """Name a vehicle's page, relative to the digest's folder.

    Lower-case letters, digits and hyphens only: nothing in an identifier reaches a path.  An
    identifier that is not already of that form gets a digest of itself behind two hyphens,
    which no plain one can have, so two vehicles never share a page, even where the file system
    takes A and a for one letter.

    >>> vehicle_page("bus-17")
    'vehicles/v-bus-17.html'
    >>> vehicle_page("BUS 17")
    'vehicles/v-bus-17--ee302e08ff.html'
    """
    if _PLAIN.fullmatch(vehicle_id) and len(vehicle_id) <= _LONGEST:
        return f"vehicles/v-{vehicle_id}.html"
    letters = re.sub(r"[^a-z0-9]+", "-", vehicle_id.lower()).strip("-")[:_LONGEST].strip("-")
    mark = hashlib.sha256(vehicle_id.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return f"vehicles/v-{letters or 'x'}--{mark}.html"
