"""What the fleet's own orders say of which work is for which codes, beside ``config/cures.csv``.

Counted are orders that say it by themselves: their codes are of one component, their work is on
one.  Whether a fix held plays no part, nor does any analysis before: the same orders always give
the same links.  Where these change, histories are built anew, as after a change of the table.
"""

from collections.abc import Sequence
from datetime import datetime
from importlib.resources import files
from typing import Final

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.component import component_of, is_stand_alone
from afterclear.estimators.codes.association import association, pair_tables
from afterclear.findings.common.tables import forget, keep
from afterclear.store.engine.database import Connection, create_temp_table, query
from afterclear.store.merging.order_codes import CODES
from afterclear.store.queries.results import naive

_SQL = files("afterclear.findings") / "sql" / "cure_links.sql"
_FEWEST: Final = 5  # vehicles with the pair (own judgement)
# chance that any pair of a fleet without links is taken for one, at each look
_ERROR: Final = 0.001
_LISTED = f"""
    CREATE OR REPLACE TEMP TABLE listed_on_orders AS
    SELECT DISTINCT r.vehicle_id, r.repair_id, v.make, unnest({CODES}) AS code
    FROM store.repairs r LEFT JOIN store.vehicles v USING (vehicle_id)
    WHERE r.codes IS NOT NULL AND r.repaired_at <= getvariable('orders_until')"""
_PARTS = """
    SELECT DISTINCT part_family, position FROM store.repairs
    WHERE part_family IS NOT NULL AND repaired_at <= getvariable('orders_until') ORDER BY ALL"""
_COUNTS = """
    WITH works AS (SELECT work, count(*) AS n_work FROM plain_orders GROUP BY work),
    faults AS (SELECT fault, count(*) AS n_fault FROM plain_orders GROUP BY fault)
    SELECT work, fault, count(*)::INTEGER AS n_both, any_value(n_work)::INTEGER AS n_work,
        any_value(n_fault)::INTEGER AS n_fault,
        (SELECT count(*) FROM plain_orders)::INTEGER AS n_all
    FROM plain_orders JOIN works USING (work) JOIN faults USING (fault)
    WHERE work <> fault
    GROUP BY ALL ORDER BY work, fault"""
_PUT = ("listed_on_orders", "code_components", "part_components", "plain_orders")


def learn_links(
    con: Connection, catalogue: Catalogue, until: datetime
) -> tuple[tuple[str, str], ...]:
    """Replace ``cure_links``; give the pairs that count beside the table."""
    con.execute("SET VARIABLE orders_until = ?", [naive(until)])
    _put_components(con, catalogue)
    con.script(_SQL.read_text(encoding="utf-8"))
    counts = query(con, _COUNTS)
    n_works, n_faults = query(
        con, "SELECT count(DISTINCT work), count(DISTINCT fault) FROM plain_orders"
    ).row(0)
    forget(con, _PUT)
    if not len(counts):
        keep(con, "cure_links", None)
        return ()
    rows = _tested(counts, n_works * n_faults, frozenset(catalogue.cures))
    names = {key: each.label for key, each in catalogue.lexicon.components.items()}
    keep(
        con,
        "cure_links",
        rows.with_columns(
            work_label=pl.col("work").replace_strict(names),
            label=pl.col("fault").replace_strict(names),
        ),
    )
    linked = rows.filter(pl.col("counts") == "orders")
    return tuple(linked.select("work", "fault").iter_rows())


def _put_components(con: Connection, catalogue: Catalogue) -> None:
    """Load the components of listed codes and of parts; none where it is not known."""
    con.execute(_LISTED)
    codes = query(con, "SELECT DISTINCT make, code FROM listed_on_orders ORDER BY ALL")
    found = [
        (make, code, _component(catalogue.family(code, None, make).key))
        for make, code in codes.iter_rows()
    ]
    create_temp_table(con, "code_components", _frame(("make", "code", "component"), found))
    parts = [
        (part, position, _component(catalogue.part_family(part, position).key))
        for part, position in query(con, _PARTS).iter_rows()
    ]
    columns = ("part_family", "position", "component")
    create_temp_table(con, "part_components", _frame(columns, parts))


def _component(family: str) -> str | None:
    return None if is_stand_alone(family) else component_of(family)


def _frame(columns: tuple[str, ...], rows: Sequence[tuple[str | None, ...]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=dict.fromkeys(columns, pl.String), orient="row")


def _tested(counts: pl.DataFrame, n_pairs: int, known: frozenset[tuple[str, str]]) -> pl.DataFrame:
    """Say of each pair whether it counts: by the table, by the orders, or not."""
    both, work, fault, every = (
        counts[name].to_numpy() for name in ("n_both", "n_work", "n_fault", "n_all")
    )
    tables = pair_tables(both, work - both, fault - both, every - work - fault + both)
    p_value = pl.Series("p_value", association(tables).p_more)
    told = pl.Series([pair in known for pair in counts.select("work", "fault").iter_rows()])
    sure = (pl.col("p_value") * n_pairs < _ERROR) & (pl.col("n_both") >= _FEWEST)
    return counts.with_columns(p_value).with_columns(
        counts=pl.when(told)
        .then(pl.lit("table"))
        .when(sure)
        .then(pl.lit("orders"))
        .otherwise(pl.lit("not_sure"))
    )
