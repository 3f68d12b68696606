"""Single rows for tests: a usual one, with what matters to the test replaced."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Literal

from afterclear.digest.input.row_types import Attempt, Episode, Evidence, Observation

Finding = Literal["clean", "returned", "stayed", "sign", "no_evidence"]

_ATTEMPT = Attempt(
    attempt_id="A-1",
    vehicle_id="HX-1",
    ecu="engine",
    code="P0301",
    family="ignition_coil_1",
    family_label="Ignition coil, cylinder 1",
    meaning="Misfire, cylinder 1",
    kind="repair",
    attempt_no=1,
    repair_id="WO-7",
    site="Northquay",
    technician="M. Orrel",
    attempted_at=datetime(2025, 4, 1, tzinfo=UTC),
    attempted_km=41_000.0,
    outcome="unchecked",
    stayed=False,
    p_not_held=None,
    p_same_fault=None,
    clean_km=0.0,
    clean_days=0.0,
    km_to_go=None,
    returned_low_km=None,
    returned_high_km=None,
    related_code=None,
    scans_used=0,
    clock="km",
    returned_at=None,
    returned_scan_id=None,
    last_clean_at=None,
    last_clean_scan_id=None,
    ended_at=None,
    action="replace",
    parts="ignition coil",
    cost=182.5,
    currency="EUR",
    n_group=34,
    group_returned=9,
)


def attempt(**changed: Any) -> Attempt:
    """Make a repair of a misfire, unchecked unless told otherwise."""
    return replace(_ATTEMPT, **changed)


def evidence(
    finding: Finding, scan_id: str = "S-1", day: int = 3, km: float | None = None, **changed: Any
) -> Evidence:
    """Make one scan's finding on a day of May 2025."""
    seen_at = datetime(2025, 5, day, 10, tzinfo=UTC)
    row = Evidence("A-1", scan_id, seen_at, km, finding, None, None, None)
    return replace(row, **changed)


def episode(code: str, began: datetime, **changed: Any) -> Episode:
    """Make an open episode of a code in the brakes."""
    row = Episode(
        "HX-1", "brakes", code, None, None, None, None, began, None, None, began, None, "open",
        None, None, 1,
    )  # fmt: skip
    return replace(row, **changed)


def observation(seen_at: datetime, km: float | None) -> Observation:
    """Make one look at an engine that answered without a code."""
    return Observation(
        vehicle_id="HX-1",
        scan_id="S-1",
        ecu="engine",
        seen_at=seen_at,
        km=km,
        scan_scope="full",
        visit_reason="routine",
        answered=True,
        memory="stored",
        n_codes=0,
    )
