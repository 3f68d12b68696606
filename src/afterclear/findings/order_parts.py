"""Parts on work orders as they are compared: one name a number, a brand, a component, a place.

Numbers are told apart by letters and digits only, so that ``TY 4410.1`` and ``TY-4410-1`` are
one; a superseded number counts as the one that took its place.
"""

from collections.abc import Mapping

import polars as pl

from afterclear.analyses.part_lives import current_numbers
from afterclear.normalise.catalogue import Catalogue
from afterclear.store.database import Connection, create_temp_table, query

_ROWS = """
    SELECT r.vehicle_id, r.repair_id, m.happened_at AS repaired_at, m.km, r.site, r.codes,
        -- a part that came with a number was fitted, unless the work was only to look or clean
        coalesce(r.action = 'replace', r.part_number IS NOT NULL) AS is_fitted,
        r.part_number, r.part_brand, r.part_grade, r.part_family, r.position, r.quantity,
        r.part_cost, r.labour_cost, r.currency,
        coalesce(r.removal_reason, 'unknown') AS removal_reason
    FROM store.repairs r
    JOIN store.moment_km m ON m.vehicle_id = r.vehicle_id AND m.origin = 'repair'
        AND m.origin_id = r.repair_id
    ORDER BY r.vehicle_id, m.happened_at, r.repair_id, r.part_family, r.position, r.part_number,
        r.action"""
_NOT_NAMED = "part:not_named"


def put_order_parts(
    con: Connection, catalogue: Catalogue, superseded_by: Mapping[str, str]
) -> None:
    """Put every row of every work order into the temporary table ``order_parts``.

    ``superseded_by``: bare numbers (``bare_number``) by the bare ones they became.
    """
    rows = query(con, _ROWS).with_columns(
        pl.col("part_number").alias("number_on_order"),
        _spelled("part_brand", pl.col("part_brand").str.to_lowercase().str.strip_chars()),
    )
    rows = rows.with_columns(
        pl.Series("number", _current(rows["part_number"], superseded_by), dtype=pl.String)
    ).with_columns(_current_spelling().alias("part_number"))
    families = _families(rows, catalogue)
    keys = ["part_family", "position", "number"]
    rows = rows.join(families, on=keys, how="left", nulls_equal=True, maintain_order="left")
    columns = rows.drop("position", "part_family", "number").with_row_index("row_no")
    create_temp_table(con, "order_parts", columns)


def bare_number(number: str) -> str:
    """Letters and digits of a part number, in capitals."""
    return "".join(c for c in number.upper() if c.isalnum())


def _current(numbers: pl.Series, superseded_by: Mapping[str, str]) -> pl.Series:
    distinct = numbers.drop_nulls().unique().sort().to_list()
    current = current_numbers([bare_number(number) for number in distinct], superseded_by)
    return numbers.replace_strict(distinct, current, return_dtype=pl.String, default=None)


def _spelled(column: str, key: pl.Expr) -> pl.Expr:
    """Spell all that have one key alike: as most do, the first by the alphabet among these."""
    ranked = pl.col(column).sort().mode().sort().first()
    return ranked.over(key)


def _current_spelling() -> pl.Expr:
    """Most common spelling of the current number, itself where it was never on an order."""
    own = pl.col("part_number").map_elements(bare_number, return_dtype=pl.String)
    spelled = pl.col("part_number").filter(own == pl.col("number")).sort().mode().sort().first()
    return pl.coalesce(spelled.over("number"), pl.col("number"))


def _families(rows: pl.DataFrame, catalogue: Catalogue) -> pl.DataFrame:
    """Component, place and label of each distinct part as it was written down."""
    asked = rows.select("part_family", "position", "number").unique(maintain_order=True)
    told = [
        (name, position, number, *_family(catalogue, name, position, number))
        for name, position, number in asked.iter_rows()
    ]
    names = ("part_family", "position", "number", "component", "place", "family_label")
    return pl.DataFrame(told, schema=dict.fromkeys(names, pl.String), orient="row")


def _family(
    catalogue: Catalogue, name: str | None, position: str | None, number: str | None
) -> tuple[str, str | None, str]:
    if name is None:
        known = f"part:{number.lower()}" if number else _NOT_NAMED
        return known, _folded(position), number or "part not named"
    family = catalogue.part_family(name, position)
    if family.key.startswith("part:"):
        return family.key, _folded(position), family.label
    component, _, place = family.key.partition(":")
    bare = catalogue.lexicon.components.get(component)
    return component, place or None, bare.label if bare else family.label


def _folded(position: str | None) -> str | None:
    return "_".join(position.lower().split()) if position else None
