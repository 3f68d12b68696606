-- What a reading shows of the other codes of a fault's circuit: the newest run that is a fault.
CREATE OR REPLACE TEMP TABLE shown_beside AS
SELECT c.fault_no, h.scan_no,
    max(h.run_first_seq) FILTER (h.is_fault AND NOT s.is_inactive) AS run_first_seq,
    max_by(c.other_code, (h.run_first_seq, c.other_code))
        FILTER (h.is_fault AND NOT s.is_inactive) AS code,
    -- empty where that run's own code has none: another's distance is not its
    arg_max_null(h.told_km, (h.run_first_seq, c.other_code))
        FILTER (h.is_fault AND NOT s.is_inactive) AS told_km
FROM same_circuit c
JOIN shown h ON h.fault_no = c.other_no
JOIN sightings s ON s.fault_no = h.fault_no AND s.scan_no = h.scan_no
GROUP BY c.fault_no, h.scan_no;

-- Every later reading of the attempt's unit, until the fault is seen again or tried again, and what
-- it proves.
CREATE OR REPLACE TEMP TABLE findings AS
WITH later AS MATERIALIZED (
    SELECT a.fix_no, a.attempted_at, a.attempted_km,
        r.scan_no, r.seq, r.seen_at, r.km, r.cleared_at, r.clear_km, r.clear_km_low,
        s.presence, CASE WHEN h.is_fault THEN s.told_km ELSE o.told_km END AS told_km,
        coalesce(h.is_fault, false) AS is_fault,
        o.scan_no IS NOT NULL AS is_beside, o.code AS beside_code,
        coalesce(o.run_first_seq > a.start_seq, false) AS is_new_beside,
        -- a run that began before the work and was never interrupted: the code was never gone
        coalesce(h.run_first_seq <= a.start_seq, false) AS never_gone,
        a.own_clear_no IS NOT NULL OR r.visit_reason = 'post_repair' AS after_work,
        r.seen_at <= a.attempted_at + getvariable('visit')
            AND coalesce(r.km - a.attempted_km <= getvariable('visit_km'), true) AS same_visit,
        r.why_blind IS NULL AND NOT coalesce(h.is_fault, false) AS is_without,
        r.km - a.attempted_km <= getvariable('visit_km')
            AND (r.cleared_at IS NULL OR r.cleared_at < a.attempted_at) AS stood_uncleared,
        s.is_inactive AND a.own_clear_no IS NULL AS may_be_old,
        why_no_evidence(r.why_blind, r.monitors_incomplete, r.cleared_km_ago, f.monitor,
            f.min_clean_km) AS why_none,
        f.monitor, f.min_clean_km
    FROM attempts a
    JOIN faults f USING (fault_no)
    JOIN readings r ON r.unit_no = a.unit_no AND r.seq > a.start_seq
        AND (a.next_start_seq IS NULL OR r.seq <= a.next_start_seq)
    LEFT JOIN sightings s ON s.fault_no = a.fault_no AND s.scan_no = r.scan_no
    LEFT JOIN shown h ON h.fault_no = a.fault_no AND h.scan_no = r.scan_no
    LEFT JOIN shown_beside o ON o.fault_no = a.fault_no AND o.scan_no = r.scan_no
    -- a scan of the visit recorded as before the work is before it, whatever the clocks show
    WHERE NOT (r.visit_reason = 'pre_repair'
        AND (a.own_clear_no IS NULL OR a.kind = 'repair' AND r.seen_at <= a.tried_at)
        AND r.seen_at <= a.attempted_at + getvariable('visit')
        AND coalesce(r.km - a.attempted_km <= getvariable('visit_km'), true))
), gone AS (
    SELECT fix_no, min(seq) AS gone_seq FROM later WHERE is_without GROUP BY fix_no
), told AS (
    SELECT *,
        -- neither cleared, nor driven, nor ever read without the code since the work
        stood_uncleared AND NOT coalesce(gone_seq < seq, false) AS at_rest
    FROM later LEFT JOIN gone USING (fix_no)
), judged AS MATERIALIZED (
    SELECT *,
        CASE WHEN is_fault AND NOT after_work AND (same_visit OR at_rest) THEN 'no_evidence'
             WHEN is_fault AND never_gone AND may_be_old THEN 'no_evidence'
             WHEN is_fault AND (same_visit OR never_gone) THEN 'stayed'
             WHEN is_fault THEN 'returned'
             -- the same circuit, with another code that began after the work: also a return
             WHEN is_new_beside AND NOT same_visit AND (after_work OR NOT at_rest) THEN 'returned'
             WHEN presence = 'sign' THEN 'sign'
             WHEN is_beside THEN 'no_evidence'
             WHEN presence IN ('not_tested', 'permanent') OR same_visit THEN 'no_evidence'
             WHEN why_none IS NOT NULL THEN 'no_evidence'
             ELSE 'clean' END AS finding
    FROM told
), back AS (
    SELECT fix_no, min(seq) AS back_seq FROM judged WHERE finding IN ('returned', 'stayed')
    GROUP BY fix_no
)
SELECT * EXCLUDE (back_seq),
    CASE finding
        WHEN 'clean' THEN 'read_without'
        WHEN 'returned' THEN CASE WHEN is_fault THEN 'shown_again' ELSE 'other_code_shown' END
        WHEN 'sign' THEN 'pending_once'
        WHEN 'stayed' THEN
            CASE WHEN same_visit THEN 'still_there_same_visit'
                 ELSE 'still_there_uncleared' END
        ELSE
            CASE WHEN is_fault AND NOT after_work AND same_visit
                     THEN 'same_visit_no_clear'
                 WHEN is_fault AND NOT after_work AND at_rest
                     THEN 'not_driven_no_clear'
                 WHEN is_fault THEN 'old_entry'
                 WHEN is_beside THEN 'other_code_listed'
                 WHEN presence = 'not_tested' THEN 'test_not_completed'
                 WHEN presence = 'permanent'
                     THEN 'permanent_alone'
                 WHEN same_visit THEN 'same_visit_not_driven'
                 ELSE why_none END
    END AS reason
FROM judged LEFT JOIN back USING (fix_no)
WHERE seq <= coalesce(back_seq, seq);

-- A clean reading covers the way back to the last clear of its unit; stretches count once.
CREATE OR REPLACE TEMP TABLE evidence AS
WITH stretches AS (
    SELECT fix_no, scan_no, seq, seen_at, km, finding, reason, monitor, clear_km,
        min_clean_km, told_km, beside_code,
        greatest(attempted_km, clear_km,
            max(km) FILTER (finding = 'clean') OVER before) AS from_km,
        -- a return may have begun at the near end of an inferred clear's interval
        greatest(attempted_km, clear_km_low,
            max(km) FILTER (finding = 'clean') OVER before) AS unwatched_from_km,
        greatest(attempted_at, cleared_at,
            max(seen_at) FILTER (finding = 'clean') OVER before) AS from_at
    FROM findings
    WINDOW before AS (PARTITION BY fix_no ORDER BY seq
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
)
SELECT fix_no, scan_no, seq, seen_at, km, finding,
    CASE WHEN reason = 'shown_again' AND told_km > unwatched_from_km AND told_km < km
         THEN 'first_seen_earlier' ELSE reason END AS reason,
    CASE WHEN reason = 'self_test_incomplete' THEN monitor END AS monitor,
    CASE WHEN reason = 'too_soon_after_clear' THEN clear_km END AS clear_km,
    CASE WHEN reason = 'too_soon_after_clear' THEN min_clean_km END AS needed_km,
    CASE WHEN finding = 'clean' THEN least(from_km, km) END AS stretch_from_km,
    CASE WHEN finding = 'clean' THEN km END AS stretch_to_km,
    CASE WHEN finding = 'clean'
         THEN greatest(0, date_diff('second', from_at, seen_at)) / 86400.0 END AS stretch_days,
    CASE WHEN reason = 'other_code_shown' THEN beside_code END AS returned_code,
    -- for a return: how much may have been driven without observation since the last stretch
    -- (unknown if either end is: greatest() would skip NULL and return 1)
    CASE WHEN finding IN ('returned', 'stayed') AND km - unwatched_from_km IS NOT NULL THEN
        greatest(1, CASE WHEN told_km > unwatched_from_km AND told_km < km
                         THEN told_km ELSE km END - unwatched_from_km)
        END AS unwatched_km
FROM stretches;

-- (rounded: a sum's last bits depend on the order in which the database adds)
CREATE OR REPLACE TEMP TABLE attempt_windows AS
SELECT fix_no,
    round(coalesce(sum(stretch_to_km - stretch_from_km), 0), 6) AS clean_km,
    round(coalesce(sum(stretch_days), 0), 9) AS clean_days,
    bool_or(finding IN ('returned', 'stayed')) AS returned,
    bool_or(finding = 'stayed') AS stayed,
    max(unwatched_km) AS unwatched_km, max(returned_code) AS returned_code,
    max(seen_at) FILTER (finding IN ('returned', 'stayed')) AS returned_at,
    max(scan_no) FILTER (finding IN ('returned', 'stayed')) AS returned_scan_no,
    max(seen_at) FILTER (finding = 'clean') AS last_clean_at,
    max_by(scan_no, seq) FILTER (finding = 'clean') AS last_clean_scan_no,
    count(*) FILTER (finding IN ('clean', 'returned', 'stayed')) AS scans_used
FROM evidence GROUP BY fix_no;

-- Work on a fault that had come back under another code of its circuit is not a first attempt.
CREATE OR REPLACE TEMP TABLE repeats AS
SELECT DISTINCT a.fix_no
FROM attempts a
JOIN same_circuit c USING (fault_no)
JOIN attempts b ON b.fault_no = c.other_no AND b.next_start_seq = a.start_seq
JOIN attempt_windows w ON w.fix_no = b.fix_no AND w.returned;

-- Work on one circuit at one visit is one fix, however many of its codes were worked on and however
-- many orders were written for it: which attempt the others count with. A repair goes before a clear
-- beside it, then the code that itself came back, then the one that was observed the longest.
CREATE OR REPLACE TEMP TABLE one_fix AS
WITH ordered AS (
    SELECT a.*, f.circuit, lag(a.attempted_at) OVER circuit AS before_at,
        lag(a.tried_km_low) OVER circuit AS before_km_low,
        lag(a.tried_km_high) OVER circuit AS before_km_high
    FROM attempts a
    JOIN faults f USING (fault_no)
    WHERE f.circuit IS NOT NULL AND f.unit_no IS NOT NULL
    WINDOW circuit AS (PARTITION BY f.unit_no, f.circuit ORDER BY a.attempted_at, a.fix_no)
), visits AS (
    SELECT *, count(*) FILTER (
        before_at IS NULL OR attempted_at > before_at + getvariable('visit')
        OR surely_apart(tried_km_low, tried_km_high, before_km_low, before_km_high)
    ) OVER (
        PARTITION BY unit_no, circuit ORDER BY attempted_at, fix_no
        ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS circuit_visit_no
    FROM ordered
)
SELECT v.fix_no, first_value(v.attempt_id) OVER fix AS counted_with
FROM visits v
LEFT JOIN attempt_windows w USING (fix_no)
WINDOW fix AS (
    PARTITION BY v.unit_no, v.circuit, v.circuit_visit_no
    ORDER BY v.kind = 'clear_only', NOT coalesce(w.returned AND w.returned_code IS NULL, false),
        NOT coalesce(w.returned, false), v.next_start_seq DESC NULLS FIRST, v.fix_no)
QUALIFY row_number() OVER fix > 1;

-- Another code of the same component, first seen while the attempt was under observation. If the
-- attempt came back, only the code that showed it: its own code needs no other.
CREATE OR REPLACE TEMP TABLE related AS
SELECT a.fix_no, min_by(e.code, (e.first_seen_at, e.code)) AS related_code
FROM attempts a
JOIN episodes e ON e.vehicle_no = a.vehicle_no AND e.family = a.family AND e.code <> a.code
    AND e.first_seen_at > a.attempted_at + getvariable('visit')
    AND (a.ended_at IS NULL OR e.first_seen_at <= a.ended_at)
ANTI JOIN (SELECT fix_no FROM attempt_windows WHERE returned) w ON w.fix_no = a.fix_no
GROUP BY a.fix_no
UNION ALL
SELECT fix_no, returned_code FROM attempt_windows WHERE returned_code IS NOT NULL;

-- What the pooled model needs about how often new faults begin: the first episode of a family on a
-- unit. Its low end may be a clear, for whichever fault. What the first reading found began before
-- observation, and after work on the family no episode is the first. km NULL: not known.
CREATE OR REPLACE TEMP TABLE onsets AS
WITH worked AS (
    SELECT unit_no, family, min(attempted_at) AS at FROM attempts GROUP BY unit_no, family
), firsts AS (
    SELECT e.unit_no, e.family, e.first_seen_at, (r.first_place - 1) // 2 AS reading_no,
        e.onset_high_km - e.onset_low_km AS gap_km
    FROM episodes e JOIN runs r USING (fault_no, run)
    QUALIFY row_number() OVER (PARTITION BY e.unit_no, e.family
        ORDER BY e.first_seen_at, r.first_place, e.fault_no) = 1
)
SELECT f.unit_no, f.family, round(coalesce(l.watched_km, 0), 6) AS before_km,
    CASE WHEN f.reading_no > 0 AND f.gap_km > 0 AND NOT coalesce(w.at < f.first_seen_at, false)
         THEN f.gap_km END AS gap_km
FROM firsts f
LEFT JOIN readings l ON l.unit_no = f.unit_no AND l.place = 2 * f.reading_no
LEFT JOIN worked w ON w.unit_no = f.unit_no AND w.family = f.family;

-- How far units were observed: from the first reading to the last, less what clears hid.
CREATE OR REPLACE TEMP TABLE watched AS
WITH stored AS (
    SELECT unit_no, seen_at, km FROM unit_readings
    WHERE answered AND is_stored_memory AND km IS NOT NULL
), spans AS (
    SELECT unit_no, max(km) - min(km) AS km, max(km) AS last_km FROM stored GROUP BY unit_no
), hidden AS (
    SELECT unit_no, sum(lost_km ORDER BY read_km) AS km FROM (
        SELECT c.unit_no, r.km AS read_km, max(c.km - r.km) AS lost_km
        FROM (SELECT unit_no, cleared_at, coalesce(km, km_high) AS km FROM clear_events
              WHERE origin <> 'vanished') c
        ASOF JOIN (SELECT * FROM stored SEMI JOIN clear_events USING (unit_no)) r
            ON c.unit_no = r.unit_no AND c.cleared_at >= r.seen_at
        JOIN spans s ON s.unit_no = c.unit_no AND c.km <= s.last_km
        WHERE c.km > r.km
        GROUP BY c.unit_no, r.km
    ) GROUP BY unit_no
)
SELECT unit_no, round(greatest(0, s.km - coalesce(h.km, 0)), 6) AS km
FROM spans s LEFT JOIN hidden h USING (unit_no);
