-- Runs of evidence find their attempt before they are told scan by scan: the evidence of one vehicle
-- is then asked for without telling that of the whole fleet.
CREATE OR REPLACE VIEW evidence AS
SELECT e.attempt_id, e.vehicle_id, m.scan_id, m.seen_at, m.km, e.finding, e.reason, e.monitor,
    CASE WHEN e.clear_km IS NOT NULL THEN greatest(0, m.km - e.clear_km) END AS since_clear_km,
    e.needed_km,
    CASE WHEN e.nth = 0 THEN e.stretch_from_km WHEN e.finding = 'clean' THEN b.km END
        AS stretch_from_km,
    CASE WHEN e.finding = 'clean' THEN m.km END AS stretch_to_km
FROM (SELECT r.*, a.attempt_id, a.vehicle_id, unnest(range(r.n_scans)) AS nth
      FROM evidence_runs r JOIN fix_numbers a USING (fix_no)) e
JOIN scan_moments m ON m.scan_no = e.first_scan_no + e.nth
LEFT JOIN scan_moments b ON b.scan_no = m.scan_no - 1;
