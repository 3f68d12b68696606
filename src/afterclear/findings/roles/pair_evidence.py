"""What the fleet's own data show about two codes: do they belong together, and which is first.

Three steps, all over scans that read *both* units.

1. They belong together if one begins more often while the other is there. Strata of low voltage and
   of the number of other codes keep a flat battery from making pairs. Only true onsets count: a
   code set again after a clear began long before.
2. One is first if an earlier reading of the other's unit shows that it was there before the other
   began: the intervals do not overlap. Counts are compared with how long each could have been
   first.
3. One is the cause if the other stayed away after it alone was repaired, and not the other way
   round.

The result goes into ``role_pairs`` and from there into roles.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from afterclear.estimators.arrays.validation import FloatArray
from afterclear.estimators.codes.association import (
    mantel_haenszel,
    pair_tables,
    smoothed_odds_ratios,
)
from afterclear.estimators.codes.code_order import RepairEvidence, direction
from afterclear.estimators.codes.onset_exposure import exposed_order
from afterclear.findings.common.tables import keep
from afterclear.findings.roles.role_facts import FactBook
from afterclear.findings.roles.role_links import FleetPair, Key
from afterclear.findings.roles.role_parts import fleet_parts, role_sql
from afterclear.store.engine.database import Connection, create_temp_table, query

# Pairs with fewer shared episodes are skipped: they could not give a result.
MIN_BOTH: Final = 8
# Both the association and the direction must exclude "neither" at this level; the tests measure how
# well that works for pairs that only share a hidden cause.
CONF_LEVEL: Final = 0.95


@dataclass(frozen=True, slots=True)
class _Ways:
    """Arrays of shape (n_pairs, 2): column 0 with A as the cause, column 1 with B."""

    odds: FloatArray
    odds_low: FloatArray
    odds_high: FloatArray
    after: FloatArray
    expected_after: FloatArray
    by_order: FloatArray
    tied: FloatArray
    gone: FloatArray
    repaired: FloatArray
    vehicles: FloatArray  # vehicles with such repairs


Pairs = dict[tuple[Key, Key], FleetPair]

_SHOWN: Final = """
CREATE OR REPLACE TEMP TABLE role_shown AS
SELECT DISTINCT n.unit, s.code
FROM (SELECT DISTINCT ecu, code FROM store.sightings) s JOIN role_named n USING (ecu)
"""


def fleet_pairs(con: Connection, book: FactBook) -> Pairs:
    """Weigh every pair of codes that is often seen together; store all in ``role_pairs``.

    Returns the pairs with a known direction, by (cause, echo).
    """
    count_pairs(con, book)
    return weighed_pairs(con)


def weighed_pairs(con: Connection) -> Pairs:
    """Weigh the pairs of ``role_pairs.sql``; store all in ``role_pairs``, return those called."""
    pairs = query(con, "FROM role_candidates ORDER BY pair")
    if not len(pairs):
        keep(con, "role_pairs", None)
        return {}
    pairs_found = _weighed(pairs, _ways(con, len(pairs)))
    keep(con, "role_pairs", pairs_found)
    return called_pairs(pairs_found)


def called_pairs(pairs: pl.DataFrame) -> Pairs:
    """Give the pairs with a known direction, by (cause, echo); ``pairs``: as ``role_pairs``."""
    return {
        ((row["cause_ecu"], row["cause_code"]), (row["effect_ecu"], row["effect_code"])): FleetPair(
            score=row["score"], n_both=row["n_both"], counts=_counts(row)
        )
        for row in pairs.filter("called").iter_rows(named=True)
    }


def count_pairs(con: Connection, book: FactBook) -> None:
    """Fill the temporary tables of ``role_pairs.sql``, one part of the fleet at a time."""
    sum_pairs(con, book)
    compare_pairs(con)


def compare_pairs(con: Connection) -> None:
    """Fill the tables of ``role_pairs.sql`` from the sums."""
    con.execute("SET VARIABLE min_both = ?", [MIN_BOTH])
    con.script(role_sql("pairs"))


def sum_pairs(con: Connection, book: FactBook) -> None:
    """Fill the sums of ``role_counts.sql``, one part of the fleet at a time."""
    number_units(con, book)
    counts = role_sql("counts")
    for _ in fleet_parts(con):
        con.script(counts)


def number_units(con: Connection, book: FactBook) -> None:
    """Put numbers to the units and codes of the store, and make the sums, which are empty."""
    name_units(con, book)
    con.execute(_SHOWN)
    con.script(role_sql("units"))


def name_units(con: Connection, book: FactBook) -> None:
    """Name every control unit of the store by its function in ``role_named``."""
    met = query(con, "SELECT DISTINCT ecu FROM store.known_units ORDER BY ecu")["ecu"]
    units = pl.Series("unit", [book.unit(ecu) for ecu in met], dtype=pl.String)
    create_temp_table(con, "role_named", pl.DataFrame([met, units]))


def _ways(con: Connection, n: int) -> _Ways:
    """Count and compare each pair both ways round."""
    cells = query(con, "FROM role_cells ORDER BY way, low_supply, many")
    way = cells["way"].to_numpy().astype(np.int64)
    columns = [cells[cell].to_numpy() for cell in "abcd"]
    strata = mantel_haenszel(pair_tables(*columns), way, 2 * n, conf_level=CONF_LEVEL)
    sums = [np.bincount(way, weights=column, minlength=2 * n) for column in columns]
    whole = smoothed_odds_ratios(pair_tables(*sums), conf_level=CONF_LEVEL)
    # a code that never came without the other has no finite common ratio: half counts are used then
    edge = ~np.isfinite(strata.ratio)
    order = _by_way(con, "role_order", n)
    repairs = _by_way(con, "role_repairs", n)
    begin_rate = (sums[2] + 0.5) / (sums[2] + sums[3] + 1)  # of the second, without the first
    return _Ways(
        *(
            row.reshape(n, 2)
            for row in (
                np.where(edge, whole.ratio, strata.ratio),
                np.where(edge, whole.low, strata.low),
                np.where(edge, whole.high, strata.high),
                order["n_after"],
                order["n_exposed"] * begin_rate,
                order["n_told"],
                order["n_tied"],
                repairs["effect_gone"],
                repairs["n_repaired"],
                repairs["n_vehicles"],
            )
        )
    )


def _by_way(con: Connection, table: str, n: int) -> dict[str, FloatArray]:
    """Columns of a table by way; 0 for ways not in it."""
    rows = query(con, f"FROM {table} ORDER BY way")
    at = rows["way"].to_numpy().astype(np.int64)
    found: dict[str, FloatArray] = {}
    for name in rows.columns[1:]:
        found[name] = np.zeros(2 * n)
        found[name][at] = rows[name].to_numpy()
    return found


def _weighed(pairs: pl.DataFrame, ways: _Ways) -> pl.DataFrame:
    """Combine the evidence of each pair: which is the cause, and how certain."""
    both, n_a, n_b = (pairs[c].to_numpy().astype(np.float64) for c in ("n_both", "n_a", "n_b"))
    a_first, b_first = (ways.after + ways.by_order).T
    order = exposed_order(a_first, b_first, _share_first(ways), ways.tied[:, 0])
    repairs = RepairEvidence(
        b_gone=ways.gone[:, 0],
        n_a_repaired=ways.repaired[:, 0],
        a_gone=ways.gone[:, 1],
        n_b_repaired=ways.repaired[:, 1],
        n_a_vehicles=ways.vehicles[:, 0],
        n_b_vehicles=ways.vehicles[:, 1],
    )
    found = direction(repairs, order, (both, n_a, n_b), conf_level=CONF_LEVEL)
    side = (found.score < 0).astype(np.int64)  # 0: A is the cause, 1: B
    row = np.arange(len(pairs))
    # if score and call differ, the terms of the score disagree: then there is no result
    agrees = found.cause == np.where(side == 1, "b", "a")
    together = np.nan_to_num(ways.odds_low[row, side], nan=0.0) > 1.0
    names = {
        f"{role}_{what}": pl.Series(
            np.where(side == flip, pairs[f"{name}_a"], pairs[f"{name}_b"]), dtype=pl.String
        )
        for role, flip in (("cause", 0), ("effect", 1))
        for what, name in (("ecu", "unit"), ("code", "code"))
    }
    n_cause, n_effect = np.where(side == 0, (n_a, n_b), (n_b, n_a))
    first = np.column_stack([a_first, b_first])
    return pl.DataFrame(
        names
        | {
            "n_both": both.astype(np.int32),
            "n_cause": n_cause.astype(np.int32),
            "n_effect": n_effect.astype(np.int32),
            "odds_ratio": _finite(ways.odds[row, side]),
            "odds_low": _finite(ways.odds_low[row, side]),
            "odds_high": _finite(ways.odds_high[row, side]),
            "cause_first": first[row, side].astype(np.int32),
            "effect_first": first[row, 1 - side].astype(np.int32),
            "order_p_value": order.p_value,
            "effect_gone": ways.gone[row, side],
            "n_cause_repaired": ways.repaired[row, side],
            "cause_gone": ways.gone[row, 1 - side],
            "n_effect_repaired": ways.repaired[row, 1 - side],
            "score": np.abs(found.score),
            "called": together & agrees,
        }
    ).sort("cause_ecu", "cause_code", "effect_ecu", "effect_code")


def _share_first(ways: _Ways) -> FloatArray:
    """Share of "A first" that unrelated faults would show.

    After an earlier sighting: in the ratio of their exposures. Between the same two scans: one
    half.
    """
    expected_a, expected_b = ways.expected_after.T
    total = expected_a + expected_b
    by_exposure = np.where(total > 0, expected_a / np.where(total > 0, total, 1), 0.5)
    n_after, n_by_order = ways.after.sum(axis=1), ways.by_order.sum(axis=1)
    n = np.maximum(n_after + n_by_order, 1)
    share = np.where(n_after + n_by_order > 0, (n_after * by_exposure + n_by_order * 0.5) / n, 0.5)
    return np.clip(share, 0.01, 0.99)  # exposures are themselves estimates


def _finite(values: FloatArray) -> pl.Series:
    return pl.Series(np.where(np.isfinite(values), values, np.nan)).fill_nan(None)


def _counts(row: dict[str, float]) -> dict[str, float]:
    """Return the counts; of repairs and order only where there are any."""
    named = ["n_both"]
    if row["n_cause_repaired"] >= 1:
        named += ["effect_gone", "n_cause_repaired"]
    if row["n_effect_repaired"] >= 1:
        named += ["cause_gone", "n_effect_repaired"]
    if row["cause_first"] + row["effect_first"] >= 1:
        named += ["cause_first", "effect_first"]
    return {name: round(row[name]) for name in named}
