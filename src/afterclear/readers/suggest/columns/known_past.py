"""What the store holds of a file's vehicles, and which way of reading the file it leaves possible.

A file that leaves a unit, a decimal mark or the order of day and month open can be read in several
ways, and each gives other readings of the odometer.  Beside the readings known of its vehicles
some of them cannot be.  A way is taken without a question only if every other one contradicts
what is known of at least ``ENOUGH`` vehicles, and it contradicts nothing that is known of any.
Codes without their letters likewise: by codes the same vehicles had before.

"Contradicts" is far more than a slip: a reading that no vehicle could have driven to, or one that
is lower by more than an odometer is rounded.  Own judgement, on the side of asking.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise

from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.catalogue.names_in_text import plain_id
from afterclear.errors import worded
from afterclear.readers.suggest.columns.questions import Decided

ENOUGH = 3
# A reading that is rounded is lower by less than this; one in another unit by far more.
_ROUNDED_KM, _ROUNDED_SHARE = 1000.0, 0.01
_A_DAY = timedelta(days=1)  # a date without its time and zone

Point = tuple[datetime, float]  # when, km
# A file read in one way: the readings of each of its vehicles, by its name in the file.
Way = Mapping[str, Sequence[Point]]


@dataclass(frozen=True, slots=True)
class Past:
    """What the store holds of vehicles, each by every name it has, as ``plain_id`` writes them."""

    readings: Mapping[str, Sequence[Point]] = field(default_factory=dict)  # in order of time
    codes: Mapping[str, frozenset[str]] = field(default_factory=dict)
    max_km_per_day: float = 1500.0


def by_readings(ways: Mapping[str, Sequence[Way]], past: Past) -> Decided | None:
    """Decide between answers by the odometer; None: what is known decides nothing.

    ``ways``: for each answer the ways the file can be read with it, where more than this is open.
    """
    if not past.readings:
        return None
    found = {word: [_contradicted(way, past) for way in own] for word, own in ways.items()}
    whole = [word for word, own in found.items() if any(not wrong for _, wrong in own)]
    if len(whole) != 1:
        return None
    word = whole[0]
    others = [wrong for other, own in found.items() if other != word for _, wrong in own]
    compared = next(names for names, wrong in found[word] if not wrong)
    n_vehicles = len(compared.intersection(*others)) if others else 0
    if n_vehicles < ENOUGH:
        return None
    return Decided(
        word,
        worded(
            "read otherwise it contradicts the known odometer readings of {n_vehicles:,} vehicles",
            n_vehicles=n_vehicles,
        ),
    )


def _contradicted(way: Way, past: Past) -> tuple[set[str], set[str]]:
    """Give the vehicles that can be compared, and those of them that a way contradicts."""
    compared, wrong = set(), set()
    for name, points in way.items():
        known = past.readings.get(plain_id(name), ())
        if points and known and _agree(known, past.max_km_per_day):
            compared.add(plain_id(name))
            if not _agree(sorted([*known, *points]), past.max_km_per_day):
                wrong.add(plain_id(name))
    return compared, wrong


def _agree(points: Sequence[Point], max_km_per_day: float) -> bool:
    """Whether a vehicle can have had all these readings, in order of time."""
    return all(_can_follow(a, b, max_km_per_day) for a, b in pairwise(points))


def _can_follow(earlier: Point, later: Point, max_km_per_day: float) -> bool:
    gap, rise = later[0] - earlier[0], later[1] - earlier[1]
    reach = (gap + _A_DAY) / _A_DAY * max_km_per_day
    fall = max(_ROUNDED_KM, _ROUNDED_SHARE * earlier[1])
    if gap <= _A_DAY:  # which of the two came first may not be known
        fall = max(fall, reach)
    return -fall <= rise <= reach + _ROUNDED_KM


def by_codes(
    prefixes: Mapping[str, str], cells: Iterable[tuple[str, str]], past: Past
) -> Decided | None:
    """Decide between ways to spell codes by those their vehicles had; None: nothing decides.

    ``prefixes``: the template that spells a code, for each answer; ``cells``: vehicle and code.
    """
    met: dict[str, set[str]] = {word: set() for word in prefixes}
    for name, cell in cells:
        had = past.codes.get(plain_id(name), frozenset())
        for word, prefix in prefixes.items():
            code = normal_code(prefix.format(cell)) if had else None
            if isinstance(code, NormalCode) and code.code in had:
                met[word].add(plain_id(name))
    likely = [word for word, vehicles in met.items() if vehicles]
    if len(likely) != 1 or len(met[likely[0]]) < ENOUGH:
        return None
    n_vehicles = len(met[likely[0]])
    return Decided(
        likely[0],
        worded("{n_vehicles:,} vehicles had these codes before, spelled so", n_vehicles=n_vehicles),
    )
