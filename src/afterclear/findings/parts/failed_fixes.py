"""Whether a part was removed because its own fix had failed, not because it was worn.

Example: a plug is fitted for a code, the code is back after 400 km, a plug is fitted again. Most
likely the first plug was sound and the cause is another. The probabilities of the verdicts identify
such ends (``Followed.units``: ``not_held``), whatever reason the second order gives: whoever fits a
part again assumes that the old one has failed (common practice, no source).

Other attempts, such as a clear, may lie between the two orders: the probability that the fault was
there all along is the product over all of them.
"""

from importlib.resources import files

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.findings.common.tables import forget
from afterclear.store.engine.database import Connection, create_temp_table, query

_SQL = files("afterclear.findings") / "sql" / "failed_fixes.sql"
_ORDERS = ["vehicle_id", "fitted_repair_id", "removed_repair_id", "component"]


def put_fault_chains(con: Connection) -> None:
    """Fill the temporary tables that ``fixes_that_failed`` reads; needs ``order_parts``."""
    con.script(_SQL.read_text(encoding="utf-8"))


def forget_fault_chains(con: Connection) -> None:
    """Drop these tables."""
    forget(con, ("fault_chains", "aimed_parts"))


def fixes_that_failed(con: Connection, units: pl.DataFrame) -> FloatArray:
    """P(the part's own fix had failed when the part was removed), shape (n_units,).

    NaN: the two orders were not for the same fault, or no return was seen between them.
    """
    asked = units.select(_ORDERS).with_row_index("unit").drop_nulls()
    if not len(asked):
        return np.full(len(units), np.nan)
    create_temp_table(con, "part_ends", asked)
    chances = query(
        con,
        """SELECT e.unit, max(exp(b.log_before - a.log_before)) AS p
           FROM part_ends e
           JOIN aimed_parts p ON p.vehicle_id = e.vehicle_id AND p.repair_id = e.fitted_repair_id
               AND p.component = e.component
           JOIN fault_chains a ON a.fault = p.fault AND a.repair_id = e.fitted_repair_id
           JOIN fault_chains b ON b.fault = a.fault AND b.repair_id = e.removed_repair_id
               AND b.attempt_no > a.attempt_no AND b.n_unseen_before = a.n_unseen_before
           GROUP BY e.unit""",
    )
    forget(con, ("part_ends",))
    chance = np.full(len(units), np.nan)
    chance[chances["unit"].to_numpy()] = chances["p"].to_numpy()
    return chance
