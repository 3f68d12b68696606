-- The sums of ``role_counts.sql`` by names, to be added to those of other vehicles elsewhere.
-- ``role_take.sql`` turns them into numbers again.
CREATE OR REPLACE TEMP TABLE sums_episodes AS
SELECT f.unit, f.code, sum(e.n)::BIGINT AS n
FROM role_episodes e JOIN role_faults f USING (fault_no) GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE sums_together AS
SELECT a.unit AS unit_a, a.code AS code_a, b.unit AS unit_b, b.code AS code_b,
    sum(t.n)::BIGINT AS n
FROM role_together t
JOIN role_faults a ON a.fault_no = t.fault_a
JOIN role_faults b ON b.fault_no = t.fault_b
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE sums_read_units AS
WITH sets AS (
    SELECT row_number() OVER () AS set_no, *
    FROM (SELECT reads, fresh, n_codes, low_supply, sum(n)::BIGINT AS n
          FROM role_read_units GROUP BY ALL)
), units AS (SELECT DISTINCT unit, unit_no FROM role_units)
SELECT list(u.unit ORDER BY u.unit) FILTER (get_bit(s.reads, u.unit_no) = 1) AS reads,
    list(u.unit ORDER BY u.unit) FILTER (get_bit(s.fresh, u.unit_no) = 1) AS fresh,
    s.n_codes, s.low_supply, s.n
FROM sets s, units u GROUP BY s.set_no, s.n_codes, s.low_supply, s.n;

CREATE OR REPLACE TEMP TABLE sums_beside AS
SELECT f.unit, f.code, u.unit AS beside, b.n_codes, b.low_supply, sum(n_there)::BIGINT AS n_there,
    sum(n_old)::BIGINT AS n_old, sum(n_begun)::BIGINT AS n_begun,
    sum(n_as_cause)::BIGINT AS n_as_cause, sum(n_as_effect)::BIGINT AS n_as_effect
FROM role_beside b
JOIN role_faults f USING (fault_no)
JOIN (SELECT DISTINCT unit, unit_no FROM role_units) u ON u.unit_no = b.unit_no
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE sums_both AS
SELECT c.unit AS cause_unit, c.code AS cause_code, e.unit AS effect_unit, e.code AS effect_code,
    b.n_codes, b.low_supply, sum(n_begun)::BIGINT AS n_begun, sum(n_there)::BIGINT AS n_there,
    sum(n_old)::BIGINT AS n_old, sum(n_scans)::BIGINT AS n_scans,
    sum(n_begun_beside)::BIGINT AS n_begun_beside, sum(n_after)::BIGINT AS n_after,
    sum(n_told)::BIGINT AS n_told, sum(n_tied)::BIGINT AS n_tied
FROM role_both b
JOIN role_faults c ON c.fault_no = b.cause
JOIN role_faults e ON e.fault_no = b.effect
GROUP BY ALL;
