"""Parts on work orders in comparable form: one spelling for number, brand, component and place.

Part numbers are compared by letters and digits only, so ``TY 4410.1`` and ``TY-4410-1`` are one; a
superseded number counts as the one that replaced it.
"""

from collections.abc import Mapping

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.component import is_stand_alone, split_family
from afterclear.estimators.lifetimes.unit_lifetimes import current_numbers
from afterclear.findings.common.tables import forget
from afterclear.histories.catalogue_tables import put_cures
from afterclear.store.engine.database import Connection, create_temp_table, query

_WORK = """
    FROM store.repairs r
    JOIN store.moment_km m ON m.vehicle_id = r.vehicle_id AND m.origin = 'repair'
        AND m.origin_id = r.repair_id"""
# Distinct parts as written: a million rows of a fleet have a few thousand.
_WRITTEN = f"""
    SELECT r.part_family, r.position, r.part_number, r.part_brand, count(*) AS n {_WORK}
    GROUP BY ALL ORDER BY ALL"""
_PUT = f"""
    CREATE OR REPLACE TEMP TABLE order_parts AS
    SELECT row_number() OVER (ORDER BY r.vehicle_id, m.happened_at, r.repair_id, r.part_family,
            r.position, r.part_number, r.action) - 1 AS row_no,
        r.vehicle_id, r.repair_id, m.happened_at AS repaired_at, m.km, r.site, r.codes, r.action,
        -- a part that came with a number was fitted, unless the work was only to look or clean
        coalesce(r.action = 'replace', r.part_number IS NOT NULL) AS is_fitted,
        p.usual_part_number AS part_number, p.usual_part_brand AS part_brand, r.part_grade,
        r.quantity, r.part_cost, r.labour_cost, r.currency,
        coalesce(r.removal_reason, 'unknown') AS removal_reason,
        r.part_number AS number_on_order, p.component, p.place, p.family_label {_WORK}
    JOIN known_parts p ON p.part_family IS NOT DISTINCT FROM r.part_family
        AND p.position IS NOT DISTINCT FROM r.position
        AND p.part_number IS NOT DISTINCT FROM r.part_number
        AND p.part_brand IS NOT DISTINCT FROM r.part_brand
    ORDER BY row_no"""
# the brand or grade of parts, where all of them have the same
_THAT_OF_ALL = """
    CREATE OR REPLACE TEMP MACRO that_of_all(told) AS
        CASE WHEN count(DISTINCT told) = 1 AND count(told) = count(*) THEN max(told) END"""
NOT_NAMED = "part:not_named"
"""The component of a row that names no part."""


def put_order_parts(
    con: Connection, catalogue: Catalogue, superseded_by: Mapping[str, str]
) -> None:
    """Load every row of every work order into the temporary table ``order_parts``.

    ``work_cures`` beside it says which components' faults work on a component may cure.  Also names
    ``that_of_all``, by which orders have one brand or grade.
    ``superseded_by``: bare numbers (``bare_number``) by the bare number that replaced each.
    """
    written = query(con, _WRITTEN)
    known = written.with_columns(
        pl.Series("number", _current(written["part_number"], superseded_by), pl.String),
        pl.col("part_brand").str.to_lowercase().str.strip_chars().alias("brand"),
    )
    # a current number that was never on an order keeps the spelling of the list
    own = pl.col("part_number").map_elements(bare_number, return_dtype=pl.String)
    known = (
        known.join(
            _usual(known.filter(own == pl.col("number")), "part_number", "number"),
            on="number",
            how="left",
        )
        .join(_usual(known.drop_nulls("part_brand"), "part_brand", "brand"), on="brand", how="left")
        .with_columns(pl.coalesce("usual_part_number", "number").alias("usual_part_number"))
    )
    keys = ["part_family", "position", "number"]
    known = known.join(_families(known, catalogue), on=keys, how="left", nulls_equal=True)
    create_temp_table(con, "known_parts", known.drop("n", "number", "brand"))
    con.execute(_PUT)
    con.execute(_THAT_OF_ALL)
    put_cures(con, catalogue)
    con.execute("CREATE OR REPLACE TEMP TABLE work_cures AS FROM temp.cures")
    forget(con, ["known_parts", "cures"])


def bare_number(number: str) -> str:
    """Letters and digits of a part number, in capitals."""
    return "".join(c for c in number.upper() if c.isalnum())


def _current(numbers: pl.Series, superseded_by: Mapping[str, str]) -> pl.Series:
    distinct = numbers.drop_nulls().unique().sort().to_list()
    current = current_numbers([bare_number(number) for number in distinct], superseded_by)
    return numbers.replace_strict(distinct, current, return_dtype=pl.String, default=None)


def _usual(rows: pl.DataFrame, column: str, key: str) -> pl.DataFrame:
    """Choose one spelling for each key: the most frequent; of equals, the first by alphabet."""
    return (
        rows.group_by(key, column)
        .agg(pl.col("n").sum())
        .sort(pl.col("n"), pl.col(column), descending=[True, False])
        .group_by(key, maintain_order=True)
        .agg(pl.col(column).first().alias(f"usual_{column}"))
    )


def _families(rows: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Component, place and label of each distinct part as written."""
    asked = rows.select("part_family", "position", "number").unique(maintain_order=True)
    families = [
        (name, position, number, *_family(catalogue, name, position, number))
        for name, position, number in asked.iter_rows()
    ]
    names = ("part_family", "position", "number", "component", "place", "family_label")
    return pl.DataFrame(families, schema=dict.fromkeys(names, pl.String), orient="row")


def _family(
    catalogue: Catalogue, name: str | None, position: str | None, number: str | None
) -> tuple[str, str | None, str]:
    if name is None:
        known = f"part:{number.lower()}" if number else NOT_NAMED
        return known, _folded(position), number or "part not named"
    family = catalogue.part_family(name, position)
    if is_stand_alone(family.key):
        return family.key, _folded(position), family.label
    component, place = split_family(family.key)
    bare = catalogue.lexicon.components.get(component)
    return component, place, bare.label if bare else family.label


def _folded(position: str | None) -> str | None:
    return "_".join(position.lower().split()) if position else None
