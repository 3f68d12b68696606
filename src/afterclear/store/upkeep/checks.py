"""Rules for every store, as queries for their breaches; and whether the archive is whole.

A check is a rule in a sentence and the SQL that lists its breaches, one text a row.  Checks of
results (histories, verdicts) apply only if the last analysis has finished and saw all rows.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from afterclear.plain import TABLES
from afterclear.store.engine.archive import blob_path, is_whole
from afterclear.store.engine.database import Connection, query, scalar
from afterclear.store.merging.rows import key_hash

# Breaches of one check that are named; the rest are counted.
_NAMED = 5


@dataclass(frozen=True, slots=True)
class Check:
    """One rule in a sentence, and the query for its breaches (one text column)."""

    says: str
    breaches: str
    of_results: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check found."""

    says: str
    n_breaches: int
    examples: tuple[str, ...] = ()
    left_out: str = ""  # why the check does not apply now


def _rows_of_loads() -> str:
    kept = " UNION ALL ".join(f"SELECT load_id, 1 AS n FROM {name}" for name in TABLES)
    names = ", ".join(f"'{name}'" for name in TABLES)
    return f"""{kept} UNION ALL SELECT load_id, 1 FROM superseded
        UNION ALL SELECT load_id, n_rows FROM erasures
        WHERE table_name IN ({names}, 'superseded')"""


def _twice() -> Iterator[Check]:
    for name, table in TABLES.items():
        key = key_hash(table)
        yield Check(
            f"No two rows of {name} have the same key.",
            f"""SELECT 'vehicle ' || any_value(vehicle_id) || ', load ' || max(load_id)
                FROM {name} GROUP BY {key} HAVING count(*) > 1""",
        )


def _orphans() -> Iterator[Check]:
    for name in (*TABLES, "superseded", "rejections"):
        yield Check(
            f"Every row of {name} belongs to a load that was stored.",
            f"""SELECT DISTINCT 'load ' || load_id FROM {name}
                WHERE load_id NOT IN (SELECT load_id FROM loads WHERE outcome = 'stored')""",
        )


# (table, column, table it points at, column there)
_POINTERS: Final = (
    ("attempts", "attempt_id", "verdicts", "attempt_id"),
    ("verdicts", "attempt_id", "attempts", "attempt_id"),
    ("evidence_runs", "fix_no", "fix_numbers", "fix_no"),
    ("fix_numbers", "attempt_id", "attempts", "attempt_id"),
    ("evidence_runs", "first_scan_no", "scan_moments", "scan_no"),
    ("scan_moments", "pattern_no", "unit_patterns", "pattern_no"),
    ("clears_placed", "pattern_no", "unit_patterns", "pattern_no"),
    ("unit_notes", "scan_no", "scan_moments", "scan_no"),
    ("scan_moments", "scan_id", "scans", "scan_id"),
    ("sightings", "scan_id", "scans", "scan_id"),
    ("attempts", "repair_id", "repairs", "repair_id"),
    ("attempts", "beside_repair_id", "repairs", "repair_id"),
    ("order_texts", "repair_id", "repairs", "repair_id"),
    ("attempts", "returned_scan_id", "scans", "scan_id"),
    ("episodes", "vehicle_id", "scans", "vehicle_id"),
    ("unit_watch", "unit_no", "known_units", "unit_no"),
    ("fault_watch", "unit_no", "unit_watch", "unit_no"),
)


def _pointers() -> Iterator[Check]:
    for table, column, target, there in _POINTERS:
        yield Check(
            f"Every {column} of {table} is in {target}.",
            f"""SELECT DISTINCT {column}::VARCHAR FROM {table} WHERE {column} IS NOT NULL
                AND {column} NOT IN (SELECT {there} FROM {target})""",
            of_results=True,
        )


def _parts_of_scans() -> Iterator[Check]:
    for table, number in (("scan_facts", "fact_no"), ("unit_answers", "answer_no")):
        numbers = f"SELECT {number} FROM {table}"
        yield Check(
            f"Every scan row has one line of {table}, and every line there has a row.",
            f"""SELECT {number}::VARCHAR FROM (
                    (SELECT DISTINCT {number} FROM scan_lines EXCEPT {numbers})
                    UNION ALL ({numbers} EXCEPT ALL SELECT DISTINCT {number} FROM scan_lines))""",
        )


CHECKS: Final[tuple[Check, ...]] = (
    Check(
        "In the ledger, rows read are rows stored, duplicate or refused.",
        """SELECT 'load ' || load_id FROM loads
           WHERE rows_read <> rows_stored + rows_duplicate + rows_rejected""",
    ),
    Check(
        "Load numbers are 1, 2, 3 ... without a gap.",
        """SELECT 'load ' || load_id FROM (
               SELECT load_id, row_number() OVER (ORDER BY load_id) AS nth FROM loads)
           WHERE load_id <> nth""",
    ),
    Check(
        "No file was stored twice.",
        """SELECT left(sha256, 12) FROM loads WHERE outcome = 'stored'
           GROUP BY sha256 HAVING count(*) > 1""",
    ),
    Check(
        "A load's stored rows are there: current, superseded, or erased on record.",
        f"""SELECT 'load ' || load_id || ': ' || rows_stored || ' stored, ' ||
                   coalesce(n, 0) || ' found'
            FROM loads LEFT JOIN (
                SELECT load_id, sum(n)::BIGINT AS n FROM ({_rows_of_loads()}) GROUP BY load_id
            ) USING (load_id)
            WHERE outcome = 'stored' AND rows_stored <> coalesce(n, 0)""",
    ),
    Check(
        "A load's refused rows are there, mended by a later load, or erased on record.",
        """SELECT 'load ' || load_id FROM loads LEFT JOIN (
               SELECT load_id, sum(n)::BIGINT AS n FROM (
                   SELECT load_id, 1 AS n FROM rejections
                   UNION ALL SELECT load_id, 1 FROM replaced_rejections
                   UNION ALL SELECT load_id, n_rows FROM erasures
                   WHERE table_name IN ('rejections', 'replaced_rejections'))
               GROUP BY load_id
           ) USING (load_id)
           WHERE outcome = 'stored' AND rows_rejected <> coalesce(n, 0)""",
    ),
    *_twice(),
    *_parts_of_scans(),
    *_orphans(),
    Check(
        "A row was superseded by a load that was stored, not before its own.",
        """SELECT DISTINCT 'load ' || load_id || ' by ' || superseded_by FROM superseded
           WHERE superseded_by < load_id
               OR superseded_by NOT IN (SELECT load_id FROM loads WHERE outcome = 'stored')""",
    ),
    Check(
        "No file is remembered twice under one name in a source.",
        """SELECT source || ': ' || name FROM cursors
           GROUP BY source, name HAVING count(*) > 1""",
    ),
    *_pointers(),
    Check(
        "No attempt is judged twice.",
        "SELECT attempt_id FROM verdicts GROUP BY attempt_id HAVING count(*) > 1",
        of_results=True,
    ),
    Check(
        "No vehicle's odometer line falls.",
        """SELECT DISTINCT vehicle_id FROM (
               SELECT vehicle_id, line_km - lag(line_km) OVER (
                   PARTITION BY vehicle_id ORDER BY read_at, line_km) AS rise
               FROM odometer WHERE set_aside IS NULL)
           WHERE rise < 0""",
        of_results=True,
    ),
    Check(
        "Every probability is between 0 and 1, every distance 0 or more.",
        """SELECT attempt_id FROM verdicts
           WHERE NOT coalesce(p_not_held BETWEEN 0 AND 1, true)
               OR NOT coalesce(p_same_fault BETWEEN 0 AND 1, true)
               OR NOT coalesce(p_worn BETWEEN 0 AND 1 AND p_new BETWEEN 0 AND 1, true)
               OR NOT coalesce(abs(p_same_fault + p_worn + p_new - 1) < 1e-6, true)
               OR NOT coalesce(km_to_go >= 0, true)
           UNION ALL SELECT attempt_id FROM attempts WHERE clean_km < 0 OR clean_days < 0""",
        of_results=True,
    ),
    Check(
        "An attempt that came back is one that was seen again, and no other.",
        """SELECT attempt_id FROM attempts JOIN verdicts USING (attempt_id)
           WHERE returned <> (outcome = 'came_back')""",
        of_results=True,
    ),
)


def check_rows(con: Connection) -> list[Finding]:
    """Run every check; one finding each, in order."""
    refusal = results_unfinished(con)
    findings = []
    for check in CHECKS:
        if check.of_results and refusal:
            findings.append(Finding(check.says, 0, left_out=refusal))
            continue
        texts = query(con, f"SELECT * FROM ({check.breaches}) t(what) ORDER BY ALL")["what"]
        findings.append(Finding(check.says, len(texts), tuple(texts.head(_NAMED))))
    return findings


def results_unfinished(con: Connection) -> str:
    """Say why the results do not cover all rows; empty if they do."""
    if not scalar(con, "SELECT count(*) FROM analyses"):
        return "nothing was analysed yet"
    if scalar(con, "SELECT count(*) FROM unfinished"):
        return "the last analysis did not finish; run 'afterclear analyse'"
    if scalar(con, "SELECT count(*) FROM stale_vehicles"):
        return "rows wait for an analysis; run 'afterclear analyse'"
    return ""


def check_archive(con: Connection, archive: Path) -> list[Finding]:
    """Read every archived file through: all there, none changed."""
    owed = query(
        con,
        """SELECT DISTINCT coalesce(c.kept_sha256, l.sha256) AS sha256
           FROM loads l LEFT JOIN archive_changes c USING (sha256)
           WHERE c.sha256 IS NULL OR c.kept_sha256 IS NOT NULL ORDER BY sha256""",
    )["sha256"].to_list()
    missing = [h[:12] for h in owed if not blob_path(archive, h).exists()]
    changed = [h[:12] for h in owed if blob_path(archive, h).exists() and not is_whole(archive, h)]
    return [
        Finding(
            "Every file in the ledger is in the archive, or was erased on record.",
            len(missing),
            tuple(missing[:_NAMED]),
        ),
        Finding(
            "Every archived file has the bytes it came with.",
            len(changed),
            tuple(changed[:_NAMED]),
        ),
    ]
