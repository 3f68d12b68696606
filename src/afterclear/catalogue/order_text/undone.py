"""Clauses about work that was not done, or not by the writer, and what they tell of work done.

What "not" stands before was done with the part after "only" ("cat not renewed, only the probe"),
and what is told of no other part was done with the part that was kept ("sensor kept, gap set").
"""

from dataclasses import replace
from itertools import pairwise
from typing import Final

from afterclear.catalogue.order_text.told import Act, Clause

_PARTS_NEW = {"replace", "repair"}  # what "nothing fitted" denies
_REACH: Final = 2  # clauses between work that was denied and the part it was done with
_BY_HAND: Final = {"adjust", "clean"}  # done with a part that was not renewed
_ON_OLD: Final = _BY_HAND | {"software", "inspect"}  # done with one that is told to stay


def void_undone(clauses: list[Clause]) -> None:
    """Make clauses void that tell of work to come, refused, or done by others."""
    _without_swaps(clauses)
    for at, clause in enumerate(clauses):
        rest = [c for c in clauses[at + 1 :] if c.sentence == clause.sentence]
        if "condition" in clause.said:
            for one in (clause, *rest):
                one.void |= not _is_circumstance(clause, rest)
        elif "elsewhere" in clause.said:
            clause.void = True
            _void_until_here([c for c in rest if c.aside] if clause.aside else rest)
        elif "trial" in clause.said or ("denied" in clause.said and not clause.acts):
            clause.void = True
        elif "not_done" in clause.said or "advised" in clause.said:
            is_done = clause.parts and (_is_looked_at(clause) or _is_followed(clause, rest))
            if is_done or _is_heading(clause):
                continue
            clause.void = True
            start = min(clause.said.get(k, 99) for k in ("not_done", "advised"))
            first = at == 0 or clauses[at - 1].sentence != clause.sentence
            if (clause.parts and start < clause.first_part) or (first and not clause.parts):
                _void_on(rest)
            is_bare = not (clause.parts or clause.named_others or clause.strange)
            if is_bare and not _is_of_another_place(clauses[:at], clause):
                _void_back(clauses[:at], clause)


def _without_swaps(clauses: list[Clause]) -> None:
    """Take parts that changed places to find a fault for named only: nothing new was fitted."""
    for before, clause in pairwise(clauses):
        is_place = "cylinder" in clause.places and not (clause.parts or clause.acts)
        if before.swaps and clause.beside and is_place:
            before.swapped = clause.void = True
            clause.places = {}
        # "coils 2 and 3 swapped, misfire moved"
        before.swapped |= before.swaps and clause.wanders and not clause.acts
    for clause in clauses:
        if clause.swapped:
            clause.acts, clause.places, clause.is_state = [], {}, True


def _is_heading(clause: Clause) -> bool:
    """Whether it only says what the visit was for: "before the inspection: bulb renewed"."""
    return clause.topic and not clause.parts and set(clause.said) == {"advised"}


def _is_looked_at(clause: Clause) -> bool:
    """Whether nothing was found on what was looked at: "back pressure measured, no fault"."""
    looked = [a for a in clause.acts if a.action == "inspect" and not a.weak]
    is_advice = "advised" in clause.said
    return bool(looked) and not is_advice and clause.said["not_done"] > looked[-1].start


def _is_followed(clause: Clause, rest: list[Clause]) -> bool:
    """Whether what was advised was done at once: "bearing to be renewed - renewed"."""
    if set(clause.said) != {"advised"} or not rest:
        return False
    told = [c for c in rest if any(not w.text.isdecimal() for w in c.words)]  # not "205"
    after = told[0] if told else rest[0]
    is_bare = not (after.parts or after.said or after.strange or after.named_others)
    return is_bare and any(a.action == "replace" and not a.weak for a in after.acts)


def _is_of_another_place(before: list[Clause], clause: Clause) -> bool:
    """Whether only those elsewhere were not done: "front pads renewed, the rear ones advised"."""
    told = next((c.places for c in reversed(before) if c.places), {})
    return any(
        axis in told and told[axis].isdisjoint(values) for axis, values in clause.places.items()
    )


def _is_circumstance(clause: Clause, rest: list[Clause]) -> bool:
    """Whether "when" only says when a fault is there: "squeals when wet, belt renewed"."""
    is_bare = clause.is_state and not (clause.acts or clause.parts or clause.strange > 1)
    return is_bare and any(not a.weak for c in rest for a in c.acts)


def _void_until_here(rest: list[Clause]) -> None:
    """Drop what another workshop did, up to where the writer's own work begins."""
    for one in rest:
        if one.here:
            return
        one.void = True


def _void_on(rest: list[Clause]) -> None:
    for one in rest:
        if one.begins_here or any(not a.weak for a in one.acts) or (one.used and one.done):
            return
        one.void = True


def _void_back(before: list[Clause], clause: Clause) -> None:
    """Drop work known only from "new" or "replacement": "new turbo, customer declined"."""
    is_met = False
    for one in reversed(before):
        near = one.sentence == clause.sentence or (
            one.sentence == clause.sentence - 1 and clause.said
        )
        is_looked = clause.negated and any(a.action not in _PARTS_NEW for a in one.acts)
        if not near or is_looked or any(not a.weak for a in one.acts):
            return
        if one.good and clause.negated:
            return  # "pads ok, nothing replaced": they were looked at
        if is_met and (clause.negated or one.sentence != clause.sentence):
            return  # what was not done is told of the part before, and of no other
        one.void = True
        is_met = is_met or bool(one.parts)


def contrast(clauses: list[Clause]) -> None:
    """Give parts the work that was denied, or told elsewhere, of the part before them."""
    for at, clause in enumerate(clauses):
        if clause.parts and not clause.acts and (acts := _acts_denied(clauses, at)):
            clause.acts, clause.void, clause.is_state = acts, False, False
            clause.said.clear()
        if clause.kept and clause.parts:
            _take_next(clause, clauses[at + 1 :])


def _acts_denied(clauses: list[Clause], at: int) -> list[Act]:
    """Give what was not done with the part before, or by others, and was with this one."""
    clause = clauses[at]
    is_own = clause.here and not clause.is_state
    if clause.said or not (clause.only or clause.echo or is_own):
        return []
    for before in reversed(clauses[max(0, at - _REACH) : at]):
        is_far = before.sentence < clause.sentence - 1
        denied = [a for a in before.denied if a.action == "replace"]
        acts = denied if clause.only or clause.echo else []
        if is_own and "elsewhere" in before.said:
            acts = acts or before.acts
        if is_far or acts:
            return [] if is_far else [replace(a, start=len(clause.words), weak=False) for a in acts]
    return []


def _take_next(clause: Clause, later: list[Clause]) -> None:
    """Take the work told after a part that was kept: "sensor reused, gap set"."""
    for other in later:
        if other.sentence != clause.sentence or other.parts or other.used or other.said:
            return
        if other.heads or (clause.denied and other.strange):
            return  # it goes on with another thing
        acts = [a for a in other.acts if a.action in (_BY_HAND if clause.denied else _ON_OLD)]
        if acts:
            clause.acts, clause.void = acts, False
            clause.said.clear()
            other.acts = [a for a in other.acts if a not in acts]
            return
