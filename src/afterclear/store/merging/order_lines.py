"""Lines of a work order that name no part: told apart by what they say.

Such lines share order, vehicle, action and position, so those alone would make the second line of
an order a correction of the first. Their key has their work beside it: notes, codes, amounts.

* Lines of one file with different work are different lines; all stay. Equal ones are one line that
  came twice: two of a kind are one line with a quantity.
* Lines that differ only in facts of the whole order (day, odometer, site, technician) are one line;
  the last one counts, as in every table.
* When a later file brings the order again, lines with the same work are the same line. Of the rest,
  the file's new lines replace the stored ones it no longer has, if it has at least as many and a
  line like each of them. With fewer, a new line replaces the only stored line it is like.
* **Alike** are notes that are nearly the same or contain one another, or the same amounts, above
  nothing, on the same day at the same distance; never notes that name different places: the front
  left is not the rear right, and cylinder 1 is not cylinder 3; nor are codes of different places
  where no position is told: the second of two coils may come alone, with its part or without.
* Where that decides nothing, the new line is refused: stored, it might count the same work twice;
  taken for a correction, it might hide another line.
* A line that differs from stored ones in nothing but further codes is those lines, whole.
* Lines that a file no longer has stay. Retract the load that brought them to remove them.
* A file written before the one that corrected its lines brings none of them back, and replaces
  none in their order.
"""

from afterclear.plain import REPAIRS
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import scalar
from afterclear.store.merging.completed_lines import find_completed
from afterclear.store.merging.order_codes import BUT_CODES, CODES, note_codes_apart
from afterclear.store.merging.rows import WRITTEN, content_hash, key_json, replace_leaving

# Jaro-Winkler similarity (0 to 1) from which two notes are the same line: no published threshold
# fits; a corrected figure or word in a note of five words is above it.
_SIMILAR = 0.85
_NAMELESS = "part_number IS NULL AND part_family IS NULL"
_SAME_AMOUNTS = """(n.part_cost IS NOT DISTINCT FROM o.part_cost
    AND n.labour_cost IS NOT DISTINCT FROM o.labour_cost)"""
# words of places in the languages of the notes, and what is numbered
_PLACE = (
    r"\b(?:left|right|front|rear|inner|outer|upper|lower|fl|fr|rl|rr|nsf|nsr|osf|osr"
    r"|links?|rechts?|vorne?|hinten|vorder\w*|hinter\w*|vl|vr|hl|hr"
    r"|gauches?|droite?s?|avant|arri[eè]re|avg|avd|arg|ard"
    r"|izq\w*|derech\w*|delanter\w*|traser\w*"
    r"|lew\w*|praw\w*|przed\w*|przód|tyln\w*|tył"
    r"|(?:cyl|zyl|cil|bank|banc|banco|sensor|sonde|sonda|nr|no)\w*[ .]*[0-9]+)\b"
)
_SAME_PLACES = f"""list_sort(list_distinct(regexp_extract_all(n.notes, '{_PLACE}')))
    = list_sort(list_distinct(regexp_extract_all(o.notes, '{_PLACE}')))"""
_ALIKE = f"""CASE
    WHEN n.notes IS NULL AND o.notes IS NULL THEN true
    WHEN NOT {_SAME_PLACES} THEN false
    WHEN n.notes IS NULL OR o.notes IS NULL THEN {_SAME_AMOUNTS}
    ELSE jaro_winkler_similarity(n.notes, o.notes) >= {_SIMILAR}
        OR contains(n.notes, o.notes) OR contains(o.notes, n.notes)
        OR (coalesce(n.part_cost, 0) + coalesce(n.labour_cost, 0) > 0 AND {_SAME_AMOUNTS}
            AND n.repaired_at = o.repaired_at
            AND n.odometer_km IS NOT DISTINCT FROM o.odometer_km)
    END"""
_LINE = "vehicle_id, repair_id, action, position"
_SAYS = "lower(notes) AS notes, part_cost, labour_cost, repaired_at, odometer_km, position"


def leave_out_old_lines(con: Connection, load_id: int) -> int:
    """Remove lines from ``staged`` that a file written later has replaced; give their number.

    Needs ``known``, as ``rows.find_known`` makes it.
    """
    con.execute(WRITTEN)
    old = f"""fault IS NULL AND {_NAMELESS}
        AND (vehicle_id, repair_id) IN (SELECT (vehicle_id, repair_id) FROM known)
        AND {key_json(REPAIRS)} NOT IN (
            SELECT {key_json(REPAIRS)} FROM repairs SEMI JOIN known USING (vehicle_id, repair_id))
        AND {content_hash(REPAIRS)} IN (
            WITH written AS (
                SELECT load_id, changed_at AS since FROM load_origins
                UNION ALL FROM temp.files_written
            )
            SELECT s.content_hash FROM superseded s JOIN written w ON w.load_id = s.superseded_by
            WHERE s.table_name = 'repairs'
                AND w.since > (SELECT max(since) FROM written WHERE load_id = {load_id}))"""
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE old_lines AS
            SELECT hash({_LINE}) AS of_order FROM staged WHERE {old}"""
    )
    n_rows = scalar(con, "SELECT count(*) FROM old_lines")
    if n_rows:
        con.execute(f"DELETE FROM staged WHERE {old}")
    return n_rows


def compare_lines(con: Connection, load_id: int) -> int:
    """Compare the lines of ``staged`` with the stored ones of their orders.

    Puts the places of stored lines that are replaced into ``leaving``, and the numbers of staged
    rows of which nothing decides what they are into ``undecided``; counts the latter. Needs
    ``known``, and what ``leave_out_old_lines`` and ``leave_out_without_part`` found.
    """
    find_completed(con, load_id)
    _find_unmet(con, load_id)
    _find_with_more_codes(con)
    _find_alike(con)
    _find_other_places(con)
    con.execute(
        """CREATE OR REPLACE TEMP TABLE orders_again AS
           SELECT of_order, is_old, NOT is_old AND count_if(is_new) >= count_if(NOT is_new)
                   AND bool_and(is_new OR place IN (SELECT old FROM alike)) AS is_whole
           FROM unmet GROUP BY of_order, is_old HAVING bool_or(is_new) AND NOT bool_and(is_new)"""
    )
    con.execute(
        """CREATE OR REPLACE TEMP TABLE leaving AS
           SELECT place FROM unmet JOIN orders_again USING (of_order)
           WHERE NOT is_new
               AND (is_whole OR place IN (SELECT old FROM alike WHERE is_only_pair))
           UNION SELECT place FROM with_more_codes
           UNION SELECT place FROM completed"""
    )
    con.execute(
        """CREATE OR REPLACE TEMP TABLE undecided AS
           SELECT unnest(numbers) AS number FROM unmet JOIN orders_again USING (of_order)
           WHERE is_new AND NOT is_whole AND CASE
               WHEN orders_again.is_old THEN line IN (SELECT new FROM alike)
               ELSE line NOT IN (SELECT new FROM alike WHERE is_only_pair) END
           UNION SELECT number FROM uncompleted
           UNION SELECT number FROM same_part
           UNION SELECT number FROM other_places"""
    )
    return scalar(con, "SELECT count(*) FROM undecided")


def _find_alike(con: Connection) -> None:
    """Put into ``alike`` which lines of ``unmet`` may be the same; never those of other places."""
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE alike_pairs AS
            SELECT n.line AS new, o.place AS old, NOT n.is_old AS is_news, n.codes, o.codes AS had,
                n.position IS NULL AS is_placeless
            FROM unmet n JOIN unmet o ON n.is_new AND NOT o.is_new
                AND n.of_order = o.of_order AND {_ALIKE}"""
    )
    note_codes_apart(con, "SELECT codes, had FROM alike_pairs WHERE is_placeless")
    con.execute(
        """CREATE OR REPLACE TEMP TABLE alike AS
           SELECT new, old, is_news
                   AND count(*) OVER (PARTITION BY new) = 1
                   AND count(*) OVER (PARTITION BY old) = 1 AS is_only_pair
           FROM alike_pairs WHERE NOT (is_placeless AND (codes, had) IN (FROM codes_apart))"""
    )


def _find_other_places(con: Connection) -> None:
    """Find lines with a part that would correct a stored one whose codes are of other places.

    The export may bring the second of two coils alone. Puts their numbers into ``other_places``;
    lines that a later file had corrected are no news, and not among them.
    """
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE same_part_pairs AS
            WITH arriving AS (
                SELECT {key_json(REPAIRS)} AS line, _nth AS number, {CODES} AS codes
                FROM staged SEMI JOIN known USING (vehicle_id, repair_id)
                WHERE fault IS NULL AND NOT ({_NAMELESS}) AND position IS NULL
                    AND {content_hash(REPAIRS)} NOT IN (
                        SELECT content_hash FROM superseded WHERE table_name = 'repairs')
            )
            SELECT number, a.codes, o.codes AS had FROM arriving a JOIN (
                SELECT {key_json(REPAIRS)} AS line, {CODES} AS codes
                FROM repairs SEMI JOIN known USING (vehicle_id, repair_id)) o USING (line)"""
    )
    note_codes_apart(con, "SELECT codes, had FROM same_part_pairs")
    con.execute(
        """CREATE OR REPLACE TEMP TABLE other_places AS
           SELECT number FROM same_part_pairs WHERE (codes, had) IN (FROM codes_apart)"""
    )


def _find_with_more_codes(con: Connection) -> None:
    """Decide lines that differ from stored ones in nothing but further codes: the same line.

    Takes them out of ``unmet``; ``with_more_codes`` has the places of the stored ones.
    """
    con.execute(
        """CREATE OR REPLACE TEMP TABLE with_more_codes AS
           SELECT o.place, n.line
           FROM unmet n JOIN unmet o ON n.of_order = o.of_order AND n.but_codes = o.but_codes
           WHERE n.is_new AND NOT n.is_old AND NOT o.is_new AND list_has_all(n.codes, o.codes)"""
    )
    con.execute(
        """DELETE FROM unmet WHERE line IN (SELECT line FROM with_more_codes)
               OR place IN (SELECT place FROM with_more_codes)"""
    )


def replace_lines(con: Connection, load_id: int) -> int:
    """Retire the stored lines that ``compare_lines`` found replaced; give their number."""
    return replace_leaving(con, REPAIRS, load_id)


def _find_unmet(con: Connection, load_id: int) -> None:
    """Put into ``unmet`` the lines of known orders that only the file or only the store has.

    Lines that another table of the same load brought are lines of the same delivery: they stay.
    """
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE unmet AS
            WITH arriving AS (
                SELECT hash({_LINE}) AS of_order, {key_json(REPAIRS)} AS line, _nth, {_SAYS},
                    {CODES} AS codes, hash({BUT_CODES}) AS but_codes
                FROM staged SEMI JOIN known USING (vehicle_id, repair_id)
                WHERE fault IS NULL AND {_NAMELESS}
            ),
            stored AS (
                SELECT hash({_LINE}) AS of_order, {key_json(REPAIRS)} AS line, rowid AS place,
                    load_id = {load_id} AS is_own, {_SAYS}, {CODES} AS codes,
                    hash({BUT_CODES}) AS but_codes
                FROM repairs SEMI JOIN known USING (vehicle_id, repair_id)
                WHERE {_NAMELESS} AND rowid NOT IN (SELECT place FROM completed)
            )
            SELECT *, of_order IN (FROM old_lines) AS is_old
            FROM (
                SELECT true AS is_new, of_order, line, NULL AS place, list(_nth) AS numbers,
                    any_value(COLUMNS(* EXCLUDE (of_order, line, _nth)))
                FROM arriving ANTI JOIN stored USING (line) GROUP BY of_order, line
                UNION ALL BY NAME
                SELECT false AS is_new, * EXCLUDE (is_own)
                FROM stored ANTI JOIN arriving USING (line) WHERE NOT is_own
            )"""
    )
