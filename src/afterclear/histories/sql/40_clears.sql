-- When each control unit's memory was emptied: recorded, or inferred.  Inferred ones carry the
-- interval they lie in; evidence after them starts at its far end.
CREATE OR REPLACE TEMP TABLE recorded_clears AS
SELECT u.unit_no, c.cleared_at, c.cleared_at AS low_at, c.cleared_at AS high_at,
    m.km, m.km_low, m.km_high, 'recorded' AS origin, min(c.reason) AS reason
FROM store.clears c
JOIN bucket b USING (vehicle_id)
LEFT JOIN unit_labels l ON l.told = c.ecu
LEFT JOIN units own ON own.vehicle_no = b.vehicle_no AND own.told = c.ecu
-- a name no scan of the vehicle used stands for its function
JOIN units u ON u.vehicle_no = b.vehicle_no
    AND (c.ecu IS NULL OR c.ecu IN (u.told, u.ecu) OR own.told IS NULL AND l.label = u.ecu)
LEFT JOIN moment_km m ON m.vehicle_no = b.vehicle_no AND m.origin = 'clear'
    AND m.origin_id = c.cleared_at::VARCHAR
WHERE c.cleared_at <= getvariable('as_of')
GROUP BY ALL;

-- A distance counter puts the last clear at (km of the scan - counter), as exactly as the scan's
-- own km are known.  It is news where it surely lies beyond every clear known before it, recorded
-- or implied by an earlier scan; or where the counter fell.
CREATE OR REPLACE TEMP TABLE counter_clears AS
WITH counted AS (
    SELECT unit_no, vehicle_no, scan_no, seen_at, km, since_clear_km, warmups,
        km - since_clear_km AS implied_km,
        counter_slack(since_clear_km) AS slack_km,
        lag(seen_at) OVER unit AS previous_at, lag(km) OVER unit AS previous_km,
        lag(warmups) OVER unit AS previous_warmups,
        km_low - since_clear_km AS implied_low_km, km_high - since_clear_km AS implied_high_km,
        lag(since_clear_km) OVER unit AS previous_since_clear_km,
        max(km_high - since_clear_km) OVER (
            PARTITION BY unit_no ORDER BY scan_no
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS implied_before_km
    FROM unit_readings
    WHERE answered AND unit_no IN (
        SELECT unit_no FROM unit_readings WHERE coalesce(since_clear_km, warmups) IS NOT NULL)
    WINDOW unit AS (PARTITION BY unit_no ORDER BY scan_no)
), km_points AS (
    -- a vehicle that stood still was at one km for a while
    SELECT vehicle_no, km, min(point_at) AS reached_at, max(point_at) AS left_at
    FROM line GROUP BY vehicle_no, km
), placed AS (
    -- by distance: the place is known
    SELECT unit_no, vehicle_no, implied_low_km - slack_km AS km_low, implied_km AS km,
        implied_high_km + slack_km AS km_high, previous_at AS low_at, seen_at
    FROM counted
    WHERE implied_km IS NOT NULL AND implied_km >= -slack_km
        AND (implied_before_km IS NULL OR implied_low_km > implied_before_km + slack_km
            OR since_clear_km + slack_km < previous_since_clear_km)
    UNION ALL
    -- by a counter that fell: somewhere between the two scans
    SELECT unit_no, vehicle_no, previous_km, km, km, previous_at, seen_at
    FROM counted
    WHERE implied_km IS NULL AND warmups < previous_warmups
        OR km IS NULL AND since_clear_km < previous_since_clear_km
)
SELECT p.unit_no,
    -- with a work order where the counter points, the clear was part of that work
    coalesce(w.repaired_at, least(p.seen_at,
        greatest(coalesce(p.low_at, a.left_at, b.reached_at), coalesce(
            a.left_at + to_seconds(CASE WHEN b.km > a.km
                THEN date_diff('second', a.left_at, b.reached_at) * (p.km - a.km) / (b.km - a.km)
                ELSE 0 END), b.reached_at, p.seen_at)))) AS cleared_at,
    p.low_at, p.seen_at AS high_at, coalesce(w.km, p.km) AS km, coalesce(w.km, p.km_low) AS km_low,
    coalesce(w.km, p.km_high) AS km_high, 'counter' AS origin, NULL::VARCHAR AS reason
FROM placed p
ASOF LEFT JOIN km_points a ON a.vehicle_no = p.vehicle_no AND p.km >= a.km
ASOF LEFT JOIN km_points b ON b.vehicle_no = p.vehicle_no AND p.km <= b.km
LEFT JOIN LATERAL (
    SELECT max_by(m.happened_at, m.happened_at) AS repaired_at, max_by(m.km, m.happened_at) AS km
    FROM moment_km m
    WHERE m.vehicle_no = p.vehicle_no AND m.origin = 'repair'
        AND m.happened_at <= p.seen_at AND (p.low_at IS NULL OR m.happened_at >= p.low_at)
        AND m.km BETWEEN p.km_low - getvariable('visit_km') AND p.km_high + getvariable('visit_km')
) w ON true
WHERE NOT EXISTS (
    -- the same clear, recorded; or one recorded between this scan and its implied place
    SELECT 1 FROM recorded_clears r
    WHERE r.unit_no = p.unit_no AND r.cleared_at <= p.seen_at
        AND (r.km_high >= p.km_low OR r.km IS NULL AND r.cleared_at >= p.low_at));

-- A clear whose km are told within wide bounds only lies where the next counter puts it.
CREATE OR REPLACE TEMP TABLE known_clears AS
WITH counters AS (
    SELECT unit_no, seen_at, km - since_clear_km AS implied_km,
        counter_slack(since_clear_km) AS slack_km
    FROM unit_readings WHERE since_clear_km IS NOT NULL AND km_low = km_high
), followed AS (
    SELECT c.*, r.implied_km, r.slack_km,
        c.km_high - c.km_low > 4 * r.slack_km
        AND r.implied_km BETWEEN c.km_low - r.slack_km AND c.km_high + r.slack_km AS is_told
    FROM (FROM recorded_clears UNION ALL FROM counter_clears) c
    ASOF LEFT JOIN counters r ON c.unit_no = r.unit_no AND c.high_at <= r.seen_at
)
SELECT * EXCLUDE (implied_km, slack_km, is_told) REPLACE (
    CASE WHEN is_told THEN implied_km ELSE km END AS km,
    CASE WHEN is_told THEN implied_km - slack_km ELSE km_low END AS km_low,
    CASE WHEN is_told THEN implied_km + slack_km ELSE km_high END AS km_high)
FROM followed;

-- A stored code that is gone although no clear is known: its memory was emptied, or it aged
-- out, somewhere between the two scans.
CREATE OR REPLACE TEMP TABLE gone AS
WITH stored AS (
    SELECT unit_no, vehicle_no, scan_no, seen_at, km, visit_reason,
        lead(scan_no) OVER unit AS next_scan_no, lead(seen_at) OVER unit AS next_at,
        lead(km) OVER unit AS next_km
    FROM unit_readings
    WHERE answered AND is_stored_memory AND unit_no IN (SELECT unit_no FROM sightings)
    WINDOW unit AS (PARTITION BY unit_no ORDER BY scan_no)
)
SELECT w.unit_no, w.vehicle_no, s.fault_no, w.seen_at AS low_at, w.next_at AS high_at,
    w.km AS km_low, w.next_km AS km_high, w.visit_reason
FROM sightings s
JOIN stored w ON w.unit_no = s.unit_no AND w.scan_no = s.scan_no
LEFT JOIN sightings still ON still.fault_no = s.fault_no AND still.scan_no = w.next_scan_no
    AND still.presence IN ('present', 'sign')
WHERE s.presence = 'present' AND w.next_scan_no IS NOT NULL AND still.fault_no IS NULL
    AND NOT EXISTS (
        SELECT 1 FROM known_clears c
        WHERE c.unit_no = w.unit_no AND c.cleared_at BETWEEN w.seen_at AND w.next_at);

-- With a repair in between it was most likely then: with the one aimed at the code, else the
-- last.  The aimed one may be dated before the scan of its own visit, as orders are opened before
-- the vehicle is read, and some are dated by their day only: nothing was driven between.  Unless
-- that scan was after the work: by its word, by a clear, or by a code that was gone before it.
CREATE OR REPLACE TEMP TABLE presumed_at AS
WITH aims AS (
    SELECT g.unit_no, g.low_at, l.repair_id
    FROM gone g JOIN faults f USING (fault_no)
    JOIN listed_codes l ON l.vehicle_no = g.vehicle_no AND base_code(l.code) = base_code(f.code)
    UNION
    SELECT g.unit_no, g.low_at, p.repair_id
    FROM gone g JOIN faults f USING (fault_no)
    JOIN part_facts p ON p.vehicle_no = g.vehicle_no AND part_fits(p.family, f.family)
), work AS (
    SELECT g.unit_no, g.low_at, a.repair_id IS NOT NULL AS is_aimed, j.repair_id,
        j.repaired_at, j.km, j.km_low, j.km_high, j.repaired_at < g.low_at AS is_before,
        g.km_low AS scan_km
    FROM (SELECT DISTINCT * EXCLUDE (fault_no) FROM gone) g
    JOIN jobs j ON j.vehicle_no = g.vehicle_no
        AND j.repaired_at <= g.high_at
    LEFT JOIN aims a ON a.unit_no = g.unit_no AND a.low_at = g.low_at
        AND a.repair_id = j.repair_id
    WHERE getvariable('presume_clear')
        AND (j.repaired_at >= g.low_at
            OR a.repair_id IS NOT NULL AND g.visit_reason <> 'post_repair'
            AND (j.repaired_at >= g.low_at - getvariable('visit')
                AND NOT surely_apart(j.km_low, j.km_high, g.km_low, g.km_low)
                OR surely_near(j.km_low, j.km_high, g.km_low, g.km_low))
            AND (g.visit_reason = 'pre_repair' OR NOT EXISTS (
                SELECT 1 FROM recorded_clears c WHERE c.unit_no = g.unit_no
                    AND c.cleared_at BETWEEN j.repaired_at AND g.low_at))
            AND NOT EXISTS (
                SELECT 1 FROM gone e WHERE e.unit_no = g.unit_no
                    AND e.high_at > j.repaired_at AND e.high_at <= g.low_at))
)
SELECT unit_no, low_at, CASE WHEN is_before THEN low_at ELSE repaired_at END AS cleared_at,
    CASE WHEN is_before THEN scan_km ELSE km END AS km,
    CASE WHEN is_before THEN scan_km ELSE km_low END AS km_low,
    CASE WHEN is_before THEN scan_km ELSE km_high END AS km_high
FROM work
QUALIFY row_number() OVER (
    PARTITION BY unit_no, low_at ORDER BY is_aimed DESC, repaired_at DESC, repair_id DESC) = 1;

CREATE OR REPLACE TEMP TABLE clear_events AS
FROM known_clears
UNION ALL
SELECT g.unit_no, coalesce(r.cleared_at, g.high_at),
    coalesce(r.cleared_at, g.low_at), coalesce(r.cleared_at, g.high_at),
    coalesce(r.km, g.km_high), CASE WHEN r.km IS NULL THEN g.km_low ELSE r.km_low END,
    coalesce(r.km_high, g.km_high),
    CASE WHEN r.cleared_at IS NULL THEN 'vanished' ELSE 'with_repair' END, NULL
FROM (SELECT DISTINCT unit_no, low_at, high_at, km_low, km_high FROM gone) g
LEFT JOIN presumed_at r USING (unit_no, low_at);
