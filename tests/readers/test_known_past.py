"""What is known of vehicles answers a question only where no other answer is possible."""

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from afterclear.plain import KM_PER_MILE
from afterclear.readers.suggest.columns.known_past import (
    ENOUGH,
    Past,
    Point,
    by_codes,
    by_readings,
)
from afterclear.readers.suggest.columns.questions import Asker, Choice, Decided, Question

BEGIN = datetime(2025, 1, 1)  # noqa: DTZ001 - as the store keeps instants: UTC, without saying so


def a_past(n_vehicles: int, km: float = 100_000.0) -> Past:
    readings = (BEGIN, km), (BEGIN + timedelta(days=200), km + 9000)
    return Past({f"V{n}": readings for n in range(n_vehicles)})


def way(n_vehicles: int, km: float, day: int = 100) -> dict[str, list[Point]]:
    return {f"v-{n}": [(BEGIN + timedelta(days=day), km)] for n in range(n_vehicles)}


def test_three_vehicles_that_agree_decide_and_say_so() -> None:
    ways = {"km": [way(3, 104_000)], "mi": [way(3, 104_000 * KM_PER_MILE)]}
    decided = by_readings(ways, a_past(3))
    assert decided == Decided(
        "km", "read otherwise it contradicts the known odometer readings of 3 vehicles"
    )


def test_two_vehicles_are_too_few() -> None:
    ways = {"km": [way(2, 104_000)], "mi": [way(2, 104_000 * KM_PER_MILE)]}
    assert by_readings(ways, a_past(ENOUGH)) is None


def test_one_vehicle_that_contradicts_is_enough_to_ask() -> None:
    odd = {"v-0": [(BEGIN + timedelta(days=100), 5000.0)]}
    ways = {"km": [way(9, 104_000) | odd], "mi": [way(9, 104_000 * KM_PER_MILE) | odd]}
    assert by_readings(ways, a_past(9)) is None


def test_where_both_are_possible_nothing_is_decided() -> None:
    """After the last known reading, and long after it, either distance can have been driven."""
    ways = {"km": [way(9, 120_000, 900)], "mi": [way(9, 120_000 * KM_PER_MILE, 900)]}
    assert by_readings(ways, a_past(9)) is None


def test_a_vehicle_whose_known_readings_contradict_each_other_decides_nothing() -> None:
    torn = Past({f"V{n}": ((BEGIN, 90_000.0), (BEGIN + timedelta(days=9), 900.0))
                 for n in range(9)})  # fmt: skip
    ways = {"km": [way(9, 104_000)], "mi": [way(9, 104_000 * KM_PER_MILE)]}
    assert by_readings(ways, torn) is None


_DAYS = st.integers(0, 900)


@given(
    rates=st.lists(st.floats(0, 900), min_size=1, max_size=6),
    begin=st.floats(10, 400_000),
    known=st.lists(_DAYS, min_size=1, max_size=6),
    came=st.lists(_DAYS, min_size=1, max_size=3),
    is_miles=st.booleans(),
)
def test_vehicles_that_only_drive_never_decide_wrongly(
    rates: list[float], begin: float, known: list[int], came: list[int], *, is_miles: bool
) -> None:
    def at(day: int, rate: float) -> Point:
        return (BEGIN + timedelta(days=day), begin + rate * day)

    past = Past({f"V{n}": sorted(at(d, r) for d in known) for n, r in enumerate(rates)})
    unit = KM_PER_MILE if is_miles else 1.0
    told = {f"V{n}": [(t, round(km / unit)) for t, km in (at(d, r) for d in came)]
            for n, r in enumerate(rates)}  # fmt: skip
    ways = {word: [{v: [(t, float(x * each)) for t, x in own] for v, own in told.items()}]
            for word, each in (("km", 1.0), ("mi", KM_PER_MILE))}  # fmt: skip
    decided = by_readings(ways, past)
    assert decided is None or decided.word == ("mi" if is_miles else "km")


@pytest.mark.parametrize(
    ("had", "word"),
    [
        ({"V1": "P0301", "V2": "P0420", "V3": "P0171"}, "powertrain"),
        ({"V1": "P0301", "V2": "P0420"}, ""),
        ({"V1": "P0301", "V2": "P0420", "V3": "P0171", "V4": "SPN 100 FMI 4"}, ""),
    ],
)
def test_codes_had_before_say_how_bare_ones_are_spelled(had: dict[str, str], word: str) -> None:
    past = Past(codes={name: frozenset({code}) for name, code in had.items()})
    cells = [("V1", "0301"), ("V2", "0420"), ("V3", "0171"), ("V4", "100-4")]
    decided = by_codes({"powertrain": "P{}", "j1939": "SPN {}"}, cells, past)
    assert (decided.word if decided else "") == word


def test_a_persons_answer_counts_before_what_is_known() -> None:
    question = Question("odometer-unit", "What?", (Choice("km", "km"), Choice("mi", "miles")))
    known = {"odometer-unit": lambda _: Decided("km", "so say three")}
    assert Asker({}, instead=dict(known)).choose(question) == "km"
    assert Asker({"odometer-unit": "mi"}, instead=dict(known)).choose(question) == "mi"
