"""The analysis's ranked work list -> lines of the pages.  Pure."""

import json
from collections.abc import Iterable, Mapping

from afterclear.digest.assess import Setting, vehicle_ref
from afterclear.digest.finding_rows import WorkRow
from afterclear.digest.frames import Caution
from afterclear.digest.model import VehicleRef, WorkFacts, WorkItem
from afterclear.digest.rows import Vehicle


def ranked_work(
    rows: Iterable[WorkRow], audience: str, refs: Mapping[str, VehicleRef], setting: Setting
) -> tuple[WorkItem, ...]:
    """List one audience's lines: vehicles to bring in, then those to scan, each by its rank."""
    own = [row for row in rows if row.audience == audience and row.rank is not None]
    own.sort(key=lambda row: (row.kind != "bring_in", row.rank))
    return tuple(ranked_item(row, refs.get(row.vehicle_id), setting) for row in own)


def ranked_item(row: WorkRow, ref: VehicleRef | None, setting: Setting) -> WorkItem:
    """Show one line of the list."""
    return WorkItem(
        vehicle=ref or vehicle_ref(Vehicle(row.vehicle_id)),
        action="bring_in" if row.kind == "bring_in" else "scan",
        safety=row.safety,
        reasons=(),
        cautions=_cautions(row, setting) if row.safety else (),
        facts=WorkFacts(
            deed=row.action,
            because=row.because,
            evidence=row.evidence,
            expected_loss=row.expected_loss,
            currency=row.currency,
            decided=row.decided,
        ),
    )


def _cautions(row: WorkRow, setting: Setting) -> tuple[Caution, ...]:
    codes: list[str] = json.loads(row.codes) if row.codes else []
    found = (caution for code in codes for caution in setting.cautions.get(code, ()))
    return tuple(dict.fromkeys(found))
