"""The roles of a bucket's codes, once the fleet's pairs are known."""

from pathlib import Path
from typing import Any, Final

from afterclear.commands.lake.bucket_histories import EXPORTS_FOLDER
from afterclear.commands.lake.bucket_job import Plan, Task, worked
from afterclear.commands.queries.exporting import write_export
from afterclear.histories.build_histories import set_rules
from afterclear.lake.bucket_store import leave_tables, take_tables
from afterclear.store.engine.database import query
from afterclear.store.engine.parquet_files import readable
from afterclear.store.engine.passing import passing_store

# What roles are told from ...
_READ: Final = (
    "known_units", "scan_moments", "unit_patterns", "sightings", "episodes", "attempts",
    "clears_placed", "vehicle_words",
)  # fmt: skip
# ... and what they leave, each vehicle's own.
ROLE_TABLES: Final = ("roles", "leftovers", "echo_work", "echo_fixes")
EXPORTED: Final = ("roles",)


def tell_bucket_roles(lake: str, plan: str, number: int) -> dict[str, Any]:
    """Tell the roles of a bucket's codes, unless they are there; tell what it took."""
    return worked(lake, plan, number, lambda task: task.roles, _leave)


def _leave(lake: Path, plan: Plan, task: Task, folder: Path) -> None:
    from afterclear.findings.roles.find_roles import tell_roles  # noqa: PLC0415
    from afterclear.findings.roles.pair_evidence import called_pairs, number_units  # noqa: PLC0415
    from afterclear.findings.roles.role_facts import FactBook  # noqa: PLC0415

    with passing_store() as con:
        take_tables(con, lake / task.histories, _READ)
        set_rules(con, plan.rules)
        with readable(con, [lake / plan.pairs]) as source:
            pairs = called_pairs(query(con, f"FROM {source}"))
        book = FactBook(plan.catalogue(lake))
        number_units(con, book)
        tell_roles(con, book, pairs)
        leave_tables(con, folder, ROLE_TABLES)
        for table in EXPORTED:
            write_export(con, table, "parquet", folder / EXPORTS_FOLDER / f"{table}.parquet")
