"""How sites work: clears instead of repairs, no scan afterwards, the same part again, and costs.

Shares are shown beside those of the other sites; money stays in the currency it was spent in and
counts once for each work order, however many codes the order was for.
"""

from importlib.resources import files

import numpy as np
import polars as pl

from afterclear.estimators.codes.association import association, pair_tables
from afterclear.estimators.rates.clustered_shares import clustered_difference_p
from afterclear.estimators.rates.rates import benjamini_hochberg, exact_share_interval
from afterclear.findings.common.tables import forget, keep
from afterclear.store.engine.database import Connection, query, transaction

Q_BELOW = 0.05
ENOUGH_TO_FLAG = 3
_SQL = files("afterclear.findings") / "sql" / "process.sql"
# tables the SQL file leaves behind; later ones depend on earlier ones
_PUT = (
    "tried", "aimed_orders", "fault_visits", "fitted_again", "parts_in_vain", "come_back_orders",
)  # fmt: skip

# finding -> its pieces of work: site, counts (did it count?), and the columns that identify it
_SHARES = {
    "bare_clears": """
        SELECT site, is_bare AS counts, vehicle_id, repair_id, attempt_id,
            attempted_at AS happened_at, codes AS code, NULL AS what FROM fault_visits""",
    "bare_clears_that_came_back": """
        SELECT site, any_back AS counts, vehicle_id, repair_id, attempt_id,
            attempted_at AS happened_at, codes AS code, NULL AS what
        FROM fault_visits WHERE is_bare""",
    "no_scan_after_repair": """
        SELECT site, NOT is_looked_after AS counts, vehicle_id, repair_id, attempt_id,
            repaired_at AS happened_at, codes AS code, NULL AS what FROM aimed_orders""",
    "part_fitted_again": """
        SELECT o.site, f.repair_id IS NOT NULL AS counts, o.vehicle_id, o.repair_id,
            o.attempt_id, o.repaired_at AS happened_at, o.codes AS code, f.what
        FROM aimed_orders o
        LEFT JOIN (SELECT vehicle_id, repair_id, string_agg(what, ', ' ORDER BY what) AS what
                   FROM fitted_again GROUP BY ALL) f USING (vehicle_id, repair_id)
        WHERE EXISTS (SELECT 1 FROM order_parts p WHERE p.vehicle_id = o.vehicle_id
            AND p.repair_id = o.repair_id AND p.is_fitted)""",
}
_COSTS = {
    "come_backs": """
        SELECT site, vehicle_id, repair_id, attempt_id, repaired_at AS happened_at, codes AS code,
            NULL AS what, cost, currency FROM come_back_orders""",
    "parts_that_changed_nothing": """
        SELECT site, vehicle_id, repair_id, attempt_id, repaired_at AS happened_at, codes AS code,
            what, cost, currency, part_brand, part_number, part_label FROM parts_in_vain""",
}


def find_process(con: Connection) -> int:
    """Replace ``process``, ``process_costs`` and ``process_orders``; return rows flagged.

    Needs ``order_parts``, the settings of the histories, and verdicts.
    """
    con.script(_SQL.read_text(encoding="utf-8"))
    shares = pl.concat(_shares(name, _counted(con, sql)) for name, sql in _SHARES.items())
    keep(con, "process", shares)
    keep(
        con,
        "process_costs",
        pl.concat(
            _added_up(con, sql).with_columns(finding=pl.lit(name)) for name, sql in _COSTS.items()
        ),
    )
    _keep_orders(con)
    forget(con, _PUT)
    return int(shares["flagged"].sum())


def _counted(con: Connection, work: str) -> pl.DataFrame:
    """Count pieces of work by site and vehicle: n that count, n_of all."""
    return query(
        con,
        f"""SELECT site, vehicle_id, count(*) FILTER (counts)::INTEGER AS n,
                count(*)::INTEGER AS n_of
            FROM ({work}) GROUP BY 1, 2 ORDER BY 1, 2""",
    )


def _added_up(con: Connection, work: str) -> pl.DataFrame:
    """Add up money by site and currency, and the orders behind it."""
    return query(
        con,
        f"""SELECT site, currency,
                count(DISTINCT (vehicle_id, repair_id))::INTEGER AS n_orders,
                (count(DISTINCT (vehicle_id, repair_id)) FILTER (cost IS NOT NULL))::INTEGER
                    AS n_priced,
                round(coalesce(sum(cost ORDER BY cost), 0), 2) AS cost
            FROM ({work}) GROUP BY ALL ORDER BY 1, 2""",
    )


def _keep_orders(con: Connection) -> None:
    """Store the pieces of work behind the counts and the money.

    They are copied from table to table: a large fleet has millions, and Python needs none of them.
    """
    with transaction(con):
        con.execute("DELETE FROM store.process_orders")
        for finding, work in (_SHARES | _COSTS).items():
            chosen, columns = ("counts", "EXCLUDE (counts)") if finding in _SHARES else ("true", "")
            con.execute(
                f"""INSERT INTO store.process_orders BY NAME
                    SELECT * {columns}, '{finding}' AS finding
                    FROM ({work}) WHERE {chosen}"""
            )


def _shares(finding: str, vehicles: pl.DataFrame) -> pl.DataFrame:
    """Compare what was counted at each site with the others.

    Work on one vehicle is not independent, so both tests must agree: one on single pieces of work,
    one on vehicles. The larger p counts. Work with an unknown site has its own row: it may belong
    to any site, and is not compared with the others.
    """
    sites = vehicles.group_by("site", maintain_order=True).agg(pl.col("n", "n_of").sum())
    n, n_of = (sites[name].to_numpy().astype(np.float64) for name in ("n", "n_of"))
    known = sites["site"].is_not_null().to_numpy()
    others, others_of = (np.where(known, row[known].sum() - row, 0.0) for row in (n, n_of))
    low, high = exact_share_interval(n, n_of)
    test = association(pair_tables(n, n_of - n, others, others_of - others))
    alone = others_of == 0
    placed = vehicles.with_columns(pl.col("site").rle_id().alias("place")).drop_nulls("site")
    place = placed["place"].to_numpy().astype(np.int64)
    by_vehicle = clustered_difference_p(placed["n"], placed["n_of"], place, len(sites))

    p_value = np.where(alone, np.nan, np.maximum(test.p_value, by_vehicle))
    q_value = benjamini_hochberg(p_value)
    with np.errstate(divide="ignore", invalid="ignore"):
        others_share = others / others_of
        flagged = (q_value < Q_BELOW) & (n / n_of > others_share) & (n >= ENOUGH_TO_FLAG)
    columns = {
        "share": n / n_of,
        "share_low": low,
        "share_high": high,
        "others_share": others_share,
        "odds_ratio": np.where(alone, np.nan, test.odds_ratio),
        "odds_low": np.where(alone, np.nan, test.low),
        "odds_high": np.where(alone, np.nan, test.high),
        "p_value": p_value,
        "q_value": q_value,
    }
    return sites.with_columns(
        pl.Series(name, values).fill_nan(None) for name, values in columns.items()
    ).with_columns(pl.Series("flagged", flagged), finding=pl.lit(finding))
