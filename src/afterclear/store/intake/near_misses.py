"""Unknown vehicle numbers that are nearly a known one.

A vehicle list says which vehicles there are.  A row may name another: a new vehicle, which the
load's line reports. But a number that differs from a known one only in case, dashes, leading zeros
or O for 0, or that is a known vehicle's plate or a VIN with one wrong character, is a typing error,
and its row would begin a vehicle that does not exist.  It is refused with the vehicle that may be
meant.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

import polars as pl

from afterclear.catalogue.vin import LENGTH, read_vin
from afterclear.errors import worded
from afterclear.store.engine.database import Connection, create_temp_table, query, scalar

_LOOKALIKES = str.maketrans("OQI", "001")
_LATEST_YEAR = 2100  # the year of a VIN does not matter here
# how the reasons of refused numbers begin
NEARLY_A_NUMBER, NEARLY_A_VIN = "a vehicle's number", "a VIN that is right"
_NAMED = 5  # new vehicles named in a load's line


@dataclass(frozen=True, slots=True)
class Lists:
    """What the vehicle lists say: spelling as compared -> the vehicle's number."""

    numbers: dict[str, str]
    vins: dict[str, str]
    plates: dict[str, str]
    exact: frozenset[str]  # numbers as they are written
    all_vins: dict[str, str]  # with those that are the number too


_NONE = Lists({}, {}, {}, frozenset(), {})


def plain_mark(text: str) -> str:
    """Write an identifier without case, blanks, dashes and leading zeros, look-alikes as digits."""
    letters = "".join(letter for letter in text if letter.isalnum()).upper()
    # O and I are digits only beside digits: the O of "BOX" is a letter
    beside = re.sub(r"(?<=\d)[OQI]+|[OQI]+(?=\d)", lambda m: m[0].translate(_LOOKALIKES), letters)
    return re.sub(r"(?<!\d)0+(?=\d)", "", beside)


def lists_of(con: Connection) -> Lists:
    """Gather the vehicles of the lists."""
    rows = query(con, "SELECT vehicle_id, vin, plate FROM vehicles").rows()
    numbers = {plain_mark(number): number for number, _, _ in rows}
    vins = {_whole(vin): number for number, vin, _ in rows if vin and _whole(vin) != _whole(number)}
    plates = {_whole(plate): number for number, _, plate in rows if plate}
    exact = frozenset(number for number, _, _ in rows)
    spelled = {_whole(number): number for number in exact}
    vin_numbers = {
        vin: number for vin, number in spelled.items() if not read_vin(vin, _LATEST_YEAR).problems
    }
    return Lists(numbers, vins, plates, exact, vin_numbers | vins)


def _whole(text: str) -> str:
    return "".join(letter for letter in text if letter.isalnum()).upper()


def near_miss(name: str, lists: Lists) -> str | None:
    """Say what was expected instead of a number that is nearly a known one; None: it is not."""
    if name in lists.exact or _whole(name) in lists.vins:
        return None
    if own := lists.numbers.get(plain_mark(name)):
        return worded(
            "a vehicle's number; perhaps {own} is meant, which the vehicle list has", own=own
        )
    if own := lists.plates.get(_whole(name)):
        return worded(
            "a vehicle's number; this is the plate of {own}: map it as plate, or write {own}",
            own=own,
        )
    if own := _near_vin(_whole(name), lists.all_vins):
        return worded("a VIN that is right; this one is nearly that of {own}", own=own)
    return None


def _near_vin(vin: str, vins: dict[str, str]) -> str | None:
    """Find the vehicle whose VIN differs in one place; None: none, or certainly another vehicle."""
    if not LENGTH - 1 <= len(vin) <= LENGTH + 1 or not any(c.isdigit() for c in vin):
        return None
    read = read_vin(vin, _LATEST_YEAR)
    if read.check_is_required and read.check_digit == "valid":
        return None
    found = {own for known, own in vins.items() if _is_one_off(vin, known)}
    return " or ".join(sorted(found)[:3]) if found else None


def _is_one_off(one: str, other: str) -> bool:
    if len(one) == len(other):
        a, b = one.translate(_LOOKALIKES), other.translate(_LOOKALIKES)
        wrong = [at for at, (x, y) in enumerate(zip(a, b, strict=True)) if x != y]
        is_swap = len(wrong) == 2 and wrong[1] == wrong[0] + 1 and (  # noqa: PLR2004
            a[wrong[0]] == b[wrong[1]] and a[wrong[1]] == b[wrong[0]]
        )  # fmt: skip
        return len(wrong) <= 1 or is_swap
    short, long = sorted((one, other), key=len)
    return any(long[:at] + long[at + 1 :] == short for at in range(len(long)))


def find_near_misses(con: Connection, names: Iterable[str]) -> int:
    """Put into ``near_misses`` which of these numbers nearly are a known vehicle; count them."""
    known = frozenset(query(con, "SELECT vehicle_id FROM vehicles")["vehicle_id"])
    unknown = [number for number in names if number not in known] if known else []
    # to spell a large fleet's numbers takes longer than to read a small file
    lists = lists_of(con) if unknown else _NONE
    found = [(number, reason) for number in unknown if (reason := near_miss(number, lists))]
    frame = pl.DataFrame(found, schema={"told": pl.String, "expected": pl.String}, orient="row")
    create_temp_table(con, "near_misses", frame)
    return len(found)


def new_vehicles(con: Connection, load_id: int) -> str:
    """Name the vehicles that this load's rows begin, where there were vehicles before."""
    if not scalar(con, "SELECT count(*) FROM vehicles"):
        return ""
    tables = ("scan_facts", "clears", "repairs")
    own = " UNION ".join(f"SELECT vehicle_id FROM {t} WHERE load_id = {load_id}" for t in tables)
    unlisted = f"FROM ({own}) ANTI JOIN vehicles USING (vehicle_id)"
    # the rows of a large store are looked through only for numbers that no list has
    if not scalar(con, f"SELECT count(*) {unlisted}"):
        return ""
    before = " UNION ALL ".join(
        f"SELECT vehicle_id FROM {t} WHERE load_id <> {load_id}" for t in tables
    )
    found = query(
        con,
        f"""SELECT vehicle_id {unlisted} WHERE vehicle_id NOT IN ({before}) ORDER BY vehicle_id""",
    )["vehicle_id"].to_list()
    if not found:
        return ""
    named, n_more = ", ".join(found[:_NAMED]), len(found) - _NAMED
    if n_more > 0:
        return worded("new vehicles: {named} and {n:,} more", named=named, n=n_more)
    return worded("new vehicles: {named}", named=named)
