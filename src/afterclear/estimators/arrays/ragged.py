"""Arrays of many groups laid end to end: order, offsets and sums inside each group.

Group ``g`` owns rows ``offsets[g]:offsets[g + 1]`` once rows are sorted by group.  All loops
are over digits or size classes, never over groups, so 10,000 groups cost as much as one.

Large sums are taken by blocks of sorted rows (``Blocks``), and a search ends at the accuracy of the
log-likelihood (``WeibullLikelihood.rounding``): of a million lifetimes the tenth digit is noise,
and a search for it would never find a limit.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray

_DIGIT_BITS = 16  # numpy sorts 16-bit integers stably in linear time (radix)
_LIST_A_ROW = 4  # values a row that are listed rather than sorted: some memory for much time


def order_by_group(group: IntArray, order: IntArray) -> IntArray:
    """Row numbers ``order``, stably rearranged so that groups come one after another."""
    top = int(group.max(initial=0))
    for shift in range(0, max(top.bit_length(), 1), _DIGIT_BITS):
        digit = ((group[order] >> shift) & 0xFFFF).astype(np.uint16)
        order = order[np.argsort(digit, kind="stable")]
    return order


def order_by_time(time: FloatArray, group: IntArray, *, stable: bool = False) -> IntArray:
    """Row numbers sorted by group, then time.

    Equal times are in any order, unless ``stable`` keeps that of the rows.
    """
    order = np.argsort(time)
    if stable:
        # ranks are small integers: sorting them stably is faster than sorting floats stably
        in_order = time[order]
        rank = np.zeros(order.size, dtype=np.int64)
        rank[order[1:]] = np.cumsum(in_order[1:] != in_order[:-1])
        order = order_by_group(rank, np.arange(order.size))
    return order_by_group(group, order)


def offsets_of(group: IntArray, n_groups: int) -> IntArray:
    """Where each group begins and the last one ends, shape (n_groups + 1,), rows sorted."""
    offsets = np.zeros(n_groups + 1, dtype=np.int64)
    np.cumsum(np.bincount(group, minlength=n_groups), out=offsets[1:])
    return offsets


def run_starts(time: FloatArray, group: IntArray) -> IntArray:
    """First row of each run of equal (group, time) in sorted rows."""
    if time.size == 0:
        return np.empty(0, dtype=np.int64)
    changed = (time[1:] != time[:-1]) | (group[1:] != group[:-1])
    return np.concatenate(([0], np.flatnonzero(changed) + 1))


def group_sums(values: FloatArray, group: IntArray, n_groups: int) -> FloatArray:
    """Sum of ``values`` in each group, shape (n_groups,); 0 for a group without rows."""
    return np.asarray(np.bincount(group, values, n_groups), dtype=np.float64)


class Blocks:
    """Rows sorted by group as blocks, for sums that are taken many times.

    A block is summed eight times as fast as rows that carry their group's number (measured with
    numpy 2.4, a million rows).
    """

    def __init__(self, sizes: IntArray) -> None:
        """``sizes``: rows of each group, shape (n_groups,); may be 0."""
        self.sizes = sizes
        self._filled = np.flatnonzero(sizes)
        self._firsts = (np.cumsum(sizes) - sizes)[self._filled]

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum of ``values`` (n_rows,) in each group, shape (n_groups,); 0 without rows."""
        sums = np.zeros(self.sizes.size)
        if self._filled.size:
            sums[self._filled] = np.add.reduceat(values, self._firsts)
        return sums

    def spread(self, of_group: NDArray[Any]) -> NDArray[Any]:
        """Each row's group value, shape (n_rows,)."""
        return np.repeat(of_group, self.sizes)


def running_sums(values: FloatArray, offsets: IntArray) -> FloatArray:
    """Cumulative sum of ``values`` that starts from 0 in each group, same shape.

    Groups of like size are summed together as the rows of one table.  A single cumulative sum
    minus its value at each group's start would lose digits as the number of groups grows, and
    one infinite value would spoil all groups after it.
    """
    sums = np.empty_like(values, dtype=np.float64)
    sizes = np.diff(offsets)
    # size class: 1, 2, 3-4, 5-8, 9-16, ... so that padding at most doubles a table
    classes = np.ceil(np.log2(np.maximum(sizes, 1))).astype(np.int64)
    for size_class in np.unique(classes[sizes > 0]):
        chosen = np.flatnonzero((classes == size_class) & (sizes > 0))
        width = int(sizes[chosen].max())
        inside = np.arange(width) < sizes[chosen, None]
        rows = (offsets[chosen, None] + np.arange(width))[inside]
        table = np.zeros(inside.shape)
        table[inside] = values[rows]
        sums[rows] = np.cumsum(table, axis=1)[inside]
    return sums


def sums_before(values: FloatArray, offsets: IntArray) -> FloatArray:
    """Sum each group up to, not including, each row."""
    sums = running_sums(values, offsets)
    before = np.empty_like(sums)
    before[1:] = sums[:-1]
    before[offsets[:-1][np.diff(offsets) > 0]] = 0.0
    return before


def weight_before(
    at: FloatArray,
    at_group: IntArray,
    time: FloatArray,
    group: IntArray,
    weight: FloatArray,
) -> FloatArray:
    """Total ``weight`` of the rows whose ``time`` is less than ``at`` in the same group.

    ``at``, ``at_group``: shape (n_queries,); the others (n_rows,).  Returns (n_queries,).
    """
    all_time = np.concatenate((at, time))
    all_group = np.concatenate((at_group, group))
    all_weight = np.concatenate((np.zeros(at.size), weight))
    # queries come first, so at equal times a stable order puts them before the rows
    order = order_by_time(all_time, all_group, stable=True)
    n_groups = int(all_group.max(initial=-1)) + 1
    sums = running_sums(all_weight[order], offsets_of(all_group, n_groups))
    found = np.empty(all_time.size)
    found[order] = sums
    return found[: at.size]


def weight_at_risk(
    at: FloatArray,
    at_group: IntArray,
    watch: tuple[FloatArray, FloatArray],
    group: IntArray,
    weight: FloatArray,
) -> FloatArray:
    """Total ``weight`` of the rows at risk, entry < ``at`` <= end, in the same group; at > 0.

    ``watch``: entry and end of each row, shape (n_rows,) each.  Returns (n_queries,).
    """
    entry, end = watch
    left = weight_before(at, at_group, end, group, weight)
    if entry.any():
        return weight_before(at, at_group, entry, group, weight) - left
    n_groups = int(max(at_group.max(initial=-1), group.max(initial=-1))) + 1
    return group_sums(weight, group, n_groups)[at_group] - left


def cells_of(*keys: IntArray) -> tuple[IntArray, IntArray]:
    """Combine keys: a number for each row, equal where all keys are, and a row for each number."""
    number = np.zeros(keys[0].size, dtype=np.int64)
    for key in keys:
        own, _ = _numbered(key)
        number = number * (int(own.max(initial=0)) + 1) + own
    return _numbered(number)


def _numbered(key: IntArray) -> tuple[IntArray, IntArray]:
    """Assign numbers from 0 to distinct values in their order; also return each first row.

    Values in a narrow range are marked on a list, in linear time; others are sorted.
    """
    low = int(key.min(initial=0))
    span = int(key.max(initial=0)) - low + 1
    if span > _LIST_A_ROW * key.size:
        _, first, number = np.unique(key, return_index=True, return_inverse=True)
        return number, first
    place = key - low
    number = (np.cumsum(np.bincount(place, minlength=span) > 0) - 1)[place]
    first = np.empty(int(number.max(initial=-1)) + 1, dtype=np.int64)
    first[number[::-1]] = np.arange(key.size - 1, -1, -1)  # written last: the first row
    return number, first


def first_of_group(meets: BoolArray, offsets: IntArray) -> IntArray:
    """Row of each group's first True, shape (n_groups,); -1 where there is none."""
    rows = np.flatnonzero(meets)
    ends = np.searchsorted(rows, offsets)
    first = np.full(offsets.size - 1, -1, dtype=np.int64)
    has = ends[1:] > ends[:-1]
    first[has] = rows[ends[:-1][has]]
    return first


def last_up_to(
    moments: NDArray[Any], time: NDArray[Any], group: IntArray, n_groups: int
) -> IntArray:
    """Row of each group's last time that is not after each moment, (n_groups, m); -1: none.

    ``time``, ``group``: shape (n_rows,), sorted by group, then time; ``moments``: (m,), rising.
    """
    # the first moment that has each row behind it
    place = group * (moments.size + 1) + np.searchsorted(moments, time)
    counts = np.bincount(place, minlength=n_groups * (moments.size + 1))
    behind = counts.reshape(n_groups, -1)[:, :-1].cumsum(axis=1)
    last = offsets_of(group, n_groups)[:-1, None] + behind - 1
    return np.where(behind > 0, last, -1)
