"""Why something is said: reasons as codes with numbers, which SQL and rules write.

A reason is stored as its code beside its parameters; ``wording`` makes a sentence of it for one
reader.  Words are never read back.
"""

from enum import StrEnum
from typing import Final


class EvidenceReason(StrEnum):
    """What one later scan says of a fix attempt, and why (``histories/sql/80_evidence.sql``)."""

    READ_WITHOUT = "read_without"
    SHOWN_AGAIN = "shown_again"
    PENDING_ONCE = "pending_once"
    STILL_THERE_SAME_VISIT = "still_there_same_visit"
    STILL_THERE_UNCLEARED = "still_there_uncleared"  # neither a clear nor a scan without it since
    SAME_VISIT_NO_CLEAR = "same_visit_no_clear"
    NOT_DRIVEN_NO_CLEAR = "not_driven_no_clear"
    OLD_ENTRY = "old_entry"  # not active now, and no clear is known since
    TEST_NOT_COMPLETED = "test_not_completed"  # by the code's own status byte
    PERMANENT_ALONE = "permanent_alone"
    SAME_VISIT_NOT_DRIVEN = "same_visit_not_driven"
    NO_ANSWER = "no_answer"
    ACTIVE_ONLY = "active_only"
    DISTANCE_UNKNOWN = "distance_unknown"
    CLEAR_DISTANCE_UNKNOWN = "clear_distance_unknown"
    SELF_TEST_INCOMPLETE = "self_test_incomplete"  # monitor
    TOO_SOON_AFTER_CLEAR = "too_soon_after_clear"  # since_clear_km, needed_km


# a reason's parameters are columns of its row; a reason not named here has none
EVIDENCE_PARAMETERS: Final[dict[EvidenceReason, tuple[str, ...]]] = {
    EvidenceReason.SELF_TEST_INCOMPLETE: ("monitor",),
    EvidenceReason.TOO_SOON_AFTER_CLEAR: ("since_clear_km", "needed_km"),
}
