"""Page model for the fleet manager.  Frozen numbers and sentences; no HTML here."""

from dataclasses import dataclass

from afterclear.digest.audience.costs import CostView
from afterclear.digest.audience.fault_findings import FaultFindings
from afterclear.digest.audience.sections import SectionView
from afterclear.digest.common.cure_lines import CuresView
from afterclear.digest.common.forecast_lines import ComingView
from afterclear.digest.common.model import (
    AttemptView,
    Changes,
    ComebackCost,
    DataNotes,
    PageHead,
    Tally,
)
from afterclear.digest.common.rise_lines import RisesView
from afterclear.digest.common.worklist_lines import Work
from afterclear.digest.input.frames import Caution
from afterclear.digest.sheet.not_again import NotAgain


@dataclass(frozen=True, slots=True)
class FleetPage:
    """The fleet manager's page.  Lists are their first ``MOST``; an ``n_`` counts them all."""

    head: PageHead
    n_vehicles: int
    work: Work
    changes: Changes | None  # None: there was no previous digest
    tallies: tuple[Tally, ...]
    year: tuple[Tally, ...]  # by quarter
    failed: tuple[AttemptView, ...]  # came back within the look-back time, not worked on again
    n_failed: int
    failed_again: tuple[AttemptView, ...]  # ... and worked on again since
    n_failed_again: int
    n_failed_before: int  # came back earlier than that
    on_watch: tuple[AttemptView, ...]  # soonest to be proven first
    n_on_watch: int
    unchecked: tuple[AttemptView, ...]
    n_unchecked: int
    costs: tuple[ComebackCost, ...]
    n_failed_without_cost: int
    look_back_days: int
    quiet_days: int
    notes: DataNotes
    faults: FaultFindings
    sections: tuple[SectionView, ...]
    cures: CuresView | None  # None: nothing was tried often enough
    coming: ComingView | None  # None: nothing can be forecast
    rises: RisesView | None  # None: no rate rose
    not_again: tuple[NotAgain, ...]  # parts that are short-lived, the worst
    spent: CostView | None  # None: no work order lies in the period
    n_set_aside: int  # lines that a person's decision took off it

    @property
    def cautions_above(self) -> tuple[Caution, ...]:
        """Cautions that stand before the sections of findings, which do not repeat them."""
        return (*self.work.cautions, *(c for part in self.not_again for c in part.cautions))
