-- How sites work, one row for each piece of work, with what each finding counts. Needs
-- ``order_parts``.

-- Attempts with their outcome: failed means that the old fault came back, as far as is known; a new
-- fault with the same code long after is not wasted work.
CREATE OR REPLACE TEMP TABLE tried AS
SELECT a.attempt_id, a.vehicle_id, a.code, a.family, a.kind, a.repair_id, a.beside_repair_id,
    a.site, a.attempted_at, a.returned, a.scans_used,
    a.returned AND (a.stayed OR coalesce(v.p_same_fault, 1) >= 0.5) AS failed,
    a.attempt_id IN (SELECT attempt_id FROM store.echo_fixes) AS is_echo,
    lead(a.repair_id) OVER fault AS next_id
FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
WINDOW fault AS (PARTITION BY a.vehicle_id, a.ecu, a.code ORDER BY a.attempt_no);

-- Work for several codes is shown by one attempt: by one whose fault came back, if any did (beside
-- "held" the count of come-backs would seem wrong), and by the fault itself, not one it set.
CREATE OR REPLACE TEMP MACRO shown_by(attempt_id, came_back, is_echo) AS
    first(attempt_id ORDER BY NOT came_back, is_echo, attempt_id);

-- Work orders aimed at a code, and whether any control unit was read after them in the same visit.
CREATE OR REPLACE TEMP TABLE aimed_orders AS
WITH orders AS (
    SELECT vehicle_id, repair_id, min(site) AS site,
        shown_by(attempt_id, failed, is_echo) AS attempt_id,
        string_agg(DISTINCT code, ' ' ORDER BY code) AS codes,
        bool_and(failed) FILTER (returned OR scans_used > 0) AS all_back,
        bool_or(failed) AS any_back
    FROM tried WHERE kind = 'repair' GROUP BY vehicle_id, repair_id
), worked AS (
    SELECT o.*, m.happened_at AS repaired_at
    FROM orders o
    JOIN store.moment_km m ON m.vehicle_id = o.vehicle_id AND m.origin = 'repair'
        AND m.origin_id = o.repair_id
), looked AS (
    -- the scans of the visit first, and of these the ones in which a unit answered
    SELECT DISTINCT w.vehicle_id, w.repair_id
    FROM worked w
    JOIN store.scan_moments s ON s.vehicle_id = w.vehicle_id
        AND s.seen_at BETWEEN w.repaired_at AND w.repaired_at + getvariable('visit')
        AND s.visit_reason NOT IN ('pre_repair', 'complaint', 'intake')
        AND (s.seen_at > w.repaired_at OR s.visit_reason = 'post_repair')
    JOIN store.looks l ON l.scan_no = s.scan_no AND l.answered
)
SELECT w.*, l.repair_id IS NOT NULL AS is_looked_after
FROM worked w LEFT JOIN looked l USING (vehicle_id, repair_id);

-- Visits in which a present code was cleared and nothing else was done, beside those with work. A
-- clear in a visit with any order is part of that work, whatever the order was for.
CREATE OR REPLACE TEMP TABLE fault_visits AS
WITH told AS (
    SELECT *, coalesce(repair_id, beside_repair_id) AS order_id,
        attempted_at > lag(attempted_at) OVER vehicle + getvariable('visit') AS is_later
    FROM tried
    WINDOW vehicle AS (PARTITION BY vehicle_id ORDER BY attempted_at, attempt_id)
), visits AS (
    SELECT *, count(*) FILTER (is_later) OVER (
        PARTITION BY vehicle_id ORDER BY attempted_at, attempt_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS visit_no
    FROM told
)
SELECT vehicle_id, coalesce(min(site) FILTER (order_id IS NOT NULL), min(site)) AS site,
    count(order_id) = 0 AS is_bare, min(order_id) AS repair_id,
    min(attempted_at) AS attempted_at, shown_by(attempt_id, returned, is_echo) AS attempt_id,
    string_agg(DISTINCT code, ' ' ORDER BY code) AS codes, bool_or(returned) AS any_back
FROM visits GROUP BY vehicle_id, visit_no;

-- A part of the same family fitted again at the next attempt on a fault that came back.
CREATE OR REPLACE TEMP TABLE fitted_again AS
SELECT p.vehicle_id, p.repair_id, p.next_id, a.component,
    min(concat_ws(' ', b.part_brand, b.number_on_order, b.family_label)) AS what
FROM tried p
JOIN order_parts a ON a.vehicle_id = p.vehicle_id AND a.repair_id = p.repair_id AND a.is_fitted
JOIN order_parts b ON b.vehicle_id = p.vehicle_id AND b.repair_id = p.next_id AND b.is_fitted
    AND b.component = a.component AND b.place IS NOT DISTINCT FROM a.place
WHERE p.failed AND p.next_id IS NOT NULL AND p.next_id <> p.repair_id
GROUP BY p.vehicle_id, p.repair_id, p.next_id, a.component, a.place;

-- Parts that changed nothing: from work whose faults all came back, and of the component of those
-- faults. One row for each part, however many codes it was fitted for.
CREATE OR REPLACE TEMP TABLE parts_in_vain AS
SELECT DISTINCT p.row_no, p.vehicle_id, p.repair_id, o.site, p.repaired_at,
    concat_ws(' ', p.part_brand, p.number_on_order, p.family_label) AS what, p.part_cost AS cost,
    p.part_brand, p.number_on_order AS part_number, p.family_label AS part_label,
    p.currency, o.attempt_id, o.codes
FROM aimed_orders o
JOIN order_parts p USING (vehicle_id, repair_id)
LEFT JOIN tried a ON a.vehicle_id = o.vehicle_id AND a.repair_id = o.repair_id
    AND a.failed AND component_of(a.family) = p.component
WHERE p.is_fitted AND o.any_back AND (o.all_back OR a.attempt_id IS NOT NULL);

-- Cost of come-backs: the work orders that were needed because an earlier one failed, charged to
-- the site whose work came back.
CREATE OR REPLACE TEMP TABLE come_back_orders AS
WITH caused AS (
    SELECT vehicle_id, next_id AS repair_id, min(site) AS site,
        shown_by(attempt_id, failed, is_echo) AS attempt_id,
        string_agg(DISTINCT code, ' ' ORDER BY code) AS codes
    FROM tried WHERE failed AND next_id IS NOT NULL GROUP BY vehicle_id, next_id
)
SELECT c.*, p.currency, min(p.repaired_at) AS repaired_at,
    CASE WHEN count(p.part_cost) + count(p.labour_cost) > 0
         THEN coalesce(sum(p.part_cost), 0) + coalesce(sum(p.labour_cost), 0) END AS cost
FROM caused c JOIN order_parts p USING (vehicle_id, repair_id)
GROUP BY ALL;
