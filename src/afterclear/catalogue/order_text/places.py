"""Places in a text: numbers that count cylinders, banks and sensors, and several at once."""

from collections.abc import Mapping
from typing import Final

from afterclear.catalogue.order_words.vocabulary import Word

# after "4 szt." no place is counted
COUNTS_AFTER: Final = {"x", "szt", "stk", "st", "stück", "pcs", "uds", "ud", "pz", "off"}
_DIGITS: Final = 2  # of a number that counts parts
MOST: Final = {"cylinder": 24, "bank": 4, "sensor": 4}
_PLACES_TOLD: Final = 4  # works one clause may make of one component


def counts(words: list[Word], at: int, most: int) -> bool:
    """Whether a number says which part, and not how many."""
    if not 0 <= at < len(words) or not words[at].text.isdecimal() or len(words[at].text) > _DIGITS:
        return False
    around = {words[i].text for i in (at - 1, at + 1) if 0 <= i < len(words)}
    return 0 < int(words[at].text) <= most and not around & COUNTS_AFTER


def torn_apart(told: Mapping[str, set[str]], axes: tuple[str, ...]) -> list[dict[str, str]]:
    """Give each place in a clause, along a component's axes: "left and right" are two."""
    several: list[dict[str, str]] = [{}]
    for axis, values in told.items():
        if axis in axes or len(values) == 1:
            several = [{**one, axis: value} for one in several for value in sorted(values)]
    return several[:_PLACES_TOLD] if len(several) <= _PLACES_TOLD else [{}]
