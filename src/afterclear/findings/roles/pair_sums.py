"""Counts of pairs of codes from vehicles elsewhere: left by names, added up, weighed as one fleet.

A fleet in one store is counted part by part into sums (``pair_evidence.py``). A fleet in many
places leaves these sums by names, one set for each place, and whoever has all sets adds them up:
the pairs that come of it are those of one store.
"""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Final

from afterclear.findings.roles.pair_evidence import (
    Pairs,
    compare_pairs,
    name_units,
    sum_pairs,
    weighed_pairs,
)
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.roles.role_parts import forget_parts, role_sql
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.parquet_files import put_rows, readable

SUMS: Final = ("sums_episodes", "sums_together", "sums_read_units", "sums_beside", "sums_both")

_SHOWN: Final = """
CREATE OR REPLACE TEMP TABLE role_shown AS SELECT DISTINCT unit, code FROM sums_episodes
"""


def leave_sums(con: Connection, book: FactBook, folder: Path) -> None:
    """Write the sums of the store's vehicles, a file each, named as in ``SUMS``."""
    sum_pairs(con, book)
    con.script(role_sql("leave"))
    for name in SUMS:
        put_rows(con, f"FROM {name}", folder / f"{name}.parquet")
        con.execute(f"DROP TABLE temp.{name}")
    forget_parts(con)


def summed_pairs(con: Connection, book: FactBook, left: Mapping[str, Sequence[Path]]) -> Pairs:
    """Add up what was left, weigh the pairs, and store all in ``role_pairs``.

    ``left``: the files of each of ``SUMS``. The store has units, attempts and verdicts of the
    whole fleet.
    """
    name_units(con, book)
    with ExitStack() as reading:
        for name, files in left.items():
            source = reading.enter_context(readable(con, files, name))
            con.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS FROM {source}")
        con.execute(_SHOWN)
        con.script(role_sql("units"))
        con.script(role_sql("take"))
        for name in left:
            con.execute(f"DROP VIEW temp.{name}")
    compare_pairs(con)
    return weighed_pairs(con)
