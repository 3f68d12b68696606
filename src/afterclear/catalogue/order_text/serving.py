"""Consumables read as parts: oil, filters and hoses, which are no component that codes name.

They are bound to work apart from the components, so that neither is taken for the other.
"""

from dataclasses import replace

from afterclear.catalogue.order_text.told import Clause


def with_consumables(clauses: list[Clause]) -> list[Clause]:
    """Copy clauses so that their consumables are parts; what work is bound to is changed in both.

    Empty: none of them names one.
    """
    if not any(c.used for c in clauses):
        return []
    return [_with_own(c) for c in clauses]


def _with_own(clause: Clause) -> Clause:
    places = {axis: set(values) for axis, values in clause.places.items()}
    if not clause.used:
        return replace(clause, places=places)
    stems = {s for part in clause.used for s in part.stems}
    return replace(
        clause,
        parts=[*clause.parts, *clause.used],
        places=places,
        acts=clause.acts or clause.used_acts,
        loose=max(0, clause.loose - len(clause.used_words)),
        strange=max(0, clause.strange - len(clause.used_words)),
        heads=clause.heads - stems,
        named_others=clause.named_others and not clause.only_used,
        part_of=clause.part_of and not clause.only_used,
        others=clause.others - stems,
    )
