"""What pages need besides histories, findings and roles; and exports of digests."""

from typing import Final

from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.store.queries.digest_changes import said_by

EXPORTS_DIGEST: Final[dict[str, str]] = {
    # made digests by number, with what makes them again, and the sent ledger
    "digests": """
        SELECT digest_id, as_of, told_at, version, audiences, is_public, previous_digest, settings,
            n_pages
        FROM digest_archive ORDER BY digest_id""",
    "sent": """
        SELECT way, subject, recipient, as_of, begun_at, sent_at, failure
        FROM sent ORDER BY begun_at, recipient, subject""",
}

PAGE_WORDS: Final = """
    SELECT code, family, min(family_label) AS family_label, min(meaning) AS meaning
    FROM codes_met GROUP BY code, family ORDER BY code, family"""

# Of a large fleet's vehicles and faults, the dearest in each currency.
PAGE_COSTS: Final = f"""
    SELECT * FROM ({PAGE_FINDINGS["costs"]})
    QUALIFY kind IN ('fleet', 'site') OR row_number() OVER (PARTITION BY kind, currency
        ORDER BY amount DESC, vehicle_id, fault) <= 20
    ORDER BY kind, currency, amount DESC, vehicle_id, site, fault"""

# What the audiences' pages are chosen from, summed up here so that no more than a row a vehicle
# and the open attempts leave the store.  Variables: look_back, before (digest_id), before_at,
# usual_days.  ``tests/digest/every_row.py`` says the same of every row; a test holds
# the two together.
_LINE: Final = """
    WITH read AS (  -- one point a moment
        SELECT vehicle_id, read_at AS moment, max(line_km) AS km
        FROM odometer WHERE line_km IS NOT NULL AND set_aside IS NULL GROUP BY ALL
    ),
    reckoned AS (  -- no odometer: what stands in for it at each scan
        SELECT vehicle_id, seen_at AS moment, arg_max(km, scan_id) AS km
        FROM scan_moments
        WHERE km IS NOT NULL AND vehicle_id NOT IN (SELECT vehicle_id FROM read)
        GROUP BY ALL
    ),
    points AS (FROM read UNION ALL FROM reckoned),
    ends AS (SELECT vehicle_id, max(moment) AS last_at FROM points GROUP BY vehicle_id)
    SELECT vehicle_id, min(moment) AS line_first_at, arg_min(km, moment) AS line_first_km,
        max(moment) AS line_last_at, arg_max(km, moment) AS line_last_km, count(*) AS line_n
    FROM points JOIN ends USING (vehicle_id)
    WHERE moment >= last_at - to_days(getvariable('usual_days')::INTEGER)
    GROUP BY vehicle_id"""

PAGE_FLEET: Final[dict[str, str]] = {
    "fleet": f"""
        WITH met AS (
            SELECT vehicle_id FROM vehicles
            UNION SELECT vehicle_id FROM attempts
            UNION SELECT vehicle_id FROM episodes
            UNION SELECT vehicle_id FROM scan_moments
            UNION SELECT vehicle_id FROM repairs
            UNION SELECT vehicle_id FROM clear_events
            UNION SELECT vehicle_id FROM odometer
        ),
        fixes AS (
            SELECT vehicle_id, count(*) FILTER (outcome = 'held') AS n_held,
                count(*) FILTER (outcome = 'on_watch') AS n_on_watch,
                count(*) FILTER (outcome = 'unchecked') AS n_unchecked,
                count(*) FILTER (outcome = 'came_back') AS n_came_back
            FROM attempts JOIN verdicts USING (attempt_id) ANTI JOIN echo_fixes USING (attempt_id)
            GROUP BY vehicle_id
        ),
        scanned AS (
            SELECT vehicle_id, max(seen_at) AS last_scan_at
            FROM scan_moments WHERE pattern_no IS NOT NULL GROUP BY vehicle_id
        ),
        line AS ({_LINE})
        SELECT vehicle_id, v.vin, v.plate, v.make, v.model, v.model_year, v.powertrain, v.site,
            v.in_service_on, v.stock_status, v.acquired_on, coalesce(n_held, 0) AS n_held,
            coalesce(n_on_watch, 0) AS n_on_watch, coalesce(n_unchecked, 0) AS n_unchecked,
            coalesce(n_came_back, 0) AS n_came_back, last_scan_at,
            line.* EXCLUDE (vehicle_id)
        FROM met
        LEFT JOIN vehicles v USING (vehicle_id)
        LEFT JOIN fixes USING (vehicle_id)
        LEFT JOIN scanned USING (vehicle_id)
        LEFT JOIN line USING (vehicle_id)
        ORDER BY vehicle_id""",
    "attempts": f"""
        WITH before AS (
            SELECT attempt_id, outcome AS outcome_before
            FROM ({said_by("getvariable('before')")})
        ),
        judged AS (
            SELECT a.*, v.outcome, v.km_to_go, v.p_same_fault,
                getvariable('before') IS NOT NULL AND v.outcome IN ('came_back', 'held')
                    AND v.outcome IS DISTINCT FROM b.outcome_before AS changed
            FROM attempts a
            JOIN verdicts v USING (attempt_id)
            LEFT JOIN before b USING (attempt_id)
            -- counted with the fix of the fault they followed from
            ANTI JOIN echo_fixes USING (attempt_id)
        ),
        told AS (
            FROM judged
            WHERE changed OR (outcome IN ('on_watch', 'unchecked') AND ended_at IS NULL)
                OR (outcome = 'came_back'
                    AND coalesce(returned_at, attempted_at) >= getvariable('look_back'))
        ),
        clean AS (
            SELECT attempt_id, max(stretch_to_km) AS stretch_to_km FROM evidence
            WHERE attempt_id IN (SELECT attempt_id FROM told) GROUP BY attempt_id
        )
        SELECT t.attempt_id, t.vehicle_id, t.ecu, t.code, t.family, t.related_code, t.kind,
            t.outcome, c.clock, t.repair_id, t.attempted_at, t.ended_at, t.returned_at,
            t.last_clean_at,
            coalesce(e.stretch_to_km, t.attempted_km + coalesce(t.clean_km, 0)) AS clean_until_km,
            t.km_to_go, t.p_same_fault, t.cost, t.currency, t.changed
        FROM told t
        LEFT JOIN vehicle_clocks c USING (vehicle_id)
        LEFT JOIN clean e USING (attempt_id)
        ORDER BY t.vehicle_id, t.attempted_at, t.attempt_id""",
    "open_faults": """
        SELECT vehicle_id, ecu, code, family FROM episodes WHERE ended_by = 'open'
        ORDER BY vehicle_id, ecu, code""",
    "tallies": """
        SELECT kind, outcome, count(*) AS n FROM attempts JOIN verdicts USING (attempt_id)
        ANTI JOIN echo_fixes USING (attempt_id)
        GROUP BY ALL ORDER BY ALL""",
    # the year before the day of the pages, from the begin of its first quarter
    "year": """
        SELECT strftime(attempted_at, '%Y') || '-Q' || quarter(attempted_at) AS quarter, outcome,
            count(*) AS n
        FROM attempts JOIN verdicts USING (attempt_id) ANTI JOIN echo_fixes USING (attempt_id)
        WHERE attempted_at >= getvariable('year_from')
        GROUP BY ALL ORDER BY ALL""",
    "set_aside": """
        SELECT set_aside, count(*) AS n, count(DISTINCT vehicle_id) AS vehicles
        FROM odometer WHERE set_aside IS NOT NULL GROUP BY ALL ORDER BY ALL""",
}

# ... and the numbers of one row each
PAGE_COUNTS: Final[dict[str, str]] = {
    "n_failed_before": """
        SELECT count(*) FROM attempts JOIN verdicts USING (attempt_id)
        ANTI JOIN echo_fixes USING (attempt_id)
        WHERE outcome = 'came_back'
            AND coalesce(returned_at, attempted_at) < getvariable('look_back')""",
    "n_scans": "SELECT count(*) FROM scan_moments WHERE pattern_no IS NOT NULL",
    "n_partial": """
        SELECT count(*) FROM scan_moments
        WHERE scan_scope = 'partial' AND pattern_no IS NOT NULL""",
}

# Episodes that are news since the digest before, out of those with their words
PAGE_NEWS: Final[dict[str, str]] = {
    "new": """
        SELECT e.* FROM ({episodes}) e
        LEFT JOIN (SELECT vehicle_id, ecu, code, min(attempted_at) AS first_at
                   FROM attempts GROUP BY ALL) a USING (vehicle_id, ecu, code)
        -- a code that follows from another is no fault of its own
        ANTI JOIN (SELECT vehicle_id, ecu, code, seen_at AS onset_high_at FROM roles
                   WHERE role = 'consequential') USING (vehicle_id, ecu, code, onset_high_at)
        -- and one that shows a fix's fault again is told as its return
        ANTI JOIN (SELECT vehicle_id, ecu, related_code AS code, returned_at AS onset_high_at
                   FROM attempts JOIN verdicts USING (attempt_id) WHERE outcome = 'came_back')
            USING (vehicle_id, ecu, code, onset_high_at)
        WHERE e.onset_high_at > getvariable('before_at')
            AND (a.first_at IS NULL OR a.first_at >= e.onset_high_at)
        ORDER BY e.vehicle_id, e.onset_high_at, e.ecu, e.code, e.last_seen_at, e.n_scans""",
    "gone": """
        SELECT e.* FROM ({episodes}) e
        -- what followed from another fault is gone with it
        ANTI JOIN (SELECT vehicle_id, ecu, code, seen_at AS last_seen_at FROM roles
                   WHERE role = 'consequential') USING (vehicle_id, ecu, code, last_seen_at)
        WHERE e.ended_by = 'clean_scan' AND e.ended_high_at > getvariable('before_at')
        ORDER BY e.vehicle_id, e.onset_high_at, e.ecu, e.code, e.last_seen_at, e.n_scans""",
}

# Of tables with rows for most vehicles, what chooses and orders the rows pages show
PAGE_SLIM: Final[dict[str, str]] = {
    "recurring": f"""
        SELECT vehicle_id, ecu, code, family, family_label, n_episodes, q_value, flagged
        FROM ({PAGE_FINDINGS["recurring"]}) LEFT JOIN ({PAGE_WORDS}) USING (code, family)
        ORDER BY flagged DESC, q_value, vehicle_id, ecu, code""",
    "worklist": """
        SELECT vehicle_id, audience, kind, rank, safety, codes, urgency, site,
            usual_cost, currency, cost_grounds
        FROM worklist
        WHERE rank IS NOT NULL AND (audience = 'fleet'
            OR audience = 'stock' AND urgency = 'do_not_drive')
        ORDER BY audience, rank""",
    "worklist_set_aside": "SELECT audience FROM worklist WHERE rank IS NULL ORDER BY ALL",
    "claims": f"""
        SELECT c.* FROM ({PAGE_FINDINGS["claims"]}) c
        SEMI JOIN (SELECT * FROM parts WHERE flagged) p
            ON c.part_number IS NOT DISTINCT FROM p.part_number
            AND c.part_brand IS NOT DISTINCT FROM p.part_brand AND c.part_family = p.part_family
        ORDER BY c.part_family, c.part_brand, c.part_number, c.km_run, c.vehicle_id, c.position,
            c.fitted_km""",
}
# Sites, technicians, brands and grades in one
PAGE_HOLDERS: Final = "FROM holders ORDER BY level, ratio DESC NULLS LAST, name, at_sites"
# People and sites: names that may be quoted anywhere
PAGE_PEOPLE: Final = """
    SELECT technician, site FROM attempts
    UNION SELECT technician, site FROM repairs
    UNION SELECT decided_by, NULL FROM decisions
    UNION SELECT undone_by, NULL FROM decisions ORDER BY ALL"""
