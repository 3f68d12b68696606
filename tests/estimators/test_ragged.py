"""Sums and orders inside groups, against plain loops."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from afterclear.estimators.arrays.ragged import (
    Blocks,
    cells_of,
    first_of_group,
    group_sums,
    last_up_to,
    offsets_of,
    order_by_group,
    order_by_time,
    run_starts,
    running_sums,
    sums_before,
    weight_at_risk,
    weight_before,
)

ROWS = st.lists(st.tuples(st.integers(0, 5), st.integers(0, 4)), max_size=40)


def _columns(rows: list[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    group = np.array([row[0] for row in rows], dtype=np.int64)
    return group, np.array([row[1] for row in rows], dtype=np.float64)


@settings(deadline=None)
@given(ROWS)
def test_rows_are_sorted_by_group_then_time_and_stably_if_asked(
    rows: list[tuple[int, int]],
) -> None:
    group, time = _columns(rows)
    stable = order_by_time(time, group, stable=True)
    assert stable.tolist() == sorted(range(len(rows)), key=lambda i: (group[i], time[i], i))
    other = order_by_time(time, group)
    assert sorted(other.tolist()) == list(range(len(rows)))
    assert time[other].tolist() == time[stable].tolist()


def test_more_than_65536_groups_are_sorted_too() -> None:
    group = np.random.default_rng(0).integers(0, 200_000, 50_000)
    order = order_by_group(group, np.arange(50_000))
    assert order.tolist() == np.argsort(group, kind="stable").tolist()


@settings(deadline=None)
@given(ROWS)
def test_running_sums_start_anew_in_each_group(rows: list[tuple[int, int]]) -> None:
    rows = sorted(rows)
    group, value = _columns(rows)
    offsets = offsets_of(group, 7)
    sums, before = running_sums(value, offsets), sums_before(value, offsets)
    for i in range(len(rows)):
        own = value[: i + 1][group[: i + 1] == group[i]]
        assert sums[i] == own.sum()
        assert before[i] == own[:-1].sum()


def test_an_infinite_value_does_not_leave_its_group() -> None:
    sums = running_sums(np.array([1.0, -np.inf, 2.0, 3.0]), np.array([0, 2, 2, 4]))
    assert sums.tolist() == [1, -np.inf, 2, 5]


def test_groups_of_very_unlike_size_take_little_room() -> None:
    """One group of 300,000 among 10,000 of one: a full table would hold 3e9 cells."""
    size = np.ones(10_000, dtype=np.int64)
    size[500] = 300_000
    offsets = np.concatenate(([0], np.cumsum(size)))
    sums = running_sums(np.ones(int(size.sum())), offsets)
    assert sums[offsets[1:] - 1].tolist() == size.tolist()


@settings(deadline=None)
@given(ROWS, ROWS)
def test_weights_before_an_age_and_at_risk_are_those_of_a_loop(
    rows: list[tuple[int, int]], asked: list[tuple[int, int]]
) -> None:
    group, time = _columns(rows)
    at_group, at = _columns(asked)
    time, at = time + 1, at + 1  # ages are above 0
    weight = np.arange(1.0, len(rows) + 1)
    entry = time / 2
    found = weight_before(at, at_group, time, group, weight)
    at_risk = weight_at_risk(at, at_group, (entry, time), group, weight)
    for i in range(len(asked)):
        same = group == at_group[i]
        assert found[i] == weight[same & (time < at[i])].sum()
        assert at_risk[i] == weight[same & (entry < at[i]) & (at[i] <= time)].sum()


@settings(deadline=None)
@given(ROWS)
def test_runs_cells_and_firsts(rows: list[tuple[int, int]]) -> None:
    rows = sorted(rows)
    group, time = _columns(rows)
    starts = run_starts(time, group)
    assert [rows[i] for i in starts] == sorted(set(rows))
    number, first = cells_of(group, time.astype(np.int64))
    assert [rows[i] for i in first] == sorted(set(rows))
    assert [rows[first[k]] for k in number] == rows
    found = first_of_group(time >= 2, offsets_of(group, 7))
    for g in range(7):
        own = [i for i in range(len(rows)) if rows[i][0] == g and rows[i][1] >= 2]
        assert found[g] == (own[0] if own else -1)


@given(rows=ROWS, moments=st.lists(st.integers(-1, 5), max_size=4))
def test_the_last_row_up_to_a_moment_is_the_last_of_its_group(
    rows: list[tuple[int, int]], moments: list[int]
) -> None:
    group, time = _columns(sorted(rows))
    asked = np.array(sorted(moments), dtype=np.float64)
    found = last_up_to(asked, time, group, 7)
    assert found.shape == (7, len(moments))
    for g in range(7):
        for place, moment in enumerate(asked):
            own = np.flatnonzero((group == g) & (time <= moment))
            assert found[g, place] == (own[-1] if own.size else -1)


def test_offsets_count_empty_groups() -> None:
    assert offsets_of(np.array([0, 0, 2]), 4).tolist() == [0, 2, 2, 3, 3]
    assert running_sums(np.empty(0), np.array([0, 0])).size == 0
    assert pytest.approx(sums_before(np.array([2.0]), np.array([0, 1]))) == [0.0]


@given(sizes=st.lists(st.integers(0, 5), max_size=8), seed=st.integers(0, 99))
def test_blocks_sum_as_numbered_rows_do(sizes: list[int], seed: int) -> None:
    """Groups without rows included, first, last or all of them."""
    blocks = Blocks(np.array(sizes, dtype=np.int64))
    group = np.repeat(np.arange(len(sizes)), sizes)
    values = np.random.default_rng(seed).normal(size=group.size)
    assert_allclose(blocks.sums(values), group_sums(values, group, len(sizes)), atol=1e-14)
    assert_array_equal(blocks.spread(np.arange(len(sizes))), group)
