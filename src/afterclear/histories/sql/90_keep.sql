-- Replace the bucket's vehicles in the store.
DELETE FROM store.odometer WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.odometer BY NAME FROM odometer;
DELETE FROM store.moment_km WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.moment_km BY NAME FROM moment_km;
DELETE FROM store.vehicle_clocks WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.vehicle_clocks BY NAME
    SELECT vehicle_id, clock, km_per_day, last_at FROM vehicle_clocks
    LEFT JOIN rates USING (vehicle_id);
DELETE FROM store.observations WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.observations BY NAME
    SELECT r.vehicle_id, r.scan_id, r.ecu, r.seen_at, r.km, r.km_low, r.km_high, r.scan_scope,
        r.visit_reason, r.answered, r.memory, coalesce(s.n, 0)::INTEGER AS n_codes,
        r.since_clear_km, r.warmups, r.monitors_incomplete, r.ecu_vin
    FROM unit_readings r
    LEFT JOIN (SELECT vehicle_id, scan_id, ecu, count(*) AS n FROM sightings GROUP BY ALL) s
        ON s.vehicle_id = r.vehicle_id AND s.scan_id = r.scan_id AND s.ecu = r.ecu;
DELETE FROM store.sightings WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.sightings BY NAME
    SELECT s.vehicle_id, s.scan_id, s.ecu, s.code, s.family, r.seen_at, r.km, s.presence, s.status
    FROM sightings s JOIN readings r USING (vehicle_id, ecu, scan_id);
DELETE FROM store.clear_events WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.clear_events BY NAME FROM clear_events;
DELETE FROM store.episodes WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.episodes BY NAME
    SELECT vehicle_id, ecu, code, family, onset_low_at, onset_high_at, onset_low_km,
        onset_high_km, last_seen_at, last_seen_km, ended_by, ended_high_at, ended_high_km,
        n_scans::INTEGER AS n_scans
    FROM episodes;
DELETE FROM store.attempts WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.attempts BY NAME
    SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, a.kind,
        a.attempt_no::INTEGER AS attempt_no,
        coalesce(lag(w.returned) OVER (PARTITION BY a.vehicle_id, a.ecu, a.code
            ORDER BY a.attempt_no), false) AS is_repeat,
        a.repair_id, coalesce(j.site, v.site) AS site, j.technician, j.action, j.parts, j.cost,
        j.currency, a.attempted_at, a.attempted_km, a.ended_at,
        coalesce(w.clean_km, 0) AS clean_km, coalesce(w.clean_days, 0) AS clean_days,
        coalesce(w.returned, false) AS returned, coalesce(w.stayed, false) AS stayed,
        w.unwatched_km, w.returned_at, w.returned_scan_id, w.last_clean_at,
        w.last_clean_scan_id, r.related_code, coalesce(w.scans_used, 0)::INTEGER AS scans_used
    FROM attempts a
    LEFT JOIN jobs j USING (vehicle_id, repair_id)
    LEFT JOIN store.vehicles v USING (vehicle_id)
    LEFT JOIN attempt_windows w USING (attempt_id)
    LEFT JOIN related r USING (attempt_id);
DELETE FROM store.evidence WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.evidence BY NAME
    SELECT attempt_id, vehicle_id, scan_id, seen_at, km, finding, why, stretch_from_km,
        stretch_to_km
    FROM evidence;
DELETE FROM store.onsets WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.onsets BY NAME FROM onsets;
DELETE FROM store.watched WHERE vehicle_id IN (FROM bucket);
INSERT INTO store.watched BY NAME FROM watched;

-- what the codes met are about, in words, for pages and lists
DELETE FROM store.codes_met WHERE (code, family) IN (SELECT named, family FROM meanings);
INSERT INTO store.codes_met BY NAME
    SELECT named AS code, family, min(label) AS family_label, min(meaning) AS meaning,
        bool_and(certain) AS certain
    FROM meanings GROUP BY named, family;
DELETE FROM store.stale_vehicles WHERE vehicle_id IN (FROM bucket);
