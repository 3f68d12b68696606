"""Lives from work orders: one hand-worked story per rule, and a public fleet."""

import numpy as np
import pytest

from afterclear.estimators.lifetimes.few_failures import part_life
from afterclear.estimators.lifetimes.unit_lifetimes import (
    UNKNOWN,
    End,
    Replacements,
    Slots,
    UnitLifetimes,
    current_numbers,
    part_lifetimes,
    replacements,
)
from tests.estimators.open_data import open_csv

FAILURE, PREVENTIVE = int(End.FAILURE), int(End.PREVENTIVE)


def _rows(*rows: tuple[int, int, float, int]) -> Replacements:
    """(vehicle, position, km, reason) of one family."""
    vehicle, position, km, reason = (list(column) for column in zip(*rows, strict=True))
    return replacements(vehicle, [0] * len(rows), position, km, reason)


def _slots(*slots: tuple[int, int]) -> Slots:
    vehicle, position = (np.array(column) for column in zip(*slots, strict=True))
    return Slots(vehicle, np.zeros(vehicle.size, int), position)


def _lives(
    rows: Replacements,
    slots: Slots,
    first: list[float],
    last: list[float],
    factory_until: float = 1000,
) -> UnitLifetimes:
    return part_lifetimes(
        rows, slots, np.array(first), np.array(last), factory_until_km=factory_until
    )


def _table(found: UnitLifetimes) -> list[tuple[int, float, float, float, int]]:
    """(fitted row, fitted km, entry, age, end), sorted."""
    columns = (found.fitted_row, found.fitted_km, found.entry, found.age, found.end)
    return sorted(zip(*(column.tolist() for column in columns), strict=True))


def test_a_part_replaced_twice_gives_three_lives() -> None:
    """Factory part to 40,000 (failed), the next to 70,000 (preventive), the last in at 90,000."""
    found = _lives(
        _rows((0, 0, 70_000, PREVENTIVE), (0, 0, 40_000, FAILURE)), _slots((0, 0)), [0], [90_000]
    )
    assert _table(found) == [
        (UNKNOWN, 0, 0, 40_000, FAILURE),
        (0, 70_000, 0, 20_000, End.IN_SERVICE),
        (1, 40_000, 0, 30_000, PREVENTIVE),
    ]
    assert found.removed_row.tolist() == [1, 0, UNKNOWN]


def test_slots_nothing_was_replaced_in_hold_factory_parts() -> None:
    found = _lives(
        _rows((0, 0, 40_000, FAILURE)), _slots((0, 0), (0, 1), (1, 0)), [0, 0], [5e4, 6e4]
    )
    assert _table(found) == [
        (UNKNOWN, 0, 0, 40_000, FAILURE),
        (UNKNOWN, 0, 0, 50_000, End.IN_SERVICE),
        (UNKNOWN, 0, 0, 60_000, End.IN_SERVICE),
        (0, 40_000, 0, 10_000, End.IN_SERVICE),
    ]


def test_a_part_found_in_an_old_vehicle_has_no_known_age() -> None:
    """Work orders from 80,000 km on: the first part is left out and counted, the next is not."""
    found = _lives(_rows((0, 0, 95_000, FAILURE)), _slots((0, 0)), [80_000], [100_000])
    assert _table(found) == [(0, 95_000, 0, 5_000, End.IN_SERVICE)]
    assert found.n_age_unknown == 1


def test_a_part_found_in_a_nearly_new_vehicle_enters_at_its_age() -> None:
    found = _lives(_rows((0, 0, 30_000, FAILURE)), _slots((0, 0)), [800], [40_000])
    assert _table(found)[0] == (UNKNOWN, 0, 800, 30_000, FAILURE)


def test_parts_fitted_before_watching_began_enter_late_or_not_at_all() -> None:
    """Old work orders at 10,000 and 40,000; everything is known from 50,000 on only."""
    found = _lives(
        _rows((0, 0, 10_000, FAILURE), (0, 0, 40_000, FAILURE), (0, 0, 65_000, FAILURE)),
        _slots((0, 0)),
        [50_000],
        [70_000],
    )
    assert _table(found) == [
        (1, 40_000, 10_000, 25_000, FAILURE),
        (2, 65_000, 0, 5_000, End.IN_SERVICE),
    ]
    assert (found.n_age_unknown, found.n_unobserved) == (1, 1)


def test_a_replacement_at_an_unknown_position_ends_sight_of_all_its_slots() -> None:
    """At 30,000 one of two; both factory parts are followed to there, the new part to 60,000."""
    found = _lives(
        _rows((0, UNKNOWN, 30_000, FAILURE), (0, 1, 60_000, FAILURE)),
        _slots((0, 0), (0, 1)),
        [0],
        [80_000],
    )
    assert _table(found) == [
        (UNKNOWN, 0, 0, 30_000, End.LOST_SIGHT),
        (UNKNOWN, 0, 0, 30_000, End.LOST_SIGHT),
        (0, 30_000, 0, 30_000, End.LOST_SIGHT),
        (1, 60_000, 0, 20_000, End.IN_SERVICE),
    ]
    assert found.position.tolist() == [0, 1, 1, UNKNOWN]
    assert (found.removed_row == UNKNOWN).all()


def test_a_part_fitted_at_the_same_visit_as_one_at_an_unknown_position_is_not_that_one() -> None:
    found = _lives(
        _rows((0, 0, 30_000, FAILURE), (0, UNKNOWN, 30_000, FAILURE)),
        _slots((0, 0), (0, 1)),
        [0],
        [50_000],
    )
    known = [row for row in _table(found) if row[0] == 0]
    assert known == [(0, 30_000, 0, 20_000, End.IN_SERVICE)]
    # and the factory part of position 0 went at that visit by its own row
    assert (UNKNOWN, 0, 0, 30_000, FAILURE) in _table(found)


def test_an_unknown_position_is_known_where_there_is_one_only() -> None:
    found = _lives(_rows((0, UNKNOWN, 30_000, FAILURE)), _slots((0, 0)), [0], [40_000])
    assert _table(found) == [
        (UNKNOWN, 0, 0, 30_000, FAILURE),
        (0, 30_000, 0, 10_000, End.IN_SERVICE),
    ]


def test_a_slot_written_twice_at_one_km_is_one_replacement() -> None:
    found = _lives(
        _rows((0, 0, 30_000, PREVENTIVE), (0, 0, 30_000, FAILURE)), _slots((0, 0)), [0], [40_000]
    )
    assert _table(found) == [
        (UNKNOWN, 0, 0, 30_000, FAILURE),
        (1, 30_000, 0, 10_000, End.IN_SERVICE),
    ]
    assert found.n_same_km == 1


def test_what_counts_as_a_failure_is_the_callers_choice() -> None:
    found = _lives(
        _rows(
            (0, 0, 10, FAILURE),
            (0, 0, 30, PREVENTIVE),
            (0, 0, 60, int(End.ACCIDENT)),
            (0, 0, 100, int(End.UNKNOWN_REASON)),
        ),
        _slots((0, 0)),
        [0],
        [150],
    )
    group = np.zeros(found.age.size, int)
    assert found.as_lifetimes(group).n_failed.tolist() == [2]
    assert found.as_lifetimes(group, unknown_failed=False).n_failed.tolist() == [1]
    assert found.as_lifetimes(group).low.sum() == 150


def test_numbers_are_followed_to_the_one_of_today() -> None:
    table = {"11-A": "11-B", "11-B": "12", "9": "8"}
    assert current_numbers(["11-A", "12", "9", "7"], table) == ["12", "12", "8", "7"]
    with pytest.raises(ValueError, match=r"in a ring: .*A.*B.*"):
        current_numbers(["A"], {"A": "B", "B": "A"})


@pytest.mark.parametrize(
    ("rows", "slots", "message"),
    [
        (((0, 2, 10.0, FAILURE),), ((0, 0), (0, 1)), "not that of row 0"),
        (((0, 0, 5.0, FAILURE), (3, 0, 10.0, FAILURE)), ((0, 0),), "not that of row 1"),
        (((0, 0, 10.0, FAILURE),), ((0, 0), (0, 0)), "twice"),
    ],
)
def test_replacements_outside_the_slots_are_refused(
    rows: tuple[tuple[int, int, float, int], ...],
    slots: tuple[tuple[int, int], ...],
    message: str,
) -> None:
    with pytest.raises(ValueError, match=message):
        _lives(_rows(*rows), _slots(*slots), [0, 0, 0, 0], [100, 100, 100, 100])


def test_reasons_are_one_of_four() -> None:
    with pytest.raises(ValueError, match="reason must be 1 to 4, but is 0 in row 0"):
        _rows((0, 0, 10, 0))


def test_ages_fill_the_time_watched_and_order_does_not_matter() -> None:
    """Every slot holds one part at any time: ages less entries add up to what was watched."""
    rng = np.random.default_rng(161)
    vehicle, position = np.divmod(np.arange(200), 4)
    slot = rng.integers(0, 200, 900)
    first, last = np.zeros(50), rng.uniform(5e4, 1e5, 50)
    km = np.round(rng.random(900) * last[vehicle[slot]])
    rows = replacements(
        vehicle[slot], np.zeros(900, int), position[slot], km, rng.integers(1, 5, 900)
    )
    slots = Slots(vehicle, np.zeros(200, int), position)
    found = part_lifetimes(rows, slots, first, last, factory_until_km=1000)
    observed_units = np.bincount(found.vehicle, found.age - found.entry, 50)
    assert observed_units == pytest.approx(4 * last)
    order = rng.permutation(900)
    again = part_lifetimes(
        Replacements(*(getattr(rows, name)[order] for name in Replacements.__slots__)),
        slots,
        first,
        last,
        factory_until_km=1000,
    )
    assert np.sort(again.age) == pytest.approx(np.sort(found.age))


def test_engines_of_the_madison_buses() -> None:
    """Rust 1987, Econometrica 55, 999 (data MIT, OpenSourceEconomics/zurcher-data).

    113 first and 11 second replacements on 166 buses; miles at replacement by group as in the
    table of that repository's notebook: all 124 have mean 216,354, sd 60,475.
    """
    buses = open_csv("repair_bus_engines_1987", "buses.csv")
    n = len(buses["bus_id"])
    rows = []
    for bus in range(n):
        miles = (buses[which][bus] for which in ("repl1_odo", "repl2_odo"))
        rows += [(bus, 0, float(at), int(End.UNKNOWN_REASON)) for at in miles if at]
    slots = _slots(*((bus, 0) for bus in range(n)))
    last = [float(text) for text in buses["last_odo"]]
    found = _lives(_rows(*rows), slots, [0.0] * n, last)
    gone = found.end == End.UNKNOWN_REASON
    assert n == 166
    assert ((found.fitted_row == UNKNOWN) & gone).sum() == 113
    assert ((found.fitted_row != UNKNOWN) & gone).sum() == 11
    assert round(found.age[gone].mean()) == 216_354
    assert round(found.age[gone].std(ddof=1)) == 60_475
    means = {
        group: round(found.age[gone & (np.array(buses["group"])[found.vehicle] == group)].mean())
        for group in ("t8h203", "a530875", "a452372")
    }
    assert means == {"t8h203": 199_733, "a530875": 257_336, "a452372": 186_700}
    # with the engines still in service counted, lives are longer than those that ended
    lifetimes = found.as_lifetimes(np.zeros(found.age.size, int))
    fitted = part_life(lifetimes, failed_share=0.5)
    assert fitted.method[0] == "likelihood"
    assert fitted.life_low[0] > 216_354
    assert fitted.pattern[0] == "wear_out"
