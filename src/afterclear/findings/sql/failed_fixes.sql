-- Consecutive attempts on each fault, with the probabilities that it was never cured. Needs
-- ``order_parts``.

-- ``log_before``: over the attempts before, the sum of ln P(it came back because it did not hold);
-- a fault that never left was not cured. ``n_unseen_before``: those without a known come-back.
CREATE OR REPLACE TEMP TABLE fault_chains AS
WITH told AS (
    SELECT dense_rank() OVER (ORDER BY a.vehicle_id, a.ecu, a.code) AS fault, a.attempt_no,
        a.vehicle_id, a.repair_id, a.family,
        CASE WHEN a.returned THEN ln(greatest(coalesce(v.p_same_fault, 1), 1e-9)) END AS log_p
    FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
), chained AS (
    SELECT *, coalesce(sum(log_p) OVER before, 0) AS log_before,
        count(*) FILTER (log_p IS NULL) OVER before AS n_unseen_before
    FROM told
    WINDOW before AS (PARTITION BY fault ORDER BY attempt_no
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
)
SELECT * EXCLUDE (log_p) FROM chained WHERE repair_id IS NOT NULL;

-- Which parts of an order were fitted for which fault: those of its own component if there are any,
-- otherwise all.
CREATE OR REPLACE TEMP TABLE aimed_parts AS
WITH fitted AS (
    SELECT DISTINCT c.vehicle_id, c.repair_id, c.fault, p.component,
        p.component = component_of(c.family) AS is_own
    FROM fault_chains c
    JOIN order_parts p ON p.vehicle_id = c.vehicle_id AND p.repair_id = c.repair_id
    WHERE p.is_fitted
)
SELECT vehicle_id, repair_id, fault, component FROM fitted
QUALIFY is_own OR NOT bool_or(is_own) OVER (PARTITION BY vehicle_id, repair_id, fault);
