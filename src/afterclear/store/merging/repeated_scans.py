"""A scan that its source delivers again: the later delivery holds the whole scan.

Row by row, a corrected code, unit or vehicle would be added beside the old one, and a code that a
second reading no longer found would stay.  So when all rows of a file are in, each of its scans
that its source delivered before is compared as a whole, and rows it no longer has are replaced.

* **Repeated** is a scan of which a row is repeated or corrected, or that has all its old codes
  again (under another unit), or in which a unit is delivered again.
* **Another part** shares no unit with the stored rows, or repeats none of their rows while each
  side has a unit that the other lacks: an export cut in the middle of a scan.  It is added.
* A scan of which a row of the file was refused is not whole: nothing of it is replaced.
* **Another vehicle's**: the same source delivered the same scan number, instant, distance, units
  and codes for another vehicle, and its numbers do not start again with each vehicle: the vehicle
  was corrected. If less agrees, both stay, and the load's line says so.
* A file that was written before the one it would undo, and has nothing new on a scan, undoes
  nothing of it.
"""

import json
from collections.abc import Iterable

from afterclear.errors import worded
from afterclear.plain import SCANS
from afterclear.records import Rejection
from afterclear.store.engine.connection import Connection
from afterclear.store.engine.database import query, scalar
from afterclear.store.merging.delivered import placed
from afterclear.store.merging.rows import WRITTEN, content_hash, key_json, replace_leaving

_TOLD = """CREATE TEMP TABLE IF NOT EXISTS scans_told
    (load_id INTEGER, vehicle_id VARCHAR, scan_id VARCHAR, ecu VARCHAR, code VARCHAR,
     key_json VARCHAR)"""
_NAMED = 3  # vehicles named in a load's line


def leave_out_old_scans(con: Connection, load_id: int) -> int:
    """Remove outdated scans from ``staged``; give the number of their rows.

    Needs ``known``, as ``rows.find_known`` makes it.
    """
    con.execute(WRITTEN)
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE old_scans AS
            WITH written AS (
                SELECT load_id, changed_at AS since FROM load_origins
                UNION ALL FROM temp.files_written
            ),
            arriving AS (
                SELECT vehicle_id, scan_id, {key_json(SCANS)} AS key,
                    {content_hash(SCANS)} AS content
                FROM staged SEMI JOIN known USING (vehicle_id, scan_id) WHERE fault IS NULL
            ),
            present AS (
                SELECT {key_json(SCANS)} AS key, {content_hash(SCANS)} AS content
                FROM {placed(SCANS, "known")}
            ),
            gone AS (
                SELECT s.key_json AS key, s.content_hash AS content, max(w.since) AS since
                FROM superseded s JOIN written w ON w.load_id = s.superseded_by
                WHERE s.table_name = 'scans' AND s.key_json IN (SELECT key FROM arriving)
                GROUP BY ALL
            )
            SELECT a.vehicle_id, a.scan_id FROM arriving a
            LEFT JOIN present p USING (key, content)
            LEFT JOIN gone g USING (key, content)
            GROUP BY ALL
            HAVING bool_and(p.key IS NOT NULL OR g.since IS NOT NULL)
                AND max(CASE WHEN p.key IS NULL THEN g.since END)
                    > (SELECT max(since) FROM written WHERE load_id = {load_id})"""
    )
    whole = "FROM staged SEMI JOIN old_scans USING (vehicle_id, scan_id) WHERE fault IS NULL"
    n_rows = scalar(con, f"SELECT count(*) {whole}")
    if n_rows:
        con.execute(
            """DELETE FROM staged WHERE fault IS NULL
               AND (vehicle_id, scan_id) IN (SELECT (vehicle_id, scan_id) FROM old_scans)"""
        )
    return n_rows


def note_repeated_scans(con: Connection, load_id: int) -> None:
    """Note what ``staged`` holds of known scans."""
    con.execute(_TOLD)
    con.execute(
        f"""INSERT INTO temp.scans_told
            SELECT {load_id}, vehicle_id, scan_id, ecu, code, {key_json(SCANS)}
            FROM staged SEMI JOIN known USING (vehicle_id, scan_id) WHERE fault IS NULL"""
    )


def replace_retold(
    con: Connection, load_id: int, source: str, refused: Iterable[Rejection]
) -> list[str]:
    """Replace what a load's scans no longer have, when all its rows are in; say what was done."""
    con.execute(_TOLD)
    notes: list[str] = []
    if scalar(con, f"SELECT count(*) FROM temp.scans_told WHERE load_id = {load_id}"):
        _find_others(con, load_id, source)
        notes += _repeated_scans(con, load_id, refused)
    if _share_numbers(con, load_id, source):
        notes += _of_other_vehicles(con, load_id, source)
    forget_told(con, load_id)
    return notes


def forget_told(con: Connection, load_id: int) -> None:
    """Forget what a load holds of known scans."""
    con.execute(_TOLD)
    con.execute(f"DELETE FROM temp.scans_told WHERE load_id = {load_id}")


def _find_others(con: Connection, load_id: int, source: str) -> None:
    """Put into ``others`` the source's earlier rows of the load's scans that the load lacks."""
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE others AS
            SELECT place, vehicle_id, scan_id, coalesce(ecu, '') AS ecu, code
            FROM {placed(SCANS, f"(FROM temp.scans_told WHERE load_id = {load_id})")}
            WHERE load_id <> {load_id}
                AND load_id IN (SELECT load_id FROM loads WHERE source = ?)
                AND {key_json(SCANS)} NOT IN (
                    SELECT key_json FROM temp.scans_told WHERE load_id = {load_id})""",
        [source],
    )


def _repeated_scans(con: Connection, load_id: int, refused: Iterable[Rejection]) -> list[str]:
    if not scalar(con, "SELECT count(*) FROM others"):
        return []
    broken = _broken_scans(refused)
    whole = "false" if broken is None else "list_contains(?::VARCHAR[], scan_id)"
    bound = [] if broken is None else [sorted(broken)]
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE again AS
            WITH told AS (
                SELECT vehicle_id, scan_id, list(DISTINCT coalesce(ecu, '')) AS units,
                    list(DISTINCT code) AS codes, bool_or(repeats) AS repeats
                FROM (
                    SELECT t.*, key_json IN (SELECT {key_json(SCANS)} FROM scans
                            SEMI JOIN others USING (vehicle_id, scan_id)
                            WHERE load_id <> {load_id})
                        OR key_json IN (SELECT key_json FROM superseded
                            WHERE table_name = 'scans' AND superseded_by = {load_id}) AS repeats
                    FROM temp.scans_told t WHERE load_id = {load_id})
                GROUP BY ALL
            ),
            stood AS (
                SELECT vehicle_id, scan_id, list(DISTINCT ecu) AS units,
                    list(DISTINCT code) FILTER (code IS NOT NULL) AS codes
                FROM others GROUP BY ALL
            )
            SELECT vehicle_id, scan_id, {whole} AS is_broken
            FROM told JOIN stood USING (vehicle_id, scan_id)
            WHERE told.repeats
                OR list_has_all(told.codes, stood.codes)
                OR (list_has_any(told.units, stood.units) AND (
                    list_has_all(told.units, stood.units)
                    OR list_has_all(stood.units, told.units)))""",
        bound,
    )
    if broken is None:
        con.execute("UPDATE again SET is_broken = true")
    n_broken = scalar(con, "SELECT count(*) FROM again WHERE is_broken")
    con.execute(
        """CREATE OR REPLACE TEMP TABLE leaving AS SELECT place
           FROM others SEMI JOIN (FROM again WHERE NOT is_broken) USING (vehicle_id, scan_id)"""
    )
    n_scans = scalar(con, "SELECT count(*) FROM again WHERE NOT is_broken")
    n_rows = replace_leaving(con, SCANS, load_id)
    notes: list[str] = []
    if n_scans:
        notes.append(
            worded(
                "scans told again as a whole: {n_scans:,}, rows no longer in them: {n_rows:,}",
                n_scans=n_scans,
                n_rows=n_rows,
            )
        )
    if n_broken:
        said = worded("scans told again but not replaced, for rows refused: {n:,}", n=n_broken)
        notes.append(said)
    return notes


def _broken_scans(refused: Iterable[Rejection]) -> set[str] | None:
    """Name the scans of which a row was refused; None: it may have been any."""
    found = set()
    for rejection in refused:
        if rejection.table != SCANS.name:
            continue
        scan_id = _scan_of(rejection.row)
        if scan_id is None:
            return None
        found.add(scan_id)
    return found


def _scan_of(row: str | None) -> str | None:
    try:
        cells = json.loads(row or "")
    except ValueError:
        return None
    scan_id = cells.get("scan_id") if isinstance(cells, dict) else None
    return str(scan_id).strip() if scan_id else None


def _share_numbers(con: Connection, load_id: int, source: str) -> int:
    """Put into ``shared`` the scan numbers that two vehicles of a source have; count them.

    One of the two by this load, the other by an earlier one.
    """
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE shared AS
            WITH own AS (SELECT scan_id FROM scan_facts WHERE load_id = {load_id}),
                twice AS (
                    SELECT scan_id FROM scan_facts SEMI JOIN own USING (scan_id)
                    WHERE load_id <> {load_id}
                        AND load_id IN (SELECT load_id FROM loads WHERE source = $1))
            SELECT scan_id FROM scan_facts SEMI JOIN twice USING (scan_id)
            WHERE load_id = {load_id} OR load_id IN (SELECT load_id FROM loads WHERE source = $1)
            GROUP BY scan_id HAVING count(DISTINCT vehicle_id) > 1""",
        [source],
    )
    return scalar(con, "SELECT count(*) FROM shared")


def _of_other_vehicles(con: Connection, load_id: int, source: str) -> list[str]:
    """Replace scans whose vehicle the load corrects; name those that only look like it."""
    columns = "scan_id, vehicle_id, min(scanned_at) AS at, max(odometer_km) AS km"
    what = "list_sort(list(DISTINCT (coalesce(ecu, ''), coalesce(code, '')))) AS what"
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE doubles AS
            WITH mine AS (
                SELECT {columns}, max(engine_hours) AS hours, {what}
                FROM scans SEMI JOIN shared USING (scan_id) WHERE load_id = {load_id} GROUP BY ALL
            ),
            theirs AS (
                SELECT {columns}, max(engine_hours) AS hours, {what}
                FROM scans SEMI JOIN mine USING (scan_id)
                WHERE load_id <> {load_id}
                    AND load_id IN (SELECT load_id FROM loads WHERE source = ?)
                GROUP BY ALL
            ),
            told AS (
                SELECT scan_id, vehicle_id FROM mine UNION ALL
                SELECT scan_id, vehicle_id FROM temp.scans_told WHERE load_id = {load_id}
            )
            SELECT scan_id, t.vehicle_id, m.at = t.at AS is_then,
                m.at = t.at AND m.what = t.what
                    AND m.km IS NOT DISTINCT FROM t.km AND m.hours IS NOT DISTINCT FROM t.hours
                    -- a day alone is no instant, wherever it begins
                    AND (coalesce(m.km, m.hours) IS NOT NULL
                        OR minute(m.at) % 15 <> 0 OR second(m.at) <> 0) AS is_same,
                (scan_id, t.vehicle_id) IN (SELECT (scan_id, vehicle_id) FROM told) AS is_told
            FROM mine m JOIN theirs t USING (scan_id) WHERE m.vehicle_id <> t.vehicle_id""",
        [source],
    )
    # numbers that start again with each vehicle prove nothing
    if scalar(con, "SELECT count(*) FROM doubles WHERE is_told OR NOT is_then"):
        return []
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE leaving AS
            SELECT place FROM {placed(SCANS, "(FROM doubles WHERE is_same)")}
            WHERE load_id <> {load_id}
                AND load_id IN (SELECT load_id FROM loads WHERE source = ?)""",
        [source],
    )
    replace_leaving(con, SCANS, load_id)
    notes: list[str] = []
    if moved := _named(con, "is_same"):
        notes.append(worded("scans that were told of another vehicle before: {ids}", ids=moved))
    if doubtful := _named(con, "NOT is_same"):
        said = worded("scan numbers that stand with another vehicle, too: {ids}", ids=doubtful)
        notes.append(said)
    return notes


def _named(con: Connection, which: str) -> str:
    rows = query(
        con,
        f"SELECT DISTINCT scan_id, vehicle_id FROM doubles WHERE {which} ORDER BY ALL",
    ).rows()
    named = ", ".join(f"{scan} ({vehicle})" for scan, vehicle in rows[:_NAMED])
    more = f" and {len(rows) - _NAMED:,} more" if len(rows) > _NAMED else ""
    return named + more
