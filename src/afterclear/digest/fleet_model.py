"""Page model for who answers for the vehicles.  Frozen numbers and sentences; no HTML here."""

from dataclasses import dataclass

from afterclear.digest.fault_findings import FaultFindings
from afterclear.digest.frames import Caution
from afterclear.digest.model import (
    AttemptView,
    Changes,
    ComebackCost,
    DataNotes,
    PageHead,
    Tally,
    WorkItem,
)


@dataclass(frozen=True, slots=True)
class FleetPage:
    """The fleet manager's page."""

    head: PageHead
    n_vehicles: int
    work: tuple[WorkItem, ...]  # bring in before scan, safety first
    cautions: tuple[Caution, ...]  # each once, of all vehicles to do something about
    changes: Changes | None  # None: there was no digest before
    tallies: tuple[Tally, ...]
    failed: tuple[AttemptView, ...]  # came back within the look-back time, current ones first
    n_failed_before: int  # came back earlier than that
    watched: tuple[AttemptView, ...]  # soonest to be proven first
    unchecked: tuple[AttemptView, ...]
    costs: tuple[ComebackCost, ...]
    n_failed_without_cost: int
    look_back_days: int
    quiet_days: int
    notes: DataNotes
    faults: FaultFindings
    ranked: bool  # the list is the analysis's own, by expected cost
    n_set_aside: int  # lines a person's word took off it
