"""A bucket's rows through the histories, and what of its exports needs no other vehicle."""

from pathlib import Path
from typing import Any, Final

from afterclear.commands.lake.bucket_job import LINKS, Plan, Task, worked
from afterclear.commands.queries.exporting import write_export
from afterclear.histories.build_histories import rebuild
from afterclear.lake.bucket_store import leave_tables, take_rows, take_tables
from afterclear.lake.contents import INSTANTS
from afterclear.store.engine.passing import passing_store
from afterclear.store.queries.results import all_vehicle_ids

# Exports of one vehicle's rows and histories alone: no other vehicle, and no verdict, is in them.
EXPORTED: Final = (
    "episodes", "evidence", "odometer", "vehicles", "scans", "clears", "repairs", "order_texts",
)  # fmt: skip
SUMS_FOLDER: Final = "sums"
EXPORTS_FOLDER: Final = "exports"


def build_histories(lake: str, plan: str, number: int) -> dict[str, Any]:
    """Build a bucket's histories, unless they are there; tell what it took."""
    return worked(lake, plan, number, lambda task: task.histories, _leave)


def _leave(lake: Path, plan: Plan, task: Task, folder: Path) -> None:
    """Run the histories of a bucket in a store of its own; leave tables, sums and exports."""
    # these load the estimators, and a command that only fills a lake needs none
    from afterclear.findings.recurrence.recurring import watch_units  # noqa: PLC0415
    from afterclear.findings.roles.pair_sums import leave_sums  # noqa: PLC0415
    from afterclear.findings.roles.role_facts import FactBook  # noqa: PLC0415

    catalogue = plan.catalogue(lake)
    with passing_store() as con:
        take_rows(con, lake, task.pieces, dict.fromkeys(INSTANTS, "true"))
        take_tables(con, lake / plan.settings, LINKS)
        rebuild(con, plan.rules, catalogue, all_vehicle_ids(con), lambda _: None, anew=True)
        watch_units(con, catalogue)
        leave_tables(con, folder)
        leave_sums(con, FactBook(catalogue), folder / SUMS_FOLDER)
        for table in EXPORTED:
            write_export(con, table, "parquet", folder / EXPORTS_FOLDER / f"{table}.parquet")
