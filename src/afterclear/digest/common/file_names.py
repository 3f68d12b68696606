"""File names of pages: the same for the same vehicle, safe for any identifier whatever."""

import hashlib
import re

INDEX = "index.html"
FLEET = "fleet.html"
GARAGE = "garage.html"
QUALITY_SHEET = "quality_sheet.html"
STOCK = "stock.html"

# what a digest names its other pages, so that it can remove outdated ones
VEHICLES = "vehicles/v-*.html"
LISTS = "vehicles/list-*.html"
FLEET_INDEX = "vehicles/fleet-index.js"
QUALITY = "quality/q-*.html"
SHEETS = "sheets/s-*.html"
DOSSIERS = "dossiers/d-*.html"
ROWS = "data/rows-*.csv"

# a name given by people reaches no path: two that differ in capitals would be one file
_NAMED = re.compile(r"\b(vehicle_id|site|technician|part_brand|part_grade) =")
_EQUALS = re.compile(r"([a-z_]+) = ([a-z0-9_.]+)")

_PLAIN = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_CAPITALS = re.compile(r"[A-Z0-9]+(?:-[A-Z0-9]+)*")
_SHORT, _LONG = 10, 32  # hexadecimal digits of a digest
_LONGEST = 40  # leaves room for a deep folder on systems that end a path at 255 characters


def list_page(number: int) -> str:
    """Name a page that lists part of a large fleet, counted from 1.

    >>> list_page(7)
    'vehicles/list-007.html'
    """
    return f"vehicles/list-{number:03d}.html"


def quality_page(level: str, name: str) -> str:
    """Name the page with the work of a site, brand or part, relative to the digest's folder.

    >>> quality_page("site", "Hollin Yard")
    'quality/q-site-hollin-yard--0e4e888851.html'
    """
    mark = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:_SHORT]
    return f"quality/q-{level}-{_letters(name, _LONGEST)}--{mark}.html"


def rows_file(table: str, where: str = "") -> str:
    """Name the file with a table's rows, all of them or those where columns have a value.

    One with a condition on the vehicle, or on what people named, has all rows: it serves them all.

    >>> rows_file("attempts", "outcome = came_back, kind = repair")
    'data/rows-attempts--outcome-came_back--kind-repair.csv'
    >>> rows_file("episodes", "vehicle_id = BUS-07")
    'data/rows-episodes.csv'
    """
    found = [_EQUALS.fullmatch(part) for part in where.split(", ")]
    if not all(found) or _NAMED.search(where):
        return f"data/rows-{table}.csv"
    return f"data/rows-{'--'.join([table, *('-'.join(f.groups()) for f in found if f)])}.csv"


def rows_of_file(name: str) -> tuple[str, dict[str, str]]:
    """Return the table and the values of its columns that a file's name asks for.

    >>> rows_of_file("data/rows-attempts--outcome-came_back--kind-repair.csv")
    ('attempts', {'outcome': 'came_back', 'kind': 'repair'})
    """
    stem = name.removeprefix("data/rows-").removesuffix(".csv")
    table, *conditions = stem.split("--")
    pairs = (condition.partition("-") for condition in conditions)
    return table, {column: value for column, _, value in pairs}


def vehicle_page(vehicle_id: str) -> str:
    """Name a vehicle's page, relative to the digest's folder.

    Lower-case letters, digits and hyphens only: nothing in an identifier reaches a path.  An
    identifier that is not already of that form gets a digest of itself behind two hyphens, which no
    plain one can have, so two vehicles never share a page, even where the file system takes A and a
    for one letter.  An identifier in capitals is known by its letters, and a short digest only
    marks the capitals; many others share the same letters, so only the digest separates them, and
    it is long enough that nobody can make two alike (128 bits).

    >>> vehicle_page("bus-17")
    'vehicles/v-bus-17.html'
    >>> vehicle_page("BUS-17")
    'vehicles/v-bus-17--911f031901.html'
    >>> vehicle_page("BUS 17")
    'vehicles/v-bus-17--ee302e08ffa60be8c13542dbcea48533.html'
    """
    if _PLAIN.fullmatch(vehicle_id) and len(vehicle_id) <= _LONGEST:
        return f"vehicles/v-{vehicle_id}.html"
    is_told_by_letters = _CAPITALS.fullmatch(vehicle_id) and len(vehicle_id) <= _LONGEST
    return _marked(vehicle_id, _SHORT if is_told_by_letters else _LONG)


def sheet_page(vehicle_id: str) -> str:
    """Name a vehicle's sheet for the workshop, safe and its own as its page's name is.

    >>> sheet_page("bus-17")
    'sheets/s-bus-17.html'
    """
    return f"sheets/s-{vehicle_page(vehicle_id).removeprefix('vehicles/v-')}"


def dossier(vehicle_id: str) -> str:
    """Name a vehicle's dossier, as its page is named.

    >>> dossier("bus-17")
    'dossiers/d-bus-17.html'
    """
    return f"dossiers/d-{vehicle_page(vehicle_id).removeprefix('vehicles/v-')}"


def pages_of_vehicle(vehicle_id: str) -> tuple[str, ...]:
    """Name every page that is about one vehicle alone.

    >>> pages_of_vehicle("bus-17")
    ('vehicles/v-bus-17.html', 'sheets/s-bus-17.html', 'dossiers/d-bus-17.html')
    """
    return vehicle_page(vehicle_id), sheet_page(vehicle_id), dossier(vehicle_id)


def _marked(vehicle_id: str, n_digits: int) -> str:
    n_letters = _LONGEST + _SHORT - n_digits
    letters = _letters(vehicle_id, n_letters)
    mark = hashlib.sha256(vehicle_id.encode("utf-8", "surrogatepass")).hexdigest()[:n_digits]
    return f"vehicles/v-{letters}--{mark}.html"


def _letters(name: str, n_letters: int) -> str:
    found = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:n_letters].strip("-")
    return found or "x"
