"""Histories and rows as stored, as a person can take them out, and as pages need them.

By themselves: who tells one vehicle's history need not load what every finding declares.
"""

from typing import Final

# History tables first, then the plain layout as stored.
EXPORTS_HISTORIES: Final[dict[str, str]] = {
    "attempts": """
        SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, a.kind, a.attempt_no,
            a.repair_id, a.site, a.technician, a.attempted_at, a.attempted_km, v.outcome,
            a.stayed, v.p_not_held, v.p_same_fault, a.clean_km, a.clean_days, v.km_to_go,
            v.returned_low_km, v.returned_high_km, a.related_code, a.scans_used,
            a.returned_at, a.returned_scan_id, a.last_clean_at, a.last_clean_scan_id,
            a.ended_at, a.action, a.parts, a.cost, a.currency, c.clock, v.n_group,
            v.group_returned, v.p_worn, v.p_new, v.usual_life_km, a.beside_repair_id,
            e.attempt_id IS NOT NULL AS is_echo, o.echo_codes,
            coalesce(a.is_site_of_vehicle, false) AS is_site_of_vehicle
        FROM attempts a
        JOIN verdicts v USING (attempt_id)
        LEFT JOIN (SELECT attempt_id FROM echo_fixes) e USING (attempt_id)
        LEFT JOIN (SELECT primary_attempt_id AS attempt_id,
                string_agg(DISTINCT code, ' ' ORDER BY code) AS echo_codes
            FROM echo_fixes GROUP BY ALL) o USING (attempt_id)
        LEFT JOIN vehicle_clocks c USING (vehicle_id)
        ORDER BY a.vehicle_id, a.attempted_at, a.ecu, a.code, a.attempt_id""",
    "episodes": """
        SELECT vehicle_id, ecu, code, onset_low_at, onset_high_at, onset_low_km, onset_high_km,
            last_seen_at, ended_by, n_scans, family, last_seen_km, ended_high_at, ended_high_km
        FROM episodes
        ORDER BY vehicle_id, onset_high_at, ecu, code, last_seen_at, n_scans, ended_high_at""",
    "evidence": """
        SELECT attempt_id, vehicle_id, scan_id, seen_at, km, finding, reason, stretch_from_km,
            stretch_to_km, monitor, since_clear_km, needed_km
        FROM evidence ORDER BY vehicle_id, attempt_id, seen_at, scan_id""",
    "odometer": """
        SELECT vehicle_id, read_at, reading_km, line_km, set_aside, origin, origin_id
        FROM odometer ORDER BY vehicle_id, read_at, origin, origin_id, reading_km""",
    "vehicles": """
        SELECT vehicle_id, vin, plate, plate_since, make, model, model_year, powertrain, site,
            in_service_on, stock_status, acquired_on
        FROM vehicles ORDER BY vehicle_id""",
    "scans": """
        SELECT scan_id, vehicle_id, scanned_at, odometer_km, engine_hours, scan_scope, memory,
            ecu, ecu_response, code, status, description, occurrences, first_seen_km, ecu_vin,
            distance_since_clear_km, warmups_since_clear, monitors_incomplete, lamps,
            visit_reason
        FROM scans ORDER BY vehicle_id, scanned_at, scan_id, ecu, code, status""",
    "clears": """
        SELECT vehicle_id, cleared_at, odometer_km, ecu, reason
        FROM clears ORDER BY vehicle_id, cleared_at, ecu""",
    "repairs": """
        SELECT repair_id, vehicle_id, repaired_at, odometer_km, site, technician, codes, action,
            part_number, part_brand, part_grade, part_family, position, quantity, part_cost,
            labour_cost, currency, removal_reason, notes
        FROM repairs
        ORDER BY vehicle_id, repaired_at, repair_id, part_family, position, part_number, action""",
    # what was read from texts alone; ``why``: nothing was, a person must look
    "order_texts": """
        SELECT t.vehicle_id, r.repaired_at, t.repair_id, t.notes, t.part, t.family, t.action,
            t.why, t.named
        FROM order_texts t
        JOIN (SELECT vehicle_id, repair_id, min(repaired_at) AS repaired_at FROM repairs
              GROUP BY ALL) r USING (vehicle_id, repair_id)
        ORDER BY t.why NULLS LAST, t.vehicle_id, r.repaired_at, t.repair_id, t.notes, t.family,
            t.part, t.action""",
    "rejections": """
        SELECT load_id, file_name, line, table_name, column_name, value, expected, row_json
        FROM rejections ORDER BY load_id, line, column_name, value, row_json""",
    "loads": "FROM loads ORDER BY load_id",
}

# What the digest needs besides the exports: the same rows, with words and more of their ends.
PAGE_FRAMES: Final[dict[str, str]] = {
    "vehicles": EXPORTS_HISTORIES["vehicles"],
    "attempts": f"""
        SELECT t.*, m.family_label, m.meaning, w.primary_code AS followed_code,
            w.primary_ecu AS followed_ecu,
            CASE WHEN t.outcome IN ('on_watch', 'unchecked') THEN t.clean_km + t.km_to_go END
                AS needed_km
        FROM ({EXPORTS_HISTORIES["attempts"]}) t
        LEFT JOIN codes_met m USING (code, family)
        LEFT JOIN (SELECT attempt_id, primary_code, primary_ecu FROM echo_work) w
            USING (attempt_id)
        ORDER BY t.vehicle_id, t.attempted_at, t.ecu, t.code""",
    "evidence": EXPORTS_HISTORIES["evidence"],
    "episodes": f"""
        SELECT e.*, m.family_label, m.meaning
        FROM ({EXPORTS_HISTORIES["episodes"]}) e
        LEFT JOIN codes_met m USING (code, family)
        ORDER BY e.vehicle_id, e.onset_high_at, e.ecu, e.code, e.last_seen_at, e.n_scans""",
    "observations": """
        SELECT vehicle_id, scan_id, ecu, seen_at, km, scan_scope, visit_reason, answered, memory,
            n_codes
        FROM observations ORDER BY vehicle_id, seen_at, scan_id, ecu""",
    "sightings": """
        SELECT vehicle_id, scan_id, ecu, code, seen_at, km, presence, status
        FROM sightings WHERE presence <> 'absent'
        ORDER BY vehicle_id, seen_at, scan_id, ecu, code""",
    "clear_events": """
        SELECT vehicle_id, ecu, cleared_at, low_at AS cleared_low_at, high_at AS cleared_high_at,
            km_low, km_high, origin, reason
        FROM clear_events ORDER BY vehicle_id, cleared_at, ecu, high_at, km_low, km, origin""",
    "repairs": """
        SELECT r.*, m.km
        FROM (SELECT *, min(repaired_at) OVER (PARTITION BY vehicle_id, repair_id) AS first_at
              FROM repairs) r
        LEFT JOIN moment_km m ON m.vehicle_id = r.vehicle_id AND m.origin = 'repair'
            AND m.origin_id = r.repair_id
        ORDER BY r.vehicle_id, r.repaired_at, r.repair_id, r.part_family, r.position""",
    "odometer": EXPORTS_HISTORIES["odometer"],
    "loads": EXPORTS_HISTORIES["loads"],
}
