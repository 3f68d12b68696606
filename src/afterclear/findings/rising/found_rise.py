"""A rise with its fault and group."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.rates.rising import RateRecord, Rise
from afterclear.findings.rising.faults import Fault


@dataclass(frozen=True, slots=True)
class PartGroup:
    """Fitted parts as a group: what they are, and since when the first of them was fitted."""

    component: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Found:
    """A rise with its fault and group; ``groups``: of vehicles or parts, shape (levels, v)."""

    fault: Fault
    level: str
    level_no: int
    group: int
    group_name: str
    rise: Rise
    onsets: FloatArray  # (d,) cumulated
    expected: FloatArray  # (d,) cumulated, at the rate before
    part: PartGroup | None = None  # None: a group of vehicles

    @property
    def end(self) -> int:
        """Last day that counts for the rise."""
        return self.onsets.size - 1 if self.rise.over_day is None else self.rise.over_day

    def kind_on(self, zero: datetime) -> str:
        """Name the rise but for its number among those of one day."""
        day = zero + timedelta(days=self.rise.alarm_day)
        return f"{self.fault.name} {self.level} {day:%Y-%m-%d}"

    def members(self, groups: IntArray) -> BoolArray:
        """Tell which vehicles belong to the group."""
        return np.asarray(groups[self.level_no] == self.group)

    def begun(self, groups: IntArray) -> BoolArray:
        """Tell which onsets of the fault are the rise's."""
        day, own = self.fault.onset_day, groups[self.level_no, self.fault.onset_vehicle]
        return np.asarray((day > self.rise.start_day) & (day <= self.end) & (own == self.group))


@dataclass(frozen=True, slots=True)
class RiseSet:
    """Rises of one search, with the vehicles or fitted parts it counted, a row for each."""

    found: tuple[Found, ...]
    counted: pl.DataFrame
    groups: IntArray  # of each row of ``counted``, shape (levels, rows)


def part_of(record: RateRecord, groups: slice) -> RateRecord:
    """Give the record of some groups beside that of all."""
    return RateRecord(record.onsets[groups], record.km[groups], record.all_onsets, record.all_km)
