"""One monotone odometer line for a vehicle, through readings that may be wrong.

The line follows the longest chain of readings that agree: never falling by more than a rounding,
never rising faster than a vehicle can drive.  Other readings are set aside with a reason.  A drop
that lasts (a replaced cluster, a rollback: no culprit is named) begins a new stretch, and the line
goes on from its last value as if nothing was driven in between, so that evidence never becomes
longer than it was.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from afterclear.plain import KM_PER_MILE

FloatArray = NDArray[np.float64]

# A new stretch needs this many readings that agree; fewer are set aside as slips.
LASTING = 3
# Falls smaller than this are rounding (common practice, no source): 2 km or 0.1 %.
_FALL_KM, _FALL_SHARE = 2.0, 0.001
# What a vehicle may drive between two readings of one day.
_SLACK_KM = 100.0
# How near a reading must be to a scaled expectation to be called a unit slip.
_NEAR = 0.03


class SetAside(StrEnum):
    """Why a reading is not on the line, or (lasting drop) begins a new stretch of it."""

    UNITS = "units"  # fits once miles and km are swapped
    DECIMAL = "decimal"  # fits times or divided by ten
    SINGLE = "single"  # alone between readings that agree
    JUMP = "jump"  # does not fit, and too few later readings show whether it lasts
    LASTING_DROP = "lasting_drop"


@dataclass(frozen=True, slots=True)
class OdometerLine:
    """The line at each reading.  Arrays have shape (n_readings,), in the readings' order."""

    line_km: FloatArray  # nan where the reading is set aside
    reasons: tuple[SetAside | None, ...]  # a lasting drop has both a line and a reason


def odometer_line(days: FloatArray, reading_km: FloatArray, max_km_per_day: float) -> OdometerLine:
    """Fit the line through readings in time order.

    ``days``: days since any fixed instant, never falling, shape (n_readings,).
    ``reading_km``: km, same shape.
    """
    n = len(days)
    line = np.full(n, np.nan)
    reasons: list[SetAside | None] = [None] * n
    if n == 0:
        return OdometerLine(line, ())
    shift, reached = 0.0, 0.0
    for number, chain in enumerate(_stretches(days, reading_km, max_km_per_day)):
        if number:
            shift = reached - reading_km[chain[0]]
            reasons[chain[0]] = SetAside.LASTING_DROP
        line[chain] = np.maximum.accumulate(reading_km[chain]) + shift
        reached = float(line[chain[-1]])
    kept = ~np.isnan(line)
    for i in np.flatnonzero(~kept):
        expected = float(np.interp(days[i], days[kept], reading_km[kept]))
        reasons[i] = _reason(float(reading_km[i]), expected, inside=_inside(int(i), kept))
    return OdometerLine(line, tuple(reasons))


def is_plausible(days: FloatArray, reading_km: FloatArray, max_km_per_day: float) -> bool:
    """Whether all readings agree, so that the line is the readings themselves."""
    rise, gap = np.diff(reading_km), np.diff(days)
    return bool(np.all(rise >= 0) and np.all(rise <= gap * max_km_per_day + _SLACK_KM))


def _stretches(days: FloatArray, km: FloatArray, max_km_per_day: float) -> list[NDArray[np.intp]]:
    """Chains of agreeing readings, in time order; together the line."""
    found: list[NDArray[np.intp]] = []
    todo = [(0, len(days))]
    while todo:
        begin, end = todo.pop()
        chain = begin + _longest_chain(days[begin:end], km[begin:end], max_km_per_day)
        if found and len(chain) < LASTING:
            continue
        found.append(chain)
        # what is wholly before or after may be a stretch of its own; what is between is not
        todo += [(begin, int(chain[0])), (int(chain[-1]) + 1, end)]
        todo = [(b, e) for b, e in todo if e > b]
    return sorted(found, key=lambda chain: int(chain[0]))


def _longest_chain(days: FloatArray, km: FloatArray, max_km_per_day: float) -> NDArray[np.intp]:
    """Find the longest run of readings in which each follows from the one before.

    Returns their indices.  Of several equally long ones, the one that keeps nearest to the
    vehicle's usual rate: 2000, 1864, 4000 loses the 1864, not the 2000.
    """
    n = len(days)
    usual = _usual_rate(days, km)
    length, bend = np.ones(n, dtype=np.int64), np.zeros(n)
    before = np.full(n, -1, dtype=np.int64)
    for i in range(1, n):
        rise, gap = km[i] - km[:i], days[i] - days[:i]
        fall_allowed = np.maximum(_FALL_KM, _FALL_SHARE * km[:i])
        agrees = (rise >= -fall_allowed) & (rise <= gap * max_km_per_day + _SLACK_KM)
        if agrees.any():
            longest = agrees & (length[:i] == length[:i][agrees].max())
            bends = np.where(longest, bend[:i] + np.abs(rise - usual * gap), np.inf)
            before[i] = int(np.argmin(bends))
            length[i], bend[i] = length[before[i]] + 1, bends[before[i]]
    ends = np.flatnonzero(length == length.max())
    at = int(ends[np.argmin(bend[ends])])
    chain = []
    while at >= 0:
        chain.append(at)
        at = int(before[at])
    return np.array(chain[::-1], dtype=np.intp)


def _usual_rate(days: FloatArray, km: FloatArray) -> float:
    """Median km a day between neighbouring readings; a few slips do not move it."""
    gap = np.diff(days)
    driven = gap > 0
    return float(np.median(np.diff(km)[driven] / gap[driven])) if driven.any() else 0.0


def _inside(i: int, kept: NDArray[np.bool_]) -> bool:
    return bool(kept[:i].any() and kept[i + 1 :].any())


def _reason(reading: float, expected: float, *, inside: bool) -> SetAside:
    if expected > 0:
        ratio = reading / expected
        if min(abs(ratio / KM_PER_MILE - 1), abs(ratio * KM_PER_MILE - 1)) < _NEAR:
            return SetAside.UNITS
        if min(abs(ratio / 10 - 1), abs(ratio * 10 - 1)) < _NEAR:
            return SetAside.DECIMAL
    return SetAside.SINGLE if inside else SetAside.JUMP
