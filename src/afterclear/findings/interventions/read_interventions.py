"""What was changed, and from when on: ``config/interventions.toml``."""

from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final, Literal, get_args

from afterclear.catalogue.config_tables import read_settings
from afterclear.errors import ConfigError

INTERVENTIONS: Final = "interventions.toml"
Measure = Literal["failing_fixes", "new_faults"]
_WHO: Final = ("sites", "makes", "models", "vehicles", "part_numbers", "brands")
_YEARS: Final = ("first_year", "last_year")
# what an order names says which fixes are touched, and not which vehicles
_OF_ORDERS: Final = ("part_numbers", "brands")
_KEYS: Final = ("name", "from", "to", "components", "measures", "before_days", *_WHO, *_YEARS)


@dataclass(frozen=True, slots=True)
class Change:
    """One change: all that is named has to fit, of a list one; empty: any."""

    name: str
    first_day: date
    last_day: date | None  # None: until now
    measures: Measure
    components: tuple[str, ...]
    before_days: int | None  # None: as long as after, a year at least
    sites: tuple[str, ...]
    makes: tuple[str, ...]
    models: tuple[str, ...]
    vehicles: tuple[str, ...]
    part_numbers: tuple[str, ...]
    brands: tuple[str, ...]
    first_year: int | None
    last_year: int | None


class _WrongError(Exception):
    """A mistake in one change, as a sentence without its place."""


def read_interventions(path: Path, components: frozenset[str]) -> tuple[Change, ...]:
    """Read the changes.  ``components``: keys of the lexicon.

    Raises:
        ConfigError: the file is missing or wrong; all mistakes at once.

    """
    content = read_settings(path)
    problems = [
        f"{path}: there is no section {name!r}; each change begins with [[intervention]]."
        for name in content
        if name != "intervention"
    ]
    entries = content.get("intervention", [])
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise ConfigError(f"{path}: each change begins with [[intervention]].")
    read: list[Change] = []
    for number, entry in enumerate(entries, start=1):
        try:
            read.append(_intervention(entry, components, {change.name for change in read}))
        except _WrongError as wrong:
            problems.append(f"{path}: intervention {number} ({entry.get('name', '')!r}): {wrong}")
    if problems:
        raise ConfigError("\n".join(problems))
    return tuple(read)


def _intervention(entry: dict[str, Any], components: frozenset[str], taken: set[str]) -> Change:
    if unknown := sorted(entry.keys() - set(_KEYS)):
        raise _WrongError(f"there is no key {unknown[0]!r}; there are {', '.join(_KEYS)}.")
    name = entry.get("name")
    if not isinstance(name, str) or not name.strip():
        raise _WrongError("it needs a name, as a text between double quotes.")
    if name.strip() in taken:
        raise _WrongError("another change has this name, too; give each its own.")
    first, last = _day(entry, "from"), _day(entry, "to")
    if first is None:
        raise _WrongError("it needs from, its first day, like from = 2026-06-01.")
    if last is not None and last < first:
        raise _WrongError(f"to ({last}) lies before from ({first}).")
    change = Change(
        name=name.strip(),
        first_day=first,
        last_day=last,
        measures=_measure(entry),
        components=_texts(entry, "components"),
        before_days=_whole(entry, "before_days"),
        first_year=_whole(entry, "first_year"),
        last_year=_whole(entry, "last_year"),
        **{key: _texts(entry, key) for key in _WHO},
    )
    if unknown := sorted(set(change.components) - components):
        raise _WrongError(f"{unknown[0]!r} is no component of lexicon.toml.")
    _check_who(change)
    return change


def _check_who(change: Change) -> None:
    if not any(getattr(change, key) for key in (*_WHO, *_YEARS)):
        raise _WrongError(f"it does not say who is touched; name one of {', '.join(_WHO)}.")
    of_orders = [key for key in _OF_ORDERS if getattr(change, key)]
    if change.measures == "new_faults" and of_orders:
        raise _WrongError(
            f"{of_orders[0]} says which fixes are touched; for new_faults name the vehicles by "
            "sites, makes, models, years or vehicles."
        )


def _measure(entry: dict[str, Any]) -> Measure:
    given = entry.get("measures", "failing_fixes")
    for known in get_args(Measure):
        if given == known:
            return known  # type: ignore[no-any-return]
    raise _WrongError(f"measures must be failing_fixes or new_faults, not {given!r}.")


def _day(entry: dict[str, Any], key: str) -> date | None:
    given = entry.get(key)
    if given is None:
        return None
    if isinstance(given, date) and not isinstance(given, datetime):
        return given
    raise _WrongError(f"{key} must be a day like 2026-06-01 without quotes, not {given!r}.")


def _whole(entry: dict[str, Any], key: str) -> int | None:
    given = entry.get(key)
    if given is None or (isinstance(given, int) and not isinstance(given, bool) and given > 0):
        return given
    raise _WrongError(f"{key} must be a whole number above 0, not {given!r}.")


def _texts(entry: dict[str, Any], key: str) -> tuple[str, ...]:
    given = entry.get(key, [])
    if isinstance(given, list) and all(isinstance(each, str) and each.strip() for each in given):
        return tuple(each.strip() for each in given)
    raise _WrongError(f'{key} must be a list of texts like ["A", "B"], not {given!r}.')
