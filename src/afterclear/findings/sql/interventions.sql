-- What changes are judged by.  Needs ``order_parts``, the roles and verdicts of this analysis and the
-- settings of the histories.

-- Repairs that count as a fix of their own fault.
CREATE OR REPLACE TEMP TABLE changed_fixes AS
SELECT a.attempt_id, a.vehicle_id, a.repair_id, a.attempted_at, a.site,
    component_of(a.family) AS component, v.make, v.model, v.model_year
FROM store.attempts a LEFT JOIN store.vehicles v USING (vehicle_id)
WHERE a.family IS NOT NULL AND a.counted_with IS NULL AND a.kind <> 'clear_only'
    AND a.attempt_id NOT IN (SELECT attempt_id FROM store.echo_fixes);

-- New faults: a component's codes that begin together are one; no return of a fix that failed, no
-- code that followed from another when it began.  One began halfway between the readings around it.
CREATE OR REPLACE TEMP TABLE changed_onsets AS
WITH returns AS (
    SELECT a.vehicle_id, a.ecu, a.code, a.returned_at
    FROM store.attempts a JOIN store.verdicts v USING (attempt_id)
    WHERE a.returned AND coalesce(v.p_same_fault, 1) >= getvariable('rather_failed')
)
SELECT e.vehicle_id, component_of(e.family) AS component,
    min(e.onset_low_at + (e.onset_high_at - e.onset_low_at) / 2) AS began_at
FROM own_episodes() e
ANTI JOIN returns r ON r.vehicle_id = e.vehicle_id AND r.ecu = e.ecu AND r.code = e.code
    AND r.returned_at = e.onset_high_at
WHERE e.onset_low_at IS NOT NULL
GROUP BY e.vehicle_id, component_of(e.family), e.onset_high_at;
