"""Lines of a work order that came once for each of their codes.

Some exports join orders with the codes they were for: a line with two codes stands there twice, and
its amounts with it.  Rows of one order that agree in everything but their codes are one line with
several codes.  Its amounts count once; what else the rows had aside is kept together.

Rows whose codes are of different places (cylinders, banks, corners) may be a part for each place as
well, and their position is not told: nothing decides, and they are refused.  A quantity of as many
as there are places says that the line is for all of them; a map may say for its source what such
rows are (``places_apart``).

Rows that differ in their text, too, are lines of their own here: two coils may cost the same.  Maps
say where amounts belong to the whole order (``once_per_order``).
"""

from collections.abc import Sequence

from afterclear.catalogue.code_tables import n_places, position_of
from afterclear.plain import REPAIRS
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import query, scalar
from afterclear.store.merging.rows import stored_columns

# codes in the normal form: only SPN and FMI have blanks within
CODES = r"regexp_extract_all(coalesce(codes, ''), 'SPN \d+( FMI \d+)?|\S+')"
_ASIDE = ("codes", "extras")
BUT_CODES = ", ".join(name for name in stored_columns(REPAIRS) if name not in _ASIDE)
_HAS_FURTHER = "count(*) > 1 AND count(DISTINCT coalesce(codes, '')) > 1"


def told_by_code(con: Connection, rows: str) -> int:
    """Count the lines among ``rows`` (SQL behind FROM) that stand there once for each code."""
    of_lines = f"SELECT 1 FROM {rows} GROUP BY {BUT_CODES} HAVING {_HAS_FURTHER}"
    return scalar(con, f"SELECT count(*) FROM ({of_lines})")


def find_places_apart(con: Connection) -> int:
    """Find the rows of ``staged`` that differ in codes of different places; give their number.

    Puts their numbers into ``apart``.
    """
    apart = [number for numbers, _ in _apart(con, "_nth") for number in numbers]
    con.execute("DELETE FROM apart")
    con.execute("INSERT INTO apart SELECT unnest(?::BIGINT[])", [apart])
    return len(apart)


def tell_places(con: Connection) -> None:
    """Let the rows of ``staged`` that differ in codes of different places say their positions.

    A row whose own codes name no place, or several, says none.
    """
    told = [
        (place, position_of(own, con.takes.places_of))
        for places, codes in _apart(con, "rowid")
        for place, own in zip(places, codes, strict=True)
    ]
    if not told:
        return
    # a column that the file does not have holds nothing, and takes nothing: the rows anew
    con.execute(
        """CREATE OR REPLACE TEMP TABLE staged AS
           SELECT s.* REPLACE (coalesce(nullif(told.position, ''), s.position) AS position)
           FROM staged s LEFT JOIN (
               SELECT unnest(?::BIGINT[]) AS place, unnest(?::VARCHAR[]) AS position) told
               ON s.rowid = told.place""",
        [[place for place, _ in told], [position for _, position in told]],
    )


def _apart(con: Connection, called: str) -> list[tuple[list[int], list[list[str]]]]:
    """Give the rows of each line in codes of different places, and the codes of each row."""
    lines = query(
        con,
        f"""SELECT list({called}) AS rows, list({CODES}) AS codes, any_value(quantity) AS quantity
            FROM staged WHERE fault IS NULL AND position IS NULL
            GROUP BY {BUT_CODES} HAVING {_HAS_FURTHER}""",
    )
    return [
        (rows, codes)
        for rows, codes, quantity in lines.rows()
        if (quantity or 1) < n_places(codes, con.takes.places_of)
    ]


def fold_lines(con: Connection) -> None:
    """Make one row of ``staged`` of each line that came once for each code; see ``further_rows``.

    Keeps in ``folded`` the lines with the places and numbers of all their rows.
    """
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE folded AS
            SELECT min(rowid) AS place, list(rowid) AS places, min(_nth) AS first,
                list(_nth) AS numbers,
                array_to_string(list_sort(list_distinct(flatten(list({CODES})))), ' ') AS codes
            FROM staged WHERE fault IS NULL GROUP BY {BUT_CODES} HAVING {_HAS_FURTHER}"""
    )
    if not scalar(con, "SELECT count(*) FROM folded"):
        return
    _join_extras(con)
    con.execute(
        """UPDATE staged SET codes = f.codes, extras = f.extras, _nth = f.first
           FROM (FROM folded LEFT JOIN extras_of_lines USING (place)) f WHERE rowid = f.place"""
    )
    con.execute(
        """DELETE FROM staged WHERE rowid IN (
               SELECT unnest(places) FROM folded EXCEPT SELECT place FROM folded)"""
    )


def note_codes_apart(con: Connection, pairs: str) -> None:
    """Put into ``codes_apart`` the pairs of codes (SQL: two lists) that are of different places.

    Of a line that has all the other's codes and more nothing is said: it is that line, whole.
    """
    found = query(
        con, f"SELECT DISTINCT a, b FROM ({pairs}) p(a, b) WHERE NOT list_has_all(a, b)"
    ).rows()
    apart = [(a, b) for a, b in found if n_places((a, b), con.takes.places_of) > 1]
    con.execute(
        """CREATE OR REPLACE TEMP TABLE codes_apart AS
           SELECT unnest(?::VARCHAR[][]) AS a, unnest(?::VARCHAR[][]) AS b""",
        [[a for a, _ in apart], [b for _, b in apart]],
    )


def keep_once(con: Connection, amounts: Sequence[str]) -> None:
    """Keep amounts that are the whole order's in one row of ``staged`` of each order.

    Which row is decided by the rows' content: an order that comes again in another order of rows is
    the same.  A row that is refused would take the amount with it.
    """
    if not amounts:
        return
    content = ", ".join(n for n in stored_columns(REPAIRS) if n not in amounts)
    kept = ", ".join(
        f"CASE WHEN fault IS NOT NULL THEN {n} WHEN is_first THEN max({n}) OVER whole END AS {n}"
        for n in amounts
    )
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE staged AS
            SELECT * EXCLUDE (is_first) REPLACE ({kept}) FROM (
                SELECT *, row_number() OVER (
                    PARTITION BY vehicle_id, repair_id, fault IS NULL ORDER BY {content}
                ) = 1 AS is_first FROM staged)
            WINDOW whole AS (PARTITION BY vehicle_id, repair_id, fault IS NULL)"""
    )


def further_rows(con: Connection) -> tuple[int, int]:
    """Count what ``fold_lines`` folded last: (rows left out, lines they belong to)."""
    (found,) = query(
        con, "SELECT coalesce(sum(len(places) - 1), 0)::BIGINT, count(*) FROM folded"
    ).rows()
    return found[0], found[1]


def refuse_whole_lines(con: Connection) -> None:
    """Refuse with a line (in ``undecided``) all rows that it was folded from."""
    con.execute(
        """INSERT INTO undecided SELECT unnest(numbers) FROM folded
           WHERE first IN (SELECT number FROM undecided)"""
    )


def _join_extras(con: Connection) -> None:
    """Put into ``extras_of_lines`` what the rows of each line had aside, different texts in one."""
    con.execute(
        """CREATE OR REPLACE TEMP TABLE extras_of_lines AS
           WITH cells AS (
               SELECT place, extras::JSON AS aside, unnest(json_keys(extras)) AS name
               FROM (SELECT place, unnest(places) AS row_place FROM folded)
               JOIN staged ON staged.rowid = row_place
               WHERE extras IS NOT NULL
           ),
           joined AS (
               SELECT place, name, string_agg(DISTINCT told, ' | ' ORDER BY told) AS told
               FROM (
                   SELECT place, name,
                       aside->>('/' || replace(replace(name, '~', '~0'), '/', '~1')) AS told
                   FROM cells
               )
               GROUP BY place, name
           )
           SELECT place,
               to_json(map(list(name ORDER BY name), list(told ORDER BY name)))::VARCHAR AS extras
           FROM joined GROUP BY place"""
    )
