"""How sites work: clears in place of repairs, no look afterwards, the same part again, its cost.

Shares are told beside those of the other sites; money stays in the currency it was spent in and
is counted by work order, once, however many codes the order was for.
"""

from importlib.resources import files

import numpy as np
import polars as pl

from afterclear.analyses.association import association, pair_tables
from afterclear.analyses.rates import benjamini_hochberg, exact_share_interval
from afterclear.findings.kept import keep
from afterclear.findings.words import counted, percent, whole
from afterclear.store.database import Connection, query

Q_BELOW = 0.05
ENOUGH_TO_FLAG = 3
_SQL = files("afterclear.findings") / "sql" / "process.sql"
_METHOD = (
    "share with exact interval (95 %), Fisher's exact test against the other sites, Haldane odds "
    "ratio, Benjamini-Hochberg over sites"
)
_UNKNOWN_SITE = "site not known"

# finding -> its pieces of work: site, counts (did it count?), and what names it
_SHARES = {
    "bare_clears": """
        SELECT site, kind = 'clear_only' AS counts, vehicle_id, repair_id, attempt_id,
            attempted_at AS happened_at, codes AS code, NULL AS what FROM fault_visits""",
    "bare_clears_that_came_back": """
        SELECT site, any_back AS counts, vehicle_id, repair_id, attempt_id,
            attempted_at AS happened_at, codes AS code, NULL AS what
        FROM fault_visits WHERE kind = 'clear_only'""",
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
            what, cost, currency FROM parts_in_vain""",
}
_SAID = {  # finding: "12 of 40 ... (30 %; at other sites 5 %)"
    "bare_clears": "visits for a fault ended with a clear and no repair",
    "bare_clears_that_came_back": "clears without a repair came back",
    "no_scan_after_repair": "repairs had no scan after them in the same visit",
    "part_fitted_again": "repairs with parts were followed by the same kind of part for the fault",
}
_SAID_COST = {
    "come_backs": "spent on work that an earlier repair or clear made necessary",
    "parts_that_changed_nothing": "spent on parts after which the fault came back",
}


def find_process(con: Connection) -> int:
    """Fill ``process``, ``process_costs`` and ``process_orders`` anew; return rows flagged.

    Needs ``order_parts``, the settings of the histories, and verdicts.
    """
    con.execute(_SQL.read_text(encoding="utf-8"))
    work = {name: _with_site(query(con, sql)) for name, sql in _SHARES.items()}
    money = {name: _with_site(query(con, sql)) for name, sql in _COSTS.items()}
    shares = pl.concat(_shares(name, rows) for name, rows in work.items())
    keep(con, "process", shares)
    keep(con, "process_costs", pl.concat(_costs(name, rows) for name, rows in money.items()))
    orders = [rows.filter("counts").with_columns(finding=pl.lit(n)) for n, rows in work.items()]
    orders += [rows.with_columns(finding=pl.lit(name)) for name, rows in money.items()]
    by = ["finding", "site", "happened_at", "vehicle_id", "repair_id", "what"]
    keep(con, "process_orders", pl.concat(orders, how="diagonal_relaxed").sort(by))
    return int(shares["flagged"].sum())


def _with_site(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(pl.col("site").fill_null(_UNKNOWN_SITE))


def _shares(finding: str, rows: pl.DataFrame) -> pl.DataFrame:
    """Count a finding by site and hold each against the others."""
    sites = (
        rows.group_by("site")
        .agg(
            pl.col("counts").fill_null(value=False).sum().cast(pl.Int32).alias("n"),
            pl.len().cast(pl.Int32).alias("n_of"),
        )
        .sort("site")
    )
    n, n_of = (sites[name].to_numpy().astype(np.float64) for name in ("n", "n_of"))
    others, others_of = n.sum() - n, n_of.sum() - n_of
    low, high = exact_share_interval(n, n_of)
    test = association(pair_tables(n, n_of - n, others, others_of - others))
    alone = others_of == 0
    p_value = np.where(alone, np.nan, test.p_value)
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
    return (
        sites.with_columns(
            pl.Series(name, values).fill_nan(None) for name, values in columns.items()
        )
        .with_columns(
            pl.Series("flagged", flagged), finding=pl.lit(finding), method=pl.lit(_METHOD)
        )
        .with_columns(_share_sentence(_SAID[finding]))
    )


def _share_sentence(said: str) -> pl.Expr:
    others = pl.when(pl.col("others_share").is_null()).then(pl.lit("")).otherwise(
        pl.format("; at other sites {}", percent(pl.col("others_share")))
    )  # fmt: skip
    return pl.format(
        f"{{}} of {{}} {said} ({{}}, between {{}} and {{}}{{}}).",
        pl.col("n"),
        pl.col("n_of"),
        percent(pl.col("share")),
        percent(pl.col("share_low")),
        percent(pl.col("share_high")),
        others,
    ).alias("sentence")


def _costs(finding: str, rows: pl.DataFrame) -> pl.DataFrame:
    """Add up the money of a finding by site and currency; work without a price is counted."""
    return (
        rows.with_columns(pl.col("currency").fill_null("currency not known"))
        .group_by("site", "currency")
        .agg(
            pl.struct("vehicle_id", "repair_id").n_unique().cast(pl.Int32).alias("n_orders"),
            pl.struct("vehicle_id", "repair_id")
            .filter(pl.col("cost").is_not_null())
            .n_unique()
            .cast(pl.Int32)
            .alias("n_priced"),
            pl.col("cost").sum().round(2),
        )
        .sort("site", "currency")
        .with_columns(finding=pl.lit(finding))
        .with_columns(
            pl.format(
                f"{{}} {{}} {_SAID_COST[finding]} ({{}}, {{}} of them with a price).",
                whole(pl.col("cost")),
                pl.col("currency"),
                counted("n_orders", "work order", "work orders"),
                pl.col("n_priced"),
            ).alias("sentence")
        )
    )
