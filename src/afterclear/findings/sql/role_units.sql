-- What is counted over the fleet's scans, prepared before counting. Needs the temporary tables
-- ``role_named`` (ecu, unit) and ``role_shown`` (unit, code) and turns names into numbers: every
-- reading is processed by number.

-- Control units by function. ``bit``: a 1 at the unit's own position, so that the units of a scan
-- are one value.
CREATE OR REPLACE TEMP TABLE role_units AS
SELECT ecu, unit, unit_no, set_bit(repeat('0', 1 + max(unit_no) OVER ())::BIT, unit_no, 1) AS bit
FROM (SELECT *, (dense_rank() OVER (ORDER BY unit) - 1)::INTEGER AS unit_no FROM role_named);

-- Codes by the unit that shows them.  Numbers keep the order of unit and code.
CREATE OR REPLACE TEMP TABLE role_faults AS
SELECT (row_number() OVER (ORDER BY unit, code))::INTEGER AS fault_no, unit, unit_no, code
FROM (SELECT DISTINCT u.unit, u.unit_no, s.code FROM role_shown s JOIN role_units u USING (unit));

-- Sums of ``role_counts.sql``, one row for each part of the fleet; that file explains what they
-- count.
CREATE OR REPLACE TEMP TABLE role_episodes (fault_no INTEGER, n BIGINT);
CREATE OR REPLACE TEMP TABLE role_together (fault_a INTEGER, fault_b INTEGER, n BIGINT);
CREATE OR REPLACE TEMP TABLE role_read_units (
    reads BIT, fresh BIT, n_codes INTEGER, low_supply BOOLEAN, n BIGINT
);
CREATE OR REPLACE TEMP TABLE role_beside (
    fault_no INTEGER, unit_no INTEGER, n_codes INTEGER, low_supply BOOLEAN, n_there BIGINT,
    n_old BIGINT, n_begun BIGINT, n_as_cause BIGINT, n_as_effect BIGINT
);
CREATE OR REPLACE TEMP TABLE role_both (
    cause INTEGER, effect INTEGER, n_codes INTEGER, low_supply BOOLEAN, n_begun BIGINT,
    n_there BIGINT, n_old BIGINT, n_scans BIGINT, n_begun_beside BIGINT, n_after BIGINT,
    n_told BIGINT, n_tied BIGINT
);
