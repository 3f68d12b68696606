"""Roles, stock, worklist and decisions as a person can take them out, and as pages need them."""

from typing import Final

from afterclear.finding_tables.declaration import export_sql
from afterclear.finding_tables.roles import FINDINGS

# Columns that others read come first (their names and order stay), then what explains them.
EXPORTS_ROLES: Final[dict[str, str]] = {
    **{finding.name: export_sql(finding) for finding in FINDINGS},
    "stock": """
        SELECT vehicle_id, verdict, reasons, km_to_rescan, last_full_scan_at, deciding, safety
        FROM stock ORDER BY vehicle_id""",
    "stock_reasons": """
        SELECT vehicle_id, position, reason, weight, subject, km_to_rescan, source, facts
        FROM stock_reasons ORDER BY vehicle_id, position""",
    "worklist": """
        SELECT vehicle_id, rank, safety, attempt_ids, audience, kind, site, units_to_scan,
            after_km, p_not_fixed, expected_loss, currency, codes, cautions, decision, note, deeds,
            grounds, looks, cost_grounds, urgency, since_at, meaning,
            usual_cost
        FROM worklist WHERE rank IS NOT NULL ORDER BY audience, rank""",
    "worklist_set_aside": """
        SELECT vehicle_id, rank, safety, attempt_ids, audience, kind, site, units_to_scan,
            after_km, p_not_fixed, expected_loss, currency, codes, cautions, decision, note, deeds,
            grounds, looks, cost_grounds, urgency, since_at, meaning,
            usual_cost
        FROM worklist WHERE rank IS NULL ORDER BY audience, vehicle_id, site, decision""",
    "decisions": """
        SELECT decision_id, vehicle_id, attempt_id, ecu, code, word, until_at, until_km,
            decided_by, note, decided_at, undone_by, undone_at
        FROM decisions ORDER BY decision_id""",
}

# Each vehicle in stock: when a list first named it as stock, its last scan, a later odometer.
# (by when a list first came: one that is read again is no later list)
_STOCK_SINCE: Final = """
    WITH deliveries AS (
        SELECT load_id, min(finished_at) OVER (PARTITION BY sha256) AS came_at FROM loads
    ),
    listed AS (
        SELECT vehicle_id, stock_status, came_at FROM vehicles JOIN deliveries USING (load_id)
        UNION ALL
        SELECT row_json->>'vehicle_id', row_json->>'stock_status', came_at
        FROM superseded JOIN deliveries USING (load_id)
        WHERE table_name = 'vehicles'
    ),
    elsewhere AS (
        SELECT vehicle_id, max(came_at) AS came_at FROM listed
        WHERE stock_status <> 'in_stock' GROUP BY vehicle_id
    )
    SELECT l.vehicle_id, min(l.came_at) AS listed_at,
        bool_or(e.came_at IS NOT NULL) AS was_elsewhere
    FROM listed l
    LEFT JOIN elsewhere e USING (vehicle_id)
    WHERE l.stock_status = 'in_stock' AND (e.came_at IS NULL OR l.came_at > e.came_at)
    GROUP BY l.vehicle_id"""
_STOCK_LAST: Final = """
    SELECT vehicle_id, arg_max(scan_id, (seen_at, scan_id)) AS last_scan_id,
        max(seen_at) AS last_scan_at,
        arg_max({'km': km}, (seen_at, scan_id)).km AS line_km
    FROM scan_moments
    WHERE vehicle_id IN (SELECT vehicle_id FROM stock) AND pattern_no IS NOT NULL
    GROUP BY vehicle_id"""
_STOCK_READ: Final = """
    SELECT vehicle_id, max(read_at) AS read_at, max(line_km) AS line_km
    FROM odometer WHERE vehicle_id IN (SELECT vehicle_id FROM stock) AND line_km IS NOT NULL
    GROUP BY vehicle_id"""
# a reading that does not fit the others is not what the instrument shows
_STOCK_SHOWN: Final = """
    SELECT vehicle_id, origin_id AS last_scan_id, max(reading_km) AS shown_km
    FROM odometer
    WHERE vehicle_id IN (SELECT vehicle_id FROM stock) AND origin = 'scan'
        AND (set_aside IS NULL OR set_aside = 'lasting_drop')
    GROUP BY ALL"""

# What pages ask: the same rows, with words, and the present state of each vehicle.
PAGE_ROLES: Final[dict[str, str]] = {
    "roles": f"""
        SELECT r.*, m.meaning, m.family_label
        FROM ({EXPORTS_ROLES["roles"]}) r
        LEFT JOIN (SELECT code, min(meaning) AS meaning, min(family_label) AS family_label
                   FROM codes_met GROUP BY code) m USING (code)
        ORDER BY r.vehicle_id, r.seen_at, r.scan_id, r.ecu, r.code""",
    # the latest role of every code that is open now
    "open_roles": """
        SELECT r.scan_id, r.vehicle_id, r.ecu, r.code, r.role, r.primary_ecu, r.primary_code,
            r.confidence, r.reason, r.facts, r.seen_at, r.basis, r.source, r.to_scan
        FROM roles r
        JOIN episodes e ON e.vehicle_id = r.vehicle_id AND e.ecu = r.ecu AND e.code = r.code
            AND e.ended_by = 'open'
        QUALIFY row_number() OVER (PARTITION BY r.vehicle_id, r.ecu, r.code
            ORDER BY r.seen_at DESC, r.scan_id DESC) = 1
        ORDER BY r.vehicle_id, r.role = 'consequential', r.ecu, r.code""",
    "leftovers": EXPORTS_ROLES["leftovers"],
    "echo_work": EXPORTS_ROLES["echo_work"],
    "related_returns": EXPORTS_ROLES["related_returns"],
    "stock": f"""
        SELECT s.*, v.plate, v.make, v.model, v.model_year, v.site, v.acquired_on,
            since.listed_at, since.was_elsewhere, scan.last_scan_id, scan.last_scan_at,
            shown.shown_km, CASE WHEN o.read_at > scan.last_scan_at THEN o.read_at END AS read_at,
            o.line_km - scan.line_km AS driven_km
        FROM ({EXPORTS_ROLES["stock"]}) s LEFT JOIN vehicles v USING (vehicle_id)
        LEFT JOIN ({_STOCK_SINCE}) since USING (vehicle_id)
        LEFT JOIN ({_STOCK_LAST}) scan USING (vehicle_id)
        LEFT JOIN ({_STOCK_READ}) o USING (vehicle_id)
        LEFT JOIN ({_STOCK_SHOWN}) shown
            ON shown.vehicle_id = s.vehicle_id AND shown.last_scan_id = scan.last_scan_id
        ORDER BY s.verdict = 'ready', s.verdict = 'rescan', NOT s.safety, s.vehicle_id""",
    "stock_reasons": EXPORTS_ROLES["stock_reasons"],
    "worklist": EXPORTS_ROLES["worklist"],
    "worklist_set_aside": EXPORTS_ROLES["worklist_set_aside"],
    "decisions": EXPORTS_ROLES["decisions"],
}
