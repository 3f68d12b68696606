"""How scan rows lie in the store: what a scan's rows share once, what a unit said once.

A scan's rows differ in little: its number, vehicle, time and distance are the same in all of them,
and what a unit answers is mostly what units of its kind answered before. So three tables hold
them: ``scan_facts`` (what rows of one scan share), ``unit_answers`` (each answer there was) and
``scan_lines`` (which answer in which scan, and what is of that row alone). ``scans`` is a view that
puts them together, the plain layout as it was delivered; whoever reads asks the view.

Rows of one scan that disagree, in their time perhaps, have a line each in ``scan_facts``; nothing
else treats them differently. Facts are numbered by vehicle and time, a load at a time, and rows lie
in the order of their facts: equal values stand together and shrink, and a vehicle's rows are found
without reading the others'.
"""

from typing import Final

from afterclear.store.engine.connection import Connection, Values
from afterclear.store.engine.database import scalar

FACTS: Final = (
    *("vehicle_id", "scan_id", "scanned_at", "odometer_km", "engine_hours", "scan_scope"),
    *("memory", "visit_reason", "load_id"),
)
ANSWERS: Final = (
    *("ecu", "ecu_response", "code", "status", "description", "monitors_incomplete", "lamps"),
)
OF_THE_ROW: Final = (
    *("occurrences", "first_seen_km", "ecu_vin", "distance_since_clear_km"),
    *("warmups_since_clear", "extras"),
)
# The tables, and of each the columns that ``scans`` shows.
PARTS: Final = {"scan_facts": FACTS, "unit_answers": ANSWERS, "scan_lines": OF_THE_ROW}
_SCAN: Final = ("vehicle_id", "scan_id")  # what names one scan


def placed_scans(among: str = "") -> str:
    """Write SQL for the rows of ``scans``, each with its ``place``.

    ``among``: only the scans of this table, by vehicle and number.
    """
    of_these = f"SEMI JOIN {among} USING ({', '.join(_SCAN)})" if among else ""
    return f"""(SELECT {", ".join([*FACTS, *ANSWERS, *OF_THE_ROW])}, r.rowid AS place
        FROM (FROM scan_facts {of_these}) f
        JOIN scan_lines r USING (fact_no) JOIN unit_answers a USING (answer_no))"""


def insert_scans(con: Connection, rows: str) -> None:
    """Insert the rows of a query that has the columns of ``scans``; the caller's transaction."""
    _take_facts(con, rows)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE answers_told AS
            SELECT DISTINCT {", ".join(ANSWERS)}, code AS spelled, NULL::INTEGER AS answer_no
            FROM ({rows})"""
    )
    take_answers(con)
    same_scan = _same("t", "f", _SCAN if is_each_scan_one(con) else FACTS)
    con.execute(
        f"""INSERT INTO scan_lines (fact_no, answer_no, {", ".join(OF_THE_ROW)})
            SELECT f.fact_no, a.answer_no, {", ".join(f"t.{name}" for name in OF_THE_ROW)}
            FROM ({rows}) t JOIN facts_told f ON {same_scan}
            JOIN answers_told a ON {_same("t", "a", ANSWERS)}
            ORDER BY f.fact_no"""
    )


def is_each_scan_one(con: Connection) -> bool:
    """Whether the rows told agree in what they say of their scan."""
    n_facts = scalar(con, "SELECT count(*) FROM facts_told")
    return n_facts == scalar(con, f"SELECT count(DISTINCT ({', '.join(_SCAN)})) FROM facts_told")


def _take_facts(con: Connection, rows: str) -> None:
    """Store what rows of one scan share; ``facts_told`` has it with its numbers."""
    names = ", ".join(FACTS)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE facts_told AS
            SELECT (last + row_number() OVER (ORDER BY vehicle_id, scanned_at, scan_id))::INTEGER
                AS fact_no, {names}
            FROM (SELECT DISTINCT {names} FROM ({rows})),
                (SELECT coalesce(max(fact_no), 0) AS last FROM scan_facts)"""
    )
    con.execute(
        f"""INSERT INTO scan_facts (fact_no, {names})
            SELECT fact_no, {names} FROM facts_told ORDER BY fact_no"""
    )


def take_answers(con: Connection) -> None:
    """Store the answers of ``answers_told`` that are new, and number all there.

    ``spelled`` is the code as it is stored, ``code`` as it was told.
    """
    names = ", ".join(ANSWERS)
    con.execute(
        f"""INSERT INTO unit_answers (answer_no, {names})
            SELECT last + row_number() OVER (ORDER BY {names}), {names}
            FROM (SELECT DISTINCT {names}
                  FROM (SELECT * REPLACE (spelled AS code) FROM answers_told) t
                  ANTI JOIN unit_answers u ON {_same("t", "u", ANSWERS)}),
                (SELECT coalesce(max(answer_no), 0) AS last FROM unit_answers)"""
    )
    others = tuple(name for name in ANSWERS if name != "code")
    con.execute(
        f"""UPDATE answers_told t SET answer_no = u.answer_no FROM unit_answers u
            WHERE t.spelled IS NOT DISTINCT FROM u.code AND {_same("t", "u", others)}"""
    )


def delete_scans(con: Connection, where: str, values: Values = ()) -> None:
    """Delete rows of ``scans``, with the facts and answers that no other row has."""
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE rows_leaving AS
            SELECT rowid AS place, fact_no, answer_no FROM scan_lines
            WHERE rowid IN (SELECT place FROM {placed_scans()} WHERE {where})""",
        values,
    )
    con.execute("DELETE FROM scan_lines WHERE rowid IN (SELECT place FROM rows_leaving)")
    for table, number in (("scan_facts", "fact_no"), ("unit_answers", "answer_no")):
        con.execute(
            f"""DELETE FROM {table} WHERE {number} IN (
                    SELECT {number} FROM rows_leaving
                    EXCEPT
                    SELECT {number} FROM scan_lines SEMI JOIN rows_leaving USING ({number}))"""
        )


def _same(one: str, other: str, columns: tuple[str, ...]) -> str:
    """Write SQL for: two rows agree in these columns, empty ones among them."""
    return " AND ".join(f"{one}.{name} IS NOT DISTINCT FROM {other}.{name}" for name in columns)
