CREATE OR REPLACE TEMP TABLE code_facts AS
SELECT c.vehicle_id, c.ecu, c.code AS stored_code, m.named AS code, m.family, m.monitor,
    m.min_clean_km
FROM vehicle_codes c
JOIN meanings m ON m.make IS NOT DISTINCT FROM c.make AND m.ecu = c.ecu AND m.code = c.code
    AND m.description IS NOT DISTINCT FROM c.description;

CREATE OR REPLACE TEMP TABLE part_facts AS
SELECT DISTINCT r.vehicle_id, r.repair_id, p.family
FROM repairs r
JOIN part_families p ON p.part_family = r.part_family
    AND p.position IS NOT DISTINCT FROM r.position
WHERE r.vehicle_id IN (FROM bucket);
