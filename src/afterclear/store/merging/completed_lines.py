"""Lines of a work order that named no part and later name it: the same line, completed.

A line with a part has another key than one without, so both would stand, and their work count
twice.  They are one line where order, day and text agree, and so does all else that the line
without a part says: amounts, codes, action, position.  Another text, day or amount is another job;
it never replaces a line.

* A line without a part that the file still has is met by itself: the one with a part is new.
* If several lines may be the same, nothing decides, and they are refused.
* A line that comes without its part when it stands with it adds nothing; if the file has that one,
  too, it is a line of its own, and if several such lines come, they are refused.
"""

from afterclear.plain import REPAIRS
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import scalar
from afterclear.store.merging.order_codes import CODES
from afterclear.store.merging.rows import key_json

_BARE = "part_number IS NULL AND part_family IS NULL"
_ORDER = "vehicle_id, repair_id"
_AGREES = ("action", "position", "quantity", "part_cost", "labour_cost", "currency",
           "part_brand", "part_grade", "removal_reason")  # fmt: skip
# what the line without a part (b) says is so on the one with it (w)
_IS_COMPLETED = f"""w.repaired_at = b.repaired_at
    AND coalesce(lower(trim(w.notes)) = lower(trim(b.notes)),
        w.notes IS NULL AND b.notes IS NULL
            AND greatest(b.part_cost, b.labour_cost) > 0)
    AND list_has_all(w.codes, b.codes)
    AND {" AND ".join(f"(b.{n} IS NULL OR b.{n} = w.{n})" for n in _AGREES)}"""
_SAYS = f"repaired_at, notes, {CODES} AS codes, {', '.join(_AGREES)}"


def find_completed(con: Connection, load_id: int) -> None:
    """Find the stored lines without a part that lines of ``staged`` complete.

    Puts their places into ``completed``, and the numbers of staged rows of which nothing decides
    which line they complete into ``uncompleted``. Needs ``known``, as ``rows.find_known`` makes
    it.
    """
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE completing AS
            WITH whole AS (
                SELECT {_ORDER}, line, list(number) AS numbers,
                    any_value(COLUMNS(* EXCLUDE ({_ORDER}, line, number)))
                FROM (
                    SELECT {_ORDER}, {key_json(REPAIRS)} AS line, _nth AS number, {_SAYS}
                    FROM staged SEMI JOIN known USING ({_ORDER})
                    WHERE fault IS NULL AND NOT ({_BARE})
                )
                GROUP BY {_ORDER}, line
            ),
            bare AS (
                SELECT {_ORDER}, {key_json(REPAIRS)} AS line, rowid AS place, {_SAYS}
                FROM repairs SEMI JOIN known USING ({_ORDER})
                WHERE {_BARE} AND load_id <> {load_id}
            )
            SELECT w.line, w.numbers, b.place,
                count(*) OVER (PARTITION BY w.line) = 1
                    AND count(*) OVER (PARTITION BY b.place) = 1 AS is_only_pair
            FROM whole w JOIN bare b USING ({_ORDER})
            WHERE {_IS_COMPLETED}
                AND w.line NOT IN (SELECT {key_json(REPAIRS)} FROM repairs
                                   SEMI JOIN known USING ({_ORDER}))
                AND b.line NOT IN (SELECT {key_json(REPAIRS)} FROM staged
                                   SEMI JOIN known USING ({_ORDER}) WHERE fault IS NULL)"""
    )
    con.execute(
        """CREATE OR REPLACE TEMP TABLE completed AS
           SELECT place FROM completing WHERE is_only_pair"""
    )
    con.execute(
        """CREATE OR REPLACE TEMP TABLE uncompleted AS
           SELECT DISTINCT unnest(numbers) AS number FROM completing WHERE NOT is_only_pair"""
    )


def leave_out_without_part(con: Connection) -> int:
    """Remove lines from ``staged`` that stand with their part; give their number.

    Puts the numbers of rows that may stand with the same part as others into ``same_part``. Needs
    ``known``, as ``rows.find_known`` makes it.
    """
    _find_without_part(con)
    n_rows = scalar(con, "SELECT count(*) FROM without_part WHERE is_decided")
    if n_rows:
        con.execute(
            """DELETE FROM staged
               WHERE rowid IN (SELECT place FROM without_part WHERE is_decided)"""
        )
    return n_rows


def _find_without_part(con: Connection) -> None:
    line = key_json(REPAIRS)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE without_part AS
            WITH bare AS (
                SELECT {_ORDER}, {line} AS line, rowid AS place, _nth AS number, {_SAYS}
                FROM staged SEMI JOIN known USING ({_ORDER})
                WHERE fault IS NULL AND {_BARE} AND {line} NOT IN (
                    SELECT {line} FROM repairs SEMI JOIN known USING ({_ORDER}))
            ),
            whole AS (
                SELECT {_ORDER}, {line} AS line, {_SAYS}
                FROM repairs SEMI JOIN known USING ({_ORDER})
                WHERE NOT ({_BARE}) AND {line} NOT IN (
                    SELECT {line} FROM staged SEMI JOIN known USING ({_ORDER})
                    WHERE fault IS NULL)
            ),
            pairs AS (
                SELECT b.place, b.number,
                    count(DISTINCT b.line) OVER (PARTITION BY w.line) = 1 AS is_alone
                FROM bare b JOIN whole w USING ({_ORDER}) WHERE {_IS_COMPLETED}
            )
            SELECT place, number, bool_and(is_alone) AS is_decided FROM pairs GROUP BY ALL"""
    )
    con.execute(
        """CREATE OR REPLACE TEMP TABLE same_part AS
           SELECT number FROM without_part WHERE NOT is_decided"""
    )
