-- Put the bucket's vehicles into the store, with names instead of numbers.
-- a plain reading of a scan is kept with the scan, below
INSERT INTO store.other_readings BY NAME
    SELECT b.vehicle_id, o.* EXCLUDE (vehicle_no, scan_no)
    FROM odometer o JOIN bucket b USING (vehicle_no)
    WHERE o.origin <> 'scan' OR o.set_aside IS NOT NULL OR o.line_km IS DISTINCT FROM o.reading_km;
INSERT INTO store.other_moments BY NAME
    SELECT b.vehicle_id, m.* EXCLUDE (vehicle_no, scan_no)
    FROM moment_km m JOIN bucket b USING (vehicle_no)
    WHERE m.origin <> 'scan';
INSERT INTO store.vehicle_clocks BY NAME
    SELECT b.vehicle_id, c.clock, r.km_per_day, r.last_at
    FROM vehicle_clocks c
    JOIN bucket b USING (vehicle_no)
    LEFT JOIN rates r USING (vehicle_no);
-- numbers go on from the highest in the store
SET VARIABLE last_scan_no = (SELECT coalesce(max(scan_no), 0) FROM store.scan_moments);
SET VARIABLE last_unit_no = (SELECT coalesce(max(unit_no), 0) FROM store.known_units);
SET VARIABLE last_fix_no = (SELECT coalesce(max(fix_no), 0) FROM store.fix_numbers);
-- patterns that the store lacks, with numbers of their own
SET VARIABLE last_pattern_no = (SELECT coalesce(max(pattern_no), 0) FROM store.unit_patterns);
CREATE OR REPLACE TEMP TABLE new_patterns AS
SELECT pattern, (getvariable('last_pattern_no') + row_number() OVER (ORDER BY pattern))::INTEGER
    AS pattern_no
FROM (SELECT pattern FROM scan_patterns UNION SELECT pattern FROM clear_patterns)
ANTI JOIN store.unit_patterns USING (pattern);
INSERT INTO store.unit_patterns BY NAME
    SELECT pattern_no, pattern, place // 4 AS unit_at, place // 2 % 2 = 1 AS answered,
        place % 2 = 1 AS is_stored_memory
    FROM (SELECT *, unnest(range(len(pattern))) AS place FROM new_patterns)
    WHERE pattern[place + 1] = '1';
CREATE OR REPLACE TEMP TABLE pattern_numbers AS
SELECT pattern, min(pattern_no) AS pattern_no FROM store.unit_patterns GROUP BY pattern;
INSERT INTO store.scan_moments BY NAME
    SELECT h.scan_no + getvariable('last_scan_no') AS scan_no, b.vehicle_id, h.scan_id, h.seen_at,
        m.km, nullif(m.km_low, m.km) AS km_low, nullif(m.km_high, m.km) AS km_high,
        nullif(o.reading_km, m.km) AS reading_km, o.reading_km IS NOT NULL AS is_reading,
        h.scan_scope, h.visit_reason,
        p.first_unit_no + getvariable('last_unit_no') AS first_unit_no, n.pattern_no
    FROM scan_heads h
    JOIN bucket b USING (vehicle_no)
    LEFT JOIN moment_km m USING (scan_no)
    LEFT JOIN odometer o ON o.scan_no = h.scan_no AND o.set_aside IS NULL
        AND o.line_km = o.reading_km
    LEFT JOIN scan_patterns p USING (scan_no)
    LEFT JOIN pattern_numbers n USING (pattern)
    ORDER BY h.scan_no;
INSERT INTO store.known_units BY NAME
    SELECT u.unit_no + getvariable('last_unit_no') AS unit_no, b.vehicle_id, u.ecu
    FROM unit_names u JOIN bucket b USING (vehicle_no);
INSERT INTO store.unit_notes BY NAME
    SELECT b.vehicle_id, r.scan_no + getvariable('last_scan_no') AS scan_no,
        r.unit_no + getvariable('last_unit_no') AS unit_no, coalesce(s.n, 0)::INTEGER AS n_codes,
        r.since_clear_km, r.warmups, r.monitors_incomplete, r.ecu_vin
    FROM unit_readings r
    JOIN bucket b USING (vehicle_no)
    LEFT JOIN (SELECT scan_no, unit_no, count(*) AS n FROM sightings GROUP BY ALL) s
        ON s.scan_no = r.scan_no AND s.unit_no = r.unit_no
    WHERE coalesce(s.n, r.since_clear_km, r.warmups) IS NOT NULL
        OR coalesce(r.monitors_incomplete, r.ecu_vin) IS NOT NULL
    ORDER BY r.scan_no, r.unit_no;
INSERT INTO store.sightings BY NAME
    SELECT b.vehicle_id, h.scan_id, u.ecu, f.code, f.family, h.seen_at, r.km, s.presence,
        s.status, s.description
    FROM sightings s
    JOIN faults f USING (fault_no)
    JOIN bucket b ON b.vehicle_no = f.vehicle_no
    JOIN scan_heads h ON h.scan_no = s.scan_no
    JOIN unit_names u ON u.unit_no = f.unit_no
    JOIN readings r ON r.unit_no = s.unit_no AND r.scan_no = s.scan_no;
INSERT INTO store.clears_placed BY NAME
    SELECT b.vehicle_id, n.pattern_no,
        c.* EXCLUDE (vehicle_no, pattern)
            REPLACE (c.first_unit_no + getvariable('last_unit_no') AS first_unit_no)
    FROM clear_patterns c
    JOIN pattern_numbers n USING (pattern)
    JOIN bucket b USING (vehicle_no)
    ORDER BY c.vehicle_no, c.cleared_at, n.pattern_no;
INSERT INTO store.episodes BY NAME
    SELECT b.vehicle_id, u.ecu, e.code, e.family, e.onset_low_at, e.onset_high_at,
        e.onset_low_km, e.onset_high_km, e.last_seen_at, e.last_seen_km, e.ended_by,
        e.ended_high_at, e.ended_high_km, e.n_scans::INTEGER AS n_scans
    FROM episodes e
    JOIN bucket b USING (vehicle_no)
    JOIN unit_names u USING (unit_no);
INSERT INTO store.attempts BY NAME
    SELECT a.attempt_id, a.vehicle_id, a.ecu, a.code, a.family, a.kind,
        a.attempt_no::INTEGER AS attempt_no,
        coalesce(lag(w.returned) OVER (PARTITION BY a.fault_no ORDER BY a.attempt_no), false)
            OR a.fix_no IN (FROM repeats) AS is_repeat,
        a.repair_id, a.beside_repair_id, coalesce(j.site, k.site, v.site) AS site,
        j.site IS NULL AND k.site IS NULL AND v.site IS NOT NULL AS is_site_of_vehicle, j.technician, j.action, j.parts, j.cost,
        j.currency, a.attempted_at, a.attempted_km, a.ended_at,
        coalesce(w.clean_km, 0) AS clean_km, coalesce(w.clean_days, 0) AS clean_days,
        coalesce(w.returned, false) AS returned, coalesce(w.stayed, false) AS stayed,
        w.unwatched_km, w.returned_at, back.scan_id AS returned_scan_id, w.last_clean_at,
        clean.scan_id AS last_clean_scan_id, r.related_code,
        o.counted_with,
        coalesce(w.scans_used, 0)::INTEGER AS scans_used, p.may_wear, p.part_brand
    FROM attempts a
    LEFT JOIN fitted p USING (fix_no)
    LEFT JOIN jobs j USING (vehicle_no, repair_id)
    LEFT JOIN jobs k ON k.vehicle_no = a.vehicle_no AND k.repair_id = a.beside_repair_id
    LEFT JOIN store.vehicles v ON v.vehicle_id = a.vehicle_id
    LEFT JOIN attempt_windows w USING (fix_no)
    LEFT JOIN scan_heads back ON back.scan_no = w.returned_scan_no
    LEFT JOIN scan_heads clean ON clean.scan_no = w.last_clean_scan_no
    LEFT JOIN related r USING (fix_no)
    LEFT JOIN one_fix o USING (fix_no);
INSERT INTO store.fix_numbers BY NAME
    SELECT fix_no + getvariable('last_fix_no') AS fix_no, attempt_id, vehicle_id
    FROM attempts ORDER BY fix_no;
INSERT INTO store.evidence_runs BY NAME
    SELECT e.* REPLACE (e.fix_no + getvariable('last_fix_no') AS fix_no,
        e.first_scan_no + getvariable('last_scan_no') AS first_scan_no)
    FROM evidence_runs e ORDER BY fix_no, first_scan_no;
INSERT INTO store.onsets BY NAME
    SELECT b.vehicle_id, u.ecu, o.family, o.before_km, o.gap_km
    FROM onsets o
    JOIN unit_names u USING (unit_no)
    JOIN bucket b USING (vehicle_no);
INSERT INTO store.watched BY NAME
    SELECT b.vehicle_id, u.ecu, w.km
    FROM watched w
    JOIN unit_names u USING (unit_no)
    JOIN bucket b USING (vehicle_no);

-- what the codes in use are about, in words, for pages and lists
INSERT INTO store.vehicle_words BY NAME
    SELECT b.vehicle_id, m.named AS code, m.family, min(m.label) AS family_label,
        min(m.meaning) AS meaning, bool_and(m.certain) AS certain
    FROM told_codes c
    JOIN meanings m ON m.make IS NOT DISTINCT FROM c.make AND m.ecu = c.ecu AND m.code = c.code
        AND m.description IS NOT DISTINCT FROM c.description
    JOIN bucket b USING (vehicle_no)
    GROUP BY b.vehicle_id, m.named, m.family;
INSERT INTO store.order_texts BY NAME
    SELECT b.vehicle_id, w.repair_id, w.notes, w.part, w.family, w.action, w.why, w.named
    FROM order_works w JOIN bucket b USING (vehicle_no);
DELETE FROM store.stale_vehicles WHERE vehicle_id IN (SELECT vehicle_id FROM bucket);
