-- Sums by names that were left elsewhere (``role_leave.sql``), as views of these names, into the
-- sums by numbers of ``role_units.sql``. Numbers keep the order of names, here as there.
INSERT INTO role_episodes
SELECT f.fault_no, sum(s.n)::BIGINT
FROM sums_episodes s JOIN role_faults f USING (unit, code) GROUP BY ALL;

INSERT INTO role_together
SELECT a.fault_no, b.fault_no, sum(s.n)::BIGINT
FROM sums_together s
JOIN role_faults a ON a.unit = s.unit_a AND a.code = s.code_a
JOIN role_faults b ON b.unit = s.unit_b AND b.code = s.code_b
GROUP BY ALL;

INSERT INTO role_read_units
WITH sets AS (
    SELECT row_number() OVER () AS set_no, *
    FROM (SELECT reads, fresh, n_codes, low_supply, sum(n)::BIGINT AS n
          FROM sums_read_units GROUP BY ALL)
), units AS (SELECT DISTINCT unit, bit FROM role_units)
SELECT bit_or(u.bit) FILTER (list_contains(s.reads, u.unit)),
    bit_or(u.bit) FILTER (list_contains(s.fresh, u.unit)), s.n_codes, s.low_supply, s.n
FROM sets s, units u GROUP BY s.set_no, s.n_codes, s.low_supply, s.n;

INSERT INTO role_beside
SELECT f.fault_no, u.unit_no, s.n_codes, s.low_supply, sum(n_there)::BIGINT, sum(n_old)::BIGINT,
    sum(n_begun)::BIGINT, sum(n_as_cause)::BIGINT, sum(n_as_effect)::BIGINT
FROM sums_beside s
JOIN role_faults f USING (unit, code)
JOIN (SELECT DISTINCT unit, unit_no FROM role_units) u ON u.unit = s.beside
GROUP BY ALL;

INSERT INTO role_both
SELECT c.fault_no, e.fault_no, s.n_codes, s.low_supply, sum(n_begun)::BIGINT,
    sum(n_there)::BIGINT, sum(n_old)::BIGINT, sum(n_scans)::BIGINT, sum(n_begun_beside)::BIGINT,
    sum(n_after)::BIGINT, sum(n_told)::BIGINT, sum(n_tied)::BIGINT
FROM sums_both s
JOIN role_faults c ON c.unit = s.cause_unit AND c.code = s.cause_code
JOIN role_faults e ON e.unit = s.effect_unit AND e.code = s.effect_code
GROUP BY ALL;
