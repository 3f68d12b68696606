"""Which rise explains which: without the other one's vehicles no more is left than chance brings.

A fleet in which much rises at once has hundreds of rises, and any two may meet; so their onsets and
vehicles are counted by group once for each, and pairs are compared as matrices.
"""

from typing import Final

import numpy as np

from afterclear.estimators.arrays.validation import BoolArray, FloatArray, IntArray
from afterclear.estimators.rates.rising import chance_of_as_many
from afterclear.finding_tables.emerging import ANY_FAULT
from afterclear.findings.rising.found_rise import Found

_CHANCE: Final = (
    0.05  # what is left beside another rise is one of its own below this (own judgement)
)
_MUCH: Final = (
    3.0  # ln of evidence by which a wider group goes before a narrower one (own judgement)
)


def explained_by(found: list[Found], groups: IntArray) -> list[int | None]:
    """Give for each rise the one that explains it, itself explained by none."""
    explains = _explains(found, groups)
    sizes = [int(each.members(groups).sum()) for each in found]
    by: list[int | None] = []
    for j, each in enumerate(found):
        others = [
            i
            for i in np.flatnonzero(explains[:, j]).tolist()
            if not (explains[j, i] and _goes_before(each, sizes[j], found[i], sizes[i], i < j))
        ]
        by.append(max(others, key=lambda i: found[i].rise.evidence) if others else None)
    return [None if at is None else _last(by, j) for j, at in enumerate(by)]


def _last(by: list[int | None], at: int) -> int:
    """Follow what explains what to the end."""
    passed = {at}
    while (up := by[at]) is not None and up not in passed:
        at = up
        passed.add(at)
    return at


def _goes_before(one: Found, size: int, other: Found, others: int, is_later: bool) -> bool:  # noqa: FBT001
    """Whether of two rises that explain each other the first is told.

    A component rather than all together; then the narrower group, unless the wider one has much
    more evidence; then the one with more.
    """
    if (one.fault.name == ANY_FAULT) != (other.fault.name == ANY_FAULT):
        return other.fault.name == ANY_FAULT
    lead = one.rise.evidence - other.rise.evidence
    if size != others and abs(lead) < _MUCH:
        return size < others
    return lead > 0 or (lead == 0 and not is_later)


def _explains(found: list[Found], groups: IntArray) -> BoolArray:
    """Whether what is left of a rise (column) without the vehicles of one (row) is but chance.

    Of one fault the other group's vehicles are left out; of all faults together those on which the
    component's rise began.
    """
    name = np.array([each.fault.name for each in found])
    same = name[:, None] == name
    start = np.array([each.rise.start_day for each in found])
    end = np.array([each.end for each in found])
    meets = (end[:, None] >= start) & (end >= start[:, None])
    of_all = name == ANY_FAULT
    counted = [each.fault.onset_vehicle[each.begun(groups)] for each in found]
    n_left, share_left = _in_other_groups(found, groups, counted)
    expected = np.array([each.rise.expected for each in found]) * share_left
    for j in np.flatnonzero(of_all):
        beside = np.flatnonzero(~of_all & meets[:, j])
        n_left[beside, j] = _on_other_vehicles(counted, beside, int(j), groups.shape[1])
        expected[beside, j] = found[j].rise.expected
    may = meets & (same | of_all) & ~np.eye(len(found), dtype=np.bool_)
    return np.asarray(may & (chance_of_as_many(n_left, expected) > _CHANCE))


def _in_other_groups(
    found: list[Found], groups: IntArray, counted: list[IntArray]
) -> tuple[IntArray, FloatArray]:
    """Onsets of each rise (column), and the share of its vehicles, outside each one's group."""
    n_groups, own = int(groups.max()) + 1, np.array([each.group for each in found])
    shared = {
        each.group: _by_group(groups[:, each.members(groups)], n_groups)[own] for each in found
    }
    members = np.stack([shared[each.group] for each in found], axis=1)
    onsets = np.stack([_by_group(groups[:, each], n_groups)[own] for each in counted], axis=1)
    sizes = np.array([each.size for each in counted])
    return sizes - onsets, 1 - members / members.diagonal()


def _by_group(groups: IntArray, n_groups: int) -> IntArray:
    """Count vehicles by group; those in none of a level come first and are left out."""
    return np.bincount(groups.ravel() + 1, minlength=n_groups + 1)[1:]


def _on_other_vehicles(
    counted: list[IntArray], beside: IntArray, of_all: int, n_vehicles: int
) -> list[int]:
    """Onsets of a rise of all faults on vehicles on which those beside it did not begin."""
    n_left = []
    for i in beside:
        theirs = np.zeros(n_vehicles, dtype=np.bool_)
        theirs[counted[i]] = True
        n_left.append(int((~theirs[counted[of_all]]).sum()))
    return n_left
