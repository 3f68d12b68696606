"""Lifetimes of single parts from work orders: when fitted, how long it lasted, why it ended.

A slot is a place on a vehicle where one part of a family sits: (vehicle, family, position).  A
replacement ends the lifetime of the part in the slot, for the removal reason on its row, and begins
that of the new part.

* Parts fitted before observation began, and still there then, enter at their age at that moment.
* The part in a slot when observation began is the factory's if the vehicle was nearly new;
  otherwise its age is unknown, and its lifetime is left out and counted.
* Slots without any replacement hold parts too: without them only short lifetimes would count.
* A replacement at an unknown position may have been in any of the family's slots of that vehicle:
  lifetimes in all of them are censored there.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from afterclear.estimators.arrays.ragged import (
    cells_of,
    offsets_of,
    order_by_time,
    run_starts,
    weight_before,
)
from afterclear.estimators.arrays.validation import (
    FloatArray,
    IntArray,
    as_floats,
    as_groups,
    check_finite,
    check_non_negative,
    check_same_shape,
)
from afterclear.estimators.lifetimes.lifetimes import Lifetimes, observed_lifetimes

UNKNOWN = -1  # of a position, and of a row that does not exist


class End(IntEnum):
    """How a part's life ended, as far as it was followed."""

    IN_SERVICE = 0
    FAILURE = 1
    PREVENTIVE = 2
    ACCIDENT = 3
    UNKNOWN_REASON = 4
    LOST_SIGHT = 5  # a replacement at an unknown position may have ended it
    NOT_HELD = 6  # removed because the fault it was fitted for was still there


@dataclass(frozen=True, slots=True)
class Replacements:
    """Checked rows of parts fitted; build them with ``replacements``.  Shape (n_rows,)."""

    vehicle: IntArray
    family: IntArray
    position: IntArray  # UNKNOWN: the work order does not say
    km: FloatArray
    reason: IntArray  # End of the part taken out: 1 to 4


@dataclass(frozen=True, slots=True)
class Slots:
    """Every place that holds a part, replaced or not.  Shape (n_slots,)."""

    vehicle: IntArray
    family: IntArray
    position: IntArray


@dataclass(frozen=True, slots=True)
class UnitLifetimes:
    """One row a part, shape (n_units,), with what a claim sheet needs to name it."""

    vehicle: IntArray
    family: IntArray
    position: IntArray  # UNKNOWN: fitted at an unknown position
    fitted_row: IntArray  # row of the replacement that fitted it; UNKNOWN: the factory
    removed_row: IntArray  # row of the one that removed it; UNKNOWN: still in, or lost to follow-up
    fitted_km: FloatArray  # odometer
    entry: FloatArray  # age in km at which its observation began
    age: FloatArray  # km it had run when it was removed or last known to be in
    end: IntArray  # End
    n_age_unknown: int  # slots left out: their part was not new when observation began
    n_unobserved: int  # parts left out: gone before observation began, or fitted after it ended
    n_same_km: int  # replacements left out: the same slot again at the same km

    def not_held(self, p_fix_failed: FloatArray, at_least: float) -> "UnitLifetimes":
        """Separate failures that are most likely not the part's, shape (n_units,).

        ``p_fix_failed``: P(the fault a part was fitted for was never cured), NaN: not known.
        """
        failed = (self.end == End.FAILURE) | (self.end == End.UNKNOWN_REASON)
        apart = failed & (np.nan_to_num(p_fix_failed, nan=0.0) >= at_least)
        return replace(self, end=np.where(apart, End.NOT_HELD, self.end))

    def as_lifetimes(
        self, group: IntArray, n_groups: int | None = None, *, unknown_failed: bool = True
    ) -> Lifetimes:
        """Rows for the lifetime estimators, ``group`` of shape (n_units,); other ends censored.

        ``unknown_failed``: whether a removal without a stated reason counts as a failure, as it
        mostly is if a workshop does not note reasons (common practice, no source).
        """
        failed = self.end == End.FAILURE
        if unknown_failed:
            failed |= self.end == End.UNKNOWN_REASON
        return observed_lifetimes(
            self.age, failed, entry=self.entry, group=group, n_groups=n_groups
        )


def current_numbers(numbers: Iterable[str], superseded_by: Mapping[str, str]) -> list[str]:
    """Part numbers as they are today, following chains of supersession."""
    current: dict[str, str] = {}
    for number in set(numbers := list(numbers)):
        chain = [number]
        while (later := superseded_by.get(chain[-1])) is not None:
            if later in chain:
                raise ValueError(f"part numbers supersede each other in a ring: {chain}")
            chain.append(later)
        current[number] = chain[-1]
    return [current[number] for number in numbers]


def replacements(
    vehicle: ArrayLike,
    family: ArrayLike,
    position: ArrayLike,
    km: ArrayLike,
    reason: ArrayLike,
) -> Replacements:
    """Rows of parts fitted, checked; in any order."""
    arrays = {"vehicle": as_groups("vehicle", vehicle), "family": as_groups("family", family)}
    arrays["position"] = as_groups("position + 1", np.asarray(position) + 1) - 1
    arrays["reason"] = as_groups("reason", reason)
    km_array = as_floats("km", km)
    check_same_shape(**arrays, km=km_array)
    check_finite("km", km_array)
    check_non_negative("km", km_array)
    known = (arrays["reason"] >= End.FAILURE) & (arrays["reason"] <= End.UNKNOWN_REASON)
    if not known.all():
        row = int(np.argmin(known))
        raise ValueError(f"reason must be 1 to 4, but is {arrays['reason'][row]} in row {row}")
    return Replacements(km=km_array, **arrays)


def part_lifetimes(
    rows: Replacements,
    slots: Slots,
    first_km: FloatArray,
    last_km: FloatArray,
    *,
    factory_until_km: float,
) -> UnitLifetimes:
    """One lifetime for each part that was ever known to be in a slot.

    ``first_km``, ``last_km``: odometer between which work orders of each vehicle are complete,
    shape (n_vehicles,).  ``factory_until_km``: a part found in its slot when ``first_km`` is at
    or below this counts as the factory's.  ``slots`` must hold every slot of the families
    studied; a replacement in none of them is refused.
    """
    book = _book(rows, slots)
    parts = _parts(rows, slots, book)
    removed_row, end_km, end = _ends(rows, book, parts, last_km[parts.vehicle])
    observed_from = first_km[parts.vehicle]
    age_unknown = (parts.fitted_row == UNKNOWN) & (observed_from > factory_until_km)
    unobserved = ~age_unknown & ((end_km <= observed_from) | (end_km <= parts.fitted_km))
    kept = np.flatnonzero(~age_unknown & ~unobserved)
    return UnitLifetimes(
        vehicle=parts.vehicle[kept],
        family=parts.family[kept],
        position=np.append(slots.position, UNKNOWN)[parts.slot[kept]],
        fitted_row=parts.fitted_row[kept],
        removed_row=removed_row[kept],
        fitted_km=parts.fitted_km[kept],
        entry=np.maximum(observed_from - parts.fitted_km, 0.0)[kept],
        age=(end_km - parts.fitted_km)[kept],
        end=end[kept],
        n_age_unknown=int(age_unknown.sum()),
        n_unobserved=int(unobserved.sum()),
        n_same_km=book.n_same_km,
    )


@dataclass(frozen=True, slots=True)
class _Book:
    """Replacements sorted into slots; a place is a vehicle's family, with one slot or more."""

    slot_place: IntArray  # (n_slots,)
    row_place: IntArray  # (n_rows,)
    row_slot: IntArray  # (n_rows,) UNKNOWN: one of several
    known: IntArray  # rows in known slots
    loose: IntArray  # rows at unknown positions
    n_same_km: int


@dataclass(frozen=True, slots=True)
class _Parts:
    """Parts before it is known how they ended, shape (n_parts,)."""

    slot: IntArray  # UNKNOWN: fitted at an unknown position
    place: IntArray
    vehicle: IntArray
    family: IntArray
    fitted_row: IntArray
    fitted_km: FloatArray


def _book(rows: Replacements, slots: Slots) -> _Book:
    n_slots = slots.vehicle.size
    place, _ = cells_of(
        np.concatenate((slots.vehicle, rows.vehicle)), np.concatenate((slots.family, rows.family))
    )
    slot_place, row_place = place[:n_slots], place[n_slots:]
    number, first = cells_of(place, np.concatenate((slots.position, rows.position)))
    if np.unique(number[:n_slots]).size < n_slots:
        raise ValueError("slots must not hold the same vehicle, family and position twice")
    # the row of a number is the first that has it, and slots come before replacements
    row_slot = first[number[n_slots:]]
    in_place = np.bincount(slot_place, minlength=int(place.max(initial=-1)) + 1)
    only_slot = np.full(in_place.size, UNKNOWN)
    only_slot[slot_place] = np.arange(n_slots)
    unsaid = rows.position == UNKNOWN
    row_slot = np.where(unsaid, np.where(in_place == 1, only_slot, UNKNOWN)[row_place], row_slot)
    homeless = (row_slot >= n_slots) | (in_place[row_place] == 0)
    if homeless.any():
        row = int(np.argmax(homeless))
        raise ValueError(f"slots must hold every replacement's, but not that of row {row}")
    placed = np.flatnonzero(row_slot != UNKNOWN)
    order = placed[order_by_time(rows.km[placed], row_slot[placed], stable=True)]
    # of rows with one slot and one km the last counts
    starts = run_starts(rows.km[order], row_slot[order])
    lasts = np.append(starts[1:], order.size)[: starts.size] - 1
    return _Book(
        slot_place=slot_place,
        row_place=row_place,
        row_slot=row_slot,
        known=order[lasts],
        loose=np.flatnonzero(row_slot == UNKNOWN),
        n_same_km=int(order.size - starts.size),
    )


def _parts(rows: Replacements, slots: Slots, book: _Book) -> _Parts:
    """Parts found in their slots, those fitted into known slots, those fitted at unknown ones."""
    fitted = np.concatenate((book.known, book.loose))
    n_slots = slots.vehicle.size
    return _Parts(
        slot=np.concatenate((np.arange(n_slots), book.row_slot[fitted])),
        place=np.concatenate((book.slot_place, book.row_place[fitted])),
        vehicle=np.concatenate((slots.vehicle, rows.vehicle[fitted])),
        family=np.concatenate((slots.family, rows.family[fitted])),
        fitted_row=np.concatenate((np.full(n_slots, UNKNOWN), fitted)),
        fitted_km=np.concatenate((np.zeros(n_slots), rows.km[fitted])),
    )


def _ends(
    rows: Replacements, book: _Book, parts: _Parts, last_km: FloatArray
) -> tuple[IntArray, FloatArray, IntArray]:
    """Row that removed each part, odometer to which it was followed, and how the lifetime ended."""
    # the part found in a slot goes with the first replacement there, be it at 0 km
    start = np.where(parts.fitted_row == UNKNOWN, -1.0, parts.fitted_km)
    nowhere = parts.slot == UNKNOWN
    next_known = _first_after(start, parts.slot, book.known, rows.km, book.row_slot)
    next_known[nowhere] = UNKNOWN
    next_loose = _first_after(start, parts.place, book.loose, rows.km, book.row_place)
    anywhere = np.concatenate((book.known, book.loose))
    next_any = _first_after(start, parts.place, anywhere, rows.km, book.row_place)
    next_loose = np.where(nowhere, next_any, next_loose)
    km = np.append(rows.km, np.inf)  # of row UNKNOWN: never
    known_km, loose_km = km[next_known], km[next_loose]
    removed = (known_km <= loose_km) & (known_km <= last_km)
    lost = ~removed & (loose_km <= last_km)
    reason = np.append(rows.reason, End.IN_SERVICE)[next_known]
    return (
        np.where(removed, next_known, UNKNOWN),
        np.minimum(np.minimum(known_km, loose_km), last_km),
        np.where(removed, reason, np.where(lost, End.LOST_SIGHT, End.IN_SERVICE)),
    )


def _first_after(
    start: FloatArray, group: IntArray, rows: IntArray, km: FloatArray, row_group: IntArray
) -> IntArray:
    """Of ``rows`` in each query's group, the first with km above ``start``; UNKNOWN: none."""
    order = rows[order_by_time(km[rows], row_group[rows])]
    own_km, own_group = km[order], row_group[order]
    n_groups = int(max(group.max(initial=-1), own_group.max(initial=-1))) + 1
    offsets = offsets_of(own_group, n_groups)
    asked = np.maximum(group, 0)
    # at or before start: below the next float
    passed = weight_before(
        np.nextafter(start, np.inf), asked, own_km, own_group, np.ones(order.size)
    )
    place = offsets[asked] + passed.astype(np.int64)
    found = place < offsets[asked + 1]
    return np.where(found, np.append(order, UNKNOWN)[np.where(found, place, order.size)], UNKNOWN)
