"""What was tried on a fault before, and what not to fit again.  Pure.

A part that came back is not wrong for that: one that wore out after a long life may be fitted
again. Counted are parts whose fix most likely did not hold, by the verdict's own chances.
"""

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from afterclear.digest.common.model import AttemptView
from afterclear.digest.input.row_types import Attempt, Repair
from afterclear.digest.sheet.sheet_model import Tried
from afterclear.finding_tables.parts import Part
from afterclear.wording.cells import Cells, capital
from afterclear.wording.code_words import code_words

_RATHER = 0.5  # a cause more likely than all others together, as on the worklist
TWICE = 2  # a third part of the same kind is not tried before the cause is known
_MOST_TELLING = ("came_back", "on_watch", "unchecked", "held")


@dataclass(frozen=True, slots=True)
class Visit:
    """The attempts of one order, or of one clear, at one component."""

    views: tuple[AttemptView, ...]
    fitted: tuple[Repair, ...]  # the order's lines of parts fitted for it

    @property
    def telling(self) -> AttemptView:
        """The attempt that says most about what became of the work."""
        return min(self.views, key=lambda v: _MOST_TELLING.index(v.row.outcome))

    @property
    def did_not_hold(self) -> bool:
        """Whether the fault came back, or never left, most likely because it was not cured."""
        return any(_did_not_hold(view.row) for view in self.views)


def visits_on(
    views: Iterable[AttemptView], repairs: Sequence[Repair], family: str | None
) -> tuple[Visit, ...]:
    """Gather attempts by order or clear, the latest first.

    ``repairs``: the vehicle's orders; ``family``: what the fault is about.
    """
    by_visit: dict[tuple[str, object], list[AttemptView]] = defaultdict(list)
    for view in views:
        row = view.row
        key = ("order", row.repair_id) if row.repair_id else ("clear", row.attempted_at)
        by_visit[key].append(view)
    visits = [
        Visit(tuple(own), _fitted(own[0].row.repair_id, repairs, family))
        for own in by_visit.values()
    ]
    return tuple(sorted(visits, key=lambda v: v.views[0].row.attempted_at, reverse=True))


def tried(visit: Visit, code: str, cells: Cells) -> Tried:
    """Show one visit; ``code``: the fault's own, named only where others were worked on too."""
    view = visit.telling
    codes = tuple(dict.fromkeys(v.row.code for v in visit.views))
    return Tried(
        at=view.row.attempted_at,
        km=view.row.attempted_km,
        clock=view.row.clock,
        done=view.done,
        repair_id=view.row.repair_id,
        site=view.where,
        codes=() if codes == (code,) else codes,
        result=_result(view.row, cells),
    )


def not_to_fit(
    visits: Sequence[Visit], short_lived: Iterable[Part], family: str | None, cells: Cells
) -> Iterator[str]:
    """Say which parts not to fit again: those that failed twice here, and short-lived ones."""
    for lines in _failed_twice(visits, _number):
        first = lines[0]
        yield cells.tn(
            "{part}: fitted {n} time without curing this fault.",
            "{part}: fitted {n} times without curing this fault.",
            len(lines),
            part=_part_name(first.part_number, first.part_brand),
        )
    numbers = {_number(line) for visit in visits for line in visit.fitted}
    for part in short_lived:
        if folded(part.part_number) in numbers or is_of(part, family):
            yield part_said(part, cells)


def part_said(part: Part, cells: Cells) -> str:
    """Say why in one line: whoever stands at the vehicle compares no intervals."""
    failed = cells.tn(
        "{part} is short-lived: {n} of {fitted} failed.",
        "{part} is short-lived: {n} of {fitted} failed.",
        part.n_failed,
        part=_part_name(part.part_number, part.part_brand),
        fitted=cells.number(part.n_fitted),
    )
    if part.b10_high_km is None:
        return failed
    soon = cells.t(
        "One in ten fails by {distance} at the latest.", distance=cells.to_drive(part.b10_high_km)
    )
    return f"{failed} {soon}"


def suspect_words(visits: Sequence[Visit], cells: Cells) -> str | None:
    """Say what to suspect once parts of one kind have not cured a fault twice."""
    kinds = max(_failed_twice(visits, _kind), key=len, default=None)
    if kinds is None:
        return None
    first = kinds[0]
    named = [word for word in (first.part_family, first.position) if word]
    kind = " ".join(named)
    if cells.language != "en":  # as the order has it, where a part of it is not known
        kind = code_words(", ".join(named), cells.words) or kind
    return cells.tn(
        "{part} replaced {n} time without curing it: suspect wiring, connector or the cause "
        "behind it.",
        "{part} replaced {n} times without curing it: suspect wiring, connector or the cause "
        "behind it.",
        len(kinds),
        part=capital(kind or _part_name(first.part_number, first.part_brand)),
    )


def _failed_twice(
    visits: Sequence[Visit], key_of: Callable[[Repair], str | None]
) -> Iterator[list[Repair]]:
    """Yield parts alike that were fitted twice or more without curing the fault, one a visit."""
    failed: dict[str, list[Repair]] = defaultdict(list)
    for visit in visits:
        if visit.did_not_hold:
            for key, line in {key_of(line): line for line in visit.fitted}.items():
                if key:
                    failed[key].append(line)
    return (lines for lines in failed.values() if len(lines) >= TWICE)


def _did_not_hold(row: Attempt) -> bool:
    return row.outcome == "came_back" and (row.stayed or (row.p_same_fault or 0.0) >= _RATHER)


def _result(row: Attempt, cells: Cells) -> str:
    if row.stayed:
        return cells.t("never gone")
    if row.outcome == "came_back":
        words = cells.t("came back")
        if row.returned_high_km is not None:
            after = cells.between(row.returned_low_km, row.returned_high_km, row.clock)
            words = cells.t("came back {when}", when=after)
        if row.related_code and row.related_code != row.code:
            words = cells.t("{result}, as {code}", result=words, code=row.related_code)
        if (row.p_worn or 0.0) >= _RATHER:
            words = cells.t("{result}; the part had most likely worn out", result=words)
        elif (row.p_new or 0.0) >= _RATHER:
            words = cells.t("{result}; most likely a new fault", result=words)
        return words
    if row.outcome == "unchecked" or not row.clean_km:
        return cells.t("no scan has checked it")
    clean = cells.amount(row.clean_km, row.clock)
    if row.outcome == "held":
        return cells.t("held, {distance} clean", distance=clean)
    return cells.t("not proven yet, {distance} clean", distance=clean)


def _fitted(
    repair_id: str | None, repairs: Sequence[Repair], family: str | None
) -> tuple[Repair, ...]:
    """Return an order's parts fitted for a component: its own if there are any, otherwise all.

    A part that by the order sits elsewhere is not among them.
    """
    lines = [r for r in repairs if r.repair_id == repair_id and repair_id and _is_fitted(r)]
    component, _, place = (family or "").partition(":")
    own = [r for r in lines if _folded_words(r.part_family) == component]
    here = [r for r in own or lines if not place or _folded_words(r.position) in {"", place}]
    return tuple(here or own)


def _is_fitted(line: Repair) -> bool:
    words = (line.action or "").split()
    return "replace" in words if words else line.part_number is not None


def is_of(part: Part, family: str | None) -> bool:
    """Whether a part is of the kind that a fault's family names."""
    return bool(family) and part.part_family == (family or "").partition(":")[0]


def _number(line: Repair) -> str | None:
    return folded(line.part_number)


def _kind(line: Repair) -> str | None:
    kind = _folded_words(line.part_family)
    return f"{kind}:{_folded_words(line.position)}" if kind else folded(line.part_number)


def folded(number: str | None) -> str | None:
    """Return a part number without what people write differently."""
    return re.sub(r"[^A-Z0-9]", "", number.upper()) or None if number else None


def _folded_words(words: str | None) -> str:
    return re.sub(r"\W+", "_", (words or "").lower()).strip("_")


def _part_name(number: str | None, brand: str | None) -> str:
    if number and brand:
        return f"{number} ({brand})"
    return number or brand or ""
