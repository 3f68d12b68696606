-- Rows as a store of each schema held them: a section is put in right after the migration it names.
-- Like the migrations, a section is never changed once released; a new table gets a new section.

-- 0001_plain.sql
INSERT INTO vehicles (vehicle_id, vin, plate, make, model, site, in_service_on, stock_status, load_id)
VALUES ('U-1', 'WTR00000000000071', 'UP 71', 'Tarrovane', 'Lumo', 'North', '2022-03-01', NULL, 1),
    ('U-2', 'WTR00000000000072', 'UP 72', 'Tarrovane', 'Lumo', 'South', NULL, 'in_stock', 1);
INSERT INTO scans (scan_id, vehicle_id, scanned_at, odometer_km, scan_scope, memory, ecu, ecu_response,
    code, status, extras, load_id)
SELECT 'S' || n, 'U-1', TIMESTAMP '2025-01-10 08:00' + INTERVAL (n) MONTH, 1000 + 900 * n, 'full',
    'stored', 'engine', 'answered', CASE WHEN n < 3 THEN 'P0301' END, CASE WHEN n < 3 THEN 'confirmed' END,
    NULL, 2
FROM range(8) t(n);
INSERT INTO clears (vehicle_id, cleared_at, odometer_km, ecu, reason, load_id)
VALUES ('U-1', '2025-03-20 09:00', 2950, 'engine', 'after the work', 2);
INSERT INTO repairs (repair_id, vehicle_id, repaired_at, odometer_km, site, codes, action,
    part_number, part_family, part_cost, currency, notes, load_id)
VALUES ('R1', 'U-1', '2025-03-20 08:00', 2950, 'North', 'P0301', 'replace', 'BK-1001', 'coil', 41.5,
    'EUR', 'coil of cylinder 1', 2);
INSERT INTO superseded
VALUES ('repairs', '{"repair_id": "R1", "vehicle_id": "U-1", "notes": "coil"}',
    '{"repair_id": "R1"}', 71, 2, 2);
INSERT INTO rejections
VALUES (2, 'lines.csv', 12, 'scans', 'scanned_at', 'yesterday', 'a time', '{"vehicle_id": "U-1"}');
INSERT INTO loads
VALUES (1, 'files', 'vehicles.csv', repeat('a', 64), 'plain_table', 'stored', 2, 2, 0, 0, 0, NULL,
        '2026-01-01 12:00', '2026-01-01 12:00'),
    (2, 'files', 'lines.csv', repeat('b', 64), 'plain_table', 'stored', 12, 11, 0, 1, 1, 'told',
        '2026-01-01 12:01', '2026-01-01 12:01');
INSERT INTO stale_vehicles VALUES ('U-1', 2), ('U-2', 1);

-- 0002_histories.sql
INSERT INTO analyses VALUES (1, '2026-01-01 12:00', 2, true, '0.1.0', 2, '2026-01-01 12:02',
    '2026-01-01 12:03');
INSERT INTO digests VALUES (1, '2026-01-01 12:00', 'fleet', '0.1.0', '2026-01-01 12:04');
INSERT INTO digest_outcomes VALUES (1, 'A-71', 'held');

-- 0004_roles.sql
INSERT INTO decisions VALUES (1, 'U-1', NULL, 'engine', 'P0301', 'accept', NULL, 9000,
    'Ottoline Vance', 'seen', '2026-01-01 12:05', NULL, NULL);

-- 0005_care.sql
INSERT INTO archive_changes VALUES (repeat('b', 64), repeat('c', 64), 'forgotten', '2026-01-01 12:06');
INSERT INTO erasures VALUES (1, 'vehicles', 0, 'forgotten', '2026-01-01 12:06');
INSERT INTO cursors VALUES ('yard', 'lines.csv', '71', 'stored', 'plain', '2026-01-01 12:06');
INSERT INTO runs VALUES (1, 'run', NULL, 0, '2026-01-01 12:06', '2026-01-01 12:07', 'done', '{}');

-- 0006_digests.sql
INSERT INTO digest_archive (digest_id, analysis_id, as_of, told_at, version, audiences, settings,
    previous_digest, is_public)
VALUES (1, 1, '2026-01-01 12:00', '2026-01-01 12:04', '0.1.0', 'fleet', '{}', NULL, false);
INSERT INTO digest_pages VALUES (1, 'fleet.html', repeat('d', 64));
INSERT INTO digest_marks VALUES (1, 'stock', 'U-2', 'rescan');
INSERT INTO sent VALUES ('k1', 'mail', 'Fleet', 'a@example.org', '2026-01-01 12:00',
    '2026-01-01 12:08', '2026-01-01 12:08', NULL);

-- 0007_origins.sql
UPDATE vehicles SET plate_since = '2022-03-01' WHERE vehicle_id = 'U-1';
INSERT INTO load_origins VALUES (1, 'UTC', NULL, NULL, NULL, 'vehicles', false),
    (2, 'Europe/Berlin', NULL, NULL, 1767261600.5, 'scans clears repairs', false);
INSERT INTO loads VALUES (3, 'files', 'more.csv', repeat('a', 63) || 'b', 'plain_table', 'replaced', 1,
    0, 0, 1, 0, NULL, '2026-01-01 12:01', '2026-01-01 12:01');
INSERT INTO replaced_rejections
VALUES (3, 'more.csv', 3, 'vehicles', 'plate', '?', 'a plate', '{"vehicle_id": "U-3"}', 2);

-- 0012_replay_left.sql
INSERT INTO replay_left VALUES (2, 2, 'everything');

-- 0014_forgetting.sql
INSERT INTO forgotten VALUES (1, 'mark', repeat('e', 32), 17, '2026-01-01 12:09');
INSERT INTO door_key VALUES (repeat('f', 64));

-- 0023_trail.sql
INSERT INTO trail VALUES ('t1', '2026-01-01 12:10', 'Ada', 'admin', 'decided', 'accept');
INSERT INTO trail_vehicles VALUES ('t1', 'U-1');

-- 0025_page_facts.sql
INSERT INTO page_facts VALUES
    ('vehicles/v-v1--0123456789abcdef0123456789abcdef.html', false, 'f0', TIMESTAMP '2026-01-31 12:00:00', NULL, '{}');
