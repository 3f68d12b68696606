"""What a dossier cites beside a vehicle's rows: delivered files, and what control units report."""

from typing import Final

PAGE_DOSSIER: Final[dict[str, str]] = {
    # which delivered file each scan, work order, clear and vehicle row was read from
    "record_files": """
        SELECT r.vehicle_id, r.kind, r.record_id, l.load_id, l.file_name, l.sha256
        FROM (
            SELECT DISTINCT vehicle_id, 'scan' AS kind, scan_id AS record_id, load_id
            FROM scan_facts
            UNION ALL
            SELECT DISTINCT vehicle_id, 'repair', repair_id, load_id FROM repairs
            UNION ALL
            SELECT DISTINCT vehicle_id, 'clear', strftime(cleared_at, '%Y-%m-%dT%H:%M:%S'), load_id
            FROM clears
            UNION ALL
            SELECT vehicle_id, 'vehicle', vehicle_id, load_id FROM vehicles
        ) r JOIN loads l USING (load_id)
        ORDER BY r.vehicle_id, l.load_id, r.kind, r.record_id""",
    # identification number, counters and self-tests as each unit reported them
    "unit_reports": """
        SELECT vehicle_id, scan_id, ecu, seen_at, ecu_vin, since_clear_km, warmups,
            monitors_incomplete
        FROM observations
        WHERE ecu_vin IS NOT NULL OR since_clear_km IS NOT NULL OR warmups IS NOT NULL
            OR monitors_incomplete IS NOT NULL
        ORDER BY vehicle_id, seen_at, scan_id, ecu""",
}
