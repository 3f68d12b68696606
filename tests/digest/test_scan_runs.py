"""The scans behind a verdict in few lines, from which nothing that counts is lost."""

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from afterclear.digest.input.row_types import Evidence
from afterclear.digest.output.scan_runs import FINDING_WORDS, finding_words, scan_runs
from afterclear.digest.vehicle.growth import merge_intervals
from afterclear.reasons import EvidenceReason
from afterclear.wording.cells import Cells
from tests.digest.rows_fixture import evidence


def clean(n: int, begin: float, end: float) -> Evidence:
    return evidence("clean", f"S-{n}", n, end, stretch_from_km=begin, stretch_to_km=end)


def lines(*rows: Evidence) -> list[tuple[str, str, int]]:
    return [(run.first.scan_id, run.last.scan_id, run.n) for run in scan_runs(rows, Cells())]


def test_scans_that_say_the_same_one_after_the_other_are_one_line() -> None:
    (run,) = scan_runs([clean(1, 0, 5), clean(2, 5, 9), clean(3, 9, 20)], Cells())
    assert (run.first.scan_id, run.last.scan_id, run.n) == ("S-1", "S-3", 3)
    assert (run.first.stretch_from_km, run.last.stretch_to_km) == (0, 20)
    assert run.words == "Read, without the fault"


def test_a_scan_that_says_something_else_parts_them() -> None:
    silent = evidence("no_evidence", "S-2", 2, 7, reason=EvidenceReason.NO_ANSWER)
    assert lines(clean(1, 0, 5), silent, clean(3, 5, 20)) == [
        ("S-1", "S-1", 1),
        ("S-2", "S-2", 1),
        ("S-3", "S-3", 1),
    ]


def test_a_distance_that_counts_for_nothing_parts_them() -> None:
    assert lines(clean(1, 0, 5), clean(2, 8, 9)) == [("S-1", "S-1", 1), ("S-2", "S-2", 1)]


def test_figures_that_differ_stand_in_lines_of_their_own() -> None:
    soon = [
        evidence(
            "no_evidence",
            f"S-{n}",
            n,
            reason=EvidenceReason.TOO_SOON_AFTER_CLEAR,
            since_clear_km=km,
            needed_km=30.0,
        )
        for n, km in ((1, 4.0), (2, 12.0))
    ]
    assert len(lines(*soon)) == 2


def test_a_fix_without_any_scan_has_no_line() -> None:
    assert lines() == []


# what a scan says, and how far the vehicle was driven before it; "gap": not all of it counts
_KINDS = st.sampled_from(["clean", "gap", "no_evidence", "sign", "returned"])


@given(st.lists(st.tuples(_KINDS, st.integers(20, 3_000))))
def test_lines_hold_every_scan_once_in_order_and_the_same_distance(
    drawn: list[tuple[Any, int]],
) -> None:
    rows: list[Evidence] = []
    km = 0.0
    for n, (kind, driven) in enumerate(drawn):
        begin, km = km + (10.0 if kind == "gap" else 0.0), km + driven
        counts = kind in {"clean", "gap"}
        row = evidence("clean" if counts else kind, f"S-{n}", km=km)
        rows.append(replace(row, stretch_from_km=begin, stretch_to_km=km) if counts else row)
    runs = scan_runs(rows, Cells())
    place = 0
    for run in runs:
        own = rows[place : place + run.n]
        assert (run.first, run.last) == (own[0], own[-1])
        assert {finding_words(row, Cells()) for row in own} == {run.words}
        place += run.n
    assert place == len(rows)
    in_lines = [(run.first.stretch_from_km, run.last.stretch_to_km) for run in runs]
    assert _length(in_lines) == _length([(r.stretch_from_km, r.stretch_to_km) for r in rows])


def _length(stretches: list[tuple[float | None, float | None]]) -> float:
    known = [(low, high) for low, high in stretches if low is not None and high is not None]
    return sum(high - low for low, high in merge_intervals(known))


def test_every_finding_has_its_words() -> None:
    assert finding_words(evidence("clean"), Cells()) == "Read, without the fault"
    assert finding_words(evidence("sign", reason=EvidenceReason.PENDING_ONCE), Cells()) == (
        "Pending once: a sign, not a return"
    )
    silent = evidence("no_evidence", reason=EvidenceReason.NO_ANSWER)
    assert finding_words(silent, Cells()) == "Says nothing: the control unit did not answer"
    assert set(FINDING_WORDS) == {"clean", "returned", "stayed", "sign", "no_evidence"}
