"""Random histories of a small fleet, cut into deliveries: what Hypothesis draws of.

A vehicle is drawn as scans at growing days with faults that come and go over them, clears and
work orders between them.  Each of these *events* then meets a fate: it comes on time, late,
twice, or is corrected later under the same key.  Vehicle rows come early, late or never; until
one has come, some vehicles are known by their VIN only, and some tools never name them but by
VIN or plate, in files of their own form (``random_maps.py``).  Beside deliveries come *turns*:
the map of such files was wrong, is mended, and archived files are read again; a vehicle is
forgotten.
"""

import csv
import io
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, Literal

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from afterclear.commands.analysis.deciding import Said
from tests.commands.random_maps import FAULTS, by_map
from tests.commands.random_vehicles import (
    LIVES,
    SPAN_DAYS,
    Row,
    Vehicle,
    at,
    deliveries_of,
    vehicle_of,
)

MOST_DELIVERIES: Final = 4
UNHURRIED: Final = settings(
    deadline=None,
    database=None,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large,
    ],
)  # fmt: skip

# what may be decided: the word, and what it is about
SAYINGS: Final[tuple[tuple[Said | Literal["undo"], str], ...]] = (
    ("accept", "vehicle"), ("accept", "attempt"), ("wait", "date"), ("wait", "km"),
    ("not_a_fault", "code"), ("repaired_elsewhere", "code"), ("undo", "decision"),
)  # fmt: skip


@dataclass(frozen=True)
class Saying:
    """A decision to be made; ``pick`` chooses among what the store then knows."""

    word: Said | Literal["undo"]
    about: str
    pick: int


# which loads are read again: those that refused something, those of the mended map, all
Replay = Literal["refused", "of the map", "everything"]


@dataclass(frozen=True)
class Delivery:
    """Files that come together, the analysis after them, and what people then decide."""

    files: Mapping[str, str]  # name -> text
    at: datetime
    as_of: datetime
    is_full: bool
    sayings: Sequence[Saying]
    replay: Replay | None = None  # before the analysis, with the map mended
    forget: int | None = None  # after it: picks among the vehicles the store then knows


@dataclass(frozen=True)
class Fleet:
    """What was drawn, and the deliveries it comes in."""

    vehicles: tuple[Vehicle, ...]
    deliveries: tuple[Delivery, ...]
    fault: str = ""  # what is wrong in the map until the first replay
    bucket_rows: int = 2_000_000


# what happens beside deliveries
Turns = Literal["none", "mended", "forgotten", "both"]


@st.composite
def fleets(
    draw: st.DrawFn, fewest: int = 1, most: int = 6, turns: Sequence[Turns] = ("none",)
) -> Fleet:
    """Draw a fleet's history and the deliveries it comes in."""
    n = draw(st.integers(2, MOST_DELIVERIES))
    turn = draw(st.sampled_from(turns))
    lives = draw(st.lists(LIVES, min_size=fewest, max_size=most))
    # a fleet of many is some vehicles and those that fare like them, days later
    herd = [(life, 3 * copy) for copy in range(draw(st.sampled_from(_HERDS))) for life in lives]
    drawn = tuple(
        vehicle_of(number, life, later, _NAMED[turn])
        for number, (life, later) in enumerate(herd, 1)
    )
    kinds = [draw(_ANALYSES) for _ in range(n)]
    times = [SPAN_DAYS * (step + 1) / n for step in range(n)]
    until = [day + offset for day, (offset, _, _) in zip(times, kinds, strict=True)]
    until[-1] = max(until)  # the last analysis is one that goes on from the one before
    lists_mapped = turn in _MENDED and draw(st.booleans())
    files = _files(drawn, n, lists_mapped=lists_mapped)
    fleet = Fleet(
        drawn,
        tuple(
            Delivery(files[step], at(times[step]), at(until[step]), is_full, sayings)
            for step, (_, is_full, sayings) in enumerate(
                [*kinds[:-1], (0, False, kinds[-1][2])],
            )
        ),
        bucket_rows=draw(st.sampled_from(_BUCKETS)),
    )
    if turn in _MENDED:
        fleet = draw(_mended_fleets(fleet))
    if turn in _FORGOTTEN:
        fleet = draw(_forgetful_fleets(fleet))
    return fleet


_HERDS: Final = (1, 1, 1, 2, 4)
_BUCKETS: Final = (2_000_000, 1, 20, 100)  # scan rows
_MENDED: Final = ("mended", "both")
_FORGOTTEN: Final = ("forgotten", "both")
_NAMED: Final[Mapping[Turns, tuple[str, ...]]] = {
    "none": ("number", "vin as number", "number", "vin", "vin, then number"),
    "forgotten": ("number", "vin as number", "number", "vin", "vin, then number"),
    "mended": ("number", "vin", "plate", "vin as number", "vin, then number"),
    "both": ("number", "vin", "plate", "vin as number", "vin, then number"),
}


@st.composite
def _mended_fleets(draw: st.DrawFn, fleet: Fleet) -> Fleet:
    """Let the map be wrong at first, be mended, and files be read again then and at the end."""
    last = len(fleet.deliveries) - 1
    fault = draw(st.sampled_from(tuple(FAULTS)))
    ways: tuple[Replay, ...] = ("everything", "of the map")
    if FAULTS[fault].is_refused:
        ways = ("refused", *ways)
    replays: dict[int, Replay] = {last: "refused"}
    replays[draw(st.integers(0, last))] = draw(st.sampled_from(ways))
    told = [replace(d, replay=replays.get(step)) for step, d in enumerate(fleet.deliveries)]
    return replace(fleet, deliveries=tuple(told), fault=fault)


@st.composite
def _forgetful_fleets(draw: st.DrawFn, fleet: Fleet) -> Fleet:
    """Let a vehicle be forgotten after some deliveries, but not after the last."""
    picks = st.sampled_from((None, 0, 1, 2, 5, 9))
    told = [replace(d, forget=draw(picks)) for d in fleet.deliveries[:-1]]
    return replace(fleet, deliveries=(*told, fleet.deliveries[-1]))


# as-of time in days against the delivery's, whether a full one is asked for, what is decided
_ANALYSES: Final = st.tuples(
    st.sampled_from((0, 0, -15, -60, 12, -130)),
    st.sampled_from((False, False, False, True)),
    st.lists(
        st.builds(lambda said, pick: Saying(said[0], said[1], pick), st.sampled_from(SAYINGS),
                  st.integers(0, 9)),
        max_size=2,
    ),
)  # fmt: skip


def _files(fleet: Iterable[Vehicle], n: int, *, lists_mapped: bool) -> list[dict[str, str]]:
    """Give the files of each of n deliveries; one that is late stays in the last at latest."""
    rows: list[dict[str, list[Row]]] = [defaultdict(list) for _ in range(n)]

    def put(step: int, table: str, row: Row, *, mapped: bool) -> None:
        name = f"{step}_{table}_marked.csv" if mapped else f"{step}_{table}.csv"
        rows[step][name].append(by_map(row) if mapped else row)

    for vehicle in fleet:
        for step, row in vehicle.listed.items():
            told = {"vehicle_id": vehicle.number} | row
            put(min(step, n - 1), "vehicles", told, mapped=lists_mapped)
        for event in vehicle.events:
            for step, told_rows in deliveries_of(event, n):
                owner = vehicle.owner_in(step)
                for row in told_rows:
                    put(step, event.table, owner | row, mapped="vehicle_id" not in owner)
    return [{name: csv_of(told) for name, told in sorted(files.items())} for files in rows]


def csv_of(rows: Sequence[Row]) -> str:
    """Write rows as a file."""
    out = io.StringIO()
    columns = dict.fromkeys(name for row in rows for name in row)
    writer = csv.DictWriter(out, list(columns), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
