-- What findings about sites need of an attempt beside its window.  Needs ``vehicle_traits`` and
-- ``order_parts``; ``echo_fixes`` are of this analysis.
CREATE OR REPLACE TEMP TABLE attempt_brands AS
WITH fitted AS (
    SELECT a.attempt_id, p.part_brand, p.part_grade,
        p.component = component_of(a.family) AS is_own
    FROM store.attempts a
    JOIN order_parts p ON p.vehicle_id = a.vehicle_id AND p.repair_id = a.repair_id
    WHERE p.is_fitted
), chosen AS (
    -- the parts of the attempt's own component if there are any, otherwise all of the order
    SELECT * FROM fitted
    QUALIFY is_own OR NOT bool_or(is_own) OVER (PARTITION BY attempt_id)
)
SELECT attempt_id, that_of_all(part_brand) AS brand, that_of_all(part_grade) AS grade
FROM chosen GROUP BY attempt_id;

-- Traits and quarters as numbers in the order of their names: a million attempts have few distinct
-- ones.
CREATE OR REPLACE TEMP TABLE holder_attempts AS
WITH traits AS (
    SELECT vehicle_id,
        dense_rank() OVER (ORDER BY concat_ws('|', platform, engine, age_band)) AS traits
    FROM vehicle_traits
), last_seen AS (
    SELECT vehicle_id, max(seen_at) AS last_at FROM store.scan_moments GROUP BY vehicle_id
)
SELECT a.attempt_id, a.site, a.technician, b.brand, b.grade, a.scans_used,
    a.kind = 'clear_only' AS is_bare, t.traits,
    -- its code only followed from another: no fix of its own, as the verdicts are counted
    a.attempt_id IN (SELECT attempt_id FROM store.echo_fixes) AS is_echo,
    coalesce(v.outcome = 'held', false) AS is_held,
    dense_rank() OVER (ORDER BY a.vehicle_id) AS vehicle,
    (year(a.attempted_at) * 4 + quarter(a.attempted_at) - 1)::INTEGER AS quarter,
    a.returned AND lead(a.site) OVER fault <> a.site AS is_seen_elsewhere,
    coalesce(s.last_at <= a.attempted_at + getvariable('visit'), true)
        AND getvariable('as_of') > a.attempted_at + getvariable('lost_after') AS is_lost
FROM store.attempts a
JOIN traits t USING (vehicle_id)
LEFT JOIN attempt_brands b USING (attempt_id)
LEFT JOIN last_seen s USING (vehicle_id)
LEFT JOIN store.verdicts v USING (attempt_id)
WINDOW fault AS (PARTITION BY a.vehicle_id, a.ecu, a.code ORDER BY a.attempt_no);
