-- Counts of pairs of codes in the fleet's scans: combines the sums of ``role_counts.sql``. Needs
-- the variable ``min_both``.

-- Pairs that share enough episodes.
CREATE OR REPLACE TEMP TABLE role_candidates AS
WITH episodes AS (SELECT fault_no, sum(n)::BIGINT AS n FROM role_episodes GROUP BY fault_no)
SELECT row_number() OVER (ORDER BY t.fault_a, t.fault_b) - 1 AS pair, fa.unit AS unit_a,
    fa.code AS code_a, fb.unit AS unit_b, fb.code AS code_b, t.n_both, t.fault_a, t.fault_b,
    a.n AS n_a, b.n AS n_b
FROM (SELECT fault_a, fault_b, sum(n)::BIGINT AS n_both FROM role_together GROUP BY ALL
      HAVING sum(n) >= getvariable('min_both')) t
JOIN role_faults fa ON fa.fault_no = t.fault_a
JOIN role_faults fb ON fb.fault_no = t.fault_b
JOIN episodes a ON a.fault_no = t.fault_a
JOIN episodes b ON b.fault_no = t.fault_b;

-- Each pair both ways round: does the second begin where the first is there?
CREATE OR REPLACE TEMP TABLE role_ways AS
SELECT w.*, c.unit_no AS cause_unit, e.unit_no AS effect_unit
FROM (
    SELECT pair * 2 AS way, fault_a AS cause, fault_b AS effect FROM role_candidates
    UNION ALL
    SELECT pair * 2 + 1, fault_b, fault_a FROM role_candidates
) w
JOIN role_faults c ON c.fault_no = w.cause
JOIN role_faults e ON e.fault_no = w.effect;

CREATE OR REPLACE TEMP TABLE role_way_both AS
SELECT w.way, b.n_codes, b.low_supply, sum(b.n_begun) AS n_begun, sum(b.n_there) AS n_there,
    sum(b.n_old) AS n_old, sum(b.n_scans) AS n_scans, sum(b.n_begun_beside) AS n_begun_beside,
    sum(b.n_after) AS n_after, sum(b.n_told) AS n_told, sum(b.n_tied) AS n_tied
FROM role_ways w JOIN role_both b USING (cause, effect) GROUP BY ALL;

-- The first code with the second's unit; the second code with the first's unit.
CREATE OR REPLACE TEMP TABLE role_way_cause AS
SELECT w.way, b.n_codes, b.low_supply, sum(b.n_there) AS n_there, sum(b.n_old) AS n_old,
    sum(b.n_as_cause) AS n_scans
FROM role_ways w JOIN role_beside b ON b.fault_no = w.cause AND b.unit_no = w.effect_unit
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE role_way_effect AS
SELECT w.way, b.n_codes, b.low_supply, sum(b.n_begun) AS n_begun, sum(b.n_as_effect) AS n_scans
FROM role_ways w JOIN role_beside b ON b.fault_no = w.effect AND b.unit_no = w.cause_unit
GROUP BY ALL;

-- One 2x2 table for each way and stratum, over scans that read both units, with a fresh reading of
-- the second.  a, b: first code there, second begins or is absent; c, d: first code absent, second
-- begins or is absent.  ``others``: codes of the scan beside the two.
CREATE OR REPLACE TEMP TABLE role_cells AS
WITH sets AS (
    SELECT reads, fresh, n_codes, low_supply, sum(n) AS n FROM role_read_units GROUP BY ALL
), read_both AS (
    SELECT u.cause_unit, u.effect_unit, s.n_codes, s.low_supply, sum(s.n) AS n
    FROM (SELECT DISTINCT cause_unit, effect_unit FROM role_ways) u
    JOIN sets s ON get_bit(s.reads, u.cause_unit) = 1 AND get_bit(s.fresh, u.effect_unit) = 1
    GROUP BY ALL
), cells AS (
    SELECT way, 'a' AS cell, n_codes - 2 AS others, low_supply, n_begun AS n FROM role_way_both
    WHERE n_begun > 0
    UNION ALL
    SELECT way, 'b', c.n_codes - 1, low_supply, c.n_there - coalesce(b.n_there, 0)
    FROM role_way_cause c LEFT JOIN role_way_both b USING (way, n_codes, low_supply)
    WHERE c.n_there > coalesce(b.n_there, 0)
    UNION ALL
    SELECT way, 'c', e.n_codes - 1, low_supply, e.n_begun - coalesce(b.n_begun_beside, 0)
    FROM role_way_effect e LEFT JOIN role_way_both b USING (way, n_codes, low_supply)
    WHERE e.n_begun > coalesce(b.n_begun_beside, 0)
    UNION ALL
    -- of the scans that read both units, those that show neither code
    SELECT w.way, 'd', r.n_codes, r.low_supply, r.n - coalesce(c.n_scans, 0)
        - coalesce(e.n_scans, 0) + coalesce(b.n_scans, 0)
    FROM role_ways w
    JOIN read_both r USING (cause_unit, effect_unit)
    LEFT JOIN role_way_cause c USING (way, n_codes, low_supply)
    LEFT JOIN role_way_effect e USING (way, n_codes, low_supply)
    LEFT JOIN role_way_both b USING (way, n_codes, low_supply)
)
SELECT way, low_supply, CASE WHEN others <= 1 THEN others WHEN others <= 3 THEN 2 ELSE 4 END
        AS many,
    coalesce(sum(n) FILTER (cell = 'a'), 0)::DOUBLE AS a,
    coalesce(sum(n) FILTER (cell = 'b'), 0)::DOUBLE AS b,
    coalesce(sum(n) FILTER (cell = 'c'), 0)::DOUBLE AS c,
    coalesce(sum(n) FILTER (cell = 'd'), 0)::DOUBLE AS d
FROM cells GROUP BY ALL ORDER BY way, low_supply, many;

-- Order: how often the second began after the first was there, and how often it could have; and
-- onsets between the same two scans where both units report the km.
CREATE OR REPLACE TEMP TABLE role_order AS
WITH both_there AS (
    SELECT way, sum(n_after) AS n_after, sum(n_old) AS n_old, sum(n_told) AS n_told,
        sum(n_tied) AS n_tied
    FROM role_way_both GROUP BY way
), first_there AS (SELECT way, sum(n_old) AS n_old FROM role_way_cause GROUP BY way)
SELECT way, coalesce(b.n_after, 0)::DOUBLE AS n_after,
    (coalesce(b.n_after, 0) + f.n_old - coalesce(b.n_old, 0))::DOUBLE AS n_exposed,
    coalesce(b.n_told, 0)::DOUBLE AS n_told, coalesce(b.n_tied, 0)::DOUBLE AS n_tied
FROM first_there f LEFT JOIN both_there b USING (way) ORDER BY way;

-- Only one of the two was repaired, the other only cleared at the same visit: did it stay away? The
-- probability that it is gone counts, not one clean scan.
CREATE OR REPLACE TEMP TABLE role_repairs AS
WITH tries AS (
    SELECT a.vehicle_id, f.fault_no, a.kind, a.attempted_at, a.attempt_id,
        -- a return that is more likely a new fault does not count against the repair
        1 - CASE WHEN a.returned THEN coalesce(v.p_same_fault, 1) ELSE v.p_not_held END AS gone
    FROM store.attempts a
    JOIN role_units u USING (ecu)
    JOIN role_faults f ON f.unit_no = u.unit_no AND f.code = a.code
    JOIN store.verdicts v USING (attempt_id)
    WHERE v.outcome <> 'unchecked'
)
SELECT w.way, coalesce(sum(y.gone ORDER BY y.attempt_id, x.attempt_id), 0.0) AS effect_gone,
    count(*)::DOUBLE AS n_repaired, count(DISTINCT x.vehicle_id)::DOUBLE AS n_vehicles
FROM role_ways w
JOIN tries x ON x.fault_no = w.cause AND x.kind = 'repair'
JOIN tries y ON y.fault_no = w.effect AND y.kind = 'clear_only' AND y.vehicle_id = x.vehicle_id
    AND y.attempted_at BETWEEN x.attempted_at - getvariable('visit')
        AND x.attempted_at + getvariable('visit')
GROUP BY w.way ORDER BY w.way;
