"""What work cost over a period, by vehicle, site and fault; each number has its orders.

Currencies are never added together. The amount of an order for several faults is divided between
them in equal parts (own judgement: nobody writes down what each took), and what is tied to no fault
has a row of its own: the amounts of vehicles, sites and faults each add up to the whole. An order
whose fix came back counts in full, but of a fault only its own part: what faults had on such orders
and their numbers of orders do not add up.
"""

from datetime import datetime, timedelta
from importlib.resources import files

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.finding_tables.costs import NOT_TIED
from afterclear.findings.common.tables import forget, keep
from afterclear.store.engine.database import Connection, create_temp_table, query

_SQL = files("afterclear.findings") / "sql" / "costs.sql"
_PUT = (
    "cost_components", "order_amounts", "attempt_orders", "order_faults", "fault_shares",
    "priced_orders", "cost_sums",
)  # fmt: skip


def find_costs(con: Connection, catalogue: Catalogue, as_of: datetime, days: int) -> None:
    """Replace ``costs`` and ``cost_orders``: orders of the ``days`` up to ``as_of``.

    Needs verdicts and roles of this analysis, ``order_parts``, the settings of the histories.
    """
    to_at = as_of.replace(tzinfo=None)
    from_at = to_at - timedelta(days=days)
    con.execute("SET VARIABLE cost_from = ?::TIMESTAMP", [from_at])
    con.execute("SET VARIABLE cost_to = ?::TIMESTAMP", [to_at])
    con.execute("SET VARIABLE not_tied = ?", [NOT_TIED])
    create_temp_table(con, "cost_components", _components(con, catalogue))
    con.script(_SQL.read_text(encoding="utf-8"))
    period = {"from_at": from_at, "to_at": to_at, "days": days}
    sums = query(con, "FROM cost_sums ORDER BY ALL")
    keep(con, "costs", sums.with_columns(pl.lit(value).alias(k) for k, value in period.items()))
    keep(con, "cost_orders", query(con, "FROM priced_orders ORDER BY ALL"))
    forget(con, _PUT)


def _components(con: Connection, catalogue: Catalogue) -> pl.DataFrame:
    """Name the component of each family: wheel speed sensors are one, wherever they sit."""
    known = catalogue.lexicon.components
    families = query(con, "SELECT DISTINCT family FROM store.attempts ORDER BY family")["family"]
    rows = [
        (family, component, known[component].label)
        for family in families.drop_nulls()
        if (component := family.partition(":")[0]) in known
    ]
    columns = dict.fromkeys(("family", "fault", "label"), pl.String)
    return pl.DataFrame(rows, schema=columns, orient="row")
