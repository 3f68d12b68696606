"""What would make a vehicle in stock ready: a step for each reason, in the reader's words.  Pure.

Steps come in the order a dealer would take them: whatever concerns safety, papers (an answer may
decide whether work pays), work, driving, one scan of every unit.  Order and steps are our own
judgement.  No step promises the verdict: the next scan decides.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import IntEnum
from typing import Final

from afterclear.reasons import STOCK_PARAMETERS, Facts, StockReason
from afterclear.wording.cells import Cells
from afterclear.wording.code_words import says_what_failed
from afterclear.wording.facts import filled, written
from afterclear.wording.language import mark

R = StockReason


class Stage(IntEnum):
    """When a step is taken."""

    SAFETY = 0
    PAPERS = 1
    WORK = 2
    DRIVE = 3
    SCAN = 4


@dataclass(frozen=True, slots=True)
class Asked:
    """What a reason asks for; a stage without a sentence is worded once for all its reasons."""

    stage: Stage
    do: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: a short sentence, and what a person needs to know beside it."""

    do: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Found:
    """A reason of the audit, with the distance it asks for, counted from the last scan."""

    reason: StockReason
    facts: Facts = field(default_factory=dict)
    km: float | None = None


@dataclass(frozen=True, slots=True)
class LastScan:
    """Where distances to drive are counted from."""

    scan_id: str
    at: datetime
    shown_km: float | None  # the odometer as shown; None: not read
    driven_km: float  # since then, by a later reading; 0 if there is none
    read_at: datetime | None = None  # of that later reading


_PAPERS = Asked(
    Stage.PAPERS,
    mark("Ask for papers on the odometer."),
    mark(
        "An order for a replaced instrument cluster, or earlier inspections and invoices, would "
        "explain it."
    ),
)
_DRIVE, _SCAN = Asked(Stage.DRIVE), Asked(Stage.SCAN)

STEPS: Final[Mapping[StockReason, tuple[Asked, ...]]] = {
    R.NO_SCAN: (_SCAN,),
    R.SCAN_PARTIAL: (_SCAN,),
    R.SCAN_OLD: (_SCAN,),
    R.DRIVEN_SINCE_SCAN: (_SCAN,),
    R.UNIT_SILENT: (
        Asked(Stage.WORK, mark("Find out why the {unit} does not answer.")),
        _SCAN,
    ),
    R.RECENT_CLEAR_EXPLAINED: (_DRIVE,),
    R.RECENT_CLEAR_RECORDED: (_DRIVE,),
    R.RECENT_CLEAR_UNRECORDED: (
        Asked(Stage.PAPERS, mark("Ask what was done when the codes were cleared.")),
        _DRIVE,
    ),
    R.MONITORS_INCOMPLETE_ALLOWED: (),
    R.MONITORS_INCOMPLETE: (_DRIVE,),
    R.PERMANENT_CODE_REPAIRED: (_DRIVE,),
    R.PERMANENT_CODE: (
        Asked(Stage.WORK, mark("Have {code} in the {unit} checked and repaired.")),
        _DRIVE,
    ),
    R.OPEN_SAFETY_FAULT: (
        Asked(
            Stage.SAFETY,
            mark("First have {code} in the {unit} repaired, by qualified people."),
            mark("The code says: {meaning}."),
        ),
        _SCAN,
    ),
    R.OPEN_FAULT: (
        Asked(
            Stage.WORK,
            mark("Find and repair {code} in the {unit}."),
            mark("The code says: {meaning}."),
        ),
        _SCAN,
    ),
    R.PENDING_CODE: (_SCAN,),
    R.FIX_UNCHECKED: (_DRIVE,),
    R.FIX_ON_WATCH: (_DRIVE,),
    R.CODE_GONE_WITHOUT_REPAIR: (
        Asked(
            Stage.PAPERS,
            mark("Ask what was done about {code} in the {unit}."),
            mark("Without papers, have it checked, and put that work on record."),
        ),
    ),
    R.ODOMETER_CLUSTER_REPLACED: (),
    R.ODOMETER_DROPPED: (_PAPERS,),
    R.ODOMETER_READING_SET_ASIDE: (),
    R.ODOMETER_BELOW_UNIT_RECORD: (_PAPERS,),
    R.VIN_DIFFERS_UNIT_REPLACED: (
        Asked(Stage.WORK, mark("Have the vehicle's VIN written to the {unit}.")),
        _SCAN,
    ),
    R.VIN_DIFFERS: (
        Asked(
            Stage.PAPERS,
            mark("Ask where the {unit} comes from."),
            mark(
                "If papers show that it was replaced, put that on record and have the vehicle's "
                "VIN written to it."
            ),
        ),
        _SCAN,
    ),
    R.READY: (),
}


def steps_to_ready(found: Sequence[Found], last: LastScan | None, cells: Cells) -> tuple[Step, ...]:
    """Return what to do, first things first, each step once; nothing for a ready vehicle."""
    asked = [(step, each) for each in found for step in STEPS[each.reason]]
    worded = [(step.stage, _step(step, each, cells)) for step, each in asked if step.do]
    steps = [step for _, step in sorted(worded, key=lambda pair: pair[0])]
    stages = {step.stage for step, _ in asked}
    if Stage.DRIVE in stages:
        steps += _drive(found, last, cells, has_work=bool(stages & _WORK))
    if stages & {Stage.SCAN, Stage.DRIVE}:
        steps.append(_scan(found, cells))
    return tuple(dict.fromkeys(steps))


_WORK: Final = frozenset({Stage.SAFETY, Stage.WORK})


def _step(asked: Asked, found: Found, cells: Cells) -> Step:
    kinds = STOCK_PARAMETERS[found.reason]
    do, note = (
        filled((text,), kinds, found.facts, cells) if text else ""
        for text in (asked.do, asked.note)
    )
    if note and not says_what_failed(str(found.facts.get("meaning", ""))):
        note = cells.t("What it means stands in the maker's own documents.")
    return Step(do, note)


def _drive(
    found: Sequence[Found], last: LastScan | None, cells: Cells, *, has_work: bool
) -> list[Step]:
    """Return how far to drive: the reason that asks most sets it."""
    asks = [f for f in found if _DRIVE in STEPS[f.reason]]
    km = max((f.km for f in asks if f.km is not None), default=None)
    if has_work:
        # what was driven before does not count after a clear
        note = cells.t(
            "Self-tests begin anew when codes are cleared; how far to drive is shown here once the "
            "work is on record."
        )
        return [Step(cells.t("Drive after the work."), note)]
    if km is None:
        return [Step(cells.t("Drive until the self-tests have passed."))]
    return [_driven(km, last, cells)] if km > 0 else []


def _driven(km: float, last: LastScan | None, cells: Cells) -> Step:
    """Say how far, from which reading, and what of it is driven already."""
    if last is None or last.shown_km is None:
        return Step(cells.t("Drive about {km} after the last scan.", km=cells.to_drive(km)))
    there = cells.distance(_round_up(last.shown_km + km, cells))
    do = cells.t("Drive until the odometer shows about {there}.", there=there)
    since = cells.t(
        "That is about {km} more than at the scan of {day}, {scan}, which showed {shown}.",
        km=cells.distance(_round_up(km, cells)),
        day=cells.day(last.at),
        scan=last.scan_id,
        shown=cells.distance(last.shown_km),
    )
    if last.driven_km <= 0 or last.read_at is None:
        more = cells.t("Some of it may already be driven: no later reading is known.")
    else:
        more = cells.t(
            "{driven} were driven by the reading of {day}.",
            driven=cells.distance(last.driven_km),
            day=cells.day(last.read_at),
        )
        if last.driven_km >= km:
            do = cells.t("Enough has been driven by now.")
    return Step(do, f"{since} {more}")


def _round_up(km: float, cells: Cells) -> float:
    """Round up to tens of the reader's unit: no rule knows the distance any finer."""
    return math.ceil(cells.shown(km) / 10) * 10 * cells.km_per_unit


def _scan(found: Sequence[Found], cells: Cells) -> Step:
    unread = next((f.facts.get("unread") for f in found if f.reason == R.SCAN_PARTIAL), None)
    note = ""
    if unread:
        note = cells.t("Not read so far: {units}.", units=written(unread, "units", cells))
    return Step(cells.t("Scan every control unit."), note)
