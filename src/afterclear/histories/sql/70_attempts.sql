-- Fix attempts: a repair aimed at a code, or a bare clear of a code that was there.

-- A listed code means the fault of that code alive at the repair, whichever unit reports it and
-- with any failure type. Otherwise, in this order: the latest, or if there is none the next one;
-- one seen as a sign, as permanent or untested only; one alive with another failure type, or shown
-- without; itself.
CREATE OR REPLACE TEMP TABLE aimed_by_code AS
WITH known AS (
    SELECT vehicle_no, fault_no, code, first_seen_at, last_seen_at, ended_high_at,
        true AS is_episode
    FROM episodes
    UNION ALL
    SELECT f.vehicle_no, s.fault_no, f.code, NULL, max(h.seen_at), NULL, false
    FROM sightings s JOIN faults f USING (fault_no) JOIN scan_heads h USING (scan_no)
    WHERE s.presence <> 'absent' AND s.fault_no NOT IN (SELECT fault_no FROM episodes)
    GROUP BY ALL
), matches AS (
    SELECT l.vehicle_no, l.repair_id, l.listed, k.fault_no, k.is_episode,
        l.code = k.code OR l.code = base_code(k.code) AS is_same,
        is_episode AND k.first_seen_at <= l.repaired_at + getvariable('visit')
        AND (k.ended_high_at IS NULL OR k.ended_high_at >= l.repaired_at - getvariable('visit'))
            AS alive,
        row_number() OVER (PARTITION BY l.vehicle_no, l.repair_id, l.listed, is_episode, is_same
            ORDER BY abs(date_diff('second', k.last_seen_at, l.repaired_at)), k.fault_no)
            AS nearness
    FROM listed_codes l
    JOIN known k ON k.vehicle_no = l.vehicle_no AND base_code(k.code) = base_code(l.code)
), ranked AS (
    SELECT *, CASE WHEN is_same AND alive THEN 1 WHEN is_same AND is_episode THEN 2
                   WHEN is_same THEN 3 WHEN alive THEN 4 END AS choice
    FROM matches
), chosen AS (
    SELECT DISTINCT vehicle_no, repair_id, listed, fault_no
    FROM (SELECT *, min(choice) OVER (PARTITION BY vehicle_no, repair_id, listed) AS best
          FROM ranked)
    WHERE choice = best AND (choice IN (1, 4) OR nearness = 1)
)
SELECT l.vehicle_no, l.repair_id, coalesce(c.fault_no, l.unseen_fault_no) AS fault_no
FROM listed_codes l
LEFT JOIN chosen c USING (vehicle_no, repair_id, listed);

-- A row of a work order without codes is aimed at what was alive in the family of its part ...
CREATE OR REPLACE TEMP MACRO was_alive(first_seen_at, ended_high_at, repaired_at) AS
    first_seen_at <= repaired_at + getvariable('visit')
    AND (ended_high_at IS NULL OR ended_high_at >= repaired_at - getvariable('visit'));

CREATE OR REPLACE TEMP TABLE aimed_by_part AS
SELECT DISTINCT j.vehicle_no, j.repair_id, e.fault_no
FROM jobs j
JOIN part_facts p USING (vehicle_no, repair_id)
JOIN episodes e ON e.vehicle_no = j.vehicle_no
    AND part_fits(p.family, e.family)
    AND was_alive(e.first_seen_at, e.ended_high_at, j.repaired_at)
WHERE p.has_no_code;

-- ... and if nothing was, at what such work may cure and no other order of the visit was for.
CREATE OR REPLACE TEMP TABLE aimed_by_cure AS
WITH aimed AS (
    SELECT a.fault_no, a.vehicle_no, a.repair_id, j.repaired_at
    FROM (FROM aimed_by_code UNION FROM aimed_by_part) a JOIN jobs j USING (vehicle_no, repair_id)
)
SELECT DISTINCT j.vehicle_no, j.repair_id, e.fault_no
FROM jobs j
JOIN part_facts p USING (vehicle_no, repair_id)
JOIN cures c ON c.work = component_of(p.family)
JOIN episodes e ON e.vehicle_no = j.vehicle_no AND component_of(e.family) = c.fault
    AND places_agree(p.family, e.family)
    AND was_alive(e.first_seen_at, e.ended_high_at, j.repaired_at)
WHERE p.has_no_code
    AND NOT EXISTS (
        FROM aimed a WHERE a.vehicle_no = j.vehicle_no AND a.repair_id = j.repair_id)
    AND NOT EXISTS (
        FROM aimed a
        WHERE a.fault_no = e.fault_no AND a.repaired_at BETWEEN
            j.repaired_at - getvariable('visit') AND j.repaired_at + getvariable('visit'));

CREATE OR REPLACE TEMP TABLE tries AS
SELECT a.fault_no, 'repair' AS kind, a.repair_id, j.repaired_at AS tried_at, j.km AS tried_km,
    j.km_low, j.km_high, NULL::TIMESTAMP AS not_before_at
FROM (FROM aimed_by_code UNION FROM aimed_by_part UNION FROM aimed_by_cure) a
JOIN jobs j USING (vehicle_no, repair_id)
UNION ALL
SELECT fault_no, 'clear_only', NULL, ended_high_at, ended_high_km, ended_km_low, ended_km_high,
    onset_low_at
FROM episodes
WHERE ended_by = 'clear' AND clear_origin IN ('recorded', 'counter', 'status');

-- Everything tried on one fault within one visit is one attempt; work counts before a bare clear. A
-- clear days after the work belongs to it if nothing was driven and no scan showed the code gone:
-- the vehicle was in the workshop, or the order is dated by its opening or its day only.
CREATE OR REPLACE TEMP TABLE visits_tried AS
WITH ordered AS (
    SELECT *, lag(tried_at) OVER fault AS before_at, lag(km_low) OVER fault AS before_km_low,
        lag(km_high) OVER fault AS before_km_high, lag(kind) OVER fault AS before_kind
    FROM tries
    -- (two clears may share their instant: places break the tie)
    WINDOW fault AS (
        PARTITION BY fault_no ORDER BY tried_at, kind, repair_id, km_low, km_high, tried_km)
), numbered AS (
    SELECT *, count(*) FILTER (
        before_at IS NULL
        OR tried_at > before_at + getvariable('visit')
        AND NOT (kind = 'clear_only' AND before_kind = 'repair'
            AND coalesce(not_before_at < before_at, true)
            AND surely_near(km_low, km_high, before_km_low, before_km_high))
        OR surely_apart(km_low, km_high, before_km_low, before_km_high)
    ) OVER (
        PARTITION BY fault_no ORDER BY tried_at, kind, repair_id, km_low, km_high, tried_km
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS visit_no
    FROM ordered
)
SELECT fault_no, visit_no,
    CASE WHEN bool_or(kind = 'repair') THEN 'repair' ELSE 'clear_only' END AS kind,
    max_by(repair_id, (tried_at, repair_id)) FILTER (kind = 'repair') AS repair_id,
    max(tried_at) AS tried_at,
    max_by(tried_km, (tried_at, kind, repair_id, km_low, km_high)) AS tried_km,
    min(km_low) AS tried_km_low, max(km_high) AS tried_km_high
FROM numbered GROUP BY fault_no, visit_no;

-- A clear in a visit with work on something else is no bare clear: the order it belongs to.
CREATE OR REPLACE TEMP TABLE cleared_beside AS
SELECT t.fault_no, t.visit_no,
    min_by(j.repair_id, (abs(date_diff('second', j.repaired_at, t.tried_at)), j.repair_id))
        AS beside_repair_id
FROM visits_tried t
JOIN faults f USING (fault_no)
JOIN jobs j ON j.vehicle_no = f.vehicle_no
    AND (j.repaired_at BETWEEN t.tried_at - getvariable('visit')
            AND t.tried_at + getvariable('visit')
        AND NOT surely_apart(j.km_low, j.km_high, t.tried_km_low, t.tried_km_high)
        -- the vehicle was in the workshop, or the order is dated by its opening or its day only
        OR j.repaired_at < t.tried_at
            AND surely_near(j.km_low, j.km_high, t.tried_km_low, t.tried_km_high))
WHERE t.kind = 'clear_only'
GROUP BY t.fault_no, t.visit_no;

-- The attempt starts at the visit's last clear of the unit, or at the work itself if there is none.
CREATE OR REPLACE TEMP TABLE attempts AS
WITH cleared AS (
    SELECT t.*, f.vehicle_no, f.unit_no, f.code, f.family, c.cleared_at, c.clear_km,
        c.seq AS clear_seq, c.clear_no AS own_clear_no,
        row_number() OVER (PARTITION BY t.fault_no, t.visit_no ORDER BY c.seq DESC) AS latest
    FROM visits_tried t
    JOIN faults f USING (fault_no)
    LEFT JOIN unit_clears c ON c.unit_no = f.unit_no
        AND c.clear_origin <> 'vanished'
        AND c.cleared_at BETWEEN t.tried_at - getvariable('visit')
            AND t.tried_at + getvariable('visit')
        AND NOT surely_apart(c.clear_km_low, c.clear_km_high, t.tried_km_low, t.tried_km_high)
), read_before AS (
    SELECT c.fault_no, c.visit_no, max(r.seq) AS seq
    FROM cleared c
    JOIN readings r ON r.unit_no = c.unit_no AND r.seen_at <= c.tried_at
    WHERE c.clear_seq IS NULL
    GROUP BY c.fault_no, c.visit_no
), started AS (
    SELECT c.* EXCLUDE (latest), coalesce(c.cleared_at, c.tried_at) AS attempted_at,
        coalesce(c.repair_id, strftime(coalesce(c.cleared_at, c.tried_at), '%Y-%m-%d %H:%M'))
            AS named_by,
        coalesce(c.clear_km, c.tried_km) AS attempted_km,
        coalesce(c.clear_seq, r.seq, 0) AS start_seq
    FROM cleared c
    LEFT JOIN read_before r USING (fault_no, visit_no)
    WHERE c.latest = 1
)
SELECT n.*,
    -- observation ends when the fault is worked on again, under any code of its circuit
    CASE WHEN o.start_seq < n.own_next_seq THEN o.start_seq
         ELSE coalesce(n.own_next_seq, o.start_seq) END AS next_start_seq,
    CASE WHEN o.start_seq < n.own_next_seq THEN o.attempted_at
         ELSE coalesce(n.own_ended_at, o.attempted_at) END AS ended_at
FROM (
    SELECT s.* EXCLUDE (named_by),
        row_number() OVER (ORDER BY s.vehicle_no, s.attempted_at, s.fault_no, s.visit_no) AS fix_no,
        -- 48 bits: in one fleet of a hundred with two million attempts, two are equal; of two
        -- clears in one minute the second has its number beside it
        'A' || left(md5(concat_ws('|', b.vehicle_id, u.ecu, s.code, s.kind,
            s.named_by, nullif(row_number() OVER (
                PARTITION BY s.fault_no, s.kind, s.named_by
                ORDER BY s.attempted_at, s.visit_no), 1))), 12) AS attempt_id,
        row_number() OVER fault AS attempt_no,
        lead(s.start_seq) OVER fault AS own_next_seq,
        lead(s.attempted_at) OVER fault AS own_ended_at,
        u.ecu, b.vehicle_id, w.beside_repair_id
    FROM started s
    JOIN bucket b USING (vehicle_no)
    LEFT JOIN cleared_beside w USING (fault_no, visit_no)
    LEFT JOIN unit_names u USING (unit_no)
    WINDOW fault AS (PARTITION BY s.fault_no ORDER BY s.attempted_at, s.visit_no)
) n
LEFT JOIN LATERAL (
    SELECT min(t.start_seq) AS start_seq, min_by(t.attempted_at, t.start_seq) AS attempted_at
    FROM same_circuit c JOIN started t ON t.fault_no = c.other_no
    WHERE c.fault_no = n.fault_no AND t.start_seq > n.start_seq
) o ON true;

-- Whether a part that wears may have been fitted, and whose. A part with a number was fitted,
-- unless the work was only to inspect or clean; if an order does not say what was done, one may
-- have been.
CREATE OR REPLACE TEMP TABLE fitted AS
WITH told AS (
    SELECT a.fix_no, lower(trim(r.part_brand)) AS brand, coalesce(r.action, t.action) IS NULL AS is_untold,
        coalesce(list_contains(string_split(coalesce(r.action, t.action), ' '), 'replace'),
            r.part_number IS NOT NULL) AS is_fitted,
        -- a part without a brand belongs to what the order was for
        coalesce(part_fits(p.family, a.family) OR split_part(p.family, ':', 1) NOT IN ('code', 'part')
            AND split_part(p.family, ':', 1) = split_part(a.family, ':', 1), true) AS is_own
    FROM attempts a
    JOIN store.repairs r ON r.vehicle_id = a.vehicle_id AND r.repair_id = a.repair_id
    LEFT JOIN part_families p ON p.part_family = r.part_family
        AND p.position IS NOT DISTINCT FROM r.position
    LEFT JOIN text_acts t ON t.notes = r.notes AND r.action IS NULL
    WHERE r.action IS DISTINCT FROM 'inspect'
        AND r.vehicle_id BETWEEN getvariable('first_vehicle') AND getvariable('last_vehicle')
), own AS (
    FROM told QUALIFY is_own OR NOT bool_or(is_own) OVER (PARTITION BY fix_no)
)
SELECT fix_no, bool_or(is_fitted OR is_untold) AS may_wear,
    CASE WHEN count(DISTINCT brand) FILTER (is_fitted AND is_own) = 1
         THEN max(brand) FILTER (is_fitted AND is_own) END AS part_brand
FROM own GROUP BY fix_no;
