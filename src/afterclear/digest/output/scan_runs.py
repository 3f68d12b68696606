"""The scans behind a verdict, those that say the same one after the other in one line.  Pure.

A fix of years has a hundred scans behind it that each say "read, without the fault".  A line names
the first and the last, and how many they are; each of them stands in the history of the vehicle,
with its day, its distance and what it read.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from afterclear.digest.common.attempt_reasons import reason_of
from afterclear.digest.input.row_types import Evidence
from afterclear.wording.cells import Cells, capital
from afterclear.wording.language import mark

FINDING_WORDS: dict[str, str] = {
    "clean": mark("read, without the fault"),
    "returned": mark("showed the fault again"),
    "stayed": mark("still showed the fault"),
    "sign": mark("only a sign"),
    "no_evidence": mark("says nothing"),
}


@dataclass(frozen=True, slots=True)
class ScanRun:
    """Scans of a control unit that say the same of a fix: all from ``first`` to ``last``."""

    first: Evidence
    last: Evidence
    n: int
    words: str

    def goes_on_with(self, row: Evidence, words: str) -> bool:
        """Whether the next scan says the same, its stretch from where the last one ended."""
        is_same = (self.first.finding, self.words) == (row.finding, words)
        return is_same and self.last.stretch_to_km == row.stretch_from_km


def scan_runs(evidence: Iterable[Evidence], cells: Cells) -> list[ScanRun]:
    """Gather scans, in order of time, into as few lines as say the same."""
    runs: list[ScanRun] = []
    for row in evidence:
        words = finding_words(row, cells)
        if runs and runs[-1].goes_on_with(row, words):
            runs[-1] = replace(runs[-1], last=row, n=runs[-1].n + 1)
        else:
            runs.append(ScanRun(row, row, 1, words))
    return runs


def finding_words(row: Evidence, cells: Cells) -> str:
    """Return what a scan shows of an attempt: its own reason, if the histories have one."""
    words = cells.t(FINDING_WORDS[row.finding])
    if row.reason is None:
        return capital(words)
    reason = reason_of(row, cells)
    return capital(f"{words}: {reason}" if row.finding == "no_evidence" else reason)
