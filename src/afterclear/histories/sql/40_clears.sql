-- When was each control unit's fault memory cleared?  From what is surest to what is presumed:
--
--   1  recorded_clears   written down by somebody
--   2  counter_clears    the unit's own counter since the last clear shows it
--   3  known_clears      both, with a vague place made exact by the next counter
--   4  vanished          a stored code is gone, and none of these explains it
--   5  presumed_clears   a repair in between explains it
--   6  clear_events      all of them; a code not tested since a clear proves one where none is known
--
-- A clear that nobody recorded lies in an interval of time (low_at to high_at) and of distance
-- (km_low to km_high).  Both ends are kept: evidence that a fault is gone begins at the far end, a
-- return may have begun at the near end.

-- 1  Clears on record.
CREATE OR REPLACE TEMP TABLE recorded_clears AS
WITH records AS (
    SELECT b.vehicle_no, c.cleared_at, c.ecu AS recorded_unit, c.reason
    FROM store.clears c JOIN bucket b USING (vehicle_id)
    WHERE c.cleared_at <= getvariable('as_of')
), of_units AS (
    SELECT u.unit_no, r.vehicle_no, r.cleared_at, r.reason
    FROM records r
    LEFT JOIN unit_labels l ON l.told = r.recorded_unit
    LEFT JOIN units scanned ON scanned.vehicle_no = r.vehicle_no
        AND scanned.told = r.recorded_unit
    JOIN units u ON u.vehicle_no = r.vehicle_no AND (
        -- no unit named: the whole vehicle was cleared
        r.recorded_unit IS NULL
        OR r.recorded_unit IN (u.told, u.ecu)
        -- a name that no scan of the vehicle uses means its function
        OR scanned.told IS NULL AND l.label = u.ecu)
)
SELECT c.unit_no, c.cleared_at, c.cleared_at AS low_at, c.cleared_at AS high_at,
    m.km, m.km_low, m.km_high, 'recorded' AS origin, min(c.reason) AS reason
FROM of_units c
LEFT JOIN moment_km m ON m.vehicle_no = c.vehicle_no AND m.origin = 'clear'
    AND m.origin_id = c.cleared_at::VARCHAR
GROUP BY ALL;

-- 2  Clears shown by a counter. Units that never sent one have no rows here.
CREATE OR REPLACE TEMP TABLE counter_readings AS
WITH counting AS (
    SELECT DISTINCT unit_no FROM unit_readings
    WHERE coalesce(since_clear_km, warmups) IS NOT NULL
), read_in_order AS (
    SELECT unit_no, vehicle_no, scan_no, seen_at, km, km_low, km_high, since_clear_km, warmups,
        -- the last clear lies this far back, as exactly as the km of the scan are known
        km - since_clear_km AS implied_km, km_low - since_clear_km AS implied_low_km,
        km_high - since_clear_km AS implied_high_km, counter_slack(since_clear_km) AS slack_km
    FROM unit_readings SEMI JOIN counting USING (unit_no)
    WHERE answered
)
SELECT *,
    lag(seen_at) OVER unit AS previous_at, lag(km) OVER unit AS previous_km,
    lag(km_low) OVER unit AS previous_km_low,
    lag(warmups) OVER unit AS previous_warmups,
    lag(since_clear_km) OVER unit AS previous_since_clear_km,
    -- the furthest place of a clear that earlier scans imply
    max(implied_high_km) OVER (
        unit ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS implied_before_km
FROM read_in_order
WINDOW unit AS (PARTITION BY unit_no ORDER BY scan_no);

-- Every scan implies its last clear once more. It is a new clear if it is surely beyond those
-- implied before, or if the counter fell. A counter as high as the odometer tells of none: that
-- memory was not cleared since the vehicle was new.
CREATE OR REPLACE TEMP TABLE newly_implied AS
-- a distance counter gives the place
SELECT unit_no, vehicle_no, implied_low_km - slack_km AS km_low, implied_km AS km,
    implied_high_km + slack_km AS km_high, previous_at AS low_at, seen_at AS high_at,
    previous_km_low AS not_before_km, km_high AS not_beyond_km
FROM counter_readings
WHERE implied_low_km > slack_km
    AND (implied_before_km IS NULL
        OR implied_low_km > implied_before_km + slack_km
        OR since_clear_km + slack_km < previous_since_clear_km)
UNION ALL
-- a counter that fell means only: between the two scans
SELECT unit_no, vehicle_no, previous_km, km, km, previous_at, seen_at, NULL, NULL
FROM counter_readings
WHERE implied_km IS NULL AND warmups < previous_warmups
    OR km IS NULL AND since_clear_km < previous_since_clear_km;

CREATE OR REPLACE TEMP TABLE counter_clears AS
WITH unrecorded AS (
    -- not a clear that is already on record, nor one hidden by a later record
    FROM newly_implied n
    WHERE NOT EXISTS (
        FROM recorded_clears r
        WHERE r.unit_no = n.unit_no AND r.cleared_at <= n.high_at
            AND (r.km_high >= n.km_low OR r.km IS NULL AND r.cleared_at >= n.low_at))
), places AS (
    -- a vehicle that did not move was at one place for a time
    SELECT vehicle_no, km, min(point_at) AS reached_at, max(point_at) AS left_at
    FROM line GROUP BY vehicle_no, km
), between_places AS (
    SELECT n.*, a.km AS from_km, a.left_at, b.km AS to_km, b.reached_at
    FROM unrecorded n
    ASOF LEFT JOIN places a ON a.vehicle_no = n.vehicle_no AND n.km >= a.km
    ASOF LEFT JOIN places b ON b.vehicle_no = n.vehicle_no AND n.km <= b.km
), passed AS (
    -- when the vehicle passed the place: in proportion to the km from one place to the next
    SELECT *, coalesce(
        left_at + to_seconds(CASE WHEN to_km > from_km
            THEN date_diff('second', left_at, reached_at) * (km - from_km) / (to_km - from_km)
            ELSE 0 END),
        reached_at, high_at) AS passed_at
    FROM between_places
), bounded AS (
    -- it happened between the two scans, however vague the counter is; a scan before it that sent
    -- no counter and lies beyond the place bounds nothing
    SELECT * EXCLUDE (not_before_km, not_beyond_km) REPLACE (
        least(greatest(km, least_km), not_beyond_km) AS km,
        greatest(km_low, least_km) AS km_low, least(km_high, not_beyond_km) AS km_high)
    FROM (SELECT *, CASE WHEN not_before_km <= km_high THEN not_before_km END AS least_km
          FROM passed)
)
SELECT p.unit_no,
    -- with a work order where the counter points, the clear was part of that work
    coalesce(w.repaired_at, least(p.high_at,
        greatest(coalesce(p.low_at, p.left_at, p.reached_at), p.passed_at))) AS cleared_at,
    p.low_at, p.high_at, coalesce(w.km, p.km) AS km, coalesce(w.km, p.km_low) AS km_low,
    coalesce(w.km, p.km_high) AS km_high, 'counter' AS origin, NULL::VARCHAR AS reason
FROM bounded p
LEFT JOIN LATERAL (
    SELECT max(m.happened_at) AS repaired_at, max_by(m.km, m.happened_at) AS km
    FROM moment_km m
    WHERE m.vehicle_no = p.vehicle_no AND m.origin = 'repair'
        AND m.happened_at <= p.high_at AND (p.low_at IS NULL OR m.happened_at >= p.low_at)
        AND m.km BETWEEN p.km_low - getvariable('visit_km') AND p.km_high + getvariable('visit_km')
) w ON true;

DROP TABLE counter_readings;
DROP TABLE newly_implied;

-- 3  A clear with a vague place is put where the next distance counter puts it.
CREATE OR REPLACE TEMP TABLE known_clears AS
WITH counters AS (
    SELECT unit_no, seen_at, km - since_clear_km AS implied_km,
        counter_slack(since_clear_km) AS slack_km
    FROM unit_readings WHERE since_clear_km IS NOT NULL AND km_low = km_high
), with_next_counter AS (
    SELECT c.*, r.implied_km, r.slack_km,
        c.km_high - c.km_low > 4 * r.slack_km
        AND r.implied_km BETWEEN c.km_low - r.slack_km AND c.km_high + r.slack_km AS is_made_exact
    FROM (FROM recorded_clears UNION ALL FROM counter_clears) c
    ASOF LEFT JOIN counters r ON c.unit_no = r.unit_no AND c.high_at <= r.seen_at
)
SELECT * EXCLUDE (implied_km, slack_km, is_made_exact) REPLACE (
    CASE WHEN is_made_exact THEN least(greatest(implied_km, km_low), km_high) ELSE km END AS km,
    CASE WHEN is_made_exact THEN greatest(km_low, implied_km - slack_km) ELSE km_low END AS km_low,
    CASE WHEN is_made_exact THEN least(km_high, implied_km + slack_km) ELSE km_high END AS km_high)
FROM with_next_counter;

-- 4  A stored code that the next scan does not show, with no clear known between the two: its
-- memory was cleared, or the code aged out.
CREATE OR REPLACE TEMP TABLE vanished AS
WITH stored AS (
    SELECT unit_no, vehicle_no, scan_no, seen_at, km, visit_reason,
        lead(scan_no) OVER unit AS next_scan_no, lead(seen_at) OVER unit AS next_at,
        lead(km) OVER unit AS next_km
    FROM unit_readings SEMI JOIN sightings USING (unit_no)
    WHERE answered AND is_stored_memory
    WINDOW unit AS (PARTITION BY unit_no ORDER BY scan_no)
)
SELECT r.unit_no, r.vehicle_no, s.fault_no, r.seen_at AS low_at, r.next_at AS high_at,
    r.km AS km_low, r.next_km AS km_high, r.visit_reason,
    -- listed as not tested since the clear, having failed before: only a clear sets it back so (ISO
    -- 14229-1, annex D, bit 4)
    coalesce(n.presence = 'not_tested', false) AS is_set_back
FROM sightings s
JOIN stored r ON r.unit_no = s.unit_no AND r.scan_no = s.scan_no
LEFT JOIN sightings n ON n.fault_no = s.fault_no AND n.scan_no = r.next_scan_no
WHERE s.presence = 'present' AND r.next_scan_no IS NOT NULL
    AND coalesce(n.presence NOT IN ('present', 'sign'), true)
    AND NOT EXISTS (
        FROM known_clears c
        WHERE c.unit_no = r.unit_no AND c.cleared_at BETWEEN r.seen_at AND r.next_at);

-- 5  With a repair in between, the code most likely went then: with the repair aimed at it,
-- otherwise with the one that may cure it, otherwise with the last one.
CREATE OR REPLACE TEMP TABLE presumed_clears AS
WITH aims AS (
    SELECT v.unit_no, v.low_at, l.repair_id, 2 AS aim
    FROM vanished v JOIN faults f USING (fault_no)
    JOIN listed_codes l ON l.vehicle_no = v.vehicle_no AND base_code(l.code) = base_code(f.code)
    UNION
    SELECT v.unit_no, v.low_at, p.repair_id, 2
    FROM vanished v JOIN faults f USING (fault_no)
    JOIN part_facts p ON p.vehicle_no = v.vehicle_no AND part_fits(p.family, f.family)
    UNION
    SELECT v.unit_no, v.low_at, p.repair_id, 1
    FROM vanished v JOIN faults f USING (fault_no)
    JOIN cures c ON c.fault = component_of(f.family)
    JOIN part_facts p ON p.vehicle_no = v.vehicle_no AND p.has_no_code
        AND component_of(p.family) = c.work AND places_agree(p.family, f.family)
), aimed AS (
    SELECT unit_no, low_at, repair_id, max(aim) AS aim FROM aims GROUP BY ALL
), repairs AS (
    SELECT v.unit_no, v.low_at, v.km_low AS scan_km, v.visit_reason, j.repair_id, j.repaired_at,
        j.km, j.km_low, j.km_high, coalesce(a.aim, 0) AS aim
    FROM (SELECT DISTINCT * EXCLUDE (fault_no, is_set_back) FROM vanished) v
    JOIN jobs j ON j.vehicle_no = v.vehicle_no AND j.repaired_at <= v.high_at
    LEFT JOIN aimed a ON a.unit_no = v.unit_no AND a.low_at = v.low_at
        AND a.repair_id = j.repair_id
    WHERE getvariable('presume_clear')
), between_scans AS (
    SELECT unit_no, low_at, aim, repaired_at, repair_id, repaired_at AS cleared_at,
        km, km_low, km_high
    FROM repairs WHERE repaired_at >= low_at
), of_the_same_visit AS (
    -- Orders are opened before the vehicle is read, and some are dated by their day only.  So, if
    -- nothing was driven between, an aimed repair may be dated before the scan of its own visit;
    -- the clear then follows that scan.
    SELECT unit_no, low_at, aim, repaired_at, repair_id, low_at AS cleared_at,
        scan_km AS km, scan_km AS km_low, scan_km AS km_high
    FROM repairs j
    WHERE aim > 0 AND repaired_at < low_at
        AND (repaired_at >= low_at - getvariable('visit')
            AND NOT surely_apart(km_low, km_high, scan_km, scan_km)
            OR surely_near(km_low, km_high, scan_km, scan_km))
        -- not if that scan was made after the work: it is recorded so, or a clear came before it,
        -- or a code had gone by then
        AND visit_reason <> 'post_repair'
        AND (visit_reason = 'pre_repair' OR NOT EXISTS (
            FROM recorded_clears c
            WHERE c.unit_no = j.unit_no AND c.cleared_at BETWEEN j.repaired_at AND j.low_at))
        AND NOT EXISTS (
            FROM vanished e
            WHERE e.unit_no = j.unit_no AND e.high_at > j.repaired_at AND e.high_at <= j.low_at)
)
SELECT unit_no, low_at, cleared_at, km, km_low, km_high
FROM (FROM between_scans UNION ALL FROM of_the_same_visit)
QUALIFY row_number() OVER (
    PARTITION BY unit_no, low_at ORDER BY aim DESC, repaired_at DESC, repair_id DESC) = 1;

-- 6  All clears. What vanished without a repair went anywhere between the two scans: by a clear if
-- one of the codes was set back, otherwise cleared or aged out.
CREATE OR REPLACE TEMP TABLE clear_events AS
WITH intervals AS (
    SELECT unit_no, low_at, high_at, km_low, km_high,
        CASE WHEN bool_or(is_set_back) THEN 'status' ELSE 'vanished' END AS origin
    FROM vanished GROUP BY ALL
)
FROM known_clears
UNION ALL
SELECT v.unit_no, p.cleared_at, p.cleared_at, p.cleared_at,
    coalesce(p.km, v.km_high), CASE WHEN p.km IS NULL THEN v.km_low ELSE p.km_low END,
    coalesce(p.km_high, v.km_high), 'with_repair', NULL
FROM intervals v JOIN presumed_clears p USING (unit_no, low_at)
UNION ALL
SELECT v.unit_no, v.high_at, v.low_at, v.high_at, v.km_high, v.km_low, v.km_high, v.origin, NULL
FROM intervals v ANTI JOIN presumed_clears p USING (unit_no, low_at);
