"""What a scan shows of a fix attempt, and what would settle it, in the reader's words.  Pure."""

from typing import Final

from afterclear.reasons import EVIDENCE_PARAMETERS, EvidenceReason
from afterclear.wording.cells import Cells
from afterclear.wording.facts import self_test_words
from afterclear.wording.language import mark

R = EvidenceReason

_FULL = mark("a scan that reads stored codes, not only active ones")
_SELF_TEST = mark("a scan after enough driving for the vehicle's self-test to finish")
_DRIVE = mark("a scan after more driving")
_ODOMETER = mark("a scan with an odometer reading")
_CLEAR = mark("clear the codes after the work, then scan again after some driving")

SAID: Final[dict[EvidenceReason, str]] = {
    R.READ_WITHOUT: mark("read, without the code"),
    R.SHOWN_AGAIN: mark("shows the code again"),
    R.FIRST_SEEN_EARLIER: mark("shows the code again, which the unit itself had seen earlier"),
    R.OTHER_CODE_SHOWN: mark("shows another code of the same circuit: a return"),
    R.OTHER_CODE_LISTED: mark("lists another code of the same circuit: not clean"),
    R.PENDING_ONCE: mark("pending once: a sign, not a return"),
    R.STILL_THERE_SAME_VISIT: mark("still there in the same visit, after the work"),
    R.STILL_THERE_UNCLEARED: mark("still there, and neither a clear nor a scan without it since"),
    R.SAME_VISIT_NO_CLEAR: mark("same visit, and no clear is known yet"),
    R.NOT_DRIVEN_NO_CLEAR: mark("nothing was driven, and no clear is known yet"),
    R.OLD_ENTRY: mark("not active now, and no clear is known since: the old entry"),
    R.TEST_NOT_COMPLETED: mark("its test has not completed since the clear"),
    R.PERMANENT_ALONE: mark("a permanent code alone survives a clear: no return"),
    R.SAME_VISIT_NOT_DRIVEN: mark("same visit: nothing was driven yet"),
    R.NO_ANSWER: mark("the control unit did not answer"),
    R.ACTIVE_ONLY: mark("active codes only: absence proves nothing"),
    R.DISTANCE_UNKNOWN: mark("the distance at this scan is not known"),
    R.CLEAR_DISTANCE_UNKNOWN: mark("the distance since the last clear is not known"),
    R.SELF_TEST_INCOMPLETE: mark("its self-test ({monitor}) has not completed since the clear"),
    R.TOO_SOON_AFTER_CLEAR: mark("only {since_clear_km} since the clear, {needed_km} needed"),
}
# what to do after a scan that is no evidence; reasons with evidence need nothing
SETTLED_BY: Final[dict[EvidenceReason, str]] = {
    R.PENDING_ONCE: mark("one more scan: a code pending once is a sign, not yet a return"),
    R.OTHER_CODE_LISTED: _CLEAR,
    R.SAME_VISIT_NO_CLEAR: _CLEAR,
    R.NOT_DRIVEN_NO_CLEAR: _CLEAR,
    R.OLD_ENTRY: _CLEAR,
    R.TEST_NOT_COMPLETED: _SELF_TEST,
    R.PERMANENT_ALONE: mark("a scan after more driving, so that the permanent code can go away"),
    R.SAME_VISIT_NOT_DRIVEN: _DRIVE,
    R.NO_ANSWER: mark("find out why the control unit does not answer, then scan it again"),
    R.ACTIVE_ONLY: _FULL,
    R.DISTANCE_UNKNOWN: _ODOMETER,
    R.CLEAR_DISTANCE_UNKNOWN: _ODOMETER,
    R.SELF_TEST_INCOMPLETE: _SELF_TEST,
    R.TOO_SOON_AFTER_CLEAR: _DRIVE,
}
SETTLED_BY_ANY: Final = mark("any scan that reads this control unit after some driving")


def evidence_words(
    reason: EvidenceReason,
    cells: Cells,
    *,
    monitor: str | None = None,
    since_clear_km: float | None = None,
    needed_km: float | None = None,
) -> str:
    r"""Return a reason of the histories in the reader's language and units.

    >>> evidence_words(R.TOO_SOON_AFTER_CLEAR, Cells("mi"), since_clear_km=2, needed_km=30)
    'only 1\xa0mi since the clear, 19\xa0mi needed'
    """
    values = {
        "monitor": self_test_words(monitor or "", cells),
        "since_clear_km": cells.distance(since_clear_km),
        "needed_km": cells.distance(needed_km),
    }
    needed = EVIDENCE_PARAMETERS.get(reason, ())
    return cells.t(SAID[reason], **{name: values[name] for name in needed})
