-- Orders that say by themselves what their work was for: codes of one component, and changing work
-- on one component.  Each vehicle counts once for each pair, so that one that comes again and again
-- decides nothing.  Needs ``code_components`` and ``part_components``.
CREATE OR REPLACE TEMP TABLE plain_orders AS
WITH coded AS (
    SELECT l.vehicle_id, l.repair_id, min(c.component) AS fault
    FROM listed_on_orders l
    LEFT JOIN code_components c ON c.make IS NOT DISTINCT FROM l.make AND c.code = l.code
    GROUP BY ALL
    HAVING count(*) = count(c.component) AND count(DISTINCT c.component) = 1
), worked AS (
    SELECT r.vehicle_id, r.repair_id, min(p.component) AS work
    FROM store.repairs r
    LEFT JOIN part_components p ON p.part_family = r.part_family
        AND p.position IS NOT DISTINCT FROM r.position
    WHERE r.repaired_at <= getvariable('orders_until') AND coalesce(r.action, '') <> 'inspect'
    GROUP BY ALL
    HAVING count(*) = count(p.component) AND count(DISTINCT p.component) = 1
)
SELECT DISTINCT vehicle_id, work, fault FROM coded JOIN worked USING (vehicle_id, repair_id);
