"""One sentence per verdict, word for word."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from afterclear.digest.common.attempt_reasons import attempt_reason, what_settles
from afterclear.digest.input.row_types import Attempt, Evidence
from afterclear.reasons import EvidenceReason as R
from afterclear.wording.cells import Cells
from tests.digest.rows_fixture import attempt, episode, evidence

MAY_3 = datetime(2025, 5, 3, 10, tzinfo=UTC)
MAY_9 = datetime(2025, 5, 9, 10, tzinfo=UTC)

RETURNED = attempt(
    outcome="came_back",
    returned_at=MAY_3,
    returned_scan_id="S-102",
    returned_low_km=310.0,
    returned_high_km=420.0,
    p_same_fault=0.96,
    p_worn=0.0,
    p_new=0.04,
)
CLEAN = {"clean_km": 5_200.0, "last_clean_at": MAY_9, "last_clean_scan_id": "S-9"}
TWO_CLEAN = (
    evidence("clean", "S-9", 9, 46_400),
    evidence("clean", "S-8", 4, 44_000),
)

SENTENCES: list[tuple[Attempt, tuple[Evidence, ...], str]] = [
    (
        RETURNED,
        (evidence("returned", "S-102", 3, 41_420),),
        (
            "Came back: scan S-102 on 3 May 2025 at 41,420 km showed P0301 again, "
            "between 310 and 420 km after the repair; most likely the fix did not hold: 95 % "
            "(a new fault 5 %)."
        ),
    ),
    (
        RETURNED,
        (),
        (
            "Came back: scan S-102 on 3 May 2025 showed P0301 again, between 310 and 420 km after "
            "the repair; most likely the fix did not hold: 95 % (a new fault 5 %)."
        ),
    ),
    (
        attempt(
            outcome="came_back",
            kind="clear_only",
            returned_at=MAY_3,
            returned_scan_id="S-102",
            returned_low_km=0.0,
            returned_high_km=420.0,
            related_code="P0300",
            p_same_fault=0.31,
            p_worn=0.0,
            p_new=0.69,
        ),
        (),
        (
            "Came back: scan S-102 on 3 May 2025 showed P0300, a code of the same component as "
            "P0301, within 420 km after the clear; most likely a new fault: 70 % (the old fault "
            "30 %)."
        ),
    ),
    (
        replace(
            RETURNED,
            returned_low_km=31_000.0,
            returned_high_km=34_000.0,
            p_same_fault=0.02,
            p_worn=0.8,
            p_new=0.18,
        ),
        (),
        (
            "Came back: scan S-102 on 3 May 2025 showed P0301 again, between 31,000 and 34,000 km "
            "after the repair; most likely the part has worn out: 80 % (a new fault "
            "20 %)."
        ),
    ),
    (
        replace(RETURNED, p_same_fault=0.49, p_worn=0.3, p_new=0.21),
        (),
        (
            "Came back: scan S-102 on 3 May 2025 showed P0301 again, between 310 and 420 km after "
            "the repair; the cause is not clear: the fix did not hold 50 % (part worn out 30 %, a "
            "new fault 20 %)."
        ),
    ),
    (
        replace(RETURNED, kind="clear_only"),
        (),
        (
            "Came back: scan S-102 on 3 May 2025 showed P0301 again, between 310 and 420 km after "
            "the clear; most likely the old fault: 95 % (a new fault 5 %)."
        ),
    ),
    (
        attempt(outcome="came_back", stayed=True),
        (evidence("stayed", "S-55", 3, 41_001), evidence("returned", "S-56", 4, 41_300)),
        (
            "Never gone: scan S-55 on 3 May 2025 at 41,001 km still showed P0301 in the same visit "
            "as the repair."
        ),
    ),
    (
        attempt(outcome="came_back", stayed=True, kind="clear_only"),
        (evidence("stayed", "S-55", 3, reason=R.STILL_THERE_UNCLEARED),),
        (
            "Never gone: scan S-55 on 3 May 2025 still showed P0301 after the clear, "
            "with no clear and no scan without it in between."
        ),
    ),
    (
        attempt(outcome="came_back", stayed=True, returned_scan_id="S-7", returned_at=MAY_3),
        (),
        "Never gone: scan S-7 on 3 May 2025 still showed P0301 after the repair.",
    ),
    (
        attempt(outcome="held", p_not_held=0.02, **CLEAN),
        TWO_CLEAN,
        (
            "Held: 2 scans read the engine control unit without P0301 over 5,200 km since the "
            "repair, most recently scan S-9 on 9 May 2025 at 46,400 km; chance that it did not "
            "hold 2 %."
        ),
    ),
    (
        attempt(outcome="on_watch", p_not_held=0.14, km_to_go=2_100.0, **CLEAN),
        TWO_CLEAN[:1],
        (
            "On watch: scan S-9 on 9 May 2025 at 46,400 km read the engine control unit without "
            "P0301 over 5,200 km since the repair; chance that it did not hold 14 %; counts as "
            "fixed after about 2,100 km more without it."
        ),
    ),
    (
        attempt(
            outcome="on_watch",
            p_not_held=0.14,
            km_to_go=900.0,
            clock="days",
            ended_at=MAY_9,
            **CLEAN,
        ),
        (),
        (
            "On watch: scan S-9 on 9 May 2025 read the engine control unit without P0301 over "
            "5,200 km (estimated from days) since the repair; chance that it did not hold 14 %; "
            "observation ended on 9 May 2025, when the fault was worked on again."
        ),
    ),
    (
        attempt(),
        (),
        "Unchecked: no scan of the engine control unit since the repair on 1 Apr 2025.",
    ),
    (
        attempt(ecu=None),
        (),
        (
            "Unchecked since the repair on 1 Apr 2025: no scan has ever shown this code, so it is "
            "not known which control unit to look in."
        ),
    ),
    (
        attempt(),
        (evidence("no_evidence", "S-1", 3, 41_100, reason=R.NO_ANSWER),),
        (
            "Unchecked: 1 scan since the repair says nothing (scan S-1 on 3 May 2025 at 41,100 km: "
            "the control unit did not answer)."
        ),
    ),
    (
        attempt(),
        tuple(evidence("no_evidence", f"S-{i}", i, reason=R.ACTIVE_ONLY) for i in range(1, 6)),
        (
            "Unchecked: 5 scans since the repair say nothing (scan S-1 on 1 May 2025: active codes "
            "only: absence proves nothing; scan S-2 on 2 May 2025: active codes only: absence "
            "proves nothing; scan S-3 on 3 May 2025: active codes only: absence proves nothing; "
            "and 2 more)."
        ),
    ),
]


@pytest.mark.parametrize(("row", "rows", "sentence"), SENTENCES)
def test_each_verdict_names_its_scans(
    row: Attempt, rows: tuple[Evidence, ...], sentence: str
) -> None:
    assert attempt_reason(row, rows).replace("\u00a0", " ") == sentence


def test_a_return_that_the_unit_itself_dates_says_whose_reading_it_is() -> None:
    """The odometer at the scan would give another distance."""
    seen = evidence("returned", "S-102", 3, 41_900, reason=R.FIRST_SEEN_EARLIER)
    text = attempt_reason(RETURNED, (seen,)).replace("\u00a0", " ")
    assert "310 and 420 km after the repair, by the unit's own record of where it began" in text


def test_what_no_scan_covers_is_named_beside_the_distance_of_a_return() -> None:
    """P-202 of the demo: back "within 7,635 km after the repair", seen 11,820 km after it."""
    seen = evidence("returned", "S-102", 3, 45_420)
    text = attempt_reason(replace(RETURNED, attempted_km=41_000.0), (seen,)).replace("\u00a0", " ")
    assert "310 and 420 km after the repair, not counting 4,000 km that no scan covers" in text


def test_a_chance_near_the_limit_says_on_which_side_it_lies() -> None:
    """Still on watch at "5 %", where less than 5 % is held, would contradict itself."""
    row = attempt(outcome="on_watch", p_not_held=0.0516, **CLEAN)
    assert "did not hold 5.2 %" in attempt_reason(row, TWO_CLEAN).replace("\u00a0", " ")


def test_a_fix_of_a_sold_vehicle_is_on_watch_no_more() -> None:
    """Nobody scans it for us, so no distance that is still to go is promised."""
    row = attempt(outcome="on_watch", p_not_held=0.13, km_to_go=2400.0, **CLEAN)
    text = attempt_reason(row, TWO_CLEAN, is_sold=True).replace("\u00a0", " ")
    assert text.startswith("Not proven: 2 scans read")
    assert text.endswith("chance that it did not hold 13 %.")


def test_a_neighbour_code_that_showed_up_since_is_told_with_the_verdict() -> None:
    """Story P-209: the repaired code stayed away, another of the same component did not."""
    row = attempt(outcome="held", p_not_held=0.02, related_code="C0031-2F", **CLEAN)
    text = attempt_reason(row, TWO_CLEAN, related=episode("C0031-2F", MAY_3))
    assert text.replace("\u00a0", " ").endswith(
        "chance that it did not hold 2 %; C0031-2F of the same component first seen on 3 May 2025."
    )


def test_distances_are_in_the_readers_unit() -> None:
    text = attempt_reason(RETURNED, (), Cells("mi")).replace("\u00a0", " ")
    assert "between 193 and 261 mi after the repair" in text


SETTLES = [
    ((), "any scan that reads this control unit after some driving"),
    (
        (evidence("no_evidence", reason=R.NO_ANSWER),),
        "find out why the control unit does not answer, then scan it again",
    ),
    (
        (evidence("no_evidence", reason=R.ACTIVE_ONLY),),
        "a scan that reads stored codes, not only active ones",
    ),
    (
        (evidence("no_evidence", reason=R.SELF_TEST_INCOMPLETE, monitor="catalyst"),),
        "a scan after enough driving for the vehicle's self-test to finish",
    ),
    (
        (
            evidence(
                "no_evidence", reason=R.TOO_SOON_AFTER_CLEAR, since_clear_km=12.0, needed_km=30.0
            ),
        ),
        "a scan after more driving",
    ),
    (
        (evidence("sign", reason=R.PENDING_ONCE),),
        "one more scan: a code pending once is a sign, not yet a return",
    ),
    (
        (
            evidence(
                "no_evidence",
                "S-2",
                9,
                reason=R.TOO_SOON_AFTER_CLEAR,
                since_clear_km=12.0,
                needed_km=30.0,
            ),
            evidence("no_evidence", "S-1", 3, reason=R.NO_ANSWER),
        ),
        "a scan after more driving",
    ),
]


@pytest.mark.parametrize(("rows", "wanted"), SETTLES)
def test_the_latest_silence_says_what_would_settle_it(
    rows: tuple[Evidence, ...], wanted: str
) -> None:
    assert what_settles(rows) == wanted
