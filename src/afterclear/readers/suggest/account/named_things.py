"""What a piece of text names that a history is made of: codes, vehicles, days, distances."""

import re
from collections.abc import Iterable

from afterclear.catalogue.names_in_text import plain_id
from afterclear.readers.maps.measures import WRITTEN
from afterclear.readers.suggest.columns.profiles import Known

Thing = tuple[str, str]  # kind, and the thing as it is compared

_CODE = re.compile(r"\b([PCBU][0-3][0-9A-F]{3})(?:[-:]?[0-9A-F]{2})?\b", re.IGNORECASE)
_SPN = re.compile(r"\bSPN\W{0,3}(\d{1,6})\b", re.IGNORECASE)
_DAY = re.compile(r"(?<![\d.,-])(\d{1,4})([-./])(\d{1,2})\2(\d{2,4})(?!\d)")
# blanks part groups of three digits; others stand between two numbers
_DISTANCE = re.compile(
    r"(?<![\d.,])(\d{1,3}(?:[ \u00a0\u202f]\d{3})+|\d+(?:[.,'\u2019]\d+)*)\s*([a-z]{2,5})\b",
    re.IGNORECASE,
)
_WORD = re.compile(r"[\w-]+(?:/\w+)?")
_VIN = re.compile(r"\b(?=\w*\d)(?=\w*[A-Z])[A-HJ-NPR-Z0-9]{17}\b", re.IGNORECASE)
_LEAST_DIGITS = 4  # of a distance that may be an odometer's


def things_in(text: str, known: Known) -> set[Thing]:
    """List the things that a text names.

    >>> sorted(things_in("V-01: P0301 on 13.02.2026", Known(frozenset({"V01"}))))
    [('code', 'P0301'), ('day', '2 13 26'), ('vehicle', 'V01')]
    """
    found: set[Thing] = {("code", code.upper()) for code in _CODE.findall(text)}
    found |= {("code", f"SPN {spn}") for spn in _SPN.findall(text)}
    found |= {("day", _day(parts)) for (*parts,) in _days(text)}
    found |= {("distance", digits) for digits in _distances(text)}
    return found | {("vehicle", name) for name in _vehicles(text, known)}


def _days(text: str) -> Iterable[tuple[int, int, int]]:
    return ((int(a), int(b), int(c)) for a, _, b, c in _DAY.findall(text))


def _day(parts: Iterable[int]) -> str:
    """Write a day without the order of its parts, which is not decided here."""
    return " ".join(map(str, sorted(part % 100 if part > 31 else part for part in parts)))


def _distances(text: str) -> Iterable[str]:
    for number, unit in _DISTANCE.findall(text):
        digits = re.sub(r"\D", "", re.sub(r"[.,]\d{1,2}\s*$", "", number))
        if WRITTEN.get(unit.lower()) in {"km", "mi"} and len(digits) >= _LEAST_DIGITS:
            yield digits


def _vehicles(text: str, known: Known) -> set[str]:
    words = {plain_id(word) for word in _WORD.findall(text)}
    vins = {plain_id(vin) for vin in _VIN.findall(text)}
    return (words & known.numbers) | known.named_within(plain_id(text)) | vins
