"""What the catalogue says about codes and parts, as small tables the histories join.

Each distinct (make, unit, code, description) is looked up once, however many rows contain it.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import polars as pl

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.histories.presence import presence_table, says_inactive
from afterclear.store.engine.database import Connection, create_temp_table, query

if TYPE_CHECKING:
    from afterclear.catalogue.order_text.reading import WorkText

_STRENGTH = {"present": 0, "sign": 1, "not_tested": 2, "permanent": 3, "absent": 4}


def put_presences(con: Connection) -> None:
    """Load what each status proves into the temporary table ``presences``."""
    rows = [
        (status, p.value, _STRENGTH[p.value], says_inactive(status))
        for status, p in presence_table().items()
    ]
    columns = ["status", "presence", "strength", "is_inactive"]
    frame = pl.DataFrame(rows, schema=columns, orient="row")
    create_temp_table(con, "presences", frame)


def put_unit_labels(con: Connection, catalogue: Catalogue) -> None:
    """Name each control unit by its function, if known, in ``unit_labels``.

    ``told_units`` has the names each vehicle's tools used; a clear may name a unit otherwise.
    """
    con.execute(
        """CREATE OR REPLACE TEMP TABLE told_units AS
           SELECT DISTINCT vehicle_no, ecu AS told FROM bucket_scans WHERE ecu IS NOT NULL"""
    )
    names = query(
        con,
        """SELECT told FROM told_units
           UNION SELECT ecu FROM store.clears JOIN bucket USING (vehicle_id) WHERE ecu IS NOT NULL
           ORDER BY 1""",
    )["told"].to_list()
    labels = {name: _function(catalogue, name) for name in names}
    frame = pl.DataFrame({"told": list(labels), "label": list(labels.values())}, schema=_UNITS)
    create_temp_table(con, "unit_labels", frame)


def _function(catalogue: Catalogue, name: str) -> str:
    key = catalogue.control_units.named(name)
    return catalogue.control_units.labels.get(key, name) if key else name


def put_meanings(con: Connection, catalogue: Catalogue) -> None:
    """Look up the distinct codes of ``told_codes`` into ``meanings``."""
    asked = query(con, "SELECT DISTINCT make, ecu, code, description FROM told_codes")
    rows = [
        (make, ecu, code, description, *_facts(catalogue, make, ecu, code, description))
        for make, ecu, code, description in asked.iter_rows()
    ]
    create_temp_table(con, "meanings", pl.DataFrame(rows, schema=_MEANINGS, orient="row"))


def put_part_families(con: Connection, catalogue: Catalogue) -> None:
    """Look up the distinct parts of the bucket's work orders into ``part_families``."""
    asked = query(
        con,
        """SELECT DISTINCT part_family, position
           FROM store.repairs JOIN bucket USING (vehicle_id) WHERE part_family IS NOT NULL""",
    )
    rows = [
        (part, position, catalogue.part_family(part, position).key)
        for part, position in asked.iter_rows()
    ]
    create_temp_table(con, "part_families", pl.DataFrame(rows, schema=_PARTS, orient="row"))


def put_cures(con: Connection, catalogue: Catalogue) -> None:
    """Load which work may cure which codes into ``cures``: by the table and the fleet's orders."""
    frame = pl.DataFrame(catalogue.cures, schema=_CURES, orient="row")
    linked = query(con, "SELECT work, fault FROM store.cure_links WHERE counts = 'orders'")
    create_temp_table(con, "cures", pl.concat([frame, linked]).unique())


def put_order_texts(con: Connection, catalogue: Catalogue) -> None:
    """Read the distinct texts of the bucket's work orders into ``text_works`` and ``text_acts``.

    ``text_works`` has a row a piece of work, or one with the reason if the text names none, for
    orders that name neither codes nor part. ``told_action`` is the order's own column: it counts
    before the text. ``text_acts`` has what an order without such a column did.
    """
    asked = query(
        con,
        """SELECT DISTINCT notes, action, codes IS NULL AND part_family IS NULL AS is_bare
           FROM store.repairs JOIN bucket USING (vehicle_id)
           WHERE notes IS NOT NULL AND (action IS NULL OR codes IS NULL AND part_family IS NULL)
           ORDER BY ALL""",
    )
    works, acts = [], {}
    for notes, action, is_bare in asked.iter_rows():
        text = catalogue.order_text(notes)
        if is_bare:
            works += [(notes, action, *row) for row in _works(catalogue, text, action)]
        changing = {w.action for w in text.works} - {"inspect"}
        if action is None and changing:
            acts[notes] = " ".join(sorted(changing))
    create_temp_table(con, "text_works", pl.DataFrame(works, schema=_WORKS, orient="row"))
    acted = pl.DataFrame([*acts.items()], schema=_ACTS, orient="row")
    create_temp_table(con, "text_acts", acted)


def _works(
    catalogue: Catalogue, text: "WorkText", action: str | None
) -> Iterator[tuple[object, ...]]:
    """Rows of ``text_works`` from text and action; the order's own action applies to all.

    A consumable is a row of its own, without a family: an oil change mends no fault but one that
    names the oil.
    """
    works = (*text.works, *text.idle) if action else text.works
    for work in works:
        done = action or work.action
        yield work.component, catalogue.family_of_work(work).key, done, None, None
    for work in text.used:
        family = catalogue.family_of_work(work).key if work.of else None
        why = None if family else catalogue.why_used(work.component)
        yield work.component, family, work.action, why, None
    told = {catalogue.why_used(work.component) for work in text.used}
    if not works and text.why is not None and text.why not in told:
        yield None, None, None, text.why.value, " ".join(text.named) or None


_MEANINGS = {
    "make": pl.String,
    "ecu": pl.String,
    "code": pl.String,
    "description": pl.String,
    "named": pl.String,
    "family": pl.String,
    "monitor": pl.String,
    "min_clean_km": pl.Float64,
    "label": pl.String,
    "meaning": pl.String,
    "certain": pl.Boolean,
    "circuit": pl.String,
}
_WORKS = dict.fromkeys(
    ("notes", "told_action", "part", "family", "action", "why", "named"), pl.String
)
_ACTS = {"notes": pl.String, "action": pl.String}
_CURES = {"work": pl.String, "fault": pl.String}
_UNITS = {"told": pl.String, "label": pl.String}
_PARTS = {"part_family": pl.String, "position": pl.String, "family": pl.String}


def _facts(
    catalogue: Catalogue, make: str | None, ecu: str, code: str, description: str | None
) -> tuple[object, ...]:
    named = code.replace("unknown:", f"{make}:", 1) if make else code
    family = catalogue.family(named, description, make, ecu or None)
    return (
        named,
        family.key,
        catalogue.monitor(named),
        catalogue.min_distance_after_clear_km(family.key),
        family.label,
        catalogue.meaning(named, description).text,
        family.certain,
        catalogue.circuit(named, family, description, make),
    )
