-- Each reading with its place in the order of its unit and the clear before (``reading_order.py``).
CREATE OR REPLACE TEMP TABLE readings AS
SELECT r.unit_no, r.scan_no, r.seen_at, r.km, r.visit_reason, r.monitors_incomplete, r.seq,
    o.* EXCLUDE (reading_no), r.km - o.clear_km AS cleared_km_ago,
    -- readings of stored memory at even places, active-only ones between them: a code is gone
    -- between two places if a stored reading is strictly between them
    CASE WHEN r.answered AND r.is_stored_memory THEN 2 * o.reading_no
         ELSE 2 * o.reading_no + 1 END AS place,
    -- why the absence of any code proves nothing in this reading; NULL if it may prove something.
    -- (Reasons are codes of ``reasons.EvidenceReason``; their numbers are in columns beside them.)
    CASE
        WHEN NOT r.answered THEN 'no_answer'
        WHEN NOT r.is_stored_memory THEN 'active_only'
        WHEN r.km IS NULL THEN 'distance_unknown'
        WHEN o.clear_no > 0 AND o.clear_km IS NULL THEN 'clear_distance_unknown'
    END AS why_blind
FROM unit_readings r
POSITIONAL JOIN reading_order o;

-- Why a reading without a code is no evidence that its fault is gone; NULL if it is evidence.
-- Readiness decides if it is known; otherwise the family's distance since the clear.
CREATE OR REPLACE TEMP MACRO why_no_evidence(
    why_blind, monitors_incomplete, cleared_km_ago, monitor, min_clean_km) AS
    CASE
        WHEN why_blind IS NOT NULL THEN why_blind
        WHEN monitors_incomplete IS NOT NULL AND monitor IS NOT NULL THEN
            CASE WHEN list_contains(string_split(monitors_incomplete, ' '), monitor)
                THEN 'self_test_incomplete' END
        WHEN cleared_km_ago < min_clean_km THEN 'too_soon_after_clear'
    END;
