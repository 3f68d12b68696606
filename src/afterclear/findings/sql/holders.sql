-- What findings about sites need of an attempt beside its window.  Needs ``vehicle_traits`` and
-- ``order_parts``.
CREATE OR REPLACE TEMP TABLE attempt_brands AS
WITH fitted AS (
    SELECT a.attempt_id, p.part_brand, p.part_grade,
        p.component = CASE WHEN split_part(a.family, ':', 1) IN ('code', 'part') THEN a.family
            ELSE split_part(a.family, ':', 1) END AS is_own
    FROM store.attempts a
    JOIN order_parts p ON p.vehicle_id = a.vehicle_id AND p.repair_id = a.repair_id
    WHERE p.is_fitted
), chosen AS (
    -- the parts of the attempt's own component where there are any, else all of the order
    SELECT * FROM fitted
    QUALIFY is_own OR NOT bool_or(is_own) OVER (PARTITION BY attempt_id)
)
SELECT attempt_id,
    CASE WHEN count(DISTINCT part_brand) = 1 AND count(part_brand) = count(*)
         THEN max(part_brand) END AS brand,
    CASE WHEN count(DISTINCT part_grade) = 1 AND count(part_grade) = count(*)
         THEN max(part_grade) END AS grade
FROM chosen GROUP BY attempt_id;

CREATE OR REPLACE TEMP TABLE holder_attempts AS
SELECT a.attempt_id, a.site, a.technician, b.brand, b.grade, a.kind, a.scans_used,
    concat_ws('|', a.kind, a.is_repeat) AS stratum,
    concat_ws('|', t.platform, t.engine, t.age_band) AS traits,
    strftime(a.attempted_at, '%Y') || '-Q' || quarter(a.attempted_at) AS quarter,
    a.returned AND lead(a.site) OVER fault <> a.site AS is_seen_elsewhere,
    coalesce(s.last_at <= a.attempted_at + getvariable('visit'), true)
        AND getvariable('as_of') > a.attempted_at + getvariable('lost_after') AS is_lost
FROM store.attempts a
JOIN vehicle_traits t USING (vehicle_id)
LEFT JOIN attempt_brands b USING (attempt_id)
LEFT JOIN (SELECT vehicle_id, max(seen_at) AS last_at FROM store.observations GROUP BY vehicle_id) s
    USING (vehicle_id)
WINDOW fault AS (PARTITION BY a.vehicle_id, a.ecu, a.code ORDER BY a.attempt_no);
