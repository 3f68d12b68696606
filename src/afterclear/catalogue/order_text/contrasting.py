"""Work told by what it was not: "cat not renewed, only the probe", "sensor kept, gap set".

What "not" stands before was done with the part after "only", and what is told of no other part was
done with the part that was kept.
"""

from dataclasses import replace
from typing import Final

from afterclear.catalogue.order_text.told import Act, Clause

_REACH: Final = 2  # clauses between work that was denied and the part it was done with
_BY_HAND: Final = {"adjust", "clean"}  # done with a part that was not renewed
_ON_OLD: Final = _BY_HAND | {"software", "inspect"}  # done with one that is told to stay


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
