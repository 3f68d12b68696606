"""What cured which fault: works compared within the same situation."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final, Literal

from afterclear.finding_tables.declaration import Clause, Finding, Means, counted, mark

Told = Literal["better", "worse", "no_difference", "too_few", "not_side_by_side", "usual"]
JoinedBy = Literal["own", "table", "orders", "neither", "not_known"]
ENOUGH: Final = 5
"""Fewer fixes that can be judged are too few to compare (own judgement)."""
_MATTER: Final = ("better", "worse", "usual")  # a difference is told, or it is told against these


@dataclass(frozen=True, slots=True)
class Cure:
    """One kind of work on one fault: how often it held, and against the usual work."""

    fault: Annotated[str, Means("the component with the fault")]
    label: Annotated[str, Means("what people call it")]
    level: Annotated[
        Literal["work", "grade", "brand"],
        Means("what is compared: `work`, or the same work with parts of one `grade` or `brand`"),
    ]
    work: Annotated[
        str,
        Means(
            "what was done, as action:component with blanks between; `clear`: codes erased only; "
            "`several`: more pieces of work than are told apart; `not_told`: nobody wrote it down"
        ),
    ]
    works_label: Annotated[
        str, Means("names of what was worked on, in the order of `work`, with ; between")
    ]
    part: Annotated[str | None, Means("the grade or brand; empty: all of them")]
    n_fixes: Annotated[int, Means("fixes tried")]
    n_first: Annotated[int, Means("of these, first attempts")]
    n_held: Annotated[int, Means("that held")]
    n_came_back: Annotated[int, Means("whose fault came back, most likely not cured")]
    n_worn_or_new: Annotated[int, Means("that came back, most likely a worn part or a new fault")]
    n_open: Annotated[int, Means("not proven yet, or unchecked")]
    share_held: Annotated[float | None, Means("share that holds; empty: too few", "share")]
    share_low: Annotated[float | None, Means("lower end of its 95 % interval", "share")]
    share_high: Annotated[float | None, Means("upper end", "share")]
    currency: Annotated[str | None, Means("of the costs; empty: none, or several")]
    n_priced: Annotated[int, Means("fixes with an amount in it")]
    cost: Annotated[float | None, Means("mean amount of a fix", "money")]
    cost_per_cure: Annotated[
        float | None, Means("the same over the share that holds: what one cure costs", "money")
    ]
    usual: Annotated[
        str,
        Means(
            "the work most often tried, with its part: it is compared with; `clear`, `not_told`, "
            "`several` only where nothing else was tried"
        ),
    ]
    n_together: Annotated[int, Means("fixes in situations in which both were tried")]
    difference: Annotated[
        float | None, Means("share that holds, less the usual work's, situations alike", "share")
    ]
    difference_low: Annotated[float | None, Means("lower end of its 95 % interval", "share")]
    difference_high: Annotated[float | None, Means("upper end", "share")]
    p_value: Annotated[float | None, Means("of the difference")]
    q_value: Annotated[float | None, Means("share of false differences up to this row")]
    told: Annotated[
        Told,
        Means(
            "`better` or `worse` than the usual work beyond chance, `no_difference`, `too_few`, "
            "`not_side_by_side`: never in one situation, `usual`: the usual work"
        ),
    ]
    joined_by: Annotated[
        JoinedBy,
        Means(
            "why an order that names no code is for this fault if it has this work: it is on its "
            "`own` component, `cures.csv` has it in its `table`, the fleet's `orders` say so (see "
            "`cure_links`), or `neither`: it is for another fault or none; `not_known`: no "
            "component is known for the work, or for the fault"
        ),
    ]


@dataclass(frozen=True, slots=True)
class CureFix:
    """One fix as works are compared by it."""

    fault: Annotated[str, Means("the component with the fault")]
    work: Annotated[str, Means("what was done, as in `cures`")]
    part_brand: Annotated[str | None, Means("of its parts; empty: none, or several")]
    part_grade: Annotated[str | None, Means("of its parts; empty: none, or several")]
    attempt_id: Annotated[str, Means("the fix attempt")]
    vehicle_id: Annotated[str, Means("the vehicle")]
    repair_id: Annotated[str | None, Means("the work order")]
    attempted_at: Annotated[datetime, Means("when")]
    code: Annotated[str, Means("the code it was for")]
    is_repeat: Annotated[bool, Means("the fault had come back before")]
    n_beside: Annotated[int, Means("other components that had a code then")]
    km_band: Annotated[
        int | None, Means("0 under 60,000 km, 1 under 150,000 km, 2 more; empty: not known")
    ]
    p_failed: Annotated[float, Means("chance that it did not hold", "share")]


@dataclass(frozen=True, slots=True)
class CureLink:
    """Work on one component beside codes of another one, on orders that have nothing else."""

    work: Annotated[str, Means("the component worked on")]
    work_label: Annotated[str, Means("what people call it")]
    fault: Annotated[str, Means("the component whose codes the orders name")]
    label: Annotated[str, Means("what people call it")]
    n_both: Annotated[int, Means("vehicles with such an order")]
    n_work: Annotated[int, Means("vehicles with an order for this work and any codes of one kind")]
    n_fault: Annotated[int, Means("vehicles with an order for these codes and any one work")]
    n_all: Annotated[int, Means("vehicles and pairs of work and codes in all")]
    p_value: Annotated[float, Means("chance of as many if work and codes had nothing in common")]
    counts: Annotated[
        Literal["table", "orders", "not_sure"],
        Means(
            "whether an order with this work that names no code is for such codes: `cures.csv` has "
            "the pair in its `table`; the fleet's `orders` show it beyond chance; or `not_sure`"
        ),
    ]


def by_fault(rows: Iterable[Cure]) -> dict[str, tuple[Cure, ...]]:
    """Gather what was tried by the component with the fault."""
    found: dict[str, list[Cure]] = defaultdict(list)
    for row in rows:
        found[row.fault].append(row)
    return {fault: tuple(own) for fault, own in found.items()}


def works_on(rows: Iterable[Cure]) -> tuple[Cure, ...]:
    """Give the works tried on one fault, the most tried first; none where too few are settled."""
    works = sorted((row for row in rows if row.level == "work"), key=lambda row: -row.n_fixes)
    return tuple(works) if sum(map(_settled, works)) >= ENOUGH else ()


def parts_of(rows: Iterable[Cure], work: Cure, level: str) -> tuple[Cure, ...]:
    """Give the brands or grades fitted in one work of which enough is settled, the usual one first.

    None where only one is: it has nothing beside it.
    """
    own = (row for row in rows if (row.level, row.work) == (level, work.work))
    known = (row for row in own if _settled(row) >= (1 if row.told in _MATTER else ENOUGH))
    # by what is told of them: fixes that are open yet change their order every night
    parts = sorted(known, key=lambda row: (row.told != "usual", -_settled(row), row.part or ""))
    return tuple(parts) if len(parts) > 1 else ()


def _settled(row: Cure) -> int:
    return row.n_fixes - row.n_open


def usual_of(works: Iterable[Cure]) -> Cure | None:
    """Give the work that the others are compared with."""
    return next((row for row in works if row.told == "usual"), None)


_METHOD: Final = (
    "logistic model with works and situations drawn towards none, averaged over how far they "
    "spread; open fixes count by their evidence; situations: "
    "code, first or repeat, alone or with other codes, km; differences weighted as by Mantel and "
    "Haenszel over situations both were tried in; Benjamini-Hochberg over the fleet"
)
_SAYS: Final = (
    (
        Clause(
            counted(
                "{n_fixes} fix: {n_held} held, {n_worn_or_new} held until the part wore out or a "
                "new fault began, {n_came_back} came back, {n_open} not proven yet",
                "{n_fixes} fixes: {n_held} held, {n_worn_or_new} held until the part wore out or a "
                "new fault began, {n_came_back} came back, {n_open} not proven yet",
            ),
            count="n_fixes",
        ),
    ),
    (
        Clause(
            mark(
                ". In like situations it holds more often than the usual work: the difference is "
                "{difference_low} to {difference_high}."
            ),
            lambda row: row.told == "better",
        ),
        Clause(
            mark(
                ". In like situations it holds less often than the usual work: the difference is "
                "{difference_low} to {difference_high}."
            ),
            lambda row: row.told == "worse",
        ),
        Clause(mark(". Too few to compare."), lambda row: row.told == "too_few"),
        Clause("."),
    ),
    (
        Clause(
            mark(
                " Orders that have this work and name no code are not for this fault: "
                "`config/cures.csv` has no row for it."
            ),
            lambda row: row.level == "work" and row.joined_by == "neither" and row.n_held >= ENOUGH,
        ),
    ),
)
_LINK_SAYS: Final = (
    (
        Clause(
            counted(
                "On {n_both} of {n_work} vehicle with this work its order named these codes; over "
                "all work it were {n_fault} of {n_all}",
                "On {n_both} of {n_work} vehicles with this work its order named these codes; over "
                "all work it were {n_fault} of {n_all}",
            ),
            count="n_work",
        ),
    ),
    (
        Clause(mark(". `config/cures.csv` has the pair."), lambda row: row.counts == "table"),
        Clause(
            mark(". So orders that have this work and name no code are for such codes, too."),
            lambda row: row.counts == "orders",
        ),
        Clause(mark(". That may be chance.")),
    ),
)
FINDINGS: Final = (
    Finding(
        "cures",
        Cure,
        about="what was tried for each fault and how often it held, within the same situation",
        order="fault, level DESC, n_fixes DESC, work, part",
        says=_SAYS,
        method=_METHOD,
    ),
    Finding(
        "cure_fixes",
        CureFix,
        about="the fixes behind `cures`",
        order="fault, work, attempted_at, attempt_id",
    ),
    Finding(
        "cure_links",
        CureLink,
        about="what the fleet's orders show of which work is for which codes, beside `cures.csv`",
        order="work, fault",
        says=_LINK_SAYS,
        method=(
            "Fisher's exact test, one-sided, over vehicles by pair of work and codes; orders with "
            "codes of one component and work on one; counted below 0.001 over all pairs "
            "(Bonferroni), from 5 vehicles on"
        ),
    ),
)
