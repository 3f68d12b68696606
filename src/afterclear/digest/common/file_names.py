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

# a condition on a column of ours: its values stand in the file's name as they are
_EQUALS = re.compile(r"(?!vehicle_id|technician)([a-z_]+) = ([a-z0-9_.]+(?: or [a-z0-9_.]+)*)")
# one on a name that people gave, the last: only its digest reaches a path (two names that differ in
# capitals would be one file), and whatever the name holds belongs to it
_NAMED = re.compile(r"(?:(.*?), )?(site|part_brand|part_grade) = (.*)", re.DOTALL)

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
    return f"quality/q-{level}-{_letters(name, _LONGEST)}--{name_mark(name)}.html"


def rows_file(table: str, where: str = "") -> str:
    """Name the file with a table's rows, all of them or those where columns have a value.

    One with a condition on the vehicle or on a person has all rows: it serves them all.

    >>> rows_file("attempts", "outcome = came_back, kind = repair")
    'data/rows-attempts--outcome-came_back--kind-repair.csv'
    >>> rows_file("episodes", "vehicle_id = BUS-07")
    'data/rows-episodes.csv'
    >>> rows_file("counted_work", "counted_as = held or on_watch, site = Hollin Yard")
    'data/rows-counted_work--counted_as-held-or-on_watch--site-is-0e4e888851.csv'
    """
    named = _NAMED.fullmatch(where)
    plain = named[1] if named else where
    found = [_EQUALS.fullmatch(part) for part in plain.split(", ")] if plain else []
    if not all(found):
        return f"data/rows-{table}.csv"
    parts = [f"{f[1]}-{f[2].replace(' or ', '-or-')}" for f in found if f]
    parts += [f"{named[2]}-is-{name_mark(named[3])}"] if named else []
    return f"data/rows-{'--'.join([table, *parts])}.csv"


def rows_of_file(name: str) -> tuple[str, dict[str, tuple[str, ...]], dict[str, str]]:
    """Return the table a file's name asks for, values of its columns, and marks of names in them.

    >>> rows_of_file("data/rows-attempts--outcome-held-or-on_watch--site-is-0e4e888851.csv")
    ('attempts', {'outcome': ('held', 'on_watch')}, {'site': '0e4e888851'})
    """
    stem = name.removeprefix("data/rows-").removesuffix(".csv")
    table, *conditions = stem.split("--")
    pairs = {column: value for column, _, value in (c.partition("-") for c in conditions)}
    marks = {c: v.removeprefix("is-") for c, v in pairs.items() if v.startswith("is-")}
    values = {c: tuple(v.split("-or-")) for c, v in pairs.items() if c not in marks}
    return table, values, marks


def name_mark(name: str) -> str:
    """Return a short digest that stands for a name in paths.

    >>> name_mark("Hollin Yard")
    '0e4e888851'
    """
    return hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:_SHORT]


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
