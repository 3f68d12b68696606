"""Roles, stock, worklist and decisions as a person can take them out, and as pages need them."""

from typing import Final

from afterclear.store.queries.exports_findings import PAGE_FINDINGS

_ROLES: Final = ("roles", "role_pairs", "leftovers", "echo_work", "echo_fixes", "related_returns")

# Columns that others read come first (their names and order stay), then what explains them.
EXPORTS_ROLES: Final[dict[str, str]] = {
    **{name: PAGE_FINDINGS[name] for name in _ROLES},
    "stock": """
        SELECT vehicle_id, verdict, reasons, km_to_rescan, last_full_scan_at, deciding, safety
        FROM stock ORDER BY vehicle_id""",
    "stock_reasons": """
        SELECT vehicle_id, position, reason, weight, subject, km_to_rescan, source, facts
        FROM stock_reasons ORDER BY vehicle_id, position""",
    "worklist": """
        SELECT vehicle_id, rank, safety, attempt_ids, audience, kind, site, units_to_scan,
            after_km, p_not_fixed, expected_loss, currency, codes, cautions, decision, note, deeds,
            grounds, looks, cost_grounds
        FROM worklist WHERE rank IS NOT NULL ORDER BY audience, rank""",
    "worklist_set_aside": """
        SELECT vehicle_id, rank, safety, attempt_ids, audience, kind, site, units_to_scan,
            after_km, p_not_fixed, expected_loss, currency, codes, cautions, decision, note, deeds,
            grounds, looks, cost_grounds
        FROM worklist WHERE rank IS NULL ORDER BY audience, vehicle_id, site, decision""",
    "decisions": """
        SELECT decision_id, vehicle_id, attempt_id, ecu, code, word, until_at, until_km,
            decided_by, note, decided_at, undone_by, undone_at
        FROM decisions ORDER BY decision_id""",
}

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
        SELECT s.*, v.plate, v.make, v.model, v.model_year, v.site, v.acquired_on
        FROM ({EXPORTS_ROLES["stock"]}) s LEFT JOIN vehicles v USING (vehicle_id)
        ORDER BY s.verdict = 'ready', s.verdict = 'rescan', NOT s.safety, s.vehicle_id""",
    "stock_reasons": EXPORTS_ROLES["stock_reasons"],
    "worklist": EXPORTS_ROLES["worklist"],
    "worklist_set_aside": EXPORTS_ROLES["worklist_set_aside"],
    "decisions": EXPORTS_ROLES["decisions"],
}
