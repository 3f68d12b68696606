"""Where work was done: the places of a clause's parts, its own or those of a clause beside it."""

from afterclear.catalogue.order_text.refitting import BOTH_SIDES
from afterclear.catalogue.order_text.told import Clause, Places


def places_of(clauses: list[Clause], at: int) -> list[Places]:
    """Places of a clause's components: its own, or those of a clause beside it.

    "Pads and discs front": the place after the second part applies to both, as does one before the
    first. A clause of places alone applies to the components before it, otherwise to those after
    it; along axes already given it is one more place: "front left and rear right".
    """
    own = clauses[at]
    beside = [c for c in clauses if c.sentence == own.sentence]
    here = next(n for n, c in enumerate(beside) if c is own)
    after = beside[here + 1] if here + 1 < len(beside) else None
    before = beside[here - 1] if here else None
    if own.places:
        return _with_more(own, before, after, beside[here + 1 :])
    is_led = before and own.joined and -1 < before.last_place < before.first_part
    # "front discs and pads, rears 60 %": a place apart is not theirs
    if after and after.places and (after.joined or after.parts or not is_led):
        shared = after.joined and after.last_place > after.first_part and bool(after.parts)
        if not after.parts or shared:
            return _with_more(after, None, None, beside[here + 2 :])
    if before and before.places and not before.parts:
        return [before.places]
    if before and is_led:
        return places_of(clauses, clauses.index(before))
    return _places_before(clauses, at)


def _places_before(clauses: list[Clause], at: int) -> list[Places]:
    """Take the place of a complaint: "knock front left, drop link renewed"."""
    own = clauses[at]
    beside = [c for c in clauses if c.sentence == own.sentence]
    first = beside[0]
    if first.topic and first.places and all(c is first or not c.places for c in beside):
        return [first.places]  # "Front brakes: pads renewed, calipers cleaned"
    for before in reversed(clauses[:at]):
        told_apart = before.sentence not in (own.sentence, own.sentence - 1)
        if told_apart or before.acts or before.void or before.named_others:
            return []
        if before.places:
            return [before.places]
    return []


def _with_more(
    own: Clause, before: Clause | None, after: Clause | None, later: list[Clause]
) -> list[Places]:
    """Add places from clauses of their own before or after."""
    told = [own.places]
    if before and own.joined and own.first_place == 0 and _is_one_more(before, own):
        told.insert(0, before.places)
    last = own
    for one in later:
        goes_on = one.joined or last.last_place == len(last.words) - 1
        if not goes_on or one.first_place != 0 or one.parts or not _is_one_more(one, own):
            break
        told.append(one.places)
        last = one
    if len(told) == 1 and any(c.acts and not c.parts and c.places == BOTH_SIDES for c in later):
        return [{**own.places, **BOTH_SIDES}]  # "damper left leaks, both renewed"
    if len(told) > 1 or not after or after.parts or after.acts:
        return told
    return [{**after.places, **own.places}]


def _is_one_more(one: Clause, own: Clause) -> bool:
    """Whether a clause without components names another place along the same axes."""
    return (
        not one.parts
        and not one.named_others
        and one.places != own.places
        and one.places.keys() == own.places.keys()
    )
