-- When each control unit's memory was emptied: recorded, or inferred.  Inferred ones carry the
-- interval they lie in; evidence after them starts at its far end.
CREATE OR REPLACE TEMP TABLE recorded_clears AS
SELECT c.vehicle_id, u.ecu, c.cleared_at, c.cleared_at AS low_at, c.cleared_at AS high_at,
    m.km, m.km_low, m.km_high, 'recorded' AS origin, any_value(c.reason) AS reason
FROM clears c
JOIN (SELECT DISTINCT vehicle_id, ecu FROM unit_readings WHERE ecu IS NOT NULL) u
    ON u.vehicle_id = c.vehicle_id AND (c.ecu IS NULL OR c.ecu = u.ecu)
LEFT JOIN moment_km m ON m.vehicle_id = c.vehicle_id AND m.origin = 'clear'
    AND m.origin_id = c.cleared_at::VARCHAR
WHERE c.vehicle_id IN (FROM bucket) AND c.cleared_at <= getvariable('as_of')
GROUP BY ALL;

-- A distance counter puts the last clear at (km of the scan - counter).  It is news where it
-- lies beyond every clear known before it: recorded, or implied by an earlier scan.
CREATE OR REPLACE TEMP TABLE counter_clears AS
WITH readings AS (
    SELECT vehicle_id, ecu, scan_id, seen_at, km, since_clear_km, warmups,
        km - since_clear_km AS implied_km,
        greatest(getvariable('counter_slack_km'), 0.01 * since_clear_km) AS slack_km,
        lag(seen_at) OVER unit AS previous_at, lag(km) OVER unit AS previous_km,
        lag(warmups) OVER unit AS previous_warmups,
        lag(since_clear_km) OVER unit AS previous_since_clear_km,
        max(km - since_clear_km) OVER (
            PARTITION BY vehicle_id, ecu ORDER BY seen_at
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS implied_before_km
    FROM unit_readings WHERE ecu IS NOT NULL AND answered
    WINDOW unit AS (PARTITION BY vehicle_id, ecu ORDER BY seen_at)
), placed AS (
    -- by distance: the place is known
    SELECT vehicle_id, ecu, implied_km - slack_km AS km_low, implied_km AS km,
        implied_km + slack_km AS km_high, previous_at AS low_at, seen_at
    FROM readings
    WHERE implied_km IS NOT NULL AND implied_km >= -slack_km
        AND (implied_before_km IS NULL OR implied_km > implied_before_km + slack_km)
    UNION ALL
    -- by a counter that fell: somewhere between the two scans
    SELECT vehicle_id, ecu, previous_km, km, km, previous_at, seen_at
    FROM readings
    WHERE implied_km IS NULL AND warmups < previous_warmups
        OR km IS NULL AND since_clear_km < previous_since_clear_km
)
SELECT p.vehicle_id, p.ecu,
    -- with a work order where the counter points, the clear was part of that work
    coalesce(w.repaired_at, least(p.seen_at,
        greatest(coalesce(p.low_at, a.point_at, b.point_at), coalesce(
            a.point_at + to_seconds(CASE WHEN b.km > a.km
                THEN date_diff('second', a.point_at, b.point_at) * (p.km - a.km) / (b.km - a.km)
                ELSE 0 END), b.point_at, p.seen_at)))) AS cleared_at,
    p.low_at, p.seen_at AS high_at, coalesce(w.km, p.km) AS km, coalesce(w.km, p.km_low) AS km_low,
    coalesce(w.km, p.km_high) AS km_high, 'counter' AS origin, NULL::VARCHAR AS reason
FROM placed p
ASOF LEFT JOIN line a ON a.vehicle_id = p.vehicle_id AND p.km >= a.km
ASOF LEFT JOIN line b ON b.vehicle_id = p.vehicle_id AND p.km <= b.km
LEFT JOIN LATERAL (
    SELECT max_by(m.happened_at, m.happened_at) AS repaired_at, max_by(m.km, m.happened_at) AS km
    FROM moment_km m
    WHERE m.vehicle_id = p.vehicle_id AND m.origin = 'repair'
        AND m.happened_at <= p.seen_at AND (p.low_at IS NULL OR m.happened_at >= p.low_at)
        AND m.km BETWEEN p.km_low - getvariable('visit_km') AND p.km_high + getvariable('visit_km')
) w ON true
WHERE NOT EXISTS (
    -- the same clear, recorded; or one recorded between this scan and its implied place
    SELECT 1 FROM recorded_clears r
    WHERE r.vehicle_id = p.vehicle_id AND r.ecu = p.ecu AND r.cleared_at <= p.seen_at
        AND (r.km >= p.km_low OR r.km IS NULL AND r.cleared_at >= p.low_at));

-- A stored code that is gone although no clear is known: its memory was emptied, or it aged
-- out, somewhere between the two scans.  With a repair in between it was most likely then.
CREATE OR REPLACE TEMP TABLE vanishings AS
WITH stored_readings AS (
    SELECT vehicle_id, ecu, scan_id, seen_at, km,
        row_number() OVER (PARTITION BY vehicle_id, ecu ORDER BY seen_at, scan_id) AS nth
    FROM unit_readings WHERE ecu IS NOT NULL AND answered AND memory = 'stored'
), gone AS (
    SELECT DISTINCT now.vehicle_id, now.ecu, was.seen_at AS low_at, now.seen_at AS high_at,
        was.km AS km_low, now.km AS km_high
    FROM sightings s
    JOIN stored_readings was USING (vehicle_id, ecu, scan_id)
    JOIN stored_readings now
        ON now.vehicle_id = was.vehicle_id AND now.ecu = was.ecu AND now.nth = was.nth + 1
    LEFT JOIN sightings still ON still.vehicle_id = now.vehicle_id AND still.ecu = now.ecu
        AND still.scan_id = now.scan_id AND still.code = s.code
        AND still.presence IN ('present', 'sign')
    WHERE s.presence = 'present' AND still.code IS NULL
)
SELECT g.* FROM gone g
WHERE NOT EXISTS (
    SELECT 1 FROM (FROM recorded_clears UNION ALL FROM counter_clears) c
    WHERE c.vehicle_id = g.vehicle_id AND c.ecu = g.ecu
        AND c.cleared_at BETWEEN g.low_at AND g.high_at);

CREATE OR REPLACE TEMP TABLE clear_events AS
FROM recorded_clears
UNION ALL FROM counter_clears
UNION ALL
SELECT g.vehicle_id, g.ecu, coalesce(r.repaired_at, g.high_at),
    coalesce(r.repaired_at, g.low_at), coalesce(r.repaired_at, g.high_at),
    coalesce(r.km, g.km_high), CASE WHEN r.km IS NULL THEN g.km_low ELSE r.km_low END,
    coalesce(r.km_high, g.km_high),
    CASE WHEN r.repaired_at IS NULL THEN 'vanished' ELSE 'with_repair' END, NULL
FROM vanishings g
LEFT JOIN LATERAL (
    SELECT max_by(happened_at, happened_at) AS repaired_at, max_by(km, happened_at) AS km,
        max_by(km_low, happened_at) AS km_low, max_by(km_high, happened_at) AS km_high
    FROM moment_km m
    WHERE m.origin = 'repair' AND m.vehicle_id = g.vehicle_id
        AND m.happened_at BETWEEN g.low_at AND g.high_at AND getvariable('presume_clear')
) r ON true;
